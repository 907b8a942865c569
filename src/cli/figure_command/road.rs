//! Questions about tyres, weights and towing.

use clap::Args;
use serde::Deserialize;
use serde_json::json;
use uom::si::f64::{Length, Mass, Ratio, ThermodynamicTemperature, Time};

use super::answer::{FigureAnswer, FigureVerdict, Shown, assume};
use super::entries::{AxleEntry, Rated};
use crate::figures::parse::Entered;
use crate::figures::pressure::{Absolute, Gauge, air_at, sea_level};
use crate::figures::weights::{Combination, Overall, Towed, Vehicle, WeightStanding, check, overall};
use crate::figures::{FigureError, towing, tyres, weights};

/// Tire pressure at another temperature or height.
#[derive(Debug, Args, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct TyreChange {
    /// What the gauge showed.
    #[arg(long, allow_hyphen_values = true)]
    reading: Entered<Gauge>,
    /// The tire's temperature then.
    #[arg(long, allow_hyphen_values = true)]
    from: Entered<ThermodynamicTemperature>,
    /// The tire's temperature now.
    #[arg(long, allow_hyphen_values = true)]
    to: Entered<ThermodynamicTemperature>,
    /// Height above the sea then; at the sea, if left out.
    #[arg(long, allow_hyphen_values = true)]
    from_height: Option<Entered<Length>>,
    /// Height above the sea now; as before, if left out.
    #[arg(long, allow_hyphen_values = true)]
    to_height: Option<Entered<Length>>,
    /// Pressure of the air then, instead of the height.
    #[arg(long, allow_hyphen_values = true, conflicts_with = "from_height")]
    from_air: Option<Entered<Absolute>>,
    /// Pressure of the air now, instead of the height.
    #[arg(long, allow_hyphen_values = true, conflicts_with = "to_height")]
    to_air: Option<Entered<Absolute>>,
}

impl TyreChange {
    pub(super) fn answer(&self) -> Result<FigureAnswer, FigureError> {
        let air = |measured: Option<Entered<Absolute>>, height: Option<Entered<Length>>| match (measured, height) {
            (Some(air), _) => Ok(Some(air.0)),
            (None, Some(height)) => air_at(height.0).map(Some),
            (None, None) => Ok(None),
        };
        let before = air(self.from_air, self.from_height)?;
        let after = air(self.to_air, self.to_height)?;
        let mut assumed = assume(before.is_none(), "standard air at sea level before");
        assumed.extend(assume(after.is_none(), "the same air now"));
        let before = before.unwrap_or_else(sea_level);
        let shows = tyres::reading_at(
            self.reading.0,
            tyres::AirAround { temperature: self.from.0, air: before },
            tyres::AirAround { temperature: self.to.0, air: after.unwrap_or(before) },
        )?;
        let change = Gauge(shows.0 - self.reading.0.0);
        let says = format!("The gauge would show {}, {} of change.", shows.shown(), change.shown());
        Ok(FigureAnswer::new(tyres::CHANGE, FigureVerdict::Figure, says)
            .quantity("shows", shows)
            .quantity("change", change)
            .assuming(assumed))
    }
}

/// What a tire reading means against the placard.
#[derive(Debug, Args, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct TyreReading {
    /// What the gauge shows.
    #[arg(long, allow_hyphen_values = true)]
    reading: Entered<Gauge>,
    /// On the vehicle's placard, or in the tire maker's table for the weight on the axle.
    #[arg(long, allow_hyphen_values = true)]
    placard: Entered<Gauge>,
    /// Most that is molded on the tire or wheel.
    #[arg(long, allow_hyphen_values = true)]
    most: Option<Entered<Gauge>>,
    /// How far the gauge may be off; 1 psi, if left out.
    #[arg(long, allow_hyphen_values = true)]
    give: Option<Entered<Gauge>>,
    /// How long the vehicle has stood.
    #[arg(long, allow_hyphen_values = true)]
    parked: Option<Entered<Time>>,
    /// How far it was driven since it was last cold.
    #[arg(long, allow_hyphen_values = true)]
    driven: Option<Entered<Length>>,
}

