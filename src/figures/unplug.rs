//! "What happens if I unplug now?": from the things that are still on.

use uom::si::electric_current::ampere;
use uom::si::electric_potential::volt;
use uom::si::f64::{ElectricCurrent, ElectricPotential, Power, Ratio, Time};
use uom::si::power::watt;

use super::Method;
use super::battery::{Battery, hours_left, inverter_draw, plausible_battery};
use super::error::{FigureError, within};

/// Taking the shore cord off. The order in its caution: site label of National Electrical Code 551.77 (from memory).
pub const UNPLUG: Method = Method {
    formula: "through the inverter: watts / (volts x efficiency); direct: watts / volts; hours by Peukert's law",
    source: "Ohm's law; Peukert's law with the rated hours",
    caution: "Loads off, then the pedestal's breaker off, then the plug: never pull it under load.",
};

/// Where a thing gets its power.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Feed {
    /// From the battery, directly. On shore power a converter or charger carries it.
    Battery,
    /// From the inverter when the shore is gone, from the shore until then.
    Inverter,
    /// From the shore alone: it stops when unplugged.
    Shore,
}

/// A thing that is still on.
#[derive(Clone, Debug, PartialEq)]
pub struct Thing {
    pub name: String,
    /// As on its label.
    pub power: Power,
    pub feed: Feed,
}

/// The inverter, if there is one and it is on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Inverter {
    /// What it can give for long; none when nobody knows.
    pub rating: Option<Power>,
    pub efficiency: Ratio,
    /// What it draws from the battery while it is on, beside its loads.
    pub idle: Power,
}

/// The rig as it stands.
#[derive(Clone, Debug, PartialEq)]
pub struct StillOn {
    pub things: Vec<Thing>,
    /// None: there is none, or it is off; then what it would feed stops.
    pub inverter: Option<Inverter>,
    /// The house battery's voltage.
    pub voltage: ElectricPotential,
    /// None when nobody knows the battery; the hours are then unknown.
    pub battery: Option<Battery>,
}

/// Whether the inverter carries what would fall to it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum InverterState {
    /// Nothing falls to it.
    NotNeeded,
    /// It carries it.
    Carries,
    /// More than it can give: it shuts down, and all of it stops.
    Overloaded,
    /// Nobody knows what it can give.
    Unknown,
}

/// What happens when the cord comes off now.
#[derive(Clone, Debug, PartialEq)]
pub struct Unplugged {
    /// What stops, by name, in the order given.
    pub stops: Vec<String>,
    /// What goes on from the battery, by name, with what it draws from it.
    pub goes_on: Vec<(String, ElectricCurrent)>,
    pub inverter: InverterState,
    /// All that is drawn from the battery, the inverter's own need included.
    pub draw: ElectricCurrent,
    /// How long the battery lasts; none when it is not known, or nothing is drawn.
    pub lasts: Option<Time>,
    /// What the plug carries now from these things, and would be torn apart under load.
    pub through_plug: Power,
}

/// What happens when the shore cord comes off now. See [`UNPLUG`].
///
/// Things on the battery go through the plug too while the converter runs: they count at their own power, without its loss.
/// Range: power of each thing 0 to 12,000 W, battery 10 to 60 V, the rest as for [`inverter_draw`] and [`hours_left`].
///
/// # Errors
/// A value outside its range.
pub fn unplug(rig: &StillOn) -> Result<Unplugged, FigureError> {
    plausible_battery(rig.voltage)?;
    let mut through_plug = Power::default();
    let mut on_inverter = Power::default();
    for thing in &rig.things {
        within("power of a thing that is on", thing.power.get::<watt>(), 0.0..=12_000.0, "W")?;
        through_plug += thing.power;
        if thing.feed == Feed::Inverter {
            on_inverter += thing.power;
        }
    }
    let inverter = inverter_state(rig.inverter, on_inverter)?;
    let mut found = Unplugged {
        stops: Vec::new(),
        goes_on: Vec::new(),
        inverter,
        draw: ElectricCurrent::default(),
        lasts: None,
        through_plug,
    };
    for thing in &rig.things {
        let current = match (thing.feed, rig.inverter) {
            (Feed::Battery, _) => Some(thing.power / rig.voltage),
            (Feed::Inverter, Some(device)) if inverter != InverterState::Overloaded => {
                Some(inverter_draw(thing.power, rig.voltage, device.efficiency)?)
            }
            _ => None,
        };
        match current {
            Some(current) => {
                found.draw += current;
                found.goes_on.push((thing.name.clone(), current));
            }
            None => found.stops.push(thing.name.clone()),
        }
    }
    if let Some(device) = rig.inverter {
        within("idle draw of the inverter", device.idle.get::<watt>(), 0.0..=200.0, "W")?;
        found.draw += device.idle / rig.voltage;
    }
    if let Some(battery) = rig.battery
        && found.draw.get::<ampere>() >= LEAST_DRAW_A
    {
        found.lasts = Some(hours_left(&battery, found.draw)?);
    }
    Ok(found)
}

