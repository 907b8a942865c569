//! Rests: what must not be left as it is while one rests, and when one is offered.

use std::time::Duration;

use super::super::core::{Engine, Timeliness, Work};
use super::super::people::PersonIndex;
use super::super::phrasebook::{Line, Word};
use super::capital;
use crate::routine::{Answer, Harm, StepIndex};

/// Work after which a rest is offered, and with something that one cannot do today (common practice, no source).
const OFFERED_AFTER: Duration = Duration::from_mins(60);
const OFFERED_EARLY_AFTER: Duration = Duration::from_mins(30);

/// Whoever was asked for nothing for so long had a rest.
const A_REST: Duration = Duration::from_mins(10);

/// With fewer steps to do than these nobody sits down before the end.
const WORTH_A_REST: usize = 15;

impl Engine {
    /// What is said to somebody who wants a rest: what runs and what is begun is better ended first, and they decide.
    pub(in crate::engine) fn rest_text(&self) -> String {
        let clocks = self.state.clocks.keys().filter_map(|&step| match &self.job.step(step).answer {
            // One that nobody has to end needs nobody.
            Answer::Clock(clock) => {
                clock.end.first().map(|end| self.book.line(Line::RestClock, &[("clock", &clock.name), ("end", end)]))
            }
            _ => None,
        });
        let open: Vec<StepIndex> = self.state.half_done(&self.job).collect();
        let half_done = open.first().map(|&next| {
            let (step, steps) = (self.book.word(Word::Step), self.book.word(Word::Steps));
            let count = format!("{} {}", open.len(), if open.len() == 1 { step } else { steps });
            self.book.line(Line::RestHalfDone, &[("count", &count), ("name", &self.job.step(next).name)])
        });
        let things: Vec<String> = clocks.chain(half_done).collect();
        match things.as_slice() {
            [] => self.book.line(Line::Rest, &[]),
            things => self.book.line(Line::RestNot, &[("things", &things.join(" "))]),
        }
    }

    /// Something is asked for.
    pub(in crate::engine) fn work_goes_on(&mut self) {
        let paused = self.now.since(self.work.last) >= A_REST;
        let since = self.work.since.filter(|_| !paused).unwrap_or(self.now);
        self.work = Work { since: Some(since), last: self.now };
    }

    /// Whether anything has been done that keeps what can roll or drop from doing so, or lets it: half hitched, half jacked.
    fn may_roll_or_drop(&self) -> bool {
        (0..self.state.steps.len())
            .any(|step| !self.state.is_open(step) && matches!(self.job.step(step).harm, Harm::Drop | Harm::RunAway))
    }

    /// The offer of a rest where a section begins, work has gone on for long and nothing stands half done; once for each such time.
    pub(in crate::engine) fn rest_offered(&mut self, person: PersonIndex, index: StepIndex) -> Option<String> {
        let after = if self.state.people[person].cannot.is_empty() { OFFERED_AFTER } else { OFFERED_EARLY_AFTER };
        let signal = matches!(self.job.step(index).answer, Answer::Both(_) | Answer::Hold(_));
        let busy = signal
            || self.job.is_gate(index)
            || self.state.card.is_some()
            || self.pace == Timeliness::Late
            || !self.state.clocks.is_empty()
            || self.state.open(&self.job).count() < WORTH_A_REST
            || self.state.half_done(&self.job).next().is_some()
            || self.may_roll_or_drop();
        let worked = self.work.since.map(|since| self.now.since(since));
        if busy || worked.is_none_or(|worked| worked < after) {
            return None;
        }
        self.work.since = Some(self.now);
        Some(self.book.line(Line::RestOffered, &[("time", &capital(&self.book.span(after)))]))
    }
}
