//! Why a figure is refused: what it is about, what was found, what was expected, what to do.

use std::ops::RangeInclusive;

use thiserror::Error;

#[derive(Clone, Debug, Error, PartialEq, Eq)]
pub enum FigureError {
    #[error(
        "{kind}: found \"{found}\" without a unit, expected a number and its unit ({units}); write for instance {example}"
    )]
    NoUnit { kind: &'static str, found: String, units: String, example: &'static str },
    #[error("{kind}: found the unit \"{unit}\" in \"{found}\", expected one of {units}; write for instance {example}")]
    UnknownUnit { kind: &'static str, found: String, unit: String, units: String, example: &'static str },
    #[error("{kind}: found \"{found}\", expected a number and its unit; write for instance {example}")]
    NotAQuantity { kind: &'static str, found: String, example: &'static str },
    #[error("{kind}: found \"{found}\", which is below zero, expected zero or more; leave the minus off")]
    Negative { kind: &'static str, found: String },
    #[error("{what}: found {found} {unit}, expected {least} to {most} {unit}; check the number and its unit")]
    OutOfRange { what: &'static str, found: String, least: String, most: String, unit: &'static str },
    #[error("{what} is not known, expected {expected}")]
    Unknown { what: &'static str, expected: &'static str },
    #[error("{what}: {found}, expected {expected}")]
    Impossible { what: &'static str, found: String, expected: &'static str },
}

/// Refuses a value outside `range`, and one that is no number.
///
/// # Errors
/// [`FigureError::OutOfRange`], with value and bounds in `unit`.
pub(crate) fn within(
    what: &'static str,
    value: f64,
    range: RangeInclusive<f64>,
    unit: &'static str,
) -> Result<(), FigureError> {
    let (least, most) = (*range.start(), *range.end());
    if super::at_least(value, least) && super::at_most(value, most) {
        return Ok(());
    }
    Err(FigureError::OutOfRange { what, found: plain(value), least: plain(least), most: plain(most), unit })
}

/// A number as people write it: up to four digits that count, no trailing zeros, never as a power of ten below a million.
pub(crate) fn plain(value: f64) -> String {
    if !value.is_finite() {
        return value.to_string();
    }
    let magnitude = if value == 0.0 { 0 } else { value.abs().log10().floor() as i32 };
    let decimals = usize::try_from(3 - magnitude).unwrap_or(0).min(12);
    let text = format!("{value:.decimals$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    #[test]
    fn the_bounds_belong_to_the_range_and_beyond_them_all_is_named() {
        assert_eq!(within("tank", 1.0, 1.0..=500.0, "gal"), Ok(()));
        assert_eq!(within("tank", 500.0, 1.0..=500.0, "gal"), Ok(()));
        assert_eq!(
            within("tank", 40_000.0, 1.0..=500.0, "gal").unwrap_err().to_string(),
            "tank: found 40000 gal, expected 1 to 500 gal; check the number and its unit"
        );
    }

    #[rstest]
    #[case(f64::NAN)]
    #[case(f64::INFINITY)]
    #[case(f64::NEG_INFINITY)]
    fn what_is_no_number_is_in_no_range(#[case] value: f64) {
        assert!(within("tank", value, -1e300..=1e300, "gal").is_err());
    }

    #[rstest]
    #[case(0.0, "0")]
    #[case(0.802_083, "0.8021")]
    #[case(12.0, "12")]
    #[case(40_000.0, "40000")]
    #[case(-0.5, "-0.5")]
    fn numbers_are_plain(#[case] value: f64, #[case] text: &str) {
        assert_eq!(plain(value), text);
    }
}
