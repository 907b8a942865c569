//! The command line.

use std::io;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{Args, Parser, Subcommand, ValueEnum};

use crate::cli::AppError;
use crate::cli::fetch;
use crate::cli::figure_command::{self, FigureArgs};
use crate::cli::hear_command;
use crate::cli::hear_command::HearRequest;
use crate::cli::learn_command;
use crate::cli::lint_command;
use crate::cli::lint_command::LintRequest;
use crate::cli::log_command;
use crate::cli::mic_command;
use crate::cli::paper_command;
use crate::cli::plan_command::{self, PlanArgs};
use crate::cli::prompts_command;
use crate::cli::rig_command;
use crate::cli::run_command;
use crate::cli::run_page;
use crate::cli::say_command;
use crate::cli::say_command::SayRequest;
use crate::cli::stats_command;
use crate::conductor::rehearse::{Pace, Rehearsal, rehearse};
use crate::engine::output::VoiceSettings;
use crate::journal::{JournalReader, RunId};
use crate::say::NumberReading;
use crate::say::mixer::PACES;
use crate::setup::clock::{self, Clock};
use crate::setup::models;
use crate::setup::places::Places;
use crate::speech::vosk::{VoskSettings, fetched_library};

/// A spare hand that talks: reads the steps of breaking camp aloud, hears short answers, keeps the clocks. Offline.
#[derive(Debug, Parser)]
#[command(version, about)]
pub struct Cli {
    #[command(subcommand)]
    pub command: Command,
}

#[derive(Debug, Subcommand)]
pub enum Command {
    /// Carry out a routine by voice; goes on with one that was broken off.
    Run(RunArgs),
    /// Carry out a routine with a simulated person, without any device.
    Rehearse(RehearseArgs),
    /// Recognise phrases in WAV files.
    Hear(HearArgs),
    /// Speak a text, or write it to a WAV file.
    Say(SayArgs),
    /// Measure the microphone, say what to change, and remember it.
    Mic(mic_command::MicArgs),
    /// Learn in two minutes how somebody speaks, show it, or take it back; never needed.
    LearnVoice(learn_command::LearnArgs),
    /// List past runs, or show one.
    Log(LogArgs),
    /// Describe the rig: asks one thing at a time and writes rig.toml, keeping the one that was there.
    Rig(RigArgs),
    /// Look routines, or changes to them, over for faults.
    Lint(LintArgs),
    /// Reckon a figure of the trade: tanks, water, electricity, tyres, weights, daylight.
    Figure(FigureArgs),
    /// Tell when to begin to be away on time, and while under way whether that holds.
    Plan(PlanArgs),
    /// Make a routine of a list in a spreadsheet (CSV, XLSX, ODS).
    BringIn(paper_command::BringInArgs),
    /// Write a routine as a spreadsheet.
    HandOut(paper_command::HandOutArgs),
    /// Print a routine as a sheet with boxes to tick (PDF).
    Sheet(paper_command::SheetArgs),
    /// Download the speech models that are not there yet.
    Fetch {
        /// A group of the models manifest besides what is always needed, such as vosk-ko (94 MB; 280 MB on the disk); once for each.
        #[arg(long, value_name = "GROUP")]
        with: Vec<String>,
    },
    /// Write everything the program can say to WAV files with a list of the texts.
    Prompts {
        /// Folder for the sound files and `prompts.tsv`.
        #[arg(long, value_name = "DIR")]
        out: PathBuf,
    },
}

