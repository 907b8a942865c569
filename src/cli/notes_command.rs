//! `sparehand notes`: the notes that come back at their steps, and taking one off the list.

use std::io::{self, Write};
use std::path::PathBuf;

use clap::Args;
use thiserror::Error;

use crate::engine::event::Remark;
use crate::journal::{Journal, JournalError, JournalReader};
use crate::setup::places::Places;
use crate::setup::remarks;

#[derive(Debug, Args)]
pub struct NotesArgs {
    /// Number of a note of the list that need not come back.
    #[arg(long, value_name = "NUMBER", value_parser = number_of_note)]
    pub done: Option<usize>,
    /// One JSON object a line.
    #[arg(long)]
    pub json: bool,
    /// Journal file; without it, the one in the data folder.
    #[arg(long, value_name = "FILE")]
    pub journal: Option<PathBuf>,
}

fn number_of_note(text: &str) -> Result<usize, String> {
    text.parse().map_err(|_| "expected the number of a note; 'sparehand notes' lists them".to_owned())
}

/// Why the notes cannot be shown.
#[derive(Debug, Error)]
pub enum NotesError {
    #[error(transparent)]
    Journal(#[from] JournalError),
    #[error("--done {found}: expected the number of a note, 1 to {notes}; the list without --done shows them")]
    NoSuchNote { found: usize, notes: usize },
    #[error("--done {found}: there are no notes; a note is taken in a run, by saying: note")]
    NoNotes { found: usize },
    #[error("cannot write the notes: found '{0}', expected an output that takes it")]
    Output(#[from] io::Error),
    #[error("cannot be written as data")]
    Data(#[from] serde_json::Error),
}

/// Lists the notes, or takes one off the list.
///
/// # Errors
/// There is no such journal or note, or something cannot be written.
pub fn run(args: &NotesArgs, places: &Places, out: &mut impl Write) -> Result<(), NotesError> {
    let path = args.journal.clone().unwrap_or_else(|| places.journal());
    // Before the first run there is no journal yet; one that is named is there, or wrongly named.
    let read = || -> Result<_, NotesError> {
        let none_yet = args.journal.is_none() && !path.exists();
        if none_yet { Ok(Vec::new()) } else { pinned(&JournalReader::open(&path)?) }
    };
    let notes = read()?;
    if let Some(number) = args.done {
        let note = number.checked_sub(1).and_then(|place| notes.get(place));
        let (step, text) = note.ok_or(match notes.len() {
            0 => NotesError::NoNotes { found: number },
            notes => NotesError::NoSuchNote { found: number, notes },
        })?;
        remarks::done_with(&mut Journal::open(&path)?, step, text)?;
    }
    let notes = read()?;
    if notes.is_empty() && !args.json {
        writeln!(out, "no notes; a note is taken in a run, by saying: note")?;
    }
    for (number, (step, text)) in (1..).zip(notes) {
        if args.json {
            serde_json::to_writer(&mut *out, &serde_json::json!({ "note": number, "step": step, "text": text }))?;
            writeln!(out)?;
        } else {
            writeln!(out, "{number:>3}  {step}: {}", text.escape_debug())?;
        }
    }
    Ok(())
}

fn pinned(journal: &JournalReader) -> Result<Vec<(String, String)>, NotesError> {
    let noted = |remark| match remark {
        Remark::Noted { step, text } => Some((step, text)),
        Remark::PutRight { .. } | Remark::Read { .. } => None,
    };
    Ok(remarks::read(journal)?.into_iter().filter_map(noted).collect())
}
