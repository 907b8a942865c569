//! The journal: what is kept, and what outlives crashes and damage.

mod crash;
mod damage;
mod fixtures;
mod fixtures_written;
#[path = "../journal_support/mod.rs"]
mod journal_support;
mod keeps;
mod log;
#[path = "../world/mod.rs"]
mod world;
