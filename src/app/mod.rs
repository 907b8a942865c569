//! Joins everything: the only place that knows every other module.

pub mod clock;
pub mod fetch;
pub mod log_command;
pub mod models;
mod pip;
