//! Weights against the ratings on the labels: each limit by itself, and what is not known is never a pass.

use uom::si::f64::Mass;

use super::error::{FigureError, within};
use super::units::mass::pound;
use super::{Method, at_most};

/// Loads and ratings.
pub const LIMITS: Method = Method {
    formula: "each weight, as loaded and weighed, is at most its rating; the combined weight is the sum of the weights",
    source: "49 CFR 567 (certification labels), 49 CFR 571.3 (GVWR, GAWR and GCWR are values of the maker)",
    caution: "Ratings come from labels and manuals only; a combined rating (GCWR) is never the sum of others. Weigh it loaded \
              for travel, people and water included. The lowest rated part of the hitch counts.",
};

/// Cargo against the label.
pub const CARGO: Method = Method {
    formula: "left = what the label lets be loaded - all that is loaded",
    source: "49 CFR 571.120 S10, the label of recreational vehicles; from memory",
    caution: "A motorhome's label counts people and cargo, a trailer's cargo. What was fitted since it left the factory is cargo too. \
              Weigh it: the label is for the rig as it was built.",
};

/// An axle wheel by wheel.
pub const WHEELS: Method = Method {
    formula: "each side is at most what its tires carry, both together are at most the axle's rating; the heavier side sets the pressure",
    source: "common practice, no source; axle ratings: 49 CFR 567",
    caution: "Weigh it loaded for travel, people and water included. The load tables are the tire maker's own.",
};

/// What is left of the cargo that a label lets be loaded. See [`CARGO`].
///
/// Range: label 1 to 40,000 lb (0.5 to 18,144 kg), each load 0 to 40,000 lb.
///
/// # Errors
/// A value outside its range.
pub fn cargo(label: Mass, loads: &[Mass]) -> Result<WeightStanding, FigureError> {
    within("what the label lets be loaded", label.get::<pound>(), 1.0..=40_000.0, "lb")?;
    for load in loads {
        within("load", load.get::<pound>(), 0.0..=40_000.0, "lb")?;
    }
    Ok(against(loads.iter().fold(Mass::default(), |sum, load| sum + *load), label))
}

/// How the two sides of an axle and the axle stand.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WheelByWheel {
    pub left: WeightStanding,
    pub right: WeightStanding,
    pub axle: WeightStanding,
    /// What the heavier side weighs.
    pub heavier: Mass,
}

/// An axle wheel by wheel: an axle within its rating can have a side that is over. See [`WHEELS`].
///
/// `tires` is what all tires of one side carry. Range: weights and ratings 1 to 100,000 lb (0.5 to 45,359 kg).
///
/// # Errors
/// A value outside its range.
pub fn wheels(left: Mass, right: Mass, axle: Mass, tires: Mass) -> Result<WheelByWheel, FigureError> {
    for (what, mass) in
        [("left side", left), ("right side", right), ("rating of the axle", axle), ("load of the tires", tires)]
    {
        within(what, mass.get::<pound>(), 1.0..=100_000.0, "lb")?;
    }
    let heavier = if left > right { left } else { right };
    Ok(WheelByWheel {
        left: against(left, tires),
        right: against(right, tires),
        axle: against(left + right, axle),
        heavier,
    })
}

fn against(weight: Mass, rating: Mass) -> WeightStanding {
    if at_most(weight.get::<pound>(), rating.get::<pound>()) {
        WeightStanding::Within { left: rating - weight }
    } else {
        WeightStanding::Over { by: weight - rating }
    }
}

/// An axle: its weight on the scale, hitched as it travels, and its rating (GAWR) on the label.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Axle {
    pub name: String,
    pub weight: Option<Mass>,
    pub rating: Option<Mass>,
}

/// A vehicle with what is known of it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Vehicle {
    pub name: String,
    /// All of it, hitched when it tows. None: the sum of the axles (and the tongue), if each was weighed.
    pub weight: Option<Mass>,
    /// GVWR on its label.
    pub rating: Option<Mass>,
    pub axles: Vec<Axle>,
}

