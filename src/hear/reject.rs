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

/// Least figures for a phrase to be taken. Scores are in nats.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limits {
    /// Least corrected score: how much better than mere background the sound fits. It tells talk from a phrase best.
    pub score: f32,
    /// Least distance to the free decode (negative).
    pub over_free: f32,
    /// Least distance to another meaning. The model's 8-bit sums alone move scores by 1.8, so never below 2.
    pub margin: f32,
    /// Most words that the free decode may have beyond those of the phrase.
    pub extra_words: usize,
}

/// Judges `ranking`, made for `phrases` in the same order.
pub fn judge(phrases: &[AllowedPhrase], ranking: &Ranking) -> Verdict {
    let scored = phrases.iter().zip(&ranking.phrases).enumerate();
    let best = scored.filter(|(_, (_, score))| score.raw.is_finite()).max_by(|a, b| by_score(a.1.1, b.1.1));
    let Some((best, (phrase, score))) = best else {
        return Verdict {
            best: None,
            score: f32::NEG_INFINITY,
            margin: 0.0,
            over_free: f32::NEG_INFINITY,
            accepted: None,
        };
    };
    let others = phrases.iter().zip(&ranking.phrases).filter(|(other, _)| other.group != phrase.group);
    let runner_up = others.map(|(_, score)| score.corrected).fold(f32::NEG_INFINITY, f32::max);
    // With no rival left on the beam the margin is at least the beam's width; it is reported as that much.
    let margin = (score.corrected - runner_up).min(WIDEST_MARGIN);
    let over_free = score.raw - ranking.free.log_prob;
    let words = phrase.text.split_whitespace().count();
    let free_words = ranking.free.text.split_whitespace().count();
    let inside_a_sentence = phrase.class != PhraseClass::Emergency && says_more(&ranking.free.text, &phrase.text);
    let meets = |limits: Limits| {
        ranking.free.complete
            && !inside_a_sentence
            && score.corrected >= limits.score
            && over_free >= limits.over_free
            && margin >= limits.margin
            && free_words <= words + limits.extra_words
    };
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
///
/// Set from error curves: 921 pieces of talk whose best phrase had two words or more, none of which reached a score of 3.5;
/// 523 whose best phrase was one word, of which three reached 3, and in those the word was really said.
pub fn sure_limits(class: PhraseClass, words: usize) -> Limits {
    match (class, words < 2) {
        (PhraseClass::Chat | PhraseClass::Ordinary, true) => limits(3.0, -2.0, 3.0, 1),
        (PhraseClass::Chat | PhraseClass::Ordinary, false) => limits(5.0, -6.0, 2.0, 2),
        (PhraseClass::Critical, true) => limits(4.0, -1.0, 5.0, 0),
        (PhraseClass::Critical, false) => limits(6.0, -4.0, 4.0, 1),
        (PhraseClass::Emergency, true) => limits(1.5, -6.0, 2.0, 2),
        (PhraseClass::Emergency, false) => limits(3.0, -9.0, 2.0, 4),
    }
}

/// What it takes to ask about a phrase of `class` with `words` words.
pub fn thin_limits(class: PhraseClass, words: usize) -> Limits {
    match (class, words < 2) {
        (PhraseClass::Chat | PhraseClass::Ordinary, true) => limits(2.5, -6.0, 2.0, 1),
        (PhraseClass::Chat | PhraseClass::Ordinary, false) => limits(4.0, -9.0, 2.0, 4),
        (PhraseClass::Critical, true) => limits(3.0, -4.0, 3.0, 1),
        (PhraseClass::Critical, false) => limits(5.0, -8.0, 2.0, 2),
        (PhraseClass::Emergency, true) => limits(0.5, -8.0, 2.0, 4),
        (PhraseClass::Emergency, false) => limits(2.0, -12.0, 2.0, 6),
    }
}

const fn limits(score: f32, over_free: f32, margin: f32, extra_words: usize) -> Limits {
    Limits { score, over_free, margin, extra_words }
}

/// Whether `text` holds all the words of `phrase` in a row, and others: "stand by the gate" is no "stand by".
fn says_more(text: &str, phrase: &str) -> bool {
    let words = |text: &str| -> Vec<String> {
        let letters =
            |word: &str| word.chars().filter(|letter| letter.is_alphanumeric()).collect::<String>().to_lowercase();
        text.split([' ', '-']).map(letters).filter(|word| !word.is_empty()).collect()
    };
    let (text, phrase) = (words(text), words(phrase));
    text.len() > phrase.len() && !phrase.is_empty() && text.windows(phrase.len()).any(|run| run == phrase)
}

fn by_score(a: &PhraseScore, b: &PhraseScore) -> std::cmp::Ordering {
    a.corrected.total_cmp(&b.corrected)
}

const WIDEST_MARGIN: f32 = 8.0;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hear::score::FreeDecode;

    const CLASSES: [PhraseClass; 4] =
        [PhraseClass::Chat, PhraseClass::Ordinary, PhraseClass::Critical, PhraseClass::Emergency];

    fn phrase(text: &str, class: PhraseClass, group: u32) -> AllowedPhrase {
        AllowedPhrase { text: text.to_owned(), class, group, while_speaking: false }
    }

    /// (raw, corrected) of each phrase, and the free decode's text and log probability.
    fn ranking(scores: &[(f32, f32)], text: &str, log_prob: f32) -> Ranking {
        let phrases = scores.iter().map(|&(raw, corrected)| PhraseScore { raw, corrected }).collect();
        Ranking { phrases, free: FreeDecode { text: text.to_owned(), log_prob, tokens: 4, complete: true } }
    }

    fn closed_or_open(class: PhraseClass) -> [AllowedPhrase; 3] {
        [phrase("valve closed", class, 1), phrase("black valve closed", class, 1), phrase("valve open", class, 2)]
    }

    #[test]
    fn the_margin_is_measured_to_another_meaning() {
        let found = judge(
            &closed_or_open(PhraseClass::Critical),
            &ranking(&[(-1.0, 12.0), (-2.0, 11.5), (-7.0, 6.0)], "Valve closed.", -1.0),
        );
        assert_eq!((found.best, found.margin, found.accepted), (Some(0), 6.0, Some(Certainty::Sure)));
    }

    #[test]
    fn nothing_is_accepted_within_the_models_own_noise_of_another_meaning() {
        for class in CLASSES {
            let found = judge(
                &closed_or_open(class),
                &ranking(&[(-1.0, 12.0), (-2.0, 11.5), (-2.0, 10.1)], "Valve closed.", -1.0),
            );
            assert_eq!(found.accepted, None, "{class:?}");
        }
    }

    #[test]
    fn a_critical_phrase_with_a_middling_margin_is_thin_where_an_ordinary_one_is_sure() {
        let found = |class| {
            judge(&closed_or_open(class), &ranking(&[(-1.0, 12.0), (-2.0, 11.0), (-4.0, 9.0)], "Valve closed.", -1.0))
        };
        assert_eq!(found(PhraseClass::Critical).accepted, Some(Certainty::Thin));
        assert_eq!(found(PhraseClass::Ordinary).accepted, Some(Certainty::Sure));
    }

    #[test]
    fn a_phrase_inside_a_sentence_is_no_phrase() {
        let sentence = "I think that the valve closed by itself before we left.";
        for class in CLASSES {
            let found =
                judge(&closed_or_open(class), &ranking(&[(-14.0, 6.0), (-20.0, 1.0), (-20.0, 0.0)], sentence, -4.0));
            assert_eq!(found.accepted, None, "{class:?}");
        }
    }

    #[test]
    fn a_phrase_with_other_words_around_it_says_something_else() {
        for (text, more) in [
            ("Stand by the gate.", true),
            ("Let's stand by.", true),
            ("Stand by.", false),
            ("Stand-by!", false),
            ("Standby", false),
            ("And buy.", false),
        ] {
            assert_eq!(says_more(text, "stand by"), more, "{text}");
        }
    }

    #[test]
    fn a_free_decode_that_never_ended_accepts_nothing() {
        let mut endless = ranking(&[(-1.0, 12.0), (-5.0, 8.0), (-9.0, 2.0)], "Valve closed.", -1.0);
        endless.free.complete = false;
        assert_eq!(judge(&closed_or_open(PhraseClass::Ordinary), &endless).accepted, None);
    }

    #[test]
    fn without_any_score_there_is_no_best_phrase() {
        let lost = (f32::NEG_INFINITY, f32::NEG_INFINITY);
        let found = judge(&closed_or_open(PhraseClass::Ordinary), &ranking(&[lost; 3], "", -1.0));
        assert_eq!((found.best, found.accepted), (None, None));
    }

    #[test]
    fn limits_are_never_looser_for_what_matters_more_or_says_less() {
        for words in [1, 2, 3] {
            let (ordinary, critical) =
                (sure_limits(PhraseClass::Ordinary, words), sure_limits(PhraseClass::Critical, words));
            assert!(critical.score >= ordinary.score && critical.margin >= ordinary.margin);
            for class in CLASSES {
                let (sure, thin) = (sure_limits(class, words), thin_limits(class, words));
                assert!(
                    sure.score >= thin.score && sure.over_free >= thin.over_free && thin.margin >= 2.0,
                    "{class:?}"
                );
            }
        }
    }
}
