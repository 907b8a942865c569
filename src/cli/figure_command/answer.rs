//! An answer as it is printed: a sentence with the number in both systems, how it was reckoned, and what to mind.

use std::collections::BTreeMap;
use std::fmt;
use std::time::Duration;

use clap::Args;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use uom::si::electric_charge::ampere_hour;
use uom::si::electric_current::ampere;
use uom::si::electric_potential::volt;
use uom::si::f64::{
    ElectricCharge, ElectricCurrent, ElectricPotential, Length, Mass, Power, Ratio, Time, Volume, VolumeRate,
};
use uom::si::length::{centimeter, foot, inch, kilometer, meter, mile};
use uom::si::mass::kilogram;
use uom::si::power::watt;
use uom::si::pressure::kilopascal;
use uom::si::ratio::percent;
use uom::si::thermodynamic_temperature::{degree_celsius, degree_fahrenheit};
use uom::si::time::second;
use uom::si::volume::{liter, milliliter};
use uom::si::volume_rate::liter_per_minute;

use crate::figures::parse::{Typed, parse};
use crate::figures::pressure::Gauge;
use crate::figures::units::flow::us_gallon_per_minute;
use crate::figures::units::mass::pound;
use crate::figures::units::volume::{us_cup, us_fluid_ounce, us_gallon};
use crate::figures::{FigureError, Method};

/// Whether a program may go on after an answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum FigureVerdict {
    /// A number, nothing to judge.
    Figure,
    Fits,
    DoesNotFit,
    /// Something that decides is not known. Never taken for fitting.
    Unknown,
}

impl FigureVerdict {
    /// Whether nothing speaks against going on.
    pub fn is_good(self) -> bool {
        matches!(self, Self::Figure | Self::Fits)
    }
}

/// What `sparehand figure` answers.
#[derive(Clone, Debug, Serialize)]
pub struct FigureAnswer {
    /// The sentence for people.
    pub says: String,
    pub verdict: FigureVerdict,
    /// Numbers by name, each name ending in its unit, and words.
    pub values: BTreeMap<String, Value>,
    /// What was taken for want of better, to be checked.
    pub assumed: Vec<String>,
    pub formula: &'static str,
    pub source: &'static str,
    pub caution: &'static str,
}

impl FigureAnswer {
    pub(super) fn new(method: Method, verdict: FigureVerdict, says: String) -> Self {
        Self {
            says,
            verdict,
            values: BTreeMap::new(),
            assumed: Vec::new(),
            formula: method.formula,
            source: method.source,
            caution: method.caution,
        }
    }

    pub(super) fn value(mut self, name: &str, value: impl Into<Value>) -> Self {
        self.values.insert(name.to_owned(), value.into());
        self
    }

    /// A value in each of its units.
    pub(super) fn quantity(mut self, name: &str, quantity: impl Shown) -> Self {
        for (unit, value) in quantity.in_units() {
            self.values.insert(format!("{name}_{unit}"), value.into());
        }
        self
    }

    pub(super) fn assuming(mut self, assumed: Vec<String>) -> Self {
        self.assumed = assumed;
        self
    }
}

impl fmt::Display for FigureAnswer {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "{}", self.says)?;
        if !self.assumed.is_empty() {
            writeln!(f, "  taken for want of better: {}", self.assumed.join("; "))?;
        }
        writeln!(f, "  how: {}", self.formula)?;
        writeln!(f, "  source: {}", self.source)?;
        writeln!(f, "  mind: {}", self.caution)
    }
}

