//! A routine as the engine sees it: steps that the rig has, in file order, every reference resolved.

use std::time::Duration;

use schemars::JsonSchema;
use serde::Deserialize;

pub use super::answer::{
    Answer, AsBuilt, BothAnswer, ChoiceAnswer, ChoiceOption, ClockAnswer, HoldAnswer, Loop, NumberAnswer, Question,
    Reckoned, ReckonedClock, StateAnswer, Turn,
};
pub use crate::rig::Role;
use crate::rig::{Demand, Stands};

/// Place of a step in [`Routine::steps`].
pub type StepIndex = usize;

/// A checked routine. Every index in it is in range, every phrase is lower case, and its last step is its only gate; an
/// emergency card has no gate.
#[derive(Clone, Debug, PartialEq)]
pub struct Routine {
    pub id: String,
    pub kind: RoutineKind,
    /// What the person is doing, as it is said in a sentence ("the tank dump").
    pub title: String,
    /// Starts it at once from anywhere; only an emergency card has any.
    pub start: Vec<String>,
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
    /// The step with this id. A step that is repeated for each slide or tire has the id `step@slide-name`; one of an included
    /// routine has the id `routine/step`.
    pub fn index_of(&self, id: &str) -> Option<StepIndex> {
        self.steps.iter().position(|step| step.id == id)
    }
}

/// What a routine is for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum RoutineKind {
    /// Things are done and said.
    #[default]
    Work,
    /// What was done is looked at once more; nothing new is done.
    Look,
    /// A card for when something goes wrong.
    Emergency,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Section {
    pub id: String,
    pub title: String,
}

/// A step of another routine of the same move.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StepRef {
    pub routine: String,
    pub step: String,
}

/// Between sewage and drinking water hands are washed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Touches {
    #[default]
    Nothing,
    Sewage,
    DrinkingWater,
    /// Here they are washed.
    Soap,
}

/// What can happen while a step is not as it should be. A step with a harm is critical: it is never skipped, and its answer names
/// a state.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Harm {
    /// A nuisance, lost time, something that must be repaired.
    #[default]
    None,
    /// Somebody is crushed, burnt, scalded, shocked, poisoned, or hit.
    Hurt,
    /// Water or sewage runs where it should not.
    Flood,
    /// Something falls, or comes off on the road.
    Drop,
    /// What stands on wheels rolls, or parts from what tows it.
    RunAway,
}

impl Harm {
    /// Whether there is any.
    pub fn is_critical(self) -> bool {
        self != Self::None
    }
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
    /// Who does it.
    pub role: Role,
    /// Takes two people: both must answer.
    pub together: bool,
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
    /// What can happen while it is not as it should be.
    pub harm: Harm,
    /// Who must do it where it cannot be tested here; empty where nobody in particular is named.
    pub tested_by: String,
    /// Asked once more in the last look of a move, unless a step there [`verifies`](Self::verifies) it.
    pub again: bool,
    /// Steps of other routines that this one looks at once more. Those that are not in the move, or that the rig lacks, count
    /// for nothing.
    pub verifies: Vec<StepRef>,
    /// Cannot be done well in the dark.
    pub daylight: bool,
    /// What it usually takes.
    pub usual: Duration,
    /// Steps that must be settled before this one may be offered.
    pub after: Vec<StepIndex>,
    /// The same, in other routines of the move; those that are not in the move, or that the rig lacks, hold nothing back.
    pub after_elsewhere: Vec<StepRef>,
    /// A clock step while whose clock runs this one is offered.
    pub during: Option<StepIndex>,
    /// The person can hear the alarm from there.
    pub earshot: bool,
    /// A loop back does not open it again.
    pub once: bool,
    /// What the hands touch that must not meet.
    pub touches: Touches,
    /// It goes on by itself. Whoever is asked for it waits for it; others go on meanwhile.
    pub wait: bool,
    /// What it is repeated for ("kitchen slide"); empty for a step that is there once.
    pub each: String,
    /// How things of the rig stand once it is done, by the ids of the things, whatever was answered; see [`Self::sets_by`].
    pub sets: Vec<(String, Stands)>,
    /// The things that it puts away, or is for on the way to that: where all of them are away it has nothing to do.
    pub undoes: Vec<String>,
    /// What it asks of the body of whoever does it.
    pub demands: Vec<Demand>,
    /// The routine that is done as one: not begun where nobody can do all of it. Empty where each step stands for itself.
    pub whole: String,
    /// Asked by itself, never in one call with others.
    pub single: bool,
}

impl Step {
    /// Whether whoever begins it does other things until it ends: a clock that guards nothing, and is too long to be waited out.
    pub fn frees_hands(&self) -> bool {
        matches!(&self.answer, Answer::Clock(clock) if clock.frees_hands(clock.length))
    }

    /// Whether this is its id, the routine that it is included from or belongs to left out.
    pub fn is_called(&self, id: &str) -> bool {
        self.id.strip_suffix(id).is_some_and(|rest| rest.is_empty() || rest.ends_with('/'))
    }

    /// Whether harm can come of it: then it is never skipped, and its answer names a state.
    pub fn critical(&self) -> bool {
        self.harm.is_critical()
    }

    /// How things of the rig stand once it is done by this answer, as it is said back.
    pub fn sets_by(&self, answer: &str) -> impl Iterator<Item = &(String, Stands)> {
        let chosen =
            self.options().iter().filter(move |option| option.say.first().is_some_and(|first| first == answer));
        self.sets.iter().chain(chosen.flat_map(|option| &option.sets))
    }

    /// How things of the rig may stand once it is done, by any answer.
    pub fn may_set(&self) -> impl Iterator<Item = &(String, Stands)> {
        self.sets.iter().chain(self.options().iter().flat_map(|option| &option.sets))
    }

    fn options(&self) -> &[ChoiceOption] {
        match &self.answer {
            Answer::Choice(choice) => &choice.options,
            _ => &[],
        }
    }

    /// Whether it may be left out: nothing is that can hurt, nor washing one's hands, for drinking water may come after it.
    pub fn may_be_skipped(&self) -> bool {
        !self.critical() && self.touches != Touches::Soap
    }

    /// Whether how long it takes depends on nobody.
    pub fn goes_on_by_itself(&self) -> bool {
        self.wait || self.frees_hands()
    }
}
