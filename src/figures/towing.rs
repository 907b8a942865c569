//! Towing beside the ratings: the share on the tongue, brakes that may be absent, wheel nuts to tighten again.

use uom::si::f64::{Length, Mass, Ratio};
use uom::si::length::mile;
use uom::si::ratio::percent;

use super::error::{FigureError, within};
use super::units::mass::pound;
use super::{Method, at_least, at_most};

/// The share of a trailer's weight on its tongue.
pub const TONGUE: Method = Method {
    formula: "share = weight on the hitch / loaded trailer; 10 to 15 % for a tongue, 15 to 25 % for a pin",
    source: "Towing a Trailer, NHTSA brochure DOT HS 809 433 (from memory); the vehicle's manual comes first",
    caution: "Too little makes a trailer sway, too much takes weight off the front wheels. The trailer maker's range comes first.",
};

/// When a trailer needs no brakes.
pub const BRAKES: Method = Method {
    formula: "no brakes needed up to 3,000 lb, if its axles carry at most 40 % of what the towing vehicle's axles carry",
    source: "49 CFR 393.42(b)(3) and (4), for commercial vehicles",
    caution: "State laws set other limits, and the maker of the towing vehicle may ask for brakes at less. The strictest counts.",
};

/// When wheel nuts are tightened again.
pub const NUTS: Method = Method {
    formula: "after 10, 25 and 50 miles from fitting the wheel",
    source: "common practice, no source; makers name other distances",
    caution: "With a torque wrench, to the maker's figure, in the maker's order, wheel cold.",
};

/// The share of a trailer that should rest on the hitch.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TongueBounds {
    pub least: Ratio,
    pub most: Ratio,
}

/// What a trailer rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RestsOn {
    /// A tongue on a ball.
    Tongue,
    /// A pin over the axle of a truck.
    Pin,
}

impl RestsOn {
    /// 10 to 15 % for a tongue, 15 to 25 % for a pin: common practice, no source.
    pub fn usual(self) -> TongueBounds {
        let (least, most) = match self {
            Self::Tongue => (10.0, 15.0),
            Self::Pin => (15.0, 25.0),
        };
        TongueBounds { least: Ratio::new::<percent>(least), most: Ratio::new::<percent>(most) }
    }
}

impl Default for TongueBounds {
    fn default() -> Self {
        RestsOn::Tongue.usual()
    }
}

/// How the share on the tongue stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TongueState {
    TooLight,
    Fits,
    TooHeavy,
}

/// The share of a loaded trailer on its tongue, and how it stands. See [`TONGUE`].
///
/// Range: trailer 100 to 40,000 lb (45 to 18,144 kg), tongue 0 to the trailer's weight, bounds 1 to 40 %.
///
/// # Errors
/// A value outside its range; bounds the wrong way round.
pub fn tongue(tongue: Mass, trailer: Mass, bounds: TongueBounds) -> Result<(Ratio, TongueState), FigureError> {
    within("loaded trailer", trailer.get::<pound>(), 100.0..=40_000.0, "lb")?;
    within("weight on the tongue", tongue.get::<pound>(), 0.0..=trailer.get::<pound>(), "lb")?;
    within("greatest share on the tongue", bounds.most.get::<percent>(), 1.0..=40.0, "%")?;
    within("least share on the tongue", bounds.least.get::<percent>(), 1.0..=bounds.most.get::<percent>(), "%")?;
    let share = tongue / trailer;
    let state = if !at_least(share.value, bounds.least.value) {
        TongueState::TooLight
    } else if at_most(share.value, bounds.most.value) {
        TongueState::Fits
    } else {
        TongueState::TooHeavy
    };
    Ok((share, state))
}

/// Whether the federal rule lets a trailer go without brakes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Brakes {
    /// It does; other rules may not.
    NotRequired,
    Required,
    /// A weight that decides is not known.
    Unknown,
}

