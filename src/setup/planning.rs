//! Lays out what a plan for being away on time is made from: rig, people, routines, past runs, daylight.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use jiff::civil::{Date, Time};
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan};
use serde::Deserialize;
use thiserror::Error;

use crate::figures::FigureError;
use crate::figures::daylight::Place;
use crate::journal::{JournalError, JournalReader, Stamp};
use crate::plan::away::{AwayPlan, Dice, Wanted, plan};
use crate::plan::belief::ThreePoint;
use crate::plan::durations::{Durations, Observation, Usual};
use crate::plan::outlook::Outlook;
use crate::plan::project::ProjectError;
use crate::plan::sky::{Daylight, Sky, daylight};
use crate::plan::solve::Effort;
use crate::plan::words::{PlanWords, PlanWordsError};
use crate::plan::work::{Known, PlannedPerson, Work, WorkError, key_of, put_together, skill_of};
use crate::rig::{self, Person, Rig, RigFault, RigFile, Role};
use crate::routine::Routine;
use crate::setup::clock;
use crate::setup::past_runs::PastRuns;
use crate::setup::places::Places;
use crate::setup::prompts::{self, PromptError};
use crate::setup::under_way::{UnderWay, UnderWayError};

/// What is to be planned.
#[derive(Clone, Debug)]
pub struct PlanRequest {
    /// When to be away: the next such time, or on `date`.
    pub away_by: Time,
    /// The day of that time.
    pub date: Option<Date>,
    /// Routines that are worked side by side, with commas between, or a move; each further one begins when those before are done.
    /// Leaving, where there is none.
    pub routines: Vec<String>,
    /// Who takes part, and in which roles: NAME or NAME:outside,driver. The rig's people, where there is nobody.
    pub people: Vec<String>,
    /// Where it is, for the light; where the rig stands, without it.
    pub place: Option<Place>,
    /// First and last light, where somebody knows better than the sun.
    pub light_from: Option<Time>,
    pub light_until: Option<Time>,
    /// A file of own times.
    pub minutes: Option<PathBuf>,
    /// Rig file; without it, rig.toml in the configuration folder, or common practice.
    pub rig: Option<PathBuf>,
    /// Journal file; without it, the one in the data folder.
    pub journal: Option<PathBuf>,
}

impl PlanRequest {
    /// To be away by the next time that it is `away_by`, and nothing else said.
    pub fn away_by(away_by: Time) -> Self {
        Self {
            away_by,
            date: None,
            routines: Vec::new(),
            people: Vec::new(),
            place: None,
            light_from: None,
            light_until: None,
            minutes: None,
            rig: None,
            journal: None,
        }
    }
}

