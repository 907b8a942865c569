//! The gate: what is still open is named, nothing critical is passed over, and whoever overrides says so in a sentence.

use super::super::apply::TESTED;
use super::super::core::Engine;
use super::super::event::{Event, HeardAs};
use super::super::output::{Audience, Output, Priority};
use super::super::people::{Hand, PersonIndex};
use super::super::phrasebook::{Common, Line, Reason};
use super::super::state::Ending;
use super::vocabulary::{Asking, PhraseMeaning};
use crate::routine::{Answer, StepIndex};

impl Engine {
    /// Somebody stands at a gate: what that comes to goes on record.
    pub(in crate::engine) fn gate(&mut self, gate: StepIndex) {
        // What is being said into a note would be lost with the end of the run, and nobody passes who is held.
        if self.alarms.waits_for_a_note() || self.state.standing_by || self.records.holds_up() {
            return;
        }
        let cannot = &self.book.reason(Reason::Cannot)[0];
        let event = self.state.at_gate(&self.job, gate, cannot);
        self.commit(event);
    }

    /// Looks anew whether a gate that somebody stands at lets pass; goes on where nobody does.
    pub(in crate::engine) fn pass_gate(&mut self) {
        if self.state.ended.is_some() {
            return;
        }
        let at_gate = |hand: &Hand| hand.current.is_some_and(|step| self.job.is_gate(step));
        match self.state.people.iter().position(at_gate) {
            Some(person) => {
                self.turn_to(person);
                if let Some(gate) = self.state.people[person].current {
                    self.gate(gate);
                }
            }
            None => self.advance(),
        }
    }

    /// Everything that stands between here and the end, by name.
    pub(in crate::engine) fn gate_text(&self) -> Vec<String> {
        let again = |step: &StepIndex| self.state.reopened[*step] && !self.state.is_kept_back(*step);
        let open: Vec<StepIndex> = self.state.not_done(&self.job).filter(|step| !again(step)).collect();
        let reopened: Vec<StepIndex> = self.state.not_done(&self.job).filter(again).collect();
        let skipped: Vec<StepIndex> = self.state.skipped(&self.job).collect();
        let mut clocks: Vec<String> = self.state.clocks.keys().map(|&step| self.clock_name(step)).collect();
        clocks.extend(self.state.timers.keys().cloned());
        let mut text = Vec::new();
        for (line, names) in [
            (Line::GateOpen, self.names_to_do(&open)),
            (Line::GateReopened, self.names(&reopened)),
            (Line::GateSkippedToo, self.names(&skipped)),
            (Line::GateClocks, clocks.join(", ")),
        ] {
            if !names.is_empty() {
                text.push(self.book.line(line, &[("names", &names)]));
            }
        }
        text
    }

    /// By name, and with who must do what could not be tested here.
    fn names_to_do(&self, steps: &[StepIndex]) -> String {
        let named = |&step: &StepIndex| {
            let asked = self.job.step(step);
            match (self.state.untested[step], asked.tested_by.as_str()) {
                (false, _) if self.state.beyond[step] => self.book.line(Line::WithHelp, &[("name", &asked.name)]),
                (false, _) => asked.name.clone(),
                (true, "") => self.book.line(Line::ToBeTested, &[("name", &asked.name)]),
                (true, who) => self.book.line(Line::ToBeDoneBy, &[("name", &asked.name), ("who", who)]),
            }
        };
        steps.iter().map(named).collect::<Vec<_>>().join(", ")
    }

    /// Whether anybody does at the station that is spoken with: of several people another may have been spoken to last.
    pub(in crate::engine) fn stands_at_a_gate(&self) -> bool {
        let stands = |person: PersonIndex| self.state.people[person].current.is_some_and(|step| self.job.is_gate(step));
        self.people_at(self.at).into_iter().any(stands)
    }

    /// What could not be tested here, and is to be done after all.
    pub(in crate::engine) fn test_after_all(&mut self) {
        let untested = self.state.open(&self.job).filter(|&step| self.state.is_kept_back(step));
        let steps: Vec<String> = untested.map(|step| self.step_id(step)).collect();
        self.commit(Event::StepsReopened { steps, because: TESTED.to_owned() });
    }

    fn clock_name(&self, step: StepIndex) -> String {
        match &self.job.step(step).answer {
            Answer::Clock(clock) => clock.name.clone(),
            _ => self.job.step(step).name.clone(),
        }
    }

    /// "Are we ready": all that is not, and that it can be overridden.
    pub(in crate::engine) fn say_gate(&mut self) {
        let mut text = self.gate_text();
        let open = self.state.not_done(&self.job).next().is_some();
        if !open && self.state.clocks.is_empty() && self.state.timers.is_empty() {
            text.insert(0, self.book.line(Line::GateReady, &[]));
        } else {
            text.push(self.book.line(Line::GateOverride, &[]));
            self.talk_mut().asking = Asking::Gate;
            self.ask_here();
        }
        self.say_prompt(text.join(" "));
    }

