//! Routines on paper and in spreadsheets, out and back in.

mod damaged;
mod lists;
mod page;
#[path = "../paper_support/mod.rs"]
mod paper_support;
mod round_trip;
