//! The rig's profile: what it has and what its owner has settled. Pure: text in, a checked value out.

use std::collections::{BTreeMap, BTreeSet};

use serde::Deserialize;
use thiserror::Error;

/// What the steps may ask about the rig: which equipment and habits it has, and the numbers that calls and clocks use.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Rig {
    has: BTreeSet<String>,
    numbers: BTreeMap<String, u32>,
    lists: BTreeMap<String, Vec<String>>,
    people: Vec<Person>,
}

/// What a person does in a move.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    Outside,
    Inside,
    Driver,
    /// Stands outside and watches for the driver.
    Spotter,
    #[default]
    Either,
}

/// Somebody who takes part.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Person {
    /// As it is said.
    pub name: String,
    /// What they do.
    #[serde(default)]
    pub roles: Vec<Role>,
    /// Which of it they are practised in.
    #[serde(default)]
    pub practised: Vec<Role>,
}

impl Rig {
    /// Reads a rig file (TOML). Absent values are the common practice of the trade; see [`RigFile`].
    ///
    /// # Errors
    /// Says the file, the field, what was found and what is allowed.
    pub fn parse(file: &str, text: &str) -> Result<Self, RigError> {
        let rig: RigFile =
            toml::from_str(text).map_err(|why| RigError::Unreadable { file: file.to_owned(), why: why.to_string() })?;
        let tank = rig.tank_dump;
        let mut numbers = BTreeMap::new();
        for bound in BOUNDS {
            let value = (bound.value)(&tank);
            if !(bound.least..=bound.most).contains(&value) {
                return Err(RigError::OutOfBounds {
                    file: file.to_owned(),
                    field: bound.field,
                    found: value,
                    least: bound.least,
                    most: bound.most,
                    unit: bound.unit,
                });
            }
            numbers.insert(bound.field.to_owned(), value);
        }
        let method = match tank.rinse_method {
            RinseMethod::FillAndRelease => "fill-and-release",
            RinseMethod::RinseThrough => "rinse-through",
        };
        let lists = BTreeMap::new();
        Ok(Self { has: BTreeSet::from([method.to_owned()]), numbers, lists, people: rig.person })
    }

    /// Whether the rig has the named equipment or habit.
    pub fn has(&self, name: &str) -> bool {
        self.has.contains(name)
    }

    /// A number that the rig settles, in the unit that its name ends in (`rinse_s`: seconds).
    pub fn number(&self, name: &str) -> Option<u32> {
        self.numbers.get(name).copied()
    }

    /// The entries of a list that steps are repeated for ("slides", "tyres"), by the names they are called; empty where the rig
    /// has none of it.
    pub fn list(&self, name: &str) -> &[String] {
        self.lists.get(name).map_or(&[], Vec::as_slice)
    }

    /// The people, in the order of the file; none where nobody is named.
    pub fn people(&self) -> &[Person] {
        &self.people
    }

    /// Every number, for filling in calls.
    pub fn numbers(&self) -> impl Iterator<Item = (&str, u32)> {
        self.numbers.iter().map(|(name, value)| (name.as_str(), *value))
    }
}

impl Default for Rig {
    fn default() -> Self {
        let tank = TankDump::default();
        Self {
            has: BTreeSet::from(["fill-and-release".to_owned()]),
            numbers: BOUNDS.iter().map(|b| (b.field.to_owned(), (b.value)(&tank))).collect(),
            lists: BTreeMap::new(),
            people: Vec::new(),
        }
    }
}

/// Why a rig file is refused.
#[derive(Debug, Error, PartialEq, Eq)]
pub enum RigError {
    #[error("{file}: not a rig file: {why}")]
    Unreadable { file: String, why: String },
    #[error("{file}: tank_dump.{field} is {found} {unit}, expected {least} to {most}; change it in the file")]
    OutOfBounds { file: String, field: &'static str, found: u32, least: u32, most: u32, unit: &'static str },
}

/// The file as written. Unknown fields are refused, so that a misspelt setting is not silently left at its default.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct RigFile {
    #[serde(default)]
    tank_dump: TankDump,
    #[serde(default)]
    person: Vec<Person>,
}

/// Defaults are common practice, no source, but for the hand wash (20 s: CDC advice on washing hands).
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields, default)]
struct TankDump {
    rinse_method: RinseMethod,
    rinse_s: u32,
    layer_s: u32,
    rinses_most: u32,
    hand_wash_s: u32,
}

impl Default for TankDump {
    fn default() -> Self {
        Self { rinse_method: RinseMethod::FillAndRelease, rinse_s: 300, layer_s: 30, rinses_most: 3, hand_wash_s: 20 }
    }
}

#[derive(Debug, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum RinseMethod {
    FillAndRelease,
    RinseThrough,
}

struct Bound {
    field: &'static str,
    unit: &'static str,
    least: u32,
    most: u32,
    value: fn(&TankDump) -> u32,
}

/// The upper bounds keep a slip of the finger (3000 for 300) from overfilling a tank; the lower ones keep clocks sayable.
const BOUNDS: [Bound; 4] = [
    Bound { field: "rinse_s", unit: "seconds", least: 5, most: 1_200, value: |t| t.rinse_s },
    Bound { field: "layer_s", unit: "seconds", least: 5, most: 300, value: |t| t.layer_s },
    Bound { field: "rinses_most", unit: "rinses", least: 1, most: 10, value: |t| t.rinses_most },
    Bound { field: "hand_wash_s", unit: "seconds", least: 20, most: 120, value: |t| t.hand_wash_s },
];

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
            "rig.toml: tank_dump.rinse_s is 3600 seconds, expected 5 to 1200; change it in the file"
        );
    }

    #[test]
    fn a_misspelt_setting_is_refused() {
        let error = Rig::parse("rig.toml", "[tank_dump]\nrinse_sec = 60").unwrap_err().to_string();
        assert!(error.contains("rinse_sec") && error.contains("line 2") || error.contains("2 |"), "{error}");
    }

    #[test]
    fn the_owner_settles_how_the_tank_is_rinsed() {
        let rig = Rig::parse("rig.toml", "[tank_dump]\nrinse_method = \"rinse-through\"").unwrap();
        assert!(rig.has("rinse-through") && !rig.has("fill-and-release"));
    }
}
