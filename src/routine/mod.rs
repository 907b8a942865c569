//! What there is to do: a routine's file, read and checked against the rig. Pure: text in, a [`Routine`] that cannot be wrong out.

mod check;
mod file;
mod model;

pub use file::{RoutineError, load};
pub use model::{Answer, ClockAnswer, Loop, Routine, Section, StateAnswer, Step, StepIndex};