#[derive(Debug, Args)]
pub struct RunArgs {
    /// Name of the routine or move, such as tank-dump or leave.
    pub routine: String,
    /// Rig file; without it, rig.toml in the configuration folder, or common practice.
    #[arg(long, value_name = "FILE")]
    pub rig: Option<PathBuf>,
    /// Somebody who takes part, by the name in the rig file; once for each.
    #[arg(long, value_name = "NAME")]
    pub with: Vec<String>,
    /// Journal file; without it, the one in the data folder.
    #[arg(long, value_name = "FILE")]
    pub journal: Option<PathBuf>,
    /// When to be away, such as 10:00: tells when it becomes late, and answers "are we on time".
    #[arg(long, value_name = "TIME", value_parser = plan_command::time)]
    pub away_by: Option<jiff::civil::Time>,
    /// Leave a run that was broken off as it is, and begin anew.
    #[arg(long)]
    pub anew: bool,
    /// Run even without a microphone or a loudspeaker, by keys and screen.
    #[arg(long)]
    pub keys: bool,
    /// Microphone by name or id.
    #[arg(long, value_name = "NAME")]
    pub microphone: Option<String>,
    /// Loudspeaker by name or id.
    #[arg(long, value_name = "NAME")]
    pub loudspeaker: Option<String>,
    /// Keep all sound in this WAV file, to look into what was misheard: left the microphone, right what was played.
    #[arg(long, value_name = "FILE")]
    pub keep_sound: Option<PathBuf>,
    #[command(flatten)]
    pub vosk: VoskArgs,
}

/// Answers in another language than English.
#[derive(Clone, Debug, Default, Args)]
pub struct VoskArgs {
    /// Hear with Vosk and the model in this folder, for answers in its language; without it, in English.
    #[arg(long, value_name = "DIR")]
    pub vosk_model: Option<PathBuf>,
    /// Vosk's library, libvosk.so; without it, the one that `fetch --with vosk-ko` brings.
    #[arg(long, value_name = "FILE", requires = "vosk_model")]
    pub vosk_library: Option<PathBuf>,
    /// Short words of the model's language, one a line, to tell other speech by; without it, Korean syllables.
    #[arg(long, value_name = "FILE", requires = "vosk_model")]
    pub vosk_fillers: Option<PathBuf>,
}

impl VoskArgs {
    /// What to load; none where the program hears in English. The library is looked for in `models` where none is named.
    pub fn settings(&self, models: &Path) -> Option<VoskSettings> {
        self.vosk_model.clone().map(|model| VoskSettings {
            library: self.vosk_library.clone().unwrap_or_else(|| fetched_library(models)),
            model,
            fillers: self.vosk_fillers.clone(),
        })
    }
}

#[derive(Debug, Args)]
pub struct RehearseArgs {
    /// Name of the routine or move, such as tank-dump or leave.
    pub routine: String,
    /// Rig file; without it, rig.toml in the configuration folder, or common practice.
    #[arg(long, value_name = "FILE")]
    pub rig: Option<PathBuf>,
    /// Somebody who takes part, by the name in the rig file; once for each.
    #[arg(long, value_name = "NAME")]
    pub with: Vec<String>,
    /// What the simulated person says; without it, they answer as asked.
    #[arg(long, value_name = "FILE")]
    pub script: Option<PathBuf>,
    /// Folder for the session's sound, talk, journal and summary.
    #[arg(long, value_name = "DIR", default_value = "rehearsal")]
    pub out: PathBuf,
    /// How fast time passes.
    #[arg(long, value_enum, default_value_t = Pace::Virtual)]
    pub pace: Pace,
    #[command(flatten)]
    pub vosk: VoskArgs,
}

#[derive(Debug, Args)]
pub struct HearArgs {
    /// The phrases that may be heard, one a line.
    #[arg(long, value_name = "FILE")]
    pub phrases: PathBuf,
    /// A recording of the noise alone; without it, noise in general is assumed.
    #[arg(long, value_name = "WAV")]
    pub background: Option<PathBuf>,
    /// One JSON object a line.
    #[arg(long)]
    pub json: bool,
    /// The recordings.
    #[arg(required = true, value_name = "WAV")]
    pub files: Vec<PathBuf>,
    #[command(flatten)]
    pub vosk: VoskArgs,
}

#[derive(Debug, Args)]
pub struct SayArgs {
    pub text: String,
    /// Write a WAV file instead of playing.
    #[arg(short, long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// Share of the usual pace, 0.55 to 1.5.
    #[arg(long, value_name = "PACE", default_value_t = 1.0, value_parser = pace)]
    pub pace: f32,
}

