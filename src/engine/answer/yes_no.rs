//! A question with yes and no, where "no" may go back.

use super::{AnswerKind, AskedFor, HeardReply, Means, Reply, Settling, Spoken, StepNow, settle_plainly};
use crate::engine::event::{Event, HeardAs};
use crate::engine::phrasebook::{Common, Phrasebook};
use crate::routine::Question;
use crate::units::SessionTime;

pub(super) struct YesNoKind<'a>(pub &'a Question);

impl YesNoKind<'_> {
    fn no(&self, now: &StepNow<'_>, heard: HeardAs) -> Event {
        let (step, answer) = (now.id(), now.first(Common::No));
        let Some(back) = &self.0.back else {
            // Where both answers are good ones "no" settles.
            return if self.0.no_reply.is_empty() {
                Event::StepAnswered { step, answer, heard }
            } else {
                Event::OtherStateHeard { step, answer, heard }
            };
        };
        let round = now.state.rounds.get(&now.index).copied().unwrap_or(0) + 1;
        if round >= back.most {
            Event::LoopLimitReached { step, round, heard }
        } else {
            Event::LoopedBack { step, back_to: now.job.step(back.back_to).id.clone(), round, heard }
        }
    }
}

impl AnswerKind for YesNoKind<'_> {
    fn may_be_said(&self, now: &StepNow<'_>) -> Vec<Spoken> {
        now.yes_and_no().into()
    }

    fn confirm_key(&self, _now: &StepNow<'_>) -> Option<Means> {
        Some(Means::Reply(Reply::Yes))
    }

    fn other_key(&self, _now: &StepNow<'_>) -> Option<Means> {
        Some(Means::Reply(Reply::No))
    }

    fn asked_for(&self, now: &StepNow<'_>, _at: SessionTime) -> AskedFor {
        if self.0.back.is_none() {
            // There is nothing to be gone back to: whoever answers at random says that all is well.
            return AskedFor::Answer(vec![now.first(Common::Yes)]);
        }
        AskedFor::YesOrNo {
            round: now.state.rounds.get(&now.index).copied().unwrap_or(0),
            yes: now.first(Common::Yes),
            no: now.first(Common::No),
        }
    }

    fn settle(&self, now: &StepNow<'_>, reply: Reply, how: &HeardReply) -> Settling {
        match reply {
            Reply::No => Settling::Record(self.no(now, how.by.clone())),
            other => settle_plainly(now, other, how),
        }
    }

    fn put_right(&self, _answer: &str) -> Option<String> {
        Some(self.0.no_reply.clone())
    }

    fn common_words(&self, book: &Phrasebook) -> Vec<String> {
        book.common(Common::Yes).first().cloned().into_iter().collect()
    }
}
