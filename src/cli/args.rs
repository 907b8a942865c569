//! The command line: which command is asked for, and what each can fail with.

use std::process::ExitCode;

use clap::{CommandFactory, FromArgMatches, Parser, Subcommand};
use thiserror::Error;

use crate::cli::doctor_command::{self, DoctorArgs, DoctorError};
use crate::cli::examples;
use crate::cli::fetch::{self, FetchArgs};
use crate::cli::fetch_progress::FetchError;
use crate::cli::figure_command::{self, FigureArgs, FigureCommandError};
use crate::cli::hear_command::{self, HearArgs, HearCommandError};
use crate::cli::learn_command::{self, LearnArgs, LearnError};
use crate::cli::log_command::{self, LogArgs, LogCommandError};
use crate::cli::mic_command::{self, MicArgs, MicError};
use crate::cli::notes_command::{self, NotesArgs, NotesError};
use crate::cli::paper_command::{self, FromTableArgs, PaperError, SheetArgs, ToTableArgs};
use crate::cli::phones_command::{self, PhonesArgs, PhonesCommandError};
use crate::cli::plan_command::{self, PlanArgs, PlanCommandError};
use crate::cli::prompts_command::{self, PromptsArgs, PromptsCommandError};
use crate::cli::proof_command::{self, ProofArgs, ProofError};
use crate::cli::rehearse_command::{self, RehearseArgs, RehearseError};
use crate::cli::rig_command::{self, RigArgs, RigCommandError};
use crate::cli::run_command::{self, RunArgs, RunError};
use crate::cli::site_command::{self, SiteArgs, SiteError};
use crate::cli::speak_command::{self, SpeakArgs, SpeakCommandError};
use crate::setup::places::{Places, PlacesError};

/// A spare hand that talks: reads the steps of breaking camp aloud, hears short answers, keeps the clocks. Offline.
#[derive(Debug, Parser)]
#[command(version, about)]
pub struct Cli {
    #[command(subcommand)]
    pub command: CliCommand,
}

#[derive(Debug, Subcommand)]
pub enum CliCommand {
    /// Carry out a routine by voice; goes on with one that was broken off.
    Run(RunArgs),
    /// Carry out a routine with a simulated person, without any device.
    Rehearse(RehearseArgs),
    /// Recognize phrases in WAV files.
    Hear(HearArgs),
    /// Speak a text, or write it to a WAV file.
    Speak(SpeakArgs),
    /// Measure the microphone, say what to change, and remember it.
    Mic(MicArgs),
    /// Learn in two minutes how somebody speaks, show it, or take it back; never needed.
    LearnVoice(LearnArgs),
    /// Look at all that a run needs, and say what to do where something is missing.
    Doctor(DoctorArgs),
    /// List past runs, or show one.
    Log(LogArgs),
    /// List the phones that are let in, forget one, or make a new certificate.
    Phones(PhonesArgs),
    /// Describe the rig: asks one thing at a time and writes rig.toml, keeping the one that was there.
    Rig(RigArgs),
    /// Show how the rig stands as past runs left it (what is out, connected, down), or tell it.
    Site(SiteArgs),
    /// List the notes that come back at their steps, or take one off the list.
    Notes(NotesArgs),
    /// Look routines, or changes to them, over for faults.
    Proof(ProofArgs),
    /// Reckon a figure of the trade: tanks, water, electricity, tires, weights, daylight.
    Figure(FigureArgs),
    /// Tell when to begin to be away on time, and while under way whether that holds.
    Plan(PlanArgs),
    /// Make a routine of a list in a spreadsheet (CSV, XLSX, ODS).
    FromTable(FromTableArgs),
    /// Write a routine as a spreadsheet.
    ToTable(ToTableArgs),
    /// Print a routine as a sheet with boxes to tick (PDF).
    Sheet(SheetArgs),
    /// Download the speech models that are not there yet.
    Fetch(FetchArgs),
    /// Write everything the program can say to WAV files with a list of the texts.
    Prompts(PromptsArgs),
}

