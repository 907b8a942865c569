//! What a rig's file may say, number by number and name by name; and the numbers that calls and clocks use.

use std::collections::{BTreeMap, BTreeSet};

use uom::si::f64::Volume;
use uom::si::volume::milliliter;

use super::file::{Behind, RigFile, RigKind};
use super::{OWN, RigFault, slug};
use crate::figures::units::volume::us_cup;

pub(super) struct Bound {
    pub field: &'static str,
    unit: &'static str,
    pub least: u32,
    pub most: u32,
    value: fn(&RigFile) -> u32,
}

const fn bound(field: &'static str, unit: &'static str, least: u32, most: u32, value: fn(&RigFile) -> u32) -> Bound {
    Bound { field, unit, least, most, value }
}

/// The upper bounds keep a slip of the finger (3000 for 300) from overfilling a tank; the lower ones keep clocks sayable.
pub(super) const BOUNDS: &[Bound] = &[
    bound("help.emergency_number", "to call", 100, 999_999, |r| r.help.emergency_number),
    bound("electric.battery_ah", "ampere-hours", 0, 5_000, |r| r.electric.battery_ah),
    bound("electric.night_w", "watts", 0, 2_000, |r| r.electric.night_w),
    bound("electric.shore_least_v", "volts", 80, 250, |r| r.electric.shore_least_v),
    bound("electric.shore_most_v", "volts", 80, 270, |r| r.electric.shore_most_v),
    bound("water.fresh_gal", "gallons", 0, 400, |r| r.water.fresh_gal),
    bound("waste.black_gal", "gallons", 0, 200, |r| r.waste.black_gal),
    bound("waste.black_floor_sqin", "square inches", 0, 10_000, |r| r.waste.black_floor_sqin),
    bound("waste.gray_gal", "gallons", 0, 200, |r| r.waste.gray_gal),
    bound("waste.gray_floor_sqin", "square inches", 0, 10_000, |r| r.waste.gray_floor_sqin),
    bound("waste.toilet_box_gal", "gallons", 1, 20, |r| r.waste.toilet_box_gal),
    bound("waste.tote_gal", "gallons", 0, 60, |r| r.waste.tote_gal),
    bound("gas.furnace_fan_w", "watts", 0, 500, |r| r.gas.furnace_fan_w),
    bound("gas.furnace_btu", "BTU an hour", 1_000, 100_000, |r| r.gas.furnace_btu),
    bound("tank_dump.rinse_s", "seconds", 5, 1_200, |r| r.tank_dump.rinse_s),
    bound("tank_dump.layer_s", "seconds", 5, 300, |r| r.tank_dump.layer_s),
    bound("tank_dump.rinses_most", "rinses", 1, 10, |r| r.tank_dump.rinses_most),
    bound("tank_dump.hand_wash_s", "seconds", 20, 120, |r| r.tank_dump.hand_wash_s),
    bound("tank_dump.bucket_gal", "gallons", 0, 20, |r| r.tank_dump.bucket_gal),
    bound("tank_dump.fill_percent", "per cent", 30, 90, |r| r.tank_dump.fill_percent),
    bound("outside.height_in", "inches", 0, 180, |r| r.outside.height_in),
    bound("tow.car_hold_s", "seconds", 2, 60, |r| r.tow.car_hold_s),
];

/// Shore cords there are: 15 and 20 A for small rigs, 30 A at 120 V, 50 A at 120/240 V (NEC 551).
const CORDS: [u32; 5] = [0, 15, 20, 30, 50];

/// # Errors
/// The first fault found.
pub(super) fn check(rig: &RigFile) -> Result<(), RigFault> {
    for bound in BOUNDS {
        let found = (bound.value)(rig);
        if !(bound.least..=bound.most).contains(&found) {
            let &Bound { field, unit, least, most, .. } = bound;
            return fault(field, 0, format!("{found} {unit}"), &format!("{least} to {most} {unit}"));
        }
    }
    if !CORDS.contains(&rig.electric.cord_a) {
        return fault("electric.cord_a", 0, rig.electric.cord_a.to_string(), "0, 15, 20, 30 or 50 amperes");
    }
    let (least, most) = (rig.electric.shore_least_v, rig.electric.shore_most_v);
    if least >= most {
        let expected = format!("less than electric.shore_most_v, which is {most} V");
        return fault("electric.shore_least_v", 0, format!("{least} V"), &expected);
    }
    for (field, degrees, most, expected) in [
        ("latitude", rig.latitude, 89.0, "-89 to 89 degrees, north above zero"),
        ("longitude", rig.longitude, 180.0, "-180 to 180 degrees, east above zero"),
    ] {
        if let Some(degrees) = degrees.filter(|degrees| !(-most..=most).contains(degrees)) {
            return fault(field, 0, degrees.to_string(), expected);
        }
    }
    match (rig.latitude, rig.longitude) {
        (Some(_), None) => return fault("latitude", 0, "a latitude alone".to_owned(), "both or neither"),
        (None, Some(_)) => return fault("longitude", 0, "a longitude alone".to_owned(), "both or neither"),
        _ => {}
    }
    for (entry, tire) in rig.tire.iter().enumerate() {
        if tire.least_psi > tire.most_psi || tire.least_psi < 15 || tire.most_psi > 150 {
            let found = format!("{} to {} psi at '{}'", tire.least_psi, tire.most_psi, tire.name);
            return fault("tire", entry, found, "15 to 150 psi, least_psi not above most_psi");
        }
    }
    if matches!(rig.kind, RigKind::TravelTrailer | RigKind::FifthWheel) && rig.tow.behind != Behind::Nothing {
        let found = "something behind a rig that is towed itself".to_owned();
        return fault("tow.behind", 0, found, "\"nothing\": it is for rigs that drive themselves");
    }
    if !(1.0..=15.0).contains(&rig.water.bleach_percent) {
        let found = format!("{} per cent", rig.water.bleach_percent);
        return fault("water.bleach_percent", 0, found, "1 to 15 per cent, as the label of the bleach says");
    }
    let own = |extra: &str| extra.starts_with(OWN) && extra.len() > OWN.len();
    if let Some((entry, extra)) = rig.extras.iter().enumerate().find(|(_, extra)| !own(extra)) {
        return fault("extras", entry, format!("'{extra}'"), "names that begin with own-");
    }
    check_names(rig)
}

