//! `sparehand log`: lists the runs in the journal, or shows one, as text for people or as one JSON object a line.
//!
//! It only reads. Session time is shown as `minutes:seconds`, wall time in the zone that is passed in.

use std::io::{self, Write};
use std::time::Duration;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde::Serialize;
use thiserror::Error;

use crate::engine::event::{Event, HeardAs};
use crate::journal::{JournalError, JournalReader, Outcome, Purpose, Record, RunId, RunSummary};
use crate::units::SessionTime;

/// How the log is written out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    /// For people, with wall times in a zone.
    Text,
    /// For programs: one object a line, with keys that stay the same.
    Json,
}

/// Why the log could not be shown.
#[derive(Debug, Error)]
pub enum LogError {
    /// The journal cannot be read.
    #[error(transparent)]
    Journal(#[from] JournalError),
    /// What was read cannot be written out. A closed pipe (`| head`) comes as `BrokenPipe`.
    #[error("cannot write the log: found '{0}', expected an output that takes it")]
    Output(#[from] io::Error),
}

/// Lists all runs: number, routine, when, how long, how it ended and how many steps were skipped.
///
/// # Errors
///
/// Where a run cannot be read or `out` does not take it.
pub fn list(out: &mut impl Write, journal: &JournalReader, form: Form, zone: &TimeZone) -> Result<(), LogError> {
    let runs = journal.runs()?;
    match form {
        Form::Json => runs.iter().try_for_each(|run| json_line(out, &RunLine::of(run)))?,
        Form::Text if runs.is_empty() => writeln!(out, "no runs yet")?,
        Form::Text => {
            writeln!(out, "{:>4}  {:<16}  {:>7}  {:<16}  ended", "run", "began", "lasted", "routine")?;
            for run in &runs {
                let (began, lasted) = (local(&run.run.started, zone), minutes(lasted(run)));
                let line = format!("{:>4}  {began:<16}  {lasted:>7}  {:<16}  {}", run.id, run.run.routine, ended(run));
                text_line(out, &line)?;
            }
        }
    }
    Ok(())
}

/// Shows all records of one run.
///
/// # Errors
///
/// Where the run does not exist or cannot be read, or `out` does not take it.
pub fn show(
    out: &mut impl Write,
    journal: &JournalReader,
    run: RunId,
    form: Form,
    zone: &TimeZone,
) -> Result<(), LogError> {
    let records = journal.events(run)?;
    if form == Form::Json {
        return Ok(records.iter().try_for_each(|record| json_line(out, &EventLine::of(run, record)))?);
    }
    let account = journal.run(run)?;
    let began = local(&account.run.started, zone);
    text_line(out, &format!("run {run}: {}, began {began}", account.run.routine))?;
    text_line(out, &format!("lasted {}, {}", minutes(lasted(&account)), ended(&account)))?;
    writeln!(out)?;
    let width = records.iter().filter_map(|record| step_of(&record.event)).map(|step| step.chars().count()).max();
    let width = width.unwrap_or(0).min(WIDEST_STEP);
    for record in &records {
        let step = step_of(&record.event).unwrap_or("");
        text_line(out, &format!("{:>8}  {step:<width$}  {}", record.at.to_string(), told(&record.event)))?;
    }
    Ok(())
}

/// A run as JSON shows it.
#[derive(Serialize)]
struct RunLine<'a> {
    run: i64,
    routine: &'a str,
    fingerprint: &'a str,
    started: &'a str,
    rehearsal: bool,
    lasted_ms: u64,
    outcome: &'static str,
    /// The step at which a run that did not finish stopped.
    stopped_at: Option<&'a str>,
    skipped: &'a [String],
    records: usize,
}

impl<'a> RunLine<'a> {
    fn of(account: &'a RunSummary) -> Self {
        Self {
            run: account.id.0,
            routine: &account.run.routine,
            fingerprint: &account.run.fingerprint,
            started: &account.run.started,
            rehearsal: account.run.purpose == Purpose::Rehearsal,
            lasted_ms: lasted(account).as_millis(),
            outcome: match account.outcome {
                Outcome::Completed => "completed",
                Outcome::Abandoned => "abandoned",
                Outcome::Unfinished => "unfinished",
            },
            stopped_at: account.last_step.as_deref().filter(|_| account.outcome != Outcome::Completed),
            skipped: &account.skipped,
            records: account.records,
        }
    }
}

/// A record as JSON shows it; `event` is as the journal keeps it.
#[derive(Serialize)]
struct EventLine<'a> {
    run: i64,
    seq: u64,
    at_ms: u64,
    wall: &'a str,
    boot_id: &'a str,
    boottime_ms: u64,
    event: &'a Event,
}

impl<'a> EventLine<'a> {
    fn of(run: RunId, record: &'a Record) -> Self {
        Self {
            run: run.0,
            seq: record.seq,
            at_ms: record.at.as_millis(),
            wall: &record.stamp.wall,
            boot_id: &record.stamp.boot_id,
            boottime_ms: record.stamp.boottime_ms,
            event: &record.event,
        }
    }
}

