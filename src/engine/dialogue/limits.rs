//! What people cannot do today, in words.

use super::super::core::Engine;
use super::super::event::{Event, HeardAs};
use super::super::output::{Audience, Priority};
use super::super::people::PersonIndex;
use super::super::phrasebook::Line;
use crate::rig::Demand;
use crate::routine::StepIndex;

impl Engine {
    pub(in crate::engine) fn tell_limit(&mut self, person: PersonIndex, cannot: Demand, heard: HeardAs) {
        let person = self.state.people[person].name.clone();
        self.commit(Event::LimitTold { person, cannot, heard });
    }

    pub(in crate::engine) fn lift_limits(&mut self, person: PersonIndex, heard: HeardAs) {
        let person = self.state.people[person].name.clone();
        self.commit(Event::LimitsLifted { person, heard });
    }

    pub(in crate::engine) fn limits_lifted(&mut self, person: &str) {
        let said = self.book.line(Line::LimitsLifted, &[("name", person)]);
        let said = if person.is_empty() { super::capital(said.trim_start_matches(": ")) } else { said };
        self.say(Audience::All, Priority::Caution, said);
        self.advance();
    }

    /// "I cannot do that": the step goes to somebody who can, or waits for help.
    pub(in crate::engine) fn cannot_do(&mut self, person: PersonIndex, step: StepIndex, heard: HeardAs) {
        let person = self.state.people[person].name.clone();
        self.commit(Event::CannotDo { step: self.step_id(step), person, heard });
    }

    /// A limit is on record: it is said back, and what nobody can do now is named while there may be people about.
    pub(in crate::engine) fn limit_told(&mut self, person: &str, cannot: Demand) {
        let limit = self.book.limit(cannot).name.clone();
        let said = self.book.line(Line::LimitTold, &[("name", person), ("limit", &limit)]);
        let said = if person.is_empty() { super::capital(&format!("{limit}.")) } else { said };
        self.say(Audience::All, Priority::Caution, said);
        let more = self.is_pending(|event| matches!(event, Event::LimitTold { .. }));
        if !more {
            self.name_what_needs_help();
        }
        self.advance();
    }

    pub(in crate::engine) fn cannot_do_told(&mut self, step: StepIndex) {
        if self.state.here().any(|person| self.state.is_able(&self.job, person, step)) {
            return self.advance();
        }
        self.name_what_needs_help();
        self.advance();
    }

    fn name_what_needs_help(&mut self) {
        // Of what is done as one only what somebody cannot do is named.
        let named = |&step: &StepIndex| self.state.here().any(|person| self.state.is_unable(&self.job, person, step));
        let steps: Vec<StepIndex> = self.state.needing_help(&self.job).filter(named).collect();
        if steps.is_empty() {
            return;
        }
        let count = self.steps_text(steps.len());
        let text = self.book.line(Line::NeedsHelp, &[("count", &count), ("names", &self.names(&steps))]);
        self.say_useful(Audience::All, Priority::Caution, text);
    }
}
