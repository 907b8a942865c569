//! The program's voice: words to phonemes, spectrum and samples, kept in a cache.
#![warn(missing_docs)]

pub mod cache;
pub mod model;
pub mod phonemes;
pub mod prepare;
pub mod spectrum;
