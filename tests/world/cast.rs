//! The built-in routines and rigs, and people who carry them out by voice.

use std::path::Path;
use std::time::Duration;

use sparehand::engine::input::Input;
use sparehand::engine::move_file::MoveFile;
use sparehand::engine::output::VoiceSettings;
use sparehand::engine::{Asked, AskedFor, Crew, Engine, Leg, Move};
use sparehand::rig::{Person, Rig, RigState, Role, Stands};
use sparehand::routine::{Library, Routine, RoutineKind, Source, load_with};
use sparehand::units::SessionTime;

use super::{World, english};

pub const RIGS: [&str; 5] = ["motorhome-towed-car", "travel-trailer", "fifth-wheel", "van-no-sewer", "motorhome-dolly"];

pub const ROUTINES: [&str; 21] = [
    "evening-before",
    "morning-inside",
    "morning-outside",
    "tank-dump",
    "hitch-up",
    "last-look",
    "stop",
    "fuel-stop",
    "downhill",
    "flat-tire",
    "arrive",
    "gas-refill",
    "water-fill",
    "sanitize",
    "generator",
    "night-without-hookup",
    "cold-night",
    "dump-away",
    "cassette",
    "lay-up",
    "wake-up",
];

pub const CARDS: [&str; 9] =
    ["gas-smell", "overflow", "storm", "stuck-slide", "fire", "co-alarm", "tingle", "hurt", "roadside"];

fn text(path: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(path);
    std::fs::read_to_string(&path).unwrap_or_else(|why| panic!("{}: {why}", path.display()))
}

pub fn rig(name: &str) -> Rig {
    let file = format!("examples/rigs/{name}.toml");
    Rig::parse(&file, &text(&file)).unwrap()
}

pub fn routine(name: &str, rig: &Rig) -> Routine {
    let source = |id: &str| {
        let file = format!("prompts/routines/{id}.toml");
        Path::new(env!("CARGO_MANIFEST_DIR")).join(&file).exists().then(|| Source { text: text(&file), name: file })
    };
    let library = Library { routine: &source, changes: &|_| None };
    load_with(&source(name).unwrap(), rig, &library).unwrap()
}

pub fn cards(rig: &Rig) -> Vec<Routine> {
    CARDS.iter().map(|card| routine(card, rig)).collect()
}

/// The move of a file in `prompts/moves`, with the cards beside it.
pub fn movement(name: &str, rig: &Rig) -> Move {
    let file = format!("prompts/moves/{name}.toml");
    let parsed = MoveFile::parse(&file, &text(&file)).unwrap();
    let routines = parsed.routine.iter().map(|leg| routine(&leg.id, rig)).collect();
    parsed.join(&file, routines).unwrap().with_cards(&cards(rig))
}

/// Routines one after the other.
pub fn one_after_the_other(names: &[&str], rig: &Rig) -> Move {
    let leg = |(place, name): (usize, &&str)| Leg {
        routine: routine(name, rig),
        after: place.checked_sub(1).map(|before| names[before].to_owned()).into_iter().collect(),
    };
    let legs = names.iter().enumerate().map(leg).collect();
    Move::join("move", "the move", "The move is complete.", legs).unwrap()
}

const EVERY_ROLE: [Role; 4] = [Role::Outside, Role::Inside, Role::Driver, Role::Spotter];

pub fn person(name: &str, roles: &[Role], practised: bool) -> Person {
    Person {
        name: name.to_owned(),
        roles: roles.to_vec(),
        practiced: if practised { EVERY_ROLE.to_vec() } else { Vec::new() },
        cannot: Vec::new(),
    }
}

pub fn alone(practised: bool) -> Crew {
    Crew { here: vec![person("Rowan", &EVERY_ROLE, practised)], away: Vec::new() }
}

/// Rowan outside and at the wheel, Imre inside and watching.
pub fn two(practised: bool) -> Crew {
    let here = vec![
        person("Rowan", &[Role::Outside, Role::Driver], practised),
        person("Imre", &[Role::Inside, Role::Spotter], practised),
    ];
    Crew { here, away: Vec::new() }
}

pub fn engine(job: Move, crew: Crew) -> Engine {
    Engine::of_move(job, english(), VoiceSettings::default()).with_crew(crew)
}

pub fn world(job: Move, crew: Crew) -> World {
    World::around(engine(job, crew)).begin()
}

/// Every thing that a move could put away, standing like this.
pub fn all_things(job: &Move, stands: Stands) -> RigState {
    let things = job.work().flat_map(|step| job.step(step).undoes.clone());
    things.map(|thing| (thing, stands)).collect()
}

/// Everybody does what is asked of them and answers as asked, until the run is over. Who waits for a clock waits.
pub fn carry_out(world: &mut World) {
    for _ in 0..4_000 {
        if world.ended {
            return;
        }
        answer_one(world);
    }
    panic!("the run never ends; asked: {:?}, open: {:?}", asked(world), open(world));
}

