//! `sparehand log --html` without a number.

use std::fs;
use std::path::Path;
use std::process::{Command, Output};

use sparehand::engine::event::Event;
use sparehand::journal::{Journal, NewRun, Purpose, Record, Stamp};
use sparehand::units::SessionTime;

#[test]
fn a_page_without_a_number_is_that_of_the_latest_run() {
    let folder = tempfile::tempdir().unwrap();
    let journal = folder.path().join("journal.sqlite");
    let empty = page(folder.path(), &journal, "none.html");
    assert!(!empty.status.success());
    run(&journal, "tank-dump");
    run(&journal, "arrive");
    let output = page(folder.path(), &journal, "page.html");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let written = fs::read_to_string(folder.path().join("page.html")).unwrap();
    assert!(written.contains("Arriving"), "the second run, and not the first one:\n{written}");
    assert!(!folder.path().join("none.html").exists());
}

#[test]
fn a_journal_without_any_run_has_no_page_and_says_so() {
    let folder = tempfile::tempdir().unwrap();
    let journal = folder.path().join("journal.sqlite");
    Journal::open(&journal).unwrap();
    let output = page(folder.path(), &journal, "page.html");
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(!output.status.success() && said.contains("no run in it"), "{said}");
}

fn run(journal: &Path, routine: &str) {
    let mut journal = Journal::open(journal).unwrap();
    let run = NewRun {
        routine: routine.to_owned(),
        fingerprint: "any".to_owned(),
        settings: "{}".to_owned(),
        started: "2026-05-01T08:00:00+02:00".to_owned(),
        purpose: Purpose::Real,
    };
    let id = journal.begin_run(&run).unwrap();
    let event = Event::RunStarted { routine: routine.to_owned(), fingerprint: "any".to_owned() };
    let stamp = Stamp { boot_id: "boot".to_owned(), boottime_ms: 0, wall: run.started.clone() };
    journal.append(id, &Record { seq: 0, at: SessionTime::ZERO, stamp, event }).unwrap();
}

fn page(folder: &Path, journal: &Path, name: &str) -> Output {
    Command::new(env!("CARGO_BIN_EXE_sparehand"))
        .args(["log", "--html", "--out"])
        .arg(folder.join(name))
        .arg("--journal")
        .arg(journal)
        .output()
        .unwrap()
}
