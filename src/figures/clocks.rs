//! How long the rinse water and the layer water may run at this rig, from this tap, and which bound decided.

use std::time::Duration;

use uom::si::f64::{Area, Length, Ratio, Volume, VolumeRate};
use uom::si::length::inch;
use uom::si::ratio::percent;
use uom::si::time::second;

use super::error::{FigureError, plain, within};
use super::units::volume::us_gallon;
use super::{Method, flow, tank};

/// How long the rinse water runs.
pub const RINSE: Method = Method {
    formula: "the smaller of the owner's time and (share x tank - what is in it) / flow",
    source: "steady flow; the share is common practice, no source",
    caution: "Stay at the tap: an overfilled tank comes up through the toilet. The rinse inlet's maker may set a shorter time.",
};

/// How long the water for the layer runs.
pub const LAYER: Method = Method {
    formula: "time = wanted depth x base area / flow; depth = flow x time / base area",
    source: "geometry, straight walls and a level floor; thirty seconds are common practice, no source",
    caution: "The valve is closed: what runs in stays in. Hand on the tap.",
};

/// What the rinse clock is reckoned from. What is not known is left out; the owner's time then decides alone.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct RinseInputs {
    /// The whole tank.
    pub tank: Option<Volume>,
    /// What is in it when the water is turned on: at most so much.
    pub held: Volume,
    /// As measured at this tap.
    pub flow: Option<VolumeRate>,
    /// How full the tank may get; above 0 to 100 %.
    pub share: Ratio,
    /// The owner's own time.
    pub owner: Option<Duration>,
}

/// Which bound set the rinse clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RinseBound {
    /// The owner's time comes first, and the tank stays under its share.
    Owner,
    /// The tank would pass its share within the owner's time.
    Share,
    /// The owner's time, unchecked: tank or flow are not known.
    OwnerUnchecked,
}

/// How long the rinse water runs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RinseClock {
    /// Whole seconds, rounded down.
    pub runs: Duration,
    pub decided_by: RinseBound,
    /// How full the tank is at the end; none when tank or flow are not known.
    pub share_at_end: Option<Ratio>,
    /// When the tank would be full to the brim; none when tank or flow are not known.
    pub full_after: Option<Duration>,
}

/// How long the rinse water runs: see [`RINSE`].
///
/// It holds for a closed valve, and for an open one too: a blocked outlet is a closed valve. Range: tank 0.5 to 1,000 gal (1.9 to
/// 3,785 L), flow 0.05 to 30 gpm (0.19 to 114 L/min), times 5 s to 1 h. Rounded down to a whole second.
///
/// # Errors
/// A value outside its range; neither the owner's time nor tank and flow; less than 5 s until the share, or more than 1 h and no
/// owner's time.
pub fn rinse_clock(inputs: &RinseInputs) -> Result<RinseClock, FigureError> {
    if let Some(owner) = inputs.owner {
        plausible_time("owner's rinse time", owner)?;
    }
    let (Some(tank), Some(flow)) = (inputs.tank, inputs.flow) else {
        let runs = inputs.owner.ok_or(FigureError::Unknown {
            what: "how long the rinse water runs",
            expected: "the owner's time, or the tank's volume and the flow of the tap",
        })?;
        let runs = Duration::from_secs(runs.as_secs());
        return Ok(RinseClock { runs, decided_by: RinseBound::OwnerUnchecked, share_at_end: None, full_after: None });
    };
    let to_share = tank::time_to_share(tank, inputs.held, inputs.share, flow)?.get::<second>();
    let full = (tank - inputs.held) / flow;
    if to_share < SHORTEST_S {
        return Err(FigureError::Impossible {
            what: "rinse clock",
            found: format!("{} s until the tank is {} % full", plain(to_share), plain(inputs.share.get::<percent>())),
            expected: "room for 5 s or more; empty the tank first, or turn the tap down and measure it again",
        });
    }
    let (runs, decided_by) = match inputs.owner {
        Some(owner) if owner.as_secs_f64() <= to_share => (owner.as_secs(), RinseBound::Owner),
        _ => (whole(to_share), RinseBound::Share),
    };
    within("rinse clock", runs as f64, SHORTEST_S..=LONGEST_S, "s")?;
    let runs = Duration::from_secs(runs);
    let at_end = inputs.held + flow * seconds(runs);
    Ok(RinseClock {
        runs,
        decided_by,
        share_at_end: Some(tank::share_of(at_end, tank)?),
        full_after: Some(Duration::from_secs(whole(full.get::<second>()))),
    })
}

