//! Lists the runs in the journal, or shows one, as text for people or as one JSON object a line.
//!
//! It only reads. Session time is shown as `minutes:seconds`, wall time in the zone that is passed in.

use std::io::{self, Write};

use jiff::tz::TimeZone;
use serde::Serialize;
use thiserror::Error;

use crate::cli::log_words::{local, minutes, step_of, told};
use crate::engine::event::Event;
use crate::engine::phrasebook::Phrasebook;
use crate::journal::{JournalError, JournalReader, Outcome, Purpose, Record, RunId, RunSummary};
use crate::setup::standing::SITE;
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
        Form::Text if runs.is_empty() => none(out, form)?,
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

/// Says that there are no runs yet; programs get an empty list.
///
/// # Errors
/// `out` does not take it.
pub fn none(out: &mut impl Write, form: Form) -> Result<(), LogError> {
    match form {
        Form::Json => Ok(()),
        Form::Text => Ok(writeln!(out, "no runs yet")?),
    }
}

/// Shows all records of one run, things by the names that `book` gives them.
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
    book: &Phrasebook,
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
        text_line(out, &format!("{:>8}  {step:<width$}  {}", record.at.to_string(), told(&record.event, book)))?;
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
    /// Steps that were open when the run was ended over them.
    overridden: &'a [String],
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
                Outcome::Completed if !account.overridden.is_empty() => "overridden",
                Outcome::Completed => "completed",
                Outcome::Abandoned => "abandoned",
                Outcome::Unfinished => "unfinished",
            },
            stopped_at: account.last_step.as_deref().filter(|_| account.outcome != Outcome::Completed),
            skipped: &account.skipped,
            overridden: &account.overridden,
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
    if account.run.routine == SITE {
        return "told between runs".to_owned();
    }
    let at = account.last_step.as_ref().map_or_else(String::new, |step| format!(" at {step}"));
    let mut text = match account.outcome {
        Outcome::Completed if !account.overridden.is_empty() => {
            format!("overridden, {} open", account.overridden.len())
        }
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

/// Longer step names push their line to the right and leave the others where they are.
const WIDEST_STEP: usize = 32;