/// Whether a trailer needs brakes. See [`BRAKES`].
///
/// `trailer` is its whole weight, `trailer_axles` what its axles carry, `towing_axles` what the axles of the towing vehicle carry.
/// Range: weights 1 to 100,000 lb (0.5 to 45,359 kg).
///
/// # Errors
/// A value outside its range; axles of the trailer that carry more than it weighs.
pub fn brakes(
    trailer: Option<Mass>,
    trailer_axles: Option<Mass>,
    towing_axles: Option<Mass>,
) -> Result<Brakes, FigureError> {
    for (what, mass) in
        [("trailer", trailer), ("trailer's axles", trailer_axles), ("towing vehicle's axles", towing_axles)]
    {
        if let Some(mass) = mass {
            within(what, mass.get::<pound>(), 1.0..=100_000.0, "lb")?;
        }
    }
    if let (Some(whole), Some(axles)) = (trailer, trailer_axles) {
        within("trailer's axles", axles.get::<pound>(), 1.0..=whole.get::<pound>(), "lb")?;
    }
    let light = trailer.map(|t| at_most(t.get::<pound>(), BRAKELESS_LB));
    let share = trailer_axles.zip(towing_axles).map(|(a, b)| at_most((a / b).value, BRAKELESS_SHARE));
    Ok(match (light, share) {
        (Some(false), _) | (_, Some(false)) => Brakes::Required,
        (Some(true), Some(true)) => Brakes::NotRequired,
        _ => Brakes::Unknown,
    })
}

/// The usual distances of [`NUTS`], counted from the fitting of the wheel.
pub fn usual_nut_distances() -> Vec<Length> {
    [10.0, 25.0, 50.0].map(Length::new::<mile>).to_vec()
}

/// Where the wheel nuts stand.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Nuts {
    /// A distance was passed since they were last tightened: stop and do it.
    Due { at: Length },
    /// So far to the next time.
    Next { left: Length },
    /// All distances are behind and done.
    Done,
}

/// Whether wheel nuts are due. See [`NUTS`].
///
/// All distances are counted from the fitting: `driven` now, `last_tightened` none if only at the fitting. Range: 0 to 100,000 mi,
/// `distances` rising.
///
/// # Errors
/// A value outside its range; tightened further on than driven; distances that do not rise.
pub fn wheel_nuts(driven: Length, last_tightened: Option<Length>, distances: &[Length]) -> Result<Nuts, FigureError> {
    within("miles since the wheel was fitted", driven.get::<mile>(), 0.0..=100_000.0, "mi")?;
    let last = last_tightened.unwrap_or_default();
    within("miles when the nuts were tightened", last.get::<mile>(), 0.0..=driven.get::<mile>(), "mi")?;
    let rising = distances.windows(2).all(|two| two[0] < two[1]) && distances.first().is_none_or(|d| d.value > 0.0);
    if !rising {
        return Err(FigureError::Impossible {
            what: "distances for the lug nuts",
            found: format!("{:?} mi", distances.iter().map(|d| d.get::<mile>()).collect::<Vec<_>>()),
            expected: "distances above zero, each greater than the one before",
        });
    }
    let open = distances.iter().filter(|at| !at_least(last.value, at.value));
    let passed = open.clone().rfind(|at| at_least(driven.value, at.value));
    Ok(match (passed, open.clone().next()) {
        (Some(at), _) => Nuts::Due { at: *at },
        (None, Some(next)) => Nuts::Next { left: *next - driven },
        (None, None) => Nuts::Done,
    })
}

