//! Hours of a run in accelerated sound: ear, voice and journal as they are, ten milliseconds after ten milliseconds. What is kept in memory and
//! in files does not grow, and clocks ring when the sound says that their time is over.

use std::collections::BTreeMap;
use std::fs;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Stdio};

use sparehand::engine::event::Event;
use sparehand::journal::{JournalReader, RunId};

use crate::rehearsal::rehearsal;

/// Every ten minutes somebody sets a clock of five, lets it ring, and asks how things stand.
const CYCLE: &str = "\
    [[turn]]\nafter_s = 60\nsay = 'clock five minutes'\n\
    [[turn]]\nafter_s = 8\nsay = 'yes'\n\
    [[turn]]\nafter_s = 330\nsay = 'clock off'\n\
    [[turn]]\nafter_s = 60\nsay = 'explain'\n\
    [[turn]]\nafter_s = 60\nsay = 'say again'\n\
    [[turn]]\nafter_s = 70\nsay = 'stand by'\n\
    [[turn]]\nafter_s = 12\nsay = 'go ahead'\n";
const CYCLE_MINUTES: f64 = 10.0;

/// Memory may grow by so much after the first ten minutes.
const MOST_MB: f64 = 5.0;
/// A clock may move by so much against the sound, from the first hour to the last.
const MOST_DRIFT_S: f64 = 0.1;

/// What the program has come to at a moment of session time.
struct Moment {
    hours: f64,
    memory_mb: f64,
    /// Bytes of each file below its folder.
    files: BTreeMap<String, u64>,
}

impl Moment {
    fn told(&self) -> String {
        let mb = |name: &str| {
            self.files.iter().filter(|(file, _)| file.contains(name)).map(|(_, bytes)| bytes).sum::<u64>() as f64 / 1e6
        };
        format!(
            "{:.2} h: {:.1} MB in memory; journal {:.3} MB, talk {:.3} MB, cache {:.3} MB",
            self.hours,
            self.memory_mb,
            mb("journal.sqlite"),
            mb("talk.txt"),
            mb("cache/")
        )
    }
}

#[test]
#[ignore = "eight hours of session time (SPAREHAND_SOAK_HOURS); ./check long runs it"]
fn a_run_of_many_hours_grows_in_its_journal_only_and_its_clocks_keep_the_time_of_the_sound() {
    let hours = std::env::var("SPAREHAND_SOAK_HOURS").map_or(8.0, |hours| hours.parse().expect("a number of hours"));
    let folder = tempfile::tempdir().unwrap();
    let seen = run(folder.path(), hours);
    let [first, .., last] = &seen[..] else { panic!("{} moments", seen.len()) };
    assert!(last.hours >= 0.95 * hours, "ended after {} h", last.hours);
    let grown = last.memory_mb - first.memory_mb;
    println!("memory after ten minutes {:.1} MB, at the end {:.1} MB", first.memory_mb, last.memory_mb);

    let out = folder.path().join("out");
    let sound = hound::WavReader::open(out.join("session.wav")).unwrap();
    let sounded_s = f64::from(sound.duration()) / RATE;
    let summary: serde_json::Value =
        serde_json::from_str(&fs::read_to_string(out.join("summary.json")).unwrap()).unwrap();
    let session_s = summary["simulated_s"].as_f64().unwrap();
    println!("{session_s} s of session time, {sounded_s} s of sound; computed in {} s", summary["took_s"]);
    let rang = alarms_after_their_time(&out);
    let (least, most) =
        rang.iter().fold((f64::MAX, f64::MIN), |(least, most), late| (least.min(*late), most.max(*late)));
    println!("{} alarms sound {least:.3} to {most:.3} s after their clock has run out", rang.len());

    assert!(grown <= MOST_MB, "memory grew by {grown} MB");
    assert!((sounded_s - session_s).abs() <= MOST_DRIFT_S, "{sounded_s} s of sound in {session_s} s");
    assert!(rang.len() as f64 >= 0.8 * hours * 60.0 / CYCLE_MINUTES, "only {} clocks could be measured", rang.len());
    assert!(most - least <= MOST_DRIFT_S, "clocks ring {least} to {most} s after their time");
    // Everything that is said has been said within the first hour; then nothing is made anew until the run is ended.
    let within = |least: f64| seen.iter().rev().find(|moment| moment.hours <= least).unwrap_or(first);
    let (warm, late) = (within(1.0), within(hours));
    for (name, bytes) in &late.files {
        let of_the_run = ["journal.sqlite", "talk.txt", "session.wav"].iter().any(|grows| name.contains(grows));
        assert!(
            of_the_run || warm.files.get(name) == Some(bytes),
            "{name}: {:?} bytes before, {bytes} now",
            warm.files.get(name)
        );
    }
}

