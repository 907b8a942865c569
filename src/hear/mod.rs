//! Hearing: microphone frames in, recognised phrases out.
//!
//! The phrases that may be said now are scored with an end-to-end speech model; nothing is dictated and matched afterwards.
//! For other languages than English, [`vosk`] does it with a model of the user's.
//! Everything but [`capture`] is free of devices, clocks and threads: the same frames give the same events.

pub mod acoustic;
pub mod activity;
pub mod calibration;
pub mod capture;
pub mod clip;
pub mod drift;
pub mod echo;
pub mod evidence;
mod known_room;
mod late_echo;
pub mod level;
pub mod listener;
mod log_sum;
pub mod measure;
pub mod noise;
pub mod note;
pub mod pairing;
pub mod phrases;
pub mod recogniser;
pub mod reject;
pub mod score;
pub mod speaker;
pub mod tokens;
pub mod tree;
mod utterance;
pub mod vosk;
pub mod wav;

/// Samples a second of everything inside `hear`, in hertz.
pub const SAMPLE_RATE: usize = 16_000;

/// Samples of one frame: 10 ms.
pub const FRAME_LEN: usize = 160;
