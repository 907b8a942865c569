//! Numbers by voice: the ways in which people say a reading, as phrases that may be heard. Nothing is dictated: every number
//! that may be said is a phrase of its own, and where those would be too many, digits are asked for one by one.

use std::collections::BTreeMap;

use num2words::Num2Words;

use crate::engine::phrasebook::NumberWords;
use crate::routine::NumberAnswer;

/// The phrases for every number that may be said, each with its value; `None` where there are too many, and digits must be
/// asked for. No phrase has two values.
pub fn phrases(answer: &NumberAnswer, words: &NumberWords) -> Option<Vec<(String, i64)>> {
    let (low, high) = listened(answer)?;
    let step = usize::try_from(answer.resolution.max(1)).unwrap_or(1);
    let said: Vec<(Vec<String>, i64)> =
        (low..=high).step_by(step).map(|value| (spoken(value, answer.decimals, words), value)).collect();
    // The usual ways to say a number stay; the rare ones go first where they would be too many.
    let total = |ways: usize| said.iter().map(|(texts, _)| texts.len().min(ways)).sum::<usize>();
    let ways = (2..=MOST_WAYS).rev().find(|&ways| total(ways) <= MOST_PHRASES).unwrap_or(2);
    let mut found: BTreeMap<String, i64> = BTreeMap::new();
    let mut ordered = Vec::new();
    for (texts, value) in said {
        for text in texts.into_iter().take(ways) {
            if found.insert(text.clone(), value).is_none() {
                ordered.push((text, value));
            }
        }
    }
    Some(ordered)
}

/// Whether digits must be asked for one by one.
pub fn by_digits(answer: &NumberAnswer) -> bool {
    listened(answer).is_none()
}

/// What a reading should be, as it is shown ("90 - 110 psi").
pub fn bounds(answer: &NumberAnswer) -> String {
    let number = |value: i64| shown(value, answer.decimals, "");
    format!("{} - {} {}", number(answer.least).trim(), number(answer.most).trim(), written_unit(answer))
        .trim()
        .to_owned()
}

/// A unit that is said letter by letter is written as one word.
fn written_unit(answer: &NumberAnswer) -> String {
    let letters = answer.unit.split(' ').all(|word| word.chars().count() == 1);
    if letters { answer.unit.replace(' ', "") } else { answer.unit.clone() }
}

/// What digits of a keyboard make: it has no point, so they count the smallest places. `None` where that is no reading of the gauge.
pub fn from_keys(typed: &str, answer: &NumberAnswer) -> Option<i64> {
    if typed.contains('.') {
        return from_digits(typed, answer);
    }
    from_digits(typed, &NumberAnswer { decimals: 0, ..answer.clone() })
}

/// The reading that digits of a keyboard make, as it is shown ("110 psi"); empty where they make none.
pub fn entered(typed: &str, answer: &NumberAnswer) -> String {
    from_keys(typed, answer).map_or_else(String::new, |value| shown(value, answer.decimals, &written_unit(answer)))
}

/// The numbers that are listened for: the gauge as far as they are not too many, the bounds in any case.
fn listened(answer: &NumberAnswer) -> Option<(i64, i64)> {
    let step = answer.resolution.max(1);
    let count = |low: i64, high: i64| (high - low) / step + 1;
    let (low, high) = answer.gauge;
    if count(low, high) <= MOST_VALUES {
        return Some((low, high));
    }
    let spare = MOST_VALUES - count(answer.least, answer.most);
    if spare < SPARE_VALUES {
        return None;
    }
    // Counted from the bounds outwards, so that every number of them lies on the grid.
    let below = ((answer.least - low) / step).min(spare / 2);
    let above = ((high - answer.most) / step).min(spare - below);
    Some((answer.least - below * step, answer.most + above * step))
}

