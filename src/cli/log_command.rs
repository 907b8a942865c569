//! `sparehand log`: the runs of the journal as a list, one of them in full or as a page, or what they add up to.

use std::io;
use std::path::{Path, PathBuf};

use clap::Args;
use jiff::tz::TimeZone;
use thiserror::Error;

use crate::cli::log_lines::{self, Form, LogError};
use crate::cli::run_page::{self, RunPageError};
use crate::cli::stats_command::{self, StatsError};
use crate::journal::{JournalError, JournalReader, RunId};
use crate::setup::places::Places;
use crate::setup::prompts::{self, PromptError};

#[derive(Debug, Args)]
pub struct LogArgs {
    /// Number of the run to show; without it, all runs are listed, or a page is made of the latest one.
    #[arg(value_parser = number_of_run)]
    pub run: Option<i64>,
    /// One JSON object a line.
    #[arg(long)]
    pub json: bool,
    /// Tell what all runs add up to: times by step and person, what was skipped, readings.
    #[arg(long, conflicts_with = "run")]
    pub stats: bool,
    /// With --stats: write a page with pictures to this file as well.
    #[arg(long, value_name = "FILE", requires = "stats")]
    pub page: Option<PathBuf>,
    /// Write the run as a page (HTML) that opens from the disk, into the file of --out.
    #[arg(long, requires = "out", conflicts_with_all = ["json", "stats"])]
    pub html: bool,
    /// The page to write.
    #[arg(short, long, value_name = "FILE", requires = "html")]
    pub out: Option<PathBuf>,
    /// Write over a page of the same name, keeping the old one beside it.
    #[arg(long, requires = "html")]
    pub replace: bool,
    /// Journal file; without it, the one in the data folder.
    #[arg(long, value_name = "FILE")]
    pub journal: Option<PathBuf>,
}

fn number_of_run(text: &str) -> Result<i64, String> {
    text.parse().map_err(|_| "expected the number of a run; 'sparehand log' lists them".to_owned())
}

/// Why the log cannot be shown.
#[derive(Debug, Error)]
pub enum LogCommandError {
    #[error(transparent)]
    Journal(#[from] JournalError),
    #[error(transparent)]
    Log(#[from] LogError),
    #[error(transparent)]
    Stats(#[from] StatsError),
    #[error(transparent)]
    Prompts(#[from] PromptError),
    #[error(transparent)]
    Page(#[from] Box<RunPageError>),
    #[error("{path}: no run in it, expected one to make a page of; carry out a routine first")]
    NoRun { path: PathBuf },
}

/// Shows what is asked for.
///
/// # Errors
/// There is no such journal or run, or something cannot be written.
pub fn run(args: &LogArgs, places: &Places) -> Result<(), LogCommandError> {
    let path = args.journal.clone().unwrap_or_else(|| places.journal());
    let none_yet = args.journal.is_none() && args.run.is_none() && !args.stats && !args.html && !path.exists();
    if none_yet {
        return Ok(log_lines::none(&mut io::stdout().lock(), if args.json { Form::Json } else { Form::Text })?);
    }
    let journal = JournalReader::open(&path)?;
    let form = if args.json { Form::Json } else { Form::Text };
    let zone = TimeZone::system();
    let out = &mut io::stdout().lock();
    if args.stats {
        return Ok(stats_command::run(out, &journal, places, form, args.page.as_deref(), &zone)?);
    }
    match (args.run.map(RunId), &args.out) {
        (run, Some(page)) if args.html => {
            let run = run.map_or_else(|| latest(&journal, &path), Ok)?;
            run_page::write(&journal, run, &zone, places, page, args.replace).map_err(Box::new)?;
        }
        (Some(run), _) => log_lines::show(out, &journal, run, form, &zone, &prompts::phrasebook(&places.config)?)?,
        (None, _) => log_lines::list(out, &journal, form, &zone)?,
    }
    Ok(())
}

fn latest(journal: &JournalReader, path: &Path) -> Result<RunId, LogCommandError> {
    let latest = journal.runs()?.into_iter().map(|run| run.id).max();
    latest.ok_or_else(|| LogCommandError::NoRun { path: path.to_owned() })
}
