//! A state that must be named: an acknowledgement does not count.

use super::{AnswerKind, AskedFor, Means, Reply, Spoken, StepNow, answered_line};
use crate::engine::phrasebook::{Line, Phrasebook};
use crate::routine::StateAnswer;
use crate::units::SessionTime;

pub(super) struct StateKind<'a>(pub &'a StateAnswer);

impl StateKind<'_> {
    fn line(&self, now: &StepNow<'_>, line: Line) -> String {
        let (want, other) = (&self.0.want[0], &self.0.other[0]);
        now.book.line(line, &[("name", &now.step().name), ("want", want), ("other", other)])
    }
}

impl AnswerKind for StateKind<'_> {
    fn may_be_said(&self, now: &StepNow<'_>) -> Vec<Spoken> {
        vec![
            Spoken::new(&self.0.want, Reply::Wanted(self.0.want[0].clone()), now.class()),
            Spoken::new(&self.0.other, Reply::Other(self.0.other[0].clone()), now.class()),
            now.no_state(),
        ]
    }

    fn confirm_key(&self, _now: &StepNow<'_>) -> Option<Means> {
        Some(Means::Reply(Reply::Wanted(self.0.want[0].clone())))
    }

    fn other_key(&self, _now: &StepNow<'_>) -> Option<Means> {
        Some(Means::Reply(Reply::Other(self.0.other[0].clone())))
    }

    fn asked_for(&self, _now: &StepNow<'_>, _at: SessionTime) -> AskedFor {
        AskedFor::Answer(self.0.want.clone())
    }

    fn said_back(&self, now: &StepNow<'_>, answer: &str) -> Vec<String> {
        vec![answered_line(now.book, answer)]
    }

    fn put_right(&self, _answer: &str) -> Option<String> {
        Some(self.0.other_reply.clone())
    }

    fn which(&self, now: &StepNow<'_>) -> Option<String> {
        Some(self.line(now, Line::NameTheState))
    }

    fn once_more(&self, now: &StepNow<'_>) -> String {
        self.line(now, Line::OnceMore)
    }

    fn ahead(&self, book: &Phrasebook) -> Vec<String> {
        vec![answered_line(book, &self.0.want[0])]
    }
}
