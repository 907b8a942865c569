//! The texts that ship inside the program, each of which a file of the user's own may take the place of.

use std::fs;
use std::path::{Path, PathBuf};

use crate::engine::move_file::{MoveFile, MoveFileError};
use crate::engine::output::VoiceSettings;
use crate::engine::phrasebook::{Phrasebook, PhrasebookError};
use crate::engine::practice::{crew_by_practice, opening};
use crate::engine::{Crew, Engine, Move};
use crate::rig::{Person, Rig, RigError};
use crate::routine::{self, Library, Routine, RoutineError, RoutineKind, Source};
use crate::setup::practised::Practice;
use crate::source::{SourceError, likely};
use thiserror::Error;

/// Why the texts cannot be used.
#[derive(Debug, Error)]
pub enum PromptError {
    #[error("no routine or move named '{wanted}', expected one of: {known}")]
    NoSuchRoutine { wanted: String, known: String },
    #[error("no routine or move named '{wanted}': perhaps '{likely}' is meant")]
    Misspelled { wanted: String, likely: String },
    #[error("'{wanted}' is a move of several routines, expected one of them: {legs}")]
    OfSeveral { wanted: String, legs: String },
    #[error("{path}: cannot be read; check its name and that you may read it")]
    Unreadable { path: PathBuf, source: std::io::Error },
    #[error("{path}: found a folder, expected a file; name one in it")]
    Folder { path: PathBuf },
    #[error("{path}: line {line}: found a letter in another encoding, expected UTF-8; save the file as UTF-8")]
    NotUtf8 { path: PathBuf, line: usize },
    #[error(transparent)]
    Misread(#[from] SourceError),
    #[error(transparent)]
    Routine(Box<RoutineError>),
    #[error(transparent)]
    Phrases(#[from] PhrasebookError),
    #[error(transparent)]
    Move(#[from] MoveFileError),
    #[error(transparent)]
    Rig(Box<RigError>),
    #[error(
        "--person: found '{name}', expected somebody whom the rig file names ({known}); who takes part is asked for by: sparehand rig"
    )]
    Stranger { name: String, known: String },
    #[error(
        "'{id}' is an emergency card, expected a routine: a card begins at once, in any run, by its words ({words}); begin a run, such as `sparehand run tank-dump`, and say them"
    )]
    Card { id: String, words: String },
    #[error(
        "found '{name}', expected somebody whom the rig file names ({known}); who takes part is asked for by: sparehand rig"
    )]
    StrangerToLearn { name: String, known: String },
}

impl From<RoutineError> for PromptError {
    fn from(refused: RoutineError) -> Self {
        Self::Routine(Box::new(refused))
    }
}

impl From<RigError> for PromptError {
    fn from(refused: RigError) -> Self {
        Self::Rig(Box::new(refused))
    }
}

