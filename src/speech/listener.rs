//! An ear and a recogniser in one, for recordings, tests and measurements: whoever gives it a frame waits for what comes of it.
//!
//! A run uses [`Ear`] and [`crate::speech::worker`] instead, which wait for nobody. The same frames give the same events.

use std::collections::VecDeque;
use std::path::Path;
use std::sync::Arc;

use ort::environment::Environment;

use crate::audio::FRAME_LEN;
use crate::engine::output::ListeningSet;
use crate::hear::detector::{DetectorError, SegmenterSettings, SpeechDetector};
use crate::hear::ear::{Ear, EarOutput, HearEvent, OwnVoiceState};
use crate::hear::level::SoundLevel;
use crate::hear::look::{Found, LookRequest};
use crate::onnx::{RuntimeError, environment};
use crate::speech::recogniser::{PhraseScoring, Ready, Recogniser, RecogniserError};
use crate::speech::score::ScoreSettings;

/// Listens for the phrases of a set.
pub struct Listener {
    ear: Ear,
    recogniser: Box<dyn Recogniser>,
    /// The sets that may still be asked for, made ready.
    ready: Vec<(Arc<ListeningSet>, Ready)>,
    /// The sound to warm up on, where it is time to.
    warm_up: Option<Vec<f32>>,
    /// What has been heard and not been told yet.
    events: VecDeque<HearEvent>,
}

/// How the listener works.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct ListenerSettings {
    /// How phrases are scored.
    pub scores: ScoreSettings,
    /// Where speech begins and ends.
    pub segments: SegmenterSettings,
}

impl Listener {
    /// A listener with the models in `models` (the folder that `sparehand fetch` fills). It hears nothing before
    /// [`Listener::allow`].
    ///
    /// # Errors
    /// A file is missing or is not what it should be; the message says what to do.
    pub fn new(models: &Path, settings: ListenerSettings) -> Result<Self, ListenError> {
        let environment = environment(models)?;
        Self::with_environment(&environment, models, settings)
    }

    /// The same in an environment that is loaded already.
    ///
    /// # Errors
    /// As [`Listener::new`].
    pub fn with_environment(
        environment: &Environment,
        models: &Path,
        settings: ListenerSettings,
    ) -> Result<Self, ListenError> {
        let recogniser = PhraseScoring::load(environment, models, settings.scores)?;
        Self::with_recogniser(environment, models, settings.segments, Box::new(recogniser))
    }

    /// The same with another recognition engine; of `models` it takes what tells speech from quiet.
    ///
    /// # Errors
    /// As [`Listener::new`].
    pub fn with_recogniser(
        environment: &Environment,
        models: &Path,
        segments: SegmenterSettings,
        recogniser: Box<dyn Recogniser>,
    ) -> Result<Self, ListenError> {
        let detector = SpeechDetector::in_folder(environment, models)?;
        let ear = Ear::with_segments(detector, segments);
        Ok(Self { ear, recogniser, ready: Vec::new(), warm_up: None, events: VecDeque::new() })
    }

    /// From now on only the phrases of `set` may be heard. Speech that has begun already is still judged by the set before.
    ///
    /// # Errors
    /// The recogniser cannot hear one of the phrases, or fails; the set before stays in force.
    pub fn allow(&mut self, set: &ListeningSet) -> Result<(), ListenError> {
        let ready = prepare(self.recogniser.as_mut(), set)?;
        self.recogniser.warm(&ready)?;
        let set = Arc::new(set.clone());
        self.ear.listen(Arc::clone(&set));
        self.ready.push((set, ready));
        Ok(self.serve()?)
    }

    /// As [`Ear::take_note`].
    pub fn take_note(&mut self) {
        self.ear.take_note();
    }

    /// As [`Ear::drop_note`].
    pub fn drop_note(&mut self) {
        self.ear.drop_note();
    }

    /// As [`Ear::forget_room`].
    pub fn forget_room(&mut self) {
        self.ear.forget_room();
    }

    /// As [`Ear::echo_moved`].
    pub fn echo_moved(&mut self) {
        self.ear.echo_moved();
    }

    /// Takes the next 10 ms, as [`Ear::push_frame`] does, and gives what has been heard. Where two things were, the second comes with the next
    /// frame.
    ///
    /// # Errors
    /// A model fails. The frame is lost; the listener may be used further.
    pub fn push_frame(
        &mut self,
        mic: &[f32; FRAME_LEN],
        played: Option<&[f32; FRAME_LEN]>,
        voice: OwnVoiceState,
    ) -> Result<Option<HearEvent>, ListenError> {
        self.ear.push_frame(mic, played, voice)?;
        self.serve()?;
        Ok(self.events.pop_front())
    }

    /// Has the recogniser work for nothing, if it is time to, so that it is awake when it matters ([`EarOutput::WarmUp`]). To be called where
    /// there is nothing else to do: sound that waits is more urgent.
    ///
    /// # Errors
    /// The recogniser fails; the listener may be used further.
    pub fn warm_up(&mut self) -> Result<(), ListenError> {
        match self.warm_up.take() {
            Some(samples) => Ok(self.recogniser.warm_up(&samples)?),
            None => Ok(()),
        }
    }

    /// How loud it is.
    pub fn level(&self) -> SoundLevel {
        self.ear.level()
    }

    /// Does what the ear wants done, until it wants nothing more.
    fn serve(&mut self) -> Result<(), RecogniserError> {
        let mut failed = None;
        while let Some(output) = self.ear.poll() {
            match output {
                // It was made ready before the ear was told of it.
                EarOutput::Prepare(_) => {}
                EarOutput::Look(request) => {
                    let found = match self.look(&request) {
                        Ok(found) => found,
                        Err(error) => {
                            failed = Some(error);
                            Found::Failed
                        }
                    };
                    self.ear.looked(request.id, found);
                }
                EarOutput::WriteDown(request) => {
                    let text = match self.recogniser.write_down(&request.samples) {
                        Ok(text) => text,
                        Err(error) => {
                            failed = Some(error);
                            String::new()
                        }
                    };
                    self.ear.written_down(request.id, &text);
                }
                EarOutput::WarmUp(samples) => self.warm_up = Some(samples),
                EarOutput::Event(event) => self.events.push_back(event),
            }
        }
        // Neither the ear nor what is being said holds the others any more.
        self.ready.retain(|(set, _)| Arc::strong_count(set) > 1);
        failed.map_or(Ok(()), Err)
    }

    fn look(&mut self, request: &LookRequest) -> Result<Found, RecogniserError> {
        let ready = self.ready.iter().find(|(set, _)| Arc::ptr_eq(set, &request.set));
        let Some((set, ready)) = ready else { return Err(RecogniserError::OfAnother) };
        let found = self.recogniser.recognise(&request.samples, ready, &set.phrases)?;
        Ok(Found::Ranked(Box::new(found)))
    }
}

/// Makes the phrases of `set` ready for `recogniser`.
pub(super) fn prepare(recogniser: &mut dyn Recogniser, set: &ListeningSet) -> Result<Ready, RecogniserError> {
    let texts: Vec<&str> = set.phrases.iter().map(|phrase| phrase.text.as_str()).collect();
    recogniser.prepare(&texts)
}

/// Why the listener could not go on.
#[derive(Debug, thiserror::Error)]
pub enum ListenError {
    /// The runtime of the models cannot be loaded.
    #[error(transparent)]
    Runtime(#[from] RuntimeError),
    /// The speech detector fails.
    #[error(transparent)]
    Detector(#[from] DetectorError),
    /// The recogniser fails.
    #[error(transparent)]
    Recogniser(#[from] RecogniserError),
}
