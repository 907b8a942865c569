//! Something that runs for a time: words that start it, and, where it guards a hazard, words that end it.

use super::{
    AnswerKind, AskedFor, HeardReply, Means, Reply, Settling, Spoken, StepNow, settle_plainly, whole_milliseconds,
};
use crate::engine::event::Event;
use crate::engine::phrasebook::{Line, Phrasebook};
use crate::routine::ClockAnswer;
use crate::units::SessionTime;

pub(super) struct ClockKind<'a>(pub &'a ClockAnswer);

impl AnswerKind for ClockKind<'_> {
    fn may_be_said(&self, now: &StepNow<'_>) -> Vec<Spoken> {
        let mut spoken = Vec::new();
        // One that is ended before it was started is told to be started first; one that runs is ended by whoever may.
        if !now.state.clocks.contains_key(&now.index) {
            spoken.push(Spoken { phrases: self.0.end.clone(), means: Means::ClockEnd, class: now.class() });
        }
        spoken.extend([Spoken::new(&self.0.start, Reply::ClockStart, now.class()), now.no_state()]);
        spoken
    }

    fn confirm_key(&self, now: &StepNow<'_>) -> Option<Means> {
        match (now.state.clocks.contains_key(&now.index), self.0.hazard()) {
            (true, true) => Some(Means::ClockEnd),
            (true, false) => None,
            (false, _) => Some(Means::Reply(Reply::ClockStart)),
        }
    }

    fn asked_for(&self, now: &StepNow<'_>, at: SessionTime) -> AskedFor {
        match now.state.clocks.get(&now.index) {
            Some(clock) => {
                AskedFor::ClockEnd { end: self.0.end.first().cloned(), ringing: clock.ran_out || clock.ends() <= at }
            }
            None => AskedFor::ClockStart(self.0.start[0].clone()),
        }
    }

    fn settle(&self, now: &StepNow<'_>, reply: Reply, how: &HeardReply) -> Settling {
        match reply {
            Reply::ClockStart if now.state.clocks.contains_key(&now.index) => Settling::TellClock,
            Reply::ClockStart => {
                let length_ms = whole_milliseconds(self.0.length);
                Settling::Record(Event::ClockStarted { step: now.id(), length_ms, heard: how.by.clone() })
            }
            other => settle_plainly(now, other, how),
        }
    }

    fn ahead(&self, book: &Phrasebook) -> Vec<String> {
        self.0.end.first().map(|end| book.line(Line::AlarmAnswer, &[("end", end)])).into_iter().collect()
    }
}
