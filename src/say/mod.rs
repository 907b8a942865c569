//! Text into words, and what a station plays: numbers and quantities as they are said, loudness, alarm signals, the mixer.
//!
//! [`text`] puts text into words, [`loudness`] makes all of it equally loud, [`mixer`] decides sample by sample what one station plays. Words become
//! sound elsewhere ([`crate::speech::voice`]); nothing here reads a clock, loads a model or knows a device.

mod limiter;
pub mod loudness;
pub mod mixer;
mod numbers;
mod quantities;
pub mod signals;
mod sounding;
pub mod text;
pub mod wording;

pub use numbers::NumberReading;
