//! `sparehand speak "TEXT" [--into FILE.wav]`: says a text once, on the loudspeaker or into a WAV file.

use std::path::{Path, PathBuf};
use std::time::Duration;

use crate::audio::PLAYBACK_RATE;
use crate::audio::device::DeviceError;
use crate::cli::play_out::PlayOut;
use crate::engine::output::{Priority, SpeechId, Utterance, VoiceSettings};
use crate::onnx::Environment;
use crate::say::NumberReading;
use crate::say::mixer::PACES;
use crate::say::mixer::{FRAME, MixerEvent, SentenceError};
use crate::say::text::Reader;
use crate::say::wording::Wording;
use crate::setup::clock::pause;
use crate::setup::models::{self, ModelsError};
use crate::setup::places::Places;
use crate::setup::sound::SoundError;
use crate::speech::speaker::Speaker;
use crate::speech::voice::cache::Cache;
use crate::speech::voice::model::Voice;
use crate::speech::voice::prepare::Workbench;
use clap::Args;

/// What the command was asked for.
#[derive(Clone, Debug)]
pub struct SayRequest {
    pub text: String,
    /// A WAV file (mono, 16 bits, 48 kHz) instead of the loudspeaker.
    pub into_file: Option<PathBuf>,
    /// The id of a loudspeaker; `None` is the default one.
    pub device: Option<String>,
    pub settings: VoiceSettings,
    pub reading: NumberReading,
    /// A folder with speech tables of the user's own.
    pub wording: Option<PathBuf>,
    /// A folder to keep sentences in; `None` keeps nothing.
    pub cache: Option<PathBuf>,
}

/// Says it. Gives the time that it takes to hear it.
///
/// # Errors
///
/// A model is missing, a sentence cannot be said, the file cannot be written, or the loudspeaker does not open or dies.
pub fn say(environment: &Environment, models: &Path, request: &SayRequest) -> Result<Duration, SpeakCommandError> {
    let mut speaker = speaker(environment, models, request)?;
    speaker.say(Utterance { id: SpeechId(0), priority: Priority::Prompt, text: request.text.clone(), alarm: None });
    let frames = match &request.into_file {
        Some(path) => write_file(&mut speaker, path)?,
        None => play(&mut speaker, request.device.as_deref())?,
    };
    Ok(Duration::from_millis(10) * frames)
}

fn speaker(environment: &Environment, models: &Path, request: &SayRequest) -> Result<Speaker, SpeakCommandError> {
    let wording = Wording::load(request.wording.as_deref()).map_err(SoundError::from)?;
    let mut voice =
        Voice::load(environment, models, Reader::new(wording, request.reading)).map_err(SoundError::from)?;
    let sentences = voice.sentences(&request.text);
    let mut pieces = sentences.iter().flat_map(|sentence| voice.phonemes(sentence));
    if !pieces.any(|piece| piece.chars().any(char::is_alphabetic)) {
        return Err(SpeakCommandError::NothingToSay { text: request.text.clone() });
    }
    let cache = request.cache.as_deref().map(|folder| Cache::open(folder, voice.fingerprint())).transpose();
    let bench = Workbench::new(voice, cache.map_err(SoundError::from)?).map_err(SoundError::from)?;
    Ok(Speaker::new(bench, request.settings).map_err(SoundError::from)?)
}

#[derive(Debug, Args)]
pub struct SpeakArgs {
    pub text: String,
    /// Write a WAV file instead of playing.
    #[arg(long, value_name = "FILE")]
    pub into: Option<PathBuf>,
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

/// Says a text, or writes it to a file.
///
/// # Errors
/// As [`say`]; a model is missing.
pub fn carry_out(args: SpeakArgs, places: &Places) -> Result<(), SpeakCommandError> {
    models::verify(&places.models)?;
    let sounds = places.sounds();
    let request = SayRequest {
        text: args.text,
        into_file: args.into,
        device: None,
        settings: VoiceSettings { speed: args.pace, ..VoiceSettings::default() },
        reading: NumberReading::Everyday,
        wording: sounds.wording.is_dir().then(|| sounds.wording.clone()),
        cache: Some(sounds.cache.clone()),
    };
    say(&sounds.environment()?, &places.models, &request)?;
    Ok(())
}

/// What can go wrong with the command.
#[derive(Debug, thiserror::Error)]
pub enum SpeakCommandError {
    #[error(transparent)]
    Models(#[from] ModelsError),
    #[error(transparent)]
    Sound(#[from] SoundError),
    #[error(transparent)]
    Sentence(#[from] SentenceError),
    #[error("the text: found '{text}', expected English words or numbers; nothing of it can be said")]
    NothingToSay { text: String },
    #[error(transparent)]
    Playback(#[from] DeviceError),
    #[error("wav file {path}: cannot be written; check permissions and space")]
    File {
        path: PathBuf,
        #[source]
        source: hound::Error,
    },
}

/// Renders to the end and hands each frame on; gives the number of frames.
fn each_frame(
    speaker: &mut Speaker,
    mut take: impl FnMut(&[f32; FRAME]) -> Result<(), SpeakCommandError>,
) -> Result<u32, SpeakCommandError> {
    let mut frames = 0;
    let mut after = 0;
    // One frame more than there is speech: the limiter gives its samples a little late.
    while speaker.is_speaking() || after < 1 {
        if !speaker.is_speaking() {
            after += 1;
        }
        let mut frame = [0.0; FRAME];
        for event in speaker.render(&mut frame) {
            if let MixerEvent::Failed { error, .. } = event {
                return Err(error.into());
            }
        }
        take(&frame)?;
        frames += 1;
    }
    Ok(frames)
}

fn write_file(speaker: &mut Speaker, path: &Path) -> Result<u32, SpeakCommandError> {
    let failed = |source| SpeakCommandError::File { path: path.to_path_buf(), source };
    let form = hound::WavSpec {
        channels: 1,
        sample_rate: PLAYBACK_RATE,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut file = hound::WavWriter::create(path, form).map_err(failed)?;
    let frames = each_frame(speaker, |frame| {
        frame.iter().try_for_each(|sample| file.write_sample((sample * 32767.0).round() as i16)).map_err(failed)
    })?;
    file.finalize().map_err(failed)?;
    Ok(frames)
}

fn play(speaker: &mut Speaker, device: Option<&str>) -> Result<u32, SpeakCommandError> {
    let mut out = PlayOut::open(device)?;
    let frames = each_frame(speaker, |frame| Ok(out.play(frame)?))?;
    out.drain()?;
    pause(DEVICE_BUFFERS);
    Ok(frames)
}

const DEVICE_BUFFERS: Duration = Duration::from_millis(100);
