//! What there is to do: a routine's file, read and checked against the rig. Pure: text in, a [`Routine`] that cannot be wrong out.

mod answer;
mod build;
mod changes;
mod check;
mod error;
mod expand;
mod file;
mod lint;
mod lint_order;
mod lint_words;
mod model;
mod schema;

pub use build::{load, load_with};
pub use error::RoutineError;
pub use expand::Library;
pub use lint::{Finding, Severity, Surroundings, lint, step_places};
pub use lint_order::unwashed_hands;
pub use model::{
    Answer, AsBuilt, BothAnswer, ChoiceAnswer, ChoiceOption, ClockAnswer, Harm, HoldAnswer, Loop, NumberAnswer,
    Question, Reckoned, ReckonedClock, Role, Routine, RoutineKind, Section, StateAnswer, Step, StepIndex, StepRef,
    Touches, Turn,
};
pub use schema::{changes_schema, routine_schema};

pub use crate::source::{Source, SourceLine};
