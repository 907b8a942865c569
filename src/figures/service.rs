//! What a shore service carries, and whether the loads that are on fit it.

use uom::si::electric_current::ampere;
use uom::si::electric_potential::volt;
use uom::si::f64::{ElectricCurrent, ElectricPotential, Power};
use uom::si::power::watt;

use super::error::{FigureError, within};
use super::{Method, at_most};

/// Loads on a service.
pub const LOADS: Method = Method {
    formula: "amperes = watts / volts on each leg; 30 A: one leg of 120 V, 3,600 VA; 50 A: two legs, 12,000 VA; 80 % if for long",
    source: "National Electrical Code 551.46 and 551.71 to 551.73; Ohm's law at power factor 1",
    caution: "Motors start with several times their running current. A pedestal's voltage sags when the park is full. \
              A warm plug is a fault: switch off and have it seen to.",
};

/// A shore service: one or two legs of 120 V against neutral.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Service {
    /// 15 A at 120 V, a household socket by an adapter.
    Fifteen,
    /// 20 A at 120 V.
    Twenty,
    /// 30 A at 120 V.
    Thirty,
    /// 50 A at 120/240 V: two legs of 50 A each, so more than three times the 30 A service.
    Fifty,
}

impl Service {
    /// The service whose breaker has so many amperes: 15, 20, 30 or 50.
    ///
    /// # Errors
    /// Another rating.
    pub fn of_breaker(rating: ElectricCurrent) -> Result<Self, FigureError> {
        let amperes = rating.get::<ampere>();
        [Self::Fifteen, Self::Twenty, Self::Thirty, Self::Fifty]
            .into_iter()
            .find(|s| (s.amperes() - amperes).abs() < 1e-6)
            .ok_or_else(|| FigureError::Impossible {
                what: "service",
                found: format!("{amperes} A"),
                expected: "15, 20, 30 or 50 A, as printed on the breaker",
            })
    }

    /// Amperes for each leg.
    pub fn amperes(self) -> f64 {
        match self {
            Self::Fifteen => 15.0,
            Self::Twenty => 20.0,
            Self::Thirty => 30.0,
            Self::Fifty => 50.0,
        }
    }

    /// How many legs of 120 V.
    pub fn legs(self) -> usize {
        if self == Self::Fifty { 2 } else { 1 }
    }

    /// All it carries, at 120 V. See [`LOADS`].
    pub fn capacity(self) -> Power {
        Power::new::<watt>(self.amperes() * 120.0 * self.legs() as f64)
    }

    /// What it carries for three hours or more: 80 % of [`Self::capacity`].
    pub fn continuous(self) -> Power {
        self.capacity() * CONTINUOUS
    }
}

/// On which leg of a service a thing hangs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ServiceLeg {
    First,
    Second,
    /// Between the legs, at 240 V.
    Both,
    /// Nobody knows: it may be on either.
    Unknown,
}

/// A thing that is on.
#[derive(Clone, Debug, PartialEq)]
pub struct Load {
    pub name: String,
    /// As on its label.
    pub power: Power,
    pub leg: ServiceLeg,
}

/// How a leg stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum LegState {
    /// Within 80 % of the breaker.
    Fits,
    /// Above 80 %: not for hours.
    NotForLong,
    /// It fits or not by which leg the things of unknown leg are on.
    Unknown,
    /// Above the breaker's rating: it will trip.
    Over,
}

/// How a service stands with its loads.
#[derive(Clone, Debug, PartialEq)]
pub struct Loading {
    /// Amperes on each leg from the things whose leg is known (on one leg: from all).
    pub known: Vec<ElectricCurrent>,
    /// Amperes of the things on a leg that nobody knows.
    pub unknown: ElectricCurrent,
    pub state: LegState,
}

