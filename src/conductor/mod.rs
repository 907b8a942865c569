//! The only loop: joins engine, journal, stations, screen and plan. [`live`] and [`rehearsal`] are two callers of one [`core::Conductor`].
#![warn(missing_docs)]

pub mod begin;
pub mod core;
pub mod edges;
pub mod error;
pub mod fault;
pub mod interrupt;
pub mod kept_sound;
pub mod live;
pub mod news;
pub mod notes;
pub mod on_time;
mod phone;
mod phone_line;
pub mod phones;
pub mod rehearsal;
mod restart;
pub mod scribe;
mod sound_card;
pub mod talk;
mod timer;
mod workers;
