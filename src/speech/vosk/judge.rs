//! Whether the phrase that Vosk heard was really said.
//!
//! Its own confidence is no help: of a grammar, other speech comes back as phrases with confidence 1. Two comparisons of the same
//! sound are, each a decode of its own: with **other speech**, a grammar of single syllables that anything can be made of; and
//! with **what else may be said**, the grammar without the phrase, whose words may then be put together as they like. A phrase
//! that was said lies far above the second; other speech fits chains of the rest about as well as the phrase.

use crate::decide::{PhraseVerdict, Reason};
use crate::engine::input::Certainty;
use crate::engine::output::PhraseClass;

/// The phrase that was heard, as figures. In nats.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Weighed {
    /// How far it lies above other speech; below, negative, even where it was said: free syllables fit any sound well.
    pub(super) score: f32,
    /// How far it lies above everything else that may be said.
    pub(super) margin: f32,
    pub(super) words: usize,
}

/// What it takes.
#[derive(Clone, Copy, Debug, PartialEq)]
struct LeastOfVosk {
    score: f32,
    margin: f32,
}

impl Weighed {
    /// The verdict on the phrase at `best` in its set.
    pub(super) fn judge(self, best: usize, class: PhraseClass) -> PhraseVerdict {
        let meets = |limits: LeastOfVosk| self.score >= limits.score && self.margin >= limits.margin;
        let accepted = if meets(sure_limits(class, self.words)) {
            Some(Certainty::Sure)
        } else if meets(thin_limits(class, self.words)) {
            Some(Certainty::Thin)
        } else if ask_limits(class, self.words).is_some_and(meets) {
            Some(Certainty::Doubtful)
        } else {
            None
        };
        let weakest = ask_limits(class, self.words).unwrap_or_else(|| thin_limits(class, self.words));
        let refused = match accepted {
            Some(_) => None,
            None if self.margin < weakest.margin => Some(Reason::Margin { found: self.margin, least: weakest.margin }),
            None => Some(Reason::Score { found: self.score, least: weakest.score }),
        };
        PhraseVerdict {
            best: Some(best),
            score: self.score,
            margin: self.margin.clamp(0.0, WIDEST_MARGIN),
            accepted,
            refused,
            ..no_phrase()
        }
    }
}

/// What is said is no phrase, or several in a row.
pub(super) fn no_phrase() -> PhraseVerdict {
    PhraseVerdict::refused_for(Reason::NothingFits)
}

/// Whether `text` has all the words of `phrase` in a row.
pub(super) fn holds(text: &str, phrase: &str) -> bool {
    let (text, phrase): (Vec<&str>, Vec<&str>) =
        (text.split_whitespace().collect(), phrase.split_whitespace().collect());
    !phrase.is_empty() && text.windows(phrase.len()).any(|run| run == phrase)
}

/// What it takes to act on a phrase. How the limits were chosen, and what they give on other sound: `docs/hearing/vosk.md`.
fn sure_limits(class: PhraseClass, words: usize) -> LeastOfVosk {
    let (score, margin) = match class {
        PhraseClass::Chat | PhraseClass::Ordinary => (-8.0, 8.0),
        PhraseClass::Critical => (-8.0, 10.0),
        PhraseClass::Emergency => (-10.0, 5.0),
    };
    LeastOfVosk { score, margin: margin + for_one_word(words) }
}

/// What it takes to act on a phrase, but to ask about it where something hangs on it.
fn thin_limits(class: PhraseClass, words: usize) -> LeastOfVosk {
    let (score, margin) = match class {
        PhraseClass::Chat | PhraseClass::Ordinary => (-8.0, 7.0),
        PhraseClass::Critical => (-8.0, 8.0),
        PhraseClass::Emergency => (-10.0, 4.0),
    };
    LeastOfVosk { score, margin: margin + for_one_word(words) }
}

/// What it takes to ask about a phrase that would otherwise count for nothing; by the same rule as for scored phrases.
fn ask_limits(class: PhraseClass, words: usize) -> Option<LeastOfVosk> {
    let asks = words >= 2 && matches!(class, PhraseClass::Ordinary | PhraseClass::Critical);
    asks.then_some(LeastOfVosk { score: -10.0, margin: 3.0 })
}

/// One word has less that other speech could lack.
fn for_one_word(words: usize) -> f32 {
    if words < 2 { 1.0 } else { 0.0 }
}

/// More says nothing more.
const WIDEST_MARGIN: f32 = 30.0;

#[cfg(test)]
mod tests {
    use super::*;

    const CLASSES: [PhraseClass; 4] =
        [PhraseClass::Chat, PhraseClass::Ordinary, PhraseClass::Critical, PhraseClass::Emergency];

    fn accepted(score: f32, margin: f32, words: usize, class: PhraseClass) -> Option<Certainty> {
        Weighed { score, margin, words }.judge(0, class).accepted
    }

    #[test]
    fn a_phrase_is_surer_the_farther_it_lies_above_what_else_may_be_said() {
        let by_margin: Vec<_> =
            [12.0, 9.0, 4.0, 2.0].map(|margin| accepted(-2.0, margin, 2, PhraseClass::Critical)).to_vec();
        let expected = [Some(Certainty::Sure), Some(Certainty::Thin), Some(Certainty::Doubtful), None];
        assert_eq!(by_margin, expected);
        assert_eq!(accepted(-2.0, 9.0, 2, PhraseClass::Ordinary), Some(Certainty::Sure));
    }

    #[test]
    fn other_speech_is_refused_however_far_it_lies_from_the_other_phrases() {
        for class in CLASSES {
            assert_eq!(accepted(-18.0, 25.0, 2, class), None, "{class:?}");
        }
    }

    #[test]
    fn limits_are_never_looser_for_what_matters_more_nor_for_acting_than_for_asking() {
        for words in [1, 2, 3] {
            let (ordinary, critical) =
                (sure_limits(PhraseClass::Ordinary, words), sure_limits(PhraseClass::Critical, words));
            assert!(critical.score >= ordinary.score && critical.margin >= ordinary.margin);
            for class in CLASSES {
                let (sure, thin) = (sure_limits(class, words), thin_limits(class, words));
                assert!(sure.score >= thin.score && sure.margin >= thin.margin, "{class:?}");
                if let Some(ask) = ask_limits(class, words) {
                    assert!(thin.score >= ask.score && thin.margin >= ask.margin, "{class:?}");
                }
            }
        }
    }

    #[test]
    fn words_in_a_row_are_found_and_others_are_not() {
        assert!(holds("검은 밸브 닫힘", "밸브 닫힘"));
        assert!(!holds("밸브 검은 닫힘", "밸브 닫힘"));
        assert!(!holds("밸브", "밸브 닫힘"));
    }
}
