//! `sparehand run`: a routine by voice, or by keys and screens.

use std::collections::BTreeSet;
use std::io::{IsTerminal, Write};
use std::path::{Path, PathBuf};

use clap::Args;
use thiserror::Error;

use crate::audio::capture::Capture;
use crate::audio::playback::Playback;
use crate::audio::wake::Waker;
use crate::cli::device_args::DeviceArgs;
use crate::cli::learn_command::{self, LearnError};
use crate::cli::mic_command::{self, MicError};
use crate::cli::phone_args::{PhoneArgs, PhoneArgsError, PhonesToday};
use crate::cli::plan_command;
use crate::cli::second_engine_args::SecondEngineArgs;
use crate::conductor::core::Means;
use crate::conductor::error::ConductorError;
use crate::conductor::live::{self, Edges, Planner, SoundDevices};
use crate::conductor::news::Parted;
use crate::conductor::notes::Notes;
use crate::conductor::on_time::OnTime;
use crate::conductor::phones::PhonesWanted;
use crate::conductor::scribe::{Scribe, VOICE_SPEED, VOICE_VOLUME, remembered_voice};
use crate::conductor::talk::{Printing, Talk};
use crate::engine::Engine;
use crate::engine::event::Event;
use crate::engine::input::Away;
use crate::journal::{Journal, JournalError, NewRun, Purpose, Record, Rehearsals, RunId, RunSummary};
use crate::rig::{Demand, Rig};
use crate::screen::{Aside, Ink, Labels, LabelsError, Screen, ScreenError};
use crate::setup::causes::with_causes;
use crate::setup::clock::{Clock, wall};
use crate::setup::left_running::{self, StartWordsError};
use crate::setup::models::{self, ModelsError};
use crate::setup::places::{Places, PlacesError};
use crate::setup::practised::{self, Practice};
use crate::setup::prompts::{self, PromptError};
use crate::setup::remarks;
use crate::setup::sayable;
use crate::setup::standing;
use crate::speech::listener::ListenError;
use crate::units::SessionTime;

#[derive(Debug, Args)]
pub struct RunArgs {
    /// Name of the routine or move, such as tank-dump or leave.
    pub routine: String,
    /// Rig file; without it, rig.toml in the configuration folder, or common practice.
    #[arg(long, value_name = "FILE")]
    pub rig: Option<PathBuf>,
    /// Somebody who takes part, by the name in the rig file; once for each.
    #[arg(long = "person", value_name = "NAME")]
    pub people: Vec<String>,
    /// What somebody cannot do today (two-hands, lifting, kneeling, ladder, driving), such as rowan=lifting; once for each. Alone the name may be
    /// left out.
    #[arg(long = "limit", value_name = "NAME=WHAT", value_parser = limit)]
    pub limits: Vec<(String, Demand)>,
    /// Journal file; without it, the one in the data folder.
    #[arg(long, value_name = "FILE")]
    pub journal: Option<PathBuf>,
    /// When to be away, such as 10:00: tells when it becomes late, and answers "are we on time".
    #[arg(long, value_name = "TIME", value_parser = plan_command::time_of_day)]
    pub away_by: Option<jiff::civil::Time>,
    /// Leave a run that was broken off as it is, and begin anew.
    #[arg(long)]
    pub anew: bool,
    /// Run even without a microphone or a loudspeaker, by keys and screen.
    #[arg(long)]
    pub keys: bool,
    #[command(flatten)]
    pub devices: DeviceArgs,
    /// Keep all sound in this WAV file, to look into what was misheard: left the microphone, right what was played; that of each phone in a file beside it.
    #[arg(long, value_name = "FILE")]
    pub keep_sound: Option<PathBuf>,
    #[command(flatten)]
    pub phones: PhoneArgs,
    #[command(flatten)]
    pub vosk: SecondEngineArgs,
}

