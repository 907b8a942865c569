//! `sparehand log RUN --html`: a run of the journal as a page.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use thiserror::Error;

use crate::cli::log_words::{local, step_of, told};
use crate::cli::paper_command::{self, PaperError};
use crate::cli::paper_files::keep;
use crate::engine::event::Event;
use crate::journal::{self, JournalError, JournalReader, Purpose, RunId};
use crate::paper::page::{PageEntry, PageOutcome, RunRecord, StepName, page};
use crate::routine::Routine;
use crate::setup::places::Places;
use crate::setup::prompts;

/// Why there is no page of a run.
#[derive(Debug, Error)]
pub enum RunPageError {
    #[error(transparent)]
    Journal(#[from] JournalError),
    #[error(transparent)]
    Paper(#[from] PaperError),
}

/// Writes the page of a run.
///
/// # Errors
/// There is no such run, or the file cannot be written.
pub fn write(
    journal: &JournalReader,
    run: RunId,
    zone: &TimeZone,
    places: &Places,
    out: &Path,
    replace: bool,
) -> Result<(), RunPageError> {
    let words = paper_command::words(&places.config)?;
    let record = record(journal, run, zone, &places.config)?;
    let text = page(&record, &words.page);
    if let Some(old) = keep(out, text.as_bytes(), replace).map_err(PaperError::from)? {
        eprintln!("The old file is kept as {}.", old.display());
    }
    Ok(())
}

/// A run as the page takes it.
///
/// # Errors
/// There is no such run, or it cannot be read.
pub fn record(journal: &JournalReader, run: RunId, zone: &TimeZone, config: &Path) -> Result<RunRecord, RunPageError> {
    let account = journal.run(run)?;
    let records = journal.events(run)?;
    let ids: BTreeSet<String> = records.iter().filter_map(|record| step_of(&record.event).map(str::to_owned)).collect();
    let book = prompts::phrasebook(config).map_err(PaperError::from)?;
    let named = names(&account.run.routine, &ids, config);
    let entries = records
        .iter()
        .map(|record| PageEntry {
            at: record.at,
            of_day: time_of_day(&record.stamp.wall, zone),
            event: record.event.clone(),
            step: step_of(&record.event).map(str::to_owned),
            told: told(&record.event, &book),
        })
        .collect();
    let rehearsed = records.iter().any(|record| matches!(record.event, Event::Rehearsed { .. }));
    Ok(RunRecord {
        number: run.0,
        title: named.title.unwrap_or_else(|| account.run.routine.clone()),
        began: local(&account.run.started, zone),
        outcome: match account.outcome {
            journal::Outcome::Completed => PageOutcome::Completed,
            journal::Outcome::Abandoned => PageOutcome::Abandoned,
            journal::Outcome::Unfinished => PageOutcome::Unfinished,
        },
        rehearsal: rehearsed || account.run.purpose == Purpose::Rehearsal,
        changed: named.fingerprint.as_ref() != Some(&account.run.fingerprint)
            && !ids.iter().all(|id| named.steps.contains_key(id)),
        steps: named.steps,
        entries,
    })
}

#[derive(Default)]
struct Named {
    title: Option<String>,
    fingerprint: Option<String>,
    steps: BTreeMap<String, StepName>,
}

/// Names of steps from the routines as they are now. A routine that is gone or refused is no reason to show no page: its steps
/// are shown by id, and the page says so.
fn names(routine: &str, ids: &BTreeSet<String>, config: &Path) -> Named {
    let load = |name: &str| -> Option<Routine> {
        let rig = prompts::rig(None, config).ok()?;
        prompts::routine(name, &rig, config).ok()
    };
    let mut named = Named::default();
    let mut add = |routine: &Routine, prefix: &str| {
        for step in &routine.steps {
            let name = StepName { name: step.name.clone(), critical: step.critical() };
            named.steps.insert(format!("{prefix}{}", step.id), name);
        }
    };
    let whole = load(routine);
    if let Some(whole) = &whole {
        add(whole, "");
    }
    let parts: BTreeSet<&str> = ids.iter().filter_map(|id| id.split_once('/')).map(|(part, _)| part).collect();
    for part in parts {
        if let Some(loaded) = load(part) {
            add(&loaded, &format!("{part}/"));
        }
    }
    named.title = whole.as_ref().map(|whole| whole.title.clone());
    named.fingerprint = whole.map(|whole| whole.fingerprint);
    named
}

/// Wall time to the second in `zone`; as it stands in the journal when it is no RFC 3339.
fn time_of_day(wall: &str, zone: &TimeZone) -> String {
    match wall.parse::<Timestamp>() {
        Ok(time) => time.to_zoned_datetime(zone.clone()).strftime("%H:%M:%S").to_string(),
        Err(_) => wall.to_owned(),
    }
}
