//! Sounds of the mixing library, as the mixer plays them: one whose gain may change, and those that lie over it.

use std::num::NonZero;
use std::time::Duration;

use rodio::Source;
use rodio::buffer::SamplesBuffer;
use rodio::mixer::MixerSource;
use rodio::source::Amplify;

use crate::audio::{PLAYBACK_FRAME_LEN, PLAYBACK_RATE};

/// A sound that is being played, with a gain that may change.
pub(super) struct Sounding {
    source: Amplify<SamplesBuffer>,
    played: usize,
}

impl Sounding {
    pub(super) fn new(samples: &[f32]) -> Self {
        Self { source: source_of(samples).amplify(1.0), played: 0 }
    }

    pub(super) fn left(&self) -> usize {
        self.source.len()
    }

    /// Fills `out`, which is no longer than what is left, while the gain goes on from `gain` towards `target`, which it reaches within 10 ms.
    /// Gives the gain at the end.
    pub(super) fn play(&mut self, out: &mut [f32], mut gain: f32, target: f32) -> f32 {
        let step = (target - gain) / PLAYBACK_FRAME_LEN as f32;
        self.played += out.len();
        for place in out {
            gain = if (target - gain).abs() <= step.abs() { target } else { gain + step };
            self.source.set_factor(gain);
            *place = self.source.next().unwrap_or(0.0);
        }
        gain
    }

    pub(super) fn played(&self) -> usize {
        self.played
    }

    /// All of it, at this gain.
    pub(super) fn at(mut self, gain: f32) -> impl Source + Send + 'static {
        self.source.set_factor(gain);
        self.source
    }

    /// What is left, at this gain, fading out.
    pub(super) fn faded(mut self, gain: f32) -> impl Source + Send + 'static {
        self.source.set_factor(gain);
        self.source.fade_out(FADE).take_duration(FADE)
    }
}

/// Sounds over what is said.
pub(super) struct Overlay {
    input: rodio::mixer::Mixer,
    output: MixerSource,
    /// Samples of the longest of them that are still to come.
    left: usize,
}

impl Overlay {
    pub(super) fn new() -> Self {
        let (input, output) = rodio::mixer::mixer(NonZero::<u16>::MIN, RATE);
        Self { input, output, left: 0 }
    }

    pub(super) fn add(&mut self, sound: impl Source + Send + 'static) {
        let length = sound.total_duration().map_or(0, samples_of);
        self.left = self.left.max(length + 1);
        self.input.add(sound);
    }

    pub(super) fn sounds(&self) -> bool {
        self.left > 0
    }

    pub(super) fn mix_into(&mut self, out: &mut [f32]) {
        self.left = self.left.saturating_sub(out.len());
        for (place, over) in out.iter_mut().zip(&mut self.output) {
            *place += over;
        }
    }
}

fn source_of(samples: &[f32]) -> SamplesBuffer {
    SamplesBuffer::new(NonZero::<u16>::MIN, RATE, samples)
}

pub(super) fn samples_of(span: Duration) -> usize {
    (span.as_nanos() * u128::from(PLAYBACK_RATE)).div_ceil(1_000_000_000) as usize
}

const RATE: NonZero<u32> = match NonZero::new(PLAYBACK_RATE) {
    Some(rate) => rate,
    None => NonZero::<u32>::MIN,
};

/// How long something fades that is cut off.
const FADE: Duration = Duration::from_millis(15);