/// A vehicle that tows, what it tows, and what holds them together.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Combination {
    pub towing: Vehicle,
    /// None: nothing is towed.
    pub towed: Option<Towed>,
    /// Both together on the scale; none: the sum of what was weighed.
    pub combined_weight: Option<Mass>,
    /// GCWR by the maker of the towing vehicle. There is no way to reckon it.
    pub combined_rating: Option<Mass>,
}

/// What is towed.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Towed {
    pub vehicle: Vehicle,
    /// What the towing vehicle's maker lets it tow.
    pub tow_rating: Option<Mass>,
    /// The lowest rating among receiver, ball, coupler and tow bar.
    pub hitch_rating: Option<Mass>,
    /// The weight of the tongue or pin on the hitch; none for a car on a tow bar.
    pub tongue: Option<Tongue>,
}

/// The weight on the hitch.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Tongue {
    pub weight: Option<Mass>,
    pub rating: Option<Mass>,
}

/// Which limit it is about.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Limit {
    /// A vehicle's weight and its GVWR.
    Vehicle(String),
    /// An axle of a vehicle and its GAWR.
    Axle { vehicle: String, axle: String },
    /// Both together and the GCWR.
    Combined,
    /// What is towed and the towing vehicle's tow rating.
    Tow,
    /// What is towed and the lowest rated part of the hitch.
    Hitch,
    /// The weight on the hitch and the rating for it.
    Tongue,
}

impl std::fmt::Display for Limit {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Vehicle(name) => write!(f, "{name} (GVWR)"),
            Self::Axle { vehicle, axle } => write!(f, "{vehicle}, {axle} axle (GAWR)"),
            Self::Combined => f.write_str("combined (GCWR)"),
            Self::Tow => f.write_str("towed weight (tow rating)"),
            Self::Hitch => f.write_str("towed weight (hitch)"),
            Self::Tongue => f.write_str("tongue"),
        }
    }
}

/// How a limit stands.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum WeightStanding {
    /// At most the rating; so much is left.
    Within { left: Mass },
    /// Above the rating by so much.
    Over { by: Mass },
    /// The rating, the weight or both are not known.
    Unknown { weight: bool, rating: bool },
}

/// One limit and how it stands.
#[derive(Clone, Debug, PartialEq)]
pub struct Checked {
    pub limit: Limit,
    pub weight: Option<Mass>,
    pub rating: Option<Mass>,
    pub standing: WeightStanding,
}

/// How everything stands together.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Overall {
    /// Every limit is known and kept.
    Within,
    /// No limit is known to be passed, but not all are known.
    Unknown,
    /// At least one limit is passed.
    Over,
}

/// Holds every weight against its rating. See [`LIMITS`].
///
/// Limits of a vehicle whose axles nobody named are reported as unknown, not left out. Range: weights and ratings 1 to 100,000
/// lb (0.5 to 45,359 kg).
///
/// # Errors
/// A weight or a rating outside its range.
pub fn check(rig: &Combination) -> Result<Vec<Checked>, FigureError> {
    let towing = whole(&rig.towing, Some(Mass::default()));
    let mut limits = vehicle(&rig.towing, towing);
    if let Some(towed) = &rig.towed {
        let on_hitch = towed.tongue.map_or(Some(Mass::default()), |tongue| tongue.weight);
        let weight = whole(&towed.vehicle, on_hitch);
        limits.extend(vehicle(&towed.vehicle, weight));
        // The towing vehicle's weight has the tongue in it already; where the trailer's axles were not weighed it counts twice,
        // which errs on the safe side.
        let sum = towing.zip(axles(&towed.vehicle).or(weight)).map(|(a, b)| a + b);
        let combined = rig.combined_weight.or(sum);
        limits.push((Limit::Combined, combined, rig.combined_rating));
        limits.push((Limit::Tow, weight, towed.tow_rating));
        limits.push((Limit::Hitch, weight, towed.hitch_rating));
        if let Some(tongue) = towed.tongue {
            limits.push((Limit::Tongue, tongue.weight, tongue.rating));
        }
    }
    limits.into_iter().map(|(limit, weight, rating)| stand(limit, weight, rating)).collect()
}

