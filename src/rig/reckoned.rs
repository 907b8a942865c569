//! Numbers that calls use and that follow from the rig's file by the arithmetic of the trade.

use std::collections::BTreeMap;

use uom::si::electric_charge::ampere_hour;
use uom::si::electric_potential::volt;
use uom::si::f64::{ElectricPotential, Power, Volume};
use uom::si::power::watt;

use super::bounds::{bleach_ml, cup8};
use super::file::RigFile;
use crate::figures::night::{Furnace, Night, NightTakes, night, usual_night};
use crate::figures::tank::water_weight;
use crate::figures::units::heat::btu_per_hour;
use crate::figures::units::mass::pound;
use crate::figures::units::volume::us_gallon;

/// Whole numbers, rounded up: `night_ah`, `night_gas_lb` (a long night of winter), `fresh_lb`, `tote_lb`, `toilet_box_lb` (what a full one
/// holds); and to the nearest `bleach_5_ml`, `bleach_5_cup8` and so on (bleach for the fresh tank by the per cent on its label, in
/// millilitres and in eighths of a cup, by the one rule of [`bleach_ml`]). A number that cannot be reckoned is left out, and a call that names it is refused.
pub(super) fn numbers(rig: &RigFile) -> BTreeMap<String, u32> {
    let mut numbers = BTreeMap::new();
    let mut put = |name: &str, value: Option<f64>| {
        // Below a millionth it is the rounding of a conversion.
        numbers.extend(value.map(|value| (name.to_owned(), (value - 1e-6).ceil().max(0.0) as u32)));
    };
    let takes = winter_night(rig);
    put("night_ah", takes.map(|takes| takes.charge.get::<ampere_hour>()));
    put("night_gas_lb", takes.map(|takes| takes.gas.get::<pound>()));
    for (name, gallons) in [
        ("fresh_lb", rig.water.fresh_gal),
        ("tote_lb", rig.waste.tote_gal),
        ("toilet_box_lb", rig.waste.toilet_box_gal),
    ] {
        put(name, water_weight(gal(gallons)).ok().map(|weight| weight.get::<pound>()));
    }
    for (label, strength) in LABELS.into_iter().filter(|_| rig.water.fresh_gal > 0) {
        let ml = bleach_ml(rig.water.fresh_gal, strength);
        numbers.insert(format!("bleach_{label}_ml"), ml);
        numbers.insert(format!("bleach_{label}_cup8"), cup8(ml));
    }
    numbers
}

/// The strengths that household bleach is sold in, the weakest of each label, in per cent: 5 to 6, 7.5, 8.25.
const LABELS: [(u32, f64); 3] = [(5, 5.25), (7, 7.5), (8, 8.25)];

fn winter_night(rig: &RigFile) -> Option<NightTakes> {
    let (long, share) = usual_night();
    let watts = |n: u32| Power::new::<watt>(f64::from(n));
    let furnace = (rig.gas.lp && rig.gas.furnace).then(|| Furnace {
        fan: watts(rig.gas.furnace_fan_w),
        burner: Power::new::<btu_per_hour>(f64::from(rig.gas.furnace_btu)),
        share,
    });
    let voltage = ElectricPotential::new::<volt>(12.0);
    night(&Night { long, furnace, rest: watts(rig.electric.night_w), voltage }).ok()
}

fn gal(gallons: u32) -> Volume {
    Volume::new::<us_gallon>(f64::from(gallons))
}

#[cfg(test)]
mod tests {
    use crate::rig::Rig;
    use rstest::rstest;

    fn number(toml: &str, name: &str) -> Option<u32> {
        Rig::parse("rig.toml", toml).unwrap().number(name)
    }

    /// Water weighs 8.33 lb a gallon at 20 C (CRC Handbook, 998.203 kg/m³); the trade's 8.34 gives the same whole pounds.
    #[rstest]
    #[case("[waste]\ntote_gal = 15", "tote_lb", 125)]
    #[case("[waste]\ntote_gal = 36", "tote_lb", 300)]
    #[case("[waste]\ntoilet_box_gal = 5", "toilet_box_lb", 42)]
    #[case("[water]\nfresh_gal = 40", "fresh_lb", 334)]
    fn a_full_tank_is_as_heavy_as_its_water(#[case] rig: &str, #[case] name: &str, #[case] pounds: u32) {
        assert_eq!(number(rig, name), Some(pounds));
    }

    /// By hand: 90 W for 6 of 12 hours and 25 W for 12 are 840 Wh, at 12 V 70 Ah; 30,000 BTU/h for 6 h are 180,000 BTU, at
    /// 21,548 BTU a pound (NFPA 58, annex, from memory) 8.4 lb.
    #[test]
    fn a_winter_night_takes_its_fan_its_lamps_and_its_gas() {
        assert_eq!((number("", "night_ah"), number("", "night_gas_lb")), (Some(70), Some(9)));
        let no_furnace = "[gas]\nfurnace = false\n[electric]\nnight_w = 40";
        assert_eq!((number(no_furnace, "night_ah"), number(no_furnace, "night_gas_lb")), (Some(40), Some(0)));
    }

    /// ANSI A119.2 clause 10.8, as quoted: as many mL of 5.25 % as the tank has litres (52.5 ppm), and 1/4 cup for 15 gal (54.7 ppm). 60 gal
    /// are 227.1 L: 227.1 mL of 5.25 %, 159.0 mL of 7.5 %, 144.5 mL of 8.25 %.
    #[test]
    fn stronger_bleach_means_less_of_it_in_cups_and_millilitres() {
        let of = |name| number("[water]\nfresh_gal = 60", name).unwrap();
        assert_eq!((of("bleach_5_ml"), of("bleach_7_ml"), of("bleach_8_ml")), (227, 159, 145));
        // 227.1 mL are 0.960 cup, 159.0 mL 0.672 cup, 144.5 mL 0.611 cup.
        assert_eq!((of("bleach_5_cup8"), of("bleach_7_cup8"), of("bleach_8_cup8")), (8, 5, 5));
        assert_eq!(number("[water]\nfresh_gal = 15", "bleach_5_cup8"), Some(2), "a quarter cup, as the standard says");
        assert_eq!(number("[water]\nfresh_gal = 0", "bleach_5_ml"), None);
    }
}
