//! What a hose and its fittings take from the pressure, and what flow a pressure drives through them.

use uom::si::f64::{Length, VolumeRate};
use uom::si::length::{foot, inch};

use super::Method;
use super::error::{FigureError, within};
use super::flow;
use super::pressure::Gauge;
use super::units::flow::us_gallon_per_minute;

/// Loss by friction.
pub const FRICTION: Method = Method {
    formula: "psi = 4.52 Q^1.85 / (C^1.85 d^4.87) for each foot, Q in gpm, d in inches",
    source: "Hazen-Williams, as in NFPA 13",
    caution: "For plain cold water. It was found on pipes of some inches: in a garden hose expect it to be off by a fifth.",
};

/// A hose with what is screwed to it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Hose {
    pub length: Length,
    /// Inside.
    pub diameter: Length,
    /// The length of the same hose that loses as much as all fittings together.
    pub fittings: Length,
    /// Hazen-Williams coefficient: 140 to 150 smooth plastic or rubber, 120 steel, 100 old iron.
    pub smoothness: f64,
}

/// The pressure lost along a hose at a flow. See [`FRICTION`].
///
/// Range: flow 0.05 to 30 gpm (0.19 to 114 L/min) in a hose, 1 to 1,000 ft (0.3 to 305 m), fittings 0 to 500 ft, 0.25 to 4 in
/// (6 to 102 mm) across, smoothness 60 to 160; the loss may come out greater than any supply: then that flow is not to be had.
///
/// # Errors
/// A value outside its range.
pub fn loss(hose: &Hose, flow: VolumeRate) -> Result<Gauge, FigureError> {
    check(hose)?;
    flow::plausible(flow)?;
    Ok(Gauge::of_psi(
        friction(flow.get::<us_gallon_per_minute>(), hose.smoothness, hose.diameter.get::<inch>()) * feet(hose),
    ))
}

/// The flow at which a hose takes up a whole pressure. Range as for [`loss`], pressure 0.1 to 250 psi. The reverse of [`loss`].
///
/// # Errors
/// A value outside its range.
pub fn flow_at(hose: &Hose, lost: Gauge) -> Result<VolumeRate, FigureError> {
    check(hose)?;
    within("pressure to lose", lost.psi(), 0.1..=250.0, "psi")?;
    let per_foot = lost.psi() / feet(hose);
    let smooth = hose.smoothness.powf(1.85) * hose.diameter.get::<inch>().powf(4.87);
    Ok(VolumeRate::new::<us_gallon_per_minute>((per_foot * smooth / 4.52).powf(1.0 / 1.85)))
}

fn check(hose: &Hose) -> Result<(), FigureError> {
    within("length of the hose", hose.length.get::<foot>(), 1.0..=1_000.0, "ft")?;
    within("length for the fittings", hose.fittings.get::<foot>(), 0.0..=500.0, "ft")?;
    within("inside diameter", hose.diameter.get::<inch>(), 0.25..=4.0, "in")?;
    within("Hazen-Williams coefficient", hose.smoothness, 60.0..=160.0, "(a plain number)")
}

fn feet(hose: &Hose) -> f64 {
    (hose.length + hose.fittings).get::<foot>()
}

/// psi for each foot.
fn friction(gpm: f64, smoothness: f64, inches: f64) -> f64 {
    4.52 * gpm.powf(1.85) / (smoothness.powf(1.85) * inches.powf(4.87))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use rstest::rstest;

    fn hose(inches: f64, feet: f64) -> Hose {
        Hose {
            length: Length::new::<foot>(feet),
            diameter: Length::new::<inch>(inches),
            fittings: Length::default(),
            smoothness: 140.0,
        }
    }

    fn gpm(n: f64) -> VolumeRate {
        VolumeRate::new::<us_gallon_per_minute>(n)
    }

    /// NFPA 13, Hazen-Williams with the factor 4.52 (formula from memory), reckoned by hand.
    #[rstest]
    #[case(5.0, 0.5, 25.0, 6.95)]
    #[case(5.0, 0.625, 50.0, 4.69)]
    fn a_garden_hose_takes_some_pounds(#[case] q: f64, #[case] inches: f64, #[case] feet: f64, #[case] psi: f64) {
        let found = loss(&hose(inches, feet), gpm(q)).unwrap().psi();
        assert!((found - psi).abs() < 0.005, "{found}");
    }

    /// As above: 100 gpm, C 120, schedule 40 steel of 2 in (2.067 in inside), 100 ft: 9.40 psi.
    #[test]
    fn the_sprinkler_pipe_of_the_standard_takes_9_4_pounds() {
        assert!((friction(100.0, 120.0, 2.067) * 100.0 - 9.40).abs() < 0.005);
    }

    #[test]
    fn fittings_count_as_so_much_more_hose() {
        let with = Hose { fittings: Length::new::<foot>(10.0), ..hose(0.5, 25.0) };
        let found = loss(&with, gpm(5.0)).unwrap().psi() / loss(&hose(0.5, 25.0), gpm(5.0)).unwrap().psi();
        assert!((found - 35.0 / 25.0).abs() < 1e-9);
    }

    #[test]
    fn no_hose_is_refused() {
        assert!(loss(&hose(0.0, 25.0), gpm(5.0)).is_err());
        assert!(loss(&hose(0.5, 0.0), gpm(5.0)).is_err());
        assert!(loss(&Hose { smoothness: 1.0, ..hose(0.5, 25.0) }, gpm(5.0)).is_err());
        assert!(loss(&hose(0.5, 25.0), gpm(-5.0)).is_err());
    }

    proptest! {
        #[test]
        fn the_flow_that_takes_a_pressure_loses_that_pressure(
            inches in 0.25_f64..1.0, feet in 10.0_f64..200.0, q in 0.1_f64..20.0,
        ) {
            let lost = loss(&hose(inches, feet), gpm(q)).unwrap();
            prop_assume!((0.1..250.0).contains(&lost.psi()));
            let back = flow_at(&hose(inches, feet), lost).unwrap().get::<us_gallon_per_minute>();
            prop_assert!((back / q - 1.0).abs() < 1e-9);
        }

        #[test]
        fn more_flow_more_length_and_less_width_lose_more(q in 0.1_f64..10.0, by in 1.01_f64..3.0) {
            let base = loss(&hose(0.5, 50.0), gpm(q)).unwrap();
            prop_assert!(loss(&hose(0.5, 50.0), gpm(q * by)).unwrap() > base);
            prop_assert!(loss(&hose(0.5, 50.0 * by), gpm(q)).unwrap() > base);
            prop_assert!(loss(&hose(0.5 * by, 50.0), gpm(q)).unwrap() < base);
        }
    }
}
