//! Decides. One [`input::Input`] in, [`output::Output`]s out, drained until the engine names its next wake-up; time is passed in.

pub mod event;
pub mod input;
pub mod output;
