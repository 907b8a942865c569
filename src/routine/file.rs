//! A routine's file as it is written (TOML). Unknown fields are refused, so that a misspelt one is not silently left out.

use schemars::JsonSchema;
use serde::Deserialize;
use toml::Spanned;

use super::answer::ReckonedClock;
use super::model::{Harm, Touches};
use crate::rig::{Demand, Role};
use crate::source::SourceLine;

#[derive(Clone, Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(title = "A routine of sparehand")]
pub(super) struct RoutineFile {
    /// Short name in lower case with hyphens, the same as the file's.
    pub id: String,
    /// What the person is doing, as it is said in a sentence ("the tank dump").
    pub title: String,
    /// Whether things are done, looked at once more, or it is a card for an emergency.
    #[serde(default)]
    pub kind: Kind,
    /// Phrases that start an emergency card at once from anywhere.
    #[serde(default)]
    pub start: Vec<String>,
    /// Said before the first step.
    #[serde(default)]
    pub intro: String,
    /// The completion call; an emergency card may do without.
    #[serde(default)]
    pub complete: String,
    /// It is begun only where all of it can be done by those who are there.
    #[serde(default)]
    pub as_one: bool,
    /// Its parts, each of 5 to 9 steps.
    pub section: Vec<SectionFile>,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(super) enum Kind {
    #[default]
    Work,
    Look,
    Emergency,
}

/// Steps that belong together; or, with `include` alone, all sections of another routine in this place.
#[derive(Clone, Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct SectionFile {
    /// Short name in lower case with hyphens.
    #[serde(default)]
    pub id: String,
    /// As it is said when it begins ("emptying and rinsing").
    #[serde(default)]
    pub title: String,
    /// Name of a routine whose sections stand here.
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub include: Option<Spanned<String>>,
    /// Equipment that all its steps are for.
    #[serde(default)]
    pub needs: Vec<String>,
    /// Things that all its steps are there to put away, as a step's `undoes`.
    #[serde(default)]
    pub undoes: Vec<String>,
    /// Steps that must be settled before any of its steps, as a step's `after`.
    #[serde(default)]
    pub after: Vec<String>,
    /// What is to be done, in order.
    #[serde(default)]
    pub step: Vec<StepFile>,
}

