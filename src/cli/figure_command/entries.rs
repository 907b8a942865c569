//! Options that hold more than one quantity: "heater=1500 W@first", "front=8,000 lb of 9,000 lb", "12 x 0.5 gal".

use std::str::FromStr;

use serde::{Deserialize, Deserializer};
use uom::si::f64::{ElectricCurrent, Mass, Power, Time, Volume};

use crate::figures::FigureError;
use crate::figures::parse::{Typed, parse};
use crate::figures::service::{Load, ServiceLeg};
use crate::figures::unplug::{Feed, Thing};
use crate::figures::weights::Axle;

/// A thing that is on, by its leg: "NAME=POWER", with "@first", "@second" or "@both" after it.
#[derive(Clone, Debug, PartialEq)]
pub struct LoadEntry(pub Load);

impl FromStr for LoadEntry {
    type Err = FigureError;
    fn from_str(text: &str) -> Result<Self, FigureError> {
        let expected = "NAME=POWER, or NAME=POWER@first, @second or @both; for instance \"heater=1,500 W@first\"";
        let (name, power, leg) = named_power("thing that is on", text, expected)?;
        let leg = match leg {
            None => ServiceLeg::Unknown,
            Some("first") => ServiceLeg::First,
            Some("second") => ServiceLeg::Second,
            Some("both") => ServiceLeg::Both,
            Some(_) => return Err(wrong("thing that is on", text, expected)),
        };
        Ok(Self(Load { name, power, leg }))
    }
}

/// A thing that is on, by what feeds it: "NAME=POWER@battery", "@inverter" or "@shore".
#[derive(Clone, Debug, PartialEq)]
pub struct ThingEntry(pub Thing);

impl FromStr for ThingEntry {
    type Err = FigureError;
    fn from_str(text: &str) -> Result<Self, FigureError> {
        let expected = "NAME=POWER@battery, @inverter or @shore; for instance \"lamps=24 W@battery\"";
        let (name, power, feed) = named_power("thing that is on", text, expected)?;
        let feed = match feed {
            Some("battery") => Feed::Battery,
            Some("inverter") => Feed::Inverter,
            Some("shore") => Feed::Shore,
            _ => return Err(wrong("thing that is on", text, expected)),
        };
        Ok(Self(Thing { name, power, feed }))
    }
}

/// A weight and its rating, either of them "?" when nobody knows: "8,000 lb of 9,000 lb", "? of 9,000 lb".
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Rated {
    pub weight: Option<Mass>,
    pub rating: Option<Mass>,
}

impl FromStr for Rated {
    type Err = FigureError;
    fn from_str(text: &str) -> Result<Self, FigureError> {
        let expected = "WEIGHT of RATING, with ? for what is not known; for instance \"8,000 lb of 9,000 lb\"";
        let (weight, rating) = text.split_once(" of ").ok_or_else(|| wrong("weight and rating", text, expected))?;
        Ok(Self { weight: known(weight)?, rating: known(rating)? })
    }
}

/// An axle: "front=8,000 lb of 9,000 lb".
#[derive(Clone, Debug, PartialEq)]
pub struct AxleEntry(pub Axle);

impl FromStr for AxleEntry {
    type Err = FigureError;
    fn from_str(text: &str) -> Result<Self, FigureError> {
        let expected = "NAME=WEIGHT of RATING; for instance \"front=8,000 lb of 9,000 lb\"";
        let (name, rated) = text.split_once('=').ok_or_else(|| wrong("axle", text, expected))?;
        let Rated { weight, rating } = rated.parse()?;
        Ok(Self(Axle { name: name.trim().to_owned(), weight, rating }))
    }
}

/// Uses of water that were counted: "12 x 0.5 gal".
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CountEntry(pub u32, pub Volume);

impl FromStr for CountEntry {
    type Err = FigureError;
    fn from_str(text: &str) -> Result<Self, FigureError> {
        let expected = "COUNT x VOLUME; for instance \"12 x 0.5 gal\"";
        let (count, each) = text.split_once(['x', '×']).ok_or_else(|| wrong("counted uses", text, expected))?;
        let count = count.trim().parse().map_err(|_| wrong("counted uses", text, expected))?;
        Ok(Self(count, parse(each)?))
    }
}

/// Lamps of a level panel: "2 of 3".
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LampsEntry {
    pub lit: u32,
    pub of: u32,
}

impl FromStr for LampsEntry {
    type Err = FigureError;
    fn from_str(text: &str) -> Result<Self, FigureError> {
        let wrong = || wrong("lamps", text, "LIT of ALL, empty not counted; for instance \"2 of 3\"");
        let (lit, of) = text.split_once(" of ").ok_or_else(wrong)?;
        let count = |part: &str| part.trim().parse::<u32>().map_err(|_| wrong());
        Ok(Self { lit: count(lit)?, of: count(of)? })
    }
}

/// A discharge of a battery: "5 A for 20 h".
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DischargeEntry(pub ElectricCurrent, pub Time);

impl FromStr for DischargeEntry {
    type Err = FigureError;
    fn from_str(text: &str) -> Result<Self, FigureError> {
        let expected = "CURRENT for TIME; for instance \"5 A for 20 h\"";
        let (current, time) = text.split_once(" for ").ok_or_else(|| wrong("discharge", text, expected))?;
        Ok(Self(parse(current)?, parse(time)?))
    }
}

/// The inverter that is on: what it can give, or "?" when nobody knows.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct InverterEntry(pub Option<Power>);

impl FromStr for InverterEntry {
    type Err = FigureError;
    fn from_str(text: &str) -> Result<Self, FigureError> {
        known(text).map(Self)
    }
}

macro_rules! read_from_text {
    ($($entry:ty),+) => {
        $(impl<'de> Deserialize<'de> for $entry {
            fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
                String::deserialize(from)?.parse().map_err(serde::de::Error::custom)
            }
        })+
    };
}

read_from_text!(LoadEntry, ThingEntry, Rated, AxleEntry, CountEntry, LampsEntry, DischargeEntry, InverterEntry);

/// Name, power and what stands after the "@".
fn named_power<'a>(
    what: &'static str,
    text: &'a str,
    expected: &'static str,
) -> Result<(String, Power, Option<&'a str>), FigureError> {
    let (name, rest) = text.split_once('=').ok_or_else(|| wrong(what, text, expected))?;
    let (power, mark) = match rest.split_once('@') {
        Some((power, mark)) => (power, Some(mark.trim())),
        None => (rest, None),
    };
    Ok((name.trim().to_owned(), parse(power)?, mark))
}

fn known<Q: Typed>(text: &str) -> Result<Option<Q>, FigureError> {
    if text.trim() == "?" { Ok(None) } else { parse(text).map(Some) }
}

fn wrong(what: &'static str, text: &str, expected: &'static str) -> FigureError {
    FigureError::Impossible { what, found: format!("\"{}\"", text.trim()), expected }
}
