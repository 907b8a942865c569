//! A sentence made ready to play, in small steps: from the cache, or phonemes, spectrum, samples, trimming and levelling.
//!
//! Each step is short (the longest is the model's), so that the next sentence can be made ready while this one plays
//! without the loudspeaker running dry.

use std::sync::Arc;

use crate::audio::resample::{Doubler, ResampleError};
use crate::say::loudness::{LoudnessError, SPEECH, level, loudest};
use crate::say::mixer::SentenceError;
use crate::say::text::Reader;
use crate::speech::voice::cache::Cache;
use crate::speech::voice::model::{SAMPLE_RATE, Voice, VoiceError};
use crate::speech::voice::spectrum::Spectrum;

/// A voice with its cache and the step to the loudspeaker's rate.
pub struct Workbench {
    voice: Voice,
    cache: Option<Cache>,
    doubler: Doubler,
}

impl Workbench {
    /// A workbench; without a cache every sentence is computed.
    ///
    /// # Errors
    ///
    /// The resampler cannot be made.
    pub fn new(voice: Voice, cache: Option<Cache>) -> Result<Self, PrepareError> {
        Ok(Self { voice, cache, doubler: Doubler::new()? })
    }

    /// What puts text into words, as this voice says it.
    pub fn reader(&self) -> Arc<Reader> {
        self.voice.reader()
    }

    /// The voice.
    pub fn voice(&mut self) -> &mut Voice {
        &mut self.voice
    }

    /// Lets go of what takes much memory and was not needed since the last call; see [`Voice::rest`].
    pub fn rest(&mut self) {
        self.voice.rest();
    }

    /// Samples of a sentence at 24 kHz, trimmed and levelled to -16 LUFS; kept in the cache.
    ///
    /// # Errors
    ///
    /// As of the steps.
    pub fn sentence(&mut self, sentence: &str, speed: f32) -> Result<Vec<f32>, PrepareError> {
        let mut preparation = Preparation::new(sentence, speed);
        loop {
            if let State::Levelled(samples) = preparation.state {
                return Ok(samples);
            }
            preparation.step(self)?;
        }
    }
}

/// A sentence on its way.
pub(crate) struct Preparation {
    sentence: String,
    marked: String,
    /// Hundredths matter, no more: that is how the cache tells speeds apart.
    speed: f32,
    state: State,
}

enum State {
    New,
    Phonemes {
        pieces: Vec<String>,
        done: usize,
        samples: Vec<f32>,
    },
    Spectrum {
        pieces: Vec<String>,
        done: usize,
        samples: Vec<f32>,
        spectrum: Box<Spectrum>,
    },
    Raw(Vec<f32>),
    Levelled(Vec<f32>),
    /// At 48 kHz.
    Ready(Vec<f32>),
}

impl Preparation {
    pub(crate) fn new(sentence: &str, speed: f32) -> Self {
        let speed = (speed * 100.0).round() / 100.0;
        Self { sentence: sentence.to_string(), marked: String::new(), speed, state: State::New }
    }

    pub(crate) fn is_ready(&self) -> bool {
        matches!(self.state, State::Ready(_))
    }

    /// The samples at 48 kHz where they are there, or else itself.
    pub(crate) fn into_ready(self) -> Result<Vec<f32>, Self> {
        match self.state {
            State::Ready(samples) => Ok(samples),
            _ => Err(self),
        }
    }

    /// All steps that are left, then the samples at 48 kHz.
    pub(crate) fn finish(mut self, bench: &mut Workbench) -> Result<Vec<f32>, PrepareError> {
        loop {
            if let State::Ready(samples) = self.state {
                return Ok(samples);
            }
            self.step(bench)?;
        }
    }

    /// One step.
    pub(crate) fn step(&mut self, bench: &mut Workbench) -> Result<(), PrepareError> {
        self.state = match std::mem::replace(&mut self.state, State::New) {
            State::New => {
                self.marked = bench.voice.marked(&self.sentence);
                match self.cached(bench) {
                    Some(samples) => State::Levelled(samples),
                    None => {
                        let pieces = bench.voice.phonemes(&self.sentence);
                        if pieces.is_empty() {
                            return Err(PrepareError::Unspeakable { sentence: self.sentence.clone() });
                        }
                        State::Phonemes { pieces, done: 0, samples: Vec::new() }
                    }
                }
            }
            State::Phonemes { pieces, done, samples } => match pieces.get(done) {
                Some(piece) => {
                    let spectrum = Box::new(bench.voice.spectrum(piece, self.speed)?);
                    State::Spectrum { pieces, done, samples, spectrum }
                }
                None => State::Raw(samples),
            },
            State::Spectrum { pieces, done, mut samples, spectrum } => {
                samples.extend(bench.voice.samples(&pieces[done], &spectrum)?);
                State::Phonemes { pieces, done: done + 1, samples }
            }
            State::Raw(samples) => {
                let samples = match level(trim(&samples), SAMPLE_RATE, SPEECH) {
                    // Quieter than the rest is better than not said.
                    Err(error @ LoudnessError::Unreachable { .. }) => {
                        tracing::warn!(%error, "a sentence is said quieter than the others");
                        loudest(trim(&samples), SAMPLE_RATE)?
                    }
                    other => other?,
                };
                if let Some(cache) = &bench.cache
                    && let Err(error) = cache.keep(&self.marked, self.speed, &samples)
                {
                    tracing::warn!(%error, "a sentence is not kept; it will be computed again next time");
                }
                State::Levelled(samples)
            }
            State::Levelled(samples) => State::Ready(bench.doubler.double(&samples)?),
            ready @ State::Ready(_) => ready,
        };
        Ok(())
    }

    fn cached(&self, bench: &Workbench) -> Option<Vec<f32>> {
        let found = bench.cache.as_ref()?.find(&self.marked, self.speed);
        found.unwrap_or_else(|error| {
            tracing::warn!(%error, "a cached sentence cannot be used; it is computed again");
            None
        })
    }
}

/// What can go wrong with a sentence.
#[derive(Debug, thiserror::Error)]
pub enum PrepareError {
    /// The voice.
    #[error(transparent)]
    Voice(#[from] VoiceError),
    /// Making it as loud as the others.
    #[error(transparent)]
    Loudness(#[from] LoudnessError),
    /// There is nothing to say.
    #[error("sentence '{sentence}': nothing in it can be said, expected words in Latin letters")]
    Unspeakable {
        /// The sentence, in words.
        sentence: String,
    },
    /// The step to what is played.
    #[error(transparent)]
    Resample(#[from] ResampleError),
}

impl From<PrepareError> for SentenceError {
    fn from(source: PrepareError) -> Self {
        Self::new(source)
    }
}

/// The sound without the silence around it. The voice begins each sentence with 0.2 to 0.3 s of silence, which a person
/// who waits for an answer would hear as slowness. Soft consonants at the edges lie far above the threshold.
fn trim(samples: &[f32]) -> &[f32] {
    let peak = samples.iter().fold(0.0f32, |peak, sample| peak.max(sample.abs()));
    let loud = |sample: &f32| sample.abs() > peak * TRIM_SHARE;
    let Some(first) = samples.iter().position(loud) else { return samples };
    let last = samples.iter().rposition(loud).unwrap_or(samples.len() - 1);
    &samples[first.saturating_sub(LEAD)..(last + TAIL).min(samples.len())]
}

/// Of the peak: -46 dB.
const TRIM_SHARE: f32 = 0.005;

/// Samples left before and after: 4 and 80 ms.
const LEAD: usize = 96;
const TAIL: usize = 1920;