/// The routines that ship with the program, in the order of a move; the cards come last.
pub const ROUTINES: &[(&str, &str)] = &[
    ("evening-before", include_str!("../../prompts/routines/evening-before.toml")),
    ("morning-inside", include_str!("../../prompts/routines/morning-inside.toml")),
    ("morning-outside", include_str!("../../prompts/routines/morning-outside.toml")),
    ("tank-dump", include_str!("../../prompts/routines/tank-dump.toml")),
    ("hitch-up", include_str!("../../prompts/routines/hitch-up.toml")),
    ("car-in-tow", include_str!("../../prompts/routines/car-in-tow.toml")),
    ("last-look", include_str!("../../prompts/routines/last-look.toml")),
    ("stop", include_str!("../../prompts/routines/stop.toml")),
    ("arrive", include_str!("../../prompts/routines/arrive.toml")),
    ("car-out-of-tow", include_str!("../../prompts/routines/car-out-of-tow.toml")),
    ("fuel-stop", include_str!("../../prompts/routines/fuel-stop.toml")),
    ("downhill", include_str!("../../prompts/routines/downhill.toml")),
    ("flat-tire", include_str!("../../prompts/routines/flat-tire.toml")),
    ("gas-refill", include_str!("../../prompts/routines/gas-refill.toml")),
    ("water-fill", include_str!("../../prompts/routines/water-fill.toml")),
    ("sanitize", include_str!("../../prompts/routines/sanitize.toml")),
    ("generator", include_str!("../../prompts/routines/generator.toml")),
    ("night-without-hookup", include_str!("../../prompts/routines/night-without-hookup.toml")),
    ("cold-night", include_str!("../../prompts/routines/cold-night.toml")),
    ("dump-away", include_str!("../../prompts/routines/dump-away.toml")),
    ("cassette", include_str!("../../prompts/routines/cassette.toml")),
    ("lay-up", include_str!("../../prompts/routines/lay-up.toml")),
    ("wake-up", include_str!("../../prompts/routines/wake-up.toml")),
    ("overflow", include_str!("../../prompts/routines/overflow.toml")),
    ("gas-smell", include_str!("../../prompts/routines/gas-smell.toml")),
    ("stuck-slide", include_str!("../../prompts/routines/stuck-slide.toml")),
    ("storm", include_str!("../../prompts/routines/storm.toml")),
    ("fire", include_str!("../../prompts/routines/fire.toml")),
    ("co-alarm", include_str!("../../prompts/routines/co-alarm.toml")),
    ("tingle", include_str!("../../prompts/routines/tingle.toml")),
    ("hurt", include_str!("../../prompts/routines/hurt.toml")),
    ("roadside", include_str!("../../prompts/routines/roadside.toml")),
];

/// The routine with this id for this rig; `config` is searched first (`routines/<id>.toml`). Changes of the user's own are in
/// `routines/<id>.changes.toml`.
///
/// # Errors
/// No such routine, an unreadable file, or one that is refused.
pub fn routine(id: &str, rig: &Rig, config: &Path) -> Result<Routine, PromptError> {
    load_from(&known_routine(id, config)?, rig, config)
}

/// The text of the routine with this id.
///
/// # Errors
/// There is none of this id, or it cannot be read.
pub fn known_routine(id: &str, config: &Path) -> Result<Source, PromptError> {
    match routine_source(id, config)? {
        Some(source) => Ok(source),
        None => Err(not_there(id, config)?),
    }
}

/// Why there is no routine of this id: it is a move, or nothing of this name is there.
fn not_there(id: &str, config: &Path) -> Result<PromptError, PromptError> {
    let wanted = id.to_owned();
    if let Some((_, file)) = move_file(id, config)? {
        let legs = file.routine.iter().map(|leg| leg.id.as_str()).collect::<Vec<_>>().join(", ");
        return Ok(PromptError::OfSeveral { wanted, legs });
    }
    let own = own_files(config)?;
    let own = own.iter().filter_map(|path| path.file_stem()?.to_str()).filter(|name| !name.ends_with(".changes"));
    let built_in = MOVES.iter().chain(ROUTINES).map(|(name, _)| *name);
    let known: Vec<&str> = built_in.chain(own).collect();
    Ok(match likely(id, known.iter().copied()) {
        Some(likely) => PromptError::Misspelled { wanted, likely: likely.to_owned() },
        None => PromptError::NoSuchRoutine { wanted, known: known.join(", ") },
    })
}

/// What a run carries: a routine, or the routines of a move of this id as one, with the emergency cards beside it. `config` is
/// searched first (`moves/<id>.toml`).
///
/// # Errors
/// Neither a routine nor a move, an emergency card, an unreadable file, or one that is refused.
pub fn job(id: &str, rig: &Rig, config: &Path) -> Result<Move, PromptError> {
    let job = match move_file(id, config)? {
        Some((name, file)) => {
            let legs: Result<Vec<Routine>, _> = file.routine.iter().map(|leg| routine(&leg.id, rig, config)).collect();
            file.join(&name, legs?)?
        }
        None => match routine(id, rig, config)? {
            // Alone it has no step that counts: nothing would be said.
            card if card.kind == RoutineKind::Emergency => {
                return Err(PromptError::Card { id: id.to_owned(), words: card.start.join(", ") });
            }
            routine => Move::single(routine),
        },
    };
    let cards: Result<Vec<Routine>, _> = CARDS.iter().map(|card| routine(card, rig, config)).collect();
    Ok(job.with_cards(&cards?))
}

