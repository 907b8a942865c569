//! Writes down what was done, and gives it back unchanged: an append-only SQLite file.
//!
//! It takes events and stamps, and answers only once they are on disk. It reads no clock, decides nothing, and never
//! changes or removes what it once wrote. [`Journal`] writes, [`JournalReader`] only reads.
//!
//! # What is promised
//!
//! 1. When [`Journal::append`] has answered `Ok`, the record survives a killed program, a crashed system and a power cut.
//! 2. Records of a run are there in order and without holes: what is read back is always a beginning of what was appended.
//! 3. A record is whole or absent. What is read back is what was written, or an error; never something else.
//! 4. After the first failed write nothing more is written until the journal is opened anew.
//!
//! # What that rests on
//!
//! - `journal_mode = WAL`: a commit appends checksummed page images to the `-wal` file and ends with a commit mark. SQLite
//!   ignores everything behind the last mark whose checksums fit (sqlite.org/walformat.html, section 4.5).
//! - `synchronous = FULL`: in WAL mode the `-wal` file is synced after every commit, before the commit is answered
//!   (sqlite.org/pragma.html, `synchronous`). `NORMAL` would not do: it keeps the file sound but may lose the last commits.
//! - `fullfsync` and `checkpoint_fullfsync`: the same on systems where a plain sync does not reach the medium. No effect here.
//! - SQLite keeps no checksum of pages that have left the `-wal` file. Every row therefore carries a SHA-256 digest, and the
//!   digests of a run are chained, so that a flipped byte or a lost row is seen when it is read.
//! - The disk must keep what it has said it synced. A disk that lies can lose the last records; the chain cannot show that.
//! - The lock file needs a file system with working `flock`; a folder shared between machines may not have it.
//!
//! The settings are read back when the journal is opened: one that did not take is an error.
//!
//! # Crash points
//!
//! - *While the file is made.* It is made under another name (`.new`), closed, synced, renamed, and its folder synced. Before
//!   the rename there is no journal, after it a whole one. A leftover `.new` file is made anew. An empty file under the
//!   journal's own name is therefore damage, and so is a `-wal` file without its journal; neither is quietly started afresh.
//! - *While a record is appended, before its commit mark is in the `-wal` file.* The next opening ignores the torn end: the
//!   record is absent, and `append` had not answered. The program had not confirmed it aloud.
//! - *After the mark is written, before the sync has returned.* The record may be there or not. If it is there, it is what
//!   the person said. The same holds for an append whose sync failed: it was answered with an error, and may yet be found.
//! - *After `append` has answered.* The record is there.
//! - *While the `-wal` file is copied into the journal file.* SQLite syncs the `-wal` file before, and the journal file after
//!   it, and only then begins the `-wal` file anew: the copy is done again from the start.
//! - *Between [`Journal::begin_run`] and its first event.* A run without events; [`JournalReader::unfinished`] passes over it.
//! - *A byte changes or the file is cut while nobody looks.* Opening checks the whole file, before anything is opened for
//!   writing, and refuses; the file is left as it was found. A cut or damaged `-wal` file loses the records behind the
//!   damage: SQLite cannot tell it from a torn end. They are lost from the end only.
//!
//! # The layout number
//!
//! The header of the file keeps the number of the layout (`user_version`), which covers the tables and the form of the events
//! in them. It is raised when an older program could not read, or would misread, what a newer one writes: another table or
//! column, another kind of event, another meaning of a field. A field that may be absent needs none. A higher number than this
//! version's is refused with the advice to use the program that wrote the file; one that no version has written is damage.
//! A lower one is read as it is, and raised when the journal is opened for writing.
//! Real journals of every version that people have are kept in `tests/journal/fixtures`, and are read and gone on with.
//!
//! # One writer
//!
//! Only one program may carry on a run. [`Journal::open`] takes a lock on a file next to the journal, `<journal>.lock`. A
//! lock row in the database would stay behind after a crash, and no clock could tell whether its owner lives; the system
//! lets go of a file lock with the process. It is not the journal file itself, because closing any handle on that drops
//! SQLite's own locks. Readers take no lock: the log can be looked at while a run goes on.

