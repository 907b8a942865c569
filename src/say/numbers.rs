//! Numbers put into words: the everyday reading, and the digit-by-digit reading of radio procedure.
//!
//! Takes digits as text, so that no number is too long and no zero is lost.

use num2words::Num2Words;

use crate::say::wording::Wording;

/// How numbers are read.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum NumberReading {
    /// "two hundred eighty".
    #[default]
    Everyday,
    /// "two eight zero": ICAO Annex 10 Volume II 5.2.1.4, for noise and bad links.
    Radio,
}

/// Reads a whole number, given as decimal digits without sign or separators.
pub(super) fn whole(digits: &str, reading: NumberReading, wording: &Wording) -> String {
    match reading {
        NumberReading::Everyday => everyday(digits, wording),
        NumberReading::Radio => radio(digits, wording),
    }
}

/// Reads a number with decimals: `digits` before the point (may be empty), `decimals` after it.
pub(super) fn decimal(digits: &str, decimals: &str, reading: NumberReading, wording: &Wording) -> String {
    let point = match reading {
        NumberReading::Everyday => &wording.reading.words.point,
        NumberReading::Radio => &wording.radio.words.decimal,
    };
    let before = if digits.is_empty() { "0" } else { digits };
    format!("{} {point} {}", whole(before, reading, wording), one_by_one(decimals, wording))
}

/// Reads an ordinal: "third", "twenty first". Falls back on the plain number where it is too long for one.
pub(super) fn ordinal(digits: &str, wording: &Wording) -> String {
    let number = digits.parse::<u64>().ok().filter(|_| digits.len() <= LONGEST_IN_WORDS);
    let words = number.and_then(|number| Num2Words::new(number).ordinal().to_words().ok());
    words.map_or_else(|| one_by_one(digits, wording), |words| words.replace('-', " "))
}

/// Reads digits one by one.
pub(super) fn one_by_one(digits: &str, wording: &Wording) -> String {
    let names: Vec<&str> = digits
        .chars()
        .filter_map(|c| c.to_digit(10))
        .map(|digit| wording.radio.words.digits[digit as usize].as_str())
        .collect();
    names.join(" ")
}

fn everyday(digits: &str, wording: &Wording) -> String {
    // A number that begins with a zero is a code, and one of more digits than anybody counts to is read out too.
    if (digits.len() > 1 && digits.starts_with('0')) || digits.len() > LONGEST_IN_WORDS {
        return one_by_one(digits, wording);
    }
    let words = digits.parse::<u64>().ok().and_then(|number| Num2Words::new(number).to_words().ok());
    words.map_or_else(|| one_by_one(digits, wording), |words| words.replace('-', " "))
}

fn radio(digits: &str, wording: &Wording) -> String {
    let words = &wording.radio.words;
    let in_hundreds =
        digits.len() > 2 && digits.len() <= LONGEST_IN_HUNDREDS && digits.ends_with("00") && !digits.starts_with('0');
    if !in_hundreds {
        return one_by_one(digits, wording);
    }
    let (thousands, rest) = digits.split_at(digits.len() - 3);
    let mut said = Vec::new();
    if !thousands.is_empty() {
        said.push(one_by_one(thousands, wording));
        said.push(words.thousand.clone());
    }
    if !rest.starts_with('0') {
        said.push(one_by_one(&rest[..1], wording));
        said.push(words.hundred.clone());
    }
    said.join(" ")
}

/// Digits: up to 999 billion is put into words.
const LONGEST_IN_WORDS: usize = 12;

/// Digits: the rule's own examples end at five.
const LONGEST_IN_HUNDREDS: usize = 5;

#[cfg(test)]
mod tests {
    use super::*;

    // ICAO Annex 10 Volume II 5.2.1.4.1.1-2: every number digit by digit, whole hundreds and thousands as such.
    #[test]
    fn radio_reading_goes_digit_by_digit_except_for_whole_hundreds_and_thousands() {
        let wording = Wording::load(None).unwrap();
        for (digits, said) in [
            ("280", "two eight zero"),
            ("3400", "three thousand four hundred"),
            ("12000", "one two thousand"),
            ("800", "eight hundred"),
            ("10", "one zero"),
            ("75", "seven five"),
            ("38143", "three eight one four three"),
        ] {
            assert_eq!(whole(digits, NumberReading::Radio, &wording), said, "{digits}");
        }
        assert_eq!(decimal("118", "1", NumberReading::Radio, &wording), "one one eight decimal one");
    }

    // ICAO Annex 10 Volume II 5.2.1.4.3.1: TREE, FOW-er, FIFE, NIN-er, DAY-SEE-MAL.
    #[test]
    fn radio_reading_has_its_own_sounds_for_words_that_are_lost_in_noise() {
        let wording = Wording::load(None).unwrap();
        for (word, sound) in
            [("three", "tɹˈi"), ("four", "fˈOəɹ"), ("five", "fˈIf"), ("nine", "nˈInəɹ"), ("decimal", "dˈAsimˌæl")]
        {
            assert_eq!(wording.phonemes(word, true).as_deref(), Some(sound));
            assert_eq!(wording.phonemes(word, false), None, "everyday reading leaves {word} alone");
        }
    }

    #[test]
    fn a_code_that_begins_with_zero_keeps_its_zeros() {
        let wording = Wording::load(None).unwrap();
        assert_eq!(whole("0042", NumberReading::Everyday, &wording), "zero zero four two");
    }
}
