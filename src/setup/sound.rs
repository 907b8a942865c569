//! Puts the ear and the voice together from the models, the phrase tables and the cache.

use std::path::{Path, PathBuf};
use std::sync::{Arc, OnceLock};

use thiserror::Error;

use crate::audio::resample::{Decimator, ResampleError};
use crate::engine::output::VoiceSettings;
use crate::hear::detector::SpeechDetector;
use crate::hear::ear::Ear;
use crate::onnx::Environment;
use crate::onnx::{RuntimeError, environment};
use crate::say::NumberReading;
use crate::say::loudness::LoudnessError;
use crate::say::mixer::Mixer;
use crate::say::signals::Signals;
use crate::say::text::Reader;
use crate::say::wording::{Wording, WordingError};
use crate::setup::causes::with_causes;
use crate::speech::listener::ListenError;
use crate::speech::own_examples::OwnExamples;
use crate::speech::recogniser::{PhraseScoring, Recogniser, RecogniserError};
use crate::speech::score::ScoreSettings;
use crate::speech::speaker::Speaker;
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
    /// What puts text into words, made once: its tables take megabytes.
    pub reader: Arc<OnceLock<Arc<Reader>>>,
}

/// Why there is no ear or no voice.
#[derive(Debug, Error)]
pub enum SoundError {
    #[error(transparent)]
    Runtime(#[from] RuntimeError),
    #[error(transparent)]
    Listen(#[from] ListenError),
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
    Resample(#[from] ResampleError),
}

impl Sounds {
    /// An ear that has not been told yet what to listen for, for a station; whatever it wants recognised is done by [`Self::recogniser`].
    ///
    /// # Errors
    /// A model is missing or damaged.
    pub fn ear(&self) -> Result<Ear, SoundError> {
        let detector = SpeechDetector::in_folder(&self.environment()?, &self.models).map_err(ListenError::from)?;
        Ok(Ear::new(detector))
    }

    /// The recognition engine that all stations share.
    ///
    /// # Errors
    /// A model is missing or damaged.
    pub fn recogniser(&self) -> Result<Box<dyn Recogniser>, SoundError> {
        Ok(match &self.vosk {
            Some(vosk) => Box::new(Vosk::load(vosk).map_err(RecogniserError::from).map_err(ListenError::from)?),
            None => {
                let scoring = PhraseScoring::load(&self.environment()?, &self.models, ScoreSettings::default());
                Box::new(scoring.map_err(ListenError::from)?.with_own(Arc::clone(&self.own)))
            }
        })
    }

    /// A mixer with nothing to say, for a station.
    ///
    /// # Errors
    /// A table of how words are read is refused, or the alarm signals cannot be made.
    pub fn mixer(&self) -> Result<Mixer, SoundError> {
        Ok(Mixer::new(self.reader()?, Arc::new(Signals::new()?), VoiceSettings::default()))
    }

    /// What puts text into words.
    ///
    /// # Errors
    /// A table is refused.
    pub fn reader(&self) -> Result<Arc<Reader>, SoundError> {
        if let Some(reader) = self.reader.get() {
            return Ok(Arc::clone(reader));
        }
        let own: Option<&Path> = self.wording.is_dir().then_some(self.wording.as_path());
        let reader = Arc::new(Reader::new(Wording::load(own)?, NumberReading::Everyday));
        // Where two made one at once, the first stays.
        Ok(Arc::clone(self.reader.get_or_init(|| reader)))
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
    pub fn speaker(&self) -> Result<Speaker, SoundError> {
        Ok(Speaker::new(self.workbench()?, VoiceSettings::default())?)
    }

    /// What makes the sentences of all stations.
    ///
    /// # Errors
    /// As [`Self::speaker`].
    pub fn workbench(&self) -> Result<Workbench, SoundError> {
        let voice = self.voice()?;
        let cache = Cache::open(&self.cache, voice.fingerprint());
        if let Err(error) = &cache {
            tracing::warn!(error = with_causes(error), "sentences are not kept");
        }
        Ok(Workbench::new(voice, cache.ok())?)
    }

    /// The bare voice.
    ///
    /// # Errors
    /// A model is missing or damaged, or a table is refused.
    pub fn voice(&self) -> Result<Voice, SoundError> {
        Ok(Voice::load(&self.environment()?, &self.models, self.reader()?)?)
    }

    /// From what is played to what the echo canceller is given.
    ///
    /// # Errors
    /// The resampler cannot be made.
    pub fn decimator(&self) -> Result<Decimator, SoundError> {
        Ok(Decimator::new()?)
    }

    /// The one ONNX Runtime of the process.
    ///
    /// # Errors
    /// Its library is missing or damaged.
    pub fn environment(&self) -> Result<Environment, SoundError> {
        Ok(environment(&self.models)?)
    }
}
