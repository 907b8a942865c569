//! What counts as an answer to a step.

use std::time::Duration;

use super::model::StepIndex;
use crate::rig::{Demand, Role, Stands};

#[derive(Clone, Debug, PartialEq)]
pub enum Answer {
    /// "done", or any of these.
    Done {
        also: Vec<String>,
    },
    State(StateAnswer),
    Clock(ClockAnswer),
    YesNo(Question),
    Number(NumberAnswer),
    Choice(ChoiceAnswer),
    Both(BothAnswer),
    Hold(HoldAnswer),
    /// Nothing is asked for: it is settled once it has been said so many times (1 or more).
    Told {
        times: u32,
    },
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
    /// What it fills while it runs, in US gallons: the time that this takes tells the flow of the tap.
    pub fills_gal: Option<u32>,
    /// Its length is reckoned anew once the flow of the tap is known.
    pub reckoned: Option<Reckoned>,
}

/// What a clock is reckoned from, besides the flow of the tap.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reckoned {
    pub clock: ReckonedClock,
    /// The whole tank, in US gallons.
    pub tank_gal: u32,
    /// The tank's floor, in square inches; 0 where it is not known.
    pub floor_sqin: u32,
    /// How full the tank may get, in per cent.
    pub share_percent: u32,
    /// The owner's own time, which is never exceeded.
    pub owner: Duration,
    /// The call and what is said at the start, once it is reckoned: `{time}`, `{flow}` (gallons each minute), `{depth}` (the next).
    pub call: String,
    pub started: String,
    /// Says how deep that is: `{depth}` (inches, with their unit). Left out where the floor is not known.
    pub depth: String,
    /// What stood here before it was reckoned; nothing where it never was.
    pub usual: Option<Box<AsBuilt>>,
}

/// A clock as the routine has it, before the flow of the tap is known.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AsBuilt {
    pub length: Duration,
    pub call: String,
    pub short: String,
    pub started: String,
}

/// What runs in while the clock runs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum ReckonedClock {
    /// Rinse water into the closed tank.
    Rinse,
    /// A layer of water on the floor of the emptied tank.
    Layer,
}

impl ClockAnswer {
    /// Whether harm goes on until a person ends it.
    pub fn hazard(&self) -> bool {
        !self.end.is_empty()
    }

    /// Whether whoever started it does other things until it ends, where it runs for `length`.
    pub fn frees_hands(&self, length: Duration) -> bool {
        !self.hazard() && length > SHORT_CLOCK
    }
}

/// A clock up to this long is waited out; a longer one that guards nothing leaves time for other steps.
const SHORT_CLOCK: Duration = Duration::from_secs(60);

/// A question to be answered with yes or no.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Question {
    /// Where "no" goes back to. Without it the step stays open after a "no" that has a reply, and takes one that has none.
    pub back: Option<Loop>,
    /// What to do after a "no" that goes nowhere; empty where both answers are good ones.
    pub no_reply: String,
}

/// "No" goes back.
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

/// A reading. All its numbers are whole counts of `10^-decimals` of the unit: 126 with one decimal is 12.6.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NumberAnswer {
    /// What is read ("left front tire").
    pub name: String,
    /// As it is said after the number ("p s i"); may be empty.
    pub unit: String,
    /// Places behind the point, 0 to 2.
    pub decimals: u8,
    /// Where the reading should lie; what lies outside is read back. Least is not above most.
    pub least: i64,
    pub most: i64,
    /// What the gauge can show, and so what may be said; holds the bounds.
    pub gauge: (i64, i64),
    /// From one number that may be said to the next, 1 or more.
    pub resolution: i64,
    /// What to do when the reading is confirmed and lies below, or above. The step then stays open; where it is empty the
    /// reading is taken as it is.
    pub low_reply: String,
    pub high_reply: String,
}

/// One of several, each of them a good answer or one that says what to do first.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ChoiceAnswer {
    /// Two or more.
    pub options: Vec<ChoiceOption>,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ChoiceOption {
    /// The first is the one that is said back.
    pub say: Vec<String>,
    /// Said once it is taken; may be empty.
    pub reply: String,
    /// Whether the step is settled by it; otherwise it stays open, and the reply says what to do.
    pub settles: bool,
    /// Whether the card is over with it: nothing that stands after it is asked for.
    pub ends: bool,
    /// Said over and over until another answer is given, where it leaves a step of a card open; empty where once is enough.
    pub again: String,
    /// How things of the rig stand by it; none where it leaves the step open.
    pub sets: Vec<(String, Stands)>,
}

