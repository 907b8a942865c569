//! Damaged, cut and foreign files: a clear error or the very records that were written; never a panic, never others, and the
//! file is left as it was found.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use crate::journal_support::{Dice, new_run, record};
use sparehand::journal::{Journal, JournalError, JournalReader, Purpose, Record, RunSummary};

type Contents = (Vec<RunSummary>, Vec<Vec<Record>>, Option<String>);

#[test]
fn a_flipped_bit_gives_an_error_or_the_true_records_and_leaves_the_file_alone() {
    let (folder, path) = closed_journal();
    let truth = contents(&path).unwrap();
    let sound = fs::read(&path).unwrap();
    let mut dice = Dice(7);
    let (mut refused, mut harmless) = (0, 0);
    // Every byte of the header and of the first page's tables, then anywhere.
    let places = (0..256).chain((0..1_200).map(|_| dice.roll(sound.len() as u64) as usize)).collect::<Vec<_>>();
    for place in places {
        let mut bytes = sound.clone();
        bytes[place] ^= 1 << dice.roll(8);
        restore(folder.path(), &path, &bytes);
        match contents(&path) {
            Ok(found) => {
                assert_eq!(found, truth, "a flip at byte {place} went unnoticed");
                harmless += 1;
            }
            Err(error) => {
                assert!(is_clear(&error), "byte {place}: {error}");
                refused += 1;
                // Reading must not write; opening to write must not either, when it refuses.
                assert_eq!(fs::read(&path).unwrap(), bytes, "byte {place}: the file was changed");
                if let Err(error) = Journal::open(&path) {
                    assert!(is_clear(&error), "byte {place}: {error}");
                    assert_eq!(fs::read(&path).unwrap(), bytes, "byte {place}: the file was changed");
                }
            }
        }
    }
    println!("{refused} flips refused, {harmless} in places that hold nothing, of a file of {} bytes", sound.len());
    assert!(refused > 600, "only {refused} flips were noticed, {harmless} not");
}

#[test]
fn a_cut_file_is_refused_and_left_alone() {
    let (folder, path) = closed_journal();
    let sound = fs::read(&path).unwrap();
    let mut dice = Dice(11);
    let cuts =
        (0..64).chain((0..sound.len()).step_by(512)).chain((0..100).map(|_| dice.roll(sound.len() as u64) as usize));
    for cut in cuts.collect::<Vec<_>>() {
        restore(folder.path(), &path, &sound[..cut]);
        for error in [Journal::open(&path).err(), JournalReader::open(&path).err()] {
            let error = error.unwrap_or_else(|| panic!("a file cut to {cut} bytes was taken for a journal"));
            assert!(is_clear(&error), "{cut} bytes: {error}");
        }
        assert_eq!(fs::read(&path).unwrap(), &sound[..cut], "{cut} bytes: the file was changed");
    }
}

/// What a power cut leaves of writes that were not yet synced.
#[test]
fn a_write_ahead_file_cut_anywhere_gives_a_beginning_of_the_records_and_goes_on_from_there() {
    let (folder, path, written) = open_journal_left_behind();
    let log = fs::read(beside(&path, "-wal")).unwrap();
    let file = fs::read(&path).unwrap();
    let mut dice = Dice(13);
    let mut last = 0;
    let mut cuts: Vec<usize> = (0..150).map(|_| dice.roll(log.len() as u64) as usize).chain([0, log.len()]).collect();
    cuts.sort_unstable();
    for cut in cuts {
        restore(folder.path(), &path, &file);
        fs::write(beside(&path, "-wal"), &log[..cut]).unwrap();
        let mut journal = Journal::open(&path).unwrap_or_else(|error| panic!("cut to {cut}: {error}"));
        let Some(run) = journal.runs().unwrap().pop() else {
            assert_eq!(last, 0, "cut to {cut}: the run is gone although a shorter file had it");
            continue;
        };
        let found = journal.events(run.id).unwrap();
        assert_eq!(found, written[..found.len()], "cut to {cut}");
        assert!(found.len() >= last, "cut to {cut}: a longer file gave fewer records");
        last = found.len();
        journal.append(run.id, &record(last as u64)).unwrap();
    }
    assert_eq!(last, written.len(), "the whole file gives all records");
}

#[test]
fn a_flipped_bit_in_the_write_ahead_file_loses_records_from_the_end_only() {
    let (folder, path, written) = open_journal_left_behind();
    let log = fs::read(beside(&path, "-wal")).unwrap();
    let file = fs::read(&path).unwrap();
    let mut dice = Dice(17);
    for _ in 0..150 {
        let place = dice.roll(log.len() as u64) as usize;
        let mut bytes = log.clone();
        bytes[place] ^= 1 << dice.roll(8);
        restore(folder.path(), &path, &file);
        fs::write(beside(&path, "-wal"), &bytes).unwrap();
        match Journal::open(&path) {
            Ok(journal) => {
                if let Some(run) = journal.runs().unwrap().pop() {
                    let found = journal.events(run.id).unwrap();
                    assert_eq!(found, written[..found.len()], "a flip at byte {place} of the -wal file");
                }
            }
            Err(error) => assert!(is_clear(&error), "byte {place}: {error}"),
        }
    }
}

#[test]
fn records_left_beside_a_missing_or_empty_journal_are_not_thrown_away() {
    let (folder, path, _) = open_journal_left_behind();
    let log = fs::read(beside(&path, "-wal")).unwrap();
    for missing in [true, false] {
        restore(folder.path(), &path, b"");
        if missing {
            fs::remove_file(&path).unwrap();
        }
        fs::write(beside(&path, "-wal"), &log).unwrap();
        let error = Journal::open(&path).unwrap_err();
        assert!(matches!(error, JournalError::Damaged { .. }), "{error}");
        assert_eq!(fs::read(beside(&path, "-wal")).unwrap(), log);
    }
}

