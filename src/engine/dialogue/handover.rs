//! From one person to another.

use super::super::core::Engine;
use super::super::event::Event;
use super::super::output::Priority;
use super::super::people::PersonIndex;
use super::super::phrasebook::Line;
use super::person::Waiting;
use super::vocabulary::Asking;
use crate::routine::{Answer, StepIndex};

impl Engine {
    /// "Over to NAME": the other one of two, or whoever is not here yet in the place of the one who speaks.
    pub(in crate::engine) fn hand_over(&mut self, to: PersonIndex) {
        self.talk_mut().asking = Asking::Step;
        let focus = self.focus();
        let from = if focus == to { self.state.here().find(|&person| person != to) } else { Some(focus) };
        let Some(from) = from else {
            return self.say_line(self.here(), Priority::Chat, Line::OverToNothing);
        };
        let name = |person: PersonIndex| self.state.people[person].name.clone();
        // Whoever takes it back later would touch fresh water with them.
        if let Some(&soiled) = self.state.soiled.iter().find(|&&person| person == from || person == to) {
            let text = self.book.line(Line::WashFirst, &[("name", &name(soiled))]);
            self.say_useful(self.here(), Priority::Caution, text);
            return;
        }
        self.commit(Event::HandedOver { from: name(from), to: name(to) });
    }

    /// What whoever takes over must know: what is done, what is open, what runs, and what was left out.
    pub(in crate::engine) fn handed_over(&mut self, to: &str) {
        self.alarms.let_go();
        self.briefed.iter_mut().for_each(|briefing| briefing.waiting = Waiting::Untold);
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
        self.lead_in(self.state.focus, text.join(" "));
        self.advance();
    }

    /// Every running clock with its time, by name.
    pub(in crate::engine) fn running_text(&self) -> Vec<String> {
        let clocks = self.state.clocks.iter().map(|(step, clock)| match &self.job.step(*step).answer {
            Answer::Clock(answer) => self.clock_text(&answer.name, clock),
            _ => String::new(),
        });
        let timers = self.state.timers.iter().map(|(name, timer)| self.clock_text(name, timer));
        clocks.chain(timers).collect()
    }
}

/// As many names as one remembers.
pub(in crate::engine) const FEW: usize = 3;
