//! What a plan looks at in a single step.

use crate::routine::{Answer, Routine, Step, StepIndex, Touches};

/// Whether there is sewage on the hands by then: something that touches it was done before, and no soap since.
pub(super) fn dirty_before(routine: &Routine, at: StepIndex) -> bool {
    let last = routine.steps[..at].iter().rev().find(|step| matches!(step.touches, Touches::Sewage | Touches::Soap));
    last.is_some_and(|step| step.touches == Touches::Sewage)
}

/// A step that is repeated for each slide, tire, rider says which, as the rig file writes it: "everybody in their seat: Rowan".
pub(super) fn name_of(step: &Step) -> String {
    let named = step.each.is_empty() || step.name.to_lowercase().contains(&step.each.to_lowercase());
    if named { step.name.clone() } else { format!("{}: {}", step.name, step.each) }
}

pub(super) fn part_of(routine: &Routine, step: &Step) -> String {
    match step.id.split_once('/') {
        Some((other, _)) if other != routine.id => other.replace('-', " "),
        _ => routine.title.clone(),
    }
}

/// Whether it takes everybody: a step for two, or a signal from one to the other.
pub(super) fn takes_all(step: &Step) -> bool {
    step.together || matches!(step.answer, Answer::Both(_))
}