/// The move of this id, with the name that errors give its file.
///
/// # Errors
/// An unreadable file, or one that is refused.
pub fn move_file(id: &str, config: &Path) -> Result<Option<(String, MoveFile)>, PromptError> {
    let built_in = MOVES.iter().find(|(name, _)| *name == id).map(|(_, text)| *text);
    let source = own_or_built_in(&config.join("moves").join(format!("{id}.toml")), built_in)?;
    let read = |Source { name, text }| MoveFile::parse(&name, &text).map(|file| (name, file));
    Ok(source.map(read).transpose()?)
}

/// An engine for what [`job`] finds, for the people `with` whose names the rig knows; where none is named, for the one person that the rig has, or
/// for somebody without a name. How much each of them is told goes by their `past` runs.
///
/// # Errors
/// As [`job`] and [`phrasebook`]; a name that the rig does not know.
pub fn engine(
    id: &str,
    rig: &Rig,
    with: &[String],
    voice: VoiceSettings,
    past: &Practice,
    config: &Path,
) -> Result<Engine, PromptError> {
    // Who takes part in this run decides what takes two, not who stands in the rig file.
    let rig = &rig.clone().taking_part(with.len().max(1));
    let engine = Engine::of_move(job(id, rig, config)?, phrasebook(config)?, voice);
    let known = |name: &&String| rig.people().iter().any(|person| person.name.eq_ignore_ascii_case(name));
    if let Some(stranger) = with.iter().find(|name| !known(name)) {
        return Err(PromptError::Stranger { name: stranger.clone(), known: names_of(rig) });
    }
    let crew = if with.is_empty() { whoever_is_there(rig) } else { crew(rig, with) };
    let crew = crew_by_practice(crew, &past.runs, past.today);
    Ok(engine.with_opening(opening(&crew, &past.runs, past.today)).with_crew(crew))
}

/// Nobody is named: the one person that the rig has, or else somebody of whom nothing is known but their own runs.
fn whoever_is_there(rig: &Rig) -> Crew {
    let here = match rig.people() {
        [only] => only.clone(),
        _ => Person { name: String::new(), roles: Vec::new(), practiced: Vec::new(), cannot: Vec::new() },
    };
    Crew { here: vec![here], away: Vec::new() }
}

/// The names of the rig's people, for those who gave another.
pub fn names_of(rig: &Rig) -> String {
    match rig.people() {
        [] => "nobody yet".to_owned(),
        people => people.iter().map(|person| person.name.as_str()).collect::<Vec<_>>().join(", "),
    }
}

/// Those of the rig's people who take part, by name in any case of letters; the others can be handed over to.
fn crew(rig: &Rig, with: &[String]) -> Crew {
    let is_here = |person: &Person| with.iter().any(|name| name.eq_ignore_ascii_case(&person.name));
    let (here, away) = rig.people().iter().cloned().partition(is_here);
    Crew { here, away }
}

/// The moves that ship with the program.
pub const MOVES: &[(&str, &str)] = &[("leave", include_str!("../../prompts/moves/leave.toml"))];

/// The emergency cards, by the ids of their routines.
pub const CARDS: &[&str] =
    &["overflow", "gas-smell", "stuck-slide", "storm", "fire", "co-alarm", "tingle", "hurt", "roadside"];

/// Reads a routine with what it includes and what its owner changed, both looked for in `config` first.
///
/// # Errors
/// An unreadable file, or one that is refused.
pub fn load_from(source: &Source, rig: &Rig, config: &Path) -> Result<Routine, PromptError> {
    let unreadable = std::cell::RefCell::new(None);
    // A file that is there and cannot be read must not pass for one that is not there.
    let found = |read: Result<Option<Source>, PromptError>| {
        read.unwrap_or_else(|error| {
            unreadable.borrow_mut().get_or_insert(error);
            None
        })
    };
    let library =
        Library { routine: &|id| found(routine_source(id, config)), changes: &|id| found(changes_source(id, config)) };
    let loaded = routine::load_with(source, rig, &library);
    match unreadable.into_inner() {
        Some(error) => Err(error),
        None => Ok(loaded?),
    }
}

