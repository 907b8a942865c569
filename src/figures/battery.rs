//! What is drawn from the battery, and how long it lasts.

use uom::si::electric_charge::ampere_hour;
use uom::si::electric_current::ampere;
use uom::si::electric_potential::volt;
use uom::si::f64::{ElectricCharge, ElectricCurrent, ElectricPotential, Power, Ratio, Time};
use uom::si::power::watt;
use uom::si::ratio::{percent, ratio};
use uom::si::time::hour;

use super::Method;
use super::error::{FigureError, within};

/// Current through an inverter.
pub const DRAW: Method = Method {
    formula: "battery amperes = watts / (battery volts x efficiency)",
    source: "Ohm's law and conservation of energy",
    caution: "Cables and fuses carry all of it. Have them sized by somebody who is qualified for it.",
};

/// Hours of a battery.
pub const HOURS: Method = Method {
    formula: "t = R x (C / (I x R))^n, times the share that may be used; C is rated over R hours",
    source: "Peukert 1897 (Elektrotechnische Zeitschrift 20), with the rated hours as in Doerffel & Abu Sharkh 2006 (Journal of Power Sources 155); both from memory",
    caution: "For a healthy, full battery at about 77 F (25 C). Cold and age take a third or more. \
              Below the rated current the law promises too much.",
};

/// Exponent from two discharge tests.
pub const EXPONENT: Method = Method {
    formula: "n = log(t2 / t1) / log(I1 / I2)",
    source: "Peukert's law, solved for its exponent; Doerffel & Abu Sharkh 2006, from memory",
    caution: "Two tests of the same battery, both from full to empty.",
};

/// A battery bank.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Battery {
    /// As on its label.
    pub capacity: ElectricCharge,
    /// The hours over which that capacity is rated: 20 h for most.
    pub rated: Time,
    /// Peukert's exponent: 1.25 where nothing is known of a lead battery, about 1.05 for lithium (common practice, no source; the maker's figure comes first).
    pub exponent: f64,
    /// The share that may be used, counted from full.
    pub usable: Ratio,
}

/// What an inverter takes from the battery for a load. See [`DRAW`].
///
/// Range: load 0 to 20,000 W, battery 10 to 60 V, efficiency 50 to 100 %.
///
/// # Errors
/// A value outside its range.
pub fn inverter_draw(
    load: Power,
    battery: ElectricPotential,
    efficiency: Ratio,
) -> Result<ElectricCurrent, FigureError> {
    within("load on the inverter", load.get::<watt>(), 0.0..=20_000.0, "W")?;
    plausible_battery(battery)?;
    within("efficiency of the inverter", efficiency.get::<percent>(), 50.0..=100.0, "%")?;
    Ok(load / battery / efficiency.get::<ratio>())
}

/// How long a battery lasts at a current. See [`HOURS`].
///
/// Range: capacity 1 to 5,000 Ah rated over 1 to 100 h, current 0.01 to 2,000 A, exponent 1 to 1.6, usable share 1 to 100 %.
///
/// # Errors
/// A value outside its range; a current of nothing, at which no time can be named.
pub fn hours_left(battery: &Battery, current: ElectricCurrent) -> Result<Time, FigureError> {
    within("capacity of the battery", battery.capacity.get::<ampere_hour>(), 1.0..=5_000.0, "Ah")?;
    within("rated hours", battery.rated.get::<hour>(), 1.0..=100.0, "h")?;
    within("current", current.get::<ampere>(), 0.01..=2_000.0, "A")?;
    within("Peukert exponent", battery.exponent, 1.0..=1.6, "(a plain number)")?;
    within("usable share", battery.usable.get::<percent>(), 1.0..=100.0, "%")?;
    let against_rated = (battery.capacity / battery.rated / current).get::<ratio>();
    Ok(battery.rated * against_rated.powf(battery.exponent) * battery.usable.get::<ratio>())
}

/// Peukert's exponent from two discharges. See [`EXPONENT`]. Range: currents 0.01 to 2,000 A, times 1 min to 1,000 h.
///
/// # Errors
/// A value outside its range; two tests at nearly the same current; tests that give no exponent from 1 to 1.6.
pub fn exponent(first: (ElectricCurrent, Time), second: (ElectricCurrent, Time)) -> Result<f64, FigureError> {
    for (current, time) in [first, second] {
        within("current", current.get::<ampere>(), 0.01..=2_000.0, "A")?;
        within("time of the discharge", time.get::<hour>(), 1.0 / 60.0..=1_000.0, "h")?;
    }
    let currents = (first.0 / second.0).get::<ratio>();
    if currents.ln().abs() < 0.1 {
        return Err(FigureError::Impossible {
            what: "two discharges",
            found: format!("currents of {:.2} and {:.2} A", first.0.get::<ampere>(), second.0.get::<ampere>()),
            expected: "currents that differ by a tenth or more",
        });
    }
    let found = (second.1 / first.1).get::<ratio>().ln() / currents.ln();
    within("Peukert exponent from these tests", found, 1.0..=1.6, "(a plain number)")?;
    Ok(found)
}