#[test]
fn files_that_are_no_journal_are_named_as_what_they_are_and_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("journal.db");
    let read_error = |path: &Path| {
        let before = fs::read(path).ok();
        let error = Journal::open(path).unwrap_err();
        assert_eq!(fs::read(path).ok(), before, "{error}");
        assert!(is_clear(&error), "{error}");
        error.to_string().replace(&folder.path().canonicalize().unwrap().display().to_string(), "FOLDER")
    };

    fs::write(&path, "a letter, of more than a hundred bytes, so that it is long enough to have a header in it at all, which it has not").unwrap();
    insta::assert_snapshot!(read_error(&path), @"journal 'FOLDER/journal.db': found 'file is not a database', expected a sparehand journal; move the file away or choose another name");

    fs::remove_file(&path).unwrap();
    rusqlite::Connection::open(&path).unwrap().execute_batch("CREATE TABLE t (x); PRAGMA user_version = 9;").unwrap();
    insta::assert_snapshot!(read_error(&path), @"journal 'FOLDER/journal.db': found a database marked 0x00000000, expected a sparehand journal; move the file away or choose another name");

    let (_newer_folder, newer) = closed_journal();
    fs::copy(&newer, &path).unwrap();
    rusqlite::Connection::open(&path).unwrap().pragma_update(None, "user_version", 4).unwrap();
    insta::assert_snapshot!(read_error(&path), @"journal 'FOLDER/journal.db': found layout 4, expected 3 or older; use the newer sparehand that wrote it");

    fs::write(&path, "").unwrap();
    insta::assert_snapshot!(read_error(&path), @"journal 'FOLDER/journal.db': found damage (the file is empty), expected it as it was written; nothing was changed: copy the file and those beside it to a safe place, move them away, and begin a new journal");

    fs::remove_file(&path).unwrap();
    fs::create_dir(&path).unwrap();
    insta::assert_snapshot!(read_error(&path), @"journal 'FOLDER/journal.db': found a folder or device, expected a sparehand journal; move the file away or choose another name");

    let error = Journal::open(&folder.path().join("nowhere/journal.db")).unwrap_err().to_string();
    assert!(error.contains("cannot find the folder: found No such file or directory"), "{error}");
    let error = JournalReader::open(&folder.path().join("none.db")).unwrap_err();
    assert!(matches!(error, JournalError::Missing { .. }), "{error}");
}

#[test]
fn a_folder_that_may_not_be_written_to_is_named() {
    // A folder of the running system that refuses new files to everybody, the administrator too.
    let error = Journal::open(Path::new("/proc/self/journal.db")).unwrap_err();
    assert!(matches!(error, JournalError::NoAccess { .. }), "{error}");
    assert!(error.to_string().contains("cannot lock it"), "{error}");
}

fn is_clear(error: &JournalError) -> bool {
    let text = error.to_string();
    let kind = matches!(
        error,
        JournalError::Damaged { .. } | JournalError::NotAJournal { .. } | JournalError::NewerSchema { .. }
    );
    kind && text.contains("found ") && text.contains("expected ")
}

fn contents(path: &Path) -> Result<Contents, JournalError> {
    let journal = JournalReader::open(path)?;
    let runs = journal.runs()?;
    let events = runs.iter().map(|run| journal.events(run.id)).collect::<Result<_, _>>()?;
    Ok((runs, events, journal.preference("speed")?))
}

fn closed_journal() -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("journal.db");
    let mut journal = Journal::open(&path).unwrap();
    for purpose in [Purpose::Real, Purpose::Rehearsal, Purpose::Real] {
        let run = journal.begin_run(&new_run("tank-dump", purpose)).unwrap();
        for seq in 0..40 {
            journal.append(run, &record(seq)).unwrap();
        }
    }
    journal.set_preference("speed", "0.9", "2026-05-01T08:00:00Z").unwrap();
    drop(journal);
    assert!(!beside(&path, "-wal").exists(), "closing brings everything into the one file");
    (folder, path)
}

/// The files as a power cut would leave them: everything since the file was made is in the `-wal` file.
fn open_journal_left_behind() -> (tempfile::TempDir, PathBuf, Vec<Record>) {
    let (living, left) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let path = living.path().join("journal.db");
    let mut journal = Journal::open(&path).unwrap();
    let run = journal.begin_run(&new_run("tank-dump", Purpose::Real)).unwrap();
    let written: Vec<Record> = (0..40).map(record).collect();
    for record in &written {
        journal.append(run, record).unwrap();
    }
    // Another process copies: closing a second handle in this one would drop SQLite's locks.
    for ending in ["", "-wal"] {
        let status = Command::new("cp").arg(beside(&path, ending)).arg(left.path()).status().unwrap();
        assert!(status.success());
    }
    let path = left.path().join("journal.db");
    (left, path, written)
}

/// Puts the journal back to `bytes`, with nothing beside it.
fn restore(folder: &Path, path: &Path, bytes: &[u8]) {
    for entry in fs::read_dir(folder).unwrap() {
        fs::remove_file(entry.unwrap().path()).unwrap();
    }
    fs::write(path, bytes).unwrap();
}

fn beside(path: &Path, ending: &str) -> PathBuf {
    let mut path = path.to_owned().into_os_string();
    path.push(ending);
    path.into()
}