/// Writes one line. Whatever a file or a device brought in must not steer the terminal or break the line.
fn text_line(out: &mut impl Write, line: &str) -> io::Result<()> {
    writeln!(out, "{}", line.replace(char::is_control, "\u{FFFD}"))
}

fn json_line(out: &mut impl Write, line: &impl Serialize) -> io::Result<()> {
    serde_json::to_writer(&mut *out, line)?;
    writeln!(out)
}

fn lasted(account: &RunSummary) -> SessionTime {
    account.last.as_ref().map_or(SessionTime::ZERO, |(at, _)| *at)
}

fn ended(account: &RunSummary) -> String {
    let at = account.last_step.as_ref().map_or_else(String::new, |step| format!(" at {step}"));
    let mut text = match account.outcome {
        Outcome::Completed => "finished".to_owned(),
        Outcome::Abandoned => format!("ended early{at}"),
        Outcome::Unfinished if account.records == 0 => "stopped before its first step".to_owned(),
        Outcome::Unfinished => format!("stopped{at}"),
    };
    text += &format!(", {} skipped", account.skipped.len());
    if account.run.purpose == Purpose::Rehearsal {
        text += ", rehearsal";
    }
    text
}

pub(super) fn step_of(event: &Event) -> Option<&str> {
    match event {
        Event::StepOffered { step }
        | Event::StepAnswered { step, .. }
        | Event::OtherStateHeard { step, .. }
        | Event::LoopedBack { step, .. }
        | Event::LoopLimitReached { step, .. }
        | Event::LoopUndone { step }
        | Event::ClockStarted { step, .. }
        | Event::ClockRanOut { step }
        | Event::ClockEnded { step, .. }
        | Event::StepSkipped { step, .. }
        | Event::StepDeferred { step }
        | Event::StepAssigned { step, .. }
        | Event::SignalGiven { step, .. }
        | Event::SignalHalted { step, .. }
        | Event::Agreed { step, .. }
        | Event::ReadingTaken { step, .. }
        | Event::HoldBegun { step, .. }
        | Event::StepChecked { step, .. }
        | Event::NoteKept { step, .. }
        | Event::Explained { step }
        | Event::ClockReinstated { step } => Some(step),
        Event::Rehearsed { event } => step_of(event),
        Event::RunStarted { .. }
        | Event::StepsReopened { .. }
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
        | Event::Overridden { .. }
        | Event::CrewSet { .. }
        | Event::HandedOver { .. }
        | Event::CheckAsked { .. }
        | Event::TimerStarted { .. }
        | Event::TimerRanOut { .. }
        | Event::TimerEnded { .. }
        | Event::CardStarted { .. }
        | Event::CardEnded { .. }
        | Event::TurnedTo { .. }
        | Event::RunAbandoned => None,
    }
}

