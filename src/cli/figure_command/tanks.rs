//! Questions about tanks, taps and their clocks.

use std::time::Duration;

use clap::Args;
use serde::Deserialize;
use uom::si::f64::{Area, Length, Ratio, Time, Volume, VolumeRate};
use uom::si::ratio::percent;
use uom::si::time::second;

use super::answer::{FigureAnswer, FigureVerdict, Shown, assume};
use super::entries::{CountEntry, LampsEntry};
use crate::figures::clocks::{
    LAYER, LayerBound, LayerInputs, RINSE, RinseBound, RinseInputs, base_from_height, layer_clock, rinse_clock,
};
use crate::figures::parse::Entered;
use crate::figures::{FigureError, drain, flow, tank};

/// Volume of a tank from inside measures.
#[derive(Debug, Args, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct TankVolume {
    /// Inside, from end to end.
    #[arg(long, allow_hyphen_values = true)]
    length: Entered<Length>,
    /// Of a box, with --height.
    #[arg(
        long,
        allow_hyphen_values = true,
        requires = "height",
        conflicts_with = "diameter",
        required_unless_present = "diameter"
    )]
    width: Option<Entered<Length>>,
    /// Inside, of a box.
    #[arg(long, allow_hyphen_values = true, requires = "width")]
    height: Option<Entered<Length>>,
    /// Of a cylinder, instead of width and height.
    #[arg(long, allow_hyphen_values = true)]
    diameter: Option<Entered<Length>>,
}

impl TankVolume {
    pub(super) fn answer(&self) -> Result<FigureAnswer, FigureError> {
        let volume = match (self.width, self.height, self.diameter) {
            (Some(width), Some(height), None) => tank::box_volume(self.length.0, width.0, height.0)?,
            (None, None, Some(diameter)) => tank::cylinder_volume(diameter.0, self.length.0)?,
            _ => {
                return Err(FigureError::Unknown {
                    what: "shape of the tank",
                    expected: "width and height of a box, or the diameter of a cylinder",
                });
            }
        };
        let weight = tank::water_weight(volume)?;
        let says = format!("The tank holds {}; full of water that weighs {}.", volume.shown(), weight.shown());
        Ok(FigureAnswer::new(tank::MEASURED, FigureVerdict::Figure, says)
            .quantity("volume", volume)
            .quantity("water", weight))
    }
}

/// How much a tank holds, by lamps, gauge, sight or counting.
#[derive(Debug, Args, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct TankLevel {
    /// The whole tank.
    #[arg(long, allow_hyphen_values = true)]
    tank: Entered<Volume>,
    /// Lamps lit on the panel, empty not counted: "2 of 3".
    #[arg(long)]
    lamps: Option<LampsEntry>,
    /// Gauge or estimate: "50 %" or "1/2".
    #[arg(long, allow_hyphen_values = true)]
    share: Option<Entered<Ratio>>,
    /// Seen or measured depth, with --height.
    #[arg(long, allow_hyphen_values = true, requires = "height")]
    depth: Option<Entered<Length>>,
    /// Inside height of the tank.
    #[arg(long, allow_hyphen_values = true)]
    height: Option<Entered<Length>>,
    /// Counted uses, as often as needed: "12 x 0.5 gal".
    #[arg(long = "count", value_name = "COUNT x VOLUME")]
    #[serde(default, rename = "count")]
    counts: Vec<CountEntry>,
}

impl TankLevel {
    pub(super) fn answer(&self) -> Result<FigureAnswer, FigureError> {
        let mut ways = Vec::new();
        ways.extend(self.lamps.map(|l| tank::TankFill::Lamps { lit: l.lit, of: l.of }));
        ways.extend(self.share.map(|s| tank::TankFill::Share(s.0)));
        if let (Some(depth), Some(height)) = (self.depth, self.height) {
            ways.push(tank::TankFill::Sight { depth: depth.0, height: height.0 });
        }
        if !self.counts.is_empty() {
            ways.push(tank::TankFill::Counted(self.counts.iter().map(|c| (c.0, c.1)).collect()));
        }
        let [level] = ways.as_slice() else {
            return Err(FigureError::Impossible {
                what: "level of the tank",
                found: format!("{} ways of finding it", ways.len()),
                expected: "one: lamps, share, depth with height, or counted uses",
            });
        };
        let held = tank::held(level, self.tank.0)?;
        let says = if held.least == held.most {
            format!("The tank holds {}.", held.most.shown())
        } else {
            format!("The tank holds {} to {}; reckon with the larger.", held.least.shown(), held.most.shown())
        };
        Ok(FigureAnswer::new(tank::LEVEL, FigureVerdict::Figure, says)
            .quantity("least", held.least)
            .quantity("most", held.most)
            .quantity("most_share", tank::share_of(held.most, self.tank.0)?))
    }
}

