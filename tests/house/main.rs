//! What holds for the source itself.

mod checks;
mod circles;
mod commands;
mod examples;
mod figures;
mod layering;
mod names;
mod paths;
mod rules;
mod sizes;