/// Names are said aloud and answered to: each must be sayable, and no two of a kind alike.
fn check_names(rig: &RigFile) -> Result<(), RigFault> {
    fn all<'a>(names: impl Iterator<Item = &'a String>, field: &'static str) -> Vec<(&'static str, usize, &'a str)> {
        names.enumerate().map(|(entry, name)| (field, entry, name.as_str())).collect()
    }
    let riders =
        [all(rig.person.iter().map(|person| &person.name), "person"), all(rig.passengers.iter(), "passengers")];
    let kinds = [
        riders.concat(),
        all(rig.pets.iter(), "pets"),
        all(rig.slide.iter().map(|slide| &slide.name), "slide"),
        all(rig.awning.iter().map(|awning| &awning.name), "awning"),
        all(rig.tire.iter().map(|tire| &tire.name), "tire"),
        all(rig.outside.antennas.iter(), "outside.antennas"),
    ];
    for names in kinds {
        let mut seen = BTreeSet::new();
        for (field, entry, name) in names {
            let sayable = |c: char| c.is_alphabetic() || c == ' ' || c == '\'' || c == '-';
            let expected = if name.trim().is_empty() || name.len() > LONGEST_NAME || !name.chars().all(sayable) {
                "a name of letters, at most 40 of them"
            } else if !seen.insert(slug(name)) {
                "another name than one that is there already"
            } else {
                continue;
            };
            return fault(field, entry, format!("name '{name}'"), expected);
        }
    }
    Ok(())
}

fn fault(field: &'static str, entry: usize, found: String, expected: &str) -> Result<(), RigFault> {
    Err(RigFault { field, entry, found, expected: expected.to_owned() })
}

/// The numbers that calls and clocks use, by the last part of their field's name.
pub(super) fn numbers(rig: &RigFile) -> BTreeMap<String, u32> {
    let mut numbers: BTreeMap<String, u32> = BOUNDS
        .iter()
        .map(|bound| (bound.field.rsplit('.').next().unwrap_or(bound.field).to_owned(), (bound.value)(rig)))
        .collect();
    numbers.insert("cord_a".to_owned(), rig.electric.cord_a);
    let bleach = bleach_ml(rig.water.fresh_gal, rig.water.bleach_percent);
    numbers.insert("bleach_ml".to_owned(), bleach);
    numbers.insert("bleach_cup8".to_owned(), cup8(bleach));
    numbers.extend(super::reckoned::numbers(rig));
    for tire in &rig.tire {
        numbers.insert(format!("tire_least_psi@{}", slug(&tire.name)), tire.least_psi);
        numbers.insert(format!("tire_most_psi@{}", slug(&tire.name)), tire.most_psi);
    }
    numbers
}

/// The longest that water may run into the closed black tank from a tap of so many gallons a minute that nobody has measured, in seconds:
/// up to the share that it may get full, with the layer of the last dump in it already. None where the tank's size is not known.
pub(super) fn rinse_bound_s(numbers: &BTreeMap<String, u32>, gallons_a_minute: f64) -> Option<u32> {
    let of = |name: &str| numbers.get(name).copied().map(f64::from);
    let (tank, share, layer_s) =
        (of("black_gal").filter(|&gallons| gallons > 0.0)?, of("fill_percent")?, of("layer_s")?);
    let layer = gallons_a_minute * layer_s / 60.0;
    let room = (tank * share / 100.0 - layer).max(0.0);
    Some(((room / gallons_a_minute * 60.0).floor() as u32).max(LEAST_RINSE_S))
}