/// Flow of a tap from the time to fill a bucket.
#[derive(Debug, Args, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct BucketFlow {
    /// How much the bucket holds.
    #[arg(long, allow_hyphen_values = true)]
    bucket: Entered<Volume>,
    /// From "start" to "full".
    #[arg(long, allow_hyphen_values = true)]
    time: Entered<Time>,
}

impl BucketFlow {
    pub(super) fn answer(&self) -> Result<FigureAnswer, FigureError> {
        let found = flow::by_bucket(self.bucket.0, self.time.0)?;
        let says = format!("The tap gives {}, within {}.", found.flow.shown(), found.give.shown());
        Ok(FigureAnswer::new(flow::BUCKET, FigureVerdict::Figure, says)
            .quantity("flow", found.flow)
            .quantity("give", found.give))
    }
}

/// Time until a tank is so full.
#[derive(Debug, Args, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct FillTime {
    /// How much is to go in.
    #[arg(long, allow_hyphen_values = true)]
    tank: Entered<Volume>,
    /// Of the tap, such as "3 gpm".
    #[arg(long, allow_hyphen_values = true)]
    flow: Entered<VolumeRate>,
    /// What is in it; nothing, if left out.
    #[arg(long, allow_hyphen_values = true)]
    held: Option<Entered<Volume>>,
    /// How full it shall be; 100 %, if left out.
    #[arg(long, allow_hyphen_values = true)]
    share: Option<Entered<Ratio>>,
}

impl FillTime {
    pub(super) fn answer(&self) -> Result<FigureAnswer, FigureError> {
        let share = self.share.map_or_else(|| Ratio::new::<percent>(100.0), |s| s.0);
        let held = self.held.map_or_else(Volume::default, |h| h.0);
        let time = tank::time_to_share(self.tank.0, held, share, self.flow.0)?;
        let says = format!("It is {} full after {}.", share.shown(), time.shown());
        Ok(FigureAnswer::new(tank::FILL, FigureVerdict::Figure, says).quantity("time", time))
    }
}

/// How long the rinse water may run.
#[derive(Debug, Args, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct RinseClockArgs {
    /// How much the black tank holds.
    #[arg(long, allow_hyphen_values = true)]
    tank: Option<Entered<Volume>>,
    /// As measured at this tap: see bucket-flow.
    #[arg(long, allow_hyphen_values = true)]
    flow: Option<Entered<VolumeRate>>,
    /// What is still in the tank; nothing, if left out.
    #[arg(long, allow_hyphen_values = true)]
    held: Option<Entered<Volume>>,
    /// How full it may get; 75 %, if left out.
    #[arg(long, allow_hyphen_values = true)]
    share: Option<Entered<Ratio>>,
    /// The owner's own time.
    #[arg(long, allow_hyphen_values = true)]
    owner: Option<Entered<Time>>,
}

