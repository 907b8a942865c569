//! What holds for the source itself.

mod layering;
mod rules;
