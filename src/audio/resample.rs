//! From one rate to another: what is played to what the echo canceller takes, and what the voice gives to what is played.

use rubato::audioadapter_buffers::direct::InterleavedSlice;
use rubato::{Fft, FixedSync, Resampler};

use crate::audio::{FRAME_LEN, PLAYBACK_FRAME_LEN, PLAYBACK_RATE, SAMPLE_RATE};

/// From what is played (10 ms at 48 kHz) to what the echo canceller takes (10 ms at 16 kHz).
pub struct Decimator {
    third: Fft<f32>,
    /// Frames of silence in a row, counted up to [`SETTLED`].
    silent: usize,
}

impl Decimator {
    /// A decimator that has been given nothing but silence so far.
    ///
    /// # Errors
    /// The resampler cannot be made.
    pub fn new() -> Result<Self, ResampleError> {
        let third = Fft::new(PLAYBACK_RATE as usize, SAMPLE_RATE, PLAYBACK_FRAME_LEN, 1, FixedSync::Both);
        Ok(Self { third: third.map_err(ResampleError::of)?, silent: SETTLED })
    }

    /// The frame a third as dense; late by [`delay`](Self::delay).
    ///
    /// # Errors
    /// The resampler refuses.
    pub fn decimate(&mut self, input: &[f32; PLAYBACK_FRAME_LEN]) -> Result<[f32; FRAME_LEN], ResampleError> {
        let mut output = [0.0f32; FRAME_LEN];
        let is_silent = input.iter().all(|sample| *sample == 0.0);
        // After so much silence the resampler holds nothing else: silence comes out, and it need not be asked.
        if is_silent && self.silent >= SETTLED {
            return Ok(output);
        }
        self.silent = if is_silent { self.silent + 1 } else { 0 };
        let from = InterleavedSlice::new(&input[..], 1, PLAYBACK_FRAME_LEN).map_err(ResampleError::of)?;
        let mut to = InterleavedSlice::new_mut(&mut output[..], 1, FRAME_LEN).map_err(ResampleError::of)?;
        self.third.process_into_buffer(&from, &mut to, None).map_err(ResampleError::of)?;
        Ok(output)
    }

    /// Samples at 16 kHz by which the output is late.
    pub fn delay(&self) -> usize {
        self.third.output_delay()
    }
}

/// Whole sounds from 24 kHz to 48 kHz.
pub struct Doubler(Fft<f32>);

impl Doubler {
    /// A doubler.
    ///
    /// # Errors
    /// The resampler cannot be made.
    pub fn new() -> Result<Self, ResampleError> {
        let double = Fft::new(PLAYBACK_RATE as usize / 2, PLAYBACK_RATE as usize, 1024, 1, FixedSync::Both);
        double.map(Self).map_err(ResampleError::of)
    }

    /// The sound with twice as many samples, without delay.
    ///
    /// # Errors
    /// The resampler refuses.
    pub fn double(&mut self, samples: &[f32]) -> Result<Vec<f32>, ResampleError> {
        let input = InterleavedSlice::new(samples, 1, samples.len()).map_err(ResampleError::of)?;
        let output = self.0.process_all(&input, samples.len(), None).map_err(ResampleError::of)?;
        Ok(output.take_data())
    }
}

/// Sound cannot be brought to another rate.
#[derive(Debug, thiserror::Error)]
#[error("sound cannot be brought to another rate")]
pub struct ResampleError(#[source] Box<dyn std::error::Error + Send + Sync>);

impl ResampleError {
    fn of(source: impl std::error::Error + Send + Sync + 'static) -> Self {
        Self(Box::new(source))
    }
}

/// Frames of silence after which nothing of what was before is left in the resampler, whose memory is one frame long.
const SETTLED: usize = 3;

#[cfg(test)]
mod tests {
    use super::*;

    fn tone(hertz: f32, frame: usize) -> [f32; PLAYBACK_FRAME_LEN] {
        std::array::from_fn(|n| {
            let at = (frame * PLAYBACK_FRAME_LEN + n) as f32;
            (at * hertz * std::f32::consts::TAU / PLAYBACK_RATE as f32).sin()
        })
    }

    // Shannon: nothing above 8 kHz may come back as something below. The -50 dB is our own requirement.
    #[test]
    fn the_reference_keeps_speech_frequencies_and_lets_no_others_fold_in() {
        let power_of = |hertz: f32| {
            let mut decimator = Decimator::new().unwrap();
            let mut power = 0.0;
            for number in 0..100 {
                let frame = decimator.decimate(&tone(hertz, number)).unwrap();
                if number >= 10 {
                    power += frame.iter().map(|sample| sample * sample).sum::<f32>();
                }
            }
            10.0 * (power / (90.0 * 160.0) * 2.0 + 1e-12).log10()
        };
        for hertz in [100.0, 1000.0, 3000.0, 6500.0] {
            assert!(power_of(hertz).abs() < 0.5, "{hertz} Hz: {} dB", power_of(hertz));
        }
        for hertz in [9500.0, 12_000.0, 20_000.0] {
            assert!(power_of(hertz) < -50.0, "{hertz} Hz: {} dB", power_of(hertz));
        }
    }

    #[test]
    fn silence_that_is_not_reckoned_is_what_reckoning_it_gives() {
        let (mut short, mut whole) = (Decimator::new().unwrap(), Decimator::new().unwrap());
        for number in 0..200 {
            // Sound, then a pause of half a second, then sound again.
            let input = if (40..90).contains(&number) { [0.0; PLAYBACK_FRAME_LEN] } else { tone(440.0, number) };
            whole.silent = 0;
            assert_eq!(short.decimate(&input).unwrap(), whole.decimate(&input).unwrap(), "frame {number}");
        }
    }
}
