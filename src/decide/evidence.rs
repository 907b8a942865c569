//! What speaks for and against the best phrase, as figures that chances can be reckoned from.

use crate::decide::ranking::Ranking;

/// Everything known about the best phrase of an utterance. Scores are in nats.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Evidence {
    /// Corrected score: how much better than mere background the sound fits the phrase.
    pub score: f32,
    /// Distance to the best phrase of another meaning; 0 and up.
    pub margin: f32,
    /// How far the phrase lies above (or below, negative) what the model would freely have written.
    pub over_free: f32,
    /// Likeness of the letters of the phrase and of the free decode, 0 to 1.
    pub likeness: f32,
    /// Words of the phrase.
    pub words: usize,
    /// Words of the free decode beyond those of the phrase; negative when it has fewer.
    pub extra_words: i32,
}

impl Evidence {
    /// Weighs `phrase`, the best of `ranking`.
    pub fn of(phrase: &str, score: f32, over_free: f32, margin: f32, ranking: &Ranking) -> Self {
        let (said, freely) = (letters(phrase), letters(&ranking.free.text));
        let words = phrase.split_whitespace().count();
        Self {
            score,
            margin,
            over_free,
            likeness: strsim::normalized_levenshtein(&said, &freely) as f32,
            words,
            extra_words: ranking.free.text.split_whitespace().count() as i32 - words as i32,
        }
    }

    /// The figures as the calibration weighs them, each of the order of 1. The names are those of [`FEATURES`].
    pub fn features(&self) -> [f32; FEATURES.len()] {
        [
            1.0,
            self.score.min(14.0) / 5.0,
            self.margin / 4.0,
            self.over_free.max(-15.0) / 5.0,
            self.likeness,
            if self.words < 2 { 1.0 } else { 0.0 },
            self.extra_words.clamp(-2, 4) as f32 / 2.0,
        ]
    }
}

/// Names of the figures that [`Evidence::features`] gives, in their order.
pub const FEATURES: [&str; 7] = ["always", "score", "margin", "over_free", "likeness", "one_word", "extra_words"];

fn letters(text: &str) -> String {
    text.chars().filter(|letter| letter.is_alphanumeric()).flat_map(char::to_lowercase).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::decide::ranking::FreeDecode;

    fn evidence(phrase: &str, freely: &str) -> Evidence {
        let free = FreeDecode { text: freely.to_owned(), log_prob: -1.0, tokens: vec![], complete: true };
        Evidence::of(phrase, 9.0, -1.0, 6.0, &Ranking { phrases: vec![], free })
    }

    #[test]
    fn the_same_words_are_alike_whatever_their_marks() {
        assert_eq!(evidence("valve closed", "Valve closed.").likeness, 1.0);
        assert!(evidence("valve closed", "Fell closed.").likeness > 0.6);
        assert!(evidence("valve closed", "Thank you.").likeness < 0.3);
    }

    #[test]
    fn a_sentence_has_more_words_than_the_phrase() {
        assert_eq!(evidence("water on", "Wanted one or four more.").extra_words, 3);
        assert_eq!(evidence("valve closed", "Valve closed.").extra_words, 0);
    }

    #[test]
    fn every_feature_is_a_number_even_for_hopeless_sound() {
        let mut hopeless = evidence("valve closed", "");
        hopeless.over_free = f32::NEG_INFINITY;
        assert!(hopeless.features().iter().all(|figure| figure.is_finite()));
    }
}