impl RinseClockArgs {
    pub(super) fn answer(&self) -> Result<FigureAnswer, FigureError> {
        let (share, assumed) = share_or_usual(self.share);
        let clock = rinse_clock(&RinseInputs {
            tank: self.tank.map(|t| t.0),
            held: self.held.map_or_else(Volume::default, |h| h.0),
            flow: self.flow.map(|f| f.0),
            share,
            owner: self.owner.map(|t| duration("owner's rinse time", t.0)).transpose()?,
        })?;
        let (bound, verdict, why) = match clock.decided_by {
            RinseBound::Owner => ("owner", FigureVerdict::Figure, "the owner's time, and the tank has room for it"),
            RinseBound::Share => ("share", FigureVerdict::Figure, "the tank would be too full after that"),
            RinseBound::OwnerUnchecked => (
                "owner-unchecked",
                FigureVerdict::Unknown,
                "the owner's time, not checked: the tank or the flow is not known",
            ),
        };
        let mut says = format!("Rinse for {}: {why}.", clock.runs.shown());
        if let (Some(share), Some(full)) = (clock.share_at_end, clock.full_after) {
            says += &format!(" It is then {} full; to the brim after {}.", share.shown(), full.shown());
        }
        let mut answer = FigureAnswer::new(RINSE, verdict, says)
            .quantity("runs", clock.runs)
            .value("decided_by", bound)
            .assuming(assumed);
        if let (Some(share), Some(full)) = (clock.share_at_end, clock.full_after) {
            answer = answer.quantity("share_at_end", share).quantity("full_after", full);
        }
        Ok(answer)
    }
}

/// How long water runs for a layer, and how deep it is.
#[derive(Debug, Args, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct LayerClockArgs {
    /// Area of the tank's floor; or its measures, or tank and height.
    #[arg(long, allow_hyphen_values = true)]
    base: Option<Entered<Area>>,
    /// Inside length of the floor, with --width.
    #[arg(long, allow_hyphen_values = true, requires = "width", conflicts_with = "base")]
    length: Option<Entered<Length>>,
    /// Of the floor of the tank.
    #[arg(long, allow_hyphen_values = true, requires = "length")]
    width: Option<Entered<Length>>,
    /// Inside height of a tank with straight walls, with --tank.
    #[arg(long, allow_hyphen_values = true, requires = "tank")]
    height: Option<Entered<Length>>,
    /// As measured at this tap: see bucket-flow.
    #[arg(long, allow_hyphen_values = true)]
    flow: Option<Entered<VolumeRate>>,
    /// How deep the layer shall be.
    #[arg(long, allow_hyphen_values = true)]
    depth: Option<Entered<Length>>,
    /// The owner's own time.
    #[arg(long, allow_hyphen_values = true)]
    owner: Option<Entered<Time>>,
    /// How much the black tank holds.
    #[arg(long, allow_hyphen_values = true)]
    tank: Option<Entered<Volume>>,
    /// How full the tank may get; 75 %, if left out.
    #[arg(long, allow_hyphen_values = true)]
    share: Option<Entered<Ratio>>,
}

impl LayerClockArgs {
    pub(super) fn answer(&self) -> Result<FigureAnswer, FigureError> {
        let base = match (self.base, self.length, self.width, self.tank, self.height) {
            (Some(base), ..) => Some(base.0),
            (None, Some(length), Some(width), ..) => Some(tank::base_area(length.0, width.0)?),
            (.., Some(tank), Some(height)) => Some(base_from_height(tank.0, height.0)?),
            _ => None,
        };
        let (share, assumed) = share_or_usual(self.share);
        let clock = layer_clock(&LayerInputs {
            base,
            flow: self.flow.map(|f| f.0),
            wanted: self.depth.map(|d| d.0),
            owner: self.owner.map(|t| duration("owner's layer time", t.0)).transpose()?,
            tank: self.tank.map(|t| t.0),
            share,
        })?;
        let (bound, why) = match clock.decided_by {
            LayerBound::Depth => ("depth", "for the depth you want"),
            LayerBound::Owner => ("owner", "the owner's time"),
            LayerBound::Practice => ("practice", "the common practice"),
            LayerBound::Share => ("share", "the tank would be too full after that"),
        };
        let mut says = format!("Let water run for {}: {why}.", clock.runs.shown());
        match (clock.depth, clock.practice_depth) {
            (Some(depth), Some(practice)) if clock.runs != Duration::from_secs(30) => {
                says += &format!(" That is {} deep; thirty seconds would be {}.", depth.shown(), practice.shown());
            }
            (Some(depth), _) => says += &format!(" That is {} deep.", depth.shown()),
            (None, _) => says += " How deep that is, is not known: it takes the flow and the tank's floor.",
        }
        let verdict = if clock.depth.is_some() { FigureVerdict::Figure } else { FigureVerdict::Unknown };
        let mut answer = FigureAnswer::new(LAYER, verdict, says)
            .quantity("runs", clock.runs)
            .value("decided_by", bound)
            .assuming(if self.tank.is_some() { assumed } else { Vec::new() });
        if let Some(depth) = clock.depth {
            answer = answer.quantity("depth", depth);
        }
        if let Some(water) = clock.water {
            answer = answer.quantity("water", water);
        }
        if let Some(depth) = clock.practice_depth {
            answer = answer.quantity("practice_depth", depth);
        }
        Ok(answer)
    }
}

