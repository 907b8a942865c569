//! How long a tank takes to run out by its own weight.

use uom::si::area::{square_foot, square_inch};
use uom::si::f64::{Area, Length, Time};
use uom::si::length::{foot, inch, meter};
use uom::si::time::second;

use super::Method;
use super::error::{FigureError, within};

/// Draining by gravity.
pub const DRAIN: Method = Method {
    formula: "t = tank area / (Cd x opening) x (sqrt(h1) - sqrt(h2)) x sqrt(2/g)",
    source: "Torricelli's law integrated, as in Cengel & Cimbala, Fluid Mechanics (discharge of water from a tank)",
    caution: "A hint for the shortest time only: solids, paper, a long hose and a poor vent make it slower. Listen and look.",
};

/// How long the level falls from `from` to `to` above the opening. See [`DRAIN`].
///
/// Range: tank area 0.01 to 200 sq ft (9.3 cm² to 18.6 m²) and more than four times the opening, levels 0 to 20 ft (6.1 m),
/// discharge coefficient `cd` 0.3 to 1 (a sharp-edged opening 0.6, a rounded one near 1).
///
/// # Errors
/// A value outside its range; an opening too large for the tank; a level that would rise.
pub fn drain_time(tank: Area, opening: Area, from: Length, to: Length, cd: f64) -> Result<Time, FigureError> {
    within("area of the tank", tank.get::<square_foot>(), 0.01..=200.0, "sq ft")?;
    within("opening", opening.get::<square_inch>(), 1e-4..=tank.get::<square_inch>() / 4.0, "sq in")?;
    within("level at the start", from.get::<foot>(), 0.0..=20.0, "ft")?;
    within("level at the end", to.get::<foot>(), 0.0..=from.get::<foot>(), "ft")?;
    within("discharge coefficient", cd, 0.3..=1.0, "(a plain number)")?;
    let fall = from.get::<meter>().sqrt() - to.get::<meter>().sqrt();
    let seconds = (tank / opening).value / cd * fall * (2.0 / STANDARD_GRAVITY).sqrt();
    Ok(Time::new::<second>(seconds.max(0.0)))
}

/// The area of a round opening. Range: 0.01 to 240 in (0.25 mm to 6.1 m) across. Formula: pi/4 x diameter squared.
///
/// # Errors
/// A diameter outside the range.
pub fn round(diameter: Length) -> Result<Area, FigureError> {
    within("diameter", diameter.get::<inch>(), 0.01..=240.0, "in")?;
    Ok(diameter * diameter * std::f64::consts::FRAC_PI_4)
}

/// m/s², exact: 3rd General Conference on Weights and Measures, 1901.
const STANDARD_GRAVITY: f64 = 9.806_65;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::figures::units::volume::us_gallon;
    use proptest::prelude::*;
    use uom::si::f64::Volume;
    use uom::si::length::centimeter;

    fn feet(n: f64) -> Length {
        Length::new::<foot>(n)
    }

    fn inches(n: f64) -> Length {
        Length::new::<inch>(n)
    }

    fn time(tank: Area, opening: Area, from: Length, to: Length, cd: f64) -> f64 {
        drain_time(tank, opening, from, to, cd).unwrap().get::<second>()
    }

    /// Cengel & Cimbala, Fluid Mechanics, worked example on a tank 3 ft across, hole 0.5 in, 4 to 2 ft: 757 s (text from memory).
    #[test]
    fn the_textbook_tank_is_half_empty_after_757_seconds() {
        let found = time(round(feet(3.0)).unwrap(), round(inches(0.5)).unwrap(), feet(4.0), feet(2.0), 1.0);
        assert!((found - 757.0).abs() < 1.0, "{found}");
    }

    /// Practice problem 435 of engineeringprep.com, by the formula of the FE Reference Handbook (NCEES): tank 4 ft across, nozzle 5 sq in, 6 to 2 ft: 93.4 s (published rounded to 94).
    #[test]
    fn the_examination_tank_takes_93_4_seconds() {
        let found = time(round(feet(4.0)).unwrap(), Area::new::<square_inch>(5.0), feet(6.0), feet(2.0), 1.0);
        assert!((found - 93.4).abs() < 0.1, "{found}");
    }

    /// Fluid mechanics student problem: 10.0 cm tank, 0.120 cm hole, kinetic energy factor 1.10, 15 cm: 20 to 25 minutes.
    #[test]
    fn the_student_s_bottle_is_empty_within_20_to_25_minutes() {
        let cm = |n: f64| round(Length::new::<centimeter>(n)).unwrap();
        let found =
            time(cm(10.0), cm(0.120), Length::new::<centimeter>(15.0), Length::default(), 1.0 / 1.10_f64.sqrt());
        assert!((20.0 * 60.0..25.0 * 60.0).contains(&found), "{found}");
    }

    /// Reckoned with the same formula: 40 gal standing 12 in deep over a 3 in valve.
    #[test]
    fn a_black_tank_could_be_empty_within_a_minute() {
        let tank = Volume::new::<us_gallon>(40.0) / inches(12.0);
        let at = |cd| time(tank, round(inches(3.0)).unwrap(), inches(12.0), Length::default(), cd);
        assert!((at(0.6) - 45.0).abs() < 0.6 && (at(1.0) - 27.0).abs() < 0.4, "{} {}", at(0.6), at(1.0));
    }

    #[test]
    fn a_rising_level_and_an_opening_as_wide_as_the_tank_are_refused() {
        let tank = round(feet(3.0)).unwrap();
        assert!(drain_time(tank, round(inches(0.5)).unwrap(), feet(2.0), feet(4.0), 1.0).is_err());
        assert!(drain_time(tank, tank, feet(4.0), feet(2.0), 1.0).is_err());
        assert!(drain_time(tank, round(inches(0.5)).unwrap(), feet(4.0), feet(2.0), 0.0).is_err());
    }

    proptest! {
        #[test]
        fn two_parts_of_a_fall_take_as_long_as_the_whole(from in 0.2_f64..10.0, mid in 0.0_f64..1.0, to in 0.0_f64..1.0) {
            let (tank, hole) = (round(feet(3.0)).unwrap(), round(inches(2.0)).unwrap());
            let (mid, to) = (from * mid, from * mid * to);
            let parts = time(tank, hole, feet(from), feet(mid), 0.6) + time(tank, hole, feet(mid), feet(to), 0.6);
            prop_assert!((parts - time(tank, hole, feet(from), feet(to), 0.6)).abs() < 1e-6);
        }
    }
}
