//! Questions about shore power, inverter, battery and cord.

use clap::Args;
use serde::Deserialize;
use uom::si::electric_potential::volt;
use uom::si::f64::{ElectricCharge, ElectricCurrent, ElectricPotential, Length, Power, Ratio, Time};
use uom::si::power::watt;
use uom::si::ratio::percent;
use uom::si::time::hour;

use super::answer::{FigureAnswer, FigureVerdict, Shown, about, assume, number};
use super::entries::{DischargeEntry, InverterEntry, LoadEntry, ThingEntry};
use crate::figures::parse::Entered;
use crate::figures::service::{LegState, Service, loading};
use crate::figures::unplug::{Inverter, InverterState, StillOn, unplug, usual_voltage};
use crate::figures::{FigureError, battery, cord, service};

/// Whether the things that are on fit the shore service.
#[derive(Debug, Args, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct ServiceLoad {
    /// On the pedestal's breaker: 15 A, 20 A, 30 A or 50 A.
    #[arg(long, allow_hyphen_values = true)]
    service: Entered<ElectricCurrent>,
    /// A thing that is on, as often as needed: "heater=1,500 W", on a 50 A service with "@first", "@second" or "@both".
    #[arg(long = "on", value_name = "NAME=POWER")]
    #[serde(default, rename = "on")]
    things: Vec<LoadEntry>,
    /// At the pedestal; 120 V, if left out.
    #[arg(long, allow_hyphen_values = true)]
    voltage: Option<Entered<ElectricPotential>>,
}

impl ServiceLoad {
    pub(super) fn answer(&self) -> Result<FigureAnswer, FigureError> {
        let of = Service::of_breaker(self.service.0)?;
        let loads: Vec<_> = self.things.iter().map(|t| t.0.clone()).collect();
        let supply = self.voltage.map_or_else(|| ElectricPotential::new::<volt>(120.0), |v| v.0);
        let found = loading(of, &loads, supply)?;
        let (verdict, name, says) = match found.state {
            LegState::Fits => (FigureVerdict::Fits, "fits", "It fits, also for hours."),
            LegState::NotForLong => (FigureVerdict::DoesNotFit, "not-for-long", "Above 80 %: not for hours."),
            LegState::Unknown => (
                FigureVerdict::Unknown,
                "unknown",
                "It fits only if the things of unknown leg lie well: find out their legs.",
            ),
            LegState::Over => {
                (FigureVerdict::DoesNotFit, "over", "Too much: the breaker will trip. Switch something off.")
            }
        };
        let legs: Vec<String> = found.known.iter().map(Shown::shown).collect();
        let mut drawn = format!("{} drawn of {} A", legs.join(" and "), number(of.amperes()));
        if of.legs() > 1 {
            drawn += " for each leg";
        }
        if found.unknown.value > 0.0 {
            drawn += &format!(", and {} on a leg that is not known", found.unknown.shown());
        }
        let mut answer = FigureAnswer::new(service::LOADS, verdict, format!("{drawn}. {says}"))
            .value("state", name)
            .quantity("capacity", of.capacity())
            .quantity("continuous", of.continuous())
            .quantity("unknown_leg", found.unknown)
            .assuming(assume(self.voltage.is_none(), "120 V at the pedestal"));
        for (leg, current) in ["first", "second"].iter().zip(&found.known) {
            answer = answer.quantity(leg, *current);
        }
        Ok(answer)
    }
}

/// Current from the battery through an inverter.
#[derive(Debug, Args, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct InverterDraw {
    /// What the inverter gives out.
    #[arg(long, allow_hyphen_values = true)]
    load: Entered<Power>,
    /// Of the battery.
    #[arg(long, allow_hyphen_values = true)]
    voltage: Entered<ElectricPotential>,
    /// 90 %, if left out.
    #[arg(long, allow_hyphen_values = true)]
    efficiency: Option<Entered<Ratio>>,
}

impl InverterDraw {
    pub(super) fn answer(&self) -> Result<FigureAnswer, FigureError> {
        let (efficiency, assumed) = efficiency(self.efficiency);
        let draw = battery::inverter_draw(self.load.0, self.voltage.0, efficiency)?;
        let says = format!("{} take {} from the battery.", self.load.0.shown(), draw.shown());
        Ok(FigureAnswer::new(battery::DRAW, FigureVerdict::Figure, says).quantity("draw", draw).assuming(assumed))
    }
}

/// A battery's label.
#[derive(Clone, Copy, Debug)]
struct Label {
    capacity: Option<Entered<ElectricCharge>>,
    rated: Option<Entered<Time>>,
    exponent: Option<f64>,
    usable: Option<Entered<Ratio>>,
}

