//! What holds for the source itself.

mod circles;
mod layering;
mod names;
mod paths;
mod rules;
mod sizes;
