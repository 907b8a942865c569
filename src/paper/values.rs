//! What people write in the cells of a list: times, ticks, bullets, names.

use super::cells::{Cell, Value};

/// What a cell says about how long something takes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Minutes {
    /// One time, in minutes, 0 to a day.
    Exactly(f64),
    /// Written as a clock shows it (`0:30`), which is hours and minutes to a spreadsheet and may have been meant as minutes and seconds; in minutes,
    /// as the spreadsheet has it.
    Clock(f64),
    /// A range; the longer time counts, in minutes.
    UpTo(f64),
    /// No time, or none that a step can take.
    Unclear,
}

/// Reads a time: `5`, `5 min`, `1 h 30`, `1:30` (hours and minutes), `0:05:30`, `90 s`, `5-10 min`, or a cell that is a time.
pub fn minutes(value: &Value) -> Minutes {
    let found = match value {
        Value::Number(number) => Minutes::Exactly(*number),
        Value::Time(minutes) if minutes.fract() == 0.0 => Minutes::Clock(*minutes),
        Value::Time(minutes) => Minutes::Exactly(*minutes),
        Value::Text(text) => minutes_of_text(text),
        Value::Date(_) | Value::Truth(_) | Value::Fault(_) => Minutes::Unclear,
    };
    match found {
        Minutes::Exactly(minutes) | Minutes::Clock(minutes) | Minutes::UpTo(minutes)
            if !(0.0..=DAY).contains(&minutes) =>
        {
            Minutes::Unclear
        }
        found => found,
    }
}

fn minutes_of_text(text: &str) -> Minutes {
    let text = text.to_lowercase();
    let text = text.trim().trim_start_matches(['~', '≈']).trim_start_matches("about ").trim_start_matches("ca. ");
    for dash in ["-", "–", " to "] {
        if let Some((from, to)) = text.split_once(dash) {
            let unit = |part: &str| part.trim_end().ends_with(|c: char| c.is_alphabetic());
            // "5-10 min" names the unit once, at its end.
            let words: String = to.chars().skip_while(|c| !c.is_alphabetic()).collect();
            let from = if unit(from) { from.to_owned() } else { format!("{from} {words}") };
            return match (one_time(&from), one_time(to)) {
                (Some(from), Some(to)) if from <= to => Minutes::UpTo(to),
                _ => Minutes::Unclear,
            };
        }
    }
    let of = if text.matches(':').count() == 1 { Minutes::Clock } else { Minutes::Exactly };
    one_time(text).map_or(Minutes::Unclear, of)
}

fn one_time(text: &str) -> Option<f64> {
    let text = text.trim().trim_end_matches('.');
    if let Some((hours, rest)) = text.split_once(':') {
        let (minutes, seconds) = rest.split_once(':').unwrap_or((rest, "0"));
        let part = |text: &str| {
            text.trim().parse::<u32>().ok().filter(|_| text.trim().chars().all(|c| c.is_ascii_digit())).map(f64::from)
        };
        let (minutes, seconds) = (part(minutes)?, part(seconds)?);
        return (minutes < 60.0 && seconds < 60.0)
            .then(|| part(hours).map(|hours| hours * 60.0 + minutes + seconds / 60.0))
            .flatten();
    }
    let mut total = 0.0;
    let mut rest = text;
    let mut unit = 1.0;
    let mut any = false;
    while !rest.trim().is_empty() {
        rest = rest.trim_start();
        let digits = rest.find(|c: char| !c.is_ascii_digit() && c != '.' && c != ',').unwrap_or(rest.len());
        let number: f64 = rest[..digits].replace(',', ".").parse().ok()?;
        rest = rest[digits..].trim_start();
        let letters = rest.find(|c: char| !c.is_alphabetic()).unwrap_or(rest.len());
        unit = match &rest[..letters] {
            // A bare number after hours is minutes ("1 h 30").
            "" if unit == 60.0 && any => 1.0,
            "" if any => return None,
            "" | "m" | "min" | "mins" | "minute" | "minutes" => 1.0,
            "h" | "hr" | "hrs" | "hour" | "hours" => 60.0,
            "s" | "sec" | "secs" | "second" | "seconds" => 1.0 / 60.0,
            _ => return None,
        };
        total += number * unit;
        any = true;
        rest = rest[letters..].trim_start_matches(['.', ' ']);
    }
    any.then_some(total)
}

/// Whether a cell is a mark that something was done or not: a tick, a cross, a box, yes, no.
pub fn is_tick(cell: &Cell) -> bool {
    if matches!(cell.value, Value::Truth(_)) {
        return true;
    }
    let text = cell.text().to_lowercase();
    let bare: String = text.chars().filter(|c| !"[]() ".contains(*c)).collect();
    bare.is_empty()
        || matches!(bare.as_str(), "x" | "v" | "y" | "n" | "yes" | "no" | "true" | "false" | "done" | "ok" | "open")
        || bare.chars().all(|c| "☐☑☒✓✔✗✘□■◻◼✅❌_-–".contains(c))
}

