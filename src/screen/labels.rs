//! The fixed words on the screen, read from a file of phrases so that they can be changed or translated.

use serde::Deserialize;
use thiserror::Error;

/// The words; each field is the key of the same name in the file.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Labels {
    pub(super) step: String,
    pub(super) caution: String,
    pub(super) notice: String,
    pub(super) heard: String,
    pub(super) say: String,
    pub(super) said: String,
    pub(super) should_be: String,
    pub(super) choose: String,
    pub(super) running: String,
    pub(super) time_is_up: String,
    pub(super) over: String,
    pub(super) of: String,
    pub(super) hazard: String,
    pub(super) speaking: String,
    pub(super) listening: String,
    pub(super) speaking_and_listening: String,
    pub(super) deaf: String,
    pub(super) microphone: String,
    pub(super) no_microphone: String,
    pub(super) silent_microphone: String,
    pub(super) level: String,
    pub(super) floor: String,
    pub(super) all_keys: String,
    pub(super) cards: String,
    pub(super) pick_a_card: String,
    pub(super) too_small: String,
    pub(super) keys: KeyLabels,
}

/// What each key does.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct KeyLabels {
    pub(super) enter: String,
    pub(super) backspace: String,
    pub(super) tab: String,
    pub(super) drop_digit: String,
    pub(super) next_person: String,
    pub(super) cards: String,
    pub(super) all_keys: String,
    pub(super) untested: String,
    pub(super) phones: String,
    pub(super) say_again: String,
    pub(super) explain: String,
    pub(super) how_long: String,
    pub(super) what_is_left: String,
    pub(super) where_are_we: String,
    pub(super) what_can_i_answer: String,
    pub(super) stand_by: String,
    pub(super) go_ahead: String,
    pub(super) not_yet: String,
    pub(super) not_here: String,
    pub(super) what_is_out: String,
    pub(super) rest: String,
    pub(super) correction: String,
    pub(super) skip: String,
    pub(super) stop: String,
    pub(super) note: String,
    pub(super) are_we_ready: String,
    pub(super) are_we_on_time: String,
    pub(super) end_run: String,
    pub(super) louder: String,
    pub(super) quieter: String,
    pub(super) slower: String,
    pub(super) faster: String,
}

/// Why the words cannot be used.
#[derive(Debug, Error)]
pub enum LabelsError {
    /// A key is missing, unknown or no text.
    #[error("phrases of the screen: found '{0}', expected every word once; put it right in the phrase file")]
    Unreadable(#[from] toml::de::Error),
    /// A phrase has lost its places for numbers or names.
    #[error(
        "phrases of the screen, '{key}': found {found} places marked {{}}, expected {expected}; put it right in the phrase file"
    )]
    Places { key: &'static str, found: usize, expected: usize },
}

impl Labels {
    /// Reads the words from the text of the phrase file.
    ///
    /// # Errors
    ///
    /// Where a word is missing or unknown, or has not as many places as will be filled.
    pub fn parse(text: &str) -> Result<Self, LabelsError> {
        let labels: Self = toml::from_str(text)?;
        for (key, phrase, expected) in [
            ("step", &labels.step, 2),
            ("over", &labels.over, 1),
            ("should_be", &labels.should_be, 1),
            ("too_small", &labels.too_small, 2),
            ("of", &labels.of, 1),
            ("level", &labels.level, 1),
            ("floor", &labels.floor, 1),
        ] {
            let found = phrase.matches(PLACE).count();
            if found != expected {
                return Err(LabelsError::Places { key, found, expected });
            }
        }
        Ok(labels)
    }
}

/// Puts `values` into the places of `phrase`, in order.
pub(super) fn fill(phrase: &str, values: &[&str]) -> String {
    let mut parts = phrase.split(PLACE);
    let mut text = parts.next().unwrap_or_default().to_owned();
    for (part, value) in parts.zip(values) {
        text += value;
        text += part;
    }
    text
}

const PLACE: &str = "{}";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_are_filled_in_order_and_what_is_filled_in_is_not_filled_again() {
        assert_eq!(fill("step {} of {}.", &["{}", "4"]), "step {} of 4.");
    }

    #[test]
    fn a_phrase_that_lost_a_place_is_named() {
        let text = include_str!("../../prompts/phrases/screen.toml").replace("step {} of {}", "step {}");
        let error = Labels::parse(&text).expect_err("one place is missing");
        assert_eq!(
            error.to_string(),
            "phrases of the screen, 'step': found 1 places marked {}, expected 2; put it right in the phrase file"
        );
    }

    #[test]
    fn a_missing_and_an_unknown_word_are_refused() {
        let text = include_str!("../../prompts/phrases/screen.toml");
        assert!(Labels::parse(&text.replace("running = ", "walking = ")).is_err());
        assert!(Labels::parse(&text.replace("[keys]", "hopping = \"x\"\n[keys]")).is_err());
    }
}
