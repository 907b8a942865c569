//! Whether the best phrase is good enough: against the free decode, against the best of another meaning, by class.
//!
//! A missed phrase costs a "say again", a wrong one may flood a floor: where the figures are poor, nothing is accepted.

use crate::engine::input::Certainty;
use crate::engine::output::{AllowedPhrase, PhraseClass};
use crate::hear::score::{PhraseScore, Ranking};

/// What was made of an utterance.
#[derive(Clone, Debug, PartialEq)]
pub struct Verdict {
    /// Place of the best phrase in the set; `None` when nothing could be scored.
    pub best: Option<usize>,
    /// Corrected score of the best phrase, in nats.
    pub score: f32,
    /// Distance to the best phrase of another group, in nats; 0 and up.
    pub margin: f32,
    /// How far the best phrase lies above (or below, negative) what the model would freely have written, in nats.
    pub over_free: f32,
    /// `None` when the phrase is not to be acted on.
    pub accepted: Option<Certainty>,
}

/// Least figures for a phrase to be taken.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limits {
    pub over_free: f32,
    pub margin: f32,
}

/// Judges `ranking`, made for `phrases` in the same order.
pub fn judge(phrases: &[AllowedPhrase], ranking: &Ranking) -> Verdict {
    let scored = phrases.iter().zip(&ranking.phrases).enumerate();
    let best = scored.filter(|(_, (_, score))| score.raw.is_finite()).max_by(|a, b| by_score(a.1.1, b.1.1));
    let Some((best, (phrase, score))) = best else {
        return Verdict { best: None, score: f32::NEG_INFINITY, margin: 0.0, over_free: f32::NEG_INFINITY, accepted: None };
    };
    let others = phrases.iter().zip(&ranking.phrases).filter(|(other, _)| other.group != phrase.group);
    let runner_up = others.map(|(_, score)| score.corrected).fold(f32::NEG_INFINITY, f32::max);
    // With no rival left on the beam the margin is at least the beam's width; it is reported as that much.
    let margin = (score.corrected - runner_up).min(WIDEST_MARGIN);
    let over_free = score.raw - ranking.free.log_prob;
    let words = phrase.text.split_whitespace().count();
    let meets = |limits: Limits| ranking.free.complete && over_free >= limits.over_free && margin >= limits.margin;
    let accepted = if meets(sure_limits(phrase.class, words)) {
        Some(Certainty::Sure)
    } else if meets(thin_limits(phrase.class, words)) {
        Some(Certainty::Thin)
    } else {
        None
    };
    Verdict { best: Some(best), score: score.corrected, margin, over_free, accepted }
}

/// What it takes to act on a phrase of `class` with `words` words.
pub fn sure_limits(class: PhraseClass, words: usize) -> Limits {
    let one = words < 2;
    match class {
        PhraseClass::Chat | PhraseClass::Ordinary if one => Limits { over_free: -1.0, margin: 3.0 },
        PhraseClass::Chat | PhraseClass::Ordinary => Limits { over_free: -4.0, margin: 2.0 },
        PhraseClass::Critical if one => Limits { over_free: -0.5, margin: 5.0 },
        PhraseClass::Critical => Limits { over_free: -2.0, margin: 4.0 },
        PhraseClass::Emergency => Limits { over_free: -4.0, margin: 2.0 },
    }
}

/// What it takes to ask about a phrase of `class` with `words` words.
pub fn thin_limits(class: PhraseClass, words: usize) -> Limits {
    let one = words < 2;
    match class {
        PhraseClass::Chat | PhraseClass::Ordinary if one => Limits { over_free: -2.0, margin: 2.0 },
        PhraseClass::Chat | PhraseClass::Ordinary => Limits { over_free: -8.0, margin: 2.0 },
        PhraseClass::Critical if one => Limits { over_free: -1.0, margin: 3.0 },
        PhraseClass::Critical => Limits { over_free: -5.0, margin: 2.0 },
        PhraseClass::Emergency => Limits { over_free: -6.0, margin: 2.0 },
    }
}

fn by_score(a: &PhraseScore, b: &PhraseScore) -> std::cmp::Ordering {
    a.corrected.total_cmp(&b.corrected)
}

const WIDEST_MARGIN: f32 = 8.0;