/// The text without what stands before it in lists: boxes, dashes, dots, numbers such as `3.` or `3)`.
pub fn without_bullet(text: &str) -> &str {
    let mut rest = text.trim();
    loop {
        let before = rest;
        for mark in [
            "[ ]", "[]", "[x]", "[X]", "( )", "()", "☐", "☑", "☒", "□", "■", "◻", "◼", "✓", "✔", "•", "·", "‣", "–",
            "✅",
        ] {
            rest = rest.strip_prefix(mark).unwrap_or(rest).trim_start();
        }
        for mark in ["- ", "* ", "+ "] {
            rest = rest.strip_prefix(mark).unwrap_or(rest).trim_start();
        }
        let digits = rest.len() - rest.trim_start_matches(|c: char| c.is_ascii_digit()).len();
        if (1..=3).contains(&digits) {
            let after = &rest[digits..];
            // "3. Tap off", but not "3.5 turns".
            if let Some(words) = after.strip_prefix(". ").or_else(|| after.strip_prefix(") ")) {
                rest = words.trim_start();
            }
        }
        if rest == before {
            return rest;
        }
    }
}

/// Everything on one line, every run of blanks one blank, no control characters: what can be said and stand in a list.
pub fn one_line(text: &str) -> String {
    text.replace(char::is_control, " ").split_whitespace().collect::<Vec<_>>().join(" ")
}

/// At most so many words, with a mark where some were cut off.
pub fn first_words(text: &str, most: usize) -> String {
    let words: Vec<&str> = text.split_whitespace().collect();
    if words.len() <= most {
        return words.join(" ");
    }
    format!("{} …", words[..most].join(" ").trim_end_matches([',', ';', '.']))
}

/// Lower-case letters, digits and hyphens of a text, cut at a word; empty where it has none.
pub fn slug(text: &str) -> String {
    let mut slug = String::new();
    for word in text.split(|c: char| !c.is_ascii_alphanumeric()).filter(|word| !word.is_empty()) {
        if !slug.is_empty() && slug.len() + word.len() >= LONGEST_ID {
            break;
        }
        if !slug.is_empty() {
            slug.push('-');
        }
        slug.extend(word.chars().take(LONGEST_ID).map(|c| c.to_ascii_lowercase()));
    }
    slug
}

const DAY: f64 = 24.0 * 60.0;
const LONGEST_ID: usize = 32;

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    #[rstest]
    #[case("5", Minutes::Exactly(5.0))]
    #[case("5 min", Minutes::Exactly(5.0))]
    #[case("5min.", Minutes::Exactly(5.0))]
    #[case("0,5", Minutes::Exactly(0.5))]
    #[case("~ 10 mins", Minutes::Exactly(10.0))]
    #[case("1 h 30", Minutes::Exactly(90.0))]
    #[case("1h30m", Minutes::Exactly(90.0))]
    #[case("90 s", Minutes::Exactly(1.5))]
    #[case("0:05", Minutes::Clock(5.0))]
    #[case("1:30:30", Minutes::Exactly(90.5))]
    #[case("5-10 min", Minutes::UpTo(10.0))]
    #[case("5 – 10", Minutes::UpTo(10.0))]
    #[case("30 s to 2 min", Minutes::UpTo(2.0))]
    #[case("10-5", Minutes::Unclear)]
    #[case("5 10", Minutes::Unclear)]
    #[case("soon", Minutes::Unclear)]
    #[case("", Minutes::Unclear)]
    #[case("-5", Minutes::Unclear)]
    #[case("2000", Minutes::Unclear)]
    #[case("1:75", Minutes::Unclear)]
    #[case("nan", Minutes::Unclear)]
    fn times_are_read_as_people_write_them(#[case] text: &str, #[case] expected: Minutes) {
        assert_eq!(minutes(&Value::Text(text.to_owned())), expected);
    }

    #[test]
    fn a_cell_that_became_a_date_is_no_time() {
        assert_eq!(minutes(&Value::Date("2026-10-05".to_owned())), Minutes::Unclear);
        assert_eq!(minutes(&Value::Number(f64::NAN)), Minutes::Unclear);
    }

    #[rstest]
    #[case("[ ] Cap off", "Cap off")]
    #[case("☐ 3. Cap off", "Cap off")]
    #[case("- [x] Cap off", "Cap off")]
    #[case("12) Cap off", "Cap off")]
    #[case("3.5 turns", "3.5 turns")]
    #[case("30 A cord", "30 A cord")]
    #[case("-5 is too cold", "-5 is too cold")]
    fn what_stands_before_the_words_is_taken_off(#[case] text: &str, #[case] expected: &str) {
        assert_eq!(without_bullet(text), expected);
    }

    #[rstest]
    #[case("Cap off, slowly!", "cap-off-slowly")]
    #[case("Schläuche spülen", "schl-uche-sp-len")]
    #[case("排水", "")]
    #[case("a very long name of a step that goes on and on", "a-very-long-name-of-a-step-that")]
    fn an_id_is_made_of_plain_letters(#[case] text: &str, #[case] expected: &str) {
        assert_eq!(slug(text), expected);
    }
}