pub(super) fn plausible_battery(voltage: ElectricPotential) -> Result<(), FigureError> {
    within("voltage of the battery", voltage.get::<volt>(), 10.0..=60.0, "V")
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use rstest::rstest;

    fn amperes(n: f64) -> ElectricCurrent {
        ElectricCurrent::new::<ampere>(n)
    }

    fn hours(n: f64) -> Time {
        Time::new::<hour>(n)
    }

    fn battery(amp_hours: f64, exponent: f64) -> Battery {
        Battery {
            capacity: ElectricCharge::new::<ampere_hour>(amp_hours),
            rated: hours(20.0),
            exponent,
            usable: Ratio::new::<percent>(100.0),
        }
    }

    /// Ohm's law: 1,440 W at 12 V are 120 A; with 90 % efficiency 133.3 A; at 12.8 V with 85 % 132.4 A.
    #[rstest]
    #[case(12.0, 100.0, 120.0)]
    #[case(12.0, 90.0, 133.3)]
    #[case(12.8, 85.0, 132.4)]
    fn an_inverter_takes_its_losses_from_the_battery_too(
        #[case] volts: f64,
        #[case] per_cent: f64,
        #[case] expected: f64,
    ) {
        let found = inverter_draw(
            Power::new::<watt>(1_440.0),
            ElectricPotential::new::<volt>(volts),
            Ratio::new::<percent>(per_cent),
        );
        assert!((found.unwrap().get::<ampere>() - expected).abs() < 0.05);
    }

    /// Reckoned by hand from R (C / (I R))^n with C = 100 Ah, R = 20 h (Doerffel & Abu Sharkh 2006, from memory): 20 (100 / 200)^1.2 = 8.706.
    #[rstest]
    #[case(5.0, 1.2, 20.0)]
    #[case(10.0, 1.2, 8.706)]
    #[case(20.0, 1.25, 3.536)]
    #[case(120.0, 1.25, 0.3765)]
    fn a_battery_lasts_less_the_more_is_drawn(#[case] current: f64, #[case] exponent: f64, #[case] expected: f64) {
        let found = hours_left(&battery(100.0, exponent), amperes(current)).unwrap().get::<hour>();
        assert!((found / expected - 1.0).abs() < 2e-4, "{found}");
    }

    /// 250 Ah at 20 A and 1.3: C / I^n, which forgets the rated hours, gives 5.0886 h; by hand 20 (250 / 400)^1.3 = 10.856 h.
    #[test]
    fn the_rated_hours_are_not_forgotten() {
        let found = hours_left(&battery(250.0, 1.3), amperes(20.0)).unwrap().get::<hour>();
        assert!((found - 10.856).abs() < 0.0005, "{found}");
        assert!((found - 5.0886).abs() > 5.0);
    }

    /// 100 Ah at 5 A (20 h) and 60 Ah at 20 A (3 h), by hand: ln(20 / 3) / ln(20 / 5) = 1.8971 / 1.3863 = 1.368.
    #[test]
    fn two_discharges_give_the_exponent() {
        let found = exponent((amperes(5.0), hours(20.0)), (amperes(20.0), hours(3.0))).unwrap();
        assert!((found - 1.368).abs() < 0.0005, "{found}");
        assert!(exponent((amperes(5.0), hours(20.0)), (amperes(5.1), hours(19.0))).is_err());
        assert!(exponent((amperes(5.0), hours(20.0)), (amperes(20.0), hours(6.0))).is_err());
    }

    #[test]
    fn the_share_that_may_be_used_shortens_the_time() {
        let half = Battery { usable: Ratio::new::<percent>(50.0), ..battery(100.0, 1.2) };
        let found = hours_left(&half, amperes(10.0)).unwrap().get::<hour>();
        assert!((found - 8.706 / 2.0).abs() < 0.0005, "{found}");
    }

    #[test]
    fn no_current_and_absurd_batteries_are_refused() {
        assert!(hours_left(&battery(100.0, 1.2), amperes(0.0)).is_err());
        assert!(hours_left(&battery(0.0, 1.2), amperes(5.0)).is_err());
        assert!(hours_left(&battery(100.0, 0.9), amperes(5.0)).is_err());
        assert!(
            inverter_draw(Power::new::<watt>(100.0), ElectricPotential::new::<volt>(120.0), Ratio::new::<ratio>(0.9))
                .is_err()
        );
    }

    proptest! {
        #[test]
        fn more_current_never_lasts_longer(current in 0.1_f64..200.0, by in 1.0_f64..5.0, exponent in 1.0_f64..1.6) {
            let left = |current| hours_left(&battery(200.0, exponent), amperes(current)).unwrap();
            prop_assert!(left(current * by) <= left(current));
        }

        #[test]
        fn the_exponent_comes_back_from_two_discharges(current in 1.0_f64..20.0, by in 1.5_f64..4.0, n in 1.01_f64..1.5) {
            let left = |current| (amperes(current), hours_left(&battery(200.0, n), amperes(current)).unwrap());
            let found = exponent(left(current), left(current * by)).unwrap();
            prop_assert!((found - n).abs() < 1e-9);
        }
    }
}