#[derive(Clone, Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct StepFile {
    /// Short name in lower case with hyphens, once in a routine.
    #[schemars(with = "String")]
    pub id: Spanned<String>,
    /// Short name for lists ("sewer hose on the rig").
    pub name: String,
    /// Where the person stands for it.
    #[serde(default, rename = "where")]
    pub place: String,
    /// Who does it.
    #[serde(default)]
    pub role: Role,
    /// Takes two people; where the rig has only one it is left out.
    #[serde(default)]
    pub together: bool,
    /// What is said, with the words to answer: one thing to do, at most 20 words.
    pub call: String,
    /// The same for large letters.
    #[serde(default)]
    pub short: String,
    /// Said before the call.
    #[serde(default)]
    pub caution: String,
    /// How it is done.
    #[serde(default)]
    pub how: String,
    /// How one knows that it is right.
    #[serde(default)]
    pub check: String,
    /// What counts as an answer.
    pub answer: AnswerFile,
    /// What can happen while it is not as it should be; with anything but "none" it is never skipped, and its answer names a state.
    #[serde(default)]
    pub harm: Harm,
    /// Refused, with what to write in its place.
    #[serde(default, rename = "critical", deserialize_with = "refuse_critical")]
    #[schemars(skip)]
    pub _critical: (),
    /// Who must do it where it cannot be tested here, as it is said ("a licensed gas fitter").
    #[serde(default)]
    pub tested_by: String,
    /// Why a critical step stands in the second half of its section.
    #[serde(default)]
    pub late_because: String,
    /// Asked once more in the last look.
    #[serde(default)]
    pub again: bool,
    /// Steps of other routines that are looked at once more (`routine/step`).
    #[serde(default)]
    pub verifies: Vec<String>,
    /// Cannot be done well in the dark.
    #[serde(default)]
    pub daylight: bool,
    /// What it usually takes.
    #[serde(default = "one_minute")]
    pub minutes: f64,
    /// Equipment that it is for; `not-` before a name for rigs without it.
    #[serde(default)]
    pub needs: Vec<String>,
    /// Steps that must be settled first: of this routine by id, of another as `routine/step`.
    #[serde(default)]
    pub after: Vec<String>,
    /// A clock step while whose clock runs this one is offered.
    #[serde(default)]
    pub during: Option<String>,
    /// The person can hear the alarm from there.
    #[serde(default)]
    pub earshot: bool,
    /// A loop back does not open it again.
    #[serde(default)]
    pub once: bool,
    /// It goes on by itself (a tank drains): whoever is asked for it waits for it, and a plan takes it to last as long whoever that is.
    #[serde(default)]
    pub wait: bool,
    /// A list of the rig ("slides", "tires"): the step is there once for each of its entries, named by `{each}`.
    #[serde(default)]
    pub repeats: Option<String>,
    /// The next entry's turn comes only when all repeated steps of this one are settled.
    #[serde(default)]
    pub one_by_one: bool,
    /// What the hands touch: hands are washed between sewage and drinking water.
    #[serde(default)]
    pub touches: Touches,
    /// How things of the rig stand once it is done (`mains=out`, `mains=away`). In a step that is repeated each entry is a thing of its own.
    #[serde(default)]
    pub sets: Vec<String>,
    /// Things that it puts away, or is for on the way to that: where all of them are away it is not asked for.
    #[serde(default)]
    pub undoes: Vec<String>,
    /// What it asks of the body: whoever cannot do that is not asked for it.
    #[serde(default)]
    pub demands: Vec<Demand>,
    /// Asked by itself, never in one call with others: a valve, a cap, a hose, a pin, though no harm of its own is named.
    #[serde(default)]
    pub single: bool,
    /// The routine that it is done as one with.
    #[serde(skip)]
    pub whole: String,
    /// Where what is wrong with it is to be mended.
    #[serde(skip)]
    pub at: SourceLine,
    /// What it is repeated for.
    #[serde(skip)]
    pub each: String,
    /// Dropped by its owner's changes.
    #[serde(skip)]
    pub gone: bool,
}

/// # Errors
/// Always: a step says what harm can come of it, and is critical by that alone.
pub(super) fn refuse_critical<'de, D: serde::Deserializer<'de>>(_: D) -> Result<(), D::Error> {
    Err(serde::de::Error::custom(
        "found critical, expected harm = \"hurt\", \"flood\", \"drop\" or \"run-away\": write what can happen while the step is not as it should be, or neither",
    ))
}

fn one_minute() -> f64 {
    1.0
}

/// How a clock's length follows from the flow of the tap.
#[derive(Clone, Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct ReckonFile {
    /// What runs in while it runs.
    pub clock: ReckonedClock,
    /// What the tap is taken to give as long as nobody has measured it, in US gallons a minute: into a closed tank it runs no longer
    /// than that allows. `{time}` stands for how long that is.
    #[serde(default)]
    pub assumed_gpm: Option<f64>,
    /// The call once it is reckoned: {time}, {flow} ("5 gallons", each minute), {depth} (the sentence below).
    pub call: String,
    /// Said when it has started, once it is reckoned.
    pub started: String,
    /// Says how deep that is, where the tank's floor is known: {depth} ("0.8 inches").
    #[serde(default)]
    pub depth: String,
}

