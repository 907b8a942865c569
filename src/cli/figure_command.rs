//! `sparehand figure`: the arithmetic of the trade from the command line, one question at a time or a list of them.

mod answer;
mod entries;
mod light;
mod night;
mod power;
mod road;
mod tanks;
mod water;

use std::io::{BufRead, Write};
use std::process::ExitCode;

use clap::{Args, Subcommand};
use serde::{Deserialize, Serialize};
use thiserror::Error;

use crate::figures::FigureError;
use crate::setup::clock;
pub use answer::{FigureAnswer, FigureVerdict};

/// Quantities are written with their unit: "40 gal", "150 L", "45 psi", "1/4 cup", "5 ft 6 in", "75 %".
///
/// Ends with 0 for a figure and for what fits, with 3 for what does not fit or is not known, with 1 for an error.
#[derive(Debug, Args)]
pub struct FigureArgs {
    /// One JSON object a line.
    #[arg(long, global = true)]
    pub json: bool,
    #[command(subcommand)]
    pub question: FigureQuestion,
}

#[derive(Debug, Subcommand)]
pub enum FigureQuestion {
    #[command(flatten)]
    One(Box<Figure>),
    /// Answer JSON objects from standard input, one a line: {"layer-clock": {"flow": "5 gpm", "base": "10 sq ft"}}.
    Batch,
}

/// What can be asked. In JSON: the name, with the options as fields.
#[derive(Debug, Subcommand, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Figure {
    /// A quantity in other units.
    Convert(answer::Convert),
    /// Volume of a tank from inside measures.
    TankVolume(tanks::TankVolume),
    /// How much a tank holds, by lamps, gauge, sight or counting.
    TankLevel(tanks::TankLevel),
    /// Flow of a tap from the time to fill a bucket.
    BucketFlow(tanks::BucketFlow),
    /// Time until a tank is so full.
    FillTime(tanks::FillTime),
    /// How long the rinse water may run.
    RinseClock(tanks::RinseClockArgs),
    /// How long water runs for a layer, and how deep it is.
    LayerClock(tanks::LayerClockArgs),
    /// Depth of water over a base.
    Depth(tanks::Depth),
    /// Shortest time in which a tank runs out by gravity.
    DrainTime(tanks::DrainTime),
    /// What the pressure of a supply means for the rig.
    Supply(water::SupplyArgs),
    /// Pressure lost in a hose, or the flow that a pressure drives through it.
    HoseLoss(water::HoseLoss),
    /// Bleach for the fresh water tank or the drinking water hose.
    Bleach(water::Bleach),
    /// Whether the things that are on fit the shore service.
    ServiceLoad(power::ServiceLoad),
    /// Current from the battery through an inverter.
    InverterDraw(power::InverterDraw),
    /// How long a battery lasts.
    BatteryHours(power::BatteryHours),
    /// Peukert exponent from two discharges.
    BatteryExponent(power::BatteryExponent),
    /// What a cold night without a hookup takes from battery and gas.
    Night(night::NightArgs),
    /// What happens when the shore cord comes off now.
    Unplug(power::Unplug),
    /// Voltage lost in an extension cord.
    CordDrop(power::CordDrop),
    /// Tire pressure at another temperature or height.
    #[command(alias = "tyre-change")]
    #[serde(alias = "tyre-change")]
    TireChange(road::TyreChange),
    /// What a tire reading means against the placard.
    #[command(alias = "tyre-reading")]
    #[serde(alias = "tyre-reading")]
    TireReading(road::TyreReading),
    /// Weights against the ratings on the labels.
    Weights(road::Weights),
    /// Share of a trailer on its tongue or pin.
    Tongue(road::TongueArgs),
    /// Cargo against the label, and what is left of it.
    Cargo(road::Cargo),
    /// An axle wheel by wheel, against tires and rating.
    Wheels(road::Wheels),
    /// Whether a trailer may go without brakes.
    TrailerBrakes(road::TrailerBrakes),
    /// Whether lug nuts are due.
    WheelNuts(road::WheelNuts),
    /// Sunrise, sunset and civil twilight.
    Daylight(light::DaylightArgs),
}