impl TyreReading {
    pub(super) fn answer(&self) -> Result<FigureAnswer, FigureError> {
        use tyres::ReadingState::{AboveMost, FarTooLow, High, Low, NotCold, Right};
        let rest = tyres::Rest { parked: self.parked.map(|t| t.0), driven: self.driven.map(|d| d.0) };
        let state = tyres::judge(&tyres::PressureReading {
            shown: self.reading.0,
            placard: self.placard.0,
            most: self.most.map(|m| m.0),
            give: self.give.map_or_else(|| Gauge::of_psi(1.0), |g| g.0),
            rest,
        })?;
        let warning = tyres::telltale(self.placard.0)?;
        let (verdict, name, says) = match state {
            FarTooLow => (
                FigureVerdict::DoesNotFit,
                "far-too-low",
                "A quarter or more below the placard: do not drive; find out why.",
            ),
            Low => (FigureVerdict::DoesNotFit, "low", "Below the placard: air in."),
            Right => (FigureVerdict::Fits, "right", "At the placard."),
            High => (FigureVerdict::DoesNotFit, "high", "Above the placard, cold: let air out down to it."),
            AboveMost => {
                (FigureVerdict::DoesNotFit, "above-most", "Above what is molded on the tire or wheel: let air out.")
            }
            NotCold => (
                FigureVerdict::Unknown,
                "not-cold",
                "Not surely cold, so it says nothing. Let no air out; read it again after three hours.",
            ),
        };
        let warmth = match tyres::warmth(rest)? {
            tyres::Warmth::Cold => "cold",
            tyres::Warmth::Warm => "warm",
            tyres::Warmth::Unknown => "unknown",
        };
        let says = format!("{} against {}. {says}", self.reading.0.shown(), self.placard.0.shown());
        Ok(FigureAnswer::new(tyres::READING, verdict, says)
            .value("state", name)
            .value("warmth", warmth)
            .quantity("warning_at", warning)
            .assuming(assume(self.give.is_none(), "a gauge within 1 psi")))
    }
}

/// Weights against the ratings on the labels. A weight or a rating that is not known is written "?".
#[derive(Debug, Args, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Weights {
    /// The vehicle, hitched if it tows, and its GVWR: "24,000 lb of 26,000 lb". Without its weight: "? of 26,000 lb".
    #[arg(long)]
    vehicle: Rated,
    /// An axle and its GAWR, as often as needed: "front=8,000 lb of 9,000 lb".
    #[arg(long = "axle", value_name = "NAME=WEIGHT of RATING")]
    #[serde(default, rename = "axle")]
    axles: Vec<AxleEntry>,
    /// What is towed and its GVWR. Without it, nothing is towed.
    #[arg(long)]
    towed: Option<Rated>,
    /// An axle of what is towed, weighed on the hitch, and its GAWR.
    #[arg(long = "towed-axle", value_name = "NAME=WEIGHT of RATING", requires = "towed")]
    #[serde(default, rename = "towed-axle")]
    towed_axles: Vec<AxleEntry>,
    /// Both together and the GCWR on the maker's label: "? of 30,000 lb" adds the weights up. The rating is never added up.
    #[arg(long, requires = "towed")]
    combined: Option<Rated>,
    /// What the maker of the towing vehicle lets it tow.
    #[arg(long, allow_hyphen_values = true, requires = "towed")]
    tow_rating: Option<Entered<Mass>>,
    /// The lowest rating among receiver, ball, coupler and tow bar.
    #[arg(long, allow_hyphen_values = true, requires = "towed")]
    hitch_rating: Option<Entered<Mass>>,
    /// Weight on the hitch and the rating for it; left out for a car on a tow bar.
    #[arg(long, requires = "towed")]
    tongue: Option<Rated>,
}

