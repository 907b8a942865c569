//! Journals that version 0.1 wrote: read, rebuilt and gone on with. What lies in `fixtures/0.1` is never made anew: people have such files.
//!
//! Each `NAME.zip` holds a journal with several runs, `NAME.json` beside it what they come to; `texts.zip` holds the routines, moves and
//! rigs that the runs were made with, for a run goes on only with the routine it began with.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::time::Duration;

use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

use crate::journal_support::kind_number;
use crate::world::{World, cast, english};
use sparehand::engine::event::{Event, HeardAs};
use sparehand::engine::input::{Away, Input, Key};
use sparehand::engine::move_file::MoveFile;
use sparehand::engine::output::VoiceSettings;
use sparehand::engine::{Engine, Move, StepState};
use sparehand::journal::{Journal, JournalReader, Outcome, Record, Stamp, away_since};
use sparehand::rig::{Rig, Stands};
use sparehand::routine::{Library, Routine, Source, load_with};
use sparehand::units::SessionTime;

/// What one run of a kept journal comes to.
#[derive(Debug, PartialEq, Serialize, Deserialize)]
pub struct KeptRun {
    /// What it was made for.
    pub about: String,
    pub routine: String,
    pub rig: String,
    pub outcome: String,
    pub records: usize,
    /// The condition that its records rebuild.
    pub condition: Value,
    /// Of a broken-off run: who is asked for which step when it is gone on with, a minute later or after a time that nobody knows.
    pub asked_a_minute_later: Option<Vec<(String, String)>>,
    pub asked_some_time_later: Option<Vec<(String, String)>>,
}

/// The kinds of events that version 0.1 knew: those with the numbers below this.
const KINDS_OF_0_1: usize = 44;
const LAYOUT_OF_0_1: i64 = 1;

#[test]
fn journals_of_version_0_1_are_read_and_rebuild_the_same_runs() {
    let texts = Texts::kept();
    let mut kinds = BTreeSet::new();
    let mut unfinished = 0;
    for (name, kept) in all() {
        let (_folder, path) = unpacked(&name);
        let journal = JournalReader::open(&path).unwrap_or_else(|why| panic!("{name}: {why}"));
        let runs = journal.runs().unwrap();
        assert_eq!(runs.len(), kept.len(), "{name}");
        for (run, kept) in runs.iter().zip(&kept) {
            let about = format!("{name}, run {}: {}", run.id, kept.about);
            assert_eq!((&run.run.routine, run.records), (&kept.routine, kept.records), "{about}");
            assert_eq!(outcome(run.outcome), kept.outcome, "{about}");
            let job = texts.job(&kept.routine, &texts.rig(&kept.rig));
            assert_eq!(job.routine.fingerprint, run.run.fingerprint, "{about}: it could not be gone on with");
            let records = journal.events(run.id).unwrap();
            kinds.extend(records.iter().map(|record| kind_number(&record.event)));
            kinds.extend(records.iter().map(|record| kind_number(record.event.inner())));
            assert_eq!(condition(&rebuilt(job, &records)), kept.condition, "{about}");
            unfinished += usize::from(run.outcome == Outcome::Unfinished);
        }
    }
    let missing: Vec<usize> = (0..KINDS_OF_0_1).filter(|kind| !kinds.contains(kind)).collect();
    assert!(missing.is_empty(), "no kept journal holds an event of the kinds {missing:?}");
    assert!(unfinished >= 30, "only {unfinished} runs that were broken off");
}

