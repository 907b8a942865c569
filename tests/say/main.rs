//! What is said: text, voice, loudness, playback.

mod command;
mod loudness;
mod playback;
#[path = "../say_common/mod.rs"]
mod say_common;
mod speaker;
mod text;
mod voice;