impl Weights {
    pub(super) fn answer(&self) -> Result<FigureAnswer, FigureError> {
        let vehicle = |name: &str, rated: Rated, axles: &[AxleEntry]| Vehicle {
            name: name.to_owned(),
            weight: rated.weight,
            rating: rated.rating,
            axles: axles.iter().map(|a| a.0.clone()).collect(),
        };
        let combined = self.combined.unwrap_or_default();
        let checked = check(&Combination {
            towing: vehicle("vehicle", self.vehicle, &self.axles),
            towed: self.towed.map(|towed| Towed {
                vehicle: vehicle("towed", towed, &self.towed_axles),
                tow_rating: self.tow_rating.map(|m| m.0),
                hitch_rating: self.hitch_rating.map(|m| m.0),
                tongue: self.tongue.map(|t| weights::Tongue { weight: t.weight, rating: t.rating }),
            }),
            combined_weight: combined.weight,
            combined_rating: combined.rating,
        })?;
        let (verdict, first) = match overall(&checked) {
            Overall::Within => (FigureVerdict::Fits, "Every limit is kept."),
            Overall::Unknown => (FigureVerdict::Unknown, "No limit is known to be passed, but not all are known."),
            Overall::Over => (FigureVerdict::DoesNotFit, "At least one limit is passed: do not drive like this."),
        };
        let mut lines = vec![first.to_owned()];
        let mut values = Vec::new();
        for one in &checked {
            let (name, text, margin) = match one.standing {
                WeightStanding::Within { left } => ("within", format!("{} left", left.shown()), Some(left)),
                WeightStanding::Over { by } => ("over", format!("OVER by {}", by.shown()), Some(by)),
                WeightStanding::Unknown { weight, rating } => {
                    let missing = match (weight, rating) {
                        (true, true) => "weight and rating",
                        (true, false) => "weight",
                        _ => "rating",
                    };
                    ("unknown", format!("unknown: no {missing}"), None)
                }
            };
            lines.push(format!("  {}: {text}", one.limit));
            values.push(json!({
                "limit": one.limit.to_string(),
                "standing": name,
                "margin_lb": margin.map(|m| m.get::<crate::figures::units::mass::pound>()),
                "margin_kg": margin.map(|m| m.get::<uom::si::mass::kilogram>()),
            }));
        }
        Ok(FigureAnswer::new(weights::LIMITS, verdict, lines.join("\n")).value("limits", values))
    }
}

/// Cargo against the label: what may be loaded, and what is left of it.
#[derive(Debug, Args, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Cargo {
    /// What the label by the door lets be loaded: of a motorhome people and cargo, of a trailer cargo.
    #[arg(long, allow_hyphen_values = true)]
    label: Entered<Mass>,
    /// What is loaded, as often as needed: people, water, gear.
    #[arg(long = "load", value_name = "WEIGHT")]
    #[serde(default, rename = "load")]
    loads: Vec<Entered<Mass>>,
}

impl Cargo {
    pub(super) fn answer(&self) -> Result<FigureAnswer, FigureError> {
        let loads: Vec<Mass> = self.loads.iter().map(|load| load.0).collect();
        let standing = weights::cargo(self.label.0, &loads)?;
        let (verdict, says) = match standing {
            WeightStanding::Over { by } => {
                (FigureVerdict::DoesNotFit, format!("OVER by {}: take something out.", by.shown()))
            }
            WeightStanding::Within { left } => (FigureVerdict::Fits, format!("{} left to load.", left.shown())),
            WeightStanding::Unknown { .. } => (FigureVerdict::Unknown, "unknown".to_owned()),
        };
        let margin = match standing {
            WeightStanding::Over { by } => by,
            WeightStanding::Within { left } => left,
            WeightStanding::Unknown { .. } => Mass::default(),
        };
        Ok(FigureAnswer::new(weights::CARGO, verdict, says).quantity("margin", margin))
    }
}

