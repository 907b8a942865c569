//! The engine: its steps, refusals, clocks, readings and people, driven on a virtual clock.

mod away;
mod coach;
mod gate;
mod hazards;
mod large;
mod limits;
mod meanwhile;
mod moves;
mod not_understood;
mod on_time;
mod order;
mod people;
mod prior;
mod properties;
#[path = "../random_play/mod.rs"]
mod random_play;
mod readings;
mod reckon;
mod remarks;
mod rests;
mod scenarios;
mod screens;
mod stations;
mod stretches;
mod today;
mod unasked;
#[path = "../world/mod.rs"]
mod world;
