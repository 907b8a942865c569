//! What is appended is read back the same, in order, and nothing that was written can be changed or removed.

use crate::journal_support::{KINDS, at, event_of_kind, kind_number, new_run, record, voice};
use proptest::prelude::*;
use proptest::test_runner::TestRunner;
use sparehand::engine::event::{Event, HeardAs};
use sparehand::journal::{Journal, JournalError, JournalReader, Outcome, Purpose, Record, Rehearsals, RunId};
use sparehand::units::SessionTime;

#[test]
fn every_kind_of_event_reads_back_as_it_was_written() {
    let folder = tempfile::tempdir().unwrap();
    let mut journal = Journal::open(&folder.path().join("journal.db")).unwrap();
    for kind in 0..KINDS {
        let run = journal.begin_run(&new_run("r", Purpose::Real)).unwrap();
        let (mut seq, mut written) = (0, Vec::new());
        let mut runner = TestRunner::new(ProptestConfig { cases: 24, failure_persistence: None, ..Default::default() });
        let strategy = (event_of_kind(kind), 0..=i64::MAX as u64, any::<String>());
        let journal = std::cell::RefCell::new(&mut journal);
        let state = std::cell::RefCell::new((&mut seq, &mut written));
        runner
            .run(&strategy, |(event, ms, text)| {
                assert_eq!(kind_number(&event), kind);
                let (seq, written) = &mut *state.borrow_mut();
                let mut record = at(**seq, event);
                record.at = SessionTime::from_millis(ms);
                record.stamp.boottime_ms = ms;
                record.stamp.boot_id.clone_from(&text);
                record.stamp.wall = text;
                journal.borrow_mut().append(run, &record).unwrap();
                **seq += 1;
                written.push(record);
                Ok(())
            })
            .unwrap();
        assert_eq!(journal.borrow().events(run).unwrap(), *state.borrow().1);
    }
}

#[test]
fn a_margin_without_a_runner_up_is_kept_as_the_largest_finite_number() {
    let (_folder, mut journal, run) = journal_with(&[]);
    let event = |margin| Event::StepAnswered {
        step: "s".to_owned(),
        answer: "a".to_owned(),
        heard: voice("done", -1.0, margin),
    };
    journal.append(run, &at(0, event(f32::INFINITY))).unwrap();
    assert_eq!(journal.events(run).unwrap()[0].event, event(f32::MAX));
}

#[test]
fn a_score_that_is_no_number_is_refused_and_the_journal_stays_usable() {
    let (_folder, mut journal, run) = journal_with(&[]);
    let nan = Event::ClockEnded { step: "s".to_owned(), ran_ms: 1, heard: voice("done", f32::NAN, 1.0) };
    let refused = journal.append(run, &at(0, nan)).unwrap_err();
    assert!(matches!(refused, JournalError::NotWritable { .. }), "{refused}");
    let speed = Event::VoiceChanged { speed: f32::NAN, volume_db: 0.0 };
    assert!(matches!(journal.append(run, &at(0, speed)), Err(JournalError::NotWritable { .. })));
    journal.append(run, &record(0)).unwrap();
    assert_eq!(journal.events(run).unwrap(), [record(0)]);
}

#[test]
fn a_record_out_of_order_is_refused_and_the_journal_stays_usable() {
    let (_folder, mut journal, run) = journal_with(&[record(0), record(1)]);
    for wrong in [0, 1, 3, 9] {
        let refused = journal.append(run, &record(wrong)).unwrap_err();
        assert!(matches!(refused, JournalError::OutOfOrder { last: 1, .. }), "{refused}");
    }
    journal.append(run, &record(2)).unwrap();
    assert_eq!(journal.events(run).unwrap(), [record(0), record(1), record(2)]);
}

#[test]
fn a_run_that_does_not_exist_is_named_in_the_error() {
    let (_folder, mut journal, _) = journal_with(&[]);
    assert!(matches!(journal.append(RunId(7), &record(0)), Err(JournalError::UnknownRun { run: RunId(7), .. })));
    assert!(journal.events(RunId(7)).unwrap_err().to_string().contains("found no run 7"));
}

