//! Figures with what belongs to them, put into words: units, fractions, ranges, times, dates, money.
//!
//! Each rule looks at the beginning of the text only. The last rule takes any run of digits, so that no number is lost.

use std::sync::LazyLock;

use regex::{Captures, Regex};

use crate::say::numbers::{NumberReading, decimal, one_by_one, ordinal, whole};
use crate::say::text::Reader;
use crate::say::wording::{CountedName, Wording};

/// A quantity at the beginning of a text.
pub(super) struct Found {
    pub said: String,
    /// Bytes of the text that it takes up.
    pub taken: usize,
    pub with_unit: bool,
}

/// Reads the quantity that `text` begins with; `after` is the character before it.
pub(super) fn take(text: &str, after: Option<char>, reader: &Reader) -> Option<Found> {
    let begins = text.chars().next()?;
    let wording = reader.wording();
    let numeric = begins.is_numeric() || matches!(begins, '-' | '−' | '.' | '+');
    let signed = wording
        .reading
        .currencies
        .keys()
        .chain(&wording.reading.number_signs.signs)
        .any(|sign| text.starts_with(sign.as_str()));
    if !numeric && !signed {
        return None;
    }
    // A dash is a minus only where a number can begin: not in "R-22" or after a bracket or sign.
    let after_word = after.is_some_and(|c| !c.is_whitespace() && !matches!(c, '(' | '"' | '“'));
    let rules = Rules { text, after_word, wording, reading: reader.reading() };
    rules
        .numbered()
        .or_else(|| rules.money())
        .or_else(|| rules.date())
        .or_else(|| rules.time())
        .or_else(|| rules.ratio())
        .or_else(|| rules.code())
        .or_else(|| rules.feet_and_inches())
        .or_else(|| rules.area())
        .or_else(|| rules.place())
        .or_else(|| rules.measure())
        .or_else(|| rules.digits())
}

struct Rules<'a> {
    text: &'a str,
    after_word: bool,
    wording: &'a Wording,
    reading: NumberReading,
}

/// A number, and whether it is one of a thing.
struct Amount {
    said: String,
    taken: usize,
    kind: AmountKind,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum AmountKind {
    One,
    Half,
    Part,
    Many,
}

impl Rules<'_> {
    /// "#2", "No. 2".
    fn numbered(&self) -> Option<Found> {
        let signs = &self.wording.reading.number_signs.signs;
        let sign = signs.iter().filter(|sign| self.text.starts_with(sign.as_str())).max_by_key(|sign| sign.len())?;
        if self.after_word && sign.starts_with(char::is_alphabetic) {
            return None;
        }
        let rest = self.text[sign.len()..].trim_start_matches(' ');
        let digits = PLAIN.captures(rest)?;
        let said = format!("{} {}", self.wording.reading.words.number, self.whole(&digits[1]));
        Some(Found { said, taken: self.text.len() - rest.len() + digits[0].len(), with_unit: false })
    }

    /// "$9.99".
    fn money(&self) -> Option<Found> {
        let (sign, names) =
            self.wording.reading.currencies.iter().find(|(sign, _)| self.text.starts_with(sign.as_str()))?;
        let rest = self.text[sign.len()..].trim_start_matches(' ');
        let found = NUMBER.captures(rest).filter(|found| !found[0].is_empty())?;
        let digits = found.get(1).map_or("", |m| m.as_str()).replace(',', "");
        let decimals = found.get(2).map(|m| m.as_str());
        let count = |digits: &str, one: &str, many: &str| {
            format!("{} {}", self.whole(digits), if digits == "1" { one } else { many })
        };
        let said = match decimals {
            None => count(&digits, &names.one, &names.many),
            Some(cents) if cents.len() == 2 => {
                let cents = cents.trim_start_matches('0');
                let cents = if cents.is_empty() { "0" } else { cents };
                let digits = if digits.is_empty() { "0" } else { &digits };
                format!(
                    "{} {} {}",
                    count(digits, &names.one, &names.many),
                    self.wording.reading.words.and,
                    count(cents, &names.cent, &names.cents)
                )
            }
            Some(decimals) => format!("{} {}", decimal(&digits, decimals, self.reading, self.wording), names.many),
        };
        Some(Found { said, taken: self.text.len() - rest.len() + found[0].len(), with_unit: false })
    }