#[test]
fn broken_off_runs_of_version_0_1_are_gone_on_with_to_their_end() {
    let texts = Texts::kept();
    for (name, kept) in all() {
        let runs = kept.iter().enumerate().filter(|(_, kept)| kept.outcome == outcome(Outcome::Unfinished));
        for ((place, kept), later) in runs.flat_map(|run| [(run, Later::AMinute), (run, Later::Unknown)]) {
            let about = format!("{name}, run {}: {}, {later:?}", place + 1, kept.about);
            let (_folder, path) = unpacked(&name);
            let mut journal = Journal::open(&path).unwrap_or_else(|why| panic!("{about}: {why}"));
            let run = journal.runs().unwrap()[place].id;
            let before = journal.events(run).unwrap();
            let last = before.last().unwrap();
            let job = texts.job(&kept.routine, &texts.rig(&kept.rig));
            let mut world = gone_on_with(job, &before, later);
            let expected = match later {
                Later::AMinute => &kept.asked_a_minute_later,
                Later::Unknown => &kept.asked_some_time_later,
            };
            assert_eq!(Some(asked(&world)), *expected, "{about}");
            assert!(
                finish(&mut world),
                "{about}: never ends; asked {:?}, open {:?}",
                asked(&world),
                cast::open(&world)
            );
            // Each record is synced by itself: once is enough.
            if later == Later::Unknown {
                continue;
            }
            for (seq, at, event) in &world.records {
                let stamp = stamp_after(&last.stamp, later, at.since(last.at));
                journal.append(run, &Record { seq: *seq, at: *at, stamp, event: event.clone() }).unwrap();
            }
            drop(journal);
            let journal = JournalReader::open(&path).unwrap();
            let after = journal.events(run).unwrap();
            assert_eq!(after[..before.len()], before, "{about}: what was written stays as it was");
            assert_eq!(after.len(), before.len() + world.records.len(), "{about}");
            assert_eq!(journal.run(run).unwrap().outcome, Outcome::Completed, "{about}");
            assert_eq!(rebuilt(world.engine.job().clone(), &after).state(), world.engine.state(), "{about}");
        }
    }
}

#[test]
fn a_journal_of_an_older_layout_is_read_as_it_is_and_marked_as_the_newer_one_when_it_is_written_to() {
    let (_folder, path) = unpacked("tank-dump");
    let number = |path: &Path| {
        let raw = rusqlite::Connection::open(path).unwrap();
        raw.pragma_query_value(None, "user_version", |row| row.get::<_, i64>(0)).unwrap()
    };
    drop(JournalReader::open(&path).unwrap());
    assert_eq!(number(&path), LAYOUT_OF_0_1, "whoever only reads changes nothing");
    drop(Journal::open(&path).unwrap());
    assert_eq!(number(&path), LAYOUT_OF_0_1 + 2);
    drop(Journal::open(&path).unwrap());
}

/// Journals of layout 2 differ from those of 0.1 in one kind of event, which both may lack.
#[test]
fn a_journal_of_layout_2_is_read_as_it_is_and_gone_on_with() {
    let (_folder, path) = unpacked("tank-dump");
    let raw = rusqlite::Connection::open(&path).unwrap();
    raw.pragma_update(None, "user_version", 2).unwrap();
    drop(raw);
    let runs = JournalReader::open(&path).unwrap().runs().unwrap();
    let mut journal = Journal::open(&path).unwrap();
    let run = runs.iter().find(|run| run.outcome == Outcome::Unfinished).unwrap();
    let last = journal.events(run.id).unwrap().last().unwrap().clone();
    let told = Event::ThingTold { thing: "water".to_owned(), stands: Stands::Away, heard: HeardAs::Key };
    let record = Record { seq: last.seq + 1, at: last.at, stamp: last.stamp.clone(), event: told.clone() };
    journal.append(run.id, &record).unwrap();
    drop(journal);
    let journal = JournalReader::open(&path).unwrap();
    assert_eq!(journal.events(run.id).unwrap().last().unwrap().event, told);
    let raw = rusqlite::Connection::open(&path).unwrap();
    assert_eq!(raw.pragma_query_value(None, "user_version", |row| row.get::<_, i64>(0)).unwrap(), 3);
}

#[test]
fn a_layout_number_that_no_version_has_written_is_refused_as_damage_and_a_higher_one_names_what_to_do() {
    for (number, told) in [
        (0, "found damage (layout 0, which no version has written)"),
        (-7, "found damage (layout -7, which no version has written)"),
        (i64::from(i32::MIN), "found damage (layout -2147483648, which no version has written)"),
        (99, "found layout 99, expected 3 or older; use the newer sparehand that wrote it"),
        (i64::from(i32::MAX), "found layout 2147483647, expected 3 or older; use the newer sparehand that wrote it"),
    ] {
        let (_folder, path) = unpacked("tank-dump");
        let raw = rusqlite::Connection::open(&path).unwrap();
        assert_eq!(raw.pragma_query_value(None, "user_version", |row| row.get::<_, i64>(0)).unwrap(), LAYOUT_OF_0_1);
        raw.pragma_update(None, "user_version", number).unwrap();
        drop(raw);
        let bytes = fs::read(&path).unwrap();
        for refused in [Journal::open(&path).err(), JournalReader::open(&path).err()] {
            let refused = refused.unwrap_or_else(|| panic!("layout {number} was taken")).to_string();
            assert!(refused.contains(told), "{refused}");
        }
        assert_eq!(fs::read(&path).unwrap(), bytes, "layout {number}: the file is left as it was found");
    }
}