#[test]
fn the_database_itself_refuses_to_change_or_remove_what_is_written() {
    let (folder, mut journal, _) = journal_with(&[record(0), record(1), record(2)]);
    journal.set_preference("speed", "1.1", "w").unwrap();
    drop(journal);
    let raw = rusqlite::Connection::open(folder.path().join("journal.db")).unwrap();
    for (statement, refusal) in [
        ("UPDATE event SET json = '{}' WHERE seq = 1", "events are never changed"),
        ("DELETE FROM event WHERE seq = 2", "events are never removed"),
        ("DELETE FROM event", "events are never removed"),
        (
            "INSERT OR REPLACE INTO event SELECT run, 1, at_ms, boot_id, boottime_ms, wall, kind, '{}', digest FROM event WHERE seq = 1",
            "events are only added at the end",
        ),
        ("UPDATE run SET routine = 'x'", "runs are never changed"),
        ("DELETE FROM run", "runs are never removed"),
        ("UPDATE preference SET value = '9'", "preferences are never changed"),
        ("DELETE FROM preference", "preferences are never removed"),
    ] {
        let answer = raw.execute(statement, []).unwrap_err().to_string();
        assert!(answer.contains(refusal), "{statement}: {answer}");
    }
}

#[test]
fn an_edited_record_is_noticed_although_the_file_is_sound() {
    let (folder, journal, run) = journal_with(&[record(0), record(1), record(2)]);
    drop(journal);
    let path = folder.path().join("journal.db");
    let raw = rusqlite::Connection::open(&path).unwrap();
    let trigger: String =
        raw.query_row("SELECT sql FROM sqlite_schema WHERE name = 'event_is_fixed'", [], |row| row.get(0)).unwrap();
    raw.execute_batch(
        "DROP TRIGGER event_is_fixed; UPDATE event SET json = replace(json, 'closed', 'opened') WHERE seq = 1;",
    )
    .unwrap();
    raw.execute_batch(&trigger).unwrap();
    drop(raw);
    let error = JournalReader::open(&path).unwrap().events(run).unwrap_err();
    assert!(error.to_string().contains("run 1, record 1 does not fit its digest"), "{error}");
}

/// What is on disk is never told as something that is not: the voice that is remembered is written with the event, or neither is.
#[test]
fn a_preference_that_cannot_be_kept_leaves_no_record_of_what_it_came_with() {
    let (folder, mut journal, run) = journal_with(&[record(0)]);
    let loud = [("voice volume, dB", "3".to_owned())];
    journal.append_keeping(run, &record(1), &loud).unwrap();
    assert_eq!(journal.preference("voice volume, dB").unwrap().as_deref(), Some("3"));
    let path = folder.path().join("journal.db");
    let broken = "CREATE TRIGGER full BEFORE INSERT ON preference BEGIN SELECT RAISE(ABORT, 'no room'); END";
    rusqlite::Connection::open(path).unwrap().execute_batch(broken).unwrap();
    let quiet = [("voice volume, dB", "-3".to_owned())];
    assert!(journal.append_keeping(run, &record(2), &quiet).is_err());
    assert_eq!(journal.events(run).unwrap().len(), 2);
    assert_eq!(journal.preference("voice volume, dB").unwrap().as_deref(), Some("3"));
}

#[test]
fn the_latest_run_that_has_begun_and_not_ended_is_found() {
    let (_folder, mut journal, first) = journal_with(&[record(0)]);
    let mut begin = |routine, purpose, records: &[Record]| {
        let run = journal.begin_run(&new_run(routine, purpose)).unwrap();
        records.iter().for_each(|record| journal.append(run, record).unwrap());
        run
    };
    begin("tank-dump", Purpose::Real, &[record(0), at(1, Event::RunCompleted { skipped: vec![] })]);
    begin("tank-dump", Purpose::Real, &[record(0), at(1, Event::RunAbandoned)]);
    begin("tank-dump", Purpose::Real, &[]);
    let rehearsal = begin("tank-dump", Purpose::Rehearsal, &[record(0), record(1)]);
    let other = begin("hitch", Purpose::Real, &[record(0)]);

    let found = |routine, rehearsals| journal.unfinished(routine, rehearsals).unwrap().map(|summary| summary.id);
    assert_eq!(found("tank-dump", Rehearsals::LeftOut), Some(first));
    assert_eq!(found("tank-dump", Rehearsals::Included), Some(rehearsal));
    assert_eq!(found("hitch", Rehearsals::LeftOut), Some(other));
    assert_eq!(found("nowhere", Rehearsals::Included), None);
    let all: Vec<RunId> = journal.all_unfinished().unwrap().into_iter().map(|summary| summary.id).collect();
    assert_eq!(all, [other, first]);
}

