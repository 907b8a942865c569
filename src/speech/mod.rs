//! The speech models, shared by all stations: recognising phrases and making the voice.
//!
//! [`worker`] is what a run uses: one recogniser, one thread. The phrases that may be said now are scored with an end-to-end model ([`score`]), the
//! best is judged ([`judge`]), and [`decide`](crate::decide) says whether it counts; nothing is dictated and matched afterwards.
//! For other languages than English, [`vosk`] does it with a model of the user's.
#![warn(missing_docs)]

pub mod acoustic;
pub mod calibration;
pub mod clip;
pub mod judge;
pub mod listener;
mod log_sum;
pub mod networks;
pub mod note;
pub mod own_examples;
pub mod phrases;
pub mod recogniser;
pub mod schedule;
pub mod score;
pub mod speaker;
pub mod synthesiser;
pub mod tokens;
pub mod tree;
#[allow(missing_docs, reason = "its errors say themselves what they are")]
pub mod voice;
pub mod vosk;
pub mod worker;
