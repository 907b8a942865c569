//! From one person to another, and from the run to an emergency card and back.

use super::core::Engine;
use super::event::{Event, HeardAs};
use super::output::{Output, Priority};
use super::people::PersonIndex;
use super::phrasebook::Line;
use super::vocabulary::Asking;
use crate::routine::{Answer, StepIndex};

impl Engine {
    /// "Over to NAME": the other one of two, or whoever is not here yet in the place of the one who speaks.
    pub(super) fn hand_over(&mut self, to: PersonIndex) {
        self.asking = Asking::Step;
        let focus = self.state.focus;
        let from = if focus == to { self.state.here().find(|&person| person != to) } else { Some(focus) };
        let Some(from) = from else {
            return self.say_line(Priority::Chat, Line::OverToNothing);
        };
        let name = |person: PersonIndex| self.state.people[person].name.clone();
        // Whoever takes it back later would touch fresh water with them.
        if let Some(&soiled) = self.state.soiled.iter().find(|&&person| person == from || person == to) {
            let text = self.book.line(Line::WashFirst, &[("name", &name(soiled))]);
            self.say_useful(Priority::Caution, text);
            return;
        }
        self.commit(Event::HandedOver { from: name(from), to: name(to) });
    }

    /// What whoever takes over must know: what is done, what is open, what runs, and what was left out.
    pub(super) fn handed_over(&mut self, to: &str) {
        self.telling = None;
        self.holding = None;
        self.told_to_wait.fill(false);
        let done = self.state.trail.len();
        let open: Vec<StepIndex> = self.state.open(&self.job).collect();
        let few: Vec<StepIndex> = open.iter().copied().take(FEW).collect();
        let mut text = vec![self.book.line(
            Line::OverTo,
            &[
                ("name", to),
                ("title", &self.job.routine.title),
                ("done", &self.steps_text(done)),
                ("last", &self.last_name()),
                ("open", &self.steps_text(open.len())),
                ("names", &self.names(&few)),
            ],
        )];
        text.extend(self.running_text());
        let skipped: Vec<StepIndex> = self.state.skipped(&self.job).collect();
        if !skipped.is_empty() {
            text.push(self.book.line(Line::GateSkippedToo, &[("names", &self.names(&skipped))]));
        }
        self.lead_in.push(text.join(" "));
        self.advance();
    }

    pub(super) fn start_card(&mut self, card: usize, heard: HeardAs) {
        if self.state.card == Some(card) {
            return self.say_again();
        }
        if self.is_pending(|event| matches!(event, Event::CardStarted { .. })) {
            return;
        }
        self.asking = Asking::Step;
        self.forget_note();
        self.send(Output::Hush(Priority::Alarm));
        self.commit(Event::CardStarted { card: self.job.parts[card].id.clone(), heard });
    }

    pub(super) fn card_started(&mut self) {
        self.telling = None;
        self.holding = None;
        self.alarm_speech = None;
        self.lead_in.clear();
        self.remind_at.fill(None);
        if let Some(card) = self.state.card {
            // Its first words come at once, as every time.
            self.introduced[card] = true;
            let section = self.job.parts[card].steps.clone().next().map(|step| self.job.step(step).section);
            self.last_section.fill(section);
            let intro = self.job.parts[card].intro.clone();
            self.say(Priority::Alarm, intro);
        }
        self.advance();
    }

    /// The card has been gone through. The run is held until somebody says to go on; no clock was stopped by it.
    pub(super) fn card_ended(&mut self, card: &str) {
        let complete = self.job.parts.iter().find(|part| part.id == card).map(|part| part.complete.clone());
        let mut text = std::mem::take(&mut self.lead_in);
        text.extend(complete.filter(|text| !text.is_empty()));
        text.push(self.book.line(Line::CardOver, &[]));
        let text = text.join(" ");
        let priority = if self.state.muted { Priority::Alarm } else { Priority::Caution };
        self.say_useful(priority, text);
        self.last_section.fill(None);
        self.advance();
    }

    /// Every running clock with its time, by name.
    pub(super) fn running_text(&self) -> Vec<String> {
        let clocks = self.state.clocks.iter().map(|(step, clock)| match &self.job.step(*step).answer {
            Answer::Clock(answer) => self.clock_text(&answer.name, clock),
            _ => String::new(),
        });
        let timers = self.state.timers.iter().map(|(name, timer)| self.clock_text(name, timer));
        clocks.chain(timers).collect()
    }
}

/// As many names as one remembers.
pub(super) const FEW: usize = 3;