impl Figure {
    /// Reckons the figure. `wall` tells wall time, RFC 3339, for a question about today.
    ///
    /// # Errors
    /// What is wrong with the input: see [`FigureError`].
    pub fn answer(&self, wall: &dyn Fn() -> String) -> Result<FigureAnswer, FigureError> {
        match self {
            Self::Convert(asked) => asked.answer(),
            Self::TankVolume(asked) => asked.answer(),
            Self::TankLevel(asked) => asked.answer(),
            Self::BucketFlow(asked) => asked.answer(),
            Self::FillTime(asked) => asked.answer(),
            Self::RinseClock(asked) => asked.answer(),
            Self::LayerClock(asked) => asked.answer(),
            Self::Depth(asked) => asked.answer(),
            Self::DrainTime(asked) => asked.answer(),
            Self::Supply(asked) => asked.answer(),
            Self::HoseLoss(asked) => asked.answer(),
            Self::Bleach(asked) => asked.answer(),
            Self::ServiceLoad(asked) => asked.answer(),
            Self::InverterDraw(asked) => asked.answer(),
            Self::BatteryHours(asked) => asked.answer(),
            Self::BatteryExponent(asked) => asked.answer(),
            Self::Night(asked) => asked.answer(),
            Self::Unplug(asked) => asked.answer(),
            Self::CordDrop(asked) => asked.answer(),
            Self::TireChange(asked) => asked.answer(),
            Self::TireReading(asked) => asked.answer(),
            Self::Weights(asked) => asked.answer(),
            Self::Tongue(asked) => asked.answer(),
            Self::Cargo(asked) => asked.answer(),
            Self::Wheels(asked) => asked.answer(),
            Self::TrailerBrakes(asked) => asked.answer(),
            Self::WheelNuts(asked) => asked.answer(),
            Self::Daylight(asked) => asked.answer(wall),
        }
    }
}

/// Answers on the standard output what is asked on the command line, or line by line on the standard input.
///
/// # Errors
/// As [`run`].
pub fn carry_out(args: &FigureArgs) -> Result<ExitCode, FigureCommandError> {
    run(args, &mut std::io::stdin().lock(), &clock::wall, &mut std::io::stdout().lock())
}

/// Answers one question, or the questions in `list`, and writes the answers to `out`.
///
/// # Errors
/// The input of a single question is wrong, or `out` cannot be written to. A wrong question in a list is answered with its error
/// on its own line, and the rest goes on; the exit code then tells of it.
pub fn run(
    args: &FigureArgs,
    list: &mut dyn BufRead,
    wall: &dyn Fn() -> String,
    out: &mut dyn Write,
) -> Result<ExitCode, FigureCommandError> {
    let figure = match &args.question {
        FigureQuestion::One(figure) => figure,
        FigureQuestion::Batch => return batch(list, wall, out),
    };
    let answer = figure.answer(wall)?;
    let text = if args.json { json(&answer)? } else { answer.to_string() };
    writeln!(out, "{}", text.trim_end()).map_err(FigureCommandError::Write)?;
    Ok(if answer.verdict.is_good() { ExitCode::SUCCESS } else { ExitCode::from(NOT_GOOD) })
}

fn batch(
    list: &mut dyn BufRead,
    wall: &dyn Fn() -> String,
    out: &mut dyn Write,
) -> Result<ExitCode, FigureCommandError> {
    let mut failed = false;
    for (index, line) in list.lines().enumerate() {
        let line = line.map_err(FigureCommandError::Read)?;
        if line.trim().is_empty() {
            continue;
        }
        let found = serde_json::from_str::<Figure>(&line)
            .map_err(|why| format!("line {}: {why}", index + 1))
            .and_then(|figure| figure.answer(wall).map_err(|why| format!("line {}: {why}", index + 1)));
        let text = match found {
            Ok(answer) => json(&answer)?,
            Err(error) => {
                failed = true;
                json(&Failure { error })?
            }
        };
        writeln!(out, "{text}").map_err(FigureCommandError::Write)?;
    }
    Ok(if failed { ExitCode::FAILURE } else { ExitCode::SUCCESS })
}

fn json(what: &impl Serialize) -> Result<String, FigureCommandError> {
    serde_json::to_string(what).map_err(|why| FigureCommandError::Write(why.into()))
}

#[derive(Serialize)]
struct Failure {
    error: String,
}

/// The exit code for what does not fit or is not known.
const NOT_GOOD: u8 = 3;

/// Why `sparehand figure` could not do its work.
#[derive(Debug, Error)]
pub enum FigureCommandError {
    #[error(transparent)]
    Figure(#[from] FigureError),
    #[error("the questions cannot be read, expected lines of JSON on standard input")]
    Read(#[source] std::io::Error),
    #[error("the answers cannot be written")]
    Write(#[source] std::io::Error),
}