fn inverter_state(inverter: Option<Inverter>, load: Power) -> Result<InverterState, FigureError> {
    Ok(match inverter {
        Some(_) if load.value <= 0.0 => InverterState::NotNeeded,
        None => InverterState::NotNeeded,
        Some(Inverter { rating: None, .. }) => InverterState::Unknown,
        Some(Inverter { rating: Some(rating), .. }) => {
            within("rating of the inverter", rating.get::<watt>(), 50.0..=20_000.0, "W")?;
            if super::at_most(load.value, rating.value) { InverterState::Carries } else { InverterState::Overloaded }
        }
    })
}

/// A draw below this is lost in the battery's own discharge.
const LEAST_DRAW_A: f64 = 0.01;

/// A 12 V house battery at rest and nearly full: 12.6 V (common practice, no source).
pub fn usual_voltage() -> ElectricPotential {
    ElectricPotential::new::<volt>(12.6)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use uom::si::electric_charge::ampere_hour;
    use uom::si::f64::ElectricCharge;
    use uom::si::ratio::percent;
    use uom::si::time::hour;

    fn thing(name: &str, watts: f64, feed: Feed) -> Thing {
        Thing { name: name.to_owned(), power: Power::new::<watt>(watts), feed }
    }

    fn rig(things: Vec<Thing>) -> StillOn {
        StillOn {
            things,
            inverter: Some(Inverter {
                rating: Some(Power::new::<watt>(2_000.0)),
                efficiency: Ratio::new::<percent>(100.0),
                idle: Power::default(),
            }),
            voltage: ElectricPotential::new::<volt>(12.0),
            battery: Some(Battery {
                capacity: ElectricCharge::new::<ampere_hour>(100.0),
                rated: Time::new::<hour>(20.0),
                exponent: 1.25,
                usable: Ratio::new::<percent>(100.0),
            }),
        }
    }

    fn stop(found: &Unplugged) -> Vec<&str> {
        found.stops.iter().map(String::as_str).collect()
    }

    /// Ohm's law: 1,440 W at 12 V are 120 A; Peukert with rated hours, 100 Ah over 20 h, 1.25: 0.3765 h.
    #[test]
    fn a_heater_on_the_inverter_empties_the_battery_in_23_minutes() {
        let found =
            unplug(&rig(vec![thing("heater", 1_440.0, Feed::Inverter), thing("roof cooling", 1_500.0, Feed::Shore)]))
                .unwrap();
        assert_eq!(stop(&found), ["roof cooling"]);
        assert_eq!(found.inverter, InverterState::Carries);
        assert!((found.draw.get::<ampere>() - 120.0).abs() < 1e-9);
        assert!((found.lasts.unwrap().get::<hour>() - 0.3765).abs() < 0.00005);
        assert!((found.through_plug.get::<watt>() - 2_940.0).abs() < 1e-9);
    }

    #[test]
    fn an_overloaded_inverter_stops_all_that_hangs_on_it() {
        let found = unplug(&rig(vec![
            thing("heater", 1_500.0, Feed::Inverter),
            thing("kettle", 1_000.0, Feed::Inverter),
            thing("lamps", 24.0, Feed::Battery),
        ]))
        .unwrap();
        assert_eq!(found.inverter, InverterState::Overloaded);
        assert_eq!(stop(&found), ["heater", "kettle"]);
        assert!((found.draw.get::<ampere>() - 2.0).abs() < 1e-9);
    }

    #[test]
    fn without_an_inverter_what_it_would_feed_stops() {
        let off = StillOn { inverter: None, ..rig(vec![thing("television", 100.0, Feed::Inverter)]) };
        let found = unplug(&off).unwrap();
        assert_eq!((stop(&found), found.inverter), (vec!["television"], InverterState::NotNeeded));
        assert_eq!(found.lasts, None);
    }

    #[test]
    fn what_is_not_known_is_unknown_and_not_carried_for_hours() {
        let mut unknown = rig(vec![thing("kettle", 1_000.0, Feed::Inverter)]);
        unknown.battery = None;
        unknown.inverter = unknown.inverter.map(|i| Inverter { rating: None, ..i });
        let found = unplug(&unknown).unwrap();
        assert_eq!((found.inverter, found.lasts), (InverterState::Unknown, None));
    }

    #[test]
    fn absurd_things_are_refused() {
        assert!(unplug(&rig(vec![thing("sun", 1e9, Feed::Battery)])).is_err());
        assert!(unplug(&StillOn { voltage: ElectricPotential::new::<volt>(120.0), ..rig(vec![]) }).is_err());
    }

    proptest! {
        #[test]
        fn everything_either_stops_or_goes_on_and_the_draws_add_up(
            watts in prop::collection::vec((0.0_f64..1_500.0, 0..3_u8), 0..8),
        ) {
            let feeds = [Feed::Battery, Feed::Inverter, Feed::Shore];
            let things: Vec<_> = watts.iter().map(|(w, f)| thing("x", *w, feeds[usize::from(*f)])).collect();
            let found = unplug(&rig(things.clone())).unwrap();
            prop_assert_eq!(found.stops.len() + found.goes_on.len(), things.len());
            let sum: f64 = found.goes_on.iter().map(|(_, draw)| draw.get::<ampere>()).sum();
            prop_assert!((sum - found.draw.get::<ampere>()).abs() < 1e-6);
        }
    }
}
