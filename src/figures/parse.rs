//! A quantity as people type or say it: "5 gal", "45 psi", "12.6 V", "1/4 cup", "5 ft 6 in".
//!
//! `uom` reads quantities too, but only as "5 gal" with its own rounded units and abbreviations; people write fractions, parts
//! ("1 min 33 s") and names. Gallons, quarts, pints, cups and fluid ounces are those of the United States unless "imp" is said.

use std::sync::LazyLock;

use regex::Regex;
use serde::{Deserialize, Deserializer};

use super::error::FigureError;

/// A kind of quantity that can be typed.
pub trait Typed: Sized + 'static {
    /// What it is, in errors.
    const KIND: &'static str;
    /// How it is written, in errors.
    const EXAMPLE: &'static str;
    /// Whether it can be below zero.
    const SIGNED: bool = false;
    /// Whether parts add up: 5 ft 6 in do, 20 C 5 F do not.
    const IN_PARTS: bool = true;
    /// Whether a bare fraction ("3/4") is complete, as it is of a whole.
    const BARE_FRACTION: bool = false;
    /// The units, the usual first.
    fn units() -> &'static [TypedUnit];
    /// From the base unit of the international system.
    fn from_base(value: f64) -> Self;
}

/// The names of a unit, in lower case, and how a number of it becomes one of the base unit.
pub struct TypedUnit {
    pub(super) names: &'static [&'static str],
    pub(super) to_base: fn(f64) -> f64,
}

/// A quantity read from text, for arguments and files.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Entered<Q>(pub Q);

impl<Q: Typed> std::str::FromStr for Entered<Q> {
    type Err = FigureError;
    fn from_str(text: &str) -> Result<Self, FigureError> {
        parse(text).map(Self)
    }
}

impl<'de, Q: Typed> Deserialize<'de> for Entered<Q> {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        let text = String::deserialize(from)?;
        text.parse().map_err(serde::de::Error::custom)
    }
}

/// Reads a quantity: a number (decimal, with thousands commas, or a fraction, whole or mixed) and its unit, or several such
/// parts from the greatest unit to the smallest. Range: any finite number; below zero only for temperatures and heights.
///
/// # Errors
/// No unit, an unknown unit, no number, below zero: each with what was found and how to write it.
pub fn parse<Q: Typed>(text: &str) -> Result<Q, FigureError> {
    let found = || text.trim().to_owned();
    let nonsense = || FigureError::NotAQuantity { kind: Q::KIND, found: found(), example: Q::EXAMPLE };
    let (negative, mut rest) = match text.trim().strip_prefix(['-', '−']) {
        Some(rest) => (true, rest.trim_start()),
        None => (false, text.trim()),
    };
    rest = rest.strip_prefix('+').unwrap_or(rest);
    let mut total = 0.0;
    let mut smallest_yet = f64::INFINITY;
    loop {
        let part = PART.captures(rest).ok_or_else(nonsense)?;
        let number = number(&part).filter(|n| n.is_finite()).ok_or_else(nonsense)?;
        rest = after_unit(&rest[part[0].len()..]);
        let name = part["unit"].trim().trim_end_matches(',').split_whitespace().collect::<Vec<_>>().join(" ");
        let first = smallest_yet.is_infinite();
        if name.is_empty() && Q::BARE_FRACTION && part.name("under").is_some() && first && rest.is_empty() {
            total = number;
            break;
        }
        if name.is_empty() && rest.is_empty() && first {
            let (found, units) = (found(), names_of::<Q>());
            return Err(FigureError::NoUnit { kind: Q::KIND, found, units, example: Q::EXAMPLE });
        }
        if name.is_empty() {
            return Err(nonsense());
        }
        let Some(unit) = Q::units().iter().find(|u| u.names.contains(&name.to_lowercase().as_str())) else {
            let (found, units) = (found(), names_of::<Q>());
            return Err(FigureError::UnknownUnit { kind: Q::KIND, found, unit: name, units, example: Q::EXAMPLE });
        };
        let size = (unit.to_base)(1.0);
        if size >= smallest_yet || !(first || Q::IN_PARTS) {
            return Err(nonsense());
        }
        smallest_yet = size;
        total += (unit.to_base)(if negative { -number } else { number });
        if rest.is_empty() {
            break;
        }
    }
    if negative && !Q::SIGNED {
        return Err(FigureError::Negative { kind: Q::KIND, found: found() });
    }
    if total.is_finite() { Ok(Q::from_base(total)) } else { Err(nonsense()) }
}

/// What follows a unit; a full stop after an abbreviation is none of it, one before a digit begins the next number.
fn after_unit(rest: &str) -> &str {
    match rest.strip_prefix('.') {
        Some(next) if !next.starts_with(|c: char| c.is_ascii_digit()) => next.trim_start(),
        _ => rest.trim_start(),
    }
}