impl Label {
    /// The battery, with what is usual for a lead battery where nothing is said; none without a capacity.
    fn battery(self) -> (Option<battery::Battery>, Vec<String>) {
        let Some(capacity) = self.capacity else { return (None, Vec::new()) };
        let mut assumed = assume(self.rated.is_none(), "capacity rated over 20 h");
        assumed.extend(assume(self.exponent.is_none(), "Peukert exponent 1.25, a lead battery"));
        assumed.extend(assume(self.usable.is_none(), "half of it may be used, a lead battery"));
        let found = battery::Battery {
            capacity: capacity.0,
            rated: self.rated.map_or_else(|| Time::new::<hour>(20.0), |r| r.0),
            exponent: self.exponent.unwrap_or(1.25),
            usable: self.usable.map_or_else(|| Ratio::new::<percent>(50.0), |u| u.0),
        };
        (Some(found), assumed)
    }
}

/// How long a battery lasts.
#[derive(Debug, Args, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct BatteryHours {
    /// All that is drawn from it.
    #[arg(long, allow_hyphen_values = true)]
    current: Entered<ElectricCurrent>,
    /// Of the whole battery, as its label has it.
    #[arg(long, allow_hyphen_values = true)]
    capacity: Entered<ElectricCharge>,
    /// Hours over which the capacity is rated; 20 h, if left out.
    #[arg(long, allow_hyphen_values = true)]
    rated: Option<Entered<Time>>,
    /// Peukert exponent; 1.25, if left out.
    #[arg(long)]
    exponent: Option<f64>,
    /// Share that may be used, from full; 50 %, if left out.
    #[arg(long, allow_hyphen_values = true)]
    usable: Option<Entered<Ratio>>,
}

impl BatteryHours {
    pub(super) fn answer(&self) -> Result<FigureAnswer, FigureError> {
        let label =
            Label { capacity: Some(self.capacity), rated: self.rated, exponent: self.exponent, usable: self.usable };
        let (Some(found), assumed) = label.battery() else {
            return Err(FigureError::Unknown { what: "capacity of the battery", expected: "what its label says" });
        };
        let left = battery::hours_left(&found, self.current.0)?;
        let says = format!("From full it lasts {} at {}.", about(left), self.current.0.shown());
        Ok(FigureAnswer::new(battery::HOURS, FigureVerdict::Figure, says)
            .quantity("lasts", left)
            .value("lasts_h", left.get::<hour>())
            .assuming(assumed))
    }
}

/// Peukert exponent from two discharges.
#[derive(Debug, Args, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct BatteryExponent {
    /// "5 A for 20 h".
    #[arg(long)]
    first: DischargeEntry,
    /// "20 A for 3 h".
    #[arg(long)]
    second: DischargeEntry,
}

impl BatteryExponent {
    pub(super) fn answer(&self) -> Result<FigureAnswer, FigureError> {
        let found = battery::exponent((self.first.0, self.first.1), (self.second.0, self.second.1))?;
        let says = format!("The exponent is {found:.3}.");
        Ok(FigureAnswer::new(battery::EXPONENT, FigureVerdict::Figure, says).value("exponent", found))
    }
}

/// What happens when the shore cord comes off now.
#[derive(Debug, Args, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Unplug {
    /// A thing that is still on, as often as needed: "lamps=24 W@battery", "@inverter" or "@shore".
    #[arg(long = "on", value_name = "NAME=POWER@FEED")]
    #[serde(default, rename = "on")]
    things: Vec<ThingEntry>,
    /// The inverter, if it is on: what it can give, or "?".
    #[arg(long)]
    inverter: Option<InverterEntry>,
    /// 90 %, if left out.
    #[arg(long, allow_hyphen_values = true)]
    efficiency: Option<Entered<Ratio>>,
    /// What the inverter draws beside its loads; 15 W, if left out.
    #[arg(long, allow_hyphen_values = true)]
    idle: Option<Entered<Power>>,
    /// Of the battery; 12.6 V, if left out.
    #[arg(long, allow_hyphen_values = true)]
    voltage: Option<Entered<ElectricPotential>>,
    /// On the battery's label.
    #[arg(long, allow_hyphen_values = true)]
    capacity: Option<Entered<ElectricCharge>>,
    /// Hours over which the capacity is rated; 20 h, if left out.
    #[arg(long, allow_hyphen_values = true)]
    rated: Option<Entered<Time>>,
    /// Peukert exponent; 1.25, if left out.
    #[arg(long)]
    exponent: Option<f64>,
    /// Share that may be used, from full; 50 %, if left out.
    #[arg(long, allow_hyphen_values = true)]
    usable: Option<Entered<Ratio>>,
}