/// Whether the things that are on fit a service. See [`LOADS`].
///
/// Range: power of each thing 0 to 12,000 W, voltage at the pedestal 90 to 140 V (it is 120 V when all is well), at most 16 things
/// of unknown leg. On a 50 A service each of them may lie on either: what fits only by luck is [`LegState::Unknown`], never fitting.
///
/// # Errors
/// A value outside its range; a thing on a second leg of a service with one.
pub fn loading(service: Service, loads: &[Load], supply: ElectricPotential) -> Result<Loading, FigureError> {
    within("voltage at the pedestal", supply.get::<volt>(), 90.0..=140.0, "V")?;
    let mut known = vec![ElectricCurrent::default(); service.legs()];
    let mut unknown = Vec::new();
    for load in loads {
        within("power of a load", load.power.get::<watt>(), 0.0..=12_000.0, "W")?;
        let current = load.power / supply;
        match (load.leg, service.legs()) {
            (ServiceLeg::First | ServiceLeg::Unknown, 1) | (ServiceLeg::First, _) => known[0] += current,
            (ServiceLeg::Second | ServiceLeg::Both, 1) => {
                return Err(FigureError::Impossible {
                    what: "leg",
                    found: format!("{} on the second leg", load.name),
                    expected: "the first leg: this service has no other",
                });
            }
            (ServiceLeg::Second, _) => known[1] += current,
            (ServiceLeg::Both, _) => known.iter_mut().for_each(|leg| *leg += current / 2.0),
            (ServiceLeg::Unknown, _) => unknown.push(current.get::<ampere>()),
        }
    }
    let rating = service.amperes();
    let amperes: Vec<f64> = known.iter().map(|leg| leg.get::<ampere>()).collect();
    let (best, worst) = fullest_leg(&amperes, &unknown)?;
    let state = if !at_most(best, rating) {
        LegState::Over
    } else if !at_most(worst, rating) {
        LegState::Unknown
    } else if !at_most(worst, rating * CONTINUOUS) {
        LegState::NotForLong
    } else {
        LegState::Fits
    };
    Ok(Loading { known, unknown: ElectricCurrent::new::<ampere>(unknown.iter().sum()), state })
}

/// Amperes on the fullest leg, when the things of unknown leg lie as well as they can, and as badly.
fn fullest_leg(known: &[f64], unknown: &[f64]) -> Result<(f64, f64), FigureError> {
    let fullest = known.iter().copied().fold(0.0, f64::max);
    let [first, second] = *known else { return Ok((fullest, fullest)) };
    if unknown.len() > MOST_UNKNOWN {
        return Err(FigureError::Impossible {
            what: "things of unknown leg",
            found: format!("{} of them", unknown.len()),
            expected: "16 or fewer; find out the legs of the strongest",
        });
    }
    let all: f64 = unknown.iter().sum();
    let split = |on_first: u32| {
        let moved: f64 = (0..).zip(unknown).filter(|(bit, _)| on_first >> bit & 1 == 1).map(|(_, a)| a).sum();
        (first + moved).max(second + all - moved)
    };
    let best = (0..1_u32 << unknown.len()).map(split).fold(f64::INFINITY, f64::min);
    Ok((best, fullest + all))
}