/// What the layer clock is reckoned from. What is not known is left out.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct LayerInputs {
    /// The tank's floor.
    pub base: Option<Area>,
    /// As measured at this tap.
    pub flow: Option<VolumeRate>,
    /// How deep the layer shall be.
    pub wanted: Option<Length>,
    /// The owner's own time; a wanted depth that can be reckoned comes before it.
    pub owner: Option<Duration>,
    /// The whole tank, of which the layer may fill `share` at most.
    pub tank: Option<Volume>,
    /// How full the tank may get; above 0 to 100 %.
    pub share: Ratio,
}

/// Which bound set the layer clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LayerBound {
    /// The wanted depth.
    Depth,
    /// The owner's time: no depth is wanted, or base or flow are not known.
    Owner,
    /// Thirty seconds, the common practice: the owner settled nothing that can be reckoned.
    Practice,
    /// The tank would pass its share.
    Share,
}

/// How long the water for the layer runs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LayerClock {
    /// Whole seconds; to the nearest one, down where the share decides.
    pub runs: Duration,
    pub decided_by: LayerBound,
    /// How much water that is; none when the flow is not known.
    pub water: Option<Volume>,
    /// How deep that is here; none when base or flow are not known.
    pub depth: Option<Length>,
    /// How deep the common thirty seconds would be here.
    pub practice_depth: Option<Length>,
}

/// How long the water for the layer runs into the emptied tank: see [`LAYER`].
///
/// Range: wanted depth 0.1 to 12 in (2.5 mm to 30 cm), base 0.1 to 200 sq ft, the rest as for [`rinse_clock`].
///
/// # Errors
/// A value outside its range; a time of less than 1 s or more than 1 h, which the tap or the depth do not fit.
pub fn layer_clock(inputs: &LayerInputs) -> Result<LayerClock, FigureError> {
    if let Some(owner) = inputs.owner {
        plausible_time("owner's layer time", owner)?;
    }
    if let Some(wanted) = inputs.wanted {
        within("wanted depth", wanted.get::<inch>(), 0.1..=12.0, "in")?;
    }
    let flow = inputs.flow.map(flow::plausible).transpose()?;
    let depth_of = |water: Volume| inputs.base.map(|base| tank::depth(water, base)).transpose();
    let wanted = match (inputs.wanted, inputs.base, flow) {
        (Some(wanted), Some(base), Some(flow)) => Some((tank::water_to_depth(wanted, base)? / flow).get::<second>()),
        _ => None,
    };
    let (mut runs, mut decided_by) = match (wanted, inputs.owner) {
        (Some(seconds), _) => (seconds.round(), LayerBound::Depth),
        (None, Some(owner)) => (owner.as_secs_f64().floor(), LayerBound::Owner),
        (None, None) => (PRACTICE_S, LayerBound::Practice),
    };
    if let (Some(tank), Some(flow)) = (inputs.tank, flow) {
        let most = tank::time_to_share(tank, Volume::default(), inputs.share, flow)?.get::<second>();
        if runs > most {
            (runs, decided_by) = (most.floor(), LayerBound::Share);
        }
    }
    within("layer clock", runs, 1.0..=LONGEST_S, "s")?;
    let runs = Duration::from_secs(whole(runs));
    let water = flow.map(|flow| flow * seconds(runs));
    Ok(LayerClock {
        runs,
        decided_by,
        water,
        depth: water.map(depth_of).transpose()?.flatten(),
        practice_depth: flow.map(|f| depth_of(f * seconds(Duration::from_secs(30)))).transpose()?.flatten(),
    })
}

/// What is known of a tank, from what the owner gave: the base, or what follows from volume and height with straight walls.
///
/// # Errors
/// A tank that holds more than 1,000 gal (3,785 L) or a height outside 1 to 240 in.
pub fn base_from_height(tank: Volume, height: Length) -> Result<Area, FigureError> {
    within("height", height.get::<inch>(), 1.0..=240.0, "in")?;
    within("tank", tank.get::<us_gallon>(), 0.5..=1_000.0, "gal")?;
    Ok(tank / height)
}

