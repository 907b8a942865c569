//! What holds for the source itself.

mod checks;
mod layering;
mod rules;
