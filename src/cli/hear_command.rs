//! `sparehand hear`: scores sound files against a list of phrases, one result a file.
//!
//! Each file is one utterance. Whatever happens to one file, the others are still done.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::Duration;

use clap::Args;
use serde::Serialize;

use crate::audio::wav::{self, WavError};
use crate::cli::second_engine_args::SecondEngineArgs;
use crate::engine::output::{AllowedPhrase, PhraseClass, Prior};
use crate::onnx::{RuntimeError, environment};
use crate::setup::causes::with_causes;
use crate::setup::clock::Clock;
use crate::setup::models::{self, ModelsError};
use crate::setup::places::Places;
use crate::speech::clip::{ClipError, ClipHearing};
use crate::speech::recogniser::RecogniserError;
use crate::speech::score::ScoreSettings;
use crate::speech::vosk::{Vosk, VoskSettings};

/// What `sparehand hear` was asked to do.
#[derive(Clone, Debug)]
pub struct HearRequest {
    /// One phrase a line; blank lines and lines that begin with `#` are left out.
    pub phrases: PathBuf,
    /// Sound without speech from the same place; without it noise in general is assumed.
    pub background: Option<PathBuf>,
    /// One JSON object a line instead of a line for people.
    pub json: bool,
    pub wavs: Vec<PathBuf>,
    /// Hear with Vosk instead, in the language of its model.
    pub vosk: Option<VoskSettings>,
    /// The folder that `sparehand fetch` fills.
    pub models: PathBuf,
}

/// Does what `request` says and writes the results to `out`. `now` gives the time since any fixed moment.
///
/// Returns how many files could not be done; the program should end with an error if that is not 0.
///
/// # Errors
/// The phrases, the background or the models cannot be read, or `out` cannot be written to. Nothing is scored then, or no more.
pub fn run(request: &HearRequest, now: &dyn Fn() -> Duration, out: &mut dyn Write) -> Result<usize, HearCommandError> {
    let phrases = read_phrases(&request.phrases)?;
    let background = request.background.as_deref().map(wav::read).transpose()?;
    let mut hearing = match &request.vosk {
        Some(settings) => {
            let vosk = Vosk::load(settings).map_err(RecogniserError::from).map_err(ClipError::from)?;
            ClipHearing::with_recogniser(Box::new(vosk), phrases, background)?
        }
        None => ClipHearing::open(
            &environment(&request.models)?,
            &request.models,
            ScoreSettings::default(),
            phrases,
            background,
        )?,
    };
    let mut failed = 0;
    for file in &request.wavs {
        let line = match hear_file(&mut hearing, file, now) {
            Ok(found) if request.json => serde_json::to_string(&found),
            Ok(found) => Ok(found.to_string()),
            Err(why) => {
                failed += 1;
                let error = Failure { file: file.display().to_string(), error: with_causes(&why) };
                if request.json {
                    serde_json::to_string(&error)
                } else {
                    Ok(format!("{}: error: {}", error.file, error.error))
                }
            }
        };
        let line = line.map_err(|why| HearCommandError::Write(why.into()))?;
        writeln!(out, "{line}").map_err(HearCommandError::Write)?;
    }
    Ok(failed)
}

/// The result for one file, as it is written in JSON. Scores are in nats.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct FileHeard {
    pub file: String,
    /// The phrase, if it is good enough to act on or to ask about.
    pub phrase: Option<String>,
    /// The phrase that came nearest.
    pub best: Option<String>,
    pub score: Option<f32>,
    pub margin: f32,
    /// Why `best` is not good enough, where it is not.
    pub reason: Option<String>,
    pub free_text: String,
    pub audio_s: f64,
    pub took_ms: f64,
}

impl std::fmt::Display for FileHeard {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let heard = self.phrase.as_deref().unwrap_or("-");
        let best = self.best.as_deref().unwrap_or("-");
        let score = self.score.unwrap_or(f32::NEG_INFINITY);
        let refused = self.reason.as_ref().map_or(String::new(), |reason| format!("refused: {reason}, "));
        write!(
            f,
            "{}: {heard} ({refused}best {best}, score {score:.1}, margin {:.1}, freely \"{}\", {:.2} s in {:.0} ms)",
            self.file, self.margin, self.free_text, self.audio_s, self.took_ms
        )
    }
}

#[derive(Serialize)]
struct Failure {
    file: String,
    error: String,
}

fn hear_file(
    hearing: &mut ClipHearing,
    file: &Path,
    now: &dyn Fn() -> Duration,
) -> Result<FileHeard, HearCommandError> {
    let samples = wav::read(file)?;
    let before = now();
    let found = hearing.hear(&samples)?;
    let took = now().saturating_sub(before);
    let best = found.verdict.best.map(|index| hearing.phrases()[index].text.clone());
    Ok(FileHeard {
        file: file.display().to_string(),
        phrase: best.clone().filter(|_| found.verdict.is_understood()),
        best,
        score: found.verdict.score.is_finite().then_some(found.verdict.score),
        margin: found.verdict.margin,
        reason: found.verdict.refused.map(|reason| reason.to_string()),
        free_text: found.ranking.free.text,
        audio_s: samples.len() as f64 / crate::audio::SAMPLE_RATE as f64,
        took_ms: took.as_secs_f64() * 1000.0,
    })
}

fn read_phrases(path: &Path) -> Result<Vec<AllowedPhrase>, HearCommandError> {
    let text =
        std::fs::read_to_string(path).map_err(|source| HearCommandError::Phrases { path: path.to_owned(), source })?;
    let lines = text.lines().map(str::trim).filter(|line| !line.is_empty() && !line.starts_with('#'));
    let phrases: Vec<AllowedPhrase> = (0..)
        .zip(lines)
        .map(|(group, text)| AllowedPhrase {
            text: text.to_owned(),
            class: PhraseClass::Ordinary,
            group,
            while_speaking: true,
            prior: Prior::Allowed,
        })
        .collect();
    if phrases.is_empty() {
        return Err(HearCommandError::NoPhrases { path: path.to_owned() });
    }
    Ok(phrases)
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
    pub vosk: SecondEngineArgs,
}

/// Recognises, and prints what was heard; fails where a file could not be done.
///
/// # Errors
/// As [`run`]; a model is missing.
pub fn carry_out(args: HearArgs, places: &Places) -> Result<ExitCode, HearCommandError> {
    models::verify(&places.models)?;
    let clock = Clock::start();
    let request = HearRequest {
        vosk: args.vosk.settings(&places.models),
        phrases: args.phrases,
        background: args.background,
        json: args.json,
        wavs: args.files,
        models: places.models.clone(),
    };
    let failed = run(&request, &|| clock.since_start(), &mut std::io::stdout().lock())?;
    Ok(if failed > 0 { ExitCode::FAILURE } else { ExitCode::SUCCESS })
}

/// Why `sparehand hear` could not do its work.
#[derive(Debug, thiserror::Error)]
pub enum HearCommandError {
    #[error(transparent)]
    Models(#[from] ModelsError),
    #[error("phrase file {} cannot be read", path.display())]
    Phrases {
        path: PathBuf,
        #[source]
        source: std::io::Error,
    },
    #[error("phrase file {} has no phrases, expected one a line", path.display())]
    NoPhrases { path: PathBuf },
    #[error(transparent)]
    Wav(#[from] WavError),
    #[error(transparent)]
    Runtime(#[from] RuntimeError),
    #[error(transparent)]
    Clip(#[from] ClipError),
    #[error("the results cannot be written")]
    Write(#[source] std::io::Error),
}
