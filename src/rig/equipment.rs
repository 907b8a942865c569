//! The names by which steps ask for equipment, each with what it means for a rig's file.

use super::file::{BatteryKind, Behind, FridgeKind, GasPolicy, Heater, Person, RigFile, RigKind, RinseMethod, Role};

/// A name that `needs` may use. `not-` before it asks for rigs without it.
pub struct Equipment {
    pub name: &'static str,
    pub meaning: &'static str,
    pub(super) has: fn(&RigFile) -> bool,
}

const fn item(name: &'static str, meaning: &'static str, has: fn(&RigFile) -> bool) -> Equipment {
    Equipment { name, meaning, has }
}

fn towable(rig: &RigFile) -> bool {
    matches!(rig.kind, RigKind::TravelTrailer | RigKind::FifthWheel)
}

fn on_bar(rig: &RigFile) -> bool {
    !towable(rig) && rig.tow.behind == Behind::CarOnBar
}

fn rinse_inlet(rig: &RigFile) -> bool {
    rig.waste.black_gal > 0 && rig.waste.rinse_inlet
}

fn battery(rig: &RigFile, kind: BatteryKind) -> bool {
    rig.electric.battery_ah > 0 && rig.electric.battery_kind == kind
}

fn car(rig: &RigFile) -> bool {
    !towable(rig) && matches!(rig.tow.behind, Behind::CarOnBar | Behind::CarOnDolly)
}

/// Everything that a step may need, in the order of the rig's file.
pub const EQUIPMENT: &[Equipment] = &[
    item("motorhome", "a motorhome", |r| r.kind == RigKind::Motorhome),
    item("travel-trailer", "a trailer on a ball", |r| r.kind == RigKind::TravelTrailer),
    item("fifth-wheel", "a trailer on a kingpin", |r| r.kind == RigKind::FifthWheel),
    item("van", "a van", |r| r.kind == RigKind::Van),
    item("towable", "a rig that is towed", towable),
    item("drives-itself", "a rig with its own engine", |r| !towable(r)),
    item("two-people", "two people or more take part", |r| r.person.len() >= 2),
    item("named-riders", "people who are named", |r| !r.person.is_empty() || !r.passengers.is_empty()),
    item("pets", "animals aboard", |r| !r.pets.is_empty()),
    item("shore-cord", "a shore cord", |r| r.electric.cord_a > 0),
    item("cord-50", "a cord of 50 A", |r| r.electric.cord_a == 50),
    item("surge-protector", "a surge protector at the pedestal", |r| {
        r.electric.cord_a > 0 && r.electric.surge_protector
    }),
    item("inverter", "an inverter", |r| r.electric.inverter),
    item("generator", "a generator", |r| r.electric.generator),
    item("battery", "a house battery", |r| r.electric.battery_ah > 0),
    item("battery-flooded", "a flooded battery", |r| battery(r, BatteryKind::Flooded)),
    item("battery-agm", "an AGM battery", |r| battery(r, BatteryKind::Agm)),
    item("battery-lithium", "a lithium battery", |r| battery(r, BatteryKind::Lithium)),
    item("battery-unknown", "a battery of a kind that is not known", |r| battery(r, BatteryKind::Unknown)),
    item("fresh-tank", "a fresh water tank", |r| r.water.fresh_gal > 0),
    item("pump", "a water pump", |r| r.water.pump),
    item("tap-hose", "water from a tap through a hose", |r| r.water.tap_hose),
    item("regulator", "a pressure regulator at the tap", |r| r.water.tap_hose && r.water.regulator),
    item("filter", "a filter at the hose", |r| r.water.tap_hose && r.water.filter),
    item("water-heater", "a water heater", |r| r.water.heater != Heater::None),
    item("heater-electric", "a water heater on shore power", |r| {
        matches!(r.water.heater, Heater::Electric | Heater::Both)
    }),
    item("heater-gas", "a water heater on gas", |r| matches!(r.water.heater, Heater::Gas | Heater::Both)),
    item("heater-bypass", "a bypass round the water heater", |r| {
        r.water.heater != Heater::None && r.water.heater_bypass
    }),
    item("black-tank", "a sewage tank", |r| r.waste.black_gal > 0),
    item("gray-tank", "a gray water tank", |r| r.waste.gray_gal > 0),
    item("sewer-hose", "tanks that empty through a hose", |r| r.waste.black_gal > 0 || r.waste.gray_gal > 0),
    item("rinse-inlet", "a rinse inlet at the black tank", rinse_inlet),
    item("quick-release", "quick-release hose ends", |r| r.waste.quick_release),
    item("toilet-box", "a toilet box carried by hand", |r| r.waste.toilet_box),
    item("macerator", "a pump that cuts up sewage", |r| {
        r.waste.macerator && (r.waste.black_gal > 0 || r.waste.gray_gal > 0)
    }),
    item("tote", "a tank on wheels that carries waste to the drain", |r| {
        r.waste.tote_gal > 0 && (r.waste.black_gal > 0 || r.waste.gray_gal > 0)
    }),
    item("bucket", "a bucket that the tap is measured with", |r| r.tank_dump.bucket_gal > 0 && rinse_inlet(r)),
    item("fill-and-release", "rinsing: filled, then let go; without a rinse inlet always", |r| {
        r.tank_dump.rinse_method == RinseMethod::FillAndRelease || !rinse_inlet(r)
    }),
    item("rinse-through", "rinsing through the open valve", |r| {
        r.tank_dump.rinse_method == RinseMethod::RinseThrough && rinse_inlet(r)
    }),
    item("gas", "LP gas", |r| r.gas.lp),
    item("gas-shut", "gas is shut for the road", |r| r.gas.lp && r.gas.on_the_road == GasPolicy::Shut),
    item("gas-open", "gas stays open on the road", |r| r.gas.lp && r.gas.on_the_road == GasPolicy::Open),
    item("furnace", "a gas furnace", |r| r.gas.lp && r.gas.furnace),
    item("fridge", "a fridge", |r| r.fridge.kind != FridgeKind::None),
    item("fridge-gas", "a fridge that runs on gas", |r| r.gas.lp && r.fridge.kind == FridgeKind::Gas),
    item("fridge-loose", "a fridge whose latch does not hold", |r| {
        r.fridge.kind != FridgeKind::None && !r.fridge.latch_holds
    }),
    item("antennas", "antennas that fold", |r| !r.outside.antennas.is_empty()),
    item("roof-vents", "roof vents", |r| r.outside.roof_vents),
    item("bicycles", "bicycles on a rack", |r| r.outside.bicycles),
    item("tire-sensors", "sensors that read the tires", |r| r.outside.tire_sensors),
    item("leveling-jacks", "jacks that carry the rig", |r| r.standing.leveling_jacks),
    item("air-suspension", "air suspension", |r| r.standing.air_suspension),
    item("stabilizers", "stabilizers", |r| r.standing.stabilizers),
    item("jacks-or-stabilizers", "jacks that carry the rig, or stabilizers", |r| {
        r.standing.leveling_jacks || r.standing.stabilizers
    }),
    item("entry-steps", "entry steps that move", |r| r.standing.entry_steps),
    item("slides", "slide-out rooms", |r| !r.slide.is_empty()),
    item("awnings", "awnings", |r| !r.awning.is_empty()),
    item("tires", "tires that are read", |r| !r.tire.is_empty()),
    item("towed-car", "a car behind", car),
    item("tow-bar", "a car on a tow bar", on_bar),
    item("dolly", "a car on a dolly", |r| !towable(r) && r.tow.behind == Behind::CarOnDolly),
    item("trailer", "a trailer behind", |r| !towable(r) && r.tow.behind == Behind::Trailer),
    item("tows", "something on a hitch, in front or behind", |r| towable(r) || r.tow.behind != Behind::Nothing),
    item("ball", "a coupling on a ball", |r| {
        r.kind == RigKind::TravelTrailer || !towable(r) && matches!(r.tow.behind, Behind::Trailer | Behind::CarOnDolly)
    }),
    item("trailing", "something on wheels of its own that is chocked to be coupled", |r| {
        towable(r) || matches!(r.tow.behind, Behind::Trailer | Behind::CarOnDolly)
    }),
    item("weight-bars", "weight-distributing bars", |r| r.kind == RigKind::TravelTrailer && r.tow.weight_bars),
    item("supplemental-brake", "a brake in the towed car", |r| on_bar(r) && r.tow.supplemental_brake),
    item("breakaway", "a breakaway switch", |r| (towable(r) || r.tow.behind != Behind::Nothing) && r.tow.breakaway),
    item("car-power-off", "a car whose power is taken off", |r| car(r) && r.tow.car_power_off),
];

