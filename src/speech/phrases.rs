//! How the speech model would write an allowed phrase down: a sentence with a capital and a full stop, question
//! mark or nothing at its end, numbers also as digits.

use text2num::{Language, replace_numbers_in_text};

use crate::speech::tokens::Tokens;

/// The ways in which one phrase may be written. Their probabilities are added up.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WrittenForms {
    /// The texts, most usual first.
    pub texts: Vec<String>,
    /// The same as tokens.
    pub tokens: Vec<Vec<u32>>,
}

impl WrittenForms {
    /// The forms of `phrase` (plain words, lower case, numbers in words).
    pub fn of(phrase: &str, tokens: &Tokens) -> Self {
        let texts = written_forms(phrase);
        let tokens = texts.iter().map(|text| tokens.encode(text)).collect();
        Self { texts, tokens }
    }
}

fn written_forms(phrase: &str) -> Vec<String> {
    let words: Vec<&str> = phrase.split_whitespace().collect();
    let plain = words.join(" ");
    let mut bodies = vec![sentence(&hyphenated(&words))];
    let digits = replace_numbers_in_text(&plain, &Language::english(), 0.0);
    if digits != plain {
        bodies.push(sentence(&digits));
    }
    // The model ends short utterances with a full stop, with nothing, or, after a question word, with a question mark.
    let asks = words.first().is_some_and(|first| QUESTION_WORDS.contains(first));
    let endings: &[&str] = if asks { &["?", ".", ""] } else { &[".", ""] };
    bodies.dedup();
    bodies.iter().flat_map(|body| endings.iter().map(move |ending| format!("{body}{ending}"))).collect()
}

/// Two-word numbers are written with a hyphen: "eighty two" as "eighty-two".
fn hyphenated(words: &[&str]) -> String {
    let mut text = String::new();
    for (at, word) in words.iter().enumerate() {
        if at > 0 {
            let joins = TENS.contains(&words[at - 1]) && UNITS.contains(word);
            text.push(if joins { '-' } else { ' ' });
        }
        text.push_str(word);
    }
    text
}

fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

const TENS: [&str; 8] = ["twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety"];
const QUESTION_WORDS: [&str; 8] = ["what", "how", "where", "when", "why", "who", "which", "is"];
const UNITS: [&str; 9] = ["one", "two", "three", "four", "five", "six", "seven", "eight", "nine"];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_phrase_is_written_as_a_sentence() {
        assert_eq!(written_forms("valve closed"), ["Valve closed.", "Valve closed"]);
    }

    #[test]
    fn a_question_may_end_with_its_mark() {
        assert_eq!(written_forms("how long"), ["How long?", "How long.", "How long"]);
    }

    #[test]
    fn a_number_is_written_in_words_and_in_digits() {
        assert_eq!(written_forms("eighty two"), ["Eighty-two.", "Eighty-two", "82.", "82"]);
        assert_eq!(written_forms("ten minutes"), ["Ten minutes.", "Ten minutes", "10 minutes.", "10 minutes"]);
        assert_eq!(written_forms("seven"), ["Seven.", "Seven", "7.", "7"]);
    }
}
