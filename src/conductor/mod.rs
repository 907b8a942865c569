//! Joins the parts of a run: engine, journal, stations, screen and plan.

pub mod begin;
pub mod courtesy;
pub mod kept_sound;
pub mod live;
pub mod live_ear;
pub mod live_mouth;
pub mod memory;
pub mod notes;
pub mod on_time;
pub mod person;
pub mod rehearse;
pub mod room;
pub mod script;
pub mod session;
pub mod summary;
pub mod talk;
