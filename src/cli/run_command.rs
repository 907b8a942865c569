//! `sparehand run`: a routine by voice, or, where a device is missing, a rehearsal that says which.

use std::io::IsTerminal;
use std::path::Path;

use crate::audio::capture::Capture;
use crate::audio::playback::Playback;
use crate::audio::wake::Waker;
use crate::cli::AppError;
use crate::cli::args::RunArgs;
use crate::cli::learn_command;
use crate::cli::mic_command;
use crate::conductor::live::{self, Around, Devices, Parted, Planner};
use crate::conductor::notes::Notes;
use crate::conductor::on_time::OnTime;
use crate::conductor::rehearse::{Pace, Rehearsal, rehearse};
use crate::conductor::session::{Session, VOICE_SPEED, VOICE_VOLUME, remembered_voice};
use crate::conductor::talk::Talk;
use crate::engine::Engine;
use crate::engine::event::Event;
use crate::journal::{Journal, NewRun, Purpose, Record, Rehearsals, RunSummary};
use crate::screen::{Ink, Labels, Screen};
use crate::setup::clock::{Clock, wall};
use crate::setup::models;
use crate::setup::places::Places;
use crate::setup::practised::Practice;
use crate::setup::prompts;
use crate::setup::sayable;
use crate::units::SessionTime;

/// Carries out a routine.
///
/// # Errors
/// Something that is needed is missing; the message says what to do. What was recorded until then is kept.
pub fn run(args: &RunArgs, places: &Places) -> Result<(), AppError> {
    models::verify(&places.models)?;
    let sounds = places.sounds().hearing_with(args.vosk.settings(&places.models));
    let sounds = learn_command::hearing_those(sounds, &args.with, places, &mut std::io::stdout().lock())?;
    let microphone = args.microphone.clone().map_or_else(|| known_microphone(places), |name| Ok(Some(name)))?;
    let devices = Devices { microphone, loudspeaker: args.loudspeaker.clone(), keep_sound: args.keep_sound.clone() };
    let missing = missing_devices(&devices);
    if !missing.is_empty() && !args.keys {
        for line in &missing {
            println!("{line}");
        }
        println!("Nothing can be done by voice here, so this is a rehearsal with a simulated person.");
        println!("To carry out the routine by keys and screen, start with --keys.");
        let rehearsal = Rehearsal {
            routine: args.routine.clone(),
            rig: args.rig.clone(),
            with: args.with.clone(),
            script: None,
            out: "rehearsal".into(),
            pace: Pace::Virtual,
        };
        return rehearse(&rehearsal, &sounds, &places.config).map(|summary| summary.print(&rehearsal.out));
    }

    let rig = prompts::rig(args.rig.as_deref(), &places.config)?;
    let path = args.journal.clone().unwrap_or_else(|| places.journal());
    if let Some(folder) = path.parent().filter(|folder| !folder.as_os_str().is_empty()) {
        Places::make(folder)?;
    }
    let mut journal = Journal::open(&path)?;
    let voice = remembered_voice(journal.preference(VOICE_SPEED)?, journal.preference(VOICE_VOLUME)?);
    let past = Practice::read(&journal, &rig, &places.config)?;
    let mut engine = prompts::engine(&args.routine, &rig, &args.with, voice, &past, &places.config)?;
    let people = sayable::people(&rig, &args.with);
    sayable::check(&engine, &prompts::phrasebook(&places.config)?, &people, sounds.vosk.as_ref())?;
    let broken_off = journal.unfinished(&args.routine, Rehearsals::LeftOut)?;
    let going_on = choose(broken_off, &engine, args.anew, &mut journal)?;
    let (run, clock, away) = match going_on {
        Some(run) => {
            let records = journal.events(run.id)?;
            records.iter().for_each(|record| engine.replay(record.at, &record.event));
            let (clock, away) = match records.last() {
                Some(Record { at, stamp, .. }) => Clock::resume(*at, stamp),
                None => (Clock::start(), crate::engine::input::Away::Unknown),
            };
            (run.id, clock, (!records.is_empty()).then_some(away))
        }
        None => {
            let new = NewRun {
                routine: args.routine.clone(),
                fingerprint: engine.routine().fingerprint.clone(),
                settings: settings(&rig),
                started: wall(),
                purpose: Purpose::Real,
            };
            (journal.begin_run(&new)?, Clock::start(), None)
        }
    };
    let stamps = clock.clone();
    let mut session = Session::new(engine, journal, run, Box::new(move |_: SessionTime| stamps.stamp()));
    let now = clock.now();
    let first = match away {
        Some(away) => session.resume(now, away),
        None => session.start(now),
    };
    let labels = Labels::parse(SCREEN)?;
    let on_terminal = std::io::stdout().is_terminal() && std::io::stdin().is_terminal();
    let screen = on_terminal.then(|| Screen::start(labels.clone(), Ink::from_environment())).transpose()?;
    let talk_file = path.with_extension("talk.txt");
    let talk = Talk::of_run(&talk_file, !on_terminal);
    let notes = Notes::beside(&path, run);
    let planner = args.away_by.map(|by| planner(by, args, &path, places));
    let around = Around { sounds, devices, notes, screen, talk, planner };
    let parted = live::run(session, first, &clock, around)?;
    farewell(parted, &path);
    Ok(())
}

