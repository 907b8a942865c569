//! What every recognition engine does: makes phrases ready, learns the background, judges an utterance, writes a note down.
//!
//! Two engines: [`PhraseScoring`] for English, and [`crate::speech::vosk::Vosk`] with a model of the user's for other languages.

use std::path::Path;
use std::sync::Arc;

use ort::environment::Environment;

use crate::decide::PhraseVerdict;
use crate::decide::ranking::Ranking;
use crate::engine::output::AllowedPhrase;
use crate::speech::acoustic::AcousticError;
use crate::speech::calibration::Calibration;
use crate::speech::judge::{Case, recognise};
use crate::speech::networks::Networks;
use crate::speech::note::NoteWriter;
use crate::speech::own_examples::{OwnExamples, States};
use crate::speech::score::{Prepared, ScoreError, ScoreSettings, Scorer};
use crate::speech::vosk::{Grammar, VoskError};

/// A recognition engine. Sound is 16 kHz mono, full scale 1.0.
pub trait Recogniser {
    /// Makes phrases (plain words, lower case) ready to be judged.
    ///
    /// # Errors
    /// The engine cannot hear one of them.
    fn prepare(&mut self, phrases: &[&str]) -> Result<Ready, RecogniserError>;

    /// Does ahead of an utterance what can be done ahead; later calls find it.
    ///
    /// # Errors
    /// The engine fails.
    fn warm(&mut self, ready: &Ready) -> Result<(), RecogniserError>;

    /// Works for nothing on `samples`, as little as touches all that judging an utterance takes (see [`crate::hear::ear::EarOutput::WarmUp`]).
    /// An engine that does not get slow by idling need not.
    ///
    /// # Errors
    /// Fewer than 100 ms, or the engine fails.
    fn warm_up(&mut self, _samples: &[f32]) -> Result<(), RecogniserError> {
        Ok(())
    }

    /// Takes `samples`, sound without speech from where the words are said, as the background from here on; without it noise in general is
    /// assumed, which measures as well (`docs/hearing/parts.md`) and costs nothing while somebody waits for a reply.
    ///
    /// # Errors
    /// Fewer than 100 ms, or the engine fails; the background stays as it was.
    fn set_background(&mut self, samples: &[f32]) -> Result<(), RecogniserError>;

    /// Judges an utterance (100 ms to 30 s, with 200 to 300 ms of real sound before and after the words) by `phrases`, which
    /// `ready` was made of, in the same order.
    ///
    /// # Errors
    /// Fewer than 100 ms, `ready` is another engine's, or the engine fails.
    fn recognise(
        &mut self,
        samples: &[f32],
        ready: &Ready,
        phrases: &[AllowedPhrase],
    ) -> Result<(Ranking, PhraseVerdict), RecogniserError>;

    /// What is said in `samples` (0.1 to 10 s), as far as the engine can tell. For notes; never a command.
    ///
    /// # Errors
    /// Fewer than 100 ms, or the engine fails.
    fn write_down(&mut self, samples: &[f32]) -> Result<String, RecogniserError>;

    /// What the speech in `samples` is like, to be kept as an example; `None` where there is none, or the engine has no use for
    /// examples.
    ///
    /// # Errors
    /// Fewer than 100 ms, or the engine fails.
    fn states_of_speech(&mut self, _samples: &[f32]) -> Result<Option<States>, RecogniserError> {
        Ok(None)
    }
}

/// Phrases made ready, in the form of one engine.
#[derive(Clone, Debug)]
pub enum Ready {
    /// For [`PhraseScoring`].
    Scored(Prepared),
    /// For [`crate::speech::vosk::Vosk`].
    Grammar(Grammar),
}

/// The engine for English: every phrase is scored with an end-to-end model, and the best is weighed; another one writes notes down.
pub struct PhraseScoring {
    scorer: Scorer,
    notes: NoteWriter,
    calibration: Calibration,
    own: Arc<OwnExamples>,
}

impl PhraseScoring {
    /// The engine with the networks in `models` (the folder that `sparehand fetch` fills).
    ///
    /// # Errors
    /// A file is missing or is not what it should be.
    pub fn load(environment: &Environment, models: &Path, settings: ScoreSettings) -> Result<Self, RecogniserError> {
        let Networks { phrases, notes } = Networks::shipped();
        let scorer = Scorer::load(environment, &models.join(phrases), settings)?;
        let notes = NoteWriter::new(environment, models.join(notes));
        Ok(Self { scorer, notes, calibration: Calibration::shipped(), own: Arc::default() })
    }

    /// The same with the examples of the people who may be speaking.
    #[must_use]
    pub fn with_own(mut self, own: Arc<OwnExamples>) -> Self {
        self.own = own;
        self
    }
}

impl Recogniser for PhraseScoring {
    fn prepare(&mut self, phrases: &[&str]) -> Result<Ready, RecogniserError> {
        Ok(Ready::Scored(self.scorer.prepare(phrases)))
    }

    fn warm(&mut self, ready: &Ready) -> Result<(), RecogniserError> {
        let Ready::Scored(prepared) = ready else { return Err(RecogniserError::OfAnother) };
        Ok(self.scorer.warm(prepared)?)
    }

    fn warm_up(&mut self, samples: &[f32]) -> Result<(), RecogniserError> {
        Ok(self.scorer.warm_up(samples)?)
    }

    fn set_background(&mut self, samples: &[f32]) -> Result<(), RecogniserError> {
        Ok(self.scorer.set_background(samples)?)
    }

    fn recognise(
        &mut self,
        samples: &[f32],
        ready: &Ready,
        phrases: &[AllowedPhrase],
    ) -> Result<(Ranking, PhraseVerdict), RecogniserError> {
        let Ready::Scored(prepared) = ready else { return Err(RecogniserError::OfAnother) };
        let (calibration, own) = (&self.calibration, &*self.own);
        Ok(recognise(&mut self.scorer, Case { samples, phrases, prepared, calibration, own })?)
    }

    fn write_down(&mut self, samples: &[f32]) -> Result<String, RecogniserError> {
        Ok(self.notes.write_down(samples, self.scorer.tokens())?)
    }

    fn states_of_speech(&mut self, samples: &[f32]) -> Result<Option<States>, RecogniserError> {
        Ok(self.scorer.states_of_speech(samples)?)
    }
}

/// Why an engine gave no answer.
#[derive(Debug, thiserror::Error)]
pub enum RecogniserError {
    /// The engine for English fails.
    #[error(transparent)]
    Score(#[from] ScoreError),
    /// A note could not be written down.
    #[error("a note could not be written down")]
    Note(#[from] AcousticError),
    /// Vosk fails.
    #[error(transparent)]
    Vosk(#[from] VoskError),
    /// What was made ready is not of this engine.
    #[error("the phrases were made ready by another recognition engine; this is a fault of the program")]
    OfAnother,
}