/// Things that steps put out and away, by the ids that journals know them by, and the equipment that each is.
pub(super) const THINGS: &[(&str, &str)] = &[
    ("mains", "shore-cord"),
    ("generator", "generator"),
    ("electric-heater", "shore-cord"),
    ("water", "tap-hose"),
    ("sewer", "sewer-hose"),
    ("gas", "gas"),
    ("furnace", "furnace"),
    ("vents", "roof-vents"),
    ("jacks", "leveling-jacks"),
    ("stabilizers", "stabilizers"),
];

/// The names of what a rig has several of.
type Names = fn(&RigFile) -> Vec<String>;

/// Whoever rides, those last who drive: they look at the others' belts first.
fn riders_then_drivers(rig: &RigFile) -> Vec<String> {
    let drives = |person: &&Person| person.roles.contains(&Role::Driver);
    let (drivers, others): (Vec<&Person>, Vec<&Person>) = rig.person.iter().partition(drives);
    let names = |people: Vec<&Person>| people.into_iter().map(|person| person.name.clone()).collect::<Vec<_>>();
    [names(others), rig.passengers.clone(), names(drivers)].concat()
}

/// Lists that a step may be repeated for.
pub(super) const LISTS: &[(&str, Names)] = &[
    ("slides", |r| r.slide.iter().map(|slide| slide.name.clone()).collect()),
    ("awnings", |r| r.awning.iter().map(|awning| awning.name.clone()).collect()),
    ("tires", |r| r.tire.iter().map(|tire| tire.name.clone()).collect()),
    ("antennas", |r| r.outside.antennas.clone()),
    ("pets", |r| r.pets.clone()),
    ("riders", |r| r.person.iter().map(|person| person.name.clone()).chain(r.passengers.iter().cloned()).collect()),
    ("riders-then-drivers", riders_then_drivers),
];
