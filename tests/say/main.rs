//! What is said: text, voice, loudness, mixing, playback.

mod alarm;
mod command;
mod doctor;
mod loudness;
mod mixer;
#[path = "../say_common/mod.rs"]
mod say_common;
#[allow(dead_code, reason = "the live tests use the rest")]
#[path = "../live/server.rs"]
mod server;
mod speaker;
mod standing_still;
mod synthesiser;
mod text;
mod voice;
mod wake;