/// What will tell whether the run ends in time.
fn planner(by: jiff::civil::Time, args: &RunArgs, journal: &Path, places: &Places) -> Planner {
    let (routine, with, rig) = (args.routine.clone(), args.with.clone(), args.rig.clone());
    let (journal, places) = (journal.to_owned(), places.clone());
    Box::new(move || OnTime::planned(by, &routine, &with, rig, journal, &places))
}

/// Goes on with a run that was broken off, unless it was made with another routine or the person wants to begin anew; then it
/// is written down as ended early, so that it is not offered again.
fn choose(
    broken_off: Option<RunSummary>,
    engine: &Engine,
    anew: bool,
    journal: &mut Journal,
) -> Result<Option<RunSummary>, AppError> {
    let Some(run) = broken_off else { return Ok(None) };
    let number = run.id;
    let changed = run.run.fingerprint != engine.routine().fingerprint;
    if !anew && !changed {
        println!("Going on with run {number}. To begin anew instead, start with --anew.");
        return Ok(Some(run));
    }
    if let Some(last) = journal.events(number)?.last() {
        let end = Record { seq: last.seq + 1, at: last.at, stamp: Clock::start().stamp(), event: Event::RunAbandoned };
        journal.append(number, &end)?;
    }
    let why = if changed { ", and its routine or rig has changed since" } else { "" };
    println!("Run {number} was broken off{why}: it is kept as ended early, and a new one begins.");
    println!("Look at it with: sparehand log {number}");
    Ok(None)
}

/// The microphone that was measured last, where it is there.
fn known_microphone(places: &Places) -> Result<Option<String>, AppError> {
    let Some(name) = mic_command::remembered(places)? else { return Ok(None) };
    match Capture::open(Some(&name), &Waker::of_nobody()) {
        Ok(_) => Ok(Some(name)),
        Err(why) => {
            println!("The microphone '{name}' is not there, so the system's own is used: {}", with_causes(&why));
            Ok(None)
        }
    }
}

fn missing_devices(devices: &Devices) -> Vec<String> {
    let mut missing = Vec::new();
    if let Err(why) = Capture::open(devices.microphone.as_deref(), &Waker::of_nobody()) {
        missing.push(format!("No usable microphone: {}", with_causes(&why)));
    }
    if let Err(why) = Playback::open(devices.loudspeaker.as_deref(), &Waker::of_nobody()) {
        missing.push(format!("No usable loudspeaker: {}", with_causes(&why)));
    }
    missing
}

/// An error with what caused it, on one line.
pub fn with_causes(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut cause = error.source();
    while let Some(error) = cause {
        let more = error.to_string();
        if !text.contains(&more) {
            text = format!("{text}: {more}");
        }
        cause = error.source();
    }
    text
}

fn settings(rig: &crate::rig::Rig) -> String {
    let numbers: serde_json::Map<String, serde_json::Value> =
        rig.numbers().map(|(name, value)| (name.to_owned(), value.into())).collect();
    serde_json::Value::Object(numbers).to_string()
}

fn farewell(parted: Parted, journal: &Path) {
    match parted {
        Parted::RunEnded => println!("The run is written down in {}.", journal.display()),
        Parted::Closed => println!("The run is kept in {}. Start again to go on with it.", journal.display()),
    }
}

const SCREEN: &str = include_str!("../../prompts/phrases/screen.toml");
