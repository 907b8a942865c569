//! sparehand: a spare hand that talks, for people who live or travel in a motorhome, trailer or van.
//!
//! Data flows in one direction: microphone -> [`hear`] -> [`engine`] -> [`journal`] (first) -> [`say`], [`screen`].
//! [`units`], [`source`], [`routine`], [`rig`], [`figures`], [`plan`] and [`engine`] are pure: they take time as an argument and touch
//! no audio, database, file, thread or clock. [`conductor`] joins them; [`cli`] begins it.

#[macro_use]
extern crate uom;

pub mod audio;
pub mod cli;
pub mod conductor;
pub mod decide;
pub mod engine;
pub mod figures;
pub mod hear;
pub mod journal;
pub mod memory;
pub mod onnx;
pub mod paper;
pub mod plan;
pub mod rig;
pub mod routine;
pub mod say;
pub mod screen;
pub mod server;
pub mod setup;
pub mod source;
pub mod speech;
pub mod station;
pub mod units;