/// One answer, by whoever is done first; otherwise time passes. Everybody works at the same time.
pub fn answer_one(world: &mut World) {
    world.quiet();
    if world.ended {
        return;
    }
    let asked = asked(world);
    let mut due: Vec<(SessionTime, String, String)> = Vec::new();
    for (name, asked) in &asked {
        if let Some(phrase) = phrase_for(world, name, asked) {
            let ringing = matches!(asked.kind, AskedFor::ClockEnd { .. } | AskedFor::HeardRight { .. });
            let hand = world.engine.state().people.iter().find(|hand| hand.name == *name).unwrap();
            let work = if ringing { Duration::ZERO } else { asked.usual / 2 };
            due.push(((hand.offered_at + work).max(world.now), name.clone(), phrase));
        }
    }
    let next = due.into_iter().min();
    match next {
        Some((at, name, phrase)) if at.since(world.now) <= PATIENCE => {
            world.pass(at.since(world.now));
            let before = world.records.len();
            if world.may_say().contains(&phrase.as_str()) {
                world.hear_from(&name, &phrase);
                settle_who(world, &name);
            }
            if world.records.len() == before {
                world.pass_s(1);
            }
        }
        _ => world.pass(PATIENCE),
    }
}

/// Nobody waits longer than this before they look again what is asked.
const PATIENCE: Duration = Duration::from_secs(10);

/// "Who said that?" is answered with the name.
fn settle_who(world: &mut World, name: &str) {
    let who = name.to_lowercase();
    if world.may_say().contains(&who.as_str()) {
        world.hear_from(name, &who);
    }
}

pub fn asked(world: &World) -> Vec<(String, Asked)> {
    world.engine.asked_by_all(world.now)
}

pub fn open(world: &World) -> Vec<String> {
    let job = world.engine.job();
    world.engine.state().open(job).map(|step| job.step(step).id.clone()).collect()
}

/// What this person says to what they are asked; with their name before it where the words alone would fit another.
fn phrase_for(world: &World, name: &str, asked: &Asked) -> Option<String> {
    let phrase = match &asked.kind {
        AskedFor::Answer(answers) => answers.first()?.clone(),
        AskedFor::YesOrNo { yes, .. } | AskedFor::HeardRight { yes, .. } => yes.clone(),
        AskedFor::ClockStart(start) => start.clone(),
        AskedFor::ClockEnd { end, ringing: true } => end.clone()?,
        AskedFor::ClockEnd { .. } => return None,
        AskedFor::Other(phrases) => phrases.first()?.clone(),
    };
    let named = format!("{} {phrase}", name.to_lowercase());
    let others = super::cast::asked(world);
    let fits_another = others.iter().any(|(other, asked)| {
        other != name && matches!(&asked.kind, AskedFor::Answer(answers) if answers.contains(&phrase))
    });
    Some(if fits_another && world.may_say().contains(&named.as_str()) { named } else { phrase })
}

/// Says a note: the app hears it and tells the engine.
pub fn take_note(world: &mut World, text: &str) {
    world.tell(Input::NoteTaken { text: text.to_owned(), wav: Some("note-1.wav".to_owned()) });
    world.quiet();
}

/// Where everybody went, place after place, a place counted again each time it is gone to.
pub fn walks(world: &World) -> usize {
    use sparehand::engine::event::Event;
    let job = world.engine.job();
    let mut walks = 0;
    let mut at: std::collections::BTreeMap<String, String> = std::collections::BTreeMap::new();
    let mut who = String::new();
    for event in world.events() {
        match event {
            Event::StepAssigned { person, .. } => who.clone_from(person),
            Event::StepOffered { .. } | Event::StretchOffered { .. } => {
                let step = match event {
                    Event::StretchOffered { steps } => &steps[0],
                    other => other.step().unwrap(),
                };
                let place = &job.step(job.index_of(step).unwrap()).place;
                if !place.is_empty() && at.insert(who.clone(), place.clone()).as_ref() != Some(place) {
                    walks += 1;
                }
            }
            _ => {}
        }
    }
    walks
}

/// The place changes of the same steps in the order of the file.
pub fn walks_in_file_order(job: &Move) -> usize {
    let mut places: Vec<&str> =
        job.work().map(|step| job.step(step).place.as_str()).filter(|p| !p.is_empty()).collect();
    places.dedup();
    places.len()
}

pub fn kind(routine: &Routine) -> RoutineKind {
    routine.kind
}

pub fn hours(hours: u64) -> Duration {
    Duration::from_secs(hours * 3_600)
}

/// The same run in a new engine, as after a crash; `away` is the time that passed, if anybody can know it.
pub fn restart(world: &mut World, away: Option<Duration>) {
    use sparehand::engine::input::Away;
    let voice = world.engine.state().voice;
    let mut engine = Engine::of_move(world.engine.job().clone(), english(), voice);
    for (_, at, event) in &world.records {
        engine.replay(*at, event);
    }
    assert_eq!(engine.state(), world.engine.state(), "the records rebuild the run");
    world.engine = engine;
    world.forget_speech();
    world.now += away.unwrap_or_default();
    world.tell(Input::Resumed(away.map_or(Away::Unknown, Away::Known)));
    world.quiet();
}
