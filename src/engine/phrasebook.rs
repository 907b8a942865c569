//! The words of the program itself: what it says between the steps, and what is always understood. Data, read from
//! `prompts/phrases/`; a missing line is an error at start and never a silence in the middle of a run.

use std::collections::BTreeMap;
use std::time::Duration;

use serde::Deserialize;
use thiserror::Error;

use crate::rig::{Demand, Stands};

/// Everything the program says that belongs to no routine.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Phrasebook {
    commands: BTreeMap<Command, Vec<String>>,
    answers: BTreeMap<Common, Vec<String>>,
    #[serde(rename = "skip-reasons")]
    reasons: BTreeMap<Reason, Vec<String>>,
    lines: BTreeMap<Line, String>,
    words: BTreeMap<Word, String>,
    /// The words that numbers are said with.
    numbers: NumberWords,
    names: NameWords,
    #[serde(rename = "clock")]
    clocks: Vec<ClockWords>,
    #[serde(rename = "limit")]
    limits: BTreeMap<Demand, LimitWords>,
    #[serde(rename = "thing")]
    things: BTreeMap<String, ThingWords>,
}

/// The words that numbers are said with, besides those of the everyday reading.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NumberWords {
    /// Zero to nine.
    pub digits: Vec<String>,
    /// Other ways to say a digit, where digits are asked for one by one.
    pub digits_also: BTreeMap<String, Vec<String>>,
    /// Zero as it is said within a number ("one oh five").
    pub oh: String,
    /// The first is the everyday word, the others go with digits.
    pub point: Vec<String>,
    /// Before a number below zero.
    pub minus: String,
    /// Between hundreds and the rest.
    pub and: String,
    /// After the hundreds.
    pub hundred: String,
    /// One hundred, with the article.
    pub a_hundred: String,
    /// Ends a number that is said digit by digit.
    pub end: Vec<String>,
}

/// How a person's name goes with what is said; `{name}` and `{answer}` are filled in.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NameWords {
    /// Hands over to the person.
    pub over_to: Vec<String>,
    /// An answer with the name of who gives it.
    pub answer: Vec<String>,
    /// All of a stretch but what is named.
    pub all_but: Vec<String>,
    /// Two names, where two are left out.
    pub both: Vec<String>,
}

/// What somebody cannot do today.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LimitWords {
    /// As it is said back.
    pub name: String,
    /// The ways to say it.
    pub say: Vec<String>,
}

/// How a thing of the rig is spoken of that is put out and put away.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ThingWords {
    /// As it is said; `{each}` stands for one of several.
    pub name: String,
    /// How it stands at a site ("connected").
    pub out: String,
    /// How it stands on the road ("not connected").
    pub away: String,
}

impl ThingWords {
    /// The word for how it stands; empty where nobody knows.
    pub fn state(&self, stands: Stands) -> &str {
        match stands {
            Stands::Out => &self.out,
            Stands::Away => &self.away,
            Stands::Unknown => "",
        }
    }

    /// As it is said back ("mains not connected").
    pub fn said(&self, stands: Stands) -> String {
        format!("{} {}", self.name, self.state(stands)).trim().to_owned()
    }

    /// The ways to say how it stands; none for what nobody knows.
    pub fn phrases(&self, stands: Stands) -> Vec<String> {
        let (name, state) = (self.name.to_lowercase(), self.state(stands));
        let mut phrases = vec![format!("{name} {state}"), format!("{name} is {state}")];
        match stands {
            Stands::Out => {}
            Stands::Away => phrases.push(format!("no {name}")),
            Stands::Unknown => phrases.clear(),
        }
        phrases
    }
}

/// A clock that can be set by voice.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ClockWords {
    /// How long it runs.
    pub seconds: u64,
    /// As it is said.
    pub name: String,
    /// Phrases that set it.
    pub start: Vec<String>,
    /// Phrases that end it.
    pub end: Vec<String>,
}

/// Why a phrase file is refused.
#[derive(Debug, Error, PartialEq, Eq)]
#[expect(missing_docs, reason = "the error texts say what each is")]
pub enum PhrasebookError {
    #[error("{file}: not a phrase file: {why}")]
    Unreadable { file: String, why: String },
    #[error("{file}: nothing under '{missing}', expected words for it")]
    Missing { file: String, missing: String },
}