/// An axle wheel by wheel: each side against its tires, both against the axle's rating.
#[derive(Debug, Args, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Wheels {
    /// What the left wheels of the axle weigh on the scale, loaded for travel.
    #[arg(long, allow_hyphen_values = true)]
    left: Entered<Mass>,
    /// What the right wheels weigh.
    #[arg(long, allow_hyphen_values = true)]
    right: Entered<Mass>,
    /// The axle's rating (GAWR) on the label.
    #[arg(long, allow_hyphen_values = true)]
    axle: Entered<Mass>,
    /// What all tires of one side carry at their cold pressure, by the tire maker's table.
    #[arg(long, allow_hyphen_values = true)]
    tires: Entered<Mass>,
}

impl Wheels {
    pub(super) fn answer(&self) -> Result<FigureAnswer, FigureError> {
        let found = weights::wheels(self.left.0, self.right.0, self.axle.0, self.tires.0)?;
        let mut fits = true;
        let mut lines = Vec::new();
        for (what, standing) in [("left side", found.left), ("right side", found.right), ("axle", found.axle)] {
            match standing {
                WeightStanding::Over { by } => {
                    fits = false;
                    lines.push(format!("{what}: OVER by {}", by.shown()));
                }
                WeightStanding::Within { left } => lines.push(format!("{what}: {} left", left.shown())),
                WeightStanding::Unknown { .. } => lines.push(format!("{what}: unknown")),
            }
        }
        let heavier = found.heavier;
        lines.push(format!("The heavier side, {}, sets the pressure of every tire of the axle.", heavier.shown()));
        let verdict = if fits { FigureVerdict::Fits } else { FigureVerdict::DoesNotFit };
        Ok(FigureAnswer::new(weights::WHEELS, verdict, lines.join("\n")).quantity("heavier", heavier))
    }
}

/// What a trailer rests on.
#[derive(Clone, Copy, Debug, Default, clap::ValueEnum, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum On {
    /// A tongue on a ball.
    #[default]
    Tongue,
    /// A pin over the axle of a truck.
    Pin,
}

/// Share of a trailer on its tongue or pin.
#[derive(Debug, Args, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct TongueArgs {
    /// Weight on the tongue.
    #[arg(long, allow_hyphen_values = true)]
    tongue: Entered<Mass>,
    /// The whole trailer, loaded.
    #[arg(long, allow_hyphen_values = true)]
    trailer: Entered<Mass>,
    /// What it rests on.
    #[arg(long, value_enum, default_value_t)]
    #[serde(default)]
    on: On,
    /// 10 % of a tongue, 15 % of a pin, if left out.
    #[arg(long, allow_hyphen_values = true)]
    least: Option<Entered<Ratio>>,
    /// 15 % of a tongue, 25 % of a pin, if left out.
    #[arg(long, allow_hyphen_values = true)]
    most: Option<Entered<Ratio>>,
}

impl TongueArgs {
    pub(super) fn answer(&self) -> Result<FigureAnswer, FigureError> {
        let rests_on = match self.on {
            On::Tongue => towing::RestsOn::Tongue,
            On::Pin => towing::RestsOn::Pin,
        };
        let usual = rests_on.usual();
        let bounds = towing::TongueBounds {
            least: self.least.map_or(usual.least, |l| l.0),
            most: self.most.map_or(usual.most, |m| m.0),
        };
        let (share, state) = towing::tongue(self.tongue.0, self.trailer.0, bounds)?;
        let (verdict, name, says) = match state {
            towing::TongueState::TooLight => {
                (FigureVerdict::DoesNotFit, "too-light", "too light: the trailer may sway")
            }
            towing::TongueState::Fits => (FigureVerdict::Fits, "fits", "within its bounds"),
            towing::TongueState::TooHeavy => (FigureVerdict::DoesNotFit, "too-heavy", "too heavy for what is advised"),
        };
        let (least, most, rests) = match self.on {
            On::Tongue => ("least 10 %", "most 15 %", "tongue"),
            On::Pin => ("least 15 %", "most 25 %", "pin"),
        };
        let mut assumed = assume(self.least.is_none(), least);
        assumed.extend(assume(self.most.is_none(), most));
        Ok(FigureAnswer::new(towing::TONGUE, verdict, format!("{} on the {rests}, {says}.", share.shown()))
            .quantity("share", share)
            .value("state", name)
            .assuming(assumed))
    }
}

