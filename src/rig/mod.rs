//! The rig's profile: what it has and what its owner has settled. Pure: text in, a checked value out.

mod bounds;
mod demand;
mod equipment;
mod file;
mod former;
pub mod interview;
mod reckoned;
mod schema;
mod stands;
mod written;

use core::net::IpAddr;
use std::collections::{BTreeMap, BTreeSet};

use thiserror::Error;
use toml::de::{DeTable, DeValue};

pub use demand::Demand;
pub use equipment::{EQUIPMENT, Equipment};
pub use file::{
    Awning, BatteryKind, Behind, Electric, Fridge, FridgeKind, Gas, GasPolicy, Heater, Help, Outside, Person, RigFile,
    RigKind, RinseMethod, Role, Side, Slide, Standing, TankDump, Tire, Tow, Waste, Water,
};
pub use schema::json_schema;
pub use stands::{RigState, Stands};
pub use written::write;

use crate::source::{Misread, Source, SourceLine};

/// What the steps may ask about the rig: which equipment and habits it has, and the numbers that calls and clocks use.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Rig {
    has: BTreeSet<String>,
    numbers: BTreeMap<String, u32>,
    texts: BTreeMap<String, String>,
    lists: BTreeMap<String, Vec<String>>,
    people: Vec<Person>,
    phones: PhonesUsual,
}

/// How phones are usually let in, by the rig's file.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct PhonesUsual {
    /// In every run.
    pub always: bool,
    /// Where they reach this machine.
    pub address: Option<IpAddr>,
    /// The port.
    pub port: Option<u16>,
}

impl Rig {
    /// Reads a rig file (TOML). Absent values are the common practice of the trade; see [`RigFile`].
    ///
    /// # Errors
    /// Says file, line and field, what was found, what is allowed, and what to do.
    pub fn parse(file: &str, text: &str) -> Result<Self, RigError> {
        Ok(Self::unchecked(&read(file, text)?))
    }

    /// The rig that such a file describes.
    ///
    /// # Errors
    /// Says the field, what was found and what is allowed.
    pub fn of(rig: &RigFile) -> Result<Self, RigFault> {
        bounds::check(rig)?;
        Ok(Self::unchecked(rig))
    }

    fn unchecked(rig: &RigFile) -> Self {
        let mut has: BTreeSet<String> =
            EQUIPMENT.iter().filter(|item| (item.has)(rig)).map(|item| item.name.to_owned()).collect();
        has.extend(rig.extras.iter().cloned());
        let lists = equipment::LISTS.iter().map(|(name, of)| ((*name).to_owned(), of(rig))).collect::<BTreeMap<_, _>>();
        let phones = PhonesUsual { always: rig.phones, address: rig.phones_address, port: rig.phones_port };
        Self {
            has,
            numbers: bounds::numbers(rig),
            texts: bounds::texts(rig),
            lists,
            people: rig.person.clone(),
            phones,
        }
    }

    /// The same rig with so many people taking part in a run, whoever else its file names.
    #[must_use]
    pub fn taking_part(mut self, people: usize) -> Self {
        if people >= 2 {
            self.has.insert(TWO_PEOPLE.to_owned());
        } else {
            self.has.remove(TWO_PEOPLE);
        }
        self
    }

    /// Whether two people or more take part: those of the file, or as many as [`Rig::taking_part`] was told.
    pub fn has_two_people(&self) -> bool {
        self.has(TWO_PEOPLE)
    }

    /// Whether the rig has the named equipment or habit, one of [`EQUIPMENT`] or of its owner's extras.
    pub fn has(&self, name: &str) -> bool {
        self.has.contains(former::today(name))
    }

    /// Whether `name` is one that a step may ask for: equipment, or an extra of somebody's own.
    pub fn knows(name: &str) -> bool {
        name.starts_with(OWN) || EQUIPMENT.iter().any(|item| item.name == former::today(name))
    }

    /// Whether the rig has the thing that a step puts out or away (`generator`); what is no equipment it has as often as its steps say.
    pub fn has_thing(&self, thing: &str) -> bool {
        equipment::THINGS.iter().find(|(name, _)| *name == thing).is_none_or(|(_, equipment)| self.has(equipment))
    }

    /// A number that the rig settles, in the unit that its name ends in (`rinse_s`: seconds, `height_in`: inches).
    /// One that differs from tire to tire has the name `tire_least_psi@left-front`.
    pub fn number(&self, name: &str) -> Option<u32> {
        match name.split_once('@') {
            Some((name, each)) => self.numbers.get(&format!("{}@{each}", former::today(name))),
            None => self.numbers.get(former::today(name)),
        }
        .copied()
    }

    /// The longest that water may run into the closed black tank, in seconds, from a tap of so many gallons a minute that nobody has
    /// measured. None where nothing is closed (rinsing goes through the open valve), or the tank's size is not known.
    pub fn rinse_bound_s(&self, gallons_a_minute: f64) -> Option<u32> {
        self.has("fill-and-release").then(|| bounds::rinse_bound_s(&self.numbers, gallons_a_minute)).flatten()
    }

    /// The entries of a list that steps are repeated for ("slides", "tires"), by the names they are called; none where the
    /// rig has none of it, no list where there is no such name.
    pub fn list(&self, name: &str) -> Option<&[String]> {
        self.lists.get(former::today(name)).map(Vec::as_slice)
    }