/// The text of a routine; `config` is searched first.
///
/// # Errors
/// A file that is there and cannot be read.
pub fn routine_source(id: &str, config: &Path) -> Result<Option<Source>, PromptError> {
    let built_in = ROUTINES.iter().find(|(name, _)| *name == id).map(|(_, text)| *text);
    own_or_built_in(&config.join("routines").join(format!("{id}.toml")), built_in)
}

/// The user's own changes to a routine.
///
/// # Errors
/// A file that is there and cannot be read.
pub fn changes_source(id: &str, config: &Path) -> Result<Option<Source>, PromptError> {
    own_or_built_in(&config.join("routines").join(format!("{id}.changes.toml")), None)
}

/// The files of the user's own routines and changes, in the order of their names.
///
/// # Errors
/// A folder that is there and cannot be read.
pub fn own_files(config: &Path) -> Result<Vec<PathBuf>, PromptError> {
    let folder = config.join("routines");
    let entries = match folder.read_dir() {
        Ok(entries) => entries,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(source) => return Err(PromptError::Unreadable { path: folder, source }),
    };
    let paths = entries.map(|entry| entry.map(|entry| entry.path())).collect::<Result<Vec<_>, _>>();
    let mut own = paths.map_err(|source| PromptError::Unreadable { path: folder, source })?;
    own.retain(|path| path.extension().is_some_and(|end| end == "toml"));
    own.sort();
    Ok(own)
}

/// The program's own words; `config` is searched first (`phrases/en.toml`).
///
/// # Errors
/// An unreadable file, or one that is refused.
pub fn phrasebook(config: &Path) -> Result<Phrasebook, PromptError> {
    let path = config.join("phrases").join("en.toml");
    let built_in = include_str!("../../prompts/phrases/en.toml");
    let found = own_or_built_in(&path, Some(built_in))?;
    let (name, text) = found.as_ref().map_or(("en.toml", built_in), |found| (found.name.as_str(), found.text.as_str()));
    Phrasebook::parse(name, text).map_err(|why| {
        let source = Source { name: name.to_owned(), text: text.to_owned() };
        // With the line, where it is the form that is wrong.
        source.read_for_writer::<Phrasebook>().map_or_else(PromptError::from, |_| why.into())
    })
}

/// The rig from the file given, else from `rig.toml` in `config`, else the default one.
///
/// # Errors
/// A file that was named and cannot be read, or one that is refused.
pub fn rig(given: Option<&Path>, config: &Path) -> Result<Rig, PromptError> {
    let own = config.join("rig.toml");
    let path = match given {
        Some(path) => path,
        None if own.exists() => &own,
        None => return Ok(Rig::default()),
    };
    let text = read(path)?;
    Ok(Rig::parse(&path.display().to_string(), &text)?)
}

fn own_or_built_in(path: &Path, built_in: Option<&str>) -> Result<Option<Source>, PromptError> {
    if path.exists() {
        return Ok(Some(Source { name: path.display().to_string(), text: read(path)? }));
    }
    let name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    Ok(built_in.map(|text| Source { name, text: text.to_owned() }))
}

/// A text of the user's.
///
/// # Errors
/// It cannot be read.
pub fn read(path: &Path) -> Result<String, PromptError> {
    if path.is_dir() {
        return Err(PromptError::Folder { path: path.to_owned() });
    }
    let bytes = fs::read(path).map_err(|source| PromptError::Unreadable { path: path.to_owned(), source })?;
    String::from_utf8(bytes).map_err(|why| {
        let before = &why.as_bytes()[..why.utf8_error().valid_up_to()];
        let line = 1 + before.iter().filter(|&&byte| byte == b'\n').count();
        PromptError::NotUtf8 { path: path.to_owned(), line }
    })
}
