//! How the rig stands, in words: recalled at the start and put right, told at a step that has nothing to do today, asked for at any time.

use super::super::core::Engine;
use super::super::event::{Event, HeardAs};
use super::super::output::{Audience, Priority};
use super::super::people::PersonIndex;
use super::super::phrasebook::Line;
use super::super::state::Recall;
use super::capital;
use super::vocabulary::Asking;
use crate::rig::Stands;
use crate::routine::{Answer, StepIndex};

impl Engine {
    /// Whether everybody is asked how the rig stands, and nothing else.
    pub(in crate::engine) fn asks_how_it_stands(&self) -> bool {
        self.state.recall == Recall::Asked
            && self.state.card.is_none()
            && !self.state.standing_by
            && self.state.ended.is_none()
    }

    /// "As I know it: mains connected. Right?"
    pub(in crate::engine) fn ask_how_it_stands(&mut self) {
        for station in self.talks.ids() {
            self.ask_at(station);
        }
        let text = self.how_it_stands_text();
        self.say_useful(Audience::All, Priority::Prompt, text);
    }

    pub(in crate::engine) fn how_it_stands_text(&self) -> String {
        let things: Vec<(String, Stands)> = self.state.recalled(&self.job).collect();
        self.book.line(Line::RigRecalled, &[("names", &self.things_text(&things))])
    }

    /// "What is connected": all that is out, and what nobody knows of.
    pub(in crate::engine) fn say_what_is_out(&mut self) {
        let out: Vec<(String, Stands)> = self
            .state
            .rig
            .iter()
            .filter(|(_, stands)| *stands == Stands::Out)
            .map(|(t, s)| (t.to_owned(), s))
            .collect();
        let unknown = self.state.unknown(&self.job).iter().map(|thing| self.book.thing(thing).name).collect::<Vec<_>>();
        let known = match out.as_slice() {
            [] if unknown.is_empty() => Some(self.book.line(Line::RigNothingOut, &[])),
            [] => None,
            out => Some(self.book.line(Line::RigOut, &[("names", &self.things_text(out))])),
        };
        let of_the_rest =
            (!unknown.is_empty()).then(|| self.book.line(Line::RigUnknown, &[("names", &unknown.join(", "))]));
        let text = known.into_iter().chain(of_the_rest).collect::<Vec<_>>().join(" ");
        self.say_useful(self.here(), Priority::Prompt, text);
    }

    /// Things that stand alike together: "mains, sewer connected. Jacks down".
    fn things_text(&self, things: &[(String, Stands)]) -> String {
        let mut alike: Vec<(String, Vec<String>)> = Vec::new();
        for (thing, stands) in things {
            let words = self.book.thing(thing);
            let state = words.state(*stands).to_owned();
            match alike.iter_mut().find(|(other, _)| *other == state) {
                Some((_, names)) => names.push(words.name),
                None => alike.push((state, vec![words.name])),
            }
        }
        let groups = alike.iter().map(|(state, names)| capital(&format!("{} {state}", names.join(", "))));
        groups.collect::<Vec<_>>().join(". ")
    }

    /// "No" to how the rig stands.
    pub(in crate::engine) fn ask_what_is_different(&mut self) {
        self.ask_here();
        let things = self.state.things(&self.job);
        let example = things.first().map(|thing| self.book.thing(thing).said(Stands::Away)).unwrap_or_default();
        let text = self.book.line(Line::RigDifferent, &[("example", &example)]);
        self.say_useful(self.here(), Priority::Prompt, text);
    }

    pub(in crate::engine) fn tell_thing(&mut self, thing: String, stands: Stands, heard: HeardAs) {
        self.talk_mut().asking = Asking::Step;
        self.note_who_speaks();
        self.commit(Event::ThingTold { thing, stands, heard });
    }

    /// "Not here today": of a step that is for a thing it is told that the thing is away; where harm can come of it only by its name. Where
    /// harm can come of a step that is for nothing, its own answer names the state.
    pub(in crate::engine) fn not_here(&mut self, person: PersonIndex, step: StepIndex, heard: HeardAs) {
        let known_away = |thing: &String| self.state.rig.of(thing) == Stands::Away;
        let things = self.state.may_be_away(&self.job, step);
        if let Some(thing) = things.into_iter().find(|thing| !known_away(thing)) {
            if !self.state.can_hurt(&self.job, &thing) {
                return self.tell_thing(thing, Stands::Away, heard);
            }
            let text = self.book.line(Line::NotHereState, &[("state", &self.book.thing(&thing).said(Stands::Away))]);
            self.talk_mut().asking = Asking::Away { thing };
            self.ask_here();
            let text = self.to_person(person, text);
            self.say_useful(self.here(), Priority::Prompt, text);
            return;
        }
        let asked = self.job.step(step);
        if asked.critical() && matches!(asked.answer, Answer::State(_)) {
            return self.ask_which(step);
        }
        if !asked.may_be_skipped() || self.state.clocks.contains_key(&step) {
            self.refuse_to_skip(step);
            return;
        }
        let answer = match &heard {
            HeardAs::Voice { phrase, .. } | HeardAs::VoiceConfirmed { phrase, .. } => phrase.clone(),
            _ => self.book.common(super::super::phrasebook::Common::NotHere)[0].clone(),
        };
        self.commit(Event::NotHere { step: self.step_id(step), answer, heard });
    }

    /// What was told of a thing is on record.
    pub(in crate::engine) fn thing_told(&mut self, thing: &str, stands: Stands) {
        let said = capital(&self.book.thing(thing).said(stands));
        if self.state.recall == Recall::Asked {
            self.ask_here();
            let text = self.book.line(Line::RigTold, &[("state", &said)]);
            self.say_useful(Audience::All, Priority::Prompt, text);
            return;
        }
        if stands == Stands::Away {
            self.lead_in_here(self.book.line(Line::Answered, &[("answer", &said)]));
            return self.advance();
        }
        self.lead_in_here(self.book.line(Line::RigDoubted, &[("name", &self.book.thing(thing).name)]));
        let of_thing = |step: &StepIndex| {
            self.state.is_open(*step) && self.job.step(*step).undoes.iter().any(|other| other == thing)
        };
        let mut hanging: Vec<StepIndex> =
            self.job.work().filter(of_thing).flat_map(|step| self.state.hangs_on(&self.job, step)).collect();
        hanging.sort_unstable();
        hanging.dedup();
        if hanging.is_empty() {
            return self.advance();
        }
        let steps = hanging.into_iter().map(|step| self.step_id(step)).collect();
        self.commit(Event::StepsReopened { steps, because: NOT_AS_RECALLED.to_owned() });
    }

    /// Whether another state of the step shows that something is not as it was recalled.
    pub(in crate::engine) fn is_contradicted(&self, step: StepIndex) -> bool {
        !self.state.contradicted(&self.job, step).is_empty()
    }

    /// What an answer has shown not to be as it was recalled is unknown from now on.
    pub(in crate::engine) fn doubt_what_was_recalled(&mut self, step: StepIndex, heard: &HeardAs) {
        for thing in self.state.contradicted(&self.job, step) {
            self.commit(Event::ThingTold { thing, stands: Stands::Unknown, heard: heard.clone() });
        }
    }
}

/// Why steps are open again that hang on what was taken to be away, as it is written down.
const NOT_AS_RECALLED: &str = "not as recalled";
