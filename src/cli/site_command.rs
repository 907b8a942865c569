//! `sparehand site`: how the rig stands, shown or told between runs.

use std::collections::BTreeSet;
use std::io::{self, Write};
use std::path::PathBuf;

use clap::Args;
use thiserror::Error;

use crate::engine::phrasebook::Phrasebook;
use crate::journal::{Journal, JournalError, JournalReader};
use crate::rig::{Rig, RigState, Stands};
use crate::setup::places::{Places, PlacesError};
use crate::setup::prompts::{self, PromptError};
use crate::setup::standing::{self, RigStanding};

#[derive(Debug, Args)]
pub struct SiteArgs {
    /// What to tell: a thing and how it stands, such as mains=out, sewer=away, own-mat=unknown; without any, all is shown.
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
        "found '{found}', expected a thing and how it stands (out, away or unknown), such as mains=away; the things are: {known}; or one of your own that begins with own-"
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
    let known = things(&rig, places)?;
    let told = args.set.iter().map(|set| told(set, &known)).collect::<Result<Vec<_>, _>>()?;
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
        .collect();
    if args.json {
        serde_json::to_writer(&mut *out, &all)?;
        return Ok(writeln!(out)?);
    }
    show(out, &all, &prompts::phrasebook(&places.config)?)
}

fn show(out: &mut impl Write, all: &RigState, book: &Phrasebook) -> Result<(), SiteError> {
    for (thing, stands) in all.iter() {
        let words = book.thing(thing);
        let state = if stands == Stands::Unknown { UNKNOWN } else { words.state(stands) };
        writeln!(out, "{:<24}  {:<16}  {thing}={}", words.name, state, word(stands))?;
    }
    Ok(())
}

/// The things that the rig's routines put out or away.
fn things(rig: &Rig, places: &Places) -> Result<BTreeSet<String>, SiteError> {
    let mut found = BTreeSet::new();
    for (id, _) in prompts::ROUTINES {
        for step in prompts::routine(id, rig, &places.config)?.steps {
            found.extend(step.may_set().map(|(thing, _)| thing).chain(&step.undoes).cloned());
        }
    }
    Ok(found)
}

fn told(set: &str, known: &BTreeSet<String>) -> Result<(String, Stands), SiteError> {
    let refused =
        || SiteError::NotTold { found: set.to_owned(), known: known.iter().cloned().collect::<Vec<_>>().join(", ") };
    let (thing, state) = set.split_once('=').ok_or_else(refused)?;
    let stands = [Stands::Out, Stands::Away, Stands::Unknown].into_iter().find(|stands| word(*stands) == state);
    let is_known = known.contains(thing) || thing.strip_prefix("own-").is_some_and(|name| !name.is_empty());
    stands.filter(|_| is_known).map(|stands| (thing.to_owned(), stands)).ok_or_else(refused)
}

fn word(stands: Stands) -> &'static str {
    match stands {
        Stands::Out => "out",
        Stands::Away => "away",
        Stands::Unknown => UNKNOWN,
    }
}

const UNKNOWN: &str = "unknown";