impl Cli {
    /// The command line as help and man pages show it: with examples.
    pub fn with_examples() -> clap::Command {
        examples::shown(Self::command())
    }

    /// What was typed. Help, or what is wrong with it, is printed, and the process ends.
    pub fn of_process() -> Self {
        let matches = Self::with_examples().get_matches();
        Self::from_arg_matches(&matches).unwrap_or_else(|wrong| wrong.format(&mut Self::with_examples()).exit())
    }

    /// Carries out the command.
    ///
    /// # Errors
    /// The message says where, what was found, what was expected and what to do.
    pub fn execute(self) -> Result<ExitCode, CliError> {
        let places = Places::of_user()?;
        match self.command {
            CliCommand::Run(args) => run_command::run(&args, &places)?,
            CliCommand::Rehearse(args) => rehearse_command::run(args, &places)?,
            CliCommand::Hear(args) => return Ok(hear_command::carry_out(args, &places)?),
            CliCommand::Speak(args) => speak_command::carry_out(args, &places)?,
            CliCommand::Mic(args) => mic_command::run(&args, &places)?,
            CliCommand::LearnVoice(args) => learn_command::run(&args, &places)?,
            CliCommand::Doctor(args) => return Ok(doctor_command::carry_out(&args, &places)?),
            CliCommand::Log(args) => log_command::run(&args, &places)?,
            CliCommand::Phones(args) => phones_command::run(&args, &places)?,
            CliCommand::Rig(args) => rig_command::run(&args, &places)?,
            CliCommand::Notes(args) => notes_command::run(&args, &places, &mut std::io::stdout().lock())?,
            CliCommand::Site(args) => site_command::run(&args, &places, &mut std::io::stdout().lock())?,
            CliCommand::Proof(args) => return Ok(proof_command::run(args, &places)?),
            CliCommand::Figure(args) => return Ok(figure_command::carry_out(&args)?),
            CliCommand::Plan(args) => plan_command::run(&args, &places, &mut std::io::stdout().lock())?,
            CliCommand::FromTable(args) => paper_command::from_table(&args, &places)?,
            CliCommand::ToTable(args) => paper_command::to_table(&args, &places)?,
            CliCommand::Sheet(args) => paper_command::print_sheet(&args, &places)?,
            CliCommand::Fetch(args) => fetch::run(&args, &places)?,
            CliCommand::Prompts(args) => prompts_command::run(&args, &places)?,
        }
        Ok(ExitCode::SUCCESS)
    }
}

/// Why a command could not do its work; each says it itself.
#[derive(Debug, Error)]
pub enum CliError {
    #[error(transparent)]
    Places(#[from] PlacesError),
    #[error(transparent)]
    Run(#[from] RunError),
    #[error(transparent)]
    Rehearse(#[from] RehearseError),
    #[error(transparent)]
    Hear(#[from] HearCommandError),
    #[error(transparent)]
    Speak(#[from] SpeakCommandError),
    #[error(transparent)]
    Mic(#[from] MicError),
    #[error(transparent)]
    Learn(#[from] LearnError),
    #[error(transparent)]
    Doctor(#[from] DoctorError),
    #[error(transparent)]
    Log(#[from] LogCommandError),
    #[error(transparent)]
    Phones(#[from] PhonesCommandError),
    #[error(transparent)]
    Rig(#[from] RigCommandError),
    #[error(transparent)]
    Notes(#[from] NotesError),
    #[error(transparent)]
    Site(#[from] SiteError),
    #[error(transparent)]
    Proof(#[from] ProofError),
    #[error(transparent)]
    Figure(#[from] FigureCommandError),
    #[error(transparent)]
    Plan(#[from] PlanCommandError),
    #[error(transparent)]
    Paper(#[from] PaperError),
    #[error(transparent)]
    Fetch(#[from] FetchError),
    #[error(transparent)]
    Prompts(#[from] PromptsCommandError),
}
