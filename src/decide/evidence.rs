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
    /// The same with the background's share taken off both.
    pub over_free_corrected: f32,
    /// Likeness of the letters of the phrase and of the free decode, 0 to 1.
    pub likeness: f32,
    /// Natural logarithm of how long speech went on, over how long the phrase takes to say; 0 when they agree.
    pub lasted: f32,
    /// Words of the phrase.
    pub words: usize,
    /// Words of the free decode beyond those of the phrase; negative when it has fewer.
    pub extra_words: i32,
}

impl Evidence {
    /// Weighs `phrase`, the best of `ranking`, whose speech went on for `speech_s` seconds.
    pub fn of(
        phrase: &str,
        score: f32,
        over_free: f32,
        margin: f32,
        ranking: &Ranking,
        free_corrected: f32,
        speech_s: f32,
    ) -> Self {
        let (said, freely) = (letters(phrase), letters(&ranking.free.text));
        let words = phrase.split_whitespace().count();
        let usual_s = SAID_AT_ONCE_S + LETTER_S * said.len() as f32;
        Self {
            score,
            margin,
            over_free,
            over_free_corrected: score - free_corrected,
            likeness: strsim::normalized_levenshtein(&said, &freely) as f32,
            lasted: (speech_s.max(SHORTEST_SPEECH_S) / usual_s).ln(),
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
            self.over_free_corrected.clamp(-20.0, 4.0) / 5.0,
            self.likeness,
            self.lasted.max(0.0),
            (-self.lasted).max(0.0),
            if self.words < 2 { 1.0 } else { 0.0 },
            self.extra_words.clamp(-2, 4) as f32 / 2.0,
        ]
    }
}

/// Names of the figures that [`Evidence::features`] gives, in their order.
pub const FEATURES: [&str; 10] = [
    "always",
    "score",
    "margin",
    "over_free",
    "over_free_corrected",
    "likeness",
    "lasted_longer",
    "lasted_shorter",
    "one_word",
    "extra_words",
];

fn letters(text: &str) -> String {
    text.chars().filter(|letter| letter.is_alphanumeric()).flat_map(char::to_lowercase).collect()
}

/// Speech shorter than this is a gap of the voice detector, not a word.
const SHORTEST_SPEECH_S: f32 = 0.15;
/// Least squares over synthetic voices at usual pace: a phrase takes 0.18 s and 65 ms more a letter.
const SAID_AT_ONCE_S: f32 = 0.18;
const LETTER_S: f32 = 0.065;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::decide::ranking::FreeDecode;

    fn evidence(phrase: &str, freely: &str, speech_s: f32) -> Evidence {
        let free = FreeDecode { text: freely.to_owned(), log_prob: -1.0, tokens: vec![], complete: true };
        Evidence::of(phrase, 9.0, -1.0, 6.0, &Ranking { phrases: vec![], free }, 10.0, speech_s)
    }

    #[test]
    fn the_same_words_are_alike_whatever_their_marks() {
        assert_eq!(evidence("valve closed", "Valve closed.", 0.9).likeness, 1.0);
        assert!(evidence("valve closed", "Fell closed.", 0.9).likeness > 0.6);
        assert!(evidence("valve closed", "Thank you.", 0.9).likeness < 0.3);
    }

    #[test]
    fn a_sentence_lasts_longer_than_the_phrase_and_has_more_words() {
        let sentence = evidence("water on", "Wanted one or four more.", 1.6);
        assert!(sentence.lasted > 0.7, "{}", sentence.lasted);
        assert_eq!(sentence.extra_words, 3);
        assert!(evidence("valve closed", "Valve closed.", 0.9).lasted.abs() < 0.2);
    }

    #[test]
    fn every_feature_is_a_number_even_for_hopeless_sound() {
        let mut hopeless = evidence("valve closed", "", 0.0);
        hopeless.over_free_corrected = f32::NEG_INFINITY;
        assert!(hopeless.features().iter().all(|figure| figure.is_finite()));
    }
}
