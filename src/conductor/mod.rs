//! The only loop: joins engine, journal, stations, screen and plan. [`live`] and [`rehearse`] are two callers of one [`core::Conductor`].

pub mod begin;
pub mod core;
pub mod edges;
pub mod error;
pub mod kept_sound;
pub mod live;
pub mod memory;
pub mod news;
pub mod notes;
pub mod on_time;
pub mod person;
pub mod rehearse;
pub mod room;
pub mod scribe;
pub mod script;
mod sound_card;
pub mod summary;
pub mod talk;
mod timer;
mod workers;