/// How long a broken-off run was left.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Later {
    AMinute,
    Unknown,
}

/// The texts that runs are made with, by path.
pub struct Texts(pub BTreeMap<String, String>);

impl Texts {
    pub fn kept() -> Self {
        let mut archive = zip::ZipArchive::new(fs::File::open(folder().join("texts.zip")).unwrap()).unwrap();
        let names: Vec<String> = archive.file_names().map(|name| name.unwrap().into_owned()).collect();
        let read = |name: String| {
            let mut text = String::new();
            archive.by_name(&name).unwrap().read_to_string(&mut text).unwrap();
            (name, text)
        };
        Self(names.into_iter().map(read).collect())
    }

    pub fn rig(&self, name: &str) -> Rig {
        let file = format!("examples/rigs/{name}.toml");
        Rig::parse(&file, &self.0[&file]).unwrap()
    }

    fn routine(&self, id: &str, rig: &Rig) -> Routine {
        let source = |id: &str| {
            let name = format!("prompts/routines/{id}.toml");
            // A step names its harm now: the texts say what their owner is told to write.
            self.0.get(&name).map(|text| Source { text: text.replace("critical = true", "harm = \"hurt\""), name })
        };
        load_with(&source(id).unwrap(), rig, &Library { routine: &source, changes: &|_| None }).unwrap()
    }

    /// A routine or a move, with the cards beside it.
    pub fn job(&self, id: &str, rig: &Rig) -> Move {
        // Cards that came later have no text here.
        let there = |card: &&&str| self.0.contains_key(&format!("prompts/routines/{card}.toml"));
        let cards: Vec<Routine> = cast::CARDS.iter().filter(there).map(|card| self.routine(card, rig)).collect();
        let file = format!("prompts/moves/{id}.toml");
        let job = match self.0.get(&file) {
            Some(text) => {
                let parsed = MoveFile::parse(&file, text).unwrap();
                let routines = parsed.routine.iter().map(|leg| self.routine(&leg.id, rig)).collect();
                parsed.join(&file, routines).unwrap()
            }
            None => Move::single(self.routine(id, rig)),
        };
        job.with_cards(&cards)
    }
}

/// The condition of a run in words of its own, so that it can be compared whatever the engine keeps it in.
pub fn condition(engine: &Engine) -> Value {
    let (job, state) = (engine.job(), engine.state());
    let id = |step: usize| job.step(step).id.clone();
    let mut steps = BTreeMap::new();
    for (step, settled) in state.steps.iter().enumerate() {
        match settled {
            StepState::Open => None,
            StepState::Answered(answer) => steps.insert(id(step), format!("answered: {answer}")),
            StepState::Skipped(reason) => steps.insert(id(step), format!("skipped: {reason}")),
            StepState::NotHere(answer) => steps.insert(id(step), format!("not here: {answer}")),
            StepState::Away => steps.insert(id(step), "away".to_owned()),
        };
    }
    macro_rules! clocks {
        ($clocks:expr, $name:expr) => {
            ($clocks.iter())
                .map(|(key, clock)| {
                    let told = json!({
                        "started_ms": clock.started.as_millis(), "length_ms": clock.length.as_millis() as u64,
                        "ran_out": clock.ran_out, "by": state.people[clock.by].name,
                    });
                    ($name(key), told)
                })
                .collect::<BTreeMap<String, Value>>()
        };
    }
    let people: Vec<Value> = (state.people.iter())
        .map(|hand| {
            json!({
                "name": hand.name, "roles": hand.roles.iter().map(|role| format!("{role:?}")).collect::<Vec<_>>(), "here": hand.here,
                "asked": hand.current.map(id), "since_ms": hand.offered_at.as_millis(),
            })
        })
        .collect();
    macro_rules! by_step {
        ($map:expr, $told:expr) => {
            $map.iter().map(|(step, value)| (id(*step), json!($told(value)))).collect::<BTreeMap<String, Value>>()
        };
    }
    let names = |who: &Vec<usize>| who.iter().map(|&person| state.people[person].name.clone()).collect::<Vec<_>>();
    json!({
        "settled": steps,
        "put_off": (0..state.deferred.len()).filter(|&step| state.deferred[step]).map(id).collect::<Vec<_>>(),
        "to_check": state.to_check.iter().map(|&step| id(step)).collect::<Vec<_>>(),
        "clocks": clocks!(state.clocks, |step: &usize| id(*step)),
        "timers": clocks!(state.timers, |name: &String| name.clone()),
        "people": people,
        "turns": by_step!(state.turns, |turn: &usize| *turn),
        "agreed": by_step!(state.agreed, names),
        "rounds": by_step!(state.rounds, |round: &u32| *round),
        "readings": by_step!(state.readings, String::clone),
        "card": state.card.map(|part| job.parts[part].id.clone()),
        "standing_by": state.standing_by,
        "voice": [state.voice.speed, state.voice.volume_db],
        "overridden": state.overridden.iter().map(|&step| id(step)).collect::<Vec<_>>(),
        "ended": state.ended.map(|ending| format!("{ending:?}")),
        "last_at_ms": state.last_at.as_millis(),
    })
}

