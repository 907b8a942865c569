//! Routines on paper and in spreadsheets, out and back in.

mod damaged;
mod lists;
mod page;
#[path = "../paper_support/mod.rs"]
mod paper_support;
#[path = "../readers/mod.rs"]
mod readers;
mod round_trip;
