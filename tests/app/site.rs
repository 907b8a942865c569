//! `sparehand site`: how the rig stands, between runs.

use std::path::Path;
use std::process::{Command, Output};

use sparehand::engine::event::{Event, HeardAs};
use sparehand::journal::{Journal, NewRun, Purpose, Record, Stamp};
use sparehand::units::SessionTime;

fn site(home: &Path, args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_sparehand"))
        .arg("site")
        .args(args)
        .env("HOME", home)
        .env("XDG_CONFIG_HOME", home.join("config"))
        .env("XDG_DATA_HOME", home.join("data"))
        .env("XDG_CACHE_HOME", home.join("cache"))
        .output()
        .unwrap()
}

fn json(home: &Path) -> serde_json::Value {
    let shown = site(home, &["--json"]);
    assert!(shown.status.success(), "{}", String::from_utf8_lossy(&shown.stderr));
    serde_json::from_slice(&shown.stdout).unwrap()
}

#[test]
fn how_the_rig_stands_is_told_shown_and_kept() {
    let home = tempfile::tempdir().unwrap();
    assert_eq!(json(home.path())["mains"], "unknown", "nobody has said anything yet");
    assert!(site(home.path(), &["mains=out", "own-mat=out"]).status.success());
    assert!(site(home.path(), &["mains=away"]).status.success());
    let shown = json(home.path());
    assert_eq!((&shown["mains"], &shown["own-mat"]), (&"away".into(), &"out".into()));
    let text = String::from_utf8(site(home.path(), &[]).stdout).unwrap();
    assert!(text.lines().any(|line| line.starts_with("shore power ") && line.contains("not connected")), "{text}");
}

#[test]
fn a_thing_that_nobody_knows_is_refused_with_those_that_there_are() {
    let home = tempfile::tempdir().unwrap();
    for wrong in ["main=away", "mains=on", "mains"] {
        let refused = site(home.path(), &[wrong]);
        let told = String::from_utf8_lossy(&refused.stderr).replace(['\n', '│', ' '], "");
        assert!(!refused.status.success() && told.contains("mains=away") && told.contains("sewer"), "{told}");
    }
    assert_eq!(json(home.path())["mains"], "unknown");
}

/// By a journal of a program that knew nothing of it: its answers tell.
#[test]
fn how_the_rig_stands_follows_from_past_answers_and_rehearsals_tell_nothing() {
    let home = tempfile::tempdir().unwrap();
    std::fs::create_dir_all(home.path().join("data/sparehand")).unwrap();
    let mut journal = Journal::open(&home.path().join("data/sparehand/journal.sqlite")).unwrap();
    let plugged =
        |step: &str| Event::StepAnswered { step: step.to_owned(), answer: "plug home".to_owned(), heard: HeardAs::Key };
    let rehearsed = |step: &str| Event::Rehearsed { event: Box::new(plugged(step)) };
    for (purpose, event) in [(Purpose::Real, plugged("plugged")), (Purpose::Rehearsal, rehearsed("sewer-seated"))] {
        let new = NewRun {
            routine: "arrive".to_owned(),
            fingerprint: "x".to_owned(),
            settings: "{}".to_owned(),
            started: "2026-05-01T08:00:00Z".to_owned(),
            purpose,
        };
        let run = journal.begin_run(&new).unwrap();
        let begun = Event::RunStarted { routine: "arrive".to_owned(), fingerprint: "x".to_owned() };
        for (seq, event) in (0..).zip([begun, event]) {
            let stamp = Stamp { boot_id: "b".to_owned(), boottime_ms: 1, wall: "2026-05-01T08:00:00Z".to_owned() };
            journal.append(run, &Record { seq, at: SessionTime::ZERO, stamp, event }).unwrap();
        }
    }
    drop(journal);
    let shown = json(home.path());
    assert_eq!((&shown["mains"], &shown["sewer"]), (&"out".into(), &"unknown".into()));
}