    /// "2025-03-20".
    fn date(&self) -> Option<Found> {
        let found = DATE.captures(self.text)?;
        let (month, day) = (found[2].parse::<usize>().ok()?, found[3].trim_start_matches('0'));
        let name = self.wording.reading.months.names.get(month.checked_sub(1)?)?;
        if day.is_empty() || day.parse::<u8>().ok()? > 31 {
            return None;
        }
        self.found(&found, format!("{name} {}, {}", ordinal(day, self.wording), self.whole(&found[1])))
    }

    /// "10:30", "7:05 a.m.", "10:00", "13:00", "10:30:15".
    fn time(&self) -> Option<Found> {
        let found = TIME.captures(self.text)?;
        let hour: u8 = found[1].parse().ok()?;
        if hour > 24 {
            return None;
        }
        let words = &self.wording.reading.words;
        let rest = &self.text[found[0].len()..];
        let half_day = self.wording.reading.half_days.iter().filter(|(written, _)| {
            let rest = rest.trim_start_matches(' ');
            rest.starts_with(written.as_str()) && !rest[written.len()..].starts_with(char::is_alphanumeric)
        });
        let half_day = half_day.max_by_key(|(written, _)| written.len());
        let digits = found[1].trim_start_matches('0');
        let hours = self.whole(if digits.is_empty() { "0" } else { digits });
        let mut said = match (&found[2], half_day) {
            (minutes, _) if self.reading == NumberReading::Radio => {
                format!("{} {}", one_by_one(&found[1], self.wording), one_by_one(minutes, self.wording))
            }
            ("00", Some(_)) => hours,
            ("00", None) if (1..=12).contains(&hour) => format!("{hours} {}", words.o_clock),
            ("00", None) => format!("{hours} {}", words.hundred),
            (minutes, _) if minutes.starts_with('0') => format!("{hours} {} {}", words.oh, self.whole(&minutes[1..])),
            (minutes, _) => format!("{hours} {}", self.whole(minutes)),
        };
        if let Some(seconds) = found.get(3) {
            let seconds = seconds.as_str().trim_start_matches('0');
            let seconds = if seconds.is_empty() { "0" } else { seconds };
            let name = self.wording.reading.units.get("s")?;
            said = format!(
                "{said} {} {} {}",
                words.and,
                self.whole(seconds),
                if seconds == "1" { &name.one } else { &name.many }
            );
        }
        let mut taken = found[0].len();
        if let Some((written, name)) = half_day {
            said = format!("{said} {name}");
            taken += rest.len() - rest.trim_start_matches(' ').len() + written.len();
        }
        Some(Found { said, taken, with_unit: half_day.is_some_and(|(written, _)| !written.ends_with('.')) })
    }

    /// "3:1".
    fn ratio(&self) -> Option<Found> {
        let found = RATIO.captures(self.text)?;
        self.found(
            &found,
            format!("{} {} {}", self.whole(&found[1]), self.wording.reading.words.to, self.whole(&found[2])),
        )
    }

    /// "555-010-4477" and "1.2.3": more than two numbers strung together.
    fn code(&self) -> Option<Found> {
        if let Some(found) = DASHED.captures(self.text) {
            let groups: Vec<String> = found[0].split('-').map(|digits| one_by_one(digits, self.wording)).collect();
            return self.found(&found, groups.join(", "));
        }
        let found = DOTTED.captures(self.text)?;
        let groups: Vec<String> = found[0].split('.').map(|digits| self.whole(digits)).collect();
        self.found(&found, groups.join(&format!(" {} ", self.wording.reading.words.point)))
    }

