//! A disk that fills up at the Nth page, against a plain list of what was answered with `Ok`. The limit is SQLite's own
//! `max_page_count`, which answers as a full disk does; it is not reachable from outside this module.

use crate::engine::event::Event;
use crate::journal::{Journal, JournalError, NewRun, Purpose, Record, Stamp};
use crate::units::SessionTime;

#[test]
fn a_full_disk_loses_no_answered_record_keeps_no_half_one_and_stops_all_later_writes() {
    for pages in 12..24 {
        check(pages);
    }
}

fn check(pages: u32) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = folder.path().join("journal.db");
    let mut journal = Journal::open(&path).expect("a new journal");
    let run = journal.begin_run(&new_run()).expect("a run");
    journal
        .reader
        .connection
        .pragma_update_and_check(None, "max_page_count", pages, |row| row.get::<_, u32>(0))
        .map(|took| assert_eq!(took, pages, "the file must not be larger already"))
        .expect("a limit");

    let mut answered = Vec::new();
    let mut failures = 0;
    for seq in 0..400 {
        let record = record(seq);
        match journal.append(run, &record) {
            Ok(()) => {
                assert_eq!(failures, 0, "{pages} pages: record {seq} was written after a failed write");
                answered.push(record);
            }
            Err(JournalError::DiskFull { .. }) => {
                assert_eq!(failures, 0, "{pages} pages: record {seq} was tried after a failed write");
                failures += 1;
            }
            Err(JournalError::EarlierWriteFailed { first, .. }) => {
                assert!(failures > 0 && first.contains("disk full"), "{first}");
                failures += 1;
            }
            Err(other) => panic!("{pages} pages, record {seq}: {other}"),
        }
    }
    assert!(failures > 1, "{pages} pages: the limit was never met");
    assert!(matches!(journal.begin_run(&new_run()), Err(JournalError::EarlierWriteFailed { .. })));
    assert!(matches!(journal.set_preference("speed", "1.0", ""), Err(JournalError::EarlierWriteFailed { .. })));
    assert_eq!(journal.events(run).expect("readable after a failed write"), answered);
    drop(journal);

    // Opened anew, with room again, it goes on after the last answered record.
    let mut journal = Journal::open(&path).expect("opened anew");
    assert_eq!(journal.events(run).expect("readable"), answered);
    let next = record(answered.len() as u64);
    journal.append(run, &next).expect("room again");
    answered.push(next);
    assert_eq!(journal.events(run).expect("readable"), answered);
}

fn new_run() -> NewRun {
    NewRun {
        routine: "tank-dump".to_owned(),
        fingerprint: "f".to_owned(),
        settings: "{}".to_owned(),
        started: "2026-05-01T08:00:00Z".to_owned(),
        purpose: Purpose::Real,
    }
}

fn record(seq: u64) -> Record {
    Record {
        seq,
        at: SessionTime::from_millis(seq * 1_000),
        stamp: Stamp { boot_id: "b".to_owned(), boottime_ms: seq * 1_000, wall: "2026-05-01T08:00:00Z".to_owned() },
        // Long enough that one record in about ten needs a new page.
        event: Event::StepSkipped { step: format!("step-{seq}"), reason: "r".repeat(300) },
    }
}
