//! `sparehand log --stats [--page FILE]`: reads the journal and the routines, and writes the account out.

use std::collections::BTreeMap;
use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use jiff::tz::TimeZone;
use thiserror::Error;

use crate::cli::log_lines::Form;
use crate::cli::stats;
use crate::cli::stats_page;
use crate::journal::{JournalError, JournalReader};
use crate::plan::work::key_of;
use crate::setup::past_runs::PastRuns;
use crate::setup::places::Places;
use crate::setup::planning::{self, PlanError};
use crate::setup::prompts::{self, PromptError};

/// Writes the account of all real runs to `out`, and the page where one is asked for.
///
/// # Errors
/// The journal cannot be read, the words are faulty, or something cannot be written.
pub fn run(
    out: &mut impl Write,
    journal: &JournalReader,
    places: &Places,
    form: Form,
    page: Option<&Path>,
    zone: &TimeZone,
) -> Result<(), StatsError> {
    let words = planning::words(&places.config)?;
    let past = PastRuns::read(journal)?;
    let told = stats::Stats::of(&past, &by_the_file(places)?);
    match form {
        Form::Json => {
            serde_json::to_writer(&mut *out, &told)?;
            writeln!(out)?;
        }
        Form::Text => stats::write(out, &past, &told, &words, zone)?,
    }
    if let Some(path) = page {
        fs::write(path, stats_page::page(&past, &told, &words, zone))
            .map_err(|source| StatsError::Page { path: path.to_owned(), source })?;
    }
    Ok(())
}

/// What the routines' files say about each step, in seconds.
fn by_the_file(places: &Places) -> Result<BTreeMap<String, f64>, PromptError> {
    let rig = prompts::rig(None, &places.config)?;
    let mut usual = BTreeMap::new();
    for (id, _) in prompts::ROUTINES {
        let routine = planning::routine(id, &rig, &places.config)?;
        for step in &routine.steps {
            usual.insert(key_of(&routine.id, &step.id), step.usual.as_secs_f64());
        }
    }
    Ok(usual)
}

/// Why there is no account of all runs.
#[derive(Debug, Error)]
pub enum StatsError {
    #[error(transparent)]
    Plan(#[from] PlanError),
    #[error(transparent)]
    Prompts(#[from] PromptError),
    #[error(transparent)]
    Journal(#[from] JournalError),
    #[error("cannot write the account: found '{0}', expected an output that takes it")]
    Output(#[from] io::Error),
    #[error("the account cannot be written as data")]
    Data(#[from] serde_json::Error),
    #[error("{path}: the page cannot be written; check its name, that the disk has room and that you may use it")]
    Page { path: PathBuf, source: io::Error },
}
