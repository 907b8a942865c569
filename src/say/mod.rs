//! Text to a loudspeaker or a WAV file: words, phonemes, samples, loudness, a queue with priorities, alarm signals.
//!
//! [`text`] puts text into words, [`voice`] words into sound, [`loudness`] makes all of it equally loud, [`cache`] keeps it
//! on disk, [`speaker`] decides sample by sample what is heard, [`playback`] hands that to a device. Nothing here reads a
//! clock; everything but [`playback`] runs as well into a file.

mod limiter;
pub mod loudness;
pub mod mixer;
mod numbers;
mod quantities;
pub mod signals;
mod sounding;
pub mod text;
pub mod wording;

pub use numbers::NumberReading;