/// Why a routine cannot be carried out.
#[derive(Debug, Error)]
pub enum RunError {
    #[error(transparent)]
    Models(#[from] ModelsError),
    #[error(transparent)]
    Places(#[from] PlacesError),
    #[error(transparent)]
    Prompts(#[from] PromptError),
    #[error(transparent)]
    Learned(#[from] LearnError),
    #[error(transparent)]
    Microphone(#[from] MicError),
    #[error(transparent)]
    Journal(#[from] JournalError),
    #[error(transparent)]
    Listen(#[from] ListenError),
    #[error(transparent)]
    Labels(#[from] LabelsError),
    #[error(transparent)]
    StartWords(#[from] StartWordsError),
    #[error(transparent)]
    Screen(#[from] ScreenError),
    #[error(transparent)]
    Phones(#[from] PhoneArgsError),
    #[error(transparent)]
    Run(#[from] ConductorError),
    #[error(
        "{found}; plug it in, name it with --microphone and --loudspeaker, or go on by keys and screens with --keys; a simulated person goes \
         through it without any device by: sparehand rehearse {routine}"
    )]
    NoDevices { found: String, routine: String },
    #[error(
        "--keys: found no terminal to show the steps on and to read keys from, and it needs a terminal where the microphone or the loudspeaker \
         is missing; start it in one (over ssh: ssh -t), or let phones in with --phones"
    )]
    NoTerminal,
    #[error(
        "--limit: found '{found}', expected the name of somebody who takes part ({expected}); name them with --person"
    )]
    LimitOfNobody { found: String, expected: String },
    #[error(
        "run {run} was broken off: found --person {found}, expected {expected}, who began it; leave --person out to go on with it, or \
         begin another with --anew"
    )]
    Others { run: i64, found: String, expected: String },
}

/// Carries out a routine.
///
/// # Errors
/// Something that is needed is missing; the message says what to do. What was recorded until then is kept.
pub fn run(args: &RunArgs, places: &Places) -> Result<(), RunError> {
    let rig = prompts::rig(args.rig.as_deref(), &places.config)?;
    prompts::job(&args.routine, &rig, &places.config)?;
    models::verify(&places.models)?;
    let sounds = places.sounds().hearing_with(args.vosk.settings(&places.models));
    let microphone = args.devices.microphone_or(|| known_microphone(places))?;
    let devices =
        SoundDevices { microphone, loudspeaker: args.devices.loudspeaker.clone(), keep_sound: args.keep_sound.clone() };
    Places::make(&places.cache)?;
    let aside = places.cache.join(ASIDE);
    let missing = Missing::look(&devices, &aside);
    if missing.any() && !args.keys {
        let found = missing.told().collect::<Vec<_>>().join(", and ");
        return Err(RunError::NoDevices { found, routine: args.routine.clone() });
    }
    let path = args.journal.clone().unwrap_or_else(|| places.journal());
    if let Some(folder) = path.parent().filter(|folder| !folder.as_os_str().is_empty()) {
        Places::make(folder)?;
    }
    let mut journal = Journal::open(&path)?;
    let voice = remembered_voice(journal.preference(VOICE_SPEED)?, journal.preference(VOICE_VOLUME)?);
    let past = Practice::read(&journal, &rig, &places.config, practised::today())?;
    let broken_off = journal.unfinished(&args.routine, Rehearsals::LeftOut)?;
    let stands = standing::read(&journal, &rig, &places.config)?;
    stands.left_out().iter().for_each(|line| println!("{line}"));
    let engine_of = |with: &[String], journal: &Journal| {
        let engine = prompts::engine(&args.routine, &rig, with, voice, &past, &places.config)?;
        fitted_to_today(engine.with_rig_state(stands.rig.clone()), args, &rig, with, journal)
    };
    // Whoever began a run that cannot be gone on with need not be here today, nor be in the rig file any more.
    let mut with = args.people.clone();
    if let Some(run) = broken_off.as_ref().filter(|_| !args.anew) {
        let began = begun_by(&journal.events(run.id)?).unwrap_or_else(|| args.people.clone());
        if engine_of(&began, &journal).is_ok_and(|engine| goes_on(run, &engine, args.anew)) {
            with = those_of(run, began, &args.people)?;
        }
    }
    let mut engine = engine_of(&with, &journal)?;
    let sounds = learn_command::hearing_those(sounds, &with, places, &mut std::io::stdout().lock())?;
    let people = sayable::people(&rig, &with);
    let (phones, no_phones) = phones_today(args, &rig, &with, places, &missing)?;
    sayable::check(&engine, &prompts::phrasebook(&places.config)?, &people, sounds.vosk.as_ref())?;
    let on_terminal = std::io::stdout().is_terminal() && std::io::stdin().is_terminal();
    if missing.any() && !on_terminal && phones.is_none() {
        return Err(RunError::NoTerminal);
    }
    // Only once nothing can fail any more: what was broken off is not ended for a run that does not begin.
    let going_on = broken_off.filter(|run| goes_on(run, &engine, args.anew));
    let first_words =
        left_running::said(&left_running::read(&journal, &rig, &places.config, going_on.as_ref().map(|run| run.id))?)?;
    first_words.iter().for_each(|text| println!("{text}"));
    let first_words = first_words.into_iter().chain(no_phones).reduce(|text, more| format!("{text} {more}"));
    let replaced = replaced(&journal, &engine, &args.routine, going_on.as_ref())?;
    let (run, clock, away) = entered(going_on, &mut engine, args, &rig, &mut journal)?;
    let stamps = clock.clone();
    let labels = Labels::parse(SCREEN)?;
    let screen = on_terminal.then(|| Screen::start(labels.clone(), Ink::from_environment(), &aside)).transpose()?;
    let talk_file = path.with_extension("talk.txt");
    let talk = Talk::of_run(&talk_file, if on_terminal { Printing::Silent } else { Printing::Printed });
    let stamps = move |at: SessionTime| stamps.stamp_at(at);
    let scribe = Scribe::new(journal, run, Box::new(stamps), Notes::beside(&path, run)).in_place_of(replaced);
    let planner = args.away_by.map(|by| planner(by, args, with, &path, places));
    // By keys and screen alone nobody needs to be told that there is no loudspeaker; whoever is on a phone does.
    let means = if missing.loudspeaker.is_some() && phones.is_none() { Means::Keys } else { Means::Voice };
    let around = Edges { sounds, devices, means, scribe, first_words, screen, talk, planner, phones };
    let parted = live::run(engine, away, &clock, around)?;
    farewell(parted, &path);
    Ok(())
}

/// The phones that may come, or what is said where they usually may and cannot; what of it is to be read is printed.
fn phones_today(
    args: &RunArgs,
    rig: &Rig,
    with: &[String],
    places: &Places,
    missing: &Missing,
) -> Result<(Option<PhonesWanted>, Option<String>), PhoneArgsError> {
    match args.phones.wanted(rig, with, places)? {
        PhonesToday::NotWanted => Ok((None, None)),
        PhonesToday::OutOfReach { shown, said } => {
            println!("{shown}");
            Ok((None, Some(said)))
        }
        PhonesToday::Wanted(phones) => {
            if let Some(why) = &missing.loudspeaker {
                println!(
                    "The rig can sound no alarm: a phone is the only mouth, and one that is locked, away or empty says nothing. {why}"
                );
            }
            Ok((Some(phones), None))
        }
    }
}

/// The run that is gone on with, which the engine then knows, or a new one; its clock, and for how long nobody was there.
fn entered(
    going_on: Option<RunSummary>,
    engine: &mut Engine,
    args: &RunArgs,
    rig: &Rig,
    journal: &mut Journal,
) -> Result<(RunId, Clock, Option<Away>), RunError> {
    Ok(match going_on {
        Some(run) => {
            let records = journal.events(run.id)?;
            records.iter().for_each(|record| engine.replay(record.at, &record.event));
            let (clock, away) = match records.last() {
                Some(Record { at, stamp, .. }) => Clock::resume(*at, stamp),
                None => (Clock::start(), Away::Unknown),
            };
            if let Some(last) = records.last()
                && let Some(event) = engine.taken_back(&last.event)
            {
                let at = clock.now();
                engine.replay(at, &event);
                journal.append(run.id, &Record { seq: last.seq + 1, at, stamp: clock.stamp_at(at), event })?;
            }
            (run.id, clock, (!records.is_empty()).then_some(away))
        }
        None => {
            let new = NewRun {
                routine: args.routine.clone(),
                fingerprint: engine.routine().fingerprint.clone(),
                settings: settings(rig),
                started: wall(),
                purpose: Purpose::Real,
            };
            (journal.begin_run(&new)?, Clock::start(), None)
        }
    })
}

/// What will tell whether the run ends in time.
fn planner(by: jiff::civil::Time, args: &RunArgs, with: Vec<String>, journal: &Path, places: &Places) -> Planner {
    let (routine, rig) = (args.routine.clone(), args.rig.clone());
    let (journal, places) = (journal.to_owned(), places.clone());
    Box::new(move || OnTime::planned(by, &routine, &with, rig, journal, &places))
}

/// Who began a run; `None` where it was broken off before anything was written down.
fn begun_by(records: &[Record]) -> Option<Vec<String>> {
    let crew = records.iter().rev().find_map(|record| match &record.event {
        Event::CrewSet { people } => Some(people),
        _ => None,
    });
    let here = crew.into_iter().flatten().filter(|person| person.here).map(|person| person.name.clone());
    (!records.is_empty()).then(|| here.collect())
}

/// Who takes part in a run that is gone on with: who began it. What is asked for depends on who is there, so nobody else goes on with it.
///
/// # Errors
/// `named`, where anybody is, are others.
fn those_of(run: &RunSummary, began: Vec<String>, named: &[String]) -> Result<Vec<String>, RunError> {
    let in_any_case = |names: &[String]| names.iter().map(|name| name.to_lowercase()).collect::<BTreeSet<_>>();
    if named.is_empty() {
        return Ok(began);
    }
    if in_any_case(named) == in_any_case(&began) {
        return Ok(named.to_vec());
    }
    let expected = if began.is_empty() { "nobody by name".to_owned() } else { began.join(" and ") };
    Err(RunError::Others { run: run.id.0, found: named.join(" and "), expected })
}

/// The engine with what past runs leave to be said, and what those who take part cannot do today.
///
/// # Errors
/// A row of the journal is not as it was written, or a limit is of nobody who takes part.
fn fitted_to_today(
    engine: Engine,
    args: &RunArgs,
    rig: &Rig,
    with: &[String],
    journal: &Journal,
) -> Result<Engine, RunError> {
    Ok(engine.with_remarks(remarks::read(journal)?).with_limits(limits_of(rig, with, &args.limits)?))
}

/// What those who take part cannot do today: as the rig file says, and as the options do.
///
/// # Errors
/// A limit of somebody who does not take part.
fn limits_of(rig: &Rig, with: &[String], told: &[(String, Demand)]) -> Result<Vec<(String, Demand)>, RunError> {
    let people = rig.people().iter().filter(|person| with.iter().any(|name| name.eq_ignore_ascii_case(&person.name)));
    let people: Vec<_> = people.collect();
    let mut limits: Vec<(String, Demand)> =
        (people.iter()).flat_map(|person| person.cannot.iter().map(|cannot| (person.name.clone(), *cannot))).collect();
    for (name, cannot) in told {
        let of = match people.as_slice() {
            [] if name.is_empty() => String::new(),
            [only] if name.is_empty() => only.name.clone(),
            several => several
                .iter()
                .find(|person| person.name.eq_ignore_ascii_case(name))
                .map(|person| person.name.clone())
                .ok_or_else(|| RunError::LimitOfNobody {
                    found: format!("{name}={}", cannot.name()),
                    expected: match people.as_slice() {
                        [] => "nobody by name: leave the name out".to_owned(),
                        people => people.iter().map(|person| person.name.as_str()).collect::<Vec<_>>().join(", "),
                    },
                })?,
        };
        limits.push((of, *cannot));
    }
    limits.sort();
    limits.dedup();
    Ok(limits)
}

/// Reads `NAME=WHAT`, or `WHAT` alone.
///
/// # Errors
/// Something that nobody can be unable to do.
fn limit(text: &str) -> Result<(String, Demand), String> {
    let (name, what) = text.split_once('=').unwrap_or(("", text));
    let known = || Demand::ALL.map(Demand::name).join(", ");
    Demand::of_name(what).map(|cannot| (name.to_owned(), cannot)).ok_or_else(|| {
        format!("found '{what}', expected one of {}, with the name of whom before it: rowan=lifting", known())
    })
}

/// Whether it is the same routine that the run was begun with, and nobody wants another.
fn goes_on(run: &RunSummary, engine: &Engine, anew: bool) -> bool {
    !anew && run.run.fingerprint == engine.routine().fingerprint
}

/// The runs of the routine that were broken off and are not gone on with, for they were made with another routine or the person wants to begin
/// anew; each with the record that ends it early, so that it is not offered again. Says what becomes of the newest.
fn replaced(
    journal: &Journal,
    engine: &Engine,
    routine: &str,
    going_on: Option<&RunSummary>,
) -> Result<Vec<(RunId, Record)>, RunError> {
    let mut broken_off = journal.all_unfinished()?;
    broken_off.retain(|run| run.run.routine == routine && going_on.is_none_or(|going_on| going_on.id != run.id));
    match (going_on, broken_off.first()) {
        (Some(run), _) => println!("Going on with run {}. To begin anew instead, start with --anew.", run.id),
        (None, Some(run)) => {
            let changed = run.run.fingerprint != engine.routine().fingerprint;
            let why = if changed { ", and its routine or rig has changed since" } else { "" };
            println!("Run {} was broken off{why}: it is kept as ended early, and a new one begins.", run.id);
            println!("Look at it with: sparehand log {}", run.id);
        }
        (None, None) => {}
    }
    let mut replaced = Vec::new();
    for run in broken_off {
        if let Some(last) = journal.events(run.id)?.last() {
            let stamp = Clock::start().stamp();
            replaced.push((run.id, Record { seq: last.seq + 1, at: last.at, stamp, event: Event::RunAbandoned }));
        }
    }
    Ok(replaced)
}

/// The microphone that was measured last, where it is there.
fn known_microphone(places: &Places) -> Result<Option<String>, RunError> {
    let Some(name) = mic_command::remembered(places)? else { return Ok(None) };
    match Capture::open(Some(&name), &Waker::of_nobody()) {
        Ok(_) => Ok(Some(name)),
        Err(why) => {
            println!("The microphone '{name}' is not there, so the system's own is used: {}", with_causes(&why));
            Ok(None)
        }
    }
}

/// Why a device cannot be used, for each that cannot.
struct Missing {
    microphone: Option<String>,
    loudspeaker: Option<String>,
}

impl Missing {
    /// Tries the devices. What their libraries have to say of it goes to the file `aside`.
    fn look(devices: &SoundDevices, aside: &Path) -> Self {
        let quiet = Aside::begin(aside);
        if let Err(error) = &quiet {
            tracing::warn!(%error, "what libraries write comes to the terminal");
        }
        let microphone =
            Capture::open(devices.microphone.as_deref(), &Waker::of_nobody()).err().map(|why| with_causes(&why));
        let loudspeaker =
            Playback::open(devices.loudspeaker.as_deref(), &Waker::of_nobody()).err().map(|why| with_causes(&why));
        Self { microphone, loudspeaker }
    }

    fn any(&self) -> bool {
        self.microphone.is_some() || self.loudspeaker.is_some()
    }

    fn told(&self) -> impl Iterator<Item = String> {
        let microphone = self.microphone.as_ref().map(|why| format!("No usable microphone: {why}"));
        let loudspeaker = self.loudspeaker.as_ref().map(|why| format!("No usable loudspeaker: {why}"));
        microphone.into_iter().chain(loudspeaker)
    }
}

fn settings(rig: &Rig) -> String {
    let numbers: serde_json::Map<String, serde_json::Value> =
        rig.numbers().map(|(name, value)| (name.to_owned(), value.into())).collect();
    serde_json::Value::Object(numbers).to_string()
}

fn farewell(parted: Parted, journal: &Path) {
    let told = match parted {
        Parted::RunEnded => format!("The run is written down in {}.", journal.display()),
        Parted::Closed => format!("The run is kept in {}. Start again to go on with it.", journal.display()),
    };
    // The terminal may have been closed.
    if let Err(error) = writeln!(std::io::stdout(), "{told}") {
        tracing::warn!(%error, told, "nobody can be told");
    }
}

/// Below the cache folder: what libraries write to the standard error while a run goes on, or devices are tried.
pub(super) const ASIDE: &str = "stderr.txt";
const SCREEN: &str = include_str!("../../prompts/phrases/screen.toml");
