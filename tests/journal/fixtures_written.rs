//! Writes the journals that are kept of a version: real runs of every routine, every card and the whole move, by people who do what they are
//! asked, stray, break off and come back. Once for each version whose journals people have:
//!
//! `SPAREHAND_KEEP=FOLDER cargo test --release --test journal -- --ignored writes_the_journals_that_are_kept`

use std::collections::BTreeMap;
use std::fs;
use std::io::Write;
use std::path::Path;
use std::time::Duration;

use crate::fixtures::{
    KeptRun, Later, NAMES, Texts, asked, condition, finish, gone_on_with, outcome, rebuilt, since_boot,
};
use crate::journal_support::Dice;
use crate::world::{World, cast, english};
use sparehand::engine::event::Event;
use sparehand::engine::input::{Certainty, Input, Key};
use sparehand::engine::output::{PhraseClass, VoiceSettings};
use sparehand::engine::{AskedFor, Crew, Engine};
use sparehand::journal::{Journal, NewRun, Outcome, Purpose, Record, RunId, Stamp};

/// A run that is to be kept.
struct Wanted {
    about: &'static str,
    crew: Crew,
    purpose: Purpose,
    seed: u64,
    play: Play,
}

/// What the people do.
#[derive(Clone, Copy)]
enum Play {
    /// What they are asked, to the end.
    Straight,
    /// This many turns, some of which stray, then to the end.
    Stray(u64),
    /// This many turns, some of which stray; there it is broken off.
    BreakOff(u64),
    /// As asked until a hazard's clock runs, and some seconds more.
    HazardRuns,
    /// As the last, then ended, which turns out to be a mistake.
    HazardReinstated,
    /// "No" as often as it may be said, then to the end.
    NoAndNo,
    /// "No", which turns out to be a mistake; broken off there.
    NoTakenBack,
    /// An answer, a long pause, and the section is gone through again; broken off after that.
    LongPause,
    /// Up to a step that everybody must answer, which one has.
    OneOfTwo,
    /// The card's words at once, this many answers; then to the end, or broken off.
    Card(usize, Ends),
    /// The gate at once, and over what is open.
    Override,
    /// Ended by the person after some answers.
    EndEarly,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Ends {
    ToTheEnd,
    BrokenOff,
}

#[test]
#[ignore = "writes files that are made once for each version"]
fn writes_the_journals_that_are_kept() {
    let folder = std::env::var_os("SPAREHAND_KEEP").expect("SPAREHAND_KEEP names the folder to write to");
    let folder = Path::new(&folder);
    fs::create_dir_all(folder).unwrap();
    let texts = present_texts();
    let zipped: Vec<(&str, &[u8])> = texts.0.iter().map(|(name, text)| (name.as_str(), text.as_bytes())).collect();
    zip_up(&folder.join("texts.zip"), &zipped);
    for (number, name) in (0..).zip(NAMES) {
        write(folder, &texts, name, number);
    }
}

fn write(folder: &Path, texts: &Texts, name: &str, number: u64) {
    let of_card = cast::CARDS.iter().position(|card| *card == name);
    let routine = if of_card.is_some() { "stop" } else { name };
    let rig_name = match name {
        // Only there is a car in tow.
        "car-in-tow" | "car-out-of-tow" | "stuck-slide" | "tank-dump" => cast::RIGS[0],
        _ => cast::RIGS[number as usize % cast::RIGS.len()],
    };
    let rig = texts.rig(rig_name);
    let scratch = tempfile::tempdir().unwrap();
    let path = scratch.path().join("journal.sqlite");
    let config = scratch.path().join("config");
    fs::create_dir_all(config.join("routines")).unwrap();
    fs::write(config.join("routines").join(format!("{OWN}.toml")), OWN_TEXT).unwrap();
    let mut journal = Journal::open(&path).unwrap();
    let mut kept = Vec::new();
    for wanted in wanted(name, of_card, number * 1_000) {
        let job = texts.job(routine, &rig);
        let shipped = sparehand::setup::prompts::job(routine, &rig, &config).unwrap();
        assert_eq!(job.routine.fingerprint, shipped.routine.fingerprint, "{name}: as the program itself reads it");
        let mut engine = Engine::of_move(job, english(), VoiceSettings::default()).with_crew(wanted.crew);
        if wanted.purpose == Purpose::Rehearsal {
            engine = engine.rehearsing();
        }
        let mut world = World::around(engine).begin();
        play(&mut world, wanted.play, wanted.seed);
        let run = keep(&mut journal, &world, routine, &rig, wanted.purpose, kept.len());
        let records = journal.events(run).unwrap();
        let summary = journal.run(run).unwrap();
        let job = || texts.job(routine, &rig);
        let later = |later| {
            let broken_off = summary.outcome == Outcome::Unfinished;
            broken_off.then(|| asked(&gone_on_with(job(), &records, later)))
        };
        println!("{name}: {}, {} records, {:?}", wanted.about, records.len(), summary.outcome);
        kept.push(KeptRun {
            about: wanted.about.to_owned(),
            routine: routine.to_owned(),
            rig: rig_name.to_owned(),
            outcome: outcome(summary.outcome),
            records: records.len(),
            condition: condition(&rebuilt(job(), &records)),
            asked_a_minute_later: later(Later::AMinute),
            asked_some_time_later: later(Later::Unknown),
        });
    }
    drop(journal);
    zip_up(&folder.join(format!("{name}.zip")), &[("journal.sqlite", &fs::read(&path).unwrap())]);
    fs::write(folder.join(format!("{name}.json")), serde_json::to_string_pretty(&kept).unwrap() + "\n").unwrap();
}

/// The runs of one journal.
fn wanted(name: &str, of_card: Option<usize>, seed: u64) -> Vec<Wanted> {
    let run = |about, crew, purpose, play| Wanted { about, crew, purpose, seed: seed + about.len() as u64, play };
    let (real, rehearsed) = (Purpose::Real, Purpose::Rehearsal);
    if let Some(card) = of_card {
        return vec![
            run("a card, then to the end", cast::two(true), real, Play::Card(card, Ends::ToTheEnd)),
            run("broken off in the middle of a card", cast::two(false), real, Play::Card(card, Ends::BrokenOff)),
            run("broken off in a card, alone", cast::alone(false), real, Play::Card(card, Ends::BrokenOff)),
        ];
    }
    if name == OWN {
        return vec![
            run("finished by two who know it", cast::two(true), real, Play::Straight),
            run("broken off where one of two has answered", cast::two(true), real, Play::OneOfTwo),
            run("broken off where a section is gone through again", cast::alone(true), real, Play::LongPause),
        ];
    }
    let mut runs = vec![
        run("finished by two who know it", cast::two(true), real, Play::Straight),
        run("finished, with straying, by two who are new to it", cast::two(false), real, Play::Stray(50)),
        run("broken off early, alone", cast::alone(false), real, Play::BreakOff(8)),
        run("broken off later, by two", cast::two(true), real, Play::BreakOff(36)),
        run("a rehearsal, broken off", cast::two(false), rehearsed, Play::BreakOff(20)),
    ];
    match name {
        "tank-dump" => runs.extend([
            run("broken off while a hazard's clock runs", cast::alone(true), real, Play::HazardRuns),
            run("broken off while a hazard's clock runs again", cast::alone(true), real, Play::HazardReinstated),
            run("no, as often as it may be said", cast::alone(true), real, Play::NoAndNo),
            run("broken off after a no that was taken back", cast::alone(true), real, Play::NoTakenBack),
            run("a rehearsal, finished", cast::alone(false), rehearsed, Play::Straight),
        ]),
        "stop" => runs.push(run("ended over what is open", cast::alone(true), real, Play::Override)),
        "arrive" => runs.push(run("ended early", cast::alone(true), real, Play::EndEarly)),
        _ => {}
    }
    runs
}

fn play(world: &mut World, play: Play, seed: u64) {
    let mut dice = Dice(seed);
    match play {
        Play::Straight => assert!(finish(world), "never ends"),
        Play::Stray(turns) => {
            stray(world, &mut dice, turns);
            assert!(finish(world), "never ends; asked {:?}, open {:?}", asked(world), cast::open(world));
        }
        Play::BreakOff(turns) => stray(world, &mut dice, turns),
        Play::HazardRuns => {
            to_the_hazard(world);
            world.pass_s(20);
        }
        Play::HazardReinstated => {
            to_the_hazard(world);
            world.pass_s(30);
            world.press(Key::ClockOver);
            world.pass_s(5);
            world.press(Key::Correction);
            world.pass_s(10);
            assert!(world.events().iter().any(|event| matches!(event, Event::ClockReinstated { .. })));
        }
        Play::NoAndNo => {
            for _ in 0..2_000 {
                if world.ended {
                    return;
                }
                if asks_yes_or_no(world) { world.press(Key::Other) } else { cast::answer_one(world) }
            }
            panic!("never ends");
        }
        Play::NoTakenBack => {
            until(world, asks_yes_or_no);
            world.press(Key::Other);
            world.press(Key::Correction);
            assert!(world.events().iter().any(|event| matches!(event, Event::LoopUndone { .. })));
        }
        Play::LongPause => {
            world.press(Key::Confirm);
            world.press(Key::StandBy);
            world.pass_s(3_600);
            world.press(Key::GoAhead);
            assert!(world.last_said().contains("this section again"), "{}", world.last_said());
            world.press(Key::Confirm);
            world.press(Key::Confirm);
            assert!(world.events().iter().any(|event| matches!(event, Event::StepChecked { .. })));
        }
        Play::OneOfTwo => {
            until(world, |world| world.events().iter().any(|event| matches!(event, Event::Agreed { .. })))
        }
        Play::Card(card, ends) => {
            cast::answer_one(world);
            let start = world.engine.job().parts.iter().filter(|part| !part.start.is_empty()).nth(card).unwrap().start
                [0]
            .clone();
            world.hear(&start);
            cast::answer_one(world);
            if ends == Ends::ToTheEnd {
                assert!(finish(world), "never ends");
            }
        }
        Play::Override => {
            world.press(Key::AreWeReady);
            world.hear("override i take it on me");
            assert!(world.ended, "{:?}", world.last_said());
        }
        Play::EndEarly => {
            (0..4).for_each(|_| cast::answer_one(world));
            world.press(Key::EndRun);
            for _ in 0..3 {
                if !world.ended {
                    world.press(Key::Confirm);
                }
            }
            assert!(world.ended, "{:?}", world.last_said());
        }
    }
}

/// Everybody does what is asked of them until it is so.
fn until(world: &mut World, is_so: impl Fn(&World) -> bool) {
    for _ in 0..400 {
        if is_so(world) {
            return;
        }
        cast::answer_one(world);
    }
    panic!("it never came to that");
}

fn to_the_hazard(world: &mut World) {
    until(world, |world| world.engine.state().hazard(world.engine.job()).is_some());
}

fn asks_yes_or_no(world: &World) -> bool {
    cast::asked(world).iter().any(|(_, asked)| matches!(asked.kind, AskedFor::YesOrNo { .. }))
}

/// Mostly what is asked; else what may be said besides, keys, notes, pauses, troubles and restarts.
fn stray(world: &mut World, dice: &mut Dice, turns: u64) {
    for turn in 0..turns {
        if world.ended {
            return;
        }
        if world.engine.state().standing_by {
            world.press(Key::GoAhead);
        }
        match dice.roll(24) {
            0 => world.press(Key::Skip),
            1 => world.press(Key::Correction),
            2 => cast::take_note(world, "the left lamp is cracked"),
            3 => world.pass_s(dice.roll(200)),
            4 => world.tell(Input::SpeechUnclear),
            5 => {
                world.tell(Input::HearingLost);
                world.pass_s(7);
                world.tell(Input::HearingBack);
            }
            6 if turn > 3 => cast::restart(world, Some(Duration::from_secs(dice.roll(600)))),
            7 if turn > 3 => cast::restart(world, None),
            8 => world.press(Key::Explain),
            9 => world.press(Key::Other),
            10 => world.press(Key::NotYet),
            11 => world.press(Key::Slower),
            12..15 => anything(world, dice),
            _ => cast::answer_one(world),
        }
        world.quiet();
    }
}

/// A phrase that may be said, but none that ends the run or begins a card.
fn anything(world: &mut World, dice: &mut Dice) {
    let ends = |text: &str| text.starts_with("override") || text == "end the run" || text.starts_with("note");
    let phrases: Vec<String> = (world.set.phrases.iter())
        .filter(|phrase| phrase.class != PhraseClass::Emergency && !ends(&phrase.text))
        .map(|phrase| phrase.text.clone())
        .collect();
    if let Some(phrase) = phrases.get(dice.roll(phrases.len().max(1) as u64) as usize) {
        world.hear_as(phrase, if dice.roll(3) == 0 { Certainty::Thin } else { Certainty::Sure });
    }
}

/// Writes the run of the room into the journal as a session does.
fn keep(
    journal: &mut Journal,
    world: &World,
    routine: &str,
    rig: &sparehand::rig::Rig,
    purpose: Purpose,
    number: usize,
) -> RunId {
    let began: jiff::Timestamp = "2026-05-01T06:00:00Z".parse().unwrap();
    let began = began + jiff::SignedDuration::from_hours(30 * number as i64);
    let numbers: serde_json::Map<String, serde_json::Value> =
        rig.numbers().map(|(name, value)| (name.to_owned(), value.into())).collect();
    let new = NewRun {
        routine: routine.to_owned(),
        fingerprint: world.engine.routine().fingerprint.clone(),
        settings: serde_json::Value::Object(numbers).to_string(),
        started: format!("{began:.3}"),
        purpose,
    };
    let run = journal.begin_run(&new).unwrap();
    let mut boots = 0;
    for (seq, at, event) in &world.records {
        boots += u32::from(matches!(event, Event::Resumed { away_ms: None }));
        let wall = format!("{:.3}", began + jiff::SignedDuration::from_millis(at.as_millis() as i64));
        let boot_id = format!("0f0e0d0c-0000-4000-8000-{number:06}{boots:06}");
        let stamp = Stamp { boot_id, boottime_ms: since_boot(*at), wall: wall.clone() };
        journal.append(run, &Record { seq: *seq, at: *at, stamp, event: event.clone() }).unwrap();
        if let Event::VoiceChanged { speed, volume_db } = event {
            journal.set_preference("voice speed", &speed.to_string(), &wall).unwrap();
            journal.set_preference("voice volume, dB", &volume_db.to_string(), &wall).unwrap();
        }
    }
    run
}

/// The routines, moves and rigs as they are.
fn present_texts() -> Texts {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut texts = BTreeMap::new();
    for folder in ["prompts/routines", "prompts/moves", "examples/rigs"] {
        for entry in fs::read_dir(root.join(folder)).unwrap() {
            let path = entry.unwrap().path();
            let name = path.strip_prefix(root).unwrap().to_string_lossy().into_owned();
            texts.insert(name, fs::read_to_string(&path).unwrap());
        }
    }
    texts.insert(format!("prompts/routines/{OWN}.toml"), OWN_TEXT.to_owned());
    Texts(texts)
}

/// A routine of a user's own, with a step that everybody must answer.
const OWN: &str = "own";
const OWN_TEXT: &str = r#"
id = "own"
title = "our own"
intro = "Begin."
complete = "Our own is complete."

[[section]]
id = "a"
title = "first things"

[[section.step]]
id = "cap"
name = "cap"
where = "left"
role = "outside"
call = "Close the cap. Say: cap on, or cap off."
answer = { kind = "state", want = ["cap on"], other = ["cap off"], other_reply = "Close it. Then say: cap on." }
harm = 'hurt'

[[section.step]]
id = "map"
name = "map"
together = true
after = ["cap"]
call = "Look at the map, both of you. Say: map seen."
answer = { kind = "done", also = ["map seen"] }

[[section.step]]
id = "gate"
name = "nothing left open"
call = "Last look."
answer = { kind = "gate" }
"#;

fn zip_up(path: &Path, files: &[(&str, &[u8])]) {
    let mut archive = zip::ZipWriter::new(fs::File::create(path).unwrap());
    for (name, bytes) in files {
        let options = zip::write::SimpleFileOptions::default().compression_level(Some(9));
        archive.start_file(*name, options).unwrap();
        archive.write_all(bytes).unwrap();
    }
    archive.finish().unwrap();
}
