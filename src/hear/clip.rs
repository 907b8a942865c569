//! A recording as one utterance: for files, where there is no microphone to listen on.

use crate::engine::output::AllowedPhrase;
use crate::hear::SAMPLE_RATE;
use crate::hear::acoustic::SHORTEST;
use crate::hear::noise::rms;
use crate::hear::reject::{Verdict, judge};
use crate::hear::score::{Prepared, Ranking, ScoreError, Scorer};

/// Hears recordings against one list of phrases.
pub struct ClipHearing {
    scorer: Scorer,
    phrases: Vec<AllowedPhrase>,
    prepared: Prepared,
    own_background: bool,
}

/// What came of one recording.
#[derive(Clone, Debug)]
pub struct ClipHeard {
    pub verdict: Verdict,
    pub ranking: Ranking,
}

impl ClipHearing {
    /// Hearing for `phrases`. Without `background` (16 kHz mono, no speech in it) each clip's quietest edge is taken.
    ///
    /// # Errors
    /// The background is shorter than 100 ms, or the runtime fails.
    pub fn new(
        mut scorer: Scorer,
        phrases: Vec<AllowedPhrase>,
        background: Option<Vec<f32>>,
    ) -> Result<Self, ClipError> {
        let own_background = background.is_none();
        if let Some(samples) = background {
            if samples.len() < SHORTEST {
                return Err(ClipError::ShortBackground { samples: samples.len() });
            }
            scorer.set_background(&samples[..samples.len().min(LONGEST_BACKGROUND)])?;
        }
        let texts: Vec<&str> = phrases.iter().map(|phrase| phrase.text.as_str()).collect();
        let prepared = scorer.prepare(&texts);
        scorer.warm(&prepared)?;
        Ok(Self { scorer, phrases, prepared, own_background })
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
                Some(edges) => self.scorer.set_background(&edges)?,
                None => self.scorer.forget_background(),
            }
        }
        let ranking = self.scorer.rank(&clip, &self.prepared)?;
        Ok(ClipHeard { verdict: judge(&self.phrases, &ranking), ranking })
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
    Score(#[from] ScoreError),
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
