//! What can go wrong with the journal, and what to do about it.

use std::io;
use std::path::PathBuf;

use rusqlite::ErrorCode;
use thiserror::Error;

use crate::journal::files::Place;
use crate::journal::record::RunId;
use crate::journal::{is_damage, schema};

/// Why the journal did not do what it was asked.
#[derive(Debug, Error)]
pub enum JournalError {
    /// The folder, the lock file or the journal cannot be made, read or written.
    #[error("journal '{}': cannot {doing}: found {source}, expected a folder and files that this user may read and write; \
             change their rights or choose another folder", .path.display())]
    NoAccess { path: PathBuf, doing: &'static str, source: io::Error },

    /// There is nothing to read.
    #[error("journal '{}': found no file, expected a journal; one is made when the first run begins", .path.display())]
    Missing { path: PathBuf },

    /// Another program carries on a run.
    #[error("journal '{}': found it held by another sparehand ({holder}), expected to be the only one; \
             end that one first, or only look at the log", .path.display())]
    HeldByAnother { path: PathBuf, holder: String },

    /// The file is something else.
    #[error("journal '{}': found {found}, expected a sparehand journal; move the file away or choose another name", .path.display())]
    NotAJournal { path: PathBuf, found: String },

    /// The file was written by a later version of this program.
    #[error("journal '{}': found layout {found}, expected {expected} or older; use the newer sparehand that wrote it", .path.display())]
    NewerSchema { path: PathBuf, found: i64, expected: i64 },

    /// The file is not what was once written.
    #[error("journal '{}': found damage ({what}), expected it as it was written; nothing was changed: copy the file and \
             those beside it to a safe place, move them away, and begin a new journal", .path.display())]
    Damaged { path: PathBuf, what: String },

    /// The disk, or the quota, is full.
    #[error("journal '{}': cannot {doing}: found the disk full, expected room for one more page; free some space, then \
             start again", .path.display())]
    DiskFull { path: PathBuf, doing: &'static str, source: rusqlite::Error },

    /// A write failed before; what was to be recorded then is not known to be on disk.
    #[error("journal '{}': earlier write failed ({first}), expected none; nothing more is written until it is opened anew", .path.display())]
    EarlierWriteFailed { path: PathBuf, first: String },

    /// A record does not follow the last one.
    #[error("journal '{}', run {run}: found record {found}, expected {}; this is a fault of the program", .path.display(), .last + 1)]
    OutOfOrder { path: PathBuf, run: RunId, last: i64, found: i64 },

    /// The run is not in the journal.
    #[error("journal '{}': found no run {run}, expected one that is listed; 'sparehand log' lists them", .path.display())]
    UnknownRun { path: PathBuf, run: RunId },

    /// The record cannot be written so that it reads back the same.
    #[error("journal '{}': found {what}, expected a record that reads back as it was; this is a fault of the program", .path.display())]
    NotWritable { path: PathBuf, what: String },

    /// Anything else that SQLite reports.
    #[error("journal '{}': cannot {doing}: found '{source}', expected SQLite to do it; look at the disk and its connection, \
             then start again", .path.display())]
    Sqlite { path: PathBuf, doing: &'static str, source: rusqlite::Error },
}

impl JournalError {
    /// Sorts what SQLite reported while `doing` something into the kinds above.
    pub(super) fn of_sqlite(place: &Place, doing: &'static str, source: rusqlite::Error) -> Self {
        let path = place.path.clone();
        if is_damage(&source) {
            return Self::Damaged { path, what: source.to_string() };
        }
        match source.sqlite_error_code() {
            Some(ErrorCode::DiskFull) => Self::DiskFull { path, doing, source },
            Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => Self::HeldByAnother {
                path,
                holder: format!("still busy after {} ms", schema::BUSY_TIMEOUT.as_millis()),
            },
            Some(ErrorCode::ReadOnly | ErrorCode::PermissionDenied | ErrorCode::CannotOpen) => {
                Self::NoAccess { path, doing, source: io::Error::other(source) }
            }
            _ => Self::Sqlite { path, doing, source },
        }
    }

    /// Whether something was to be written and it is not known to be on disk. The others refuse a record before that.
    pub(super) fn is_failed_write(&self) -> bool {
        !matches!(self, Self::OutOfOrder { .. } | Self::UnknownRun { .. } | Self::NotWritable { .. })
    }
}
