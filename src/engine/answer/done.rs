//! "Done", or words of the step's own that mean it.

use super::{AnswerKind, AskedFor, Means, Reply, Spoken, StepNow};
use crate::engine::phrasebook::{Common, Phrasebook};
use crate::units::SessionTime;

pub(super) struct DoneKind<'a>(pub &'a [String]);

impl DoneKind<'_> {
    fn wanted(&self, now: &StepNow<'_>) -> Reply {
        Reply::Wanted(self.0.first().cloned().unwrap_or_else(|| now.first(Common::Done)))
    }

    fn words(&self, now: &StepNow<'_>) -> Vec<String> {
        self.0.iter().chain(now.common(Common::Done)).cloned().collect()
    }
}

impl AnswerKind for DoneKind<'_> {
    fn may_be_said(&self, now: &StepNow<'_>) -> Vec<Spoken> {
        if !now.is_settled() {
            return vec![Spoken::new(&self.words(now), self.wanted(now), now.class())];
        }
        let mut spoken = vec![Spoken::new(self.0, Reply::Yes, now.class())];
        spoken.extend(now.yes_and_no());
        spoken
    }

    fn confirm_key(&self, now: &StepNow<'_>) -> Option<Means> {
        Some(Means::Reply(if now.is_settled() { Reply::Yes } else { self.wanted(now) }))
    }

    fn other_key(&self, now: &StepNow<'_>) -> Option<Means> {
        now.is_settled().then_some(Means::Reply(Reply::No))
    }

    fn asked_for(&self, now: &StepNow<'_>, _at: SessionTime) -> AskedFor {
        AskedFor::Answer(if now.is_settled() { vec![now.first(Common::Yes)] } else { self.words(now) })
    }

    fn common_words(&self, book: &Phrasebook) -> Vec<String> {
        vec![book.common(Common::Done)[0].clone()]
    }
}