impl Unplug {
    pub(super) fn answer(&self) -> Result<FigureAnswer, FigureError> {
        let label = Label { capacity: self.capacity, rated: self.rated, exponent: self.exponent, usable: self.usable };
        let (battery, mut assumed) = label.battery();
        assumed.extend(assume(self.voltage.is_none(), "12.6 V at the battery"));
        let inverter = self.inverter.map(|entry| {
            let (efficiency, more) = efficiency(self.efficiency);
            assumed.extend(more);
            assumed.extend(assume(self.idle.is_none(), "the inverter draws 15 W beside its loads"));
            let idle = self.idle.map_or_else(|| Power::new::<watt>(15.0), |i| i.0);
            Inverter { rating: entry.0, efficiency, idle }
        });
        let found = unplug(&StillOn {
            things: self.things.iter().map(|t| t.0.clone()).collect(),
            inverter,
            voltage: self.voltage.map_or_else(usual_voltage, |v| v.0),
            battery,
        })?;
        let (state, verdict) = match found.inverter {
            InverterState::NotNeeded => ("not-needed", FigureVerdict::Figure),
            InverterState::Carries => ("carries", FigureVerdict::Figure),
            InverterState::Overloaded => ("overloaded", FigureVerdict::DoesNotFit),
            InverterState::Unknown => ("unknown", FigureVerdict::Unknown),
        };
        let mut says = Vec::new();
        if !found.stops.is_empty() {
            says.push(format!("These stop: {}.", found.stops.join(", ")));
        }
        if !found.goes_on.is_empty() {
            let each = |(name, draw): &(String, ElectricCurrent)| format!("{name} {}", draw.shown());
            says.push(format!("From the battery: {}.", found.goes_on.iter().map(each).collect::<Vec<_>>().join(", ")));
        }
        match found.inverter {
            InverterState::Overloaded => says.push("The inverter is overloaded and shuts down.".to_owned()),
            InverterState::Unknown => says.push("Whether the inverter carries it is not known.".to_owned()),
            InverterState::NotNeeded | InverterState::Carries => {}
        }
        says.push(match found.lasts {
            Some(lasts) => format!("In all {}; from full that lasts {}.", found.draw.shown(), about(lasts)),
            None if found.draw.value > 0.0 => {
                format!("In all {}; how long that lasts is not known.", found.draw.shown())
            }
            None => "Nothing is drawn from the battery.".to_owned(),
        });
        if found.through_plug.value > 0.0 {
            says.push(format!("Switch off first: {} go through the plug now.", found.through_plug.shown()));
        }
        let verdict = match (verdict, found.lasts) {
            (FigureVerdict::Figure, None) if found.draw.value > 0.0 => FigureVerdict::Unknown,
            (verdict, _) => verdict,
        };
        let mut answer = FigureAnswer::new(crate::figures::unplug::UNPLUG, verdict, says.join(" "))
            .value("stops", found.stops)
            .value("goes_on", found.goes_on.into_iter().map(|(name, _)| name).collect::<Vec<_>>())
            .value("inverter", state)
            .quantity("draw", found.draw)
            .quantity("through_plug", found.through_plug)
            .assuming(assumed);
        if let Some(lasts) = found.lasts {
            answer = answer.quantity("lasts", lasts);
        }
        Ok(answer)
    }
}

/// Voltage lost in an extension cord.
#[derive(Debug, Args, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct CordDrop {
    /// American wire gauge printed on the cord: 10 for "10 AWG" or "10/3".
    #[arg(long)]
    gauge: u32,
    /// One way.
    #[arg(long, allow_hyphen_values = true)]
    length: Entered<Length>,
    /// Through the cord.
    #[arg(long, allow_hyphen_values = true)]
    current: Entered<ElectricCurrent>,
    /// 120 V, if left out.
    #[arg(long, allow_hyphen_values = true)]
    voltage: Option<Entered<ElectricPotential>>,
}

impl CordDrop {
    pub(super) fn answer(&self) -> Result<FigureAnswer, FigureError> {
        let supply = self.voltage.map_or_else(|| ElectricPotential::new::<volt>(120.0), |v| v.0);
        let found = cord::voltage_drop(self.gauge, self.length.0, self.current.0, supply)?;
        let (verdict, name, says) = match found.advice {
            cord::CordAdvice::Fine => (FigureVerdict::Fits, "fine", "within the 3 % that is advised"),
            cord::CordAdvice::Noticeable => {
                (FigureVerdict::Fits, "noticeable", "above the 3 % that is advised, within 5 %")
            }
            cord::CordAdvice::TooMuch => {
                (FigureVerdict::DoesNotFit, "too-much", "above 5 %: take a thicker or a shorter cord")
            }
        };
        let says = format!("The cord takes {} of it, {}: {says}.", found.lost.shown(), found.share.shown());
        Ok(FigureAnswer::new(cord::DROP, verdict, says)
            .quantity("lost", found.lost)
            .quantity("lost", found.share)
            .value("advice", name)
            .assuming(assume(self.voltage.is_none(), "120 V")))
    }
}

fn efficiency(given: Option<Entered<Ratio>>) -> (Ratio, Vec<String>) {
    let assumed = assume(given.is_none(), "90 % efficiency of the inverter");
    (given.map_or_else(|| Ratio::new::<percent>(90.0), |e| e.0), assumed)
}
