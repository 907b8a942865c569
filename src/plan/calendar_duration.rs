//! Durations as calendars write them (RFC 5545, section 3.3.6): weeks, or days and a time; no years and no months.

use thiserror::Error;

/// Why a text is no such duration.
#[derive(Clone, Debug, Error, PartialEq, Eq)]
#[error("found '{0}', expected a duration like PT15M, P1DT2H, P2W or -PT30M")]
pub struct NoDuration(pub String);

/// Seconds of a duration; negative after a minus.
///
/// # Errors
/// The text is not of the form that RFC 5545 allows, or is longer than 68 years.
pub fn seconds(text: &str) -> Result<i64, NoDuration> {
    parse(text).ok_or_else(|| NoDuration(text.to_owned()))
}

fn parse(text: &str) -> Option<i64> {
    let (sign, rest) = match text.as_bytes().first()? {
        b'-' => (-1, &text[1..]),
        b'+' => (1, &text[1..]),
        _ => (1, text),
    };
    let rest = rest.strip_prefix('P')?;
    let (days, time) = match rest.split_once('T') {
        Some((days, time)) => (days, Some(time)),
        None => (rest, None),
    };
    let mut total = 0_i64;
    if let Some(weeks) = days.strip_suffix('W') {
        return if time.is_none() { scaled(weeks, 604_800).map(|s| sign * s) } else { None };
    }
    if let Some(days) = days.strip_suffix('D') {
        total += scaled(days, 86_400)?;
    } else if !days.is_empty() || time.is_none() {
        return None;
    }
    if let Some(time) = time {
        total += of_time(time)?;
    }
    Some(sign * total)
}

/// Hours, minutes, seconds in this order, none left out between two others (`dur-hour`, `dur-minute`).
fn of_time(text: &str) -> Option<i64> {
    let mut rest = text;
    let mut total = 0;
    let mut places = Vec::new();
    while !rest.is_empty() {
        let end = rest.find(|c: char| !c.is_ascii_digit())?;
        let unit = rest[end..].chars().next()?;
        let place = ['H', 'M', 'S'].iter().position(|&u| u == unit)?;
        total += scaled(&rest[..end], [3_600, 60, 1][place])?;
        places.push(place);
        rest = &rest[end + 1..];
    }
    let in_order = !places.is_empty() && places.windows(2).all(|pair| pair[1] == pair[0] + 1);
    in_order.then_some(total)
}

fn scaled(digits: &str, by: i64) -> Option<i64> {
    if digits.is_empty() || !digits.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    digits.parse::<i64>().ok()?.checked_mul(by).filter(|&seconds| seconds <= MOST)
}

/// The shortest text of a duration.
pub fn text(seconds: i64) -> String {
    let sign = if seconds < 0 { "-" } else { "" };
    let all = seconds.unsigned_abs();
    if all > 0 && all.is_multiple_of(604_800) {
        return format!("{sign}P{}W", all / 604_800);
    }
    let (days, hours, minutes, rest) = (all / 86_400, all / 3_600 % 24, all / 60 % 60, all % 60);
    let mut text = format!("{sign}P");
    if days > 0 {
        text += &format!("{days}D");
    }
    if hours + minutes + rest > 0 || days == 0 {
        text.push('T');
        if hours > 0 {
            text += &format!("{hours}H");
        }
        // Minutes may not be left out between hours and seconds.
        if minutes > 0 || (hours > 0 && rest > 0) {
            text += &format!("{minutes}M");
        }
        if rest > 0 || hours + minutes == 0 {
            text += &format!("{rest}S");
        }
    }
    text
}

/// 68 years, the reach of a 32-bit number of seconds.
const MOST: i64 = 1 << 31;

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use rstest::rstest;

    use super::*;

    /// RFC 5545, section 3.3.6: its two examples, and its rules ("Unlike ISO.8601.2004, this value type doesn't support the
    /// year and month designators"; weeks stand alone; time parts follow each other).
    #[rstest]
    #[case::days_and_time("P15DT5H0M20S", Some(1_314_020))]
    #[case::weeks("P7W", Some(4_233_600))]
    #[case::before("-P7W", Some(-4_233_600))]
    #[case::plus("+PT15M", Some(900))]
    #[case::nothing("PT0S", Some(0))]
    #[case::year("P1Y", None)]
    #[case::month("P1M", None)]
    #[case::weeks_and_days("P1W2D", None)]
    #[case::weeks_and_time("P1WT1H", None)]
    #[case::hours_and_seconds_alone("PT1H20S", None)]
    #[case::backwards("PT20S1H", None)]
    #[case::empty("P", None)]
    #[case::empty_time("P1DT", None)]
    #[case::fraction("PT1.5S", None)]
    #[case::lower_case("pt1s", None)]
    #[case::endless("P99999999999999999999W", None)]
    fn a_duration_is_read_as_the_standard_says(#[case] text: &str, #[case] expected: Option<i64>) {
        assert_eq!(seconds(text).ok(), expected, "{text}");
    }

    #[test]
    fn a_text_that_is_none_is_refused_with_what_is_expected() {
        let error = seconds("P1Y").unwrap_err().to_string();
        assert_eq!(error, "found 'P1Y', expected a duration like PT15M, P1DT2H, P2W or -PT30M");
    }

    proptest! {
        #[test]
        fn what_is_written_reads_back(number in -(1_i64 << 31)..=1 << 31) {
            prop_assert_eq!(seconds(&text(number)), Ok(number));
        }

        #[test]
        fn no_text_makes_it_panic(text in "\\PC{0,12}|[-+PTWDHMS0-9]{0,12}") {
            let _ = seconds(&text);
        }
    }
}