/// A signal that is given and answered, one turn after another. Where one person works alone all turns are theirs.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BothAnswer {
    /// Two or more.
    pub turns: Vec<Turn>,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Turn {
    pub role: Role,
    /// What is said to this person; the first turn may leave it to the step's call.
    pub call: String,
    /// The same for somebody who knows the role; empty where it is the same.
    pub short: String,
    /// Somebody who knows the role is told it, and gives no answer: the next turn is.
    pub announced: bool,
    /// The step that says as much, where the same person has answered it in the same breath; empty for none.
    pub given_by: String,
    /// The first is the one that is said back and asked for.
    pub say: Vec<String>,
    /// Says that it must not go on; empty where nothing can be wrong.
    pub halt: Vec<String>,
    /// What to do then; the turns begin again from the first.
    pub halt_reply: String,
    /// What this turn demands of whoever gives it.
    pub demands: Vec<Demand>,
}

/// Held for a time that the program counts down aloud ("hold ... three, two, one, release").
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HoldAnswer {
    /// 2 to 60 seconds.
    pub length: Duration,
    /// The person has their hand on it.
    pub ready: Vec<String>,
    /// Said at the beginning and at the end of the time ("Hold." and "Release.").
    pub hold: String,
    pub release: String,
}

impl Answer {
    /// Every sentence that it may have said, in the order in which they come.
    pub fn texts(&self) -> Vec<&str> {
        let texts: Vec<&String> = match self {
            Self::Done { .. } | Self::Told { .. } | Self::Gate => Vec::new(),
            Self::State(state) => vec![&state.other_reply],
            Self::Clock(clock) => vec![&clock.started, &clock.alarm, &clock.alarm_short],
            Self::YesNo(question) => {
                let back = question.back.iter().flat_map(|back| [&back.back_reply, &back.limit_reply]);
                back.chain([&question.no_reply]).collect()
            }
            Self::Number(number) => vec![&number.low_reply, &number.high_reply],
            Self::Choice(choice) => choice.options.iter().flat_map(|option| [&option.reply, &option.again]).collect(),
            Self::Both(both) => {
                both.turns.iter().flat_map(|turn| [&turn.call, &turn.short, &turn.halt_reply]).collect()
            }
            Self::Hold(hold) => vec![&hold.hold, &hold.release],
        };
        texts.into_iter().map(String::as_str).filter(|text| !text.is_empty()).collect()
    }

    pub(super) fn texts_mut(&mut self) -> Vec<&mut String> {
        match self {
            Self::Done { .. } | Self::Told { .. } | Self::Gate => Vec::new(),
            Self::State(state) => vec![&mut state.other_reply],
            Self::Clock(clock) => vec![&mut clock.started, &mut clock.alarm, &mut clock.alarm_short],
            Self::YesNo(question) => {
                let back = question.back.iter_mut().flat_map(|back| [&mut back.back_reply, &mut back.limit_reply]);
                back.chain([&mut question.no_reply]).collect()
            }
            Self::Number(number) => vec![&mut number.low_reply, &mut number.high_reply],
            Self::Choice(choice) => {
                choice.options.iter_mut().flat_map(|option| [&mut option.reply, &mut option.again]).collect()
            }
            Self::Both(both) => {
                let turns = both.turns.iter_mut();
                turns.flat_map(|turn| [&mut turn.call, &mut turn.short, &mut turn.halt_reply]).collect()
            }
            Self::Hold(hold) => vec![&mut hold.hold, &mut hold.release],
        }
    }

    pub(super) fn phrases_mut(&mut self) -> Vec<&mut Vec<String>> {
        match self {
            Self::Done { also } => vec![also],
            Self::State(state) => vec![&mut state.want, &mut state.other],
            Self::Clock(clock) => vec![&mut clock.start, &mut clock.end],
            Self::YesNo(_) | Self::Number(_) | Self::Told { .. } | Self::Gate => Vec::new(),
            Self::Choice(choice) => choice.options.iter_mut().map(|option| &mut option.say).collect(),
            Self::Both(both) => both.turns.iter_mut().flat_map(|turn| [&mut turn.say, &mut turn.halt]).collect(),
            Self::Hold(hold) => vec![&mut hold.ready],
        }
    }

    /// Every group of phrases that it waits for, in the order in which they are asked for; those of a group mean the same.
    pub fn phrases(&self) -> Vec<&[String]> {
        let groups: Vec<&[String]> = match self {
            Self::Done { also } => vec![also],
            Self::State(state) => vec![&state.want, &state.other],
            Self::Clock(clock) => vec![&clock.start, &clock.end],
            Self::YesNo(_) | Self::Number(_) | Self::Told { .. } | Self::Gate => Vec::new(),
            Self::Choice(choice) => choice.options.iter().map(|option| option.say.as_slice()).collect(),
            Self::Both(both) => {
                both.turns.iter().flat_map(|turn| [turn.say.as_slice(), turn.halt.as_slice()]).collect()
            }
            Self::Hold(hold) => vec![&hold.ready],
        };
        groups.into_iter().filter(|group| !group.is_empty()).collect()
    }
}
