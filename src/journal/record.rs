//! What is kept of a run: the records, their stamps, and the short account of it.

use std::fmt;
use std::time::Duration;

use crate::engine::event::{Event, HeardAs};
use crate::engine::input::Away;
use crate::units::SessionTime;

/// When a record was made, by the clocks of the machine.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stamp {
    /// Names the boot of the machine; empty where the system does not tell.
    pub boot_id: String,
    /// Milliseconds since that boot, suspend included.
    pub boottime_ms: u64,
    /// Wall time, RFC 3339. For people only: it may be wrong, and nothing is reckoned from it.
    pub wall: String,
}

/// How long the program was away between two stamps.
///
/// Known only within one boot, by the clock that runs through suspend. A machine without a battery-backed clock may wake
/// with any wall time, so that is never used.
pub fn away_since(last: &Stamp, now: &Stamp) -> Away {
    let same_boot = !now.boot_id.is_empty() && last.boot_id == now.boot_id;
    match now.boottime_ms.checked_sub(last.boottime_ms) {
        Some(ms) if same_boot => Away::Known(Duration::from_millis(ms)),
        _ => Away::Unknown,
    }
}

/// One thing that happened in a run.
#[derive(Clone, Debug, PartialEq)]
pub struct Record {
    /// Place in the run; each is one more than the one before.
    pub seq: u64,
    /// Session time.
    pub at: SessionTime,
    pub stamp: Stamp,
    pub event: Event,
}

/// A run that is about to begin.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NewRun {
    /// Id of the routine.
    pub routine: String,
    /// Digest of the routine's text: a run goes on only with the routine it began with.
    pub fingerprint: String,
    /// The rig and the settings that the run began with, as JSON.
    pub settings: String,
    /// Wall time, RFC 3339.
    pub started: String,
    pub purpose: Purpose,
}

/// Whether valves and hoses were really moved.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Purpose {
    Real,
    Rehearsal,
}

/// Whether rehearsals count in a search.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Rehearsals {
    Included,
    LeftOut,
}

/// Names a run in the journal; counted from 1.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct RunId(pub i64);

impl fmt::Display for RunId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

/// The short account of a run.
#[derive(Clone, Debug, PartialEq)]
pub struct RunSummary {
    pub id: RunId,
    pub run: NewRun,
    /// How many records there are.
    pub records: usize,
    /// Session time and stamp of the last record.
    pub last: Option<(SessionTime, Stamp)>,
    pub outcome: Outcome,
    /// The step that was offered last.
    pub last_step: Option<String>,
    /// Steps left out, in order: as the end of the run lists them, else as they were skipped.
    pub skipped: Vec<String>,
    /// Steps that were open when somebody took it on themselves to end the run.
    pub overridden: Vec<String>,
}

/// How a run ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// It reached its gate.
    Completed,
    /// The person ended it before its gate.
    Abandoned,
    /// It was broken off; it can be carried on.
    Unfinished,
}

/// A record as its row holds it. Equal rows are equal records.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Row {
    pub(super) seq: i64,
    pub(super) at_ms: i64,
    pub(super) boot_id: String,
    pub(super) boottime_ms: i64,
    pub(super) wall: String,
    pub(super) kind: String,
    pub(super) json: String,
}

impl Row {
    /// The row of a record, or what stands in the way of writing it so that it reads back the same.
    pub(super) fn of(record: &Record) -> Result<Self, String> {
        let number =
            |name: &str, value: u64| i64::try_from(value).map_err(|_| format!("{name} {value}, above {}", i64::MAX));
        let event = with_finite_scores(&record.event);
        let json = serde_json::to_string(&event).map_err(|error| error.to_string())?;
        // A score that is no number has no JSON form, and would be noticed only when the run is to be carried on.
        if serde_json::from_str::<Event>(&json).ok().as_ref() != Some(&event) {
            return Err(format!("an event that does not survive being written, {json}"));
        }
        Ok(Self {
            seq: number("seq", record.seq)?,
            at_ms: number("session time", record.at.as_millis())?,
            boot_id: record.stamp.boot_id.clone(),
            boottime_ms: number("time since boot", record.stamp.boottime_ms)?,
            wall: record.stamp.wall.clone(),
            kind: kind_of(&json)?,
            json,
        })
    }

    /// The record of a row, or why it is none.
    pub(super) fn into_record(self) -> Result<Record, String> {
        let number = |value: i64| u64::try_from(value).map_err(|_| format!("a number below zero, {value}"));
        Ok(Record {
            seq: number(self.seq)?,
            at: SessionTime::from_millis(number(self.at_ms)?),
            event: serde_json::from_str(&self.json)
                .map_err(|error| format!("an event that cannot be read, {error}"))?,
            stamp: Stamp { boot_id: self.boot_id, boottime_ms: number(self.boottime_ms)?, wall: self.wall },
        })
    }
}

