//! Joins everything: the only place that knows every other module.

pub mod clock;
pub mod log_command;