    /// `6'2"`, `3"`.
    fn feet_and_inches(&self) -> Option<Found> {
        let found = FEET_INCHES.captures(self.text)?;
        let units = &self.wording.reading.units;
        let (foot, inch) = (units.get("ft")?, units.get("in")?);
        let count = |digits: &str, name: &CountedName| {
            format!("{} {}", self.whole(digits), if digits == "1" { &name.one } else { &name.many })
        };
        self.found(&found, format!("{} {}", count(&found[1], foot), count(&found[2], inch)))
    }

    /// "2x4", "2 x 4".
    fn area(&self) -> Option<Found> {
        let found = AREA.captures(self.text)?;
        self.found(
            &found,
            format!("{} {} {}", self.whole(&found[1]), self.wording.reading.words.by, self.whole(&found[2])),
        )
    }

    /// "3rd".
    fn place(&self) -> Option<Found> {
        let found = PLACE.captures(self.text)?;
        self.found(&found, ordinal(&found[1], self.wording))
    }

    /// A number or a range of two, with its unit if it has one.
    fn measure(&self) -> Option<Found> {
        let first = self.amount(self.text, !self.after_word)?;
        let (mut said, mut taken, mut kind) = (first.said, first.taken, first.kind);
        if let Some(dash) = RANGE.find(&self.text[taken..])
            && let Some(second) = self.amount(&self.text[taken + dash.end()..], false)
        {
            said = format!("{said} {} {}", self.wording.reading.words.to, second.said);
            taken += dash.end() + second.taken;
            kind = AmountKind::Many;
        }
        let Some((unit, name, length)) = self.unit(&self.text[taken..]) else {
            return Some(Found { said, taken, with_unit: false });
        };
        taken += length;
        let words = &self.wording.reading.words;
        let said = match kind {
            AmountKind::Half => words.half_of.replace("{unit}", &name.a),
            AmountKind::Part if !unit.starts_with('%') => {
                words.fraction_of.replace("{fraction}", &said).replace("{unit}", &name.a)
            }
            AmountKind::One => format!("{said} {}", name.one),
            _ if self.names_a_kind(&self.text[taken..]) => format!("{said} {}", name.one),
            _ => format!("{said} {}", name.many),
        };
        // "50%-60%", "10 ft-20 ft".
        if let Some(dash) = RANGE_OF_UNITS.find(&self.text[taken..])
            && let Some(second) =
                (Rules { text: &self.text[taken + dash.end()..], after_word: true, ..*self }).measure()
        {
            let said = format!("{said} {} {}", words.to, second.said);
            return Some(Found { said, taken: taken + dash.end() + second.taken, with_unit: second.with_unit });
        }
        Some(Found { said, taken, with_unit: unit.ends_with(char::is_alphabetic) })
    }

    /// The last resort: digits of any script, one by one where they are not 0 to 9.
    fn digits(&self) -> Option<Found> {
        let begins = self.text.chars().next()?;
        if !begins.is_numeric() {
            return None;
        }
        let said = begins.to_digit(10).map_or_else(String::new, |digit| one_by_one(&digit.to_string(), self.wording));
        Some(Found { said, taken: begins.len_utf8(), with_unit: false })
    }

    /// A single number: "-3", "1,250", "0.5", "1/2", "2 1/2", "2½".
    fn amount(&self, text: &str, may_be_signed: bool) -> Option<Amount> {
        let (sign, text_after) = match text.chars().next()? {
            sign @ ('-' | '−') if may_be_signed => {
                (Some(&self.wording.reading.words.minus), &text[sign.len_utf8()..])
            }
            '+' if may_be_signed => (self.wording.reading.signs.get(&'+'), &text[1..]),
            _ => (None, text),
        };
        let mut amount = self.fraction(text_after).or_else(|| self.number(text_after))?;
        amount.taken += text.len() - text_after.len();
        if let Some(sign) = sign {
            amount.said = format!("{sign} {}", amount.said);
            amount.kind = AmountKind::Many;
        }
        Some(amount)
    }

