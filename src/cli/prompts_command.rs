//! `sparehand prompts`: everything that can be said ahead of time, as sound files with a list of the texts. For checking by
//! ear, or by a recogniser that is not the program's own.

use std::fmt::Write as _;
use std::io;
use std::path::{Path, PathBuf};

use clap::Args;
use hound::{SampleFormat, WavSpec, WavWriter};
use thiserror::Error;

use crate::engine::Engine;
use crate::engine::output::VoiceSettings;
use crate::rig::Rig;
use crate::setup::places::{Places, PlacesError};
use crate::setup::prompts::{self, PromptError};
use crate::setup::sound::SoundError;
use crate::speech::voice::cache::Cache;
use crate::speech::voice::model::SAMPLE_RATE;
use crate::speech::voice::prepare::Workbench;

#[derive(Debug, Args)]
pub struct PromptsArgs {
    /// Folder for the sound files and `prompts.tsv`.
    #[arg(long, value_name = "DIR")]
    pub out: PathBuf,
}

/// Why the prompts cannot be written.
#[derive(Debug, Error)]
pub enum PromptsCommandError {
    #[error(transparent)]
    Places(#[from] PlacesError),
    #[error(transparent)]
    Prompts(#[from] PromptError),
    #[error(transparent)]
    Sound(#[from] SoundError),
    #[error("{path}: cannot be made or written; check that the disk has room and that you may write there")]
    Folder { path: PathBuf, source: io::Error },
    #[error("{path}: the sound cannot be written; check that the disk has room and that you may write there")]
    Recording { path: PathBuf, source: hound::Error },
}

/// Writes every prompt as a sound file.
///
/// # Errors
/// As [`write()`].
pub fn run(args: &PromptsArgs, places: &Places) -> Result<(), PromptsCommandError> {
    write(&args.out, places)
}

/// Writes `0000.wav` and on (24 kHz mono) and `prompts.tsv` with lines of `file<TAB>text`, for every routine and both ways of
/// rinsing.
///
/// # Errors
/// A model is missing, a prompt cannot be said, or the folder cannot be written to.
pub fn write(out: &Path, places: &Places) -> Result<(), PromptsCommandError> {
    Places::make(out)?;
    let sounds = places.sounds();
    let voice = sounds.voice()?;
    let cache = Cache::open(&sounds.cache, voice.fingerprint()).map_err(SoundError::from)?;
    let mut bench = Workbench::new(voice, Some(cache)).map_err(SoundError::from)?;
    let mut list = String::new();
    for (number, text) in all_texts(places)?.iter().enumerate() {
        let name = format!("{number:04}.wav");
        let sentences = bench.voice().sentences(text);
        let mut samples = Vec::new();
        for sentence in sentences {
            samples.extend(bench.sentence(&sentence, 1.0).map_err(SoundError::from)?);
            samples.extend(vec![0.0; SAMPLE_RATE as usize / 4]);
        }
        write_wav(&out.join(&name), &samples)?;
        // Writing into a string cannot fail.
        let _ = writeln!(list, "{name}\t{text}");
    }
    let path = out.join("prompts.tsv");
    std::fs::write(&path, list).map_err(|source| PromptsCommandError::Folder { path, source })
}

fn all_texts(places: &Places) -> Result<Vec<String>, PromptsCommandError> {
    let mut texts = Vec::new();
    for rig in ["fill-and-release", "rinse-through"] {
        let rig =
            Rig::parse("built-in rig", &format!("[tank_dump]\nrinse_method = \"{rig}\"")).map_err(PromptError::from)?;
        for (id, _) in prompts::ROUTINES {
            let Some(source) = prompts::routine_source(id, &places.config)? else { continue };
            let routine = prompts::load_from(&source, &rig, &places.config)?;
            let book = prompts::phrasebook(&places.config)?;
            for text in Engine::new(routine, book, VoiceSettings::default()).fixed_prompts() {
                if !texts.contains(&text) {
                    texts.push(text);
                }
            }
        }
    }
    Ok(texts)
}

fn write_wav(path: &Path, samples: &[f32]) -> Result<(), PromptsCommandError> {
    let fault = |source| PromptsCommandError::Recording { path: path.to_owned(), source };
    let spec = WavSpec { channels: 1, sample_rate: SAMPLE_RATE, bits_per_sample: 16, sample_format: SampleFormat::Int };
    let mut writer = WavWriter::create(path, spec).map_err(fault)?;
    for sample in samples {
        writer.write_sample((sample.clamp(-1.0, 1.0) * f32::from(i16::MAX)) as i16).map_err(fault)?;
    }
    writer.finalize().map_err(fault)
}