    pub(in crate::engine) fn gate_held(&mut self, open: &[String]) {
        let open: Vec<StepIndex> = open.iter().filter_map(|id| self.job.index_of(id)).collect();
        let mut text = match open.as_slice() {
            [] => self.gate_text(),
            open => vec![self.book.line(Line::GateHeld, &[("names", &self.names_to_do(open))])],
        };
        if self.state.keeps_back() {
            text.push(self.book.line(Line::GateUntested, &[]));
        } else if let [step] = open.as_slice()
            && self.job.step(*step).may_be_skipped()
        {
            text.push(self.book.line(Line::SkipLast, &[]));
        }
        self.talk_mut().asking = Asking::Gate;
        self.ask_here();
        self.say_useful(self.here(), Priority::Caution, text.join(" "));
    }

    /// Only the whole sentence overrides, and never a hazard that is still running.
    pub(in crate::engine) fn override_gate(&mut self, heard: HeardAs) {
        if heard == HeardAs::Key && self.talk().asking == Asking::Gate {
            let sentence = self.book.common(Common::Override)[0].clone();
            return self.ask_about(PhraseMeaning::Override, heard, &sentence);
        }
        self.talk_mut().asking = Asking::Step;
        if let Some(text) = self.hazard_first() {
            let refused = self.book.line(Line::OverrideRefused, &[]);
            self.say_useful(self.here(), Priority::Caution, format!("{refused} {text}"));
            return;
        }
        let open: Vec<String> = self.state.not_done(&self.job).map(|step| self.step_id(step)).collect();
        if open.is_empty() {
            return self.say_line(self.here(), Priority::Prompt, Line::OverrideNothing);
        }
        let person = self.state.people[self.focus()].name.clone();
        self.commit(Event::Overridden { open, person, heard });
    }

    pub(in crate::engine) fn part_completed(&mut self, part: &str, skipped: &[String]) {
        let mut text = self.skipped_text(skipped);
        // Of what the rig has nothing of, nothing is complete; nor where something could not be tested.
        if let Some(done) = self.job.parts.iter().find(|other| other.id == part && other.steps.len() > 1) {
            let open: Vec<StepIndex> = done.steps.clone().filter(|&step| self.state.is_open(step)).collect();
            text.push(match open.as_slice() {
                [] => done.complete.clone(),
                open => self.book.line(Line::GateOpen, &[("names", &self.names_to_do(open))]),
            });
        }
        if text.is_empty() {
            return self.advance();
        }
        let text = text.join(" ");
        // It is said even where nothing follows at once.
        if self.state.here().all(|person| self.state.next_for(&self.job, person).is_none()) {
            let mut before = std::mem::take(&mut self.talk_mut().lead_in);
            before.push(text);
            self.say(Audience::All, Priority::Caution, before.join(" "));
        } else {
            self.talks.all_mut().for_each(|talk| talk.lead_in.push(text.clone()));
        }
        self.advance();
    }

    fn skipped_text(&self, skipped: &[String]) -> Vec<String> {
        if skipped.is_empty() {
            return Vec::new();
        }
        let skipped: Vec<StepIndex> = skipped.iter().filter_map(|id| self.job.index_of(id)).collect();
        vec![self.book.line(Line::GateSkipped, &[("names", &self.names(&skipped))])]
    }

    /// The completion call is the last thing said (NASA CR-177549); over an override it is not said at all.
    pub(in crate::engine) fn completed(&mut self, skipped: &[String]) {
        // A "say again", or a call, that waits for its turn would be the last word.
        self.send(Audience::All, Output::Hush(Priority::Prompt));
        let mut text: Vec<String> = self.talks.all_mut().flat_map(|talk| std::mem::take(&mut talk.lead_in)).collect();
        if self.state.ended == Some(Ending::Overridden) {
            text.extend(self.skipped_text(skipped));
            let open = self.names(&self.state.overridden.clone());
            text.push(self.book.line(Line::Overridden, &[("names", &open)]));
            self.say_last_words(&[], text.join(" "));
            return;
        }
        match skipped {
            [] if self.job.is_move() => {}
            [] => text.push(self.book.line(Line::GateClear, &[])),
            skipped => text.extend(self.skipped_text(skipped)),
        }
        if self.job.is_move() {
            text.push(self.job.parts[self.job.last_part()].complete.clone());
        }
        let complete = self.job.routine.complete.clone();
        self.say_last_words(&text, complete);
    }
}