mod digest;
mod error;
mod files;
#[cfg(test)]
mod full_disk_tests;
mod read;
mod record;
mod schema;

use std::path::Path;

use rusqlite::{Connection, ErrorCode, OptionalExtension, TransactionBehavior, params};

use self::digest::Digest;
use self::files::{Place, WriterLock};

pub use self::error::JournalError;
pub use self::read::JournalReader;
pub use self::record::{NewRun, Outcome, Purpose, Record, Rehearsals, RunId, RunSummary, Stamp, away_since};

/// The journal, open for writing. There is one per file on a machine at a time.
///
/// Everything that a [`JournalReader`] can do, it can do too.
#[derive(Debug)]
pub struct Journal {
    reader: JournalReader,
    /// What the first failed write said; from then on nothing is written.
    failed: Option<String>,
    /// Held as long as the journal is open. Declared last: the file is closed before the lock is let go.
    _lock: WriterLock,
}

impl Journal {
    /// Opens the journal at `path`, or makes it where there is none. The folder must exist.
    ///
    /// # Errors
    ///
    /// Where the folder cannot be written to, another program holds the journal, the file is no journal, is damaged, or was
    /// written by a newer version. The file is left as it was found in every one of these cases.
    pub fn open(path: &Path) -> Result<Self, JournalError> {
        let place = Place::resolve(path)?;
        let lock = WriterLock::take(&place)?;
        if place.is_absent()? {
            schema::create(&place)?;
        }
        read::check(&place)?;
        let connection = schema::open_to_write(&place)?;
        Ok(Self { reader: JournalReader::over(connection, place), failed: None, _lock: lock })
    }

    /// Begins a run. The first record of the run is appended after it.
    ///
    /// # Errors
    ///
    /// As [`Journal::append`].
    pub fn begin_run(&mut self, run: &NewRun) -> Result<RunId, JournalError> {
        self.write("begin a run", |connection, place| {
            let of_sqlite = |source| JournalError::of_sqlite(place, "begin a run", source);
            let id: i64 = connection
                .query_row("SELECT coalesce(max(id), 0) + 1 FROM run", [], |row| row.get(0))
                .map_err(of_sqlite)?;
            connection
                .execute(
                    "INSERT INTO run (id, routine, fingerprint, settings, started, rehearsal, digest) VALUES (?, ?, ?, ?, ?, ?, ?)",
                    params![
                        id,
                        run.routine,
                        run.fingerprint,
                        run.settings,
                        run.started,
                        run.purpose == Purpose::Rehearsal,
                        digest::of_run(RunId(id), run)
                    ],
                )
                .map_err(of_sqlite)?;
            Ok(RunId(id))
        })
    }

    /// Appends one record; it is on disk when this answers `Ok`.
    ///
    /// `seq` must be one more than that of the run's last record; the first one is free. Infinite scores and margins (a
    /// phrase without a runner-up) are written as the largest finite number.
    ///
    /// # Errors
    ///
    /// [`JournalError::OutOfOrder`], [`JournalError::UnknownRun`] and [`JournalError::NotWritable`] refuse the record and
    /// leave the journal usable. Any other is a failed write: from then on every write is answered with
    /// [`JournalError::EarlierWriteFailed`].
    pub fn append(&mut self, run: RunId, record: &Record) -> Result<(), JournalError> {
        self.append_keeping(run, record, &[])
    }

    /// Appends one record and keeps preferences of the person (voice speed, volume), each with its name: all of it, or nothing. The last value of a
    /// name counts.
    ///
    /// # Errors
    ///
    /// As [`Journal::append`].
    pub fn append_keeping(
        &mut self,
        run: RunId,
        record: &Record,
        preferences: &[(&str, String)],
    ) -> Result<(), JournalError> {
        self.write("append a record", |connection, place| {
            insert_event(connection, place, run, record)?;
            for (name, value) in preferences {
                insert_preference(connection, place, name, value, &record.stamp.wall)?;
            }
            Ok(())
        })
    }

    /// Keeps a preference of the person; the last value of a name counts.
    ///
    /// # Errors
    ///
    /// As [`Journal::append`].
    pub fn set_preference(&mut self, name: &str, value: &str, wall: &str) -> Result<(), JournalError> {
        self.write("keep a preference", |connection, place| insert_preference(connection, place, name, value, wall))
    }