/// Runs the program for so many hours of session time; gives what it came to every ten minutes of them.
fn run(folder: &Path, hours: f64) -> Vec<Moment> {
    let cycles = (hours * 60.0 / CYCLE_MINUTES).ceil() as usize;
    let end = "[[turn]]\nafter_s = 20\nsay = 'end the run'\n[[turn]]\nafter_s = 6\nsay = 'yes'\n";
    fs::write(folder.join("script.toml"), format!("{}{end}", CYCLE.repeat(cycles))).unwrap();
    fs::write(folder.join("rig.toml"), "").unwrap();
    let mut program = rehearsal(folder, "tank-dump")
        .env("XDG_CACHE_HOME", folder.join("cache"))
        .env("SPAREHAND_MODELS", sparehand::setup::places::Places::of_user().unwrap().models)
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let lines = BufReader::new(program.stdout.take().unwrap()).lines();
    let mut seen: Vec<Moment> = Vec::new();
    for line in lines.map_while(Result::ok) {
        let Some(hours) = hours_of(&line) else { continue };
        if hours * 60.0 >= CYCLE_MINUTES * (seen.len() + 1) as f64 {
            let moment = Moment { hours, memory_mb: memory_mb(&program), files: files(folder) };
            println!("{}", moment.told());
            seen.push(moment);
        }
    }
    let status = program.wait().unwrap();
    assert!(status.success(), "{status}");
    seen
}

/// The time that a line of the talk begins with, such as `[1:02:03.4]`.
fn hours_of(line: &str) -> Option<f64> {
    let time = line.strip_prefix('[')?.split_once(']')?.0;
    let seconds =
        time.split(':').try_fold(0.0, |before, part| part.parse::<f64>().ok().map(|part| before * 60.0 + part))?;
    Some(seconds / 3600.0)
}

/// Resident memory, in megabytes of 1,048,576 bytes.
fn memory_mb(program: &Child) -> f64 {
    let status = fs::read_to_string(format!("/proc/{}/status", program.id())).unwrap();
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:")).expect("it runs");
    line.trim().trim_end_matches(" kB").parse::<f64>().unwrap() / 1024.0
}

fn files(folder: &Path) -> BTreeMap<String, u64> {
    fn walk(root: &Path, folder: &Path, found: &mut BTreeMap<String, u64>) {
        for entry in fs::read_dir(folder).unwrap().map(Result::unwrap) {
            // One that is written under another name may be gone by now.
            let Ok(about) = entry.metadata() else { continue };
            if about.is_dir() {
                walk(root, &entry.path(), found);
            } else {
                found.insert(entry.path().strip_prefix(root).unwrap().display().to_string(), about.len());
            }
        }
    }
    let mut found = BTreeMap::new();
    walk(folder, folder, &mut found);
    found
}

/// For each clock that ran out: how long after its time, by the journal, the loudspeaker was heard, in seconds by the sound.
fn alarms_after_their_time(out: &Path) -> Vec<f64> {
    let journal = JournalReader::open(&out.join("journal.sqlite")).unwrap();
    let records = journal.events(RunId(1)).unwrap();
    let mut sound = hound::WavReader::open(out.join("session.wav")).unwrap();
    let ends = records.iter().filter_map(|record| match record.event.inner() {
        Event::TimerStarted { length_ms, .. } => Some((record.at.as_millis() + length_ms) as f64 / 1e3),
        _ => None,
    });
    let mut late = Vec::new();
    for end in ends {
        // Right of two channels is what the loudspeaker played.
        let from = ((end - QUIET_BEFORE_S) * RATE) as u32;
        sound.seek(from).unwrap();
        let window = (2.0 * (QUIET_BEFORE_S + 2.0) * RATE) as usize;
        let played: Vec<i16> = sound.samples::<i16>().take(window).map(Result::unwrap).skip(1).step_by(2).collect();
        let first = played.iter().position(|sample| sample.unsigned_abs() > LOUD);
        // Where something else is being said just then the alarm cannot be told from it.
        late.extend(first.map(|first| first as f64 / RATE - QUIET_BEFORE_S).filter(|late| *late > -0.05));
    }
    late
}

const RATE: f64 = 16_000.0;
const QUIET_BEFORE_S: f64 = 0.3;
const LOUD: u16 = 300;
