//! Water pressure where it comes in.

use super::error::{FigureError, within};
use super::pressure::Gauge;
use super::{Method, at_least, at_most};

/// Judging the pressure of a supply.
pub const SUPPLY: Method = Method {
    formula: "compare with the rig's own bounds; above 80 psi (552 kPa) at rest plumbing codes ask for a reducing valve",
    source: "Uniform Plumbing Code 608.2, International Plumbing Code 604.8; bounds of 40 and 60 psi: common practice, no source",
    caution: "Pressure at rest is highest at night. Fit the regulator at the tap, before the hose. The maker's limit comes first.",
};

/// The pressures that a rig's plumbing is meant for, at rest.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SupplyBounds {
    pub least: Gauge,
    pub most: Gauge,
}

impl Default for SupplyBounds {
    /// 40 to 60 psi (276 to 414 kPa): common practice, no source. The maker's figure comes first.
    fn default() -> Self {
        Self { least: Gauge::of_psi(40.0), most: Gauge::of_psi(60.0) }
    }
}

/// What a supply's pressure means for the rig.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Supply {
    /// Below the bounds: it will be weak, and harms nothing.
    Weak,
    /// Within the bounds.
    Fits,
    /// Above the bounds: not without a regulator.
    NeedsRegulator,
    /// Above what the codes allow in any house without a reducing valve.
    AboveCode,
}

/// Judges a supply's pressure at rest. See [`SUPPLY`]. Range: 0 to 250 psi (0 to 1,724 kPa); bounds of 10 to 100 psi.
///
/// # Errors
/// A pressure outside the range; bounds that are outside theirs or the wrong way round.
pub fn judge(at_rest: Gauge, bounds: SupplyBounds) -> Result<Supply, FigureError> {
    within("pressure of the supply", at_rest.psi(), 0.0..=250.0, "psi")?;
    within("lower bound of the pressure", bounds.least.psi(), 0.0..=bounds.most.psi(), "psi")?;
    within("upper bound of the pressure", bounds.most.psi(), 10.0..=100.0, "psi")?;
    Ok(if !at_most(at_rest.psi(), CODE_MOST_PSI) {
        Supply::AboveCode
    } else if !at_most(at_rest.psi(), bounds.most.psi()) {
        Supply::NeedsRegulator
    } else if at_least(at_rest.psi(), bounds.least.psi()) {
        Supply::Fits
    } else {
        Supply::Weak
    })
}

/// What a regulator lets through at rest: the smaller of the supply and its setting. Range: both 0 to 250 psi.
///
/// # Errors
/// A pressure outside the range.
pub fn regulated(supply: Gauge, setting: Gauge) -> Result<Gauge, FigureError> {
    within("pressure of the supply", supply.psi(), 0.0..=250.0, "psi")?;
    within("setting of the regulator", setting.psi(), 0.0..=250.0, "psi")?;
    Ok(if supply < setting { supply } else { setting })
}

const CODE_MOST_PSI: f64 = 80.0;

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use rstest::rstest;

    /// UPC 608.2 and IPC 604.8: above 80 psi at rest. The other bounds are common practice, no source.
    #[rstest]
    #[case(39.9, Supply::Weak)]
    #[case(40.0, Supply::Fits)]
    #[case(60.0, Supply::Fits)]
    #[case(60.1, Supply::NeedsRegulator)]
    #[case(80.0, Supply::NeedsRegulator)]
    #[case(80.1, Supply::AboveCode)]
    #[case(85.0, Supply::AboveCode)]
    #[case(100.0, Supply::AboveCode)]
    fn each_bound_belongs_to_the_better_side(#[case] psi: f64, #[case] expected: Supply) {
        assert_eq!(judge(Gauge::of_psi(psi), SupplyBounds::default()), Ok(expected));
    }

    #[test]
    fn the_maker_s_bounds_come_first() {
        let bounds = SupplyBounds { least: Gauge::of_psi(30.0), most: Gauge::of_psi(45.0) };
        assert_eq!(judge(Gauge::of_psi(50.0), bounds), Ok(Supply::NeedsRegulator));
        assert!(judge(Gauge::of_psi(50.0), SupplyBounds { least: bounds.most, most: bounds.least }).is_err());
    }

    #[test]
    fn a_regulator_only_takes_away() {
        let after = |supply| regulated(Gauge::of_psi(supply), Gauge::of_psi(50.0)).unwrap().psi();
        assert!((after(85.0) - 50.0).abs() < 1e-9 && (after(35.0) - 35.0).abs() < 1e-9);
        assert!(regulated(Gauge::of_psi(-1.0), Gauge::of_psi(50.0)).is_err());
    }

    proptest! {
        #[test]
        fn above_the_owner_s_bound_nothing_ever_fits(most in 10.0_f64..100.0, above in 0.001_f64..50.0) {
            let bounds = SupplyBounds { least: Gauge::of_psi(0.0), most: Gauge::of_psi(most) };
            let verdict = judge(Gauge::of_psi(most + above), bounds).unwrap();
            prop_assert!(matches!(verdict, Supply::NeedsRegulator | Supply::AboveCode));
        }
    }
}
