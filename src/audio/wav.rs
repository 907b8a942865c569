//! WAV files of any usual kind as 16 kHz mono samples.

use std::path::{Path, PathBuf};

use hound::{SampleFormat, WavReader};
use rubato::audioadapter_buffers::owned::InterleavedOwned;
use rubato::{Fft, FixedSync, Resampler};

use crate::audio::SAMPLE_RATE;

/// Reads `path` (8 to 32 bits, or 32-bit float; any rate from 4 to 384 kHz; channels are averaged).
///
/// # Errors
/// The file cannot be read, is not a WAV file, is cut short, or has no samples.
pub fn read(path: &Path) -> Result<Vec<f32>, WavError> {
    let fault = |fault: String| WavError::Format { path: path.to_owned(), fault };
    let reader = WavReader::open(path).map_err(|source| WavError::Read { path: path.to_owned(), source })?;
    let spec = reader.spec();
    let (channels, rate) = (usize::from(spec.channels), spec.sample_rate as usize);
    if channels == 0 || !(4_000..=384_000).contains(&rate) {
        return Err(fault(format!("{channels} channels at {rate} Hz, expected at least 1 at 4000 to 384000 Hz")));
    }
    let all: Result<Vec<f32>, hound::Error> = match spec.sample_format {
        SampleFormat::Float => reader.into_samples::<f32>().collect(),
        SampleFormat::Int => {
            let bits = spec.bits_per_sample;
            if !(8..=32).contains(&bits) {
                return Err(fault(format!("{bits} bits a sample, expected 8 to 32")));
            }
            let full = (1_i64 << (bits - 1)) as f32;
            reader.into_samples::<i32>().map(|sample| sample.map(|sample| sample as f32 / full)).collect()
        }
    };
    let all = all.map_err(|source| WavError::Read { path: path.to_owned(), source })?;
    let mono: Vec<f32> = all.chunks_exact(channels).map(|frame| frame.iter().sum::<f32>() / channels as f32).collect();
    if mono.is_empty() {
        return Err(fault("no samples".to_owned()));
    }
    if let Some(at) = mono.iter().position(|sample| !sample.is_finite()) {
        return Err(fault(format!("sample {at} is no number")));
    }
    resampled(mono, rate).map_err(|why| fault(format!("cannot be resampled from {rate} Hz: {why}")))
}

fn resampled(mono: Vec<f32>, rate: usize) -> Result<Vec<f32>, String> {
    if rate == SAMPLE_RATE {
        return Ok(mono);
    }
    let len = mono.len();
    let mut resampler = Fft::<f32>::new(rate, SAMPLE_RATE, 1024, 1, FixedSync::Both).map_err(|why| why.to_string())?;
    let input = InterleavedOwned::new_from(mono, 1, len).map_err(|why| why.to_string())?;
    let output = resampler.process_all(&input, len, None).map_err(|why| why.to_string())?;
    Ok(output.take_data())
}

/// Why a WAV file gave no sound.
#[derive(Debug, thiserror::Error)]
pub enum WavError {
    #[error(
        "sound file {}: found no sound that can be read ({source}), expected a WAV file; check its name, or save it as WAV", path.display()
    )]
    Read { path: PathBuf, source: hound::Error },
    #[error("sound file {}: {fault}", path.display())]
    Format { path: PathBuf, fault: String },
}
