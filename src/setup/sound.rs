//! Puts the ear and the voice together from the models, the phrase tables and the cache.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use thiserror::Error;

use crate::audio::playback::{Decimator, PlaybackError};
use crate::cli::AppError;
use crate::engine::output::VoiceSettings;
use crate::onnx::Environment;
use crate::onnx::{RuntimeError, environment};
use crate::say::NumberReading;
use crate::say::loudness::LoudnessError;
use crate::say::mixer::Speaker;
use crate::say::text::Reader;
use crate::say::wording::{Wording, WordingError};
use crate::speech::listener::{ListenError, Listener, ListenerSettings};
use crate::speech::own_examples::OwnExamples;
use crate::speech::recogniser::{PhraseScoring, Recogniser, RecogniserError};
use crate::speech::voice::cache::{Cache, CacheError};
use crate::speech::voice::model::{Voice, VoiceError};
use crate::speech::voice::prepare::{PrepareError, Workbench};
use crate::speech::vosk::{Vosk, VoskSettings};

/// Where everything that sounds comes from. Cheap to copy: each thread makes its own ear or voice from it.
#[derive(Clone, Debug)]
pub struct Sounds {
    pub models: PathBuf,
    /// Where sentences are kept once they have been synthesised.
    pub cache: PathBuf,
    /// The user's own tables of how words are read (`speech/` in the configuration folder).
    pub wording: PathBuf,
    /// Where answers are given in another language than English: what they are heard with.
    pub vosk: Option<VoskSettings>,
    /// The examples of the people who may be speaking, where they have given any. Vosk has no use for them.
    pub own: Arc<OwnExamples>,
}

/// Why there is no ear or no voice.
#[derive(Debug, Error)]
pub enum SoundError {
    #[error(transparent)]
    Runtime(#[from] RuntimeError),
    #[error(transparent)]
    Wording(#[from] WordingError),
    #[error(transparent)]
    Voice(#[from] VoiceError),
    #[error(transparent)]
    Cache(#[from] CacheError),
    #[error(transparent)]
    Loudness(#[from] LoudnessError),
    #[error(transparent)]
    Prepare(#[from] PrepareError),
    #[error(transparent)]
    Playback(#[from] PlaybackError),
}

impl Sounds {
    /// An ear that has not been told yet what to listen for.
    ///
    /// # Errors
    /// A model is missing or damaged.
    pub fn listener(&self) -> Result<Listener, AppError> {
        let (environment, settings) = (self.environment()?, ListenerSettings::default());
        let recogniser: Box<dyn Recogniser> = match &self.vosk {
            Some(vosk) => Box::new(Vosk::load(vosk).map_err(RecogniserError::from).map_err(ListenError::from)?),
            None => {
                let scoring = PhraseScoring::load(&environment, &self.models, settings.scores);
                Box::new(scoring.map_err(ListenError::from)?.with_own(Arc::clone(&self.own)))
            }
        };
        Ok(Listener::with_recogniser(&environment, &self.models, settings.segments, recogniser)?)
    }

    /// The same with another recognition engine, where one is given.
    #[must_use]
    pub fn hearing_with(mut self, vosk: Option<VoskSettings>) -> Self {
        self.vosk = vosk;
        self
    }

    /// The same for people of whom something was learned.
    #[must_use]
    pub fn hearing_own(mut self, own: OwnExamples) -> Self {
        self.own = Arc::new(own);
        self
    }

    /// The program's voice, with its queue.
    ///
    /// # Errors
    /// A model is missing or damaged, or a table is refused. A cache that cannot be used only costs time.
    pub fn speaker(&self) -> Result<Speaker, AppError> {
        let voice = self.voice()?;
        let cache = Cache::open(&self.cache, voice.fingerprint());
        if let Err(error) = &cache {
            tracing::warn!(error = crate::cli::run_command::with_causes(error), "sentences are not kept");
        }
        let bench = Workbench::new(voice, cache.ok()).map_err(SoundError::from)?;
        Ok(Speaker::new(bench, VoiceSettings::default()).map_err(SoundError::from)?)
    }

    /// The bare voice.
    ///
    /// # Errors
    /// A model is missing or damaged, or a table is refused.
    pub fn voice(&self) -> Result<Voice, AppError> {
        let own: Option<&Path> = self.wording.is_dir().then_some(self.wording.as_path());
        let wording = Wording::load(own).map_err(SoundError::from)?;
        let reader = Reader::new(wording, NumberReading::Everyday);
        Ok(Voice::load(&self.environment()?, &self.models, reader).map_err(SoundError::from)?)
    }

    /// From what is played to what the echo canceller is given.
    ///
    /// # Errors
    /// The resampler cannot be made.
    pub fn decimator(&self) -> Result<Decimator, AppError> {
        Ok(Decimator::new().map_err(SoundError::from)?)
    }

    /// The one ONNX Runtime of the process.
    ///
    /// # Errors
    /// Its library is missing or damaged.
    pub fn environment(&self) -> Result<Environment, AppError> {
        Ok(environment(&self.models).map_err(SoundError::from)?)
    }
}