const BRAKELESS_LB: f64 = 3_000.0;
const BRAKELESS_SHARE: f64 = 0.4;

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use rstest::rstest;

    fn lb(n: f64) -> Mass {
        Mass::new::<pound>(n)
    }

    fn miles(n: f64) -> Length {
        Length::new::<mile>(n)
    }

    /// NHTSA, Towing a Trailer, DOT HS 809 433 (from memory): 10 to 15 % of the loaded trailer.
    #[rstest]
    #[case(499.0, TongueState::TooLight)]
    #[case(500.0, TongueState::Fits)]
    #[case(750.0, TongueState::Fits)]
    #[case(751.0, TongueState::TooHeavy)]
    fn the_tongue_of_a_5000_pound_trailer_carries_500_to_750(#[case] pounds: f64, #[case] expected: TongueState) {
        assert_eq!(tongue(lb(pounds), lb(5_000.0), TongueBounds::default()).unwrap().1, expected);
    }

    /// 49 CFR 393.42(b)(3) and (4): 3,000 lb and 40 % are still without, a pound or a tenth of a percent more is not.
    #[rstest]
    #[case(3_000.0, 2_800.0, 7_000.0, Brakes::NotRequired)]
    #[case(3_001.0, 2_800.0, 7_000.0, Brakes::Required)]
    #[case(3_000.0, 2_807.0, 7_000.0, Brakes::Required)]
    #[case(2_000.0, 2_000.0, 5_000.0, Brakes::NotRequired)]
    #[case(2_005.0, 2_005.0, 5_000.0, Brakes::Required)]
    fn a_small_trailer_may_go_without_brakes(
        #[case] whole: f64,
        #[case] axles: f64,
        #[case] towing: f64,
        #[case] expected: Brakes,
    ) {
        assert_eq!(brakes(Some(lb(whole)), Some(lb(axles)), Some(lb(towing))), Ok(expected));
    }

    #[test]
    fn a_weight_that_nobody_knows_does_not_excuse_from_brakes() {
        assert_eq!(brakes(None, Some(lb(1_000.0)), Some(lb(6_000.0))), Ok(Brakes::Unknown));
        assert_eq!(brakes(Some(lb(1_000.0)), None, Some(lb(6_000.0))), Ok(Brakes::Unknown));
        assert_eq!(brakes(Some(lb(1_000.0)), Some(lb(900.0)), None), Ok(Brakes::Unknown));
        assert_eq!(brakes(Some(lb(3_500.0)), None, None), Ok(Brakes::Required));
        assert_eq!(brakes(None, Some(lb(2_500.0)), Some(lb(6_000.0))), Ok(Brakes::Required));
        assert!(brakes(Some(lb(1_000.0)), Some(lb(1_100.0)), Some(lb(6_000.0))).is_err());
    }

    /// Common practice, no source: 10, 25 and 50 miles.
    #[rstest]
    #[case(0.0, None, Nuts::Next { left: miles(10.0) })]
    #[case(10.0, None, Nuts::Due { at: miles(10.0) })]
    #[case(12.0, Some(12.0), Nuts::Next { left: miles(13.0) })]
    #[case(60.0, Some(12.0), Nuts::Due { at: miles(50.0) })]
    #[case(60.0, Some(60.0), Nuts::Done)]
    #[case(8.0, Some(5.0), Nuts::Next { left: miles(2.0) })]
    fn wheel_nuts_are_due_after_each_distance(#[case] driven: f64, #[case] last: Option<f64>, #[case] expected: Nuts) {
        let found = wheel_nuts(miles(driven), last.map(miles), &usual_nut_distances()).unwrap();
        match (found, expected) {
            (Nuts::Next { left }, Nuts::Next { left: wanted }) => assert!((left - wanted).abs() < miles(1e-9)),
            _ => assert_eq!(found, expected),
        }
    }

    #[test]
    fn what_cannot_be_is_refused() {
        assert!(tongue(lb(6_000.0), lb(5_000.0), TongueBounds::default()).is_err());
        assert!(tongue(lb(500.0), lb(0.0), TongueBounds::default()).is_err());
        assert!(wheel_nuts(miles(5.0), Some(miles(6.0)), &usual_nut_distances()).is_err());
        assert!(wheel_nuts(miles(5.0), None, &[miles(25.0), miles(10.0)]).is_err());
    }

    proptest! {
        #[test]
        fn a_heavier_trailer_never_loses_its_need_for_brakes(
            axles in 100.0_f64..4_000.0, more in 1.0_f64..2.0, towing in 2_000.0_f64..20_000.0,
        ) {
            let of = |axles: f64| brakes(Some(lb(axles * 1.1)), Some(lb(axles)), Some(lb(towing))).unwrap();
            if of(axles) == Brakes::Required {
                prop_assert_eq!(of(axles * more), Brakes::Required);
            }
        }

        #[test]
        fn tightening_at_the_reminder_never_leaves_it_due(driven in 0.0_f64..200.0) {
            let found = wheel_nuts(miles(driven), Some(miles(driven)), &usual_nut_distances()).unwrap();
            prop_assert!(!matches!(found, Nuts::Due { .. }), "{:?}", found);
        }
    }

    /// Common practice, no source: a fifth wheel lays 15 to 25 % on its pin, a ball takes 10 to 15 %.
    #[test]
    fn a_fifth_of_the_trailer_is_right_for_a_pin_and_too_heavy_for_a_tongue() {
        let state = |on: RestsOn| tongue(lb(2_400.0), lb(12_000.0), on.usual()).unwrap().1;
        assert_eq!((state(RestsOn::Pin), state(RestsOn::Tongue)), (TongueState::Fits, TongueState::TooHeavy));
    }
}
