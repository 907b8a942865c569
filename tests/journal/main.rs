//! The journal: what is kept, and what outlives crashes and damage.

mod crash;
mod damage;
#[path = "../journal_support/mod.rs"]
mod journal_support;
mod keeps;
mod log;
