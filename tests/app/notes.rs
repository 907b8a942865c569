//! `sparehand notes`: what past runs leave to be said at steps.

use std::path::Path;
use std::process::{Command, Output};

use sparehand::engine::event::{Event, HeardAs, Remark};
use sparehand::journal::{Journal, JournalReader, NewRun, Purpose, Record, Stamp};
use sparehand::rig::RigState;
use sparehand::setup::remarks;
use sparehand::units::SessionTime;

fn notes(journal: &Path, args: &[&str]) -> Output {
    let home = journal.parent().unwrap();
    Command::new(env!("CARGO_BIN_EXE_sparehand"))
        .args(["notes", "--journal", journal.to_str().unwrap()])
        .args(args)
        .env("HOME", home)
        .env("XDG_CONFIG_HOME", home.join("config"))
        .env("XDG_DATA_HOME", home.join("data"))
        .output()
        .unwrap()
}

fn run(journal: &mut Journal, routine: &str, started: &str, purpose: Purpose, events: Vec<Event>) {
    let new = NewRun {
        routine: routine.to_owned(),
        fingerprint: "x".to_owned(),
        settings: "{}".to_owned(),
        started: started.to_owned(),
        purpose,
    };
    let id = journal.begin_run(&new).unwrap();
    let begun = Event::RunStarted { routine: routine.to_owned(), fingerprint: "x".to_owned() };
    for (seq, event) in (0..).zip(std::iter::once(begun).chain(events)) {
        let stamp = Stamp { boot_id: "b".to_owned(), boottime_ms: 1, wall: started.to_owned() };
        journal.append(id, &Record { seq, at: SessionTime::ZERO, stamp, event }).unwrap();
    }
}

fn note(step: &str, text: &str) -> Event {
    Event::NoteKept { step: step.to_owned(), text: text.to_owned(), wav: None }
}

fn answered(step: &str) -> Event {
    Event::StepAnswered { step: step.to_owned(), answer: "so".to_owned(), heard: HeardAs::Key }
}

fn other(step: &str, answer: &str) -> Event {
    Event::OtherStateHeard { step: step.to_owned(), answer: answer.to_owned(), heard: HeardAs::Key }
}

fn read(step: &str, value: i64) -> Event {
    Event::ReadingTaken {
        step: step.to_owned(),
        name: "left front".to_owned(),
        value,
        decimals: 0,
        unit: "p s i".to_owned(),
        least: 90,
        most: 110,
        settles: true,
        heard: HeardAs::Key,
    }
}

#[test]
fn notes_come_back_until_somebody_is_done_with_them() {
    let home = tempfile::tempdir().unwrap();
    let path = home.path().join("journal.sqlite");
    let mut journal = Journal::open(&path).unwrap();
    let first = "2026-10-04T15:00:00Z";
    run(
        &mut journal,
        "tank-dump",
        first,
        Purpose::Real,
        vec![note("grey-held", "it sticks"), note("gloves", "buy some")],
    );
    run(&mut journal, "tank-dump", first, Purpose::Rehearsal, vec![note("grey-held", "only practice")]);
    drop(journal);
    let shown = |args: &[&str]| String::from_utf8(notes(&path, args).stdout).unwrap();
    assert_eq!(shown(&[]), "  1  tank-dump/grey-held: it sticks\n  2  tank-dump/gloves: buy some\n");
    assert_eq!(shown(&["--done", "2"]), "  1  tank-dump/grey-held: it sticks\n");
    assert_eq!(shown(&["--json"]), "{\"note\":1,\"step\":\"tank-dump/grey-held\",\"text\":\"it sticks\"}\n");
    let refused = notes(&path, &["--done", "7"]);
    assert!(!refused.status.success() && String::from_utf8_lossy(&refused.stderr).contains("1 to 1"));
}

#[test]
fn before_the_first_run_there_are_no_notes_and_a_journal_that_is_named_must_be_there() {
    let home = tempfile::tempdir().unwrap();
    let notes = |args: &[&str]| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_sparehand"));
        command.arg("notes").args(args).env("HOME", home.path());
        for (name, folder) in [("XDG_CONFIG_HOME", "config"), ("XDG_DATA_HOME", "data"), ("XDG_CACHE_HOME", "cache")] {
            command.env(name, home.path().join(folder));
        }
        command.output().unwrap()
    };
    for (args, expected) in
        [(&[] as &[&str], "no notes; a note is taken in a run, by saying: note\n"), (&["--json"], "")]
    {
        let shown = notes(args);
        assert!(shown.status.success() && String::from_utf8_lossy(&shown.stdout) == expected, "{shown:?}");
    }
    let refused = notes(&["--done", "1"]);
    assert!(!refused.status.success() && String::from_utf8_lossy(&refused.stderr).contains("there are no notes"));
    let named = home.path().join("other.sqlite");
    assert!(!notes(&["--journal", named.to_str().unwrap()]).status.success());
}