impl Phrasebook {
    /// Reads a phrase file (TOML); `file` is only used in errors.
    ///
    /// # Errors
    /// Unreadable text, an unknown key, or a missing one.
    pub fn parse(file: &str, text: &str) -> Result<Self, PhrasebookError> {
        let book: Self = toml::from_str(text)
            .map_err(|why| PhrasebookError::Unreadable { file: file.to_owned(), why: why.to_string() })?;
        let missing = |key: String| PhrasebookError::Missing { file: file.to_owned(), missing: key };
        let empty = |list: Option<&Vec<String>>| list.is_none_or(Vec::is_empty);
        for command in Command::ALL {
            if empty(book.commands.get(command)) {
                return Err(missing(format!("commands.{command:?}")));
            }
        }
        for common in Common::ALL {
            if empty(book.answers.get(common)) {
                return Err(missing(format!("answers.{common:?}")));
            }
        }
        for reason in Reason::ALL {
            if empty(book.reasons.get(reason)) {
                return Err(missing(format!("skip-reasons.{reason:?}")));
            }
        }
        for line in Line::ALL {
            if !book.lines.contains_key(line) {
                return Err(missing(format!("lines.{line:?}")));
            }
        }
        for word in Word::ALL {
            if !book.words.contains_key(word) {
                return Err(missing(format!("words.{word:?}")));
            }
        }
        for (key, lacks) in [
            ("numbers.digits", book.numbers.digits.len() != 10),
            ("numbers.point", book.numbers.point.is_empty()),
            ("numbers.end", book.numbers.end.is_empty()),
            ("names.over_to", book.names.over_to.is_empty()),
            ("names.answer", book.names.answer.is_empty()),
            ("names.all_but", book.names.all_but.is_empty()),
            ("names.both", book.names.both.is_empty()),
            ("limit", Demand::ALL.iter().any(|demand| !book.limits.contains_key(demand))),
            ("thing.own", !book.things.contains_key(OWN)),
            ("clock", book.clocks.iter().any(|c| c.start.is_empty() || c.end.is_empty() || c.seconds == 0)),
        ] {
            if lacks {
                return Err(missing(key.to_owned()));
            }
        }
        Ok(book)
    }

    /// The phrases of a command; the first is the one that is shown.
    pub fn command(&self, command: Command) -> &[String] {
        self.commands.get(&command).map_or(&[], Vec::as_slice)
    }

    /// The phrases of an answer that belongs to no step; the first is the one that is shown.
    pub fn common(&self, common: Common) -> &[String] {
        self.answers.get(&common).map_or(&[], Vec::as_slice)
    }

    /// The phrases of a reason; the first is the one that is kept.
    pub fn reason(&self, reason: Reason) -> &[String] {
        self.reasons.get(&reason).map_or(&[], Vec::as_slice)
    }

    /// The words that numbers are said with.
    pub fn numbers(&self) -> &NumberWords {
        &self.numbers
    }

    /// The clocks that can be set by voice.
    pub fn clocks(&self) -> &[ClockWords] {
        &self.clocks
    }

    /// The words for what somebody cannot do.
    pub fn limit(&self, cannot: Demand) -> &LimitWords {
        &self.limits[&cannot]
    }

    /// How a thing is spoken of, by its id. One that its owner added is said by its id, and stands out or away.
    pub fn thing(&self, id: &str) -> ThingWords {
        let (kind, each) = id.split_once('@').unwrap_or((id, ""));
        let plain = |id: &str| id.replace('-', " ");
        let own = || ThingWords { name: plain(if each.is_empty() { kind } else { each }), ..self.things[OWN].clone() };
        let mut words = self.things.get(kind).cloned().unwrap_or_else(own);
        words.name = words.name.replace("{each}", &plain(each));
        words
    }

    /// The phrases that hand over to a person.
    pub fn over_to(&self, name: &str) -> Vec<String> {
        self.names.over_to.iter().map(|text| text.replace("{name}", &name.to_lowercase())).collect()
    }

