//! A routine's file as it is written (TOML). Unknown fields are refused, so that a misspelt one is not silently left out.

use serde::Deserialize;
use toml::Spanned;

use crate::rig::Role;

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RoutineFile {
    pub id: String,
    pub title: String,
    #[serde(default)]
    pub kind: Kind,
    /// Phrases that start an emergency card at once from anywhere.
    #[serde(default)]
    pub start: Vec<String>,
    #[serde(default)]
    pub intro: String,
    /// The completion call; an emergency card may do without.
    #[serde(default)]
    pub complete: String,
    pub section: Vec<SectionFile>,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(super) enum Kind {
    #[default]
    Work,
    Look,
    Emergency,
}

/// Steps that belong together; or, with `include` alone, all sections of another routine in this place.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct SectionFile {
    #[serde(default)]
    pub id: String,
    #[serde(default)]
    pub title: String,
    #[serde(default)]
    pub include: Option<Spanned<String>>,
    /// What the included routine needs, as `needs` of a step.
    #[serde(default)]
    pub needs: Vec<String>,
    #[serde(default)]
    pub step: Vec<StepFile>,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct StepFile {
    pub id: Spanned<String>,
    pub name: String,
    #[serde(default, rename = "where")]
    pub place: String,
    #[serde(default)]
    pub role: Role,
    /// Takes two people; where the rig has only one it is left out.
    #[serde(default)]
    pub together: bool,
    pub call: String,
    #[serde(default)]
    pub short: String,
    #[serde(default)]
    pub caution: String,
    #[serde(default)]
    pub how: String,
    #[serde(default)]
    pub check: String,
    pub answer: AnswerFile,
    #[serde(default)]
    pub critical: bool,
    /// Why a critical step stands in the second half of its section.
    #[serde(default)]
    pub late_because: String,
    /// Asked once more in the last look.
    #[serde(default)]
    pub again: bool,
    /// Steps of other routines that are looked at once more (`routine/step`).
    #[serde(default)]
    pub verifies: Vec<String>,
    #[serde(default)]
    pub daylight: bool,
    #[serde(default = "one_minute")]
    pub minutes: f64,
    /// Equipment that it is for; `not-` before a name for rigs without it.
    #[serde(default)]
    pub needs: Vec<String>,
    /// Steps that must be settled first: of this routine by id, of another as `routine/step`.
    #[serde(default)]
    pub after: Vec<String>,
    #[serde(default)]
    pub during: Option<String>,
    #[serde(default)]
    pub earshot: bool,
    #[serde(default)]
    pub once: bool,
    /// A list of the rig ("slides", "tyres"): the step is there once for each of its entries, named by `{each}`.
    #[serde(default)]
    pub repeats: Option<String>,
    /// Which of the texts it came from, as an index into the sources of the load.
    #[serde(skip)]
    pub source: usize,
    /// What it is repeated for.
    #[serde(skip)]
    pub each: String,
}

fn one_minute() -> f64 {
    1.0
}

#[derive(Clone, Debug, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub(super) enum AnswerFile {
    Done {
        #[serde(default)]
        also: Vec<String>,
    },
    State {
        want: Vec<String>,
        other: Vec<String>,
        other_reply: String,
    },
    Clock {
        name: String,
        seconds: Number,
        start: Vec<String>,
        started: String,
        #[serde(default)]
        end: Vec<String>,
        alarm: String,
        #[serde(default)]
        alarm_short: String,
    },
    YesNo {
        /// The first of these that the rig has; none for a question that does not go back.
        #[serde(default)]
        no_back_to: Vec<String>,
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
    Number {
        name: String,
        #[serde(default)]
        unit: String,
        least: Number,
        most: Number,
        /// Lowest and highest number that the gauge shows.
        gauge: (f64, f64),
        #[serde(default = "one")]
        resolution: f64,
        #[serde(default)]
        low_reply: String,
        #[serde(default)]
        high_reply: String,
    },
    Choice {
        options: Vec<OptionFile>,
    },
    Both {
        turns: Vec<TurnFile>,
    },
    Hold {
        seconds: Number,
        ready: Vec<String>,
        hold: String,
        release: String,
    },
    Told {
        #[serde(default = "once")]
        times: u32,
    },
    Gate,
}

fn one() -> f64 {
    1.0
}

fn once() -> u32 {
    1
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct OptionFile {
    pub say: Vec<String>,
    #[serde(default)]
    pub reply: String,
    #[serde(default = "yes")]
    pub settles: bool,
}

fn yes() -> bool {
    true
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct TurnFile {
    pub role: Role,
    #[serde(default)]
    pub call: String,
    pub say: Vec<String>,
    #[serde(default)]
    pub halt: Vec<String>,
    #[serde(default)]
    pub halt_reply: String,
}

/// A number, or the name of a number of the rig.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(untagged)]
pub(super) enum Number {
    Plain(f64),
    OfRig(String),
}
