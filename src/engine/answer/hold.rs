//! Something that is held for a time while it is counted down.

use super::{AnswerKind, AskedFor, HeardReply, Means, Reply, Settling, Spoken, StepNow, settle_plainly};
use crate::engine::event::Event;
use crate::routine::HoldAnswer;
use crate::units::SessionTime;

pub(super) struct HoldKind<'a>(pub &'a HoldAnswer);

impl HoldKind<'_> {
    fn ready(&self) -> Reply {
        Reply::Wanted(self.0.ready[0].clone())
    }
}

impl AnswerKind for HoldKind<'_> {
    fn may_be_said(&self, now: &StepNow<'_>) -> Vec<Spoken> {
        vec![Spoken::new(&self.0.ready, self.ready(), now.class()), now.no_state()]
    }

    fn confirm_key(&self, _now: &StepNow<'_>) -> Option<Means> {
        Some(Means::Reply(self.ready()))
    }

    fn asked_for(&self, _now: &StepNow<'_>, _at: SessionTime) -> AskedFor {
        AskedFor::Answer(self.0.ready.clone())
    }

    /// Being ready begins the count; the step is settled at its end.
    fn settle(&self, now: &StepNow<'_>, reply: Reply, how: &HeardReply) -> Settling {
        match reply {
            Reply::Wanted(_) => Settling::Record(Event::HoldBegun { step: now.id(), heard: how.by.clone() }),
            other => settle_plainly(now, other, how),
        }
    }
}