    /// An answer with the name of who gives it.
    pub fn named(&self, name: &str, answer: &str) -> Vec<String> {
        let fill = |text: &String| text.replace("{name}", &name.to_lowercase()).replace("{answer}", answer);
        self.names.answer.iter().map(fill).collect()
    }

    /// The phrases that leave one thing out of a stretch.
    pub fn all_but(&self, name: &str) -> Vec<String> {
        self.names.all_but.iter().map(|text| text.replace("{name}", name)).collect()
    }

    /// Two names as one says them together.
    pub fn both_names(&self, one: &str, other: &str) -> Vec<String> {
        let fill = |text: &String| text.replace("{name}", one).replace("{other}", other);
        self.names.both.iter().map(fill).collect()
    }

    /// A single word that sentences are put together from.
    pub fn word(&self, word: Word) -> &str {
        self.words.get(&word).map_or("", String::as_str)
    }

    /// A line with its blanks filled in. Blanks that are not given stay visible, so that a test sees them.
    pub fn line(&self, line: Line, blanks: &[(&str, &str)]) -> String {
        let mut text = self.lines.get(&line).cloned().unwrap_or_default();
        for (name, value) in blanks {
            text = text.replace(&format!("{{{name}}}"), value);
        }
        text
    }

    /// Every line that has no blanks: these can be spoken ahead of time.
    pub fn fixed_lines(&self) -> impl Iterator<Item = &str> {
        self.lines.values().map(String::as_str).filter(|text| !text.contains('{'))
    }

    /// Every line as written, blanks and all.
    pub fn lines(&self) -> impl Iterator<Item = &str> {
        self.lines.values().map(String::as_str)
    }

    /// A span as it is said: "4 minutes and 30 seconds", "20 seconds". Rounded to the nearest second.
    pub fn span(&self, span: Duration) -> String {
        let total = (span.as_millis() + 500) / 1000;
        let (minutes, seconds) = (total / 60, total % 60);
        let unit = |n: u128, one: Word, many: Word| format!("{n} {}", self.word(if n == 1 { one } else { many }));
        match (minutes, seconds) {
            (0, s) => unit(s, Word::Second, Word::Seconds),
            (m, 0) => unit(m, Word::Minute, Word::Minutes),
            (m, s) => format!(
                "{} {} {}",
                unit(m, Word::Minute, Word::Minutes),
                self.word(Word::And),
                unit(s, Word::Second, Word::Seconds)
            ),
        }
    }
}

/// The words for things that have none of their own.
const OWN: &str = "own";

