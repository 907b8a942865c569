//! The routines and rigs that ship, for the tests of both.
#![allow(dead_code, reason = "each test binary uses its own part")]

use sparehand::rig::Rig;
use sparehand::routine::{Library, Routine, RoutineError, Source, load_with};
use sparehand::setup::prompts::ROUTINES;

pub const RIGS: &[(&str, &str)] = &[
    ("motorhome-towed-car", include_str!("../../examples/rigs/motorhome-towed-car.toml")),
    ("travel-trailer", include_str!("../../examples/rigs/travel-trailer.toml")),
    ("fifth-wheel", include_str!("../../examples/rigs/fifth-wheel.toml")),
    ("van-no-sewer", include_str!("../../examples/rigs/van-no-sewer.toml")),
    ("motorhome-dolly", include_str!("../../examples/rigs/motorhome-dolly.toml")),
    ("car-power-off", "[tow]\nbehind = 'car-on-bar'\ncar_power_off = true"),
    ("default", ""),
    (
        "fifth-wheel-on-jacks",
        "kind = 'fifth-wheel'\n[standing]\nleveling_jacks = true\nentry_steps = true\n[[slide]]\nname = 'sofa slide'\nside = 'driver'",
    ),
    (
        "trailer-on-jacks",
        "kind = 'travel-trailer'\npets = ['Nutmeg']\n[standing]\nleveling_jacks = true\nentry_steps = true\n[tow]\nweight_bars = true",
    ),
    (
        "motorhome-with-trailer",
        "pets = ['Nutmeg']\n[standing]\nleveling_jacks = true\nair_suspension = true\nentry_steps = true\n[tow]\nbehind = 'trailer'",
    ),
    ("van-on-a-tap", "kind = 'van'\n[waste]\nblack_gal = 0\ngray_gal = 0\nrinse_inlet = false\ntoilet_box = true"),
];

pub fn rig(name: &str) -> Rig {
    let (_, text) = RIGS.iter().find(|(other, _)| *other == name).unwrap();
    Rig::parse(name, text).unwrap()
}

pub fn built_in(id: &str) -> Option<Source> {
    let found = ROUTINES.iter().find(|(name, _)| *name == id);
    found.map(|(name, text)| Source { name: format!("{name}.toml"), text: (*text).to_owned() })
}

pub fn try_load(id: &str, rig: &Rig) -> Result<Routine, RoutineError> {
    load_with(&built_in(id).unwrap(), rig, &Library { routine: &built_in, changes: &|_| None })
}

pub fn load(id: &str, rig: &Rig) -> Routine {
    try_load(id, rig).unwrap_or_else(|error| panic!("{error}"))
}

pub fn load_changed(id: &str, rig: &Rig, changes: &str) -> Result<Routine, RoutineError> {
    let changed =
        |of: &str| (of == id).then(|| Source { name: format!("{id}.changes.toml"), text: changes.to_owned() });
    load_with(&built_in(id).unwrap(), rig, &Library { routine: &built_in, changes: &changed })
}

/// Every phrase that may be said at any time.
pub fn commands() -> Vec<String> {
    let book: toml::Table = include_str!("../../prompts/phrases/en.toml").parse().unwrap();
    let phrases = |table: &str| -> Vec<String> {
        let groups = book[table].as_table().unwrap().values();
        groups.flat_map(|group| group.as_array().unwrap()).map(|phrase| phrase.as_str().unwrap().to_owned()).collect()
    };
    phrases("commands")
}
