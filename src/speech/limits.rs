//! What it takes for a phrase to count, as data: the table in `models/hearing.toml`, whose comments say what each entry is for and how it was chosen.

use std::sync::LazyLock;

use serde::Deserialize;

use crate::engine::output::{AllowedPhrase, PhraseClass};

/// Least figures, in nats; minus infinity asks for nothing.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LeastFigures {
    /// Natural logarithm of the odds that the phrase was said.
    #[serde(default = "nothing")]
    pub log_odds: f32,
    /// Distance to another meaning.
    #[serde(default = "nothing")]
    pub margin: f32,
    /// Corrected score.
    #[serde(default = "nothing")]
    pub score: f32,
}

/// What it takes for phrases of one class and length.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PhraseLimits {
    pub sure: LeastFigures,
    pub thin: LeastFigures,
    pub ask: Option<LeastFigures>,
    pub twice: Option<LeastFigures>,
    pub interrupts: Option<LeastFigures>,
    pub over_speech: Option<OverSpeechLimits>,
    pub before_convergence: Option<BeforeConvergence>,
}

/// What it takes over the program's own voice beside what it takes without it.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OverSpeechLimits {
    /// Margin from which on what is sure stays so.
    pub sure_margin: f32,
    pub otherwise: Otherwise,
}

/// What becomes of an answer over the program's own voice that is not clear.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Otherwise {
    Ask,
    Nothing,
}

/// What counts before the echo canceller has converged.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum BeforeConvergence {
    Sure,
}

/// The limits of all phrases.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LimitsTable {
    chat: ByLength,
    ordinary: ByLength,
    critical: ByLength,
    emergency: ByLength,
}

#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
struct ByLength {
    one_word: PhraseLimits,
    several_words: PhraseLimits,
}

impl LimitsTable {
    /// The table that the program ships.
    pub fn shipped() -> &'static Self {
        &SHIPPED
    }

    /// What it takes for phrases of `class` with so many words.
    pub fn of(&self, class: PhraseClass, words: usize) -> &PhraseLimits {
        let by_length = match class {
            PhraseClass::Chat => &self.chat,
            PhraseClass::Ordinary => &self.ordinary,
            PhraseClass::Critical => &self.critical,
            PhraseClass::Emergency => &self.emergency,
        };
        if words < 2 { &by_length.one_word } else { &by_length.several_words }
    }

    /// What it takes for `phrase`.
    pub fn of_phrase(&self, phrase: &AllowedPhrase) -> &PhraseLimits {
        self.of(phrase.class, phrase.text.split_whitespace().count())
    }
}

fn nothing() -> f32 {
    f32::NEG_INFINITY
}

/// The part of the file that is read here; the weights beside it belong to [`crate::speech::calibration`].
#[derive(Deserialize)]
struct LimitsFile {
    limits: LimitsTable,
}

static SHIPPED: LazyLock<LimitsTable> = LazyLock::new(|| {
    let file: LimitsFile =
        toml::from_str(include_str!("../../models/hearing.toml")).expect("the shipped table is whole; a test reads it");
    file.limits
});

#[cfg(test)]
mod tests {
    use super::*;

    const CLASSES: [PhraseClass; 4] =
        [PhraseClass::Chat, PhraseClass::Ordinary, PhraseClass::Critical, PhraseClass::Emergency];

    #[test]
    fn limits_are_never_looser_for_what_matters_more() {
        let table = LimitsTable::shipped();
        for words in [1, 2, 3] {
            let (ordinary, critical) =
                (table.of(PhraseClass::Ordinary, words).sure, table.of(PhraseClass::Critical, words).sure);
            assert!(critical.log_odds >= ordinary.log_odds && critical.margin >= ordinary.margin);
            for class in CLASSES {
                let PhraseLimits { sure, thin, .. } = table.of(class, words);
                assert!(sure.log_odds >= thin.log_odds && sure.margin >= thin.margin, "{class:?}");
                assert!(thin.margin >= 2.0 && thin.log_odds >= 0.0, "{class:?}");
            }
        }
    }

    #[test]
    fn one_word_is_never_asked_about_nor_put_together_from_two_that_were_refused() {
        for class in CLASSES {
            let limits = LimitsTable::shipped().of(class, 1);
            assert_eq!((limits.ask, limits.twice), (None, None), "{class:?}");
        }
    }
}
