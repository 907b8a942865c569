//! `sparehand plan` and `sparehand log --stats` from the command line, over a journal of past runs.

mod journal_support;

use std::path::Path;
use std::process::{Command, Output};

use journal_support::{new_run, voice};
use sparehand::app::past_runs::PastRuns;
use sparehand::engine::event::{Event, HeardAs};
use sparehand::journal::{Journal, JournalReader, Purpose, Record, Stamp};
use sparehand::units::SessionTime;

/// One step after the other: id, and seconds from the question to the answer.
type Steps<'a> = &'a [(&'a str, u64)];

fn journal(folder: &Path, runs: &[(Purpose, Vec<Event>, Vec<u64>)]) -> std::path::PathBuf {
    let path = folder.join("journal.sqlite");
    let mut journal = Journal::open(&path).unwrap();
    for (purpose, events, at_s) in runs {
        let run = journal.begin_run(&new_run("tank-dump", *purpose)).unwrap();
        for (seq, (event, at_s)) in (0..).zip(events.iter().zip(at_s)) {
            let stamp = Stamp {
                boot_id: "0f0e0d0c-0000-4000-8000-000000000001".to_owned(),
                boottime_ms: at_s * 1_000,
                wall: format!("2026-05-01T06:{:02}:{:02}Z", at_s / 60 % 60, at_s % 60),
            };
            let record = Record { seq, at: SessionTime::from_millis(at_s * 1_000), stamp, event: event.clone() };
            journal.append(run, &record).unwrap();
        }
    }
    path
}

fn run_of(purpose: Purpose, steps: Steps<'_>, end: Option<Event>) -> (Purpose, Vec<Event>, Vec<u64>) {
    let mut now = 0;
    let (mut events, mut at_s) =
        (vec![Event::RunStarted { routine: "tank-dump".into(), fingerprint: "5f2a".into() }], vec![0]);
    for (step, took) in steps {
        events.push(Event::StepOffered { step: (*step).to_owned() });
        at_s.push(now);
        now += took;
        events.push(Event::StepAnswered { step: (*step).to_owned(), answer: "x".into(), heard: HeardAs::Key });
        at_s.push(now);
    }
    events.extend(end);
    at_s.push(now);
    (purpose, events, at_s)
}

fn sparehand(home: &Path, args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_sparehand")).args(args).env("HOME", home).env("TZ", "UTC").output().unwrap()
}

fn said(output: &Output) -> String {
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout.clone()).unwrap()
}

#[test]
fn times_run_from_question_to_answer_without_standing_by_and_time_away() {
    let folder = tempfile::tempdir().unwrap();
    let step = |id: &str| id.to_owned();
    let events = vec![
        Event::StepOffered { step: step("gloves") },
        Event::StandingBy,
        Event::WentAhead,
        Event::StepOffered { step: step("gloves") },
        Event::StepAnswered { step: step("gloves"), answer: step("on"), heard: voice("gloves on", -0.5, 4.0) },
        Event::StepOffered { step: step("hose-rig") },
        Event::Resumed { away_ms: Some(5) },
        Event::StepAnswered { step: step("hose-rig"), answer: step("locked"), heard: HeardAs::Key },
        Event::StepOffered { step: step("rinse-water") },
        Event::ClockStarted { step: step("rinse-water"), length_ms: 300_000, heard: HeardAs::Key },
        Event::ClockEnded { step: step("rinse-water"), ran_ms: 290_000, heard: HeardAs::Key },
        Event::LoopedBack { step: step("rinse-clear"), back_to: step("rinse-shut"), round: 2, heard: HeardAs::Key },
        Event::StepSkipped { step: step("station"), reason: step("no water") },
    ];
    let at_s = vec![0, 10, 70, 71, 100, 100, 200, 260, 300, 310, 600, 620, 630];
    let rehearsed = run_of(Purpose::Rehearsal, &[("gloves", 9)], None);
    let path = journal(folder.path(), &[(Purpose::Real, events, at_s), rehearsed]);
    let past = PastRuns::read(&JournalReader::open(&path).unwrap()).unwrap();
    let deeds: Vec<(&str, f64)> = past.deeds.iter().map(|deed| (deed.step.as_str(), deed.took_s)).collect();
    assert_eq!(deeds, [("tank-dump/gloves", 40.0), ("tank-dump/rinse-water", 300.0)]);
    let count = past.loops["tank-dump/rinse-clear"];
    assert_eq!((count.asked, count.once_more), (1, 1));
    assert_eq!((past.skips[0].step.as_str(), past.skips[0].reason.as_str()), ("tank-dump/station", "no water"));
}

#[test]
fn a_plan_is_written_in_every_form_and_learns_from_the_journal() {
    let folder = tempfile::tempdir().unwrap();
    let home = folder.path();
    let finished = Event::RunCompleted { skipped: vec![] };
    let runs: Vec<_> =
        (0..6).map(|_| run_of(Purpose::Real, &[("hose-rig", 600), ("gloves", 60)], Some(finished.clone()))).collect();
    let path = journal(home, &runs);
    let (path, out) = (path.display().to_string(), home.join("out"));
    let args = ["plan", "--away-by", "10:00", "--date", "2030-05-02", "--routine", "tank-dump", "--person", "Rowan"];
    let text = said(&sparehand(home, &[&args[..], &["--journal", &path, "--out", out.to_str().unwrap()]].concat()));
    assert!(text.starts_with("To be away by 10:00, start at ") && text.contains("This goes by 6 past runs."), "{text}");
    for name in ["plan.txt", "plan.json", "plan.svg", "plan.html", "plan.ics"] {
        assert!(std::fs::metadata(out.join(name)).unwrap().len() > 100, "{name}");
    }
    let usual = |journal: Option<&str>| {
        let journal = journal.map(|path| ["--journal", path]).into_iter().flatten().collect::<Vec<_>>();
        let data: serde_json::Value =
            serde_json::from_str(&said(&sparehand(home, &[&args[..], &["--json"], &journal].concat()))).unwrap();
        let task = data["tasks"].as_array().unwrap().iter().find(|t| t["step"] == "tank-dump/hose-rig").unwrap();
        task["usual_s"].as_f64().unwrap()
    };
    let (new, learned) = (usual(None), usual(Some(&path)));
    assert_eq!(new, 180.0, "two minutes by the file, and half as long again for want of practice");
    assert!((450.0..=600.0).contains(&learned), "{learned}");
}

#[test]
fn a_run_under_way_is_told_to_be_late_and_none_under_way_is_an_error() {
    let folder = tempfile::tempdir().unwrap();
    let home = folder.path();
    let path = journal(home, &[run_of(Purpose::Real, &[("gloves", 60)], None)]).display().to_string();
    // Whatever time it is now, a minute past the same time tomorrow is not near: ask for a date long gone.
    let args = ["plan", "--away-by", "10:00", "--date", "2020-05-02", "--routine", "tank-dump", "--under-way"];
    let text = said(&sparehand(home, &[&args[..], &["--journal", &path]].concat()));
    assert!(text.starts_with("Late. 0 of 100") && text.contains("None is left out."), "{text}");
    let none = sparehand(home, &args);
    assert!(!none.status.success());
    assert!(String::from_utf8_lossy(&none.stderr).contains("under way"), "{none:?}");
}

#[test]
fn a_faulty_request_says_what_was_expected() {
    let folder = tempfile::tempdir().unwrap();
    let minutes = folder.path().join("minutes.toml");
    std::fs::write(&minutes, "\"tank-dump/gloves\" = [3, 2, 1]").unwrap();
    let minutes = minutes.to_str().unwrap();
    for (more, expected) in [
        (&["--person", "Rowan:cook"][..], "roles out of outside, inside, driver, spotter"),
        (&["--person", "Rowan", "--person", "Rowan"], "name everybody once"),
        (&["--routine", "no-such"], "no routine named 'no-such'"),
        (&["--minutes", minutes], "minutes above 0 in order"),
        (&["--light-from", "dawn"], "such as 6:40"),
        (&["--journal", "nowhere.sqlite"], "nowhere.sqlite"),
    ] {
        let output = sparehand(folder.path(), &[&["plan", "--away-by", "9:30"], more].concat());
        let error = String::from_utf8_lossy(&output.stderr).replace(['\n', '│'], " ");
        let error = error.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(!output.status.success() && error.contains(expected), "{more:?}: {error}");
    }
}

#[test]
fn the_account_of_past_runs_counts_times_trends_and_skips() {
    let folder = tempfile::tempdir().unwrap();
    let home = folder.path();
    let mut runs: Vec<_> = (0..7).map(|n| run_of(Purpose::Real, &[("gloves", 120 - 12 * n)], None)).collect();
    runs[2].1.push(Event::StepSkipped { step: "station".into(), reason: "no <b>water</b>".into() });
    runs[2].2.push(500);
    let path = journal(home, &runs).display().to_string();
    let page = home.join("page.html");
    let text = said(&sparehand(home, &["log", "--stats", "--journal", &path, "--page", page.to_str().unwrap()]));
    assert!(text.contains("7 runs, 0 finished"), "{text}");
    let gloves = text.lines().find(|line| line.starts_with("tank-dump/gloves")).unwrap();
    let cells: Vec<&str> = gloves.split_whitespace().collect();
    assert_eq!(cells[..8], ["tank-dump/gloves", "not", "named", "7", "1:24", "1:06", "-", "1:42"], "{gloves}");
    assert!(gloves.contains("quicker by"), "{gloves}");
    assert!(text.contains("no <b>water</b> (1)"), "{text}");
    let page = std::fs::read_to_string(page).unwrap();
    assert!(page.contains("no &lt;b&gt;water") && page.contains("<svg") && !page.contains("<b>water"));
}
