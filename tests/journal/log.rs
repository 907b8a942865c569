//! The log, as people and as programs see it.

use crate::journal_support::{KINDS, at, event_of_kind, kind_number, new_run, voice};
use crate::world::english;
use insta::assert_snapshot;
use jiff::tz::TimeZone;
use proptest::strategy::{Strategy, ValueTree};
use proptest::test_runner::TestRunner;
use sparehand::cli::log_lines::{Form, LogError, list, show};
use sparehand::engine::event::{Event, HeardAs};
use sparehand::journal::{Journal, JournalError, Purpose, RunId};

#[test]
fn the_list_tells_when_how_long_and_how_each_run_ended() {
    let (_folder, journal) = example();
    assert_snapshot!(listed(&journal, Form::Text), @r#"
    run  began              lasted  routine           ended
      1  2026-05-01 08:00     0:20  tank-dump         finished, 1 skipped
      2  2026-05-01 08:00     0:06  tank-dump         stopped at black-open, 1 skipped, rehearsal
      3  2026-05-01 08:00     0:03  tank-dump         ended early at hose-tight, 0 skipped
      4  2026-05-01 08:00     0:00  tank-dump         stopped before its first step, 0 skipped
    "#);
}

#[test]
fn the_list_for_programs_has_one_object_a_line() {
    let (_folder, journal) = example();
    assert_snapshot!(listed(&journal, Form::Json), @r#"
    {"run":1,"routine":"tank-dump","fingerprint":"5f2a","started":"2026-05-01T08:00:00+02:00[Europe/Berlin]","rehearsal":false,"lasted_ms":19500,"outcome":"completed","stopped_at":null,"skipped":["gloves"],"overridden":[],"records":14}
    {"run":2,"routine":"tank-dump","fingerprint":"5f2a","started":"2026-05-01T08:00:00+02:00[Europe/Berlin]","rehearsal":true,"lasted_ms":6000,"outcome":"unfinished","stopped_at":"black-open","skipped":["gloves"],"overridden":[],"records":5}
    {"run":3,"routine":"tank-dump","fingerprint":"5f2a","started":"2026-05-01T08:00:00+02:00[Europe/Berlin]","rehearsal":false,"lasted_ms":3000,"outcome":"abandoned","stopped_at":"hose-tight","skipped":[],"overridden":[],"records":3}
    {"run":4,"routine":"tank-dump","fingerprint":"5f2a","started":"2026-05-01T08:00:00+02:00[Europe/Berlin]","rehearsal":false,"lasted_ms":0,"outcome":"unfinished","stopped_at":null,"skipped":[],"overridden":[],"records":0}
    "#);
}

/// Nobody finished what somebody took on themselves to leave.
#[test]
fn a_run_that_was_overridden_is_listed_with_what_was_open_and_not_as_finished() {
    let folder = tempfile::tempdir().unwrap();
    let mut journal = Journal::open(&folder.path().join("journal.db")).unwrap();
    let run = journal.begin_run(&new_run("tank-dump", Purpose::Real)).unwrap();
    let open: Vec<String> = (0..29).map(|step| format!("step-{step}")).collect();
    let overridden = Event::Overridden { open: open.clone(), person: String::new(), heard: HeardAs::Key };
    for (seq, event) in (0..).zip([overridden, Event::RunCompleted { skipped: vec![] }]) {
        journal.append(run, &at(seq, event)).unwrap();
    }
    let text = listed(&journal, Form::Text);
    assert!(text.contains("overridden, 29 open") && !text.contains("finished"), "{text}");
    let text = shown(&journal, run, Form::Text);
    assert!(text.lines().nth(1).unwrap().contains("overridden, 29 open"), "{text}");
    let line: serde_json::Value = serde_json::from_str(&listed(&journal, Form::Json)).unwrap();
    assert_eq!((&line["outcome"], &line["overridden"]), (&"overridden".into(), &open.into()));
}

#[test]
fn a_run_is_shown_with_answers_scores_clocks_and_skips() {
    let (_folder, journal) = example();
    assert_snapshot!(shown(&journal, RunId(1), Form::Text), @r#"
    run 1: tank-dump, began 2026-05-01 08:00
    lasted 0:20, finished, 1 skipped

      0:00.0              run of tank-dump began, text 5f2a
      0:01.5  hose-tight  asked
      0:03.0  hose-tight  answered "tight", heard "hose tight" (score -0.50, margin 4.25)
      0:04.5  gloves      skipped, because "have none"
      0:06.0  black-open  asked
      0:07.5  black-open  not as wanted: "closed", by key
      0:09.0  rinse       clock of 3:00 started, heard "valve open" and asked back (score -2.12, margin 0.75)
      0:10.5              went on after a time away that nobody knows
      0:12.0  rinse       clock ran out
      0:13.5  rinse       clock ended after 3:05, heard "rinse off" (score -0.25, margin none to measure)
      0:15.0  runs-clear  no: back to rinse, round 2, by key
      0:16.5              open again, because "not clear": rinse, runs-clear
      0:18.0              not ready, still open: cap-on
      0:19.5              run finished, skipped: gloves
    "#);
}

#[test]
fn a_run_for_programs_has_one_object_a_line_with_the_event_as_it_is_kept() {
    let (_folder, journal) = example();
    let lines = shown(&journal, RunId(1), Form::Json);
    assert_snapshot!(lines.lines().nth(2).unwrap(), @r#"
    {"run":1,"seq":2,"at_ms":3000,"wall":"2026-05-01T06:00:02Z","boot_id":"0f0e0d0c-0000-4000-8000-000000000001","boottime_ms":1003000,"event":{"kind":"step_answered","step":"hose-tight","answer":"tight","heard":{"by":"voice","phrase":"hose tight","score":-0.5,"margin":4.25}}}
    "#);
    let events: Vec<Event> = lines
        .lines()
        .map(|line| serde_json::from_str::<serde_json::Value>(line).unwrap())
        .map(|line| serde_json::from_value(line["event"].clone()).unwrap())
        .collect();
    assert_eq!(events, run_to_the_end());
}

#[test]
fn every_kind_of_event_makes_one_line_without_control_characters() {
    let folder = tempfile::tempdir().unwrap();
    let mut journal = Journal::open(&folder.path().join("journal.db")).unwrap();
    let run = journal.begin_run(&new_run("all", Purpose::Real)).unwrap();
    let mut runner = TestRunner::deterministic();
    for kind in 0..KINDS {
        let event = event_of_kind(kind).new_tree(&mut runner).unwrap().current();
        assert_eq!(kind_number(&event), kind);
        journal.append(run, &at(kind as u64, event)).unwrap();
    }
    assert_eq!(shown(&journal, run, Form::Json).lines().count(), KINDS);
    let text = shown(&journal, run, Form::Text);
    assert_eq!(text.lines().count(), KINDS + 3, "two lines of heading and an empty one\n{text}");
    assert!(text.split('\n').all(|line| !line.contains(char::is_control)), "{text}");
}

#[test]
fn an_empty_journal_and_an_unknown_run_say_so() {
    let folder = tempfile::tempdir().unwrap();
    let journal = Journal::open(&folder.path().join("journal.db")).unwrap();
    assert_eq!(listed(&journal, Form::Text), "no runs yet\n");
    assert_eq!(listed(&journal, Form::Json), "");
    let error = show(&mut Vec::new(), &journal, RunId(4), Form::Text, &TimeZone::UTC, &english()).unwrap_err();
    assert!(matches!(error, LogError::Journal(JournalError::UnknownRun { run: RunId(4), .. })), "{error}");
}

fn run_to_the_end() -> Vec<Event> {
    let step = |step: &str| step.to_owned();
    let asked_back = HeardAs::VoiceConfirmed { phrase: "valve open".to_owned(), score: -2.125, margin: 0.75 };
    vec![
        Event::RunStarted { routine: step("tank-dump"), fingerprint: step("5f2a") },
        Event::StepOffered { step: step("hose-tight") },
        Event::StepAnswered { step: step("hose-tight"), answer: step("tight"), heard: voice("hose tight", -0.5, 4.25) },
        Event::StepSkipped { step: step("gloves"), reason: step("have none") },
        Event::StepOffered { step: step("black-open") },
        Event::OtherStateHeard { step: step("black-open"), answer: step("closed"), heard: HeardAs::Key },
        Event::ClockStarted { step: step("rinse"), length_ms: 180_000, heard: asked_back },
        Event::Resumed { away_ms: None },
        Event::ClockRanOut { step: step("rinse") },
        Event::ClockEnded { step: step("rinse"), ran_ms: 185_400, heard: voice("rinse off", -0.25, f32::MAX) },
        Event::LoopedBack { step: step("runs-clear"), back_to: step("rinse"), round: 2, heard: HeardAs::Key },
        Event::StepsReopened { steps: vec![step("rinse"), step("runs-clear")], because: step("not clear") },
        Event::GateHeld { open: vec![step("cap-on")] },
        Event::RunCompleted { skipped: vec![step("gloves")] },
    ]
}

fn example() -> (tempfile::TempDir, Journal) {
    let folder = tempfile::tempdir().unwrap();
    let mut journal = Journal::open(&folder.path().join("journal.db")).unwrap();
    let mut add = |purpose, events: Vec<Event>| {
        let run = journal.begin_run(&new_run("tank-dump", purpose)).unwrap();
        for (seq, event) in (0..).zip(events) {
            journal.append(run, &at(seq, event)).unwrap();
        }
    };
    add(Purpose::Real, run_to_the_end());
    add(Purpose::Rehearsal, run_to_the_end().into_iter().take(5).collect());
    add(Purpose::Real, run_to_the_end().into_iter().take(2).chain([Event::RunAbandoned]).collect());
    add(Purpose::Real, vec![]);
    (folder, journal)
}

fn listed(journal: &Journal, form: Form) -> String {
    let mut out = Vec::new();
    list(&mut out, journal, form, &TimeZone::fixed(jiff::tz::offset(2))).unwrap();
    String::from_utf8(out).unwrap()
}

fn shown(journal: &Journal, run: RunId, form: Form) -> String {
    let mut out = Vec::new();
    show(&mut out, journal, run, form, &TimeZone::fixed(jiff::tz::offset(2)), &english()).unwrap();
    String::from_utf8(out).unwrap()
}