/// What happened, without the step. Free text stands in quotes, with control characters made visible.
pub(super) fn told(event: &Event) -> String {
    let steps = |steps: &[String]| if steps.is_empty() { "none".to_owned() } else { steps.join(", ") };
    match event {
        Event::RunStarted { routine, fingerprint } => format!("run of {routine} began, text {fingerprint}"),
        Event::StepOffered { .. } => "asked".to_owned(),
        Event::StepAnswered { answer, heard, .. } => format!("answered {answer:?}, {}", told_heard(heard)),
        Event::OtherStateHeard { answer, heard, .. } => format!("not as wanted: {answer:?}, {}", told_heard(heard)),
        Event::LoopedBack { back_to, round, heard, .. } => {
            format!("no: back to {back_to}, round {round}, {}", told_heard(heard))
        }
        Event::LoopLimitReached { round, heard, .. } => {
            format!("no, for the last time: round {round}, {}", told_heard(heard))
        }
        Event::LoopUndone { .. } => "the no was a mistake: asked again".to_owned(),
        Event::ClockStarted { length_ms, heard, .. } => {
            format!("clock of {} started, {}", minutes(SessionTime::from_millis(*length_ms)), told_heard(heard))
        }
        Event::ClockRanOut { .. } => "clock ran out".to_owned(),
        Event::ClockEnded { ran_ms, heard, .. } => {
            format!("clock ended after {}, {}", minutes(SessionTime::from_millis(*ran_ms)), told_heard(heard))
        }
        Event::StepSkipped { reason, .. } => format!("skipped, because {reason:?}"),
        Event::StepDeferred { .. } => "put off".to_owned(),
        Event::StepsReopened { steps: list, because } => format!("open again, because {because:?}: {}", steps(list)),
        Event::ClockReinstated { .. } => "clock runs again from its old start".to_owned(),
        Event::StandingBy => "standing by".to_owned(),
        Event::WentAhead => "went ahead".to_owned(),
        Event::SpeechUnclear => "heard something that fits nothing".to_owned(),
        Event::VoiceChanged { speed, volume_db } => format!("voice at speed {speed:.2}, volume {volume_db:+.1} dB"),
        Event::TurnedTo { person } => format!("{person:?} speaks"),
        Event::HearingLost => "microphone lost".to_owned(),
        Event::HearingBack => "microphone back".to_owned(),
        Event::Resumed { away_ms: Some(ms) } => {
            format!("went on after {} away", minutes(SessionTime::from_millis(*ms)))
        }
        Event::Resumed { away_ms: None } => "went on after a time away that nobody knows".to_owned(),
        Event::GateHeld { open } => format!("not ready, still open: {}", steps(open)),
        Event::RunCompleted { skipped } => format!("run finished, skipped: {}", steps(skipped)),
        Event::RunAbandoned => "run ended early".to_owned(),
        Event::PartCompleted { part, skipped } => format!("{part} finished, skipped: {}", steps(skipped)),
        Event::Overridden { open, person, heard } => {
            format!("overridden{}, still open: {}, {}", by(person), steps(open), told_heard(heard))
        }
        Event::CrewSet { people } => {
            let here: Vec<String> =
                people.iter().filter(|person| person.here).map(|p| format!("{:?}", p.name)).collect();
            format!("taking part: {}", here.join(", "))
        }
        Event::StepAssigned { person, .. } => format!("for {person:?}"),
        Event::HandedOver { from, to } => format!("handed over from {from:?} to {to:?}"),
        Event::SignalGiven { turn, person, answer, heard, .. } => {
            format!("signal {} {answer:?}{}, {}", turn + 1, by(person), told_heard(heard))
        }
        Event::SignalHalted { answer, heard, .. } => format!("halted: {answer:?}, {}", told_heard(heard)),
        Event::Agreed { person, answer, heard, .. } => format!("{answer:?}{}, {}", by(person), told_heard(heard)),
        Event::ReadingTaken { name, value, decimals, unit, least, most, settles, heard, .. } => {
            let shown = |value: &i64| crate::engine::numbers::shown(*value, *decimals, unit);
            let bounds = if (least..=most).contains(&value) { "within" } else { "outside" };
            let open = if *settles { "" } else { ", stays open" };
            let (low, high) = (shown(least), shown(most));
            format!("{name:?} read {:?}, {bounds} {low} to {high}{open}, {}", shown(value), told_heard(heard))
        }
        Event::HoldBegun { heard, .. } => format!("countdown began, {}", told_heard(heard)),
        Event::CheckAsked { steps: list, because } => format!("asked once more, {because:?}: {}", steps(list)),
        Event::StepChecked { answer, heard, .. } => format!("still {answer:?}, {}", told_heard(heard)),
        Event::NoteKept { text, wav, .. } => match wav {
            Some(wav) => format!("note {text:?}, sound in {wav:?}"),
            None => format!("note {text:?}"),
        },
        Event::TimerStarted { name, length_ms, heard } => {
            format!("{name:?} of {} started, {}", minutes(SessionTime::from_millis(*length_ms)), told_heard(heard))
        }
        Event::TimerRanOut { name } => format!("{name:?} ran out"),
        Event::TimerEnded { name, ran_ms, heard } => {
            format!("{name:?} ended after {}, {}", minutes(SessionTime::from_millis(*ran_ms)), told_heard(heard))
        }
        Event::CardStarted { card, heard } => format!("emergency {card}, {}", told_heard(heard)),
        Event::CardEnded { card } => format!("emergency {card} gone through"),
        Event::Explained { .. } => "explained".to_owned(),
        Event::Rehearsed { event } => format!("rehearsed: {}", told(event)),
    }
}

fn by(person: &str) -> String {
    if person.is_empty() { String::new() } else { format!(" by {person:?}") }
}

fn told_heard(heard: &HeardAs) -> String {
    match heard {
        HeardAs::Voice { phrase, score, margin } => {
            format!("heard {phrase:?} (score {score:.2}, margin {})", told_margin(*margin))
        }
        HeardAs::VoiceConfirmed { phrase, score, margin } => {
            format!("heard {phrase:?} and asked back (score {score:.2}, margin {})", told_margin(*margin))
        }
        HeardAs::Key => "by key".to_owned(),
        HeardAs::Clock => "by the clock".to_owned(),
    }
}

/// The largest number stands for a phrase without a runner-up.
fn told_margin(margin: f32) -> String {
    if margin == f32::MAX { "none to measure".to_owned() } else { format!("{margin:.2}") }
}

fn minutes(span: SessionTime) -> String {
    let seconds = span.since(SessionTime::ZERO).saturating_add(Duration::from_millis(500)).as_secs();
    format!("{}:{:02}", seconds / 60, seconds % 60)
}

/// Wall time in `zone` to the minute; as it stands in the journal when it is no RFC 3339.
pub(super) fn local(wall: &str, zone: &TimeZone) -> String {
    match wall.parse::<Timestamp>() {
        Ok(time) => time.to_zoned_datetime(zone.clone()).strftime("%Y-%m-%d %H:%M").to_string(),
        Err(_) => wall.to_owned(),
    }
}

/// Longer step names push their line to the right and leave the others where they are.
const WIDEST_STEP: usize = 32;
