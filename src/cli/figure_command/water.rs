//! Questions about the supply, hoses and bleach.

use clap::Args;
use serde::Deserialize;
use uom::si::f64::{Length, Ratio, Volume, VolumeRate};
use uom::si::ratio::part_per_million;

use super::answer::{FigureAnswer, FigureVerdict, Shown, assume, number};
use crate::figures::parse::Entered;
use crate::figures::pressure::Gauge;
use crate::figures::{FigureError, hose, sanitize, supply};

/// What the pressure of a supply means for the rig.
#[derive(Debug, Args, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct SupplyArgs {
    /// At rest, no tap open.
    #[arg(long, allow_hyphen_values = true)]
    pressure: Entered<Gauge>,
    /// Least that the rig wants; 40 psi, if left out.
    #[arg(long, allow_hyphen_values = true)]
    least: Option<Entered<Gauge>>,
    /// Most that the rig may get; 60 psi, if left out. The maker's figure comes first.
    #[arg(long, allow_hyphen_values = true)]
    most: Option<Entered<Gauge>>,
    /// What the regulator is set to, if there is one.
    #[arg(long, allow_hyphen_values = true)]
    regulator: Option<Entered<Gauge>>,
}

impl SupplyArgs {
    pub(super) fn answer(&self) -> Result<FigureAnswer, FigureError> {
        let usual = supply::SupplyBounds::default();
        let bounds = supply::SupplyBounds {
            least: self.least.map_or(usual.least, |p| p.0),
            most: self.most.map_or(usual.most, |p| p.0),
        };
        let behind = match self.regulator {
            Some(setting) => supply::regulated(self.pressure.0, setting.0)?,
            None => self.pressure.0,
        };
        let state = supply::judge(behind, bounds)?;
        let (verdict, name, says) = match state {
            supply::Supply::Weak => (FigureVerdict::Fits, "weak", "weak, and harms nothing"),
            supply::Supply::Fits => (FigureVerdict::Fits, "fits", "within the rig's bounds"),
            supply::Supply::NeedsRegulator => (
                FigureVerdict::DoesNotFit,
                "needs-regulator",
                "too much for the rig: not without a regulator, or one set lower",
            ),
            supply::Supply::AboveCode => (
                FigureVerdict::DoesNotFit,
                "above-code",
                "above the 80 psi that codes allow in a house: never without a regulator",
            ),
        };
        let mut assumed = assume(self.least.is_none(), "least 40 psi");
        assumed.extend(assume(self.most.is_none(), "most 60 psi: look up the maker's"));
        Ok(FigureAnswer::new(supply::SUPPLY, verdict, format!("{} at the inlet is {says}.", behind.shown()))
            .quantity("inlet", behind)
            .value("state", name)
            .assuming(assumed))
    }
}

/// Pressure lost in a hose, or the flow that a pressure drives through it.
#[derive(Debug, Args, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct HoseLoss {
    /// Of the whole hose.
    #[arg(long, allow_hyphen_values = true)]
    length: Entered<Length>,
    /// Inside.
    #[arg(long, allow_hyphen_values = true)]
    diameter: Entered<Length>,
    /// Hose that loses as much as all fittings together; none, if left out.
    #[arg(long, allow_hyphen_values = true)]
    fittings: Option<Entered<Length>>,
    /// Hazen-Williams coefficient, 60 to 160; 140 (smooth), if left out.
    #[arg(long)]
    smoothness: Option<f64>,
    /// Gives the pressure lost; or --pressure.
    #[arg(long, allow_hyphen_values = true, required_unless_present = "pressure", conflicts_with = "pressure")]
    flow: Option<Entered<VolumeRate>>,
    /// Gives the flow that takes up this pressure.
    #[arg(long, allow_hyphen_values = true)]
    pressure: Option<Entered<Gauge>>,
}