/// How a list of limits stands together: one that is passed counts before one that is not known. No limits at all are unknown.
pub fn overall(checked: &[Checked]) -> Overall {
    let any = |test: fn(&WeightStanding) -> bool| checked.iter().any(|c| test(&c.standing));
    if any(|s| matches!(s, WeightStanding::Over { .. })) {
        Overall::Over
    } else if checked.is_empty() || any(|s| matches!(s, WeightStanding::Unknown { .. })) {
        Overall::Unknown
    } else {
        Overall::Within
    }
}

/// The weight of a vehicle: as weighed, or the sum of its axles and of what it lays on a hitch; the larger where both are known.
fn whole(vehicle: &Vehicle, on_hitch: Option<Mass>) -> Option<Mass> {
    let sum = axles(vehicle).zip(on_hitch).map(|(axles, tongue)| axles + tongue);
    match (vehicle.weight, sum) {
        (Some(whole), Some(sum)) => Some(whole.max(sum)),
        (whole, sum) => whole.or(sum),
    }
}

/// What all axles carry, if each was weighed.
fn axles(vehicle: &Vehicle) -> Option<Mass> {
    let all = vehicle.axles.iter().map(|a| a.weight).collect::<Option<Vec<_>>>().filter(|all| !all.is_empty())?;
    Some(all.into_iter().fold(Mass::default(), |a, b| a + b))
}

type Compared = (Limit, Option<Mass>, Option<Mass>);

fn vehicle(vehicle: &Vehicle, weight: Option<Mass>) -> Vec<Compared> {
    let mut limits = vec![(Limit::Vehicle(vehicle.name.clone()), weight, vehicle.rating)];
    let axle = |name: &str| Limit::Axle { vehicle: vehicle.name.clone(), axle: name.to_owned() };
    limits.extend(vehicle.axles.iter().map(|a| (axle(&a.name), a.weight, a.rating)));
    if vehicle.axles.is_empty() {
        limits.push((axle("every"), None, None));
    }
    limits
}

