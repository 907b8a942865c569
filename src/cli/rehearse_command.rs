//! `sparehand rehearse`: a routine with a simulated person, without any device.

use std::io;
use std::path::PathBuf;

use clap::{Args, ValueEnum};
use thiserror::Error;

use crate::cli::learn_command::{self, LearnError};
use crate::cli::second_engine_args::SecondEngineArgs;
use crate::conductor::error::ConductorError;
use crate::conductor::rehearsal::{Pace, Rehearsal, rehearse};
use crate::setup::models::{self, ModelsError};
use crate::setup::places::Places;

#[derive(Debug, Args)]
pub struct RehearseArgs {
    /// Name of the routine or move, such as tank-dump or leave.
    pub routine: String,
    /// Rig file; without it, rig.toml in the configuration folder, or common practice.
    #[arg(long, value_name = "FILE")]
    pub rig: Option<PathBuf>,
    /// Somebody who takes part, by the name in the rig file; once for each.
    #[arg(long = "person", value_name = "NAME")]
    pub people: Vec<String>,
    /// What the simulated person says; without it, they answer as asked.
    #[arg(long, value_name = "FILE")]
    pub script: Option<PathBuf>,
    /// Folder for the session's sound, talk, journal and summary.
    #[arg(long, value_name = "DIR", default_value = "rehearsal")]
    pub out: PathBuf,
    /// How fast time passes.
    #[arg(long, value_enum, default_value_t)]
    pub pace: RehearsalPace,
    #[command(flatten)]
    pub vosk: SecondEngineArgs,
}

/// How fast time passes.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub enum RehearsalPace {
    /// As on the day.
    Real,
    /// As fast as the computing goes.
    #[default]
    Virtual,
}

/// Why nothing can be rehearsed.
#[derive(Debug, Error)]
pub enum RehearseError {
    #[error(transparent)]
    Models(#[from] ModelsError),
    #[error(transparent)]
    Learned(#[from] LearnError),
    #[error(transparent)]
    Rehearsal(#[from] ConductorError),
}

/// Rehearses and prints what it came to.
///
/// # Errors
/// Something that is needed is missing or cannot be written. What was recorded until then is kept.
pub fn run(args: RehearseArgs, places: &Places) -> Result<(), RehearseError> {
    models::verify(&places.models)?;
    let RehearseArgs { routine, rig, people, script, out, pace, vosk } = args;
    let sounds = places.sounds().hearing_with(vosk.settings(&places.models));
    let sounds = learn_command::hearing_those(sounds, &people, places, &mut io::stdout().lock())?;
    let pace = match pace {
        RehearsalPace::Real => Pace::Real,
        RehearsalPace::Virtual => Pace::Virtual,
    };
    let rehearsal = Rehearsal { routine, rig, with: people, script, out, pace };
    rehearse(&rehearsal, &sounds, &places.config)?.print(&rehearsal.out);
    Ok(())
}