    /// The names of all lists.
    pub fn list_names() -> impl Iterator<Item = &'static str> {
        equipment::LISTS.iter().map(|(name, _)| *name)
    }

    /// The people, in the order of the file; none where nobody is named.
    pub fn people(&self) -> &[Person] {
        &self.people
    }

    /// How phones are usually let in.
    pub fn phones(&self) -> PhonesUsual {
        self.phones
    }

    /// What is filled into calls besides numbers, by name ("bleach": a dose in cups and millilitres).
    pub fn texts(&self) -> impl Iterator<Item = (&str, &str)> {
        self.texts.iter().map(|(name, text)| (name.as_str(), text.as_str()))
    }

    /// Every number, for filling in calls.
    pub fn numbers(&self) -> impl Iterator<Item = (&str, u32)> {
        self.numbers.iter().map(|(name, value)| (name.as_str(), *value))
    }
}

impl Default for Rig {
    /// An ordinary motorhome: what [`RigFile`] says where nothing is said.
    fn default() -> Self {
        Self::unchecked(&RigFile::default())
    }
}

/// Reads a rig's file as it is written, and checks it; see [`Rig::parse`].
///
/// # Errors
/// As [`Rig::parse`].
pub fn read(file: &str, text: &str) -> Result<RigFile, RigError> {
    let source = Source { name: file.to_owned(), text: text.to_owned() };
    let rig: RigFile = source.read().map_err(|Misread { span, found, expected }| RigError {
        at: source.line_of(span.start),
        field: String::new(),
        found,
        expected,
    })?;
    bounds::check(&rig).map_err(|RigFault { field, entry, found, expected }| RigError {
        at: source.line_of(place_of(field, entry, text)),
        field: field.to_owned(),
        found,
        expected,
    })?;
    Ok(rig)
}

/// How files may spell this name of equipment, a list or a number: as today, and as in Britain, which is read and never written.
pub fn spellings(name: &str) -> impl Iterator<Item = &str> {
    std::iter::once(name).chain(former::of(name))
}

/// A name as it stands in ids: "Kitchen slide" is `kitchen-slide`.
pub fn slug(name: &str) -> String {
    name.to_lowercase().split_whitespace().collect::<Vec<_>>().join("-")
}

/// The name under which steps ask for a second person.
const TWO_PEOPLE: &str = "two-people";

/// Begins the name of equipment that only its owner's routines ask for.
pub const OWN: &str = "own-";

/// Why a rig's file is refused.
#[derive(Debug, Error, PartialEq, Eq)]
#[error("{at}: {}found {found}, expected {expected}; correct it there", named(field))]
pub struct RigError {
    pub at: SourceLine,
    /// `electric.cord_a`; empty where the file cannot be read.
    pub field: String,
    pub found: String,
    pub expected: String,
}

fn named(field: &str) -> String {
    if field.is_empty() { String::new() } else { format!("{field}: ") }
}

/// Why there can be no such rig.
#[derive(Debug, Error, PartialEq, Eq)]
#[error("{field}: found {found}, expected {expected}")]
pub struct RigFault {
    /// `electric.cord_a`.
    pub field: &'static str,
    /// Which of a list it is, from 0.
    pub entry: usize,
    pub found: String,
    pub expected: String,
}

/// Where a field of a rig's file stands, in bytes; where it is not written, the table that it belongs in; else the beginning.
fn place_of(field: &str, entry: usize, text: &str) -> usize {
    let mut place = 0;
    let Ok(document) = DeTable::parse(text) else { return place };
    let mut table = document.get_ref();
    for part in field.split('.') {
        let Some((key, value)) = spellings(part).find_map(|spelling| table.get_key_value(spelling)) else { break };
        place = key.span().start;
        match value.get_ref() {
            DeValue::Table(inner) => table = inner,
            DeValue::Array(list) => place = list.get(entry).map_or(place, |entry| entry.span().start),
            _ => {}
        }
    }
    place
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_empty_file_is_the_default_rig() {
        assert_eq!(Rig::parse("rig.toml", "").unwrap(), Rig::default());
    }

    #[test]
    fn a_rinse_of_an_hour_is_refused_with_field_and_bounds() {
        let error = Rig::parse("rig.toml", "[tank_dump]\nrinse_s = 3600").unwrap_err();
        assert_eq!(
            error.to_string(),
            "rig.toml: line 2: tank_dump.rinse_s: found 3600 seconds, expected 5 to 1200 seconds; correct it there"
        );
    }

    #[test]
    fn a_misspelt_setting_is_refused() {
        let error = Rig::parse("rig.toml", "[tank_dump]\nrinse_sec = 60").unwrap_err().to_string();
        assert!(
            error.starts_with(
                "rig.toml: line 2: found unknown field `rinse_sec` (perhaps 'rinse_s' is meant), expected one of `"
            ),
            "{error}"
        );
    }

    #[test]
    fn the_owner_settles_how_the_tank_is_rinsed() {
        let rig = Rig::parse("rig.toml", "[tank_dump]\nrinse_method = \"rinse-through\"").unwrap();
        assert!(rig.has("rinse-through") && !rig.has("fill-and-release"));
    }
}
