//! Hearing, per station: microphone frames in, utterances and what became of them out. No speech model: [`ear::Ear`] asks for looks, and the
//! recogniser that all stations share ([`crate::speech`]) answers.
//!
//! Everything here is free of devices, clocks and threads: the same frames and answers give the same events.

pub mod align;
mod convergence;
pub mod detector;
pub mod drift;
pub mod ear;
pub mod echo;
pub mod endpoint;
mod late_copy;
pub mod level;
pub mod look;
pub mod measure;
pub mod noise;
pub mod note;
pub mod output;
mod segment;
