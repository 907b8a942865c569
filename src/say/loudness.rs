//! Equal loudness for everything that is said: -16 LUFS, true peak at most -1 dBTP.
//!
//! Measures by ITU-R BS.1770 / EBU R 128 (crate `ebur128`). A sound shorter than one gating block of 400 ms has no gated
//! loudness; it is measured as if it went on, without a gate, and the result says so.

use ebur128::{EbuR128, Mode};

use crate::say::limiter::Limiter;

/// Loudness of a sound, in LUFS.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Loudness {
    /// Integrated loudness as the standard has it.
    Gated(f64),
    /// Shorter than 400 ms: mean loudness of the whole sound, without a gate.
    Ungated(f64),
    /// Nothing to be heard.
    Silence,
}

impl Loudness {
    /// The value in LUFS, if there is one.
    pub fn lufs(self) -> Option<f64> {
        match self {
            Self::Gated(lufs) | Self::Ungated(lufs) => Some(lufs),
            Self::Silence => None,
        }
    }
}

/// Measures a mono sound.
///
/// # Errors
///
/// The meter refuses the rate (range 16 Hz to 2.8 MHz).
pub fn measure(samples: &[f32], rate: u32) -> Result<Loudness, LoudnessError> {
    let block = rate as usize * 2 / 5;
    if samples.is_empty() {
        return Ok(Loudness::Silence);
    }
    if samples.len() >= block {
        let mut meter = EbuR128::new(1, rate, Mode::I)?;
        meter.add_frames_f32(samples)?;
        return Ok(value(meter.loudness_global()?, Loudness::Gated));
    }
    // Repeated until the filters have settled and a window of whole repetitions can be taken.
    let repeats = (3 * rate as usize).div_ceil(samples.len());
    let mut meter = EbuR128::new(1, rate, Mode::M)?;
    let repeats_in_window = (2 * block).div_ceil(samples.len());
    let window = (repeats_in_window * samples.len() * 1000 / rate as usize) as u32;
    meter.set_max_window(window)?;
    for _ in 0..repeats {
        meter.add_frames_f32(samples)?;
    }
    Ok(value(meter.loudness_window(window)?, Loudness::Ungated))
}

/// The highest level between and at the samples, in dBTP (BS.1770 Annex 2, fourfold oversampling).
///
/// # Errors
///
/// As of [`measure`].
pub fn true_peak(samples: &[f32], rate: u32) -> Result<f64, LoudnessError> {
    let mut meter = EbuR128::new(1, rate, Mode::TRUE_PEAK)?;
    meter.add_frames_f32(samples)?;
    // The interpolation filter needs what comes after the last sample.
    meter.add_frames_f32(&[0.0; 64])?;
    Ok(20.0 * meter.true_peak(0)?.log10())
}

/// The sound at `target` LUFS (within 1 LU) and at most [`HIGHEST_PEAK`] dBTP.
///
/// Where the peaks stand too far above the mean, a soft limiter takes them down. Silence stays silence.
///
/// # Errors
///
/// As of [`measure`]; [`LoudnessError::Unreachable`] when the sound is all peak, such as a single click.
pub fn level(samples: &[f32], rate: u32, target: f64) -> Result<Vec<f32>, LoudnessError> {
    let Some(before) = measure(samples, rate)?.lufs() else { return Ok(samples.to_vec()) };
    let mut gain = target - before;
    let louder = |gain: f64| -> Vec<f32> { samples.iter().map(|sample| sample * decibels(gain)).collect() };
    // Without the limiter both values grow by the gain exactly.
    if true_peak(samples, rate)? + gain <= HIGHEST_PEAK - RATE_MARGIN {
        return Ok(louder(gain));
    }
    let release = rate as usize / 12;
    let mut ceiling = HIGHEST_PEAK - PEAK_MARGIN;
    let mut reached = before;
    for _ in 0..ROUNDS {
        let limited = Limiter::limit(&louder(gain), decibels(ceiling), release);
        reached = measure(&limited, rate)?.lufs().unwrap_or(f64::NEG_INFINITY);
        let peak = true_peak(&limited, rate)?;
        if (reached - target).abs() <= CLOSE && peak <= HIGHEST_PEAK - RATE_MARGIN {
            return Ok(limited);
        }
        gain += (target - reached).clamp(-6.0, 6.0);
        let over = peak - (HIGHEST_PEAK - RATE_MARGIN);
        if over > 0.0 {
            // A little more than what is over, or it would only be approached.
            ceiling -= over + 0.1;
        }
    }
    Err(LoudnessError::Unreachable { reached, target })
}

/// The sound as loud as its peaks allow without a limiter: for what [`level`] refuses.
///
/// # Errors
///
/// As of [`measure`].
pub fn loudest(samples: &[f32], rate: u32) -> Result<Vec<f32>, LoudnessError> {
    let peak = true_peak(samples, rate)?;
    let gain = if peak.is_finite() { decibels(HIGHEST_PEAK - RATE_MARGIN - peak) } else { 1.0 };
    Ok(samples.iter().map(|sample| sample * gain).collect())
}

/// The factor of a gain in decibels.
pub(super) fn decibels(gain: f64) -> f32 {
    10f64.powf(gain / 20.0) as f32
}

/// What can go wrong with levels.
#[derive(Debug, thiserror::Error)]
pub enum LoudnessError {
    #[error("loudness meter: {0}")]
    Meter(#[from] ebur128::Error),
    #[error("loudness: reached {reached:.1} LUFS, expected {target:.1}; the sound is all peak")]
    Unreachable { reached: f64, target: f64 },
}

fn value(lufs: f64, kind: fn(f64) -> Loudness) -> Loudness {
    if lufs.is_finite() && lufs > ABSOLUTE_GATE { kind(lufs) } else { Loudness::Silence }
}

/// LUFS of all speech. EBU R 128 asks for -23 for broadcasts; small loudspeakers out of doors need more.
pub const SPEECH: f64 = -16.0;

/// dBTP (EBU R 128).
pub const HIGHEST_PEAK: f64 = -1.0;

/// Decibels that the limiter's ceiling stays below that, for peaks between samples.
const PEAK_MARGIN: f64 = 0.7;

/// Decibels by which a peak may still grow when the sound goes to another rate.
const RATE_MARGIN: f64 = 0.3;

/// LU from the target that is close enough. The promise is 1.
const CLOSE: f64 = 0.5;

const ROUNDS: usize = 8;

/// LUFS: what is quieter counts as silence (BS.1770).
const ABSOLUTE_GATE: f64 = -70.0;