/// How a number is said, the usual way first: "one hundred five", "one hundred and five", "one oh five", "one zero five".
pub fn spoken(value: i64, decimals: u8, words: &NumberWords) -> Vec<String> {
    let scale = 10_i64.pow(u32::from(decimals));
    let (whole, rest) = (value.abs() / scale, value.abs() % scale);
    let mut bodies = wholes(whole, words);
    if decimals > 0 {
        let tail = format!("{rest:0width$}", width = usize::from(decimals));
        let shortest = tail.trim_end_matches('0');
        let mut tails = vec![digits(&tail, &words.digits)];
        if !shortest.is_empty() && shortest.len() < tail.len() {
            tails.push(digits(shortest, &words.digits));
        }
        let point = |body: &String| {
            let tails = tails.iter().map(move |tail| format!("{body} {} {tail}", words.point[0]));
            tails.collect::<Vec<_>>()
        };
        let mut with_point: Vec<String> = bodies.iter().flat_map(point).collect();
        let radio = digits(&whole.to_string(), &words.digits);
        with_point.extend(words.point.iter().skip(1).map(|point| format!("{radio} {point} {}", tails[0])));
        // A whole number may be said as one.
        bodies = if rest == 0 { bodies.into_iter().chain(with_point).collect() } else { with_point };
    }
    if value < 0 {
        bodies = bodies.into_iter().map(|body| format!("{} {body}", words.minus)).collect();
    }
    let mut seen = Vec::new();
    bodies.retain(|body| {
        let new = !seen.contains(body);
        seen.push(body.clone());
        new
    });
    bodies
}

/// A number from digits and points that were said one by one; `None` where they make none that may be said.
pub fn from_digits(typed: &str, answer: &NumberAnswer) -> Option<i64> {
    let (whole, rest) = typed.split_once('.').unwrap_or((typed, ""));
    if whole.is_empty() || rest.len() > usize::from(answer.decimals) {
        return None;
    }
    let padded = format!("{whole}{rest:0<width$}", width = usize::from(answer.decimals));
    let value = padded.parse::<i64>().ok()?;
    let (low, high) = answer.gauge;
    let on_the_grid = (value - low) % answer.resolution.max(1) == 0;
    ((low..=high).contains(&value) && on_the_grid).then_some(value)
}

/// "12.6 volts".
pub fn shown(value: i64, decimals: u8, unit: &str) -> String {
    // A journal may hold anything: what no reading has must not stop it from being shown.
    let scale = 10_u64.checked_pow(u32::from(decimals)).unwrap_or(u64::MAX);
    let sign = if value < 0 { "-" } else { "" };
    let (whole, rest) = (value.unsigned_abs() / scale, value.unsigned_abs() % scale);
    let number = match decimals {
        0 => format!("{sign}{whole}"),
        places => format!("{sign}{whole}.{rest:0width$}", width = usize::from(places)),
    };
    format!("{number} {unit}").trim_end().to_owned()
}

fn wholes(number: i64, words: &NumberWords) -> Vec<String> {
    let plain = cardinal(number);
    let mut found = vec![plain.clone()];
    let (hundreds, rest) = (number / 100, number % 100);
    if (1..=9).contains(&hundreds) {
        let head = cardinal(hundreds);
        if rest == 0 {
            if hundreds == 1 {
                found.push(words.a_hundred.clone());
            }
        } else {
            match rest {
                1..=9 => found.push(format!("{head} {} {}", words.oh, cardinal(rest))),
                _ => found.push(format!("{head} {}", cardinal(rest))),
            }
            found.push(format!("{head} {} {} {}", words.hundred, words.and, cardinal(rest)));
        }
    }
    let text = number.to_string();
    if text.len() > 1 {
        found.push(digits(&text, &words.digits));
        if text.contains('0') {
            let with_oh: Vec<&str> =
                text.chars().map(|c| if c == '0' { words.oh.as_str() } else { digit(c, &words.digits) }).collect();
            found.push(with_oh.join(" "));
        }
    }
    found
}

/// "eighty two", without hyphens and without "and".
fn cardinal(number: i64) -> String {
    let words = Num2Words::new(number).to_words().unwrap_or_default();
    let words = words.replace('-', " ");
    words.split_whitespace().filter(|word| *word != "and").collect::<Vec<_>>().join(" ")
}

fn digits(text: &str, names: &[String]) -> String {
    text.chars().map(|c| digit(c, names)).collect::<Vec<_>>().join(" ")
}

fn digit(c: char, names: &[String]) -> &str {
    c.to_digit(10).and_then(|digit| names.get(digit as usize)).map_or("", String::as_str)
}

