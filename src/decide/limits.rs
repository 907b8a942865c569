//! What it takes for a phrase to count, as data: the table in `models/hearing.toml`, whose comments say what each entry is for and how it was chosen.

use std::sync::LazyLock;

use serde::Deserialize;

use crate::engine::output::{AllowedPhrase, PhraseClass, Prior};

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
    /// To act on it.
    pub sure: LeastFigures,
    /// To take it for heard, though not surely.
    pub thin: LeastFigures,
    /// To ask about it.
    pub ask: Option<LeastFigures>,
    /// To ask about it where it came near twice in a row.
    pub twice: Option<LeastFigures>,
    /// To interrupt the program's own voice.
    pub interrupts: Option<LeastFigures>,
    /// What is asked for beside that over the program's own voice.
    pub over_speech: Option<OverSpeechLimits>,
    /// What counts there before the echo canceller has converged; nothing where it is left out.
    pub before_convergence: Option<BeforeConvergence>,
}

/// What it takes over the program's own voice beside what it takes without it.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OverSpeechLimits {
    /// Margin from which on what is sure stays so.
    pub sure_margin: f32,
    /// What becomes of the rest.
    pub otherwise: Otherwise,
}

/// What becomes of an answer over the program's own voice that is not clear.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Otherwise {
    /// It is asked about.
    Ask,
    /// It is nothing.
    Nothing,
}

/// What counts before the echo canceller has converged.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum BeforeConvergence {
    /// What is sure.
    Sure,
}

/// The limits of all phrases.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LimitsTable {
    prior: PriorOdds,
    chat: ByLength,
    ordinary: ByLength,
    critical: ByLength,
    emergency: ByLength,
}

/// By how much the odds change before anything is heard, as natural logarithms.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
struct PriorOdds {
    asked: f32,
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

    /// By how much the log odds of a phrase are raised before anything is heard.
    pub fn prior(&self, prior: Prior) -> f32 {
        match prior {
            Prior::Asked => self.prior.asked,
            Prior::Allowed => 0.0,
        }
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
    use rstest::rstest;

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
    fn that_something_is_asked_for_alone_takes_no_answer_that_can_hurt() {
        let table = LimitsTable::shipped();
        assert_eq!(table.prior(Prior::Allowed), 0.0);
        // What was heard itself has to say that it is ten times likelier than not.
        for words in [1, 2] {
            let sure = table.of(PhraseClass::Critical, words).sure;
            assert!(sure.log_odds - table.prior(Prior::Asked) >= 10_f32.ln(), "{words}");
        }
    }

    const NONE: f32 = f32::NEG_INFINITY;

    /// Log odds, margin and score of what is sure and of what is thin: the figures that the counts in docs/hearing were made with.
    #[rstest]
    #[case(PhraseClass::Chat, 1, [2.0, 4.0, 3.0], [1.5, 2.0, 3.0])]
    #[case(PhraseClass::Chat, 2, [2.5, 3.0, 4.5], [2.5, 2.0, 4.5])]
    #[case(PhraseClass::Ordinary, 1, [2.0, 4.0, 3.0], [1.5, 2.0, 3.0])]
    #[case(PhraseClass::Ordinary, 2, [3.0, 3.0, 4.5], [2.5, 2.0, 4.5])]
    #[case(PhraseClass::Critical, 1, [5.0, 5.0, NONE], [3.0, 3.0, NONE])]
    #[case(PhraseClass::Critical, 2, [5.0, 5.0, NONE], [3.5, 3.0, NONE])]
    #[case(PhraseClass::Emergency, 1, [1.0, 2.0, NONE], [1.0, 2.0, NONE])]
    #[case(PhraseClass::Emergency, 2, [3.0, 2.0, NONE], [2.5, 2.0, NONE])]
    fn whoever_changes_a_limit_counts_anew(
        #[case] class: PhraseClass,
        #[case] words: usize,
        #[case] sure: [f32; 3],
        #[case] thin: [f32; 3],
    ) {
        let limits = LimitsTable::shipped().of(class, words);
        let figures = |least: LeastFigures| [least.log_odds, least.margin, least.score];
        assert_eq!((figures(limits.sure), figures(limits.thin)), (sure, thin));
        let answer = matches!(class, PhraseClass::Ordinary | PhraseClass::Critical);
        assert_eq!(limits.ask.map(figures), (answer && words > 1).then_some([0.0, 2.0, NONE]));
    }

    #[test]
    fn one_word_is_never_asked_about_nor_put_together_from_two_that_were_refused() {
        for class in CLASSES {
            let limits = LimitsTable::shipped().of(class, 1);
            assert_eq!((limits.ask, limits.twice), (None, None), "{class:?}");
        }
    }
}