#[test]
fn of_past_runs_the_newest_tells_what_had_to_be_put_right_and_what_was_read() {
    let home = tempfile::tempdir().unwrap();
    let path = home.path().join("journal.sqlite");
    let mut journal = Journal::open(&path).unwrap();
    let (older, newer) = ("2026-10-04T15:00:00Z", "2026-10-11T15:00:00Z");
    let put_right =
        vec![other("cap", "cap missing"), answered("cap"), other("tap", "running"), answered("tap"), read("tire", 101)];
    run(&mut journal, "tank-dump", older, Purpose::Real, put_right);
    run(&mut journal, "tank-dump", newer, Purpose::Real, vec![answered("tap"), read("tire", 98)]);
    drop(journal);
    let found = remarks::read(&JournalReader::open(&path).unwrap()).unwrap();
    let cap = Remark::PutRight { step: "tank-dump/cap".to_owned(), answer: "cap missing".to_owned() };
    assert!(found.contains(&cap), "{found:?}");
    assert_eq!(found.len(), 2, "the tap was right since: {found:?}");
    let tire = |remark: &&Remark| matches!(remark, Remark::Read { value: 98, on, .. } if on == "October 11");
    assert!(found.iter().any(|remark| tire(&remark)), "{found:?}");
}

#[test]
fn what_a_run_recalled_as_it_began_stands_for_all_runs_before_it() {
    let home = tempfile::tempdir().unwrap();
    // The same runs twice: as they are written, and with nothing recalled in any, for which every run has to be read.
    let (path, whole) = (home.path().join("journal.sqlite"), home.path().join("whole.sqlite"));
    let (mut journal, mut all) = (Journal::open(&path).unwrap(), Journal::open(&whole).unwrap());
    let done =
        |text: &str| Event::NoteDone { step: "tank-dump/cap".to_owned(), text: text.to_owned(), heard: HeardAs::Key };
    let runs = [
        vec![note("cap", "strap is frayed"), other("tap", "running"), answered("tap"), read("tire", 101)],
        vec![note("cap", "thread is dirty"), other("cap", "cap missing"), answered("cap"), read("tire", 98)],
        vec![done("strap is frayed"), answered("tap"), note("tap", "drips")],
        vec![note("cap", "new gasket"), note("cap", "thread is dirty"), read("jack", 7)],
        vec![answered("cap"), other("tap", "running")],
        vec![done("new gasket"), other("jack", "up"), answered("jack")],
    ];
    for (day, events) in runs.into_iter().enumerate() {
        let started = format!("2026-10-{:02}T15:00:00Z", day + 1);
        let remarks = remarks::read(&JournalReader::open(&path).unwrap()).unwrap();
        let recalled = if remarks.is_empty() {
            Event::RigRecalled { things: RigState::default() }
        } else {
            Event::RemarksRecalled { remarks }
        };
        run(&mut journal, "tank-dump", &started, Purpose::Real, [vec![recalled], events.clone()].concat());
        run(&mut all, "tank-dump", &started, Purpose::Real, events);
        let read = |path| remarks::read(&JournalReader::open(path).unwrap()).unwrap();
        assert_eq!(sorted(read(&path)), sorted(read(&whole)), "after {started}");
        assert!(!read(&path).is_empty());
    }
}

#[test]
fn runs_before_the_one_that_recalled_them_are_read_no_more() {
    let home = tempfile::tempdir().unwrap();
    let path = home.path().join("journal.sqlite");
    let mut journal = Journal::open(&path).unwrap();
    run(&mut journal, "tank-dump", "2026-10-01T15:00:00Z", Purpose::Real, vec![read("tire", 101)]);
    let read_all = remarks::read(&JournalReader::open(&path).unwrap()).unwrap();
    assert_eq!(read_all.len(), 1);
    let begun = vec![Event::RigRecalled { things: RigState::default() }, answered("cap")];
    run(&mut journal, "tank-dump", "2026-10-02T15:00:00Z", Purpose::Real, begun);
    assert_eq!(remarks::read(&JournalReader::open(&path).unwrap()).unwrap(), []);
}

fn sorted(remarks: Vec<Remark>) -> Vec<String> {
    let mut shown: Vec<String> = remarks.iter().map(|remark| format!("{remark:?}")).collect();
    shown.sort();
    shown
}

#[test]
fn without_any_note_it_is_said_so() {
    let home = tempfile::tempdir().unwrap();
    let path = home.path().join("journal.sqlite");
    drop(Journal::open(&path).unwrap());
    let listed = notes(&path, &[]);
    assert!(String::from_utf8_lossy(&listed.stdout).starts_with("no notes"), "{listed:?}");
    assert!(notes(&path, &["--json"]).stdout.is_empty());
}