/// The name that the event's JSON carries, so that the two cannot differ.
fn kind_of(json: &str) -> Result<String, String> {
    #[derive(serde::Deserialize)]
    struct Kind {
        kind: String,
    }
    serde_json::from_str::<Kind>(json).map(|event| event.kind).map_err(|error| error.to_string())
}

fn with_finite_scores(event: &Event) -> Event {
    let mut event = event.clone();
    if let Some(HeardAs::Voice { score, margin, .. } | HeardAs::VoiceConfirmed { score, margin, .. }) =
        heard_as_mut(&mut event)
    {
        for number in [score, margin] {
            // `clamp` leaves what is not a number as it is; that is refused afterwards.
            *number = number.clamp(f32::MIN, f32::MAX);
        }
    }
    event
}

fn heard_as_mut(event: &mut Event) -> Option<&mut HeardAs> {
    match event {
        Event::StepAnswered { heard, .. }
        | Event::OtherStateHeard { heard, .. }
        | Event::LoopedBack { heard, .. }
        | Event::LoopLimitReached { heard, .. }
        | Event::ClockStarted { heard, .. }
        | Event::ClockEnded { heard, .. }
        | Event::Overridden { heard, .. }
        | Event::SignalGiven { heard, .. }
        | Event::SignalHalted { heard, .. }
        | Event::Agreed { heard, .. }
        | Event::ReadingTaken { heard, .. }
        | Event::HoldBegun { heard, .. }
        | Event::StepChecked { heard, .. }
        | Event::TimerStarted { heard, .. }
        | Event::TimerEnded { heard, .. }
        | Event::RigAgreed { heard }
        | Event::LimitTold { heard, .. }
        | Event::LimitsLifted { heard, .. }
        | Event::NoteDone { heard, .. }
        | Event::CannotDo { heard, .. }
        | Event::ThingTold { heard, .. }
        | Event::NotHere { heard, .. }
        | Event::CardStarted { heard, .. } => Some(heard),
        Event::Rehearsed { event } => heard_as_mut(event),
        Event::RunStarted { .. }
        | Event::StepOffered { .. }
        | Event::LoopUndone { .. }
        | Event::ClockRanOut { .. }
        | Event::StepSkipped { .. }
        | Event::StepDeferred { .. }
        | Event::StepsReopened { .. }
        | Event::ClockReinstated { .. }
        | Event::StandingBy
        | Event::WentAhead
        | Event::SpeechUnclear
        | Event::VoiceChanged { .. }
        | Event::HearingLost
        | Event::HearingBack
        | Event::Resumed { .. }
        | Event::GateHeld { .. }
        | Event::RunCompleted { .. }
        | Event::PartCompleted { .. }
        | Event::RigRecalled { .. }
        | Event::StretchOffered { .. }
        | Event::RemarksRecalled { .. }
        | Event::CrewSet { .. }
        | Event::StepAssigned { .. }
        | Event::HandedOver { .. }
        | Event::CheckAsked { .. }
        | Event::NoteKept { .. }
        | Event::TimerRanOut { .. }
        | Event::CardEnded { .. }
        | Event::Explained { .. }
        | Event::TurnedTo { .. }
        | Event::StationJoined { .. }
        | Event::StationLeft { .. }
        | Event::RunAbandoned => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stamp(boot_id: &str, boottime_ms: u64, wall: &str) -> Stamp {
        Stamp { boot_id: boot_id.to_owned(), boottime_ms, wall: wall.to_owned() }
    }

    #[test]
    fn time_away_is_known_within_one_boot_whatever_the_wall_clock_says() {
        let last = stamp("a", 1_000, "2031-01-01T00:00:00Z");
        assert_eq!(
            away_since(&last, &stamp("a", 61_000, "1970-01-01T00:00:00Z")),
            Away::Known(Duration::from_secs(60))
        );
    }

    #[test]
    fn time_away_is_unknown_over_a_reboot_even_when_the_wall_clock_looks_right() {
        let last = stamp("a", 1_000, "2026-01-01T00:00:00Z");
        assert_eq!(away_since(&last, &stamp("b", 61_000, "2026-01-01T00:01:00Z")), Away::Unknown);
    }

    #[test]
    fn time_away_is_unknown_when_the_system_names_no_boot_or_its_clock_went_back() {
        assert_eq!(away_since(&stamp("", 1, ""), &stamp("", 2, "")), Away::Unknown);
        assert_eq!(away_since(&stamp("a", 2, ""), &stamp("a", 1, "")), Away::Unknown);
    }
}