/// A pace that the voice can keep.
fn pace(text: &str) -> Result<f32, String> {
    let (slowest, fastest) = PACES;
    match text.parse::<f32>() {
        Ok(pace) if (slowest..=fastest).contains(&pace) => Ok(pace),
        _ => Err(format!("found '{text}', expected a number from {slowest} to {fastest}")),
    }
}

#[derive(Debug, Args)]
pub struct RigArgs {
    /// Rig file; without it, rig.toml in the configuration folder.
    #[arg(long, value_name = "FILE")]
    pub file: Option<PathBuf>,
    /// Print the JSON Schema of a rig file instead.
    #[arg(long)]
    pub schema: bool,
}

#[derive(Debug, Args)]
pub struct LintArgs {
    /// Files, or names of routines; without any, all that ship and all of your own.
    #[arg(value_name = "FILE")]
    pub files: Vec<PathBuf>,
    /// Rig file; without it, rig.toml in the configuration folder, or common practice.
    #[arg(long, value_name = "FILE")]
    pub rig: Option<PathBuf>,
    /// Also speak every answer, in three voices, alone and in noise, and hear whether it is taken for something else.
    #[arg(long)]
    pub by_ear: bool,
    /// Print the JSON Schema of such a file instead.
    #[arg(long, value_enum, value_name = "KIND", conflicts_with = "files")]
    pub schema: Option<SchemaOf>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum SchemaOf {
    Routine,
    Changes,
}

#[derive(Debug, Args)]
pub struct LogArgs {
    /// Number of the run to show; without it, all runs are listed.
    pub run: Option<i64>,
    /// One JSON object a line.
    #[arg(long)]
    pub json: bool,
    /// Tell what all runs add up to: times by step and person, what was skipped, readings.
    #[arg(long, conflicts_with = "run")]
    pub stats: bool,
    /// With --stats: write a page with pictures to this file as well.
    #[arg(long, value_name = "FILE", requires = "stats")]
    pub page: Option<PathBuf>,
    /// Write the run as a page (HTML) that opens from the disk, into the file of --out.
    #[arg(long, requires = "run", requires = "out", conflicts_with_all = ["json", "stats"])]
    pub html: bool,
    /// The page to write.
    #[arg(short, long, value_name = "FILE", requires = "html")]
    pub out: Option<PathBuf>,
    /// Write over a page of the same name, keeping the old one beside it.
    #[arg(long, requires = "html")]
    pub replace: bool,
    /// Journal file; without it, the one in the data folder.
    #[arg(long, value_name = "FILE")]
    pub journal: Option<PathBuf>,
}

impl Cli {
    /// Carries out the command.
    ///
    /// # Errors
    /// The message says where, what was found, what was expected and what to do.
    pub fn execute(self) -> Result<ExitCode, AppError> {
        let places = Places::of_user()?;
        match self.command {
            Command::Run(args) => run_command::run(&args, &places)?,
            Command::Rehearse(args) => {
                models::verify(&places.models)?;
                let RehearseArgs { routine, rig, with, script, out, pace, vosk } = args;
                let sounds = places.sounds().hearing_with(vosk.settings(&places.models));
                let sounds = learn_command::hearing_those(sounds, &with, &places, &mut io::stdout().lock())?;
                let rehearsal = Rehearsal { routine, rig, with, script, out, pace };
                rehearse(&rehearsal, &sounds, &places.config)?.print(&rehearsal.out);
            }
            Command::Hear(args) => {
                models::verify(&places.models)?;
                let clock = Clock::start();
                let request = HearRequest {
                    phrases: args.phrases,
                    background: args.background,
                    json: args.json,
                    wavs: args.files,
                    vosk: args.vosk.settings(&places.models),
                    models: places.models,
                };
                let failed = hear_command::run(&request, &|| clock.since_start(), &mut io::stdout().lock())?;
                if failed > 0 {
                    return Ok(ExitCode::FAILURE);
                }
            }
            Command::Say(args) => {
                models::verify(&places.models)?;
                let sounds = places.sounds();
                let request = SayRequest {
                    text: args.text,
                    into_file: args.out,
                    device: None,
                    settings: VoiceSettings { speed: args.pace, ..VoiceSettings::default() },
                    reading: NumberReading::Everyday,
                    wording: sounds.wording.is_dir().then(|| sounds.wording.clone()),
                    cache: Some(sounds.cache.clone()),
                };
                say_command::say(&sounds.environment()?, &places.models, &request)?;
            }
            Command::Log(args) => {
                let path = args.journal.unwrap_or_else(|| places.journal());
                let journal = JournalReader::open(&path)?;
                let form = if args.json { log_command::Form::Json } else { log_command::Form::Text };
                let zone = jiff::tz::TimeZone::system();
                let out = &mut io::stdout().lock();
                if args.stats {
                    stats_command::run(out, &journal, &places, form, args.page.as_deref(), &zone)?;
                    return Ok(ExitCode::SUCCESS);
                }
                match args.run {
                    Some(run) if args.html => {
                        let file = args.out.unwrap_or_default();
                        run_page::write(&journal, RunId(run), &zone, &places, &file, args.replace)?;
                    }
                    Some(run) => log_command::show(out, &journal, RunId(run), form, &zone)?,
                    None => log_command::list(out, &journal, form, &zone)?,
                }
            }
            Command::Rig(args) if args.schema => print_schema(&crate::rig::json_schema())?,
            Command::Rig(args) => {
                let path = args.file.unwrap_or_else(|| places.config.join("rig.toml"));
                let questions = rig_command::questions(&places.config)?;
                rig_command::interview(&path, &questions, &mut io::stdin().lock(), &mut io::stdout().lock())?;
            }
            Command::Lint(LintArgs { schema: Some(SchemaOf::Routine), .. }) => {
                print_schema(&crate::routine::routine_schema())?;
            }
            Command::Lint(LintArgs { schema: Some(SchemaOf::Changes), .. }) => {
                print_schema(&crate::routine::changes_schema())?;
            }
            Command::Lint(LintArgs { files, rig, by_ear, schema: None }) => {
                let request = LintRequest { files, rig, by_ear };
                let (errors, _) = lint_command::lint(&request, &places, &mut io::stdout().lock())?;
                if errors > 0 {
                    return Ok(ExitCode::FAILURE);
                }
            }
            Command::Mic(args) => {
                models::verify(&places.models)?;
                mic_command::mic(&args, &places, &mut io::stdout().lock())?;
            }
            Command::LearnVoice(args) => learn_command::learn(&args, &places, &mut io::stdout().lock())?,
            Command::Figure(args) => {
                let (list, out) = (&mut io::stdin().lock(), &mut io::stdout().lock());
                return Ok(figure_command::run(&args, list, &clock::wall, out)?);
            }
            Command::Plan(args) => plan_command::run(&args, &places, &mut io::stdout().lock())?,
            Command::BringIn(args) => paper_command::bring_in(&args, &places)?,
            Command::HandOut(args) => paper_command::hand_out(&args, &places)?,
            Command::Sheet(args) => paper_command::print_sheet(&args, &places)?,
            Command::Fetch { with } => {
                let groups = std::iter::once(models::CORE).chain(with.iter().map(String::as_str));
                let fetched = fetch::fetch_with_progress(groups, &places.models)?;
                println!(
                    "{} model files brought, {} were there already, in {}",
                    fetched.installed,
                    fetched.kept,
                    places.models.display()
                );
            }
            Command::Prompts { out } => prompts_command::write(&out, &places)?,
        }
        Ok(ExitCode::SUCCESS)
    }
}

fn print_schema(schema: &schemars::Schema) -> Result<(), AppError> {
    let text = serde_json::to_string_pretty(schema).map_err(io::Error::from).map_err(AppError::Talk)?;
    println!("{text}");
    Ok(())
}
