//! `sparehand log --stats [--page FILE]`: reads the journal and the routines, and writes the account out.

use std::collections::BTreeMap;
use std::fs;
use std::io::Write;
use std::path::Path;

use jiff::tz::TimeZone;

use crate::cli::log_command::Form;
use crate::cli::plan_command::{self, PlanError};
use crate::cli::stats;
use crate::cli::stats_page;
use crate::journal::JournalReader;
use crate::plan::work::key_of;
use crate::setup::past_runs::PastRuns;
use crate::setup::places::Places;
use crate::setup::prompts;

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
) -> Result<(), PlanError> {
    let words = plan_command::words(&places.config)?;
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
            .map_err(|source| PlanError::File { path: path.to_owned(), source })?;
    }
    Ok(())
}

/// What the routines' files say about each step, in seconds.
fn by_the_file(places: &Places) -> Result<BTreeMap<String, f64>, PlanError> {
    let rig = prompts::rig(None, &places.config)?;
    let mut usual = BTreeMap::new();
    for (id, _) in prompts::ROUTINES {
        let routine = plan_command::routine(id, &rig, &places.config)?;
        for step in &routine.steps {
            usual.insert(key_of(&routine.id, &step.id), step.usual.as_secs_f64());
        }
    }
    Ok(usual)
}
