//! A routine as the engine sees it: steps that the rig has, in file order, every reference resolved.

use std::time::Duration;

/// Place of a step in [`Routine::steps`].
pub type StepIndex = usize;

/// A checked routine. Every index in it is in range, every phrase is lower case, and its last step is its only gate.
#[derive(Clone, Debug, PartialEq)]
pub struct Routine {
    pub id: String,
    /// What the person is doing, as it is said in a sentence ("the tank dump").
    pub title: String,
    /// Said before the first step.
    pub intro: String,
    /// The completion call: the last thing said.
    pub complete: String,
    pub sections: Vec<Section>,
    pub steps: Vec<Step>,
    /// Names the text that it was loaded from: a run is only resumed with the routine that it began with.
    pub fingerprint: String,
}

impl Routine {
    /// The step with this id.
    pub fn index_of(&self, id: &str) -> Option<StepIndex> {
        self.steps.iter().position(|step| step.id == id)
    }
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Section {
    pub id: String,
    pub title: String,
}

/// One thing to do.
#[derive(Clone, Debug, PartialEq)]
pub struct Step {
    pub id: String,
    pub section: usize,
    /// Short name for lists ("sewer hose on the rig").
    pub name: String,
    /// Where the person stands for it.
    pub place: String,
    /// What is said, with the words to answer.
    pub call: String,
    /// The same for large letters.
    pub short: String,
    /// Said before the call.
    pub caution: String,
    pub how: String,
    /// How one knows that it is right.
    pub check: String,
    pub answer: Answer,
    /// Can hurt or cost when it is wrong: never skipped, and its answer names a state.
    pub critical: bool,
    /// What it usually takes.
    pub usual: Duration,
    /// Steps that must be settled before this one may be offered.
    pub after: Vec<StepIndex>,
    /// A clock step while whose clock runs this one is offered.
    pub during: Option<StepIndex>,
    /// The person can hear the alarm from there.
    pub earshot: bool,
    /// A loop back does not open it again.
    pub once: bool,
}

/// What counts as an answer.
#[derive(Clone, Debug, PartialEq)]
pub enum Answer {
    /// "done", or any of these.
    Done {
        also: Vec<String>,
    },
    State(StateAnswer),
    Clock(ClockAnswer),
    YesNo(Loop),
    /// Lists what is open and lets nobody pass until nothing is.
    Gate,
}

/// The answer names a state; a bare "done" does not count.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StateAnswer {
    /// The first is the one that is said back and asked for.
    pub want: Vec<String>,
    pub other: Vec<String>,
    /// What to do when it is in the other state.
    pub other_reply: String,
}

/// Something runs for a time.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ClockAnswer {
    pub name: String,
    pub length: Duration,
    pub start: Vec<String>,
    /// Said when it has started.
    pub started: String,
    /// Ends a clock that guards a hazard; empty for one that guards nothing, which ends by itself.
    pub end: Vec<String>,
    /// Said when it has run out, first in full, then in short.
    pub alarm: String,
    pub alarm_short: String,
}

impl ClockAnswer {
    /// Whether harm goes on until a person ends it.
    pub fn hazard(&self) -> bool {
        !self.end.is_empty()
    }
}

/// A question; "no" goes back.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Loop {
    pub back_to: StepIndex,
    /// How often the question may be asked in a run, from 1.
    pub most: u32,
    /// Said at the last "no".
    pub limit_reply: String,
    /// Said when it goes back.
    pub back_reply: String,
}