fn plausible_time(what: &'static str, time: Duration) -> Result<(), FigureError> {
    within(what, time.as_secs_f64(), SHORTEST_S..=LONGEST_S, "s")
}

fn seconds(time: Duration) -> uom::si::f64::Time {
    uom::si::f64::Time::new::<second>(time.as_secs_f64())
}

/// Whole seconds, down. The nudge keeps 480 from becoming 479 when units are converted.
fn whole(seconds: f64) -> u64 {
    (seconds * (1.0 + super::ROUNDING)).floor().max(0.0) as u64
}

const SHORTEST_S: f64 = 5.0;
const LONGEST_S: f64 = 3_600.0;
const PRACTICE_S: f64 = 30.0;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::figures::units::flow::us_gallon_per_minute;
    use proptest::prelude::*;

    fn gal(n: f64) -> Volume {
        Volume::new::<us_gallon>(n)
    }

    fn gpm(n: f64) -> VolumeRate {
        VolumeRate::new::<us_gallon_per_minute>(n)
    }

    fn share(n: f64) -> Ratio {
        Ratio::new::<percent>(n)
    }

    fn rinse(flow: f64, owner: Option<u64>) -> RinseInputs {
        RinseInputs {
            tank: Some(gal(40.0)),
            held: Volume::default(),
            flow: Some(gpm(flow)),
            share: share(75.0),
            owner: owner.map(Duration::from_secs),
        }
    }

    /// Arithmetic: 30 gal (75 % of 40) at 5 gpm are 360 s; the whole tank is full after 480 s.
    #[test]
    fn the_owner_s_five_minutes_stand_where_the_tank_has_room() {
        let clock = rinse_clock(&rinse(5.0, Some(300))).unwrap();
        assert_eq!((clock.runs.as_secs(), clock.decided_by), (300, RinseBound::Owner));
        assert_eq!(clock.full_after, Some(Duration::from_secs(480)));
        assert!((clock.share_at_end.unwrap().value - 25.0 / 40.0).abs() < 1e-9);
    }

    /// Arithmetic: 30 gal at 8 gpm are 225 s.
    #[test]
    fn a_strong_tap_shortens_the_rinse_below_the_owner_s_time() {
        let clock = rinse_clock(&rinse(8.0, Some(300))).unwrap();
        assert_eq!((clock.runs.as_secs(), clock.decided_by), (225, RinseBound::Share));
        assert!((clock.share_at_end.unwrap().value - 0.75).abs() < 1e-9);
    }

    #[test]
    fn what_is_still_in_the_tank_shortens_the_rinse() {
        let clock = rinse_clock(&RinseInputs { held: gal(10.0), ..rinse(8.0, Some(300)) }).unwrap();
        assert_eq!(clock.runs.as_secs(), 150);
    }

    #[test]
    fn without_tank_or_flow_the_owner_s_time_stands_and_is_called_unchecked() {
        for inputs in
            [RinseInputs { tank: None, ..rinse(8.0, Some(300)) }, RinseInputs { flow: None, ..rinse(8.0, Some(300)) }]
        {
            let clock = rinse_clock(&inputs).unwrap();
            assert_eq!((clock.runs.as_secs(), clock.decided_by), (300, RinseBound::OwnerUnchecked));
            assert_eq!((clock.share_at_end, clock.full_after), (None, None));
        }
        assert!(rinse_clock(&RinseInputs { tank: None, ..rinse(8.0, None) }).is_err());
    }

    #[test]
    fn a_tank_without_room_gets_no_clock() {
        assert!(rinse_clock(&RinseInputs { held: gal(30.0), ..rinse(8.0, Some(300)) }).is_err());
        let error = rinse_clock(&RinseInputs { held: gal(29.9), ..rinse(8.0, Some(300)) }).unwrap_err().to_string();
        assert!(error.contains("0.75 s until the tank is 75 % full"), "{error}");
        assert!(rinse_clock(&rinse(0.1, None)).unwrap_err().to_string().contains("expected 5 to 3600 s"));
    }

    fn layer() -> LayerInputs {
        let base = tank::base_area(Length::new::<inch>(30.0), Length::new::<inch>(48.0)).unwrap();
        LayerInputs {
            base: Some(base),
            flow: Some(gpm(5.0)),
            wanted: None,
            owner: None,
            tank: Some(gal(40.0)),
            share: share(75.0),
        }
    }

    /// Geometry: 5 gal over 30 x 48 in are 0.802 in, and 5 gal at 5 gpm are 60 s; thirty seconds are half of it.
    #[test]
    fn a_wanted_depth_gives_the_time_and_thirty_seconds_give_a_depth() {
        let wanted = Length::new::<inch>(0.802_083_333);
        let clock = layer_clock(&LayerInputs { wanted: Some(wanted), ..layer() }).unwrap();
        assert_eq!((clock.runs.as_secs(), clock.decided_by), (60, LayerBound::Depth));
        assert!((clock.practice_depth.unwrap().get::<inch>() - 0.401).abs() < 0.0005);
        let usual = layer_clock(&layer()).unwrap();
        assert_eq!((usual.runs.as_secs(), usual.decided_by), (30, LayerBound::Practice));
        assert!((usual.depth.unwrap().get::<inch>() - 0.401).abs() < 0.0005);
        assert!((usual.water.unwrap().get::<us_gallon>() - 2.5).abs() < 1e-9);
    }

    #[test]
    fn without_base_or_flow_a_wanted_depth_is_not_reckoned() {
        let owner = Some(Duration::from_secs(40));
        let wanted = Some(Length::new::<inch>(1.0));
        for inputs in [LayerInputs { base: None, ..layer() }, LayerInputs { flow: None, ..layer() }] {
            let clock = layer_clock(&LayerInputs { wanted, owner, ..inputs }).unwrap();
            assert_eq!((clock.runs.as_secs(), clock.decided_by, clock.depth), (40, LayerBound::Owner, None));
        }
    }

    #[test]
    fn a_layer_never_passes_the_share_of_a_small_tank() {
        let small = LayerInputs { tank: Some(gal(2.0)), flow: Some(gpm(6.0)), ..layer() };
        let clock = layer_clock(&small).unwrap();
        assert_eq!((clock.runs.as_secs(), clock.decided_by), (15, LayerBound::Share));
    }

    #[test]
    fn a_depth_that_takes_hours_or_no_time_is_refused() {
        let wanted = Some(Length::new::<inch>(12.0));
        assert!(layer_clock(&LayerInputs { wanted, flow: Some(gpm(0.05)), tank: None, ..layer() }).is_err());
        let thin = Some(Length::new::<inch>(0.1));
        let base = Some(tank::base_area(Length::new::<inch>(4.0), Length::new::<inch>(4.0)).unwrap());
        assert!(layer_clock(&LayerInputs { wanted: thin, base, flow: Some(gpm(30.0)), ..layer() }).is_err());
    }

    proptest! {
        #[test]
        fn a_rinse_never_takes_the_tank_over_its_share_or_the_owner_s_time(
            tank in 5.0_f64..100.0, held in 0.0_f64..50.0, flow in 0.1_f64..20.0, most in 10.0_f64..100.0,
            owner in prop::option::of(5_u64..1_200),
        ) {
            let inputs = RinseInputs {
                tank: Some(gal(tank)), held: gal(held), flow: Some(gpm(flow)), share: share(most),
                owner: owner.map(Duration::from_secs),
            };
            if let Ok(clock) = rinse_clock(&inputs) {
                prop_assert!(clock.share_at_end.unwrap().value <= most / 100.0 + 1e-6);
                prop_assert!(owner.is_none_or(|s| clock.runs.as_secs() <= s));
                prop_assert!(clock.full_after.unwrap() >= clock.runs);
            }
        }

        #[test]
        fn more_flow_never_means_a_longer_clock(flow in 0.5_f64..10.0, more in 1.0_f64..3.0, depth in 0.2_f64..3.0) {
            let wanted = Some(Length::new::<inch>(depth));
            let rinses = [flow, flow * more].map(|f| rinse_clock(&rinse(f, None)).unwrap().runs);
            let layers = [flow, flow * more]
                .map(|f| layer_clock(&LayerInputs { wanted, flow: Some(gpm(f)), tank: None, ..layer() }).unwrap().runs);
            prop_assert!(rinses[1] <= rinses[0] && layers[1] <= layers[0]);
        }
    }
}
