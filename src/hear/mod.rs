//! Hearing: microphone frames in, recognised phrases out.
//!
//! The phrases that may be said now are scored with an end-to-end speech model; nothing is dictated and matched afterwards.
//! For other languages than English, [`vosk`] does it with a model of the user's.
//! Everything but [`capture`] is free of devices, clocks and threads: the same frames give the same events.

pub mod activity;
pub mod clip;
pub mod drift;
pub mod echo;
mod known_room;
mod late_echo;
pub mod level;
pub mod listener;
pub mod measure;
pub mod noise;
pub mod note;
pub mod pairing;
mod utterance;