/// An engine to which the records were told again.
pub fn rebuilt(job: Move, records: &[Record]) -> Engine {
    let mut engine = Engine::of_move(job, english(), VoiceSettings::default());
    records.iter().for_each(|record| engine.replay(record.at, &record.event));
    engine
}

/// A room in which the run goes on.
pub fn gone_on_with(job: Move, records: &[Record], later: Later) -> World {
    let last = records.last().unwrap();
    let now = stamp_after(&last.stamp, later, Duration::from_secs(60));
    let mut world = World::around(rebuilt(job, records));
    let away = away_since(&last.stamp, &now);
    assert_eq!(away, if later == Later::AMinute { Away::Known(Duration::from_secs(60)) } else { Away::Unknown });
    world.now = if let Away::Known(away) = away { last.at + away } else { last.at };
    world.tell(Input::Resumed(away));
    world.quiet();
    world
}

fn stamp_after(last: &Stamp, later: Later, span: Duration) -> Stamp {
    let boot_id = if later == Later::AMinute { last.boot_id.clone() } else { format!("{}-after", last.boot_id) };
    Stamp { boot_id, boottime_ms: last.boottime_ms + span.as_millis() as u64, wall: last.wall.clone() }
}

/// Who is asked for which step.
pub fn asked(world: &World) -> Vec<(String, String)> {
    cast::asked(world).into_iter().map(|(name, asked)| (name, asked.step)).collect()
}

/// Everybody does what is asked of them until the run is over; whether it came to that.
pub fn finish(world: &mut World) -> bool {
    for _ in 0..4_000 {
        if world.ended {
            return true;
        }
        if world.engine.state().standing_by {
            world.press(Key::GoAhead);
        }
        cast::answer_one(world);
    }
    false
}

pub fn outcome(outcome: Outcome) -> String {
    format!("{outcome:?}").to_lowercase()
}

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/journal/fixtures/0.1")
}

/// Every kept journal by name, with what its runs come to.
fn all() -> BTreeMap<String, Vec<KeptRun>> {
    let names = fs::read_dir(folder()).unwrap().map(|entry| entry.unwrap().path());
    let found: BTreeMap<String, Vec<KeptRun>> = names
        .filter(|path| path.extension().is_some_and(|ending| ending == "json"))
        .map(|path| {
            let name = path.file_stem().unwrap().to_string_lossy().into_owned();
            let kept = serde_json::from_str(&fs::read_to_string(&path).unwrap()).unwrap();
            (name, kept)
        })
        .collect();
    assert_eq!(found.keys().map(String::as_str).collect::<Vec<_>>(), NAMES, "the kept journals");
    found
}

/// The kept journals: every routine, every card, the whole move, and a routine of a user's own.
pub const NAMES: [&str; 18] = [
    "arrive",
    "car-in-tow",
    "car-out-of-tow",
    "evening-before",
    "gas-smell",
    "hitch-up",
    "last-look",
    "lay-up",
    "leave",
    "morning-inside",
    "morning-outside",
    "overflow",
    "own",
    "stop",
    "storm",
    "stuck-slide",
    "tank-dump",
    "wake-up",
];

/// The journal in a folder of its own.
fn unpacked(name: &str) -> (tempfile::TempDir, PathBuf) {
    let mut archive = zip::ZipArchive::new(fs::File::open(folder().join(format!("{name}.zip"))).unwrap()).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("journal.sqlite");
    let mut file = archive.by_name("journal.sqlite").unwrap();
    std::io::copy(&mut file, &mut fs::File::create(&path).unwrap()).unwrap();
    (folder, path)
}

/// Session time since the beginning of a run, as stamps count it.
pub fn since_boot(at: SessionTime) -> u64 {
    3_600_000 + at.as_millis()
}
