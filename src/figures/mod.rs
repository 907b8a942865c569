//! The arithmetic of the trade. Pure: quantities with units in, figures or a clear error out.
//!
//! Every function says its formula, units, range and source, and carries them in a [`Method`] for those who print them. Bounds
//! that are common practice are arguments with a default, for they are the owner's to settle; what a standard sets is a constant.
//! A figure that cannot be known is an error or "unknown", never a pass.

pub mod battery;
pub mod clocks;
pub mod cord;
pub mod daylight;
pub mod drain;
pub mod error;
pub mod flow;
pub mod hose;
mod kinds;
pub mod night;
pub mod parse;
pub mod pressure;
pub mod sanitize;
pub mod service;
pub mod supply;
pub mod tank;
pub mod towing;
pub mod tyres;
pub mod units;
pub mod unplug;
pub mod weights;

pub use error::FigureError;

/// How a figure is reckoned, for those who want to check it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Method {
    /// The formula or rule, in words and plain signs.
    pub formula: &'static str,
    /// Where it comes from.
    pub source: &'static str,
    /// What a person must know before acting on the figure.
    pub caution: &'static str,
}

/// Whether `value` reaches `limit` or stays below. Converting units rounds in the last digit: 3,000 lb must not exceed 3,000 lb.
pub(crate) fn at_most(value: f64, limit: f64) -> bool {
    value <= limit + limit.abs() * ROUNDING
}

/// Whether `value` reaches `limit` or exceeds it, as [`at_most`] does.
pub(crate) fn at_least(value: f64, limit: f64) -> bool {
    value >= limit - limit.abs() * ROUNDING
}

/// Far above what converting units loses (about 1e-15), far below what anybody can weigh or read.
const ROUNDING: f64 = 1e-9;