    /// Runs `work` in one transaction that is on disk when this answers `Ok`, and latches the first failure.
    fn write<T>(
        &mut self,
        doing: &'static str,
        work: impl FnOnce(&Connection, &Place) -> Result<T, JournalError>,
    ) -> Result<T, JournalError> {
        let JournalReader { connection, place } = &mut self.reader;
        if let Some(first) = &self.failed {
            return Err(JournalError::EarlierWriteFailed { path: place.path.clone(), first: first.clone() });
        }
        let written: Result<T, JournalError> = (|| {
            let transaction = connection
                .transaction_with_behavior(TransactionBehavior::Immediate)
                .map_err(|source| JournalError::of_sqlite(place, doing, source))?;
            // Dropping the transaction on the way out of a failure rolls it back.
            let value = work(&transaction, place)?;
            transaction.commit().map_err(|source| JournalError::of_sqlite(place, doing, source))?;
            Ok(value)
        })();
        if let Err(error) = &written
            && error.is_failed_write()
        {
            self.failed = Some(error.to_string());
        }
        written
    }
}

impl std::ops::Deref for Journal {
    type Target = JournalReader;
    fn deref(&self) -> &JournalReader {
        &self.reader
    }
}

fn insert_event(connection: &Connection, place: &Place, run: RunId, record: &Record) -> Result<(), JournalError> {
    let row = record::Row::of(record).map_err(|what| JournalError::NotWritable { path: place.path.clone(), what })?;
    let of_sqlite = |source| JournalError::of_sqlite(place, "append a record", source);
    let last = last_link(connection, run).map_err(of_sqlite)?;
    let before = match last {
        None => run_digest(connection, run)
            .map_err(of_sqlite)?
            .ok_or_else(|| JournalError::UnknownRun { path: place.path.clone(), run })?,
        Some((seq, digest)) if seq.checked_add(1) == Some(row.seq) => digest,
        Some((seq, _)) => {
            return Err(JournalError::OutOfOrder { path: place.path.clone(), run, last: seq, found: row.seq });
        }
    };
    connection
        .prepare_cached(
            "INSERT INTO event (run, seq, at_ms, boot_id, boottime_ms, wall, kind, json, digest)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        )
        .and_then(|mut insert| {
            insert.execute(params![
                run.0,
                row.seq,
                row.at_ms,
                row.boot_id,
                row.boottime_ms,
                row.wall,
                row.kind,
                row.json,
                digest::of_event(&before, &row)
            ])
        })
        .map_err(of_sqlite)?;
    Ok(())
}

fn insert_preference(
    connection: &Connection,
    place: &Place,
    name: &str,
    value: &str,
    wall: &str,
) -> Result<(), JournalError> {
    connection
        .execute(
            "INSERT INTO preference (name, value, wall, digest) VALUES (?, ?, ?, ?)",
            params![name, value, wall, digest::of_preference(name, value, wall)],
        )
        .map_err(|source| JournalError::of_sqlite(place, "keep a preference", source))?;
    Ok(())
}

fn last_link(connection: &Connection, run: RunId) -> rusqlite::Result<Option<(i64, Digest)>> {
    connection
        .prepare_cached("SELECT seq, digest FROM event WHERE run = ? ORDER BY seq DESC LIMIT 1")?
        .query_row([run.0], |row| Ok((row.get(0)?, row.get(1)?)))
        .optional()
}

fn run_digest(connection: &Connection, run: RunId) -> rusqlite::Result<Option<Digest>> {
    connection.query_row("SELECT digest FROM run WHERE id = ?", [run.0], |row| row.get(0)).optional()
}

/// Whether SQLite found the file or its pages unsound, or a row holds what the layout does not allow.
fn is_damage(error: &rusqlite::Error) -> bool {
    use rusqlite::Error::{FromSqlConversionFailure, IntegralValueOutOfRange, InvalidColumnType, Utf8Error};
    matches!(error.sqlite_error_code(), Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase))
        || matches!(
            error,
            FromSqlConversionFailure(..) | IntegralValueOutOfRange(..) | InvalidColumnType(..) | Utf8Error(..)
        )
}
