//! A recording as one utterance: for files, where there is no microphone to listen on.

use std::path::Path;

use ort::environment::Environment;

use crate::audio::SAMPLE_RATE;
use crate::decide::PhraseVerdict;
use crate::decide::ranking::Ranking;
use crate::engine::output::AllowedPhrase;
use crate::speech::acoustic::SHORTEST;
use crate::speech::own_examples::States;
use crate::speech::recogniser::{PhraseScoring, Ready, Recogniser, RecogniserError};
use crate::speech::score::ScoreSettings;

/// Hears recordings against one list of phrases.
pub struct ClipHearing {
    recogniser: Box<dyn Recogniser>,
    phrases: Vec<AllowedPhrase>,
    ready: Ready,
}

/// What came of one recording.
#[derive(Clone, Debug)]
pub struct ClipHeard {
    /// Whether the best phrase is good enough.
    pub verdict: PhraseVerdict,
    /// The figures of all phrases.
    pub ranking: Ranking,
}

impl ClipHearing {
    /// Hearing for `phrases` with the models in `models` (the folder that `sparehand fetch` fills). Without `background`
    /// (16 kHz mono, no speech in it) noise in general is assumed.
    ///
    /// # Errors
    /// A model cannot be read, the background is shorter than 100 ms, or the runtime fails.
    pub fn open(
        environment: &Environment,
        models: &Path,
        settings: ScoreSettings,
        phrases: Vec<AllowedPhrase>,
        background: Option<Vec<f32>>,
    ) -> Result<Self, ClipError> {
        let recogniser = PhraseScoring::load(environment, models, settings)?;
        Self::with_recogniser(Box::new(recogniser), phrases, background)
    }

    /// The same with another recognition engine.
    ///
    /// # Errors
    /// As [`ClipHearing::open`]; the engine cannot hear one of the phrases.
    pub fn with_recogniser(
        mut recogniser: Box<dyn Recogniser>,
        phrases: Vec<AllowedPhrase>,
        background: Option<Vec<f32>>,
    ) -> Result<Self, ClipError> {
        if let Some(samples) = background {
            take_background(recogniser.as_mut(), &samples)?;
        }
        let texts: Vec<&str> = phrases.iter().map(|phrase| phrase.text.as_str()).collect();
        let ready = recogniser.prepare(&texts)?;
        recogniser.warm(&ready)?;
        Ok(Self { recogniser, phrases, ready })
    }

    /// From now on these phrases may be heard instead.
    ///
    /// # Errors
    /// The runtime fails.
    pub fn listen_for(&mut self, phrases: Vec<AllowedPhrase>) -> Result<(), ClipError> {
        let texts: Vec<&str> = phrases.iter().map(|phrase| phrase.text.as_str()).collect();
        self.ready = self.recogniser.prepare(&texts)?;
        self.recogniser.warm(&self.ready)?;
        self.phrases = phrases;
        Ok(())
    }

    /// From now on `samples` (16 kHz mono, no speech in it, 0.1 s and more) is the background.
    ///
    /// # Errors
    /// It is too short, or the runtime fails.
    pub fn set_background(&mut self, samples: &[f32]) -> Result<(), ClipError> {
        take_background(self.recogniser.as_mut(), samples)
    }

    /// The phrases, in the order of every ranking.
    pub fn phrases(&self) -> &[AllowedPhrase] {
        &self.phrases
    }

    /// Hears `samples` (16 kHz mono) as one utterance. The whole clip is scored, whatever a voice detector would say.
    ///
    /// # Errors
    /// The clip is longer than an utterance can be, or the runtime fails.
    pub fn hear(&mut self, samples: &[f32]) -> Result<ClipHeard, ClipError> {
        if samples.len() > LONGEST_CLIP {
            return Err(ClipError::TooLong { seconds: samples.len() as f64 / SAMPLE_RATE as f64 });
        }
        let mut clip = samples.to_vec();
        clip.resize(clip.len().max(SHORTEST), 0.0);
        let (ranking, verdict) = self.recogniser.recognise(&clip, &self.ready, &self.phrases)?;
        Ok(ClipHeard { verdict, ranking })
    }

    /// What the speech in `samples` (16 kHz mono, 0.1 s and more) is like, to be kept as an example; `None` where there is none, or
    /// the engine has no use for examples.
    ///
    /// # Errors
    /// Fewer than 100 ms, or the runtime fails.
    pub fn states_of_speech(&mut self, samples: &[f32]) -> Result<Option<States>, ClipError> {
        Ok(self.recogniser.states_of_speech(samples)?)
    }
}

fn take_background(recogniser: &mut dyn Recogniser, samples: &[f32]) -> Result<(), ClipError> {
    if samples.len() < SHORTEST {
        return Err(ClipError::ShortBackground { samples: samples.len() });
    }
    Ok(recogniser.set_background(&samples[..samples.len().min(LONGEST_BACKGROUND)])?)
}

/// Why a recording could not be heard.
#[derive(Debug, thiserror::Error)]
pub enum ClipError {
    /// The recogniser fails.
    #[error(transparent)]
    Recogniser(#[from] RecogniserError),
    /// Too little of it to learn anything from.
    #[error("the background has {samples} samples, expected at least {SHORTEST} at 16000 Hz")]
    ShortBackground {
        /// At 16 kHz.
        samples: usize,
    },
    /// Longer than one utterance.
    #[error("the clip is {seconds:.0} s long, expected one utterance of at most 30 s")]
    TooLong {
        /// Of the whole clip.
        seconds: f64,
    },
}

const LONGEST_BACKGROUND: usize = 2 * SAMPLE_RATE;
const LONGEST_CLIP: usize = 30 * SAMPLE_RATE;