/// Depth of water over a base.
#[derive(Debug, Args, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Depth {
    /// How much is in the tank.
    #[arg(long, allow_hyphen_values = true)]
    water: Entered<Volume>,
    /// Of the floor of the tank.
    #[arg(long, allow_hyphen_values = true)]
    length: Entered<Length>,
    /// Of the floor of the tank.
    #[arg(long, allow_hyphen_values = true)]
    width: Entered<Length>,
}

impl Depth {
    pub(super) fn answer(&self) -> Result<FigureAnswer, FigureError> {
        let depth = tank::depth(self.water.0, tank::base_area(self.length.0, self.width.0)?)?;
        let says = format!("{} stand {} deep.", self.water.0.shown(), depth.shown());
        Ok(FigureAnswer::new(tank::DEPTH, FigureVerdict::Figure, says).quantity("depth", depth))
    }
}

/// Shortest time in which a tank runs out by gravity.
#[derive(Debug, Args, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct DrainTime {
    /// The tank, with straight walls; or --across.
    #[arg(long, allow_hyphen_values = true, required_unless_present = "across", conflicts_with = "across")]
    tank: Option<Entered<Volume>>,
    /// Diameter of a round upright tank.
    #[arg(long, allow_hyphen_values = true)]
    across: Option<Entered<Length>>,
    /// Depth at the start; with --tank the tank is taken as full to this depth.
    #[arg(long, allow_hyphen_values = true)]
    from: Entered<Length>,
    /// Depth at the end; empty, if left out.
    #[arg(long, allow_hyphen_values = true)]
    to: Option<Entered<Length>>,
    /// Diameter of the outlet.
    #[arg(long, allow_hyphen_values = true)]
    outlet: Entered<Length>,
    /// Discharge coefficient, 0.3 to 1; 0.6 (sharp edge), if left out.
    #[arg(long)]
    coefficient: Option<f64>,
}

impl DrainTime {
    pub(super) fn answer(&self) -> Result<FigureAnswer, FigureError> {
        let area = match (self.tank, self.across) {
            (Some(tank), None) => base_from_height(tank.0, self.from.0)?,
            (None, Some(across)) => drain::round(across.0)?,
            _ => {
                return Err(FigureError::Unknown {
                    what: "area of the tank",
                    expected: "its volume at the depth at the start, or the diameter of a round one",
                });
            }
        };
        let to = self.to.map_or_else(Length::default, |t| t.0);
        let coefficient = self.coefficient.unwrap_or(0.6);
        let time = drain::drain_time(area, drain::round(self.outlet.0)?, self.from.0, to, coefficient)?;
        let says = format!("At the least {}: it will be slower.", time.shown());
        let assumed = assume(self.coefficient.is_none(), "discharge coefficient 0.6, a sharp edge");
        Ok(FigureAnswer::new(drain::DRAIN, FigureVerdict::Figure, says).quantity("time", time).assuming(assumed))
    }
}

/// How full a tank may get where the owner settled nothing: common practice, no source.
fn share_or_usual(share: Option<Entered<Ratio>>) -> (Ratio, Vec<String>) {
    let assumed = assume(share.is_none(), "the tank may get 75 % full");
    (share.map_or_else(|| Ratio::new::<percent>(75.0), |s| s.0), assumed)
}

fn duration(what: &'static str, time: Time) -> Result<Duration, FigureError> {
    Duration::try_from_secs_f64(time.get::<second>()).map_err(|why| FigureError::Impossible {
        what,
        found: why.to_string(),
        expected: "a time from 5 s to 1 h",
    })
}