/// The first name of every unit of a kind, for errors.
fn names_of<Q: Typed>() -> String {
    Q::units().iter().map(|u| u.names[0]).collect::<Vec<_>>().join(", ")
}

/// A number and the name after it, up to the next number. A comma stands only between groups of three digits.
static PART: LazyLock<Regex> = LazyLock::new(|| {
    let number = r"(?:(?<whole>[0-9]+)[ -])? *(?<over>[0-9]+) */ *(?<under>[0-9]+)";
    let sign = "(?<before>[0-9]+)? *(?<sign>[½¼¾⅓⅔⅛⅜⅝⅞])";
    let decimal = r"(?<decimal>(?:[0-9]{1,3}(?:,[0-9]{3})+|[0-9]+)(?:\.[0-9]+)?|\.[0-9]+)";
    let unit = "(?<unit>[^0-9.½¼¾⅓⅔⅛⅜⅝⅞+−-]*)";
    Regex::new(&format!("^(?:{number}|{sign}|{decimal}) *{unit}")).expect("the pattern is fixed and right")
});

fn number(part: &regex::Captures<'_>) -> Option<f64> {
    let get = |name: &str| part.name(name).map(|m| m.as_str().replace(',', "").parse::<f64>());
    let or_zero = |value: Option<Result<f64, _>>| value.unwrap_or(Ok(0.0)).ok();
    if let (Some(over), Some(under)) = (get("over"), get("under")) {
        let under = under.ok().filter(|u| *u > 0.0)?;
        return Some(or_zero(get("whole"))? + over.ok()? / under);
    }
    if let Some(sign) = part.name("sign") {
        let (_, share) = SIGNS.iter().find(|(written, _)| *written == sign.as_str())?;
        return Some(or_zero(get("before"))? + share);
    }
    get("decimal")?.ok()
}

