//! The voltage that a cord takes, there and back.

use uom::si::electric_current::ampere;
use uom::si::electric_potential::volt;
use uom::si::f64::{ElectricCurrent, ElectricPotential, Length, Ratio};
use uom::si::length::foot;

use super::error::{FigureError, within};
use super::{Method, at_most};

/// Voltage drop in copper.
pub const DROP: Method = Method {
    formula: "drop = 2 x 12.9 x amperes x feet / circular mils (copper, one way length)",
    source: "National Electrical Code, chapter 9 table 8 for the wire; 12.9 ohm circular mils per foot from examination texts",
    caution: "It says nothing of whether the cord may carry the current: its label and the breaker do. Feel the plugs for heat.",
};

/// American wire gauges of flexible cords, and their area in circular mils: NEC chapter 9 table 8.
const GAUGES: [(u32, f64); 9] = [
    (18, 1_620.0),
    (16, 2_580.0),
    (14, 4_110.0),
    (12, 6_530.0),
    (10, 10_380.0),
    (8, 16_510.0),
    (6, 26_240.0),
    (4, 41_740.0),
    (2, 66_360.0),
];

/// What a cord takes, and how that compares with the advice.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Drop {
    pub lost: ElectricPotential,
    pub share: Ratio,
    pub advice: CordAdvice,
}

/// The advice of NEC 210.19 and 215.2 (informational notes): 3 % for a branch, 5 % in all. Advice, not a rule.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CordAdvice {
    /// 3 % or less.
    Fine,
    /// Above 3 %, up to 5 %.
    Noticeable,
    /// Above 5 %: a thicker or a shorter cord.
    TooMuch,
}

/// The voltage lost in a copper cord. See [`DROP`].
///
/// Range: even gauges AWG 18 to 2, 1 to 500 ft (0.3 to 152 m) one way, above 0 to 100 A, supply 6 to 250 V. On a 120/240 V cord
/// it holds for two legs loaded alike with the voltage and the current between the legs.
///
/// # Errors
/// A value outside its range; a gauge that is not in the table; more lost than there is.
pub fn voltage_drop(
    gauge: u32,
    one_way: Length,
    current: ElectricCurrent,
    supply: ElectricPotential,
) -> Result<Drop, FigureError> {
    let area = circular_mils(gauge)?;
    within("length of the cord", one_way.get::<foot>(), 1.0..=500.0, "ft")?;
    within("current", current.get::<ampere>(), 0.01..=100.0, "A")?;
    within("voltage", supply.get::<volt>(), 6.0..=250.0, "V")?;
    let lost = 2.0 * COPPER * current.get::<ampere>() * one_way.get::<foot>() / area;
    within("voltage lost in the cord", lost, 0.0..=supply.get::<volt>() / 2.0, "V")?;
    let lost = ElectricPotential::new::<volt>(lost);
    let share = lost / supply;
    let advice = if at_most(share.value, 0.03) {
        CordAdvice::Fine
    } else if at_most(share.value, 0.05) {
        CordAdvice::Noticeable
    } else {
        CordAdvice::TooMuch
    };
    Ok(Drop { lost, share, advice })
}

fn circular_mils(gauge: u32) -> Result<f64, FigureError> {
    GAUGES.iter().find(|(number, _)| *number == gauge).map(|(_, area)| *area).ok_or_else(|| FigureError::Impossible {
        what: "wire gauge",
        found: format!("AWG {gauge}"),
        expected: "an even gauge from AWG 18 (thin) to AWG 2 (thick), as printed on the cord",
    })
}

/// Ohm circular mils per foot.
const COPPER: f64 = 12.9;

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use rstest::rstest;

    fn drop(gauge: u32, feet: f64, amperes: f64) -> Result<Drop, FigureError> {
        voltage_drop(
            gauge,
            Length::new::<foot>(feet),
            ElectricCurrent::new::<ampere>(amperes),
            ElectricPotential::new::<volt>(120.0),
        )
    }

    /// NEC chapter 9 table 8 and the examination formula.
    #[rstest]
    #[case(10, 20.0, 100.0, 4.97, 0.041, CordAdvice::Noticeable)]
    #[case(8, 20.0, 100.0, 3.13, 0.026, CordAdvice::Fine)]
    fn a_hundred_feet_take_so_many_volts(
        #[case] gauge: u32,
        #[case] amperes: f64,
        #[case] feet: f64,
        #[case] volts: f64,
        #[case] share: f64,
        #[case] advice: CordAdvice,
    ) {
        let found = drop(gauge, feet, amperes).unwrap();
        assert!((found.lost.get::<volt>() - volts).abs() < 0.005, "{found:?}");
        assert!((found.share.value - share).abs() < 0.0005 && found.advice == advice, "{found:?}");
    }

    /// NEC chapter 9 table 8, stranded 10 AWG uncoated copper at 75 C, 1.24 ohm for 1,000 ft (from memory): within 1 %.
    #[test]
    fn it_agrees_with_the_resistance_of_the_table() {
        let by_resistance = 2.0 * 20.0 * 100.0 * 1.24 / 1_000.0;
        let found = drop(10, 100.0, 20.0).unwrap().lost.get::<volt>();
        assert!((found / by_resistance - 1.0).abs() < 0.01, "{found} {by_resistance}");
        let short = drop(10, 50.0, 30.0).unwrap();
        assert!((short.lost.get::<volt>() - 3.72).abs() < 0.02 && (short.share.value - 0.031).abs() < 0.0005);
    }

    /// ASTM B258: a wire of gauge n is 5 mils x 92^((36-n)/39) across.
    #[test]
    fn the_table_of_wires_follows_the_definition_of_the_gauge() {
        for (gauge, area) in GAUGES {
            let mils = 5.0 * 92.0_f64.powf((36.0 - f64::from(gauge)) / 39.0);
            assert!((mils * mils / area - 1.0).abs() < 0.005, "AWG {gauge}: {}", mils * mils);
        }
    }

    #[test]
    fn odd_gauges_and_absurd_cords_are_refused() {
        assert!(drop(11, 100.0, 20.0).is_err());
        assert!(drop(10, 0.0, 20.0).is_err());
        assert!(drop(10, 100.0, -20.0).is_err());
        assert!(drop(18, 500.0, 60.0).unwrap_err().to_string().contains("voltage lost in the cord"));
    }

    proptest! {
        #[test]
        fn longer_thinner_and_more_loaded_cords_lose_more(feet in 5.0_f64..50.0, amperes in 1.0_f64..15.0, by in 1.01_f64..2.0) {
            let lost = |gauge, feet, amperes| drop(gauge, feet, amperes).unwrap().lost;
            prop_assert!(lost(12, feet * by, amperes) > lost(12, feet, amperes));
            prop_assert!(lost(12, feet, amperes * by) > lost(12, feet, amperes));
            prop_assert!(lost(14, feet, amperes) > lost(12, feet, amperes));
        }
    }
}