/// Whether a trailer may go without brakes. What is left out is not known.
#[derive(Debug, Args, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct TrailerBrakes {
    /// The whole trailer.
    #[arg(long, allow_hyphen_values = true)]
    trailer: Option<Entered<Mass>>,
    /// What its axles carry.
    #[arg(long, allow_hyphen_values = true)]
    trailer_axles: Option<Entered<Mass>>,
    /// What the axles of the towing vehicle carry.
    #[arg(long, allow_hyphen_values = true)]
    towing_axles: Option<Entered<Mass>>,
}

impl TrailerBrakes {
    pub(super) fn answer(&self) -> Result<FigureAnswer, FigureError> {
        let mass = |entry: Option<Entered<Mass>>| entry.map(|m| m.0);
        let found = towing::brakes(mass(self.trailer), mass(self.trailer_axles), mass(self.towing_axles))?;
        let (verdict, name, says) = match found {
            towing::Brakes::NotRequired => {
                (FigureVerdict::Fits, "not-required", "The federal rule asks for no brakes on it.")
            }
            towing::Brakes::Required => (FigureVerdict::DoesNotFit, "required", "It needs brakes."),
            towing::Brakes::Unknown => (
                FigureVerdict::Unknown,
                "unknown",
                "Not known: weigh the trailer, its axles and those of the towing vehicle.",
            ),
        };
        Ok(FigureAnswer::new(towing::BRAKES, verdict, says.to_owned()).value("brakes", name))
    }
}

/// Whether lug nuts are due.
#[derive(Debug, Args, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct WheelNuts {
    /// Driven since the wheel was fitted.
    #[arg(long, allow_hyphen_values = true)]
    driven: Entered<Length>,
    /// Driven when they were last tightened; only at the fitting, if left out.
    #[arg(long, allow_hyphen_values = true)]
    tightened: Option<Entered<Length>>,
    /// When to tighten, as often as needed and rising; 10, 25 and 50 mi, if left out.
    #[arg(long = "at")]
    #[serde(default, rename = "at")]
    distances: Vec<Entered<Length>>,
}

impl WheelNuts {
    pub(super) fn answer(&self) -> Result<FigureAnswer, FigureError> {
        let usual = self.distances.is_empty();
        let distances =
            if usual { towing::usual_nut_distances() } else { self.distances.iter().map(|d| d.0).collect() };
        let found = towing::wheel_nuts(self.driven.0, self.tightened.map(|t| t.0), &distances)?;
        let assumed = assume(usual, "10, 25 and 50 miles");
        let answer = match found {
            towing::Nuts::Due { at } => {
                let says =
                    format!("Due: the mark of {} is passed. Stop where it is safe and tighten them.", at.shown());
                FigureAnswer::new(towing::NUTS, FigureVerdict::DoesNotFit, says)
                    .value("state", "due")
                    .quantity("mark", at)
            }
            towing::Nuts::Next { left } => {
                let says = format!("Not due; {} to go.", left.shown());
                FigureAnswer::new(towing::NUTS, FigureVerdict::Fits, says).value("state", "next").quantity("left", left)
            }
            towing::Nuts::Done => {
                FigureAnswer::new(towing::NUTS, FigureVerdict::Fits, "All done.".to_owned()).value("state", "done")
            }
        };
        Ok(answer.assuming(assumed))
    }
}
