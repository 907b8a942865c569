//! The gate: no word opens it, it lets pass by itself once nothing is open.

use super::{AnswerKind, AskedFor, Spoken, StepNow};
use crate::units::SessionTime;

pub(super) struct GateKind;

impl AnswerKind for GateKind {
    fn may_be_said(&self, _now: &StepNow<'_>) -> Vec<Spoken> {
        Vec::new()
    }

    fn asked_for(&self, _now: &StepNow<'_>, _at: SessionTime) -> AskedFor {
        AskedFor::Other(Vec::new())
    }
}
