//! What a cold night without a hookup takes: from the battery, and from the gas.

use uom::si::electric_charge::ampere_hour;
use uom::si::f64::{ElectricCharge, ElectricPotential, Mass, Power, Ratio, Time};
use uom::si::power::watt;
use uom::si::ratio::{percent, ratio};
use uom::si::time::hour;

use super::Method;
use super::battery::plausible_battery;
use super::error::{FigureError, within};
use super::units::heat::btu_per_hour;
use super::units::mass::pound;

/// What a night takes.
pub const NIGHT: Method = Method {
    formula: "charge = (rest + share x fan) x hours / battery volts; gas = share x burner x hours / 21,548 BTU a pound",
    source: "conservation of energy; heat of propane: NFPA 58, annex on its properties, from memory",
    caution: "How long the burner runs depends on wind, frost and walls: watch the first night. Cold takes from a battery a \
              third or more, and a nearly empty bottle gives too little gas in frost.",
};

/// A furnace that heats with gas and blows with electricity.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Furnace {
    /// What its fan takes while it runs.
    pub fan: Power,
    /// What its burner takes, as its label says ("input").
    pub burner: Power,
    /// The share of the night that it runs.
    pub share: Ratio,
}

/// A night.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Night {
    pub long: Time,
    /// Where one heats.
    pub furnace: Option<Furnace>,
    /// Everything else that the battery feeds all night.
    pub rest: Power,
    /// Of the battery.
    pub voltage: ElectricPotential,
}

/// What a [`Night`] takes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NightTakes {
    pub charge: ElectricCharge,
    /// Nothing without a furnace.
    pub gas: Mass,
}

/// The long night of winter that is reckoned with where nothing is said: 12 h, of which the furnace runs half (common practice,
/// no source).
pub fn usual_night() -> (Time, Ratio) {
    (Time::new::<hour>(12.0), Ratio::new::<percent>(50.0))
}

/// What a night takes from battery and gas. See [`NIGHT`].
///
/// Range: 1 to 24 h, fan 0 to 500 W, burner 1,000 to 100,000 BTU/h, share 0 to 100 %, the rest 0 to 2,000 W, battery 10 to 60 V.
///
/// # Errors
/// A value outside its range.
pub fn night(night: &Night) -> Result<NightTakes, FigureError> {
    within("length of the night", night.long.get::<hour>(), 1.0..=24.0, "h")?;
    within("what runs all night", night.rest.get::<watt>(), 0.0..=2_000.0, "W")?;
    plausible_battery(night.voltage)?;
    let mut power = night.rest;
    let mut gas = Mass::new::<pound>(0.0);
    if let Some(Furnace { fan, burner, share }) = night.furnace {
        within("fan of the furnace", fan.get::<watt>(), 0.0..=500.0, "W")?;
        within("burner of the furnace", burner.get::<btu_per_hour>(), 1_000.0..=100_000.0, "BTU/h")?;
        within("share of the night that it runs", share.get::<percent>(), 0.0..=100.0, "%")?;
        power += fan * share.get::<ratio>();
        let pounds =
            burner.get::<btu_per_hour>() * share.get::<ratio>() * night.long.get::<hour>() / PROPANE_BTU_PER_POUND;
        gas = Mass::new::<pound>(pounds);
    }
    let charge = ElectricCharge::new::<ampere_hour>(
        power.get::<watt>() * night.long.get::<hour>() / night.voltage.get::<uom::si::electric_potential::volt>(),
    );
    Ok(NightTakes { charge, gas })
}

/// NFPA 58, annex on the properties of propane, from memory; 91,502 BTU a gallon at 4.24 lb.
const PROPANE_BTU_PER_POUND: f64 = 21_548.0;

#[cfg(test)]
mod tests {
    use super::*;
    use uom::si::electric_potential::volt;

    fn winter(fan: f64, burner: f64, share: f64, rest: f64) -> Night {
        Night {
            long: Time::new::<hour>(12.0),
            furnace: Some(Furnace {
                fan: Power::new::<watt>(fan),
                burner: Power::new::<btu_per_hour>(burner),
                share: Ratio::new::<percent>(share),
            }),
            rest: Power::new::<watt>(rest),
            voltage: ElectricPotential::new::<volt>(12.0),
        }
    }

    /// Ohm's law by hand: 90 W for 6 of 12 hours are 540 Wh, 25 W for 12 are 300 Wh: 840 Wh, which are 70 Ah at 12 V.
    #[test]
    fn a_furnace_that_runs_half_the_night_and_a_little_more_take_seventy_ampere_hours() {
        let found = night(&winter(90.0, 30_000.0, 50.0, 25.0)).unwrap();
        assert!((found.charge.get::<ampere_hour>() - 70.0).abs() < 1e-9, "{found:?}");
    }

    /// A 20 lb bottle holds about 430,000 BTU (trade figure, from memory; 4.7 gallons of 91,502 BTU): a burner of 30,000 BTU/h
    /// has 14.3 hours of it.
    #[test]
    fn a_bottle_of_twenty_pounds_feeds_a_burner_of_30_000_btu_for_fourteen_hours() {
        let whole = Night { long: Time::new::<hour>(14.33), ..winter(0.0, 30_000.0, 100.0, 0.0) };
        let found = night(&whole).unwrap().gas.get::<pound>();
        assert!((found - 20.0).abs() < 0.1, "{found}");
    }

    #[test]
    fn without_a_furnace_no_gas_is_taken_and_the_rest_alone_counts() {
        let quiet = Night { furnace: None, ..winter(0.0, 30_000.0, 50.0, 25.0) };
        let found = night(&quiet).unwrap();
        assert_eq!(found.gas.get::<pound>(), 0.0);
        assert!((found.charge.get::<ampere_hour>() - 25.0).abs() < 1e-9);
    }

    #[test]
    fn a_number_in_the_wrong_unit_is_refused() {
        assert!(night(&winter(9_000.0, 30_000.0, 50.0, 25.0)).is_err());
        assert!(night(&winter(90.0, 30.0, 50.0, 25.0)).is_err());
        assert!(night(&Night { long: Time::new::<hour>(0.2), ..winter(90.0, 30_000.0, 50.0, 25.0) }).is_err());
        assert!(
            night(&Night { voltage: ElectricPotential::new::<volt>(120.0), ..winter(90.0, 30_000.0, 50.0, 25.0) })
                .is_err()
        );
    }
}
