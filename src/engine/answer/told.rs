//! What is only said: nothing is asked for, and it is settled once it has been heard.

use super::{AnswerKind, AskedFor, Spoken, StepNow};
use crate::units::SessionTime;

pub(super) struct ToldKind;

impl AnswerKind for ToldKind {
    fn may_be_said(&self, _now: &StepNow<'_>) -> Vec<Spoken> {
        Vec::new()
    }

    fn asked_for(&self, _now: &StepNow<'_>, _at: SessionTime) -> AskedFor {
        AskedFor::Other(Vec::new())
    }
}