/// A quantity in the units that people use for it.
pub(super) trait Shown {
    /// Name of the unit as a key, and the number.
    fn in_units(&self) -> Vec<(&'static str, f64)>;
    /// For a sentence, in both systems.
    fn shown(&self) -> String;
}

impl Shown for Volume {
    fn in_units(&self) -> Vec<(&'static str, f64)> {
        vec![("gal", self.get::<us_gallon>()), ("l", self.get::<liter>())]
    }
    fn shown(&self) -> String {
        if self.get::<us_gallon>() >= 0.25 || self.value == 0.0 {
            return format!("{} gal ({} L)", number(self.get::<us_gallon>()), number(self.get::<liter>()));
        }
        format!(
            "{} fl oz, {} cups ({} mL)",
            number(self.get::<us_fluid_ounce>()),
            number(self.get::<us_cup>()),
            number(self.get::<milliliter>())
        )
    }
}

impl Shown for VolumeRate {
    fn in_units(&self) -> Vec<(&'static str, f64)> {
        vec![("gpm", self.get::<us_gallon_per_minute>()), ("l_per_min", self.get::<liter_per_minute>())]
    }
    fn shown(&self) -> String {
        let (us, si) = (number(self.get::<us_gallon_per_minute>()), number(self.get::<liter_per_minute>()));
        format!("{us} gal a minute ({si} L/min)")
    }
}

impl Shown for Length {
    fn in_units(&self) -> Vec<(&'static str, f64)> {
        vec![("in", self.get::<inch>()), ("cm", self.get::<centimeter>())]
    }
    fn shown(&self) -> String {
        if self.get::<mile>().abs() >= 0.5 {
            format!("{} mi ({} km)", number(self.get::<mile>()), number(self.get::<kilometer>()))
        } else if self.get::<foot>().abs() >= 10.0 {
            format!("{} ft ({} m)", number(self.get::<foot>()), number(self.get::<meter>()))
        } else {
            format!("{} in ({} cm)", number(self.get::<inch>()), number(self.get::<centimeter>()))
        }
    }
}

impl Shown for Mass {
    fn in_units(&self) -> Vec<(&'static str, f64)> {
        vec![("lb", self.get::<pound>()), ("kg", self.get::<kilogram>())]
    }
    fn shown(&self) -> String {
        format!("{} lb ({} kg)", number(self.get::<pound>()), number(self.get::<kilogram>()))
    }
}

impl Shown for Gauge {
    fn in_units(&self) -> Vec<(&'static str, f64)> {
        vec![("psi", self.psi()), ("kpa", self.0.get::<kilopascal>())]
    }
    fn shown(&self) -> String {
        format!("{} psi ({} kPa)", number(self.psi()), number(self.0.get::<kilopascal>()))
    }
}

impl Shown for Time {
    fn in_units(&self) -> Vec<(&'static str, f64)> {
        vec![("s", self.get::<second>())]
    }
    fn shown(&self) -> String {
        let whole = self.get::<second>().round().max(0.0) as u64;
        match (whole / 3_600, whole / 60 % 60, whole % 60) {
            (0, 0, s) => format!("{s} s"),
            (0, min, 0) => format!("{min} min"),
            (0, min, s) => format!("{min} min {s} s"),
            (h, 0, _) => format!("{h} h"),
            (h, min, _) => format!("{h} h {min} min"),
        }
    }
}

impl Shown for Duration {
    fn in_units(&self) -> Vec<(&'static str, f64)> {
        vec![("s", self.as_secs_f64())]
    }
    fn shown(&self) -> String {
        Time::new::<second>(self.as_secs_f64()).shown()
    }
}

impl Shown for Ratio {
    fn in_units(&self) -> Vec<(&'static str, f64)> {
        vec![("percent", self.get::<percent>())]
    }
    fn shown(&self) -> String {
        format!("{} %", number(self.get::<percent>()))
    }
}

impl Shown for ElectricCurrent {
    fn in_units(&self) -> Vec<(&'static str, f64)> {
        vec![("a", self.get::<ampere>())]
    }
    fn shown(&self) -> String {
        format!("{} A", number(self.get::<ampere>()))
    }
}

impl Shown for ElectricCharge {
    fn in_units(&self) -> Vec<(&'static str, f64)> {
        vec![("ah", self.get::<ampere_hour>())]
    }
    fn shown(&self) -> String {
        format!("{} Ah", number(self.get::<ampere_hour>()))
    }
}

impl Shown for ElectricPotential {
    fn in_units(&self) -> Vec<(&'static str, f64)> {
        vec![("v", self.get::<volt>())]
    }
    fn shown(&self) -> String {
        format!("{} V", number(self.get::<volt>()))
    }
}

impl Shown for Power {
    fn in_units(&self) -> Vec<(&'static str, f64)> {
        vec![("w", self.get::<watt>())]
    }
    fn shown(&self) -> String {
        format!("{} W", number(self.get::<watt>()))
    }
}

/// A number for a sentence: three digits that count, whole and with commas from a thousand on.
pub(super) fn number(value: f64) -> String {
    if value.abs() >= 999.5 {
        let digits = format!("{:.0}", value.abs());
        let grouped: Vec<&str> =
            digits.as_bytes().rchunks(3).rev().map(|three| std::str::from_utf8(three).unwrap_or_default()).collect();
        return format!("{}{}", if value < 0.0 { "-" } else { "" }, grouped.join(","));
    }
    let magnitude = if value == 0.0 { 0 } else { value.abs().log10().floor() as i32 };
    let text = format!("{value:.*}", usize::try_from(2 - magnitude).unwrap_or(0).min(9));
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

/// A time that nobody knows to the second: whole minutes.
pub(super) fn about(time: Time) -> String {
    let minutes = (time.get::<second>() / 60.0).round();
    if minutes < 1.0 {
        "less than a minute".to_owned()
    } else {
        format!("about {}", Time::new::<second>(minutes * 60.0).shown())
    }
}

/// A note of what is taken where the person left something out.
pub(super) fn assume(missing: bool, what: &str) -> Vec<String> {
    if missing { vec![what.to_owned()] } else { Vec::new() }
}

/// What kind of quantity a text is, tried one after the other.
#[derive(Debug, Args, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Convert {
    /// A quantity with its unit: "5 gal", "38 L", "45 psi", "70 F", "1 min 33 s".
    #[arg(allow_hyphen_values = true)]
    pub quantity: String,
}

impl Convert {
    pub(super) fn answer(&self) -> Result<FigureAnswer, FigureError> {
        let method = Method {
            formula: "exact conversion: 1 in = 25.4 mm, 1 gal = 231 cubic inches, 1 lb = 0.45359237 kg",
            source: "NIST Handbook 44, appendix C; NIST Special Publication 811, appendix B.8",
            caution: "A gallon, quart, pint, cup or ounce is that of the United States unless \"imp\" stands before it.",
        };
        let of = |kind: &str, shown: String, units: Vec<(&'static str, f64)>| {
            let asked = self.quantity.trim();
            // "40 gal is 40 gal (151 L)" says one of them twice.
            let other = shown.strip_prefix(asked).and_then(|rest| rest.strip_prefix(" (")?.strip_suffix(')'));
            let says = format!("{asked} is {}.", other.unwrap_or(&shown));
            let mut answer = FigureAnswer::new(method, FigureVerdict::Figure, says).value("kind", kind);
            for (unit, value) in units {
                answer = answer.value(unit, value);
            }
            answer
        };
        macro_rules! first_of {
            ($($kind:ty),+) => {
                $(match parse::<$kind>(&self.quantity) {
                    Ok(found) => return Ok(of(<$kind>::KIND, found.shown(), found.in_units())),
                    Err(FigureError::UnknownUnit { .. }) => {}
                    Err(FigureError::NoUnit { found, .. }) => {
                        return Err(FigureError::NoUnit {
                            kind: "quantity",
                            found,
                            units: CONVERTED.to_owned(),
                            example: "\"5 gal\"",
                        });
                    }
                    Err(other) => return Err(other),
                })+
            };
        }
        if let Ok(found) = parse::<uom::si::f64::ThermodynamicTemperature>(&self.quantity) {
            let (f, c) = (found.get::<degree_fahrenheit>(), found.get::<degree_celsius>());
            let shown = format!("{} F ({} C)", number(f), number(c));
            return Ok(of("temperature", shown, vec![("f", f), ("c", c)]));
        }
        if let Ok(found) = parse::<Length>(&self.quantity) {
            let units = vec![("in", found.get::<inch>()), ("cm", found.get::<centimeter>())];
            return Ok(of("length", found.shown(), units));
        }
        first_of!(Volume, VolumeRate, Gauge, Mass, Time, ElectricCurrent, ElectricPotential, Power);
        Err(FigureError::Impossible {
            what: "quantity",
            found: format!("found \"{}\"", self.quantity.trim()),
            expected: "each number with its unit (gal, L, gpm, in, ft, cm, psi, kPa, lb, kg, F, C, A, V, W, s, min and others), as in \"5 ft 6 in\"",
        })
    }
}

const CONVERTED: &str = "gal, L, gpm, in, ft, cm, psi, kPa, lb, kg, F, C, A, V, W, s, min and others";
