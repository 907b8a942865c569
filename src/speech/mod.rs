//! The speech models, shared by all stations: recognising phrases and making the voice.

pub mod acoustic;
pub mod calibration;
pub mod decide;
pub mod evidence;
pub mod judge;
pub mod limits;
pub mod listener;
mod log_sum;
pub mod own_examples;
pub mod own_words;
pub mod phrases;
pub mod recogniser;
pub mod schedule;
pub mod score;
pub mod speaker;
pub mod synthesiser;
pub mod tokens;
pub mod tree;
pub mod two_ears;
pub mod voice;
pub mod vosk;
pub mod worker;