fn stand(limit: Limit, weight: Option<Mass>, rating: Option<Mass>) -> Result<Checked, FigureError> {
    for (what, mass) in [("weight", weight), ("rating", rating)] {
        if let Some(mass) = mass {
            within(what, mass.get::<pound>(), 1.0..=100_000.0, "lb")?;
        }
    }
    let standing = match (weight, rating) {
        (Some(weight), Some(rating)) if at_most(weight.value, rating.value) => {
            WeightStanding::Within { left: (rating - weight).max(Mass::default()) }
        }
        (Some(weight), Some(rating)) => WeightStanding::Over { by: weight - rating },
        _ => WeightStanding::Unknown { weight: weight.is_none(), rating: rating.is_none() },
    };
    Ok(Checked { limit, weight, rating, standing })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn lb(n: f64) -> Option<Mass> {
        Some(Mass::new::<pound>(n))
    }

    fn axle(name: &str, weight: f64, rating: f64) -> Axle {
        Axle { name: name.to_owned(), weight: lb(weight), rating: lb(rating) }
    }

    /// A coach of 24,000 lb with a car of 4,500 lb on a tow bar; every number invented.
    fn coach_and_car() -> Combination {
        Combination {
            towing: Vehicle {
                name: "coach".into(),
                weight: lb(24_000.0),
                rating: lb(26_000.0),
                axles: vec![axle("front", 8_000.0, 9_000.0), axle("rear", 16_000.0, 17_500.0)],
            },
            towed: Some(Towed {
                vehicle: Vehicle {
                    name: "car".into(),
                    weight: lb(4_500.0),
                    rating: lb(5_000.0),
                    axles: vec![axle("front", 2_300.0, 2_600.0), axle("rear", 2_200.0, 2_600.0)],
                },
                tow_rating: lb(5_000.0),
                hitch_rating: lb(6_000.0),
                tongue: None,
            }),
            combined_weight: None,
            combined_rating: lb(30_000.0),
        }
    }

    fn failing(rig: &Combination) -> Vec<Limit> {
        let over = |c: &Checked| matches!(c.standing, WeightStanding::Over { .. });
        check(rig).unwrap().into_iter().filter(over).map(|c| c.limit).collect()
    }

    /// Arithmetic after 49 CFR 567 labels: 24,000 + 4,500 lb against 30,000 leave 1,500.
    #[test]
    fn the_combined_margin_is_what_is_left_of_the_label() {
        let found = check(&coach_and_car()).unwrap();
        let combined = found.iter().find(|c| c.limit == Limit::Combined).unwrap();
        let WeightStanding::Within { left } = combined.standing else { panic!("{combined:?}") };
        assert!((left.get::<pound>() - 1_500.0).abs() < 1e-6);
        assert_eq!(overall(&found), Overall::Within);
    }

    #[test]
    fn the_limit_that_fails_is_named_and_only_that() {
        let mut rig = coach_and_car();
        rig.towing.axles[0].weight = lb(9_001.0);
        rig.towing.axles[1].weight = lb(14_999.0);
        assert_eq!(failing(&rig), [Limit::Axle { vehicle: "coach".into(), axle: "front".into() }]);
        let mut rig = coach_and_car();
        rig.combined_rating = lb(28_499.0);
        assert_eq!(failing(&rig), [Limit::Combined]);
        let mut rig = coach_and_car();
        rig.towed.as_mut().unwrap().hitch_rating = lb(4_499.0);
        assert_eq!(failing(&rig), [Limit::Hitch]);
        assert_eq!(overall(&check(&rig).unwrap()), Overall::Over);
    }

    #[test]
    fn a_weight_at_its_rating_is_within_it_and_a_pound_more_is_not() {
        let mut rig = coach_and_car();
        rig.towing.weight = lb(26_000.0);
        rig.combined_rating = lb(30_500.0);
        assert_eq!(failing(&rig), []);
        rig.towing.weight = lb(26_001.0);
        rig.combined_rating = lb(30_501.0);
        assert_eq!(failing(&rig), [Limit::Vehicle("coach".into())]);
    }

    /// 49 CFR 571.3: the combined rating is the maker's value. Other papers add up vehicle ratings; here nothing does.
    #[test]
    fn a_missing_combined_rating_stays_unknown_whatever_the_other_ratings_are() {
        let rig = Combination { combined_rating: None, ..coach_and_car() };
        let found = check(&rig).unwrap();
        let combined = found.iter().find(|c| c.limit == Limit::Combined).unwrap();
        assert_eq!(combined.standing, WeightStanding::Unknown { weight: false, rating: true });
        assert_eq!(combined.rating, None);
        assert_eq!(overall(&found), Overall::Unknown);
    }

    #[test]
    fn a_vehicle_of_which_nothing_is_known_does_not_pass() {
        let rig =
            Combination { towing: Vehicle { name: "van".into(), ..Vehicle::default() }, ..Combination::default() };
        let found = check(&rig).unwrap();
        assert!(found.len() == 2 && found.iter().all(|c| matches!(c.standing, WeightStanding::Unknown { .. })));
        assert_eq!(overall(&found), Overall::Unknown);
        assert_eq!(overall(&[]), Overall::Unknown);
    }

    #[test]
    fn axles_that_weigh_more_than_the_whole_count() {
        let mut rig = coach_and_car();
        rig.towing.weight = lb(1_000.0);
        let whole = check(&rig).unwrap().remove(0);
        assert!((whole.weight.unwrap().get::<pound>() - 24_000.0).abs() < 1e-6);
    }

    /// A trailer on the hitch: its axles carry 4,400 lb, its tongue 600. The truck's scale has the 600 in it already.
    #[test]
    fn what_rests_on_the_hitch_belongs_to_the_trailer_and_is_counted_once_in_the_combination() {
        let mut rig = coach_and_car();
        let towed = rig.towed.as_mut().unwrap();
        towed.vehicle.weight = None;
        towed.vehicle.axles = vec![axle("only", 4_400.0, 4_500.0)];
        towed.tongue = Some(Tongue { weight: lb(600.0), rating: lb(600.0) });
        let weight = |rig: &Combination, limit: &Limit| {
            check(rig)
                .unwrap()
                .into_iter()
                .find(|c| c.limit == *limit)
                .unwrap()
                .weight
                .map(|w| w.get::<pound>().round())
        };
        assert_eq!(weight(&rig, &Limit::Tow), Some(5_000.0));
        assert_eq!(weight(&rig, &Limit::Vehicle("car".into())), Some(5_000.0));
        assert_eq!(weight(&rig, &Limit::Combined), Some(28_400.0));
        rig.combined_weight = lb(28_380.0);
        assert_eq!(weight(&rig, &Limit::Combined), Some(28_380.0));
        rig.towed.as_mut().unwrap().tongue = Some(Tongue { weight: None, rating: lb(600.0) });
        assert_eq!(weight(&rig, &Limit::Tow), None);
    }

    #[test]
    fn absurd_weights_are_refused() {
        let mut rig = coach_and_car();
        rig.towing.weight = lb(-24_000.0);
        rig.towing.axles.clear();
        assert!(check(&rig).is_err());
        rig.towing.weight = lb(2.4e6);
        assert!(check(&rig).is_err());
    }

    /// Every number of the rig by itself, for taking it away or making it larger.
    fn numbers(rig: &mut Combination) -> Vec<(&mut Option<Mass>, bool)> {
        let towed = rig.towed.as_mut().unwrap();
        let mut all =
            vec![(&mut rig.combined_rating, true), (&mut towed.tow_rating, true), (&mut towed.hitch_rating, true)];
        for vehicle in [&mut rig.towing, &mut towed.vehicle] {
            all.push((&mut vehicle.rating, true));
            for axle in &mut vehicle.axles {
                all.push((&mut axle.rating, true));
                all.push((&mut axle.weight, false));
            }
        }
        all
    }

    proptest! {
        #[test]
        fn no_combination_with_a_number_missing_passes(missing in prop::collection::btree_set(0_usize..13, 1..13)) {
            let mut rig = coach_and_car();
            for (index, (number, _)) in numbers(&mut rig).into_iter().enumerate() {
                if missing.contains(&index) {
                    *number = None;
                }
            }
            prop_assert_eq!(overall(&check(&rig).unwrap()), Overall::Unknown);
        }

        #[test]
        fn the_verdict_is_that_of_the_worst_limit_and_lower_ratings_never_help(
            shrink in prop::collection::vec(0.5_f64..1.2, 13),
        ) {
            let mut rig = coach_and_car();
            for ((number, is_rating), by) in numbers(&mut rig).into_iter().zip(&shrink) {
                if is_rating {
                    *number = number.map(|n| n * *by);
                }
            }
            let found = check(&rig).unwrap();
            let any_over = found.iter().any(|c| c.weight.unwrap() > c.rating.unwrap() * (1.0 + 1e-9));
            prop_assert_eq!(overall(&found), if any_over { Overall::Over } else { Overall::Within });
        }
    }

    /// By hand: 2,500 lb of label, 3 people of 170 lb, 40 gal of water at 8.34 lb: 2,500 - 510 - 333.6 = 1,656.4 lb.
    #[test]
    fn cargo_is_what_the_label_leaves_and_a_pound_too_much_does_not_fit() {
        let lb = Mass::new::<pound>;
        let WeightStanding::Within { left } = cargo(lb(2_500.0), &[lb(510.0), lb(333.6)]).unwrap() else { panic!() };
        assert!((left.get::<pound>() - 1_656.4).abs() < 1e-6);
        assert!(matches!(cargo(lb(500.0), &[lb(501.0)]).unwrap(), WeightStanding::Over { .. }));
        assert!(cargo(lb(0.0), &[]).is_err());
    }

    /// By hand: 3,000 and 2,200 lb are 5,200 of 5,400 lb; 3,000 lb on tires for 2,900 are 100 too much.
    #[test]
    fn an_axle_within_its_rating_can_have_a_side_that_is_over() {
        let lb = Mass::new::<pound>;
        let found = wheels(lb(3_000.0), lb(2_200.0), lb(5_400.0), lb(2_900.0)).unwrap();
        assert!(matches!(found.left, WeightStanding::Over { by } if (by.get::<pound>() - 100.0).abs() < 1e-6));
        assert!(
            matches!(found.right, WeightStanding::Within { .. }) && matches!(found.axle, WeightStanding::Within { .. })
        );
        assert_eq!(found.heavier, lb(3_000.0));
    }
}
