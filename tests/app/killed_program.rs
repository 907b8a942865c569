//! The whole program, killed at random moments and started again: what it said was taken is in the journal, and it goes on
//! from there to the end.

use std::io::{BufRead, BufReader, Read};
use std::path::Path;
use std::process::Stdio;
use std::time::Duration;

use crate::random_play;
use crate::rehearsal::rehearsal;
use sparehand::engine::event::Event;
use sparehand::journal::JournalReader;

/// A run that is killed again and again until it is through takes as long as some fifty random plays.
#[test]
fn nothing_that_was_confirmed_aloud_is_missing_after_a_kill_and_the_run_goes_on() {
    let seed = random_play::seed() as u32;
    for run in 0..random_play::cases(CASES).div_ceil(CASES) {
        is_killed_until_it_is_through(seed.wrapping_add(run));
    }
}

const CASES: u32 = 48;

fn is_killed_until_it_is_through(seed: u32) {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("rig.toml"), "[tank_dump]\nrinse_s = 20\nlayer_s = 8\nrinses_most = 1\n")
        .unwrap();
    std::fs::write(folder.path().join("script.toml"), "work = 0.0\n").unwrap();
    let mut random = seed;
    let mut said = String::new();
    for kills in 0..120 {
        random = random.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        // Counted in lines, for those are as many on a busy machine; and a little later, between two of them.
        let life = Life { lines: random >> 16 & 31, more: Duration::from_millis(u64::from(random >> 21 & 127)) };
        let (output, killed) = live(folder.path(), &life);
        said += &output;
        let mut through = !killed;
        if JournalReader::open(&folder.path().join("out/journal.sqlite")).is_ok() {
            check(folder.path(), &said);
            // A kill may also fall between the last record and the end of the program.
            through |= matches!(events(folder.path()).last(), Some(Event::RunCompleted { .. }));
        }
        if through {
            assert!(kills >= 3, "only {kills} kills before it was through");
            let events = events(folder.path());
            let ends = events.iter().filter(|event| matches!(event, Event::RunCompleted { .. })).count();
            assert_eq!(ends, 1, "{said}");
            let resumed = events.iter().filter(|event| matches!(event, Event::Resumed { .. })).count();
            assert!(resumed >= 3, "resumed {resumed} times after {kills} kills");
            assert!(said.contains("We were at the tank dump") || said.contains("I was off"), "it says where it was");
            return;
        }
    }
    panic!("never came to the end in 120 starts:\n{said}");
}

/// When a program is killed: after it printed so many lines, and so much later.
struct Life {
    lines: u32,
    more: Duration,
}

/// Lets the program live for so long; gives what it printed, and whether it had to be killed.
fn live(folder: &Path, life: &Life) -> (String, bool) {
    let mut child = rehearsal(folder, "tank-dump").stdout(Stdio::piped()).spawn().unwrap();
    let mut pipe = BufReader::new(child.stdout.take().unwrap());
    let mut said = String::new();
    for _ in 0..life.lines {
        if pipe.read_line(&mut said).unwrap() == 0 {
            assert!(child.wait().unwrap().success(), "{said}");
            return (said, false);
        }
    }
    let reading = std::thread::spawn(move || {
        pipe.read_to_string(&mut said).unwrap();
        said
    });
    pause(life.more);
    let ended = child.try_wait().unwrap();
    child.kill().unwrap();
    child.wait().unwrap();
    let said = reading.join().unwrap();
    assert!(ended.is_none_or(|status| status.success()), "{said}");
    (said, ended.is_none())
}

/// All that is on record. A run that was killed before its first record is begun anew; only one ever holds any.
fn events(folder: &Path) -> Vec<Event> {
    let journal = JournalReader::open(&folder.join("out/journal.sqlite")).unwrap();
    let runs: Vec<_> = journal.runs().unwrap().into_iter().filter(|run| run.records > 0).collect();
    assert!(runs.len() <= 1, "{} runs with records", runs.len());
    let records = runs.first().map(|run| journal.events(run.id).unwrap());
    records.into_iter().flatten().map(|record| record.event).collect()
}

/// Every answer that the program said back, and every step that it asked for, is in the journal.
fn check(folder: &Path, said: &str) {
    let events = events(folder);
    let mut answers: Vec<String> = Vec::new();
    for event in &events {
        if let Event::StepAnswered { answer, .. } = event {
            answers.push(answer.to_lowercase());
        }
    }
    let spoken: Vec<String> = said
        .lines()
        .filter_map(|line| line.split_once("] program: "))
        .map(|(_, text)| text.split('.').next().unwrap_or_default().to_lowercase())
        .collect();
    for state in [
        "black closed",
        "black open",
        "gray closed",
        "gray open",
        "hose locked",
        "hose seated",
        "pressure off",
        "cap on",
    ] {
        let aloud = spoken.iter().filter(|text| *text == state).count();
        let kept = answers.iter().filter(|answer| *answer == state).count();
        assert!(aloud <= kept, "'{state}' was confirmed {aloud} times, and is in the journal {kept} times\n{said}");
    }
    let offered = events.iter().filter(|event| matches!(event, Event::StepOffered { .. })).count();
    let asked = said.matches("] step: ").count();
    assert!(asked <= offered, "{asked} steps asked for, {offered} in the journal");
}

#[allow(clippy::disallowed_methods, reason = "the moment of the kill is real time")]
fn pause(span: Duration) {
    std::thread::sleep(span);
}