/// More would make the listening slow and the numbers alike.
const MOST_VALUES: i64 = 300;
const MOST_PHRASES: usize = 800;
const MOST_WAYS: usize = 6;
/// Numbers outside the bounds that must be heard too, or a wrong one could only be taken for a right one.
const SPARE_VALUES: i64 = 20;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::phrasebook::Phrasebook;
    use proptest::prelude::*;
    use rstest::rstest;

    fn words() -> NumberWords {
        Phrasebook::parse("en.toml", include_str!("../../../prompts/phrases/en.toml")).unwrap().numbers().clone()
    }

    fn answer(decimals: u8, bounds: (i64, i64), gauge: (i64, i64)) -> NumberAnswer {
        NumberAnswer {
            name: "tyre".to_owned(),
            unit: "p s i".to_owned(),
            decimals,
            least: bounds.0,
            most: bounds.1,
            gauge,
            resolution: 1,
            low_reply: String::new(),
            high_reply: String::new(),
        }
    }

    #[rstest]
    #[case(82, 0, &["eighty two", "eight two"])]
    #[case(105, 0, &["one hundred five", "one hundred and five", "one oh five", "one zero five"])]
    #[case(150, 0, &["one hundred fifty", "one hundred and fifty", "one fifty", "one five zero"])]
    #[case(100, 0, &["one hundred", "a hundred", "one zero zero"])]
    #[case(126, 1, &["twelve point six", "one two point six", "one two decimal six"])]
    #[case(120, 1, &["twelve", "twelve point zero"])]
    #[case(-5, 0, &["minus five"])]
    #[case(3405, 2, &["thirty four point zero five", "three four decimal zero five"])]
    fn a_number_is_said_in_full_in_short_and_digit_by_digit(
        #[case] value: i64,
        #[case] decimals: u8,
        #[case] expected: &[&str],
    ) {
        let found = spoken(value, decimals, &words());
        for text in expected {
            assert!(found.iter().any(|said| said == text), "'{text}' is not among {found:?}");
        }
    }

    #[test]
    fn digits_are_spoken_as_icao_has_them() {
        // ICAO Annex 10 Volume II 5.2.1.4.1.1-2: 280 is "two eight zero".
        assert!(spoken(280, 0, &words()).contains(&"two eight zero".to_owned()));
    }

    #[test]
    fn a_wide_gauge_is_listened_to_around_the_bounds_and_a_very_wide_one_digit_by_digit() {
        let narrow = phrases(&answer(0, (65, 80), (0, 160)), &words()).unwrap();
        assert!(narrow.iter().any(|(text, value)| text == "one fifty" && *value == 150));
        let around = phrases(&answer(0, (800, 900), (0, 9_999)), &words()).unwrap();
        let values: std::collections::BTreeSet<i64> = around.iter().map(|(_, value)| *value).collect();
        assert!(values.len() <= 300 && values.contains(&790) && values.contains(&910) && !values.contains(&5));
        assert_eq!(phrases(&answer(0, (0, 9_000), (0, 9_999)), &words()), None);
    }

    #[test]
    fn digits_one_by_one_make_a_number_of_the_gauge_or_none() {
        let volts = answer(1, (120, 140), (0, 200));
        assert_eq!(from_digits("12.6", &volts), Some(126));
        assert_eq!(from_digits("12", &volts), Some(120));
        for wrong in ["", ".5", "12.66", "99"] {
            assert_eq!(from_digits(wrong, &volts), None, "{wrong}");
        }
    }

    proptest! {
        #[test]
        fn no_phrase_has_two_values(low in 0i64..400, span in 1i64..280, decimals in 0u8..3) {
            let answer = answer(decimals, (low, low + span), (low, low + span));
            let words = words();
            let mut seen = BTreeMap::new();
            for value in low..=low + span {
                for text in spoken(value, decimals, &words) {
                    if let Some(other) = seen.insert(text.clone(), value) {
                        prop_assert_eq!(other, value, "'{}' is said for both", text);
                    }
                }
            }
            let plain = |text: &str| text.chars().all(|c| c.is_ascii_lowercase() || c == ' ');
            let all = phrases(&answer, &words).unwrap();
            prop_assert!(all.iter().all(|(text, _)| plain(text)), "{:?}", all);
        }
    }
}