impl HoseLoss {
    pub(super) fn answer(&self) -> Result<FigureAnswer, FigureError> {
        let hose = hose::Hose {
            length: self.length.0,
            diameter: self.diameter.0,
            fittings: self.fittings.map_or_else(Length::default, |f| f.0),
            smoothness: self.smoothness.unwrap_or(140.0),
        };
        let mut assumed = assume(self.smoothness.is_none(), "Hazen-Williams coefficient 140, smooth");
        assumed.extend(assume(self.fittings.is_none(), "no fittings"));
        let answer = match (self.flow, self.pressure) {
            (Some(flow), None) => {
                let lost = hose::loss(&hose, flow.0)?;
                let says = format!("{} lose {} in this hose.", flow.0.shown(), lost.shown());
                FigureAnswer::new(hose::FRICTION, FigureVerdict::Figure, says).quantity("lost", lost)
            }
            (None, Some(pressure)) => {
                let flow = hose::flow_at(&hose, pressure.0)?;
                let says = format!("{} drive {} through this hose.", pressure.0.shown(), flow.shown());
                FigureAnswer::new(hose::FRICTION, FigureVerdict::Figure, says).quantity("flow", flow)
            }
            _ => {
                return Err(FigureError::Unknown {
                    what: "flow",
                    expected: "the flow, or the pressure that drives it",
                });
            }
        };
        Ok(answer.assuming(assumed))
    }
}

/// Bleach for the fresh water tank or the drinking water hose.
#[derive(Debug, Args, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Bleach {
    /// Water in the tank; or the hose by --diameter and --length.
    #[arg(long, allow_hyphen_values = true, required_unless_present = "diameter")]
    water: Option<Entered<Volume>>,
    /// Inside diameter of the hose.
    #[arg(long, allow_hyphen_values = true, requires = "length", conflicts_with = "water")]
    diameter: Option<Entered<Length>>,
    /// Of the drinking water hose.
    #[arg(long, allow_hyphen_values = true, requires = "diameter")]
    length: Option<Entered<Length>>,
    /// Strength on the label of the bottle: "8.25 %".
    #[arg(long, allow_hyphen_values = true)]
    strength: Entered<Ratio>,
    /// Share wanted in the water; "50 ppm", if left out.
    #[arg(long, allow_hyphen_values = true)]
    target: Option<Entered<Ratio>>,
    /// Gives the share that this dose makes, instead of a dose.
    #[arg(long, allow_hyphen_values = true, conflicts_with = "target")]
    dose: Option<Entered<Volume>>,
}

impl Bleach {
    pub(super) fn answer(&self) -> Result<FigureAnswer, FigureError> {
        let water = match (self.water, self.diameter, self.length) {
            (Some(water), None, None) => water.0,
            (None, Some(diameter), Some(length)) => sanitize::hose_volume(diameter.0, length.0)?,
            _ => {
                return Err(FigureError::Unknown {
                    what: "water",
                    expected: "a volume, or a hose's diameter and length",
                });
            }
        };
        if let Some(dose) = self.dose {
            let found = sanitize::concentration(dose.0, self.strength.0, water)?.get::<part_per_million>();
            let says = format!("{} in {} make {} ppm.", dose.0.shown(), water.shown(), number(found));
            return Ok(FigureAnswer::new(sanitize::DOSE, FigureVerdict::Figure, says).value("share_ppm", found));
        }
        let target = self.target.map_or_else(sanitize::usual_target, |t| t.0);
        let dose = sanitize::dose(target, self.strength.0, water)?;
        let says = format!(
            "{} of bleach into {} make {} ppm. Leave it for {}, drain, flush.",
            dose.shown(),
            water.shown(),
            number(target.get::<part_per_million>()),
            sanitize::HOLD.shown()
        );
        Ok(FigureAnswer::new(sanitize::DOSE, FigureVerdict::Figure, says)
            .quantity("bleach", dose)
            .quantity("hold", sanitize::HOLD)
            .assuming(assume(self.target.is_none(), "target 50 ppm")))
    }
}
