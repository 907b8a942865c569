//! Text to a loudspeaker or a WAV file: words, phonemes, samples, loudness, a queue with priorities, alarm signals.
//!
//! [`text`] puts text into words, [`voice`] words into sound, [`loudness`] makes all of it equally loud, [`cache`] keeps it
//! on disk, [`speaker`] decides sample by sample what is heard, [`playback`] hands that to a device. Nothing here reads a
//! clock; everything but [`playback`] runs as well into a file.

pub mod cache;
mod limiter;
pub mod loud_enough;
pub mod loudness;
mod numbers;
pub mod phonemes;
pub mod playback;
pub mod prepare;
mod quantities;
pub mod signals;
pub mod speaker;
pub mod synthesis;
pub mod text;
pub mod voice;
pub mod wording;

pub use numbers::NumberReading;