/// An enum whose every member is listed in `ALL`, so that a file can be checked for gaps.
macro_rules! listed {
    ($(#[$doc:meta])* $name:ident { $($member:ident),+ $(,)? }) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Deserialize)]
        #[serde(rename_all = "kebab-case")]
        #[allow(missing_docs, reason = "the phrase file says what each is for")]
        pub enum $name { $($member),+ }
        impl $name {
            /// Every member, in order.
            pub const ALL: &'static [Self] = &[$(Self::$member),+];
        }
    };
}

listed!(
    /// What can be said at any step.
    Command {
        SayAgain, Explain, HowLong, WhatIsLeft, WhereAreWe, WhatCanIAnswer, StandBy,
        GoAhead, NotYet, Correction, Skip, Stop, EndRun, Louder, Quieter, Slower, Faster, NeverMind, Note, AreWeReady,
        AreWeOnTime, ClockOff, WhatIsOut, DoneWithThat, Rest,
    }
);

listed!(
    /// Answers that belong to a kind of step and not to one step.
    Common { Done, AllDone, Yes, No, NoState, Untested, NotHere, CannotDo, NoLimits, Override }
);

listed!(
    /// Why a step is left out.
    Reason { NotNeeded, AlreadyDone, Cannot, Later }
);

listed!(
    /// Single words that sentences are put together from.
    Word {
        Second, Seconds, Minute, Minutes, And, Or, DoneKey, Step, Steps, Gallon, Gallons, Inch, Inches,
    }
);

listed!(
    /// What the program says.
    Line {
        WhatComesFirst, Resumed, ResumedFresh, NothingYet, Answered, NameTheState, AskThin, AskThinAgain, SayOnceMore, ThinDenied, Unclear, UnclearHelp, UnclearHelpNumber, UnclearHelpDigits, UnclearRight, UnclearYesNo, UnclearWords, NotYet,
        StandingBy, StandingByClock, Rest, RestNot, RestClock, RestHalfDone, RestOffered, Held, HeldClock, WentAhead, Reminder, ClockHalf, ClockMinute, ClockTen, ClockEnded, FlowMeasured, FlowUnusable, ClockLeft,
        ClockOver, ClockStartFirst, AlarmAnswer, AlarmUnknown, AlarmPast, ClockGoesOn, ClockFirst, NoClock, LeftNone,
        Left, LeftMore, Where, Standing, CanSay, CanSayStanding, Reopened, Reinstated, NothingToCorrect,
        CorrectionClock, SkipWhy, SkipRefused, SkipNotNow, SkipLast, Skipped, Deferred, EndSure, Ended, WentOn, GateClear,
        GateSkipped, GateHeld, Louder, Quieter, Slower, Faster, VoiceLimit, JournalFailed, JournalRefused, HearingLost,
        HearingBack, VoiceLost, Slow, SoundNotKept, StationJoined, StationAway, StationBack, StationJoinedSeveral, StationBackSeveral, Missed, MissedSettled, MissedSkipped, MissedSteps, MissedReopened,
        MissedClock, MissedRang, MissedRangEnded, MissedEnded, MissedRanOut, MissedPause, MissedPauseOver, MissedCard, MissedHandover, MissedBy, LeavesHazard, Closing, ToPerson, Waits, AndYou, Who, WhoNot, OverTo, OverToNothing, WashFirst, AskReading,
        ReadingKept, OutOfBounds, NotTaken, DigitFirst, DigitNext, DigitsWrong, HoldCount, HoldStopped, NoteAsk, NoteKept, NoteLost,
        TimerAsk, TimerStarted, TimerUp, TimerRuns, TimerEnded, TimerNone, TimerWhich, CardOver, LastLook,
        OnceMore, StillSo, Checked, LongPause, GateOpen, GateReopened, GateSkippedToo, GateClocks, GateOverride, GateReady,
        NotedLast, PutRightLast, ReadingDown, ReadingUp, NoNoteHere, NoteDone, LimitTold, LimitsLifted, NeedsHelp, WithHelp, Stretch, StretchWords, StretchBut, RigRecalled, RigTold, RigDifferent, RigDoubted, RigOut, RigNothingOut, RigUnknown, NotHere, NotHereState,
        Untested, UntestedWho, ToBeTested, ToBeDoneBy, GateUntested,
        OnTimeUnknown, KeptShort, OverrideRefused, OverrideNothing, Overridden, CameBack,
    }
);

#[cfg(test)]
mod tests {
    use super::*;

    fn english() -> Phrasebook {
        Phrasebook::parse("en.toml", include_str!("../../prompts/phrases/en.toml")).unwrap()
    }

    #[test]
    fn a_span_is_said_in_minutes_and_seconds_with_singular_and_plural() {
        let book = english();
        let said = |ms: u64| book.span(Duration::from_millis(ms));
        assert_eq!(said(300_000), "5 minutes");
        assert_eq!(said(61_000), "1 minute and 1 second");
        assert_eq!(said(20_400), "20 seconds");
    }

    #[test]
    fn a_phrase_file_with_a_gap_is_refused_with_the_name_of_the_gap() {
        let text = include_str!("../../prompts/phrases/en.toml").replace("stand-by = ", "stand-bye = ");
        assert!(Phrasebook::parse("en.toml", &text).unwrap_err().to_string().contains("stand-bye"));
        let text = include_str!("../../prompts/phrases/en.toml").replace("\nstop = [\"stop\"]", "");
        assert_eq!(
            Phrasebook::parse("en.toml", &text).unwrap_err().to_string(),
            "en.toml: nothing under 'commands.Stop', expected words for it"
        );
    }

    #[test]
    fn no_phrase_has_two_meanings_among_the_commands() {
        let book = english();
        let mut all: Vec<&String> = Command::ALL.iter().flat_map(|&c| book.command(c)).collect();
        let count = all.len();
        all.sort();
        all.dedup();
        assert_eq!(all.len(), count);
    }
}
