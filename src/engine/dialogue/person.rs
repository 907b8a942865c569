//! What one person has been told and asked, at whatever station that was.

use std::mem::Discriminant;

use super::moving::{ToldBefore, Unsaid};
use crate::routine::{Answer, StepIndex};

/// What a person has been told and asked.
#[derive(Clone, Debug, Default)]
pub(in crate::engine) struct Briefing {
    /// The number of the question that they were asked last.
    pub question: u64,
    pub reminder: Reminder,
    pub waiting: Waiting,
    /// The section that they were told last.
    pub section: Option<usize>,
    /// The cautions and explanations that they have heard: each is given once.
    pub told: Vec<String>,
    /// What they have to go on doing at this step until another answer is given.
    pub order: Option<(StepIndex, String)>,
    /// The step that they have reported without being asked for it.
    pub reported: Option<StepIndex>,
    /// The kinds of answers whose words they have heard.
    pub kinds: Vec<Discriminant<Answer>>,
    /// What they had been told before the step that is being put to somebody.
    pub before: Option<ToldBefore>,
    /// Their prompt, until it has been said to its end.
    pub unsaid: Option<Unsaid>,
}

/// Whether somebody has been reminded of the step that they have.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(in crate::engine) enum Reminder {
    #[default]
    Due,
    Given,
}

/// Whether somebody without a step knows that there is none for them.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(in crate::engine) enum Waiting {
    #[default]
    Untold,
    Told,
}