/// As short as a rinse is allowed to be in the rig file.
const LEAST_RINSE_S: u32 = 5;

/// What is filled into calls besides numbers.
pub(super) fn texts(rig: &RigFile) -> BTreeMap<String, String> {
    [("bleach_percent".to_owned(), rig.water.bleach_percent.to_string())].into()
}

/// Household bleach for a full tank, in millilitres: of 5.25 % as many as the tank has litres (ANSI A119.2 section 10.8, in its
/// metric form, quoted at second hand), of another strength in proportion.
pub(super) fn bleach_ml(gallons: u32, percent: f64) -> u32 {
    // A US gallon is 231 cubic inches, 3.785411784 L exactly (NIST Handbook 44, appendix C).
    (f64::from(gallons) * 3.785_411_784 * 5.25 / percent).round() as u32
}

/// As eighths of a US cup, to the nearest and at least one.
pub(super) fn cup8(ml: u32) -> u32 {
    let cups = Volume::new::<milliliter>(f64::from(ml)).get::<us_cup>();
    ((cups * 8.0).round() as u32).max(1)
}

const LONGEST_NAME: usize = 40;

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    /// ANSI A119.2 section 10.8, quoted at second hand: 227 L take 227 mL; 60 gallons (227 L) take 7.8 fluid ounces.
    #[test]
    fn the_bleach_for_sixty_gallons_is_that_of_the_standard_in_both_of_its_forms() {
        assert_eq!(bleach_ml(60, 5.25), 227);
        assert!((f64::from(bleach_ml(60, 5.25)) / 29.5735 - 7.8).abs() < 0.15);
    }

    /// ANSI A119.2 section 10.8, quoted at second hand: 1/4 cup of 5.25 % for each 15 gal; 10 % bleach is half of it by its label.
    #[test]
    fn bleach_is_said_in_cups_and_in_millilitres_by_the_strength_of_its_label() {
        let said = |fresh_gal: u32, bleach_percent: f64| {
            let water = super::super::Water { fresh_gal, bleach_percent, ..Default::default() };
            let numbers = numbers(&RigFile { water, ..RigFile::default() });
            (numbers["bleach_cup8"], numbers["bleach_ml"])
        };
        assert_eq!(said(15, 5.25), (2, 57));
        assert_eq!(said(20, 5.25), (3, 76));
        assert_eq!(said(60, 5.25), (8, 227));
        assert_eq!(said(60, 10.5), (4, 114));
        assert_eq!(said(80, 5.25), (10, 303));
    }

    /// By hand: 8 gal a minute for 300 s are 40 gal, a whole tank of 40; at 10 gal a minute with 5 gal of layer in it three quarters
    /// of it are full after (30 - 5) / 10 = 2.5 minutes.
    #[test]
    fn an_unmeasured_rinse_into_the_closed_valve_is_bounded_by_the_tank_with_its_layer_in_it() {
        let bound = |black_gal: u32| {
            let waste = super::super::Waste { black_gal, ..Default::default() };
            rinse_bound_s(&numbers(&RigFile { waste, ..RigFile::default() }), 10.0)
        };
        assert_eq!(bound(40), Some(150));
        assert_eq!(bound(0), None);
        assert_eq!(bound(5), Some(5));
    }

    #[rstest]
    #[case::cord("[electric]\ncord_a = 32", "electric.cord_a: found 32, expected 0, 15, 20, 30 or 50 amperes")]
    #[case::volts("[electric]\nshore_least_v = 130", "electric.shore_least_v: found 130 V")]
    #[case::tire(
        "[[tire]]\nname = 'left front'\nleast_psi = 90\nmost_psi = 80",
        "tire: found 90 to 80 psi at 'left front'"
    )]
    #[case::two_alike("[[slide]]\nname = 'big slide'\n[[slide]]\nname = 'Big slide'", "another name")]
    #[case::unsayable("[[person]]\nname = 'R2'", "person: found name 'R2'")]
    #[case::behind("kind = 'fifth-wheel'\n[tow]\nbehind = 'car-on-bar'", "tow.behind: found something behind")]
    #[case::extra("extras = ['kayak']", "extras: found 'kayak'")]
    #[case::latitude_alone("latitude = 39.7", "latitude: found a latitude alone, expected both or neither")]
    #[case::far_north("latitude = 93.0\nlongitude = 10.0", "latitude: found 93, expected -89 to 89 degrees")]
    #[case::far_east("latitude = 9.0\nlongitude = 190.0", "longitude: found 190, expected -180 to 180 degrees")]
    #[case::gallons("[water]\nfresh_gal = 4000", "water.fresh_gal: found 4000 gallons, expected 0 to 400 gallons")]
    fn a_rig_that_cannot_be_is_refused_with_field_and_finding(#[case] text: &str, #[case] expected: &str) {
        let error = super::super::Rig::parse("rig.toml", text).unwrap_err().to_string();
        assert!(error.starts_with("rig.toml: ") && error.contains(expected), "{error}");
    }
}
