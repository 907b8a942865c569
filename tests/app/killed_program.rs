//! The whole program, killed at random moments and started again: what it said was taken is in the journal, and it goes on
//! from there to the end.

use std::io::Read;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use sparehand::engine::event::Event;
use sparehand::journal::JournalReader;

/// Runs that are killed again and again until they are through. `SPAREHAND_CASES` is the number of cases of every random play, 48 where it is not
/// set; a run takes as long as so many of the others. `SPAREHAND_SEED` is the seed of the first run, for one that failed.
#[test]
fn nothing_that_was_confirmed_aloud_is_missing_after_a_kill_and_the_run_goes_on() {
    let number = |name: &str| {
        let text = std::env::var(name).ok()?;
        Some(text.parse::<u32>().unwrap_or_else(|_| panic!("{name}: found '{text}', expected a whole number")))
    };
    let seed = number("SPAREHAND_SEED").unwrap_or_else(std::process::id);
    for run in 0..number("SPAREHAND_CASES").unwrap_or(CASES).div_ceil(CASES) {
        is_killed_until_it_is_through(seed.wrapping_add(run));
    }
}

const CASES: u32 = 48;

fn is_killed_until_it_is_through(seed: u32) {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("rig.toml"), "[tank_dump]\nrinse_s = 20\nlayer_s = 8\nrinses_most = 1\n")
        .unwrap();
    std::fs::write(folder.path().join("script.toml"), "work = 0.0\n").unwrap();
    println!("begin again with SPAREHAND_SEED={seed}");
    let mut random = seed;
    let mut said = String::new();
    for kills in 0..120 {
        random = random.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        // Long enough to start and say something, short enough to be cut off many times; longer and longer on a busy machine.
        let life = Duration::from_millis(1_500 + u64::from(random >> 16) % 2_500 + 30 * kills);
        let (output, killed) = live(folder.path(), life);
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

/// Lets the program live for so long; gives what it printed, and whether it had to be killed.
fn live(folder: &Path, life: Duration) -> (String, bool) {
    let mut child = Command::new(env!("CARGO_BIN_EXE_sparehand"))
        .args(["rehearse", "tank-dump", "--rig"])
        .arg(folder.join("rig.toml"))
        .arg("--script")
        .arg(folder.join("script.toml"))
        .arg("--out")
        .arg(folder.join("out"))
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut pipe = child.stdout.take().unwrap();
    let reading = std::thread::spawn(move || {
        let mut bytes = Vec::new();
        let _ = pipe.read_to_end(&mut bytes);
        String::from_utf8_lossy(&bytes).into_owned()
    });
    for _ in 0..life.as_millis() / 10 {
        if let Some(status) = child.try_wait().unwrap() {
            assert!(status.success());
            return (reading.join().unwrap(), false);
        }
        pause(Duration::from_millis(10));
    }
    child.kill().unwrap();
    child.wait().unwrap();
    (reading.join().unwrap(), true)
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