    fn number(&self, text: &str) -> Option<Amount> {
        let mut found = NUMBER.captures(text)?;
        if found[0].is_empty() {
            return None;
        }
        // "1,2500" is no number with a thousands separator: take what stands before the comma.
        if found[0].contains(',') && text[found[0].len()..].starts_with(|c: char| c.is_ascii_digit()) {
            found = PLAIN.captures(text)?;
        }
        let digits = found.get(1).map_or("", |m| m.as_str()).replace(',', "");
        let (said, kind) = match found.get(2) {
            Some(decimals) => (decimal(&digits, decimals.as_str(), self.reading, self.wording), AmountKind::Many),
            None => (self.whole(&digits), if digits == "1" { AmountKind::One } else { AmountKind::Many }),
        };
        Some(Amount { said, taken: found[0].len(), kind })
    }

    fn fraction(&self, text: &str) -> Option<Amount> {
        let (whole_part, above, below, taken) = self.fraction_parts(text)?;
        let words = &self.wording.reading.words;
        let (above_number, below_number) = (above.parse::<u64>().ok(), below.parse::<u64>().ok());
        let proper = above_number < below_number
            && above_number > Some(0)
            && below_number.is_some_and(|number| self.wording.reading.fraction_denominators.allowed.contains(&number));
        if !proper {
            let said = format!("{} {} {}", self.whole(&above), words.over, self.whole(&below));
            let said = whole_part
                .map_or_else(|| said.clone(), |whole_part| format!("{} {} {said}", self.whole(&whole_part), words.and));
            return Some(Amount { said, taken, kind: AmountKind::Many });
        }
        let name = self.wording.reading.fractions.get(&below);
        let single = above_number == Some(1);
        let part = match name {
            Some(name) if single && whole_part.is_some() => name.a.clone(),
            Some(name) if single => format!("{} {}", self.whole(&above), name.one),
            Some(name) => format!("{} {}", self.whole(&above), name.many),
            None if single => format!("{} {}", self.whole(&above), ordinal(&below, self.wording)),
            None => format!("{} {}s", self.whole(&above), ordinal(&below, self.wording)),
        };
        let kind = if single && below == "2" { AmountKind::Half } else { AmountKind::Part };
        Some(match whole_part {
            Some(whole_part) => Amount {
                said: format!("{} {} {part}", self.whole(&whole_part), words.and),
                taken,
                kind: AmountKind::Many,
            },
            None => Amount { said: part, taken, kind },
        })
    }

    /// Whole part, numerator, denominator and length of a fraction.
    fn fraction_parts(&self, text: &str) -> Option<(Option<String>, String, String, usize)> {
        if let Some(found) = FRACTION.captures(text) {
            let whole_part = found.get(1).map(|m| m.as_str().to_string());
            return Some((whole_part, found[2].to_string(), found[3].to_string(), found[0].len()));
        }
        let digits = text.len() - text.trim_start_matches(|c: char| c.is_ascii_digit()).len();
        let rest = &text[digits..];
        let gap = if digits > 0 { rest.len() - rest.trim_start_matches(' ').len() } else { 0 };
        let sign = rest[gap..].chars().next()?;
        let (_, above, below) = VULGAR.iter().find(|(vulgar, ..)| *vulgar == sign)?;
        let whole_part = (digits > 0).then(|| text[..digits].to_string());
        Some((whole_part, (*above).to_string(), (*below).to_string(), digits + gap + sign.len_utf8()))
    }

    /// The unit that `rest` begins with, and how much of it the unit takes.
    fn unit(&self, rest: &str) -> Option<(&str, &CountedName, usize)> {
        let gap = if rest.starts_with([' ', '-', '\u{a0}']) { rest.chars().next()?.len_utf8() } else { 0 };
        let at_unit = &rest[gap..];
        let fits = |unit: &str| {
            let Some(after) = at_unit.strip_prefix(unit) else { return false };
            let whole_word = !unit.ends_with(char::is_alphabetic) || !after.starts_with(char::is_alphanumeric);
            // "10 a-side", "5 m's": not units.
            whole_word && !after.starts_with(['\'', '’']) && !self.is_plain_word(unit, after)
        };
        let attached = |unit: &str| unit != TIMES || gap == 0;
        let units = &self.wording.reading.units;
        let (unit, name) =
            units.iter().filter(|(unit, _)| fits(unit) && attached(unit)).max_by_key(|(unit, _)| unit.len())?;
        Some((unit, name, gap + unit.len()))
    }

