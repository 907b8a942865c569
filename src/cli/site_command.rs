//! `sparehand site`: how the rig stands, shown or told between runs.

use std::collections::BTreeSet;
use std::io::{self, Write};
use std::path::PathBuf;

use clap::Args;
use thiserror::Error;

use crate::engine::phrasebook::Phrasebook;
use crate::journal::{Journal, JournalError, JournalReader};
use crate::rig::{OWN, Rig, RigState, Stands, slug};
use crate::setup::places::{Places, PlacesError};
use crate::setup::prompts::{self, PromptError};
use crate::setup::standing::{self, RigStanding};

#[derive(Debug, Args)]
pub struct SiteArgs {
    /// What to tell: a thing and how it stands, such as shore-power=out, sewer=away, own-mat=unknown; without any, all is shown.
    #[arg(value_name = "THING=STATE")]
    pub set: Vec<String>,
    /// As one JSON object, by the ids of the things.
    #[arg(long)]
    pub json: bool,
    /// Rig file; without it, rig.toml in the configuration folder, or common practice.
    #[arg(long, value_name = "FILE")]
    pub rig: Option<PathBuf>,
    /// Journal file; without it, the one in the data folder.
    #[arg(long, value_name = "FILE")]
    pub journal: Option<PathBuf>,
}

/// Why how the rig stands cannot be shown or told.
#[derive(Debug, Error)]
pub enum SiteError {
    #[error(transparent)]
    Prompts(#[from] PromptError),
    #[error(transparent)]
    Places(#[from] PlacesError),
    #[error(transparent)]
    Journal(#[from] JournalError),
    #[error(
        "found '{found}', expected a thing and how it stands (out, away or unknown), such as shore-power=away; the things are: {known}; or one of your own that begins with own-"
    )]
    NotTold { found: String, known: String },
    #[error("cannot write how the rig stands: found '{0}', expected an output that takes it")]
    Output(#[from] io::Error),
    #[error("cannot be written as data")]
    Data(#[from] serde_json::Error),
}

/// Tells what is to be told, then shows how everything stands.
///
/// # Errors
/// A thing that nobody knows, a journal that cannot be read or written, an output that does not take it.
pub fn run(args: &SiteArgs, places: &Places, out: &mut impl Write) -> Result<(), SiteError> {
    let rig = prompts::rig(args.rig.as_deref(), &places.config)?;
    let path = args.journal.clone().unwrap_or_else(|| places.journal());
    let book = prompts::phrasebook(&places.config)?;
    let known = things(&rig, places, &book)?;
    let told = args.set.iter().map(|set| told(set, &known, &book)).collect::<Result<Vec<_>, _>>()?;
    if !told.is_empty() {
        if let Some(folder) = path.parent().filter(|folder| !folder.as_os_str().is_empty()) {
            Places::make(folder)?;
        }
        standing::tell(&mut Journal::open(&path)?, &told)?;
    }
    let stands = if path.exists() {
        standing::read(&JournalReader::open(&path)?, &rig, &places.config)?
    } else {
        RigStanding::default()
    };
    stands.left_out().iter().for_each(|line| eprintln!("{line}"));
    let stands = stands.rig;
    let all: RigState = known
        .iter()
        .map(|thing| (thing.clone(), stands.of(thing)))
        .chain(stands.iter().map(|(thing, stands)| (thing.to_owned(), stands)))
        .filter(|(thing, _)| !book.thing(thing).name.is_empty())
        .collect();
    if args.json {
        serde_json::to_writer(&mut *out, &all)?;
        return Ok(writeln!(out)?);
    }
    show(out, &all, &book)
}

fn show(out: &mut impl Write, all: &RigState, book: &Phrasebook) -> Result<(), SiteError> {
    for (thing, stands) in all.iter() {
        let words = book.thing(thing);
        let state = if stands == Stands::Unknown { UNKNOWN } else { words.state(stands) };
        writeln!(out, "{:<24}  {:<16}  {}={}", words.name, state, typed(thing, book), word(stands))?;
    }
    Ok(())
}

/// A thing as it is said, in one word.
fn typed(thing: &str, book: &Phrasebook) -> String {
    if thing.starts_with(OWN) { thing.to_owned() } else { slug(&book.thing(thing).name) }
}

/// The things that the rig's routines put out or away. A step for all of a kind tells of none by its name.
fn things(rig: &Rig, places: &Places, book: &Phrasebook) -> Result<BTreeSet<String>, SiteError> {
    let mut found = BTreeSet::new();
    for (id, _) in prompts::ROUTINES {
        for step in prompts::routine(id, rig, &places.config)?.steps {
            found.extend(step.may_set().map(|(thing, _)| thing).chain(&step.undoes).cloned());
        }
    }
    found.retain(|thing| !book.thing(thing).name.is_empty());
    Ok(found)
}

/// Reads a thing, by its id or as it is said, and how it stands.
fn told(set: &str, known: &BTreeSet<String>, book: &Phrasebook) -> Result<(String, Stands), SiteError> {
    let all = || known.iter().map(|thing| typed(thing, book)).collect::<Vec<_>>().join(", ");
    let refused = || SiteError::NotTold { found: set.to_owned(), known: all() };
    let (thing, state) = set.split_once('=').ok_or_else(refused)?;
    let stands = [Stands::Out, Stands::Away, Stands::Unknown].into_iter().find(|stands| word(*stands) == state);
    let said = slug(thing);
    let mut as_said = known.iter().filter(|known| typed(known, book) == said);
    let thing = match (known.get(thing), as_said.next(), as_said.next()) {
        (Some(id), ..) | (None, Some(id), None) => id.as_str(),
        _ if thing.strip_prefix(OWN).is_some_and(|name| !name.is_empty()) => thing,
        _ => return Err(refused()),
    };
    stands.map(|stands| (thing.to_owned(), stands)).ok_or_else(refused)
}

fn word(stands: Stands) -> &'static str {
    match stands {
        Stands::Out => "out",
        Stands::Away => "away",
        Stands::Unknown => UNKNOWN,
    }
}

const UNKNOWN: &str = "unknown";
