//! The question about a night without a hookup.

use clap::Args;
use serde::Deserialize;
use uom::si::electric_potential::volt;
use uom::si::f64::{ElectricCharge, ElectricPotential, Mass, Power, Ratio, Time};

use super::answer::{FigureAnswer, FigureVerdict, Shown, assume};
use crate::figures::FigureError;
use crate::figures::night::{Furnace, NIGHT, Night, night, usual_night};
use crate::figures::parse::Entered;

/// What a cold night without a hookup takes from battery and gas.
#[derive(Debug, Args, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct NightArgs {
    /// Everything that runs from the battery all night besides the furnace's fan.
    #[arg(long, allow_hyphen_values = true)]
    rest: Entered<Power>,
    /// What the furnace's fan takes; with --burner.
    #[arg(long, allow_hyphen_values = true, requires = "burner")]
    fan: Option<Entered<Power>>,
    /// What the furnace's burner takes ("input" on its label): "30,000 BTU/h".
    #[arg(long, allow_hyphen_values = true, requires = "fan")]
    burner: Option<Entered<Power>>,
    /// Share of the night that the furnace runs; 50 %, if left out.
    #[arg(long, allow_hyphen_values = true)]
    share: Option<Entered<Ratio>>,
    /// Length of the night; 12 h, if left out.
    #[arg(long, allow_hyphen_values = true)]
    hours: Option<Entered<Time>>,
    /// Of the battery; 12 V, if left out.
    #[arg(long, allow_hyphen_values = true)]
    voltage: Option<Entered<ElectricPotential>>,
    /// What may be taken from the battery as it stands in the evening.
    #[arg(long, allow_hyphen_values = true)]
    usable: Option<Entered<ElectricCharge>>,
    /// The gas that is there.
    #[arg(long, allow_hyphen_values = true)]
    gas: Option<Entered<Mass>>,
}

impl NightArgs {
    pub(super) fn answer(&self) -> Result<FigureAnswer, FigureError> {
        let (usual_hours, usual_share) = usual_night();
        let furnace = match (self.fan, self.burner) {
            (Some(fan), Some(burner)) => {
                let share = self.share.map_or(usual_share, |share| share.0);
                Some(Furnace { fan: fan.0, burner: burner.0, share })
            }
            (None, None) => None,
            _ => return Err(FigureError::Unknown { what: "furnace", expected: "its fan and its burner, or neither" }),
        };
        let takes = night(&Night {
            long: self.hours.map_or(usual_hours, |hours| hours.0),
            furnace,
            rest: self.rest.0,
            voltage: self.voltage.map_or_else(|| ElectricPotential::new::<volt>(12.0), |v| v.0),
        })?;
        let left_charge = self.usable.map(|usable| usable.0 - takes.charge);
        let left_gas = self.gas.map(|gas| gas.0 - takes.gas).filter(|_| furnace.is_some());
        let known = left_charge.is_some() && (furnace.is_none() || left_gas.is_some());
        let short = left_charge.is_some_and(|left| left.value < 0.0) || left_gas.is_some_and(|left| left.value < 0.0);
        let verdict = match (short, known) {
            (true, _) => FigureVerdict::DoesNotFit,
            (false, true) => FigureVerdict::Fits,
            (false, false) => FigureVerdict::Figure,
        };
        let mut says = format!("The night takes {}", takes.charge.shown());
        if furnace.is_some() {
            says += &format!(" and {} of gas", takes.gas.shown());
        }
        says += ".";
        let gas = |left: &Mass| format!("{} of gas", left.shown());
        let left: Vec<String> = left_charge.iter().map(Shown::shown).chain(left_gas.iter().map(gas)).collect();
        if short {
            says += " It is not enough: charge, or heat and light less.";
        } else if !left.is_empty() {
            says += &format!(" That leaves {}.", left.join(" and "));
        }
        let mut assumed = assume(self.hours.is_none(), "a night of 12 h");
        assumed.extend(assume(furnace.is_some() && self.share.is_none(), "the furnace runs half of it"));
        assumed.extend(assume(self.voltage.is_none(), "a battery of 12 V"));
        Ok(FigureAnswer::new(NIGHT, verdict, says)
            .quantity("charge", takes.charge)
            .quantity("gas", takes.gas)
            .assuming(assumed))
    }
}
