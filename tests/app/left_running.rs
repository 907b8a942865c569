//! Clocks of hazards in runs that were broken off: what is known of them, and what is said.

use std::fs;
use std::path::Path;

use sparehand::engine::event::{Event, HeardAs};
use sparehand::journal::{Journal, NewRun, Purpose, Record, RunId, Stamp};
use sparehand::rig::Rig;
use sparehand::setup::left_running::{ClockLeft, LeftRunning, read, said};
use sparehand::units::SessionTime;

/// A run of a routine with these events, put into the journal.
pub fn run(journal: &mut Journal, routine: &str, purpose: Purpose, events: Vec<Event>) -> RunId {
    let new = NewRun {
        routine: routine.to_owned(),
        fingerprint: "of another day".to_owned(),
        settings: "{}".to_owned(),
        started: "2026-05-01T08:00:00Z".to_owned(),
        purpose,
    };
    let id = journal.begin_run(&new).unwrap();
    let begun = Event::RunStarted { routine: routine.to_owned(), fingerprint: "of another day".to_owned() };
    for (seq, event) in (0..).zip(std::iter::once(begun).chain(events)) {
        let stamp = Stamp { boot_id: "boot".to_owned(), boottime_ms: seq, wall: new.started.clone() };
        journal.append(id, &Record { seq, at: SessionTime::from_millis(seq), stamp, event }).unwrap();
    }
    id
}

fn begun(step: &str) -> Event {
    Event::ClockStarted { step: step.to_owned(), length_ms: 60_000, heard: HeardAs::Key }
}

fn ended(step: &str) -> Event {
    Event::ClockEnded { step: step.to_owned(), ran_ms: 60_000, heard: HeardAs::Key }
}

fn told(journal: &Journal, config: &Path, going_on: Option<RunId>) -> Vec<(RunId, ClockLeft)> {
    let left = read(journal, &Rig::default(), config, going_on).unwrap();
    left.into_iter().map(|LeftRunning { run, clock, .. }| (run, clock)).collect()
}

#[test]
fn a_clock_of_a_hazard_that_nobody_has_ended_is_told_of_whatever_run_is_begun() {
    let folder = tempfile::tempdir().unwrap();
    let mut journal = Journal::open(&folder.path().join("journal.sqlite")).unwrap();
    let real = Purpose::Real;
    let reopened = Event::StepsReopened { steps: vec!["rinse-water".to_owned()], because: "correction".to_owned() };
    let reinstated = Event::ClockReinstated { step: "rinse-water".to_owned() };
    let open = run(&mut journal, "tank-dump", real, vec![begun("rinse-water"), reopened]);
    let again = run(&mut journal, "tank-dump", real, vec![begun("rinse-water"), ended("rinse-water"), reinstated]);
    run(&mut journal, "tank-dump", real, vec![begun("rinse-water"), ended("rinse-water")]);
    run(&mut journal, "tank-dump", real, vec![begun("wash")]);
    run(&mut journal, "tank-dump", Purpose::Rehearsal, vec![begun("rinse-water")]);
    run(&mut journal, "tank-dump", real, vec![begun("rinse-water"), Event::RunAbandoned]);
    let rinse = || ClockLeft::Guards { name: "rinse water".to_owned(), alarm: "Shut the rinse tap.".to_owned() };
    assert_eq!(told(&journal, folder.path(), None), [(again, rinse()), (open, rinse())]);
    assert_eq!(told(&journal, folder.path(), Some(again)), [(open, rinse())]);
}

#[test]
fn of_a_routine_that_has_changed_or_no_longer_reads_the_step_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let mut journal = Journal::open(&folder.path().join("journal.sqlite")).unwrap();
    let gone = run(&mut journal, "tank-dump", Purpose::Real, vec![begun("old-rinse")]);
    let broken = run(&mut journal, "my-own", Purpose::Real, vec![begun("fill")]);
    fs::create_dir_all(folder.path().join("routines")).unwrap();
    fs::write(folder.path().join("routines/my-own.toml"), "title = ").unwrap();
    let unknown = |step: &str| ClockLeft::Unknown { step: step.to_owned() };
    assert_eq!(told(&journal, folder.path(), None), [(broken, unknown("fill")), (gone, unknown("old-rinse"))]);
    let text = said(&read(&journal, &Rig::default(), folder.path(), None).unwrap()).unwrap().unwrap();
    assert!(text.starts_with("Before anything else. A run of my own was broken off"), "{text}");
    assert!(text.contains("the clock of old rinse ran"), "{text}");
    assert_eq!(said(&[]).unwrap(), None);
}