/// Why no plan can be made.
#[derive(Debug, Error)]
pub enum PlanError {
    #[error(transparent)]
    Prompts(#[from] PromptError),
    #[error(transparent)]
    Words(#[from] PlanWordsError),
    #[error(transparent)]
    Journal(#[from] JournalError),
    #[error(transparent)]
    Work(#[from] WorkError),
    #[error("the routines cannot be put in an order: {0}")]
    Project(#[from] ProjectError),
    #[error(transparent)]
    UnderWay(#[from] UnderWayError),
    #[error("--person {found}: expected NAME or NAME:ROLES, roles out of outside, inside, driver, spotter")]
    Person { found: String },
    #[error("--person: {0}")]
    Unsayable(#[from] RigFault),
    #[error("--person {0} twice; name everybody once")]
    SamePerson(String),
    #[error("{found} is no time in this time zone; give another --date or time")]
    NoSuchTime { found: String },
    #[error("the light of that day: {0}")]
    Light(#[from] FigureError),
    #[error("the clock of the machine cannot be read as a time, found '{0}'; set it, or give --date")]
    NoClock(String),
    #[error("{path}: not a file of own times: {why}")]
    Minutes { path: PathBuf, why: String },
    #[error(
        "{path}: '{step}': found {found}, expected a step that is planned, such as tank-dump/gloves, and minutes above 0 in order"
    )]
    MinutesOf { path: PathBuf, step: String, found: String },
    #[error("{path}: cannot be read; check its name and that you may read it")]
    Unreadable { path: PathBuf, source: io::Error },
}

/// Everything that a plan is made from.
pub struct Desk {
    pub words: PlanWords,
    /// The routines that are planned; each part begins when the one before is done.
    pub parts: Vec<Vec<Routine>>,
    pub past: PastRuns,
    /// How many past runs tell how long a step of these routines takes.
    pub rests_on: usize,
    /// `None` before the first run.
    pub journal: Option<JournalReader>,
    hands: Vec<PlannedPerson>,
    durations: Durations,
    own: BTreeMap<String, Usual>,
    wanted: Wanted,
}

impl Desk {
    /// Reads what `asked` needs. `now` is a moment of today in `zone`.
    ///
    /// # Errors
    /// Something is missing or faulty; says what, and what to do.
    pub fn laid_out(asked: &PlanRequest, places: &Places, now: Timestamp, zone: TimeZone) -> Result<Self, PlanError> {
        let words = words(&places.config)?;
        let (rig, people, place) = rig_with_people(asked, places)?;
        let hands = hands(&people, &words);
        let parts = named(&asked.routines, &places.config)?
            .iter()
            .map(|part| part.iter().map(|id| routine(id, &rig, &places.config)).collect())
            .collect::<Result<Vec<Vec<Routine>>, PromptError>>()?;
        let journal = journal(asked, places)?;
        let past = journal.as_ref().map(PastRuns::read).transpose()?.unwrap_or_default();
        let observations = observations(&past, parts.iter().flatten(), &hands);
        let rests_on = observations.iter().map(|seen| seen.run).collect::<BTreeSet<_>>().len();
        let durations = Durations::learn(&observations, words.assumptions);
        let own = asked.minutes.as_deref().map(|path| own_times(path, &parts)).transpose()?.unwrap_or_default();
        let wanted = wanted(asked, place, now, zone)?;
        Ok(Self { words, parts, hands, past, rests_on, durations, own, wanted, journal })
    }

    fn work(&self) -> Result<Work, WorkError> {
        let parts: Vec<Vec<&Routine>> = self.parts.iter().map(|part| part.iter().collect()).collect();
        let known = Known { durations: &self.durations, loops: &self.past.loops, own: &self.own };
        put_together(&parts, &self.hands, &known)
    }

    /// Makes the plan.
    ///
    /// # Errors
    /// The routines wait for each other, or nobody can do a step.
    pub fn plan(&self) -> Result<AwayPlan, PlanError> {
        Ok(plan(self.work()?, self.wanted.clone(), self.dice(), Effort::default())?)
    }

    /// How `run` will end, seen from the moment of `stamp`.
    ///
    /// # Errors
    /// The machine's clock is no time.
    pub fn outlook(&self, plan: &AwayPlan, run: &UnderWay, stamp: &Stamp) -> Result<Outlook, PlanError> {
        Ok(run.outlook(plan, self.dice(), self.words.settings.late_below, stamp)?)
    }

    fn dice(&self) -> Dice {
        let settings = &self.words.settings;
        Dice { morning: self.durations.morning(), mornings: settings.mornings, seed: settings.seed }
    }
}

/// The plan's words; `config` is searched first (`phrases/plan.toml`).
///
/// # Errors
/// An unreadable file, or one that is refused.
pub fn words(config: &Path) -> Result<PlanWords, PlanError> {
    let path = config.join("phrases").join("plan.toml");
    let built_in = include_str!("../../prompts/phrases/plan.toml");
    match fs::read_to_string(&path) {
        Ok(text) => Ok(PlanWords::parse(&path.display().to_string(), &text)?),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(PlanWords::parse("plan.toml", built_in)?),
        Err(source) => Err(PlanError::Unreadable { path, source }),
    }
}

/// The moment by the machine's clock.
///
/// # Errors
/// The clock is no time.
pub fn now() -> Result<Timestamp, PlanError> {
    let wall = clock::wall();
    wall.parse().map_err(|_| PlanError::NoClock(wall))
}

/// A journal that is named must be there; without a name, having none is having done nothing yet.
fn journal(asked: &PlanRequest, places: &Places) -> Result<Option<JournalReader>, PlanError> {
    let path = asked.journal.clone().unwrap_or_else(|| places.journal());
    // Before the first run there is not even the folder.
    if asked.journal.is_none() && path.parent().is_some_and(|folder| !folder.exists()) {
        return Ok(None);
    }
    match JournalReader::open(&path) {
        Ok(journal) => Ok(Some(journal)),
        Err(JournalError::Missing { .. }) if asked.journal.is_none() => Ok(None),
        Err(error) => Err(error.into()),
    }
}

/// The parts of what is planned, a move as its stages; leaving, where nothing is named.
fn named(routines: &[String], config: &Path) -> Result<Vec<Vec<String>>, PromptError> {
    let leaving = [LEAVING.to_owned()];
    let mut parts = Vec::new();
    for part in if routines.is_empty() { &leaving } else { routines } {
        match prompts::move_file(part, config)? {
            Some((_, file)) => parts.extend(file.stages()),
            None => parts.push(part.split(',').map(|id| id.trim().to_owned()).collect()),
        }
    }
    Ok(parts)
}

/// A routine for planning: what a run asks for in it makes no difference.
pub fn routine(id: &str, rig: &Rig, config: &Path) -> Result<Routine, PromptError> {
    prompts::load_from(&prompts::known_routine(id, config)?, rig, config)
}

/// The rig, with the people of the command line in place of its own: steps for two are there only where two take part.
fn rig_with_people(asked: &PlanRequest, places: &Places) -> Result<(Rig, Vec<Person>, Option<Place>), PlanError> {
    let own = places.config.join("rig.toml");
    let path = asked.rig.clone().or_else(|| own.exists().then_some(own));
    let mut rig: RigFile = match &path {
        None => RigFile::default(),
        Some(path) => rig::read(&path.display().to_string(), &prompts::read(path)?).map_err(PromptError::from)?,
    };
    if !asked.people.is_empty() {
        rig.person = named_people(&asked.people, &rig.person)?;
    }
    let people = rig.person.clone();
    // The file itself is checked: what is wrong from here on is a name of the command line.
    let checked = Rig::of(&rig)?;
    let stands =
        rig.latitude.zip(rig.longitude).map(|(latitude, longitude)| Place::new(latitude, longitude)).transpose()?;
    Ok((checked, people, asked.place.or(stands)))
}

/// People as the command line names them; what they are practised in is what the rig file says of them.
fn named_people(people: &[String], of_rig: &[Person]) -> Result<Vec<Person>, PlanError> {
    let mut named: Vec<Person> = Vec::new();
    for found in people {
        let (name, roles) = found.split_once(':').unwrap_or((found, ""));
        let (name, refused) = (name.trim(), || PlanError::Person { found: found.clone() });
        let role = |text: &str| match text.trim() {
            "outside" => Some(Role::Outside),
            "inside" => Some(Role::Inside),
            "driver" => Some(Role::Driver),
            "spotter" => Some(Role::Spotter),
            _ => None,
        };
        let roles: Option<Vec<Role>> = roles.split(',').filter(|text| !text.trim().is_empty()).map(role).collect();
        let roles = roles.filter(|_| !name.is_empty()).ok_or_else(refused)?;
        if named.iter().any(|person| person.name == name) {
            return Err(PlanError::SamePerson(name.to_owned()));
        }
        let known = of_rig.iter().find(|person| person.name == name);
        let practiced = known.map(|person| person.practiced.clone()).unwrap_or_default();
        named.push(Person { name: name.to_owned(), roles, practiced, cannot: Vec::new() });
    }
    Ok(named)
}

fn hands(people: &[Person], words: &PlanWords) -> Vec<PlannedPerson> {
    if people.is_empty() {
        return vec![PlannedPerson { name: words.you().to_owned(), roles: vec![], practised: vec![] }];
    }
    let hand = |person: &Person| PlannedPerson {
        name: person.name.clone(),
        roles: person.roles.clone(),
        practised: person.practiced.clone(),
    };
    people.iter().map(hand).collect()
}

/// Deeds as observations. What the journal says of nobody in particular was done by the first person.
fn observations<'a>(
    past: &PastRuns,
    routines: impl Iterator<Item = &'a Routine>,
    hands: &[PlannedPerson],
) -> Vec<Observation> {
    let mut steps = BTreeMap::new();
    for routine in routines {
        for step in &routine.steps {
            let skill = skill_of(&routine.id, step.role);
            steps.insert(
                key_of(&routine.id, &step.id),
                (skill, step.role, step.goes_on_by_itself(), step.usual.as_secs_f64()),
            );
        }
    }
    let first = hands.first().map(|hand| hand.name.as_str()).unwrap_or_default();
    let seen = past.deeds.iter().filter_map(|deed| {
        let (skill, role, waits, usual_s) = steps.get(&deed.step)?;
        let person = if deed.person.is_empty() { first } else { &deed.person };
        Some(Observation {
            run: deed.run,
            person: person.to_owned(),
            step: deed.step.clone(),
            skill: skill.clone(),
            waits: *waits,
            practised: hands.iter().any(|hand| hand.name == *person && hand.is_practised(*role)),
            usual_s: *usual_s,
            took_s: deed.took_s,
        })
    });
    seen.collect()
}

fn own_times(path: &Path, parts: &[Vec<Routine>]) -> Result<BTreeMap<String, Usual>, PlanError> {
    #[derive(Deserialize)]
    #[serde(untagged)]
    enum Minutes {
        Usual(f64),
        ThreePoint([f64; 3]),
    }
    let text = fs::read_to_string(path).map_err(|source| PlanError::Unreadable { path: path.to_owned(), source })?;
    let read: BTreeMap<String, Minutes> =
        toml::from_str(&text).map_err(|why| PlanError::Minutes { path: path.to_owned(), why: why.to_string() })?;
    let known: Vec<String> =
        parts.iter().flatten().flat_map(|r| r.steps.iter().map(|step| key_of(&r.id, &step.id))).collect();
    let mut own = BTreeMap::new();
    for (step, minutes) in read {
        let of = |found: String| PlanError::MinutesOf { path: path.to_owned(), step: step.clone(), found };
        let usual = match minutes {
            _ if !known.contains(&step) => return Err(of("no such step".to_owned())),
            Minutes::Usual(m) if m > 0.0 && m.is_finite() => Usual::File(m * 60.0),
            Minutes::Usual(m) => return Err(of(m.to_string())),
            Minutes::ThreePoint([best, usual, worst]) => {
                let guess = ThreePoint { best: best * 60.0, usual: usual * 60.0, worst: worst * 60.0 };
                if !guess.is_sound() {
                    return Err(of(format!("[{best}, {usual}, {worst}]")));
                }
                Usual::Guess(guess)
            }
        };
        own.insert(step, usual);
    }
    Ok(own)
}

fn wanted(asked: &PlanRequest, place: Option<Place>, now: Timestamp, zone: TimeZone) -> Result<Wanted, PlanError> {
    let today = now.to_zoned_datetime(zone.clone());
    let at = |date: Date, time: Time| {
        zone.to_timestamp(date.to_datetime(time)).map_err(|_| PlanError::NoSuchTime { found: format!("{date} {time}") })
    };
    let mut date = asked.date.unwrap_or_else(|| today.date());
    if asked.date.is_none() && at(date, asked.away_by)? <= now {
        date = date.checked_add(1.day()).map_err(|_| PlanError::NoSuchTime { found: "tomorrow".to_owned() })?;
    }
    let by = at(date, asked.away_by)?;
    let light = |time: Option<Time>| time.map(|time| at(date, time)).transpose();
    // What somebody says of the light goes before what the sun says.
    let (from, until) = (light(asked.light_from)?, light(asked.light_until)?);
    let sun = place.map(|place| daylight(place, by, &zone)).transpose()?.unwrap_or_default();
    let sky = if from.is_some() || until.is_some() { Sky::Ordinary } else { sun.sky };
    let Daylight { from: dawn, until: dusk, .. } = sun;
    Ok(Wanted { by, light_from: from.or(dawn), light_until: until.or(dusk), sky, zone })
}

/// What is planned where nothing is named.
const LEAVING: &str = "leave";