    fn is_plain_word(&self, unit: &str, after: &str) -> bool {
        let Some(words) = self.wording.reading.not_a_unit_before.get(unit) else { return false };
        next_word(after).is_some_and(|next| words.iter().any(|word| word == &next))
    }

    /// Whether the unit stands before a thing, as in "30 A outlet".
    fn names_a_kind(&self, after_unit: &str) -> bool {
        next_word(after_unit).is_some_and(|next| !self.wording.reading.plural_before.words.contains(&next))
    }

    fn whole(&self, digits: &str) -> String {
        whole(digits, self.reading, self.wording)
    }

    fn found(&self, captures: &Captures<'_>, said: String) -> Option<Found> {
        let taken = captures[0].len();
        // A rule that would stop in the middle of a number is the wrong one.
        let rest = &self.text[taken..];
        let is_digit = |c: char| c.is_ascii_digit();
        let splits_a_number =
            rest.starts_with(is_digit) || rest.strip_prefix('.').is_some_and(|rest| rest.starts_with(is_digit));
        (!splits_a_number).then_some(Found { said, taken, with_unit: false })
    }
}

/// The word that follows directly, in small letters; `None` at punctuation.
fn next_word(text: &str) -> Option<String> {
    let text = text.strip_prefix([' ', '-'])?;
    let word: String = text.chars().take_while(|c| c.is_alphabetic()).collect();
    (!word.is_empty()).then(|| word.to_lowercase())
}

/// Fractions that are one character (Unicode, "Number Forms" and "Latin-1 Supplement").
const VULGAR: [(char, &str, &str); 15] = [
    ('½', "1", "2"),
    ('¼', "1", "4"),
    ('¾', "3", "4"),
    ('⅓', "1", "3"),
    ('⅔', "2", "3"),
    ('⅕', "1", "5"),
    ('⅖', "2", "5"),
    ('⅗', "3", "5"),
    ('⅘', "4", "5"),
    ('⅙', "1", "6"),
    ('⅚', "5", "6"),
    ('⅛', "1", "8"),
    ('⅜', "3", "8"),
    ('⅝', "5", "8"),
    ('⅞', "7", "8"),
];

/// "2x" is two times only when written together.
const TIMES: &str = "x";

macro_rules! pattern {
    ($name:ident, $pattern:literal) => {
        #[allow(clippy::unwrap_used, reason = "a fixed pattern, tried by every test")]
        static $name: LazyLock<Regex> = LazyLock::new(|| Regex::new($pattern).unwrap());
    };
}

pattern!(PLAIN, r"^([0-9]+)");
pattern!(NUMBER, r"^([0-9]{1,3}(?:,[0-9]{3})+|[0-9]+)?(?:\.([0-9]+))?");
pattern!(DATE, r"^([0-9]{4})-([0-9]{2})-([0-9]{2})");
pattern!(TIME, r"^([0-9]{1,2}):([0-5][0-9])(?::([0-5][0-9]))?\b");
pattern!(RATIO, r"^([0-9]+):([0-9]+)");
pattern!(DASHED, r"^[0-9]+(?:-[0-9]+){2,}");
pattern!(DOTTED, r"^[0-9]+(?:\.[0-9]+){2,}");
pattern!(FEET_INCHES, r#"^([0-9]+)['′] ?([0-9]+)["″]"#);
pattern!(AREA, r"^([0-9]+) ?[x×] ?([0-9]+)\b");
pattern!(PLACE, r"^([0-9]+)(?:st|nd|rd|th)\b");
pattern!(FRACTION, r"^(?:([0-9]+)[ -])?([0-9]+)/([0-9]+)\b");
pattern!(RANGE_OF_UNITS, r"^(?:-| ?[–—] ?)");
pattern!(RANGE, r"^ ?[-–—] ?");