const SIGNS: [(&str, f64); 9] = [
    ("½", 1.0 / 2.0),
    ("¼", 1.0 / 4.0),
    ("¾", 3.0 / 4.0),
    ("⅓", 1.0 / 3.0),
    ("⅔", 2.0 / 3.0),
    ("⅛", 1.0 / 8.0),
    ("⅜", 3.0 / 8.0),
    ("⅝", 5.0 / 8.0),
    ("⅞", 7.0 / 8.0),
];

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use rstest::rstest;
    use uom::si::f64::{
        Area, ElectricCharge, ElectricCurrent, ElectricPotential, Length, Mass, Power, Ratio, ThermodynamicTemperature,
        Time, Volume, VolumeRate,
    };
    use uom::si::volume::{cubic_meter, liter};

    use crate::figures::pressure::{Absolute, Gauge};

    #[rstest]
    #[case("5 gal", 18.927_058_92)]
    #[case("5gal", 18.927_058_92)]
    #[case("5 Gallons", 18.927_058_92)]
    #[case("5 gal.", 18.927_058_92)]
    #[case("38 L", 38.0)]
    #[case("1,200 L", 1_200.0)]
    #[case(".5 L", 0.5)]
    #[case("+1 L", 1.0)]
    #[case("1/4 cup", 0.236_588_236_5 / 4.0)]
    #[case("1 1/4 cups", 0.236_588_236_5 * 1.25)]
    #[case("1-1/4 cups", 0.236_588_236_5 * 1.25)]
    #[case("1¼ cups", 0.236_588_236_5 * 1.25)]
    #[case("½ cup", 0.236_588_236_5 / 2.0)]
    #[case("2 gal 1 qt", 3.785_411_784 * 2.25)]
    #[case("2 gal, .5 qt", 3.785_411_784 * 2.125)]
    #[case("7.8 fl oz", 7.8 * 0.029_573_529_562_5)]
    #[case("1 imp gal", 4.546_09)]
    fn a_volume_is_read_as_people_write_it(#[case] text: &str, #[case] litres: f64) {
        let found = parse::<Volume>(text).unwrap().get::<liter>();
        assert!((found / litres - 1.0).abs() < 1e-12, "{text}: {found} L, expected {litres}");
    }

    #[rstest]
    #[case("5", "without a unit")]
    #[case("1/4", "without a unit")]
    #[case("5 psi", "the unit \"psi\"")]
    #[case("1e5 gal", "the unit \"e\"")]
    #[case("-5 gal", "below zero")]
    #[case("−5 gal", "below zero")]
    #[case("-0 gal", "below zero")]
    #[case("", "expected a number")]
    #[case("gal", "expected a number")]
    #[case("--5 gal", "expected a number")]
    #[case("12,6 L", "expected a number")]
    #[case("1,2000 L", "expected a number")]
    #[case("1/0 gal", "expected a number")]
    #[case("nan gal", "expected a number")]
    #[case("1 qt 2 gal", "expected a number")]
    #[case("1 gal 2 gal", "expected a number")]
    #[case("5 gal - 1 qt", "expected a number")]
    #[case("5 gal 3", "expected a number")]
    fn what_is_no_volume_is_refused_and_why(#[case] text: &str, #[case] why: &str) {
        let error = parse::<Volume>(text).unwrap_err().to_string();
        assert!(error.starts_with("volume: ") && error.contains(why), "{text}: {error}");
    }

    #[test]
    fn a_missing_unit_is_answered_with_the_units_there_are() {
        assert_eq!(
            parse::<Gauge>("45").unwrap_err().to_string(),
            "pressure on a gauge: found \"45\" without a unit, expected a number and its unit (psi, kpa, bar, pa); \
             write for instance \"45 psi\" or \"3.1 bar\""
        );
    }

    /// Nobody can tell 0.8 of a whole from 0.8 per cent.
    #[test]
    fn a_share_is_a_fraction_or_has_its_sign() {
        let share = |text: &str| parse::<Ratio>(text).map(|r| r.value);
        assert_eq!(share("3/4"), Ok(0.75));
        assert!((share("75 %").unwrap() - 0.75).abs() < 1e-12);
        assert!((share("5.25%").unwrap() - 0.0525).abs() < 1e-12);
        assert!(share("0.75").is_err() && share("75").is_err());
    }

    #[test]
    fn a_gauge_reading_and_an_absolute_pressure_are_not_mixed() {
        assert!(parse::<Gauge>("32 psia").is_err());
        assert!(parse::<Absolute>("32 psi").is_err());
        assert!((parse::<Gauge>("45 psi").unwrap().psi() - 45.0).abs() < 1e-12);
        assert!((parse::<Absolute>("12.23 psia").unwrap().psi() - 12.23).abs() < 1e-12);
    }

    #[rstest]
    #[case("-40 F", 233.15)]
    #[case("-40 C", 233.15)]
    #[case("70 °F", 294.261_111_111_111_1)]
    #[case("0 K", 0.0)]
    fn a_temperature_may_be_below_zero(#[case] text: &str, #[case] kelvin: f64) {
        let found = parse::<ThermodynamicTemperature>(text).unwrap().value;
        assert!((found - kelvin).abs() < 1e-9, "{text}: {found}");
    }

    #[rstest]
    #[case("5 ft 6 in", 66.0)]
    #[case("5' 6\"", 66.0)]
    #[case("5 feet, 6 inches", 66.0)]
    fn feet_and_inches_add_up(#[case] text: &str, #[case] inches: f64) {
        let found = parse::<Length>(text).unwrap().get::<uom::si::length::inch>();
        assert!((found - inches).abs() < 1e-9, "{text}: {found}");
    }

    #[test]
    fn minutes_and_seconds_add_up() {
        assert!((parse::<Time>("12 min 37 s").unwrap().value - 757.0).abs() < 1e-9);
        assert!(parse::<Time>("12:37").is_err());
    }

    /// A name that two units of one kind share would be read as the first of them.
    #[test]
    fn no_two_units_of_a_kind_share_a_name() {
        fn check<Q: Typed>() {
            let mut names: Vec<_> = Q::units().iter().flat_map(|u| u.names).collect();
            assert!(names.iter().all(|n| **n == n.to_lowercase()), "{}: {names:?}", Q::KIND);
            names.sort();
            assert!(names.windows(2).all(|two| two[0] != two[1]), "{}: {names:?}", Q::KIND);
        }
        check::<Volume>();
        check::<VolumeRate>();
        check::<Length>();
        check::<Area>();
        check::<Mass>();
        check::<Time>();
        check::<ThermodynamicTemperature>();
        check::<Power>();
        check::<ElectricCurrent>();
        check::<ElectricPotential>();
        check::<ElectricCharge>();
        check::<Ratio>();
        check::<Gauge>();
        check::<Absolute>();
    }

    proptest! {
        #[test]
        fn what_is_written_in_any_unit_is_read_back(number in 0.001_f64..1e6, pick in any::<prop::sample::Index>()) {
            let unit = pick.get(Volume::units());
            let text = format!("{number} {}", unit.names[0]);
            let found = parse::<Volume>(&text).unwrap().get::<cubic_meter>();
            prop_assert!((found / (unit.to_base)(number) - 1.0).abs() < 1e-12, "{}", text);
        }

        #[test]
        fn no_text_makes_it_fall_over_or_gives_less_than_nothing(text in "[0-9a-zA-Z .,/½%+−-]{0,24}") {
            if let Ok(found) = parse::<Volume>(&text) {
                prop_assert!(found.value >= 0.0 && found.value.is_finite());
            }
        }
    }
}