#[derive(Clone, Debug, Deserialize, JsonSchema)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub(super) enum AnswerFile {
    /// "done", or any of `also`.
    Done {
        #[serde(default)]
        also: Vec<String>,
    },
    /// The state that is wanted, or the other one.
    State {
        /// The first is the one that is said back.
        want: Vec<String>,
        other: Vec<String>,
        /// What to do when it is in the other state.
        other_reply: String,
    },
    /// Something runs for a time.
    Clock {
        name: String,
        seconds: Number,
        start: Vec<String>,
        /// Said when it has started.
        started: String,
        /// Ends it; without these words it guards nothing and ends by itself.
        #[serde(default)]
        end: Vec<String>,
        alarm: String,
        #[serde(default)]
        alarm_short: String,
        /// What it fills while it runs, in US gallons: the time that this takes tells the flow of the tap.
        #[serde(default)]
        fills_gal: Option<Number>,
        /// Reckons its length anew once the flow of the tap is known.
        #[serde(default)]
        reckon: Option<ReckonFile>,
    },
    /// A question.
    YesNo {
        /// The first of these that the rig has; none for a question that does not go back.
        #[serde(default)]
        no_back_to: Vec<String>,
        /// How often it is asked at most.
        #[serde(default)]
        most: Option<Number>,
        #[serde(default)]
        back_reply: String,
        #[serde(default)]
        limit_reply: String,
        /// What to do after a "no" that does not go back.
        #[serde(default)]
        no_reply: String,
    },
    /// A reading.
    Number {
        /// What is read ("left front tire").
        name: String,
        /// As it is said after the number.
        #[serde(default)]
        unit: String,
        /// Where it should lie.
        least: Number,
        most: Number,
        /// Lowest and highest number that the gauge shows.
        gauge: (f64, f64),
        /// From one number that may be said to the next: 1, 5, 0.1 ...
        #[serde(default = "one")]
        resolution: f64,
        /// What to do when it lies below, or above; without it the reading is taken as it is.
        #[serde(default)]
        low_reply: String,
        #[serde(default)]
        high_reply: String,
    },
    /// One of several.
    Choice { options: Vec<OptionFile> },
    /// A signal that is given and answered, turn by turn.
    Both { turns: Vec<TurnFile> },
    /// Held for a time that is counted down aloud.
    Hold {
        seconds: Number,
        /// The person has their hand on it.
        ready: Vec<String>,
        /// Said at the beginning and at the end.
        hold: String,
        release: String,
    },
    /// Nothing is asked for; it is said so many times.
    Told {
        #[serde(default = "once")]
        times: u32,
    },
    /// Lists what is open; the last step.
    Gate,
}

fn one() -> f64 {
    1.0
}

fn once() -> u32 {
    1
}

#[derive(Clone, Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct OptionFile {
    pub say: Vec<String>,
    /// Said once it is taken.
    #[serde(default)]
    pub reply: String,
    /// Whether the step is settled by it.
    #[serde(default = "yes")]
    pub settles: bool,
    /// Whether an emergency card is over with it: nothing that stands after it is asked for.
    #[serde(default)]
    pub ends: bool,
    /// Said over and over from then on, where it leaves a step of an emergency card open, until another answer is given.
    #[serde(default)]
    pub again: String,
    /// How things of the rig stand by this answer, as `sets` of a step says it for any answer.
    #[serde(default)]
    pub sets: Vec<String>,
}

fn yes() -> bool {
    true
}

#[derive(Clone, Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct TurnFile {
    pub role: Role,
    /// What is said to this person; the first turn may leave it to the step's call.
    #[serde(default)]
    pub call: String,
    /// The same for somebody who knows the role.
    #[serde(default)]
    pub short: String,
    /// Somebody who knows the role is told it, and gives no answer: the next turn is.
    #[serde(default)]
    pub announced: bool,
    /// The step of this routine that says as much, where the same person has answered it in the same breath.
    #[serde(default)]
    pub given_by: String,
    pub say: Vec<String>,
    /// Says that it must not go on.
    #[serde(default)]
    pub halt: Vec<String>,
    /// What to do then.
    #[serde(default)]
    pub halt_reply: String,
    /// What this turn demands of whoever gives it.
    #[serde(default)]
    pub demands: Vec<Demand>,
}

/// A number, or the name of a number of the rig.
#[derive(Clone, Debug, PartialEq, Deserialize, JsonSchema)]
#[serde(
    untagged,
    expecting = "found neither a number nor a name, expected a number, or the name of a number of the rig"
)]
pub(super) enum Number {
    Plain(f64),
    OfRig(String),
}
