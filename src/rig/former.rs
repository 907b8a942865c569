//! Names of equipment, lists and numbers in British spelling, which routines and changes of somebody's own may still use. (Those of the
//! rig's file stand beside its fields, as aliases.)

/// As it was called, and as it is called.
const FORMER: &[(&str, &str)] = &[
    ("mains", "shore-cord"),
    ("grey-tank", "gray-tank"),
    ("levelling-jacks", "leveling-jacks"),
    ("stabilisers", "stabilizers"),
    ("tyre", "tire"),
    ("tyres", "tires"),
    ("mains_least_v", "shore_least_v"),
    ("mains_most_v", "shore_most_v"),
    ("grey_gal", "gray_gal"),
    ("grey_floor_sqin", "gray_floor_sqin"),
    ("tyre_least_psi", "tire_least_psi"),
    ("tyre_most_psi", "tire_most_psi"),
];

/// What is called so today.
pub(super) fn today(name: &str) -> &str {
    FORMER.iter().find(|(before, _)| *before == name).map_or(name, |(_, today)| today)
}

/// What this was called before.
pub(super) fn of(name: &str) -> impl Iterator<Item = &str> {
    FORMER.iter().filter(move |(_, today)| *today == name).map(|(before, _)| *before)
}