#[test]
fn the_account_of_a_run_tells_where_it_stopped_and_what_was_left_out() {
    let step = |step: &str| step.to_owned();
    let skip = |name: &str| Event::StepSkipped { step: step(name), reason: "no water".to_owned() };
    let events = [
        Event::StepOffered { step: step("a") },
        skip("a"),
        skip("b"),
        Event::StepsReopened { steps: vec![step("a")], because: "correction".to_owned() },
        Event::StepOffered { step: step("c") },
        skip("c"),
        Event::StepAnswered { step: step("c"), answer: "done".to_owned(), heard: HeardAs::Key },
    ];
    let records: Vec<Record> = events.into_iter().zip(0..).map(|(event, seq)| at(seq, event)).collect();
    let (_folder, mut journal, run) = journal_with(&records);
    let account = journal.run(run).unwrap();
    assert_eq!((account.outcome, account.last_step.as_deref()), (Outcome::Unfinished, Some("c")));
    assert_eq!(account.skipped, ["b"]);
    assert_eq!(account.last.map(|(at, _)| at), Some(SessionTime::from_millis(9_000)));

    journal.append(run, &at(7, Event::RunCompleted { skipped: vec![step("b"), step("x")] })).unwrap();
    let account = journal.run(run).unwrap();
    assert_eq!((account.outcome, account.records), (Outcome::Completed, 8));
    assert_eq!(account.skipped, ["b", "x"]);
    assert_eq!(journal.runs().unwrap(), [account]);
}

#[test]
fn the_last_value_of_a_preference_counts() {
    let (folder, mut journal, _) = journal_with(&[]);
    assert_eq!(journal.preference("speed").unwrap(), None);
    for (name, value) in [("speed", "1.0"), ("volume", "-3"), ("speed", "0.8")] {
        journal.set_preference(name, value, "2026-05-01T08:00:00Z").unwrap();
    }
    drop(journal);
    let journal = Journal::open(&folder.path().join("journal.db")).unwrap();
    assert_eq!(journal.preference("speed").unwrap().as_deref(), Some("0.8"));
    assert_eq!(journal.preference("volume").unwrap().as_deref(), Some("-3"));
}

#[test]
fn a_second_writer_is_refused_by_name_while_readers_may_look() {
    let (folder, mut journal, run) = journal_with(&[record(0)]);
    let path = folder.path().join("journal.db");
    let refused = Journal::open(&path).unwrap_err();
    assert!(matches!(refused, JournalError::HeldByAnother { .. }), "{refused}");
    assert!(refused.to_string().contains(&format!("process {}", std::process::id())), "{refused}");

    let link = folder.path().join("link.db");
    std::os::unix::fs::symlink(&path, &link).unwrap();
    assert!(matches!(Journal::open(&link), Err(JournalError::HeldByAnother { .. })), "by another name");

    let reader = JournalReader::open(&path).unwrap();
    assert_eq!(reader.events(run).unwrap(), [record(0)]);
    journal.append(run, &record(1)).unwrap();
    assert_eq!(reader.events(run).unwrap(), [record(0), record(1)], "a reader sees what was appended since");
    drop(journal);
    Journal::open(&path).unwrap();
}

fn journal_with(records: &[Record]) -> (tempfile::TempDir, Journal, RunId) {
    let folder = tempfile::tempdir().unwrap();
    let mut journal = Journal::open(&folder.path().join("journal.db")).unwrap();
    let run = journal.begin_run(&new_run("tank-dump", Purpose::Real)).unwrap();
    for record in records {
        journal.append(run, record).unwrap();
    }
    (folder, journal, run)
}