/// Every way of lying is tried: 65,536 of them for 16 things.
const MOST_UNKNOWN: usize = 16;
const CONTINUOUS: f64 = 0.8;

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use rstest::rstest;

    fn load(name: &str, watts: f64, leg: ServiceLeg) -> Load {
        Load { name: name.to_owned(), power: Power::new::<watt>(watts), leg }
    }

    fn state(service: Service, loads: &[Load]) -> LegState {
        loading(service, loads, ElectricPotential::new::<volt>(120.0)).unwrap().state
    }

    /// NEC 551.46 and 551.71 to 551.73: 3,600 and 12,000 VA; 80 % of them for continuous loads.
    #[rstest]
    #[case(Service::Thirty, 3_600.0, 2_880.0)]
    #[case(Service::Fifty, 12_000.0, 9_600.0)]
    fn a_50_amp_service_is_not_20_amps_more(#[case] service: Service, #[case] all: f64, #[case] long: f64) {
        assert!((service.capacity().get::<watt>() - all).abs() < 1e-9);
        assert!((service.continuous().get::<watt>() - long).abs() < 1e-9);
    }

    #[rstest]
    #[case(2_880.0, LegState::Fits)]
    #[case(2_881.0, LegState::NotForLong)]
    #[case(3_600.0, LegState::NotForLong)]
    #[case(3_601.0, LegState::Over)]
    fn thirty_amps_carry_3600_watts_and_80_percent_for_long(#[case] watts: f64, #[case] expected: LegState) {
        assert_eq!(state(Service::Thirty, &[load("all", watts, ServiceLeg::Unknown)]), expected);
    }

    #[test]
    fn each_leg_of_a_50_amp_service_is_looked_at() {
        let heavy = [load("heater", 6_100.0, ServiceLeg::First)];
        assert_eq!(state(Service::Fifty, &heavy), LegState::Over);
        let split = [load("heater", 4_000.0, ServiceLeg::First), load("cooling", 4_000.0, ServiceLeg::Second)];
        assert_eq!(state(Service::Fifty, &split), LegState::Fits);
        let between = [load("dryer", 6_000.0, ServiceLeg::Both), load("heater", 2_500.0, ServiceLeg::First)];
        assert_eq!(state(Service::Fifty, &between), LegState::NotForLong);
    }

    #[test]
    fn what_fits_only_on_the_right_leg_is_unknown_and_not_fitting() {
        let loads = [load("heater", 4_000.0, ServiceLeg::Unknown), load("cooling", 4_000.0, ServiceLeg::Unknown)];
        assert_eq!(state(Service::Fifty, &loads), LegState::Unknown);
        assert_eq!(state(Service::Fifty, &[load("oven", 7_000.0, ServiceLeg::Unknown)]), LegState::Over);
        let both = [load("heater", 6_500.0, ServiceLeg::Unknown), load("cooling", 6_000.0, ServiceLeg::Unknown)];
        assert_eq!(state(Service::Fifty, &both), LegState::Over);
        // Two of three share a leg, whichever: 6,240 W are 52 A.
        let three = ["a", "b", "c"].map(|name| load(name, 3_120.0, ServiceLeg::Unknown));
        assert_eq!(state(Service::Fifty, &three), LegState::Over);
    }

    #[test]
    fn a_low_voltage_draws_more_amperes() {
        let low = loading(
            Service::Thirty,
            &[load("kettle", 1_500.0, ServiceLeg::First)],
            ElectricPotential::new::<volt>(100.0),
        );
        assert!((low.unwrap().known[0].get::<ampere>() - 15.0).abs() < 1e-9);
    }

    #[test]
    fn absurd_services_and_loads_are_refused() {
        assert!(Service::of_breaker(ElectricCurrent::new::<ampere>(40.0)).is_err());
        assert_eq!(Service::of_breaker(ElectricCurrent::new::<ampere>(50.0)), Ok(Service::Fifty));
        let at = |loads: &[Load], volts| loading(Service::Thirty, loads, ElectricPotential::new::<volt>(volts));
        assert!(at(&[load("kettle", 1_500.0, ServiceLeg::Second)], 120.0).is_err());
        assert!(at(&[load("kettle", -1.0, ServiceLeg::First)], 120.0).is_err());
        assert!(at(&[], 12.0).is_err());
    }

    proptest! {
        #[test]
        fn what_fits_with_unknown_legs_fits_however_they_lie(
            watts in prop::collection::vec((100.0_f64..4_000.0, any::<bool>()), 1..6),
        ) {
            let unknown: Vec<_> = watts.iter().map(|(w, _)| load("x", *w, ServiceLeg::Unknown)).collect();
            let known: Vec<_> = watts
                .iter()
                .map(|(w, first)| load("x", *w, if *first { ServiceLeg::First } else { ServiceLeg::Second }))
                .collect();
            let (unsure, sure) = (state(Service::Fifty, &unknown), state(Service::Fifty, &known));
            if unsure <= LegState::NotForLong {
                prop_assert!(sure <= unsure, "{:?} {:?}", unsure, sure);
            }
            if unsure == LegState::Over {
                prop_assert_eq!(sure, LegState::Over);
            }
        }

        #[test]
        fn one_thing_more_never_makes_it_fit_better(watts in prop::collection::vec(100.0_f64..3_000.0, 1..5)) {
            let loads: Vec<_> = watts.iter().map(|w| load("x", *w, ServiceLeg::First)).collect();
            let fewer = state(Service::Thirty, &loads[1..]);
            prop_assert!(state(Service::Thirty, &loads) >= fewer);
        }
    }
}
