//! Bleach for the fresh water tank and the drinking water hose.

use std::time::Duration;

use uom::si::f64::{Length, Ratio, Volume};
use uom::si::length::{foot, inch};
use uom::si::ratio::{part_per_million, percent, ratio};

use super::Method;
use super::error::{FigureError, within};
use super::units::volume::us_gallon;

/// Bleach for a tank.
pub const DOSE: Method = Method {
    formula: "bleach = target x water / strength; target 50 ppm, held 4 h, drained and flushed",
    source: "ANSI A119.2 clause 10.8, as quoted: 1/4 cup of 5.25 % bleach for each 15 gal tank",
    caution: "Plain unscented bleach only, never together with any other cleaner. Thin it in a gallon of water first. \
              Bleach in the bottle weakens with age. Flush until the smell is gone.",
};

/// How long the water stands in the tank: 4 h (ANSI A119.2 clause 10.8, as quoted).
pub const HOLD: Duration = Duration::from_secs(4 * 3_600);

/// The target of [`DOSE`]: 50 parts per million of the water.
pub fn usual_target() -> Ratio {
    Ratio::new::<part_per_million>(50.0)
}

/// How much bleach brings water to a target share. See [`DOSE`].
///
/// Range: water 0.1 to 1,000 gal (0.4 to 3,785 L), strength 1 to 15 % as on the label, target 1 to 200 ppm.
///
/// # Errors
/// A value outside its range.
pub fn dose(target: Ratio, strength: Ratio, water: Volume) -> Result<Volume, FigureError> {
    check(strength, water)?;
    within("target", target.get::<part_per_million>(), 1.0..=200.0, "ppm")?;
    Ok(water * (target / strength).get::<ratio>())
}

/// The share that a dose of bleach gives in water. Range as for [`dose`]; dose up to a tenth of the water. Its reverse.
///
/// # Errors
/// A value outside its range.
pub fn concentration(bleach: Volume, strength: Ratio, water: Volume) -> Result<Ratio, FigureError> {
    check(strength, water)?;
    within("bleach", bleach.get::<us_gallon>(), 0.0..=water.get::<us_gallon>() / 10.0, "gal")?;
    Ok(strength * (bleach / water).get::<ratio>())
}

/// What a hose holds. Range: 0.25 to 4 in (6 to 102 mm) across, 1 to 1,000 ft. Formula: pi/4 x diameter squared x length.
///
/// # Errors
/// A measure outside its range.
pub fn hose_volume(diameter: Length, length: Length) -> Result<Volume, FigureError> {
    within("inside diameter", diameter.get::<inch>(), 0.25..=4.0, "in")?;
    within("length of the hose", length.get::<foot>(), 1.0..=1_000.0, "ft")?;
    Ok(diameter * diameter * length * std::f64::consts::FRAC_PI_4)
}

fn check(strength: Ratio, water: Volume) -> Result<(), FigureError> {
    within("strength of the bleach", strength.get::<percent>(), 1.0..=15.0, "%")?;
    within("water", water.get::<us_gallon>(), 0.1..=1_000.0, "gal")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::figures::units::volume::{us_cup, us_fluid_ounce};
    use proptest::prelude::*;
    use rstest::rstest;
    use uom::si::volume::{liter, milliliter};

    fn strength(n: f64) -> Ratio {
        Ratio::new::<percent>(n)
    }

    fn gal(n: f64) -> Volume {
        Volume::new::<us_gallon>(n)
    }

    /// ANSI A119.2 clause 10.8, as quoted: 1/4 cup of 5.25 % for each 15 gal, which is 54.7 ppm; stronger bleach gives more.
    #[rstest]
    #[case(5.25, 54.7)]
    #[case(6.0, 62.5)]
    #[case(8.25, 85.9)]
    fn a_quarter_cup_in_15_gallons_gives_what_the_standard_means(#[case] labelled: f64, #[case] ppm: f64) {
        let found = concentration(Volume::new::<us_cup>(0.25), strength(labelled), gal(15.0)).unwrap();
        assert!((found.get::<part_per_million>() - ppm).abs() < 0.05, "{found:?}");
    }

    /// The same clause in its other form, as quoted: ounces = gallons x 0.13 and millilitres = litres x 1.0.
    #[test]
    fn the_other_form_of_the_standard_is_within_a_tenth_of_the_target() {
        let ounces = concentration(Volume::new::<us_fluid_ounce>(60.0 * 0.13), strength(5.25), gal(60.0)).unwrap();
        let millilitres =
            concentration(Volume::new::<milliliter>(227.0), strength(5.25), Volume::new::<liter>(227.0)).unwrap();
        assert!((ounces.get::<part_per_million>() - 53.3).abs() < 0.05, "{ounces:?}");
        assert!((millilitres.get::<part_per_million>() - 52.5).abs() < 0.05, "{millilitres:?}");
    }

    /// US EPA leaflet on emergency disinfection and Lantagne and others 2014: 8 drops of 0.05 mL a gallon, 5.25 %: 5.55 mg/L.
    #[test]
    fn eight_drops_in_a_gallon_are_5_55_milligrams_a_litre() {
        let drops = Volume::new::<milliliter>(8.0 * 0.05);
        let found = concentration(drops, strength(5.25), gal(1.0)).unwrap().get::<part_per_million>();
        assert!((found - 5.55).abs() < 0.005, "{found}");
    }

    #[test]
    fn stronger_bleach_means_less_of_it() {
        let ounces = |labelled| dose(usual_target(), strength(labelled), gal(40.0)).unwrap().get::<us_fluid_ounce>();
        assert!((ounces(5.25) - 4.876).abs() < 0.001, "{}", ounces(5.25));
        assert!((ounces(8.25) / ounces(5.25) - 5.25 / 8.25).abs() < 1e-9);
    }

    #[test]
    fn a_strength_in_the_wrong_place_of_the_point_is_refused() {
        assert!(dose(usual_target(), strength(82.5), gal(40.0)).is_err());
        assert!(dose(usual_target(), strength(0.0525), gal(40.0)).is_err());
        assert!(dose(Ratio::new::<part_per_million>(5_000.0), strength(6.0), gal(40.0)).is_err());
        assert!(dose(usual_target(), strength(6.0), gal(0.0)).is_err());
    }

    proptest! {
        #[test]
        fn a_dose_gives_its_target(ppm in 1.0_f64..200.0, labelled in 1.0_f64..15.0, gallons in 1.0_f64..500.0) {
            let bleach = dose(Ratio::new::<part_per_million>(ppm), strength(labelled), gal(gallons)).unwrap();
            let found = concentration(bleach, strength(labelled), gal(gallons)).unwrap().get::<part_per_million>();
            prop_assert!((found / ppm - 1.0).abs() < 1e-9);
        }
    }
}
