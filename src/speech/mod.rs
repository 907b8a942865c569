//! The speech models, shared by all stations: recognising phrases and making the voice.

pub mod acoustic;
pub mod calibration;
pub mod decide;
pub mod evidence;
mod log_sum;
pub mod own_examples;
pub mod phrases;
pub mod recogniser;
pub mod score;
pub mod speaker;
pub mod synthesiser;
pub mod tokens;
pub mod tree;
pub mod voice;
pub mod vosk;
