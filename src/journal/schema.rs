//! The layout of the file, how it is made, and the settings that durability hangs on.

use std::fs::{self, File};
use std::io;
use std::path::Path;
use std::time::Duration;

use rusqlite::config::DbConfig;
use rusqlite::{Connection, OpenFlags};

use crate::journal::JournalError;
use crate::journal::files::Place;

/// Makes a new journal so that there is either none or a whole one at any moment.
pub(super) fn create(place: &Place) -> Result<(), JournalError> {
    let new = place.beside(".new");
    let no_access = |source| JournalError::NoAccess { path: place.path.clone(), doing: "make it", source };
    for ending in [".new", ".new-wal", ".new-shm", ".new-journal"] {
        match fs::remove_file(place.beside(ending)) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(no_access(error)),
            _ => {}
        }
    }
    fill(&new).map_err(|source| JournalError::of_sqlite(place, "make it", source))?;
    File::open(&new)
        .and_then(|file| file.sync_all())
        .and_then(|()| fs::rename(&new, &place.path))
        .and_then(|()| place.sync_folder())
        .map_err(no_access)
}

/// Opens a checked journal for writing, and sees to it that the settings took.
pub(super) fn open_to_write(place: &Place) -> Result<Connection, JournalError> {
    let of_sqlite = |source| JournalError::of_sqlite(place, "open it", source);
    let connection = open(&place.path, OpenFlags::SQLITE_OPEN_READ_WRITE).map_err(of_sqlite)?;
    let mode: String =
        connection.pragma_update_and_check(None, "journal_mode", "WAL", |row| row.get(0)).map_err(of_sqlite)?;
    for (name, value) in [("synchronous", 2), ("fullfsync", 1), ("checkpoint_fullfsync", 1), ("foreign_keys", 1)] {
        connection.pragma_update(None, name, value).map_err(of_sqlite)?;
        let took: i64 = connection.pragma_query_value(None, name, |row| row.get(0)).map_err(of_sqlite)?;
        if took != value {
            return Err(setting(place, name));
        }
    }
    if mode != "wal" {
        return Err(setting(place, "journal_mode"));
    }
    // From here on it may hold what an older program cannot read, and must not take for damage.
    connection.pragma_update(None, "user_version", VERSION).map_err(of_sqlite)?;
    Ok(connection)
}

/// Opens a connection that trusts nothing in the file but its rows.
pub(super) fn open(path: &Path, access: OpenFlags) -> rusqlite::Result<Connection> {
    let connection = Connection::open_with_flags(path, access | OpenFlags::SQLITE_OPEN_NO_MUTEX)?;
    connection.busy_timeout(BUSY_TIMEOUT)?;
    connection.set_db_config(DbConfig::SQLITE_DBCONFIG_DEFENSIVE, true)?;
    connection.set_db_config(DbConfig::SQLITE_DBCONFIG_TRUSTED_SCHEMA, false)?;
    connection.pragma_update(None, "cell_size_check", true)?;
    Ok(connection)
}

/// The tables and triggers of a journal, as SQLite lists them.
pub(super) fn listing(connection: &Connection) -> rusqlite::Result<Vec<(String, String, Option<String>)>> {
    connection
        .prepare("SELECT type, name, sql FROM sqlite_schema ORDER BY type, name")?
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?
        .collect()
}

/// What [`listing`] gives for an undamaged journal.
pub(super) fn expected_listing() -> rusqlite::Result<Vec<(String, String, Option<String>)>> {
    let connection = Connection::open_in_memory()?;
    connection.execute_batch(LAYOUT)?;
    listing(&connection)
}

fn fill(path: &Path) -> rusqlite::Result<()> {
    let connection = open(path, OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE)?;
    connection.pragma_update(None, "synchronous", 2)?;
    connection.pragma_update_and_check(None, "journal_mode", "WAL", |_| Ok(()))?;
    connection.execute_batch(&format!(
        "BEGIN IMMEDIATE; PRAGMA application_id = {APPLICATION_ID}; PRAGMA user_version = {VERSION}; {LAYOUT} COMMIT;"
    ))?;
    connection.close().map_err(|(_, error)| error)
}

fn setting(place: &Place, name: &'static str) -> JournalError {
    JournalError::NoAccess {
        path: place.path.clone(),
        doing: "set what keeps records safe",
        source: io::Error::other(format!("a file system on which '{name}' does not hold")),
    }
}

/// How long a call waits for another process that holds the file for a moment.
pub(super) const BUSY_TIMEOUT: Duration = Duration::from_millis(2_000);

/// Marks the file as ours in its header: "sprh" in ASCII.
pub(super) const APPLICATION_ID: i64 = 0x7370_7268;

/// The layout that this version writes; kept in the header as `user_version`. 2: who speaks at a station of their own is an event.
/// 3: how the rig stands, that nothing is to be done at a step today, and which stations come and go, are events.
pub(super) const VERSION: i64 = 3;

/// The oldest layout that is read, and gone on with: that of version 0.1. The tables are the same.
pub(super) const OLDEST: i64 = 1;

const LAYOUT: &str = "
CREATE TABLE run (
    id INTEGER PRIMARY KEY,
    routine TEXT NOT NULL,
    fingerprint TEXT NOT NULL,
    settings TEXT NOT NULL,
    started TEXT NOT NULL,
    rehearsal INTEGER NOT NULL CHECK (rehearsal IN (0, 1)),
    digest BLOB NOT NULL CHECK (length(digest) = 32)
) STRICT;
CREATE TABLE event (
    run INTEGER NOT NULL REFERENCES run (id),
    seq INTEGER NOT NULL CHECK (seq >= 0),
    at_ms INTEGER NOT NULL CHECK (at_ms >= 0),
    boot_id TEXT NOT NULL,
    boottime_ms INTEGER NOT NULL CHECK (boottime_ms >= 0),
    wall TEXT NOT NULL,
    kind TEXT NOT NULL,
    json TEXT NOT NULL,
    digest BLOB NOT NULL CHECK (length(digest) = 32),
    PRIMARY KEY (run, seq)
) STRICT, WITHOUT ROWID;
CREATE TABLE preference (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL,
    value TEXT NOT NULL,
    wall TEXT NOT NULL,
    digest BLOB NOT NULL CHECK (length(digest) = 32)
) STRICT;
CREATE INDEX preference_name ON preference (name, id);
CREATE TRIGGER run_is_kept BEFORE DELETE ON run BEGIN SELECT RAISE(ABORT, 'runs are never removed'); END;
CREATE TRIGGER run_is_fixed BEFORE UPDATE ON run BEGIN SELECT RAISE(ABORT, 'runs are never changed'); END;
CREATE TRIGGER event_is_kept BEFORE DELETE ON event BEGIN SELECT RAISE(ABORT, 'events are never removed'); END;
CREATE TRIGGER event_is_fixed BEFORE UPDATE ON event BEGIN SELECT RAISE(ABORT, 'events are never changed'); END;
CREATE TRIGGER event_is_new BEFORE INSERT ON event WHEN EXISTS (SELECT 1 FROM event WHERE run = NEW.run AND seq >= NEW.seq)
    BEGIN SELECT RAISE(ABORT, 'events are only added at the end'); END;
CREATE TRIGGER preference_is_kept BEFORE DELETE ON preference BEGIN SELECT RAISE(ABORT, 'preferences are never removed'); END;
CREATE TRIGGER preference_is_fixed BEFORE UPDATE ON preference BEGIN SELECT RAISE(ABORT, 'preferences are never changed'); END;
";
