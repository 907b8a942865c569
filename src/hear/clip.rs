//! A recording as one utterance: for files, where there is no microphone to listen on.

use std::path::Path;

use ort::environment::Environment;

use crate::engine::output::AllowedPhrase;
use crate::hear::acoustic::SHORTEST;
use crate::hear::activity::{Activity, ActivityError, SegmenterSettings, WINDOW_LEN};
use crate::hear::noise::rms;
use crate::hear::recogniser::{PhraseScoring, Ready, Recogniser, RecogniserError};
use crate::hear::reject::Verdict;
use crate::hear::score::{Ranking, ScoreSettings};
use crate::hear::speaker::States;
use crate::hear::{FRAME_LEN, SAMPLE_RATE};

/// Hears recordings against one list of phrases.
pub struct ClipHearing {
    recogniser: Box<dyn Recogniser>,
    activity: Activity,
    phrases: Vec<AllowedPhrase>,
    ready: Ready,
    own_background: bool,
}

/// What came of one recording.
#[derive(Clone, Debug)]
pub struct ClipHeard {
    pub verdict: Verdict,
    pub ranking: Ranking,
}

impl ClipHearing {
    /// Hearing for `phrases` with the models in `models` (the folder that `sparehand fetch` fills). Without `background`
    /// (16 kHz mono, no speech in it) each clip's quietest edge is taken.
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
        Self::with_recogniser(environment, models, Box::new(recogniser), phrases, background)
    }

    /// The same with another recognition engine; of `models` it takes what tells speech from quiet.
    ///
    /// # Errors
    /// As [`ClipHearing::open`]; the engine cannot hear one of the phrases.
    pub fn with_recogniser(
        environment: &Environment,
        models: &Path,
        mut recogniser: Box<dyn Recogniser>,
        phrases: Vec<AllowedPhrase>,
        background: Option<Vec<f32>>,
    ) -> Result<Self, ClipError> {
        let activity = Activity::load(environment, &models.join("silero-vad/silero_vad.onnx"))?;
        let own_background = background.is_none();
        if let Some(samples) = background {
            if samples.len() < SHORTEST {
                return Err(ClipError::ShortBackground { samples: samples.len() });
            }
            recogniser.set_background(&samples[..samples.len().min(LONGEST_BACKGROUND)])?;
        }
        let texts: Vec<&str> = phrases.iter().map(|phrase| phrase.text.as_str()).collect();
        let ready = recogniser.prepare(&texts)?;
        recogniser.warm(&ready)?;
        Ok(Self { recogniser, activity, phrases, ready, own_background })
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
        if self.own_background {
            match quiet_edges(&clip) {
                Some(edges) => self.recogniser.set_background(&edges)?,
                None => self.recogniser.forget_background(),
            }
        }
        let speech_s = self.speech_s(&clip)?;
        let (ranking, verdict) = self.recogniser.recognise(&clip, &self.ready, &self.phrases, speech_s)?;
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

    /// How long speech goes on in `clip`, in seconds.
    fn speech_s(&mut self, clip: &[f32]) -> Result<f32, ActivityError> {
        self.activity.reset();
        let least = SegmenterSettings::default().end_below;
        let mut windows = 0;
        for frame in clip.as_chunks::<FRAME_LEN>().0 {
            windows += usize::from(self.activity.push(frame)?.is_some_and(|probability| probability >= least));
        }
        Ok((windows * WINDOW_LEN) as f32 / SAMPLE_RATE as f32)
    }
}

/// The sound before and after the words, if there is enough of it: the blocks at both ends up to the first that stands out.
fn quiet_edges(clip: &[f32]) -> Option<Vec<f32>> {
    let blocks: Vec<&[f32]> = clip.chunks(BLOCK_LEN).collect();
    let levels: Vec<f32> = blocks.iter().map(|block| rms(block)).collect();
    let mut sorted = levels.clone();
    sorted.sort_by(f32::total_cmp);
    let limit = STANDS_OUT * sorted.get(sorted.len() / 10).copied()?;
    let quiet = |level: &&f32| **level <= limit;
    let before = levels.iter().take_while(quiet).count();
    let after = levels.iter().rev().take_while(quiet).count();
    if before + after >= blocks.len() {
        return None; // nothing stands out: the word itself would be taken for background
    }
    // The last block before a word may hold its soft beginning.
    let edges = blocks[..before.saturating_sub(1)].iter().chain(&blocks[blocks.len() - after.saturating_sub(1)..]);
    let edges: Vec<f32> = edges.flat_map(|block| block.iter().copied()).collect();
    (edges.len() >= SHORTEST_EDGES)
        .then(|| edges.iter().copied().cycle().take(edges.len().max(BACKGROUND_LEN)).collect())
}

/// Why a recording could not be heard.
#[derive(Debug, thiserror::Error)]
pub enum ClipError {
    #[error(transparent)]
    Recogniser(#[from] RecogniserError),
    #[error(transparent)]
    Activity(#[from] ActivityError),
    #[error("the background has {samples} samples, expected at least {SHORTEST} at 16000 Hz")]
    ShortBackground { samples: usize },
    #[error("the clip is {seconds:.0} s long, expected one utterance of at most 30 s")]
    TooLong { seconds: f64 },
}

const BLOCK_LEN: usize = SAMPLE_RATE / 50;
/// A block this many times louder than the quiet ones belongs to a word.
const STANDS_OUT: f32 = 2.0;
const SHORTEST_EDGES: usize = SAMPLE_RATE / 5;
const BACKGROUND_LEN: usize = SAMPLE_RATE;
const LONGEST_BACKGROUND: usize = 2 * SAMPLE_RATE;
const LONGEST_CLIP: usize = 30 * SAMPLE_RATE;
