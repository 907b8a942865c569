//! The model's spectral parts to samples: a pulse train shaped by one spectrum, noise shaped by another, and a third part
//! with free phase, put together in one inverse short-time Fourier transform.
//!
//! `S = exp(lh) e^(i pi tanh theta) STFT(pulses(f0)) + exp(ln) Z + exp(lr) e^(i phi)`, with Z complex Gaussian noise; Hann
//! window of 1200 samples, hop 300, at 24 kHz. The noise is seeded, so that the same sentence always sounds the same.

use std::f32::consts::PI;
use std::sync::Arc;

use rand::SeedableRng;
use rand::rngs::Xoshiro256PlusPlus;
use rand_distr::{Distribution, StandardNormal};
use realfft::num_complex::Complex32;
use realfft::{ComplexToReal, FftError, RealFftPlanner, RealToComplex};

/// What the model says about a sentence: five spectra of [`BINS`] values per frame, bin by bin, and a pitch per frame.
pub struct Spectrum {
    /// Log magnitude of the harmonic part, natural logarithm.
    pub(crate) harmonic: Vec<f32>,
    /// Phase of the harmonic part, before `tanh`, in half turns.
    pub(crate) harmonic_phase: Vec<f32>,
    /// Log magnitude of the noise.
    pub(crate) noise: Vec<f32>,
    /// Log magnitude of the part with free phase.
    pub(crate) free: Vec<f32>,
    /// Phase of that part, in radians.
    pub(crate) free_phase: Vec<f32>,
    /// Pitch in hertz; below 40 is unvoiced.
    pub(crate) pitch: Vec<f32>,
}

impl Spectrum {
    /// The same sounds in less time: `factor` times as fast, by leaving out frames evenly. Pitch stays.
    pub(crate) fn faster(self, factor: f32) -> Self {
        let frames = self.pitch.len();
        let kept = ((frames as f32 / factor) as usize).clamp(1, frames.max(1));
        let places: Vec<usize> =
            (0..kept).map(|place| ((place as f32 * factor).round() as usize).min(frames.saturating_sub(1))).collect();
        let pick = |part: &[f32]| -> Vec<f32> {
            part.chunks_exact(frames.max(1)).flat_map(|bin| places.iter().map(|&place| bin[place])).collect()
        };
        Self {
            harmonic: pick(&self.harmonic),
            harmonic_phase: pick(&self.harmonic_phase),
            noise: pick(&self.noise),
            free: pick(&self.free),
            free_phase: pick(&self.free_phase),
            pitch: pick(&self.pitch),
        }
    }
}

/// Turns spectra into samples. Keeps its transforms and buffers.
pub struct Synthesis {
    forward: Arc<dyn RealToComplex<f32>>,
    inverse: Arc<dyn ComplexToReal<f32>>,
    window: Vec<f32>,
}

impl Synthesis {
    pub(crate) fn new() -> Self {
        let mut planner = RealFftPlanner::new();
        let window = (0..WINDOW).map(|n| 0.5 - 0.5 * (2.0 * PI * n as f32 / WINDOW as f32).cos()).collect();
        Self { forward: planner.plan_fft_forward(WINDOW), inverse: planner.plan_fft_inverse(WINDOW), window }
    }

    /// Samples at 24 kHz, [`HOP`] for each frame. The same `seed` gives the same noise.
    pub(crate) fn samples(&self, spectrum: &Spectrum, seed: u64) -> Result<Vec<f32>, FftError> {
        let frames = spectrum.pitch.len();
        let half = WINDOW / 2;
        let pulses = reflect(&pulse_train(&spectrum.pitch), half);
        let mut noise = Xoshiro256PlusPlus::seed_from_u64(seed);
        let mut normal = move || -> f32 { StandardNormal.sample(&mut noise) };

        let mut frame = self.forward.make_input_vec();
        let mut bins = self.forward.make_output_vec();
        let mut forward_scratch = self.forward.make_scratch_vec();
        let mut inverse_scratch = self.inverse.make_scratch_vec();
        let mut sum = vec![0.0f32; (frames.max(1) - 1) * HOP + WINDOW];
        let mut weight = vec![0.0f32; sum.len()];
        // A cosine of amplitude one peaks at a quarter of the window's length.
        let source_gain = 4.0 / WINDOW as f32;
        for number in 0..frames {
            let start = number * HOP;
            for (n, sample) in frame.iter_mut().enumerate() {
                *sample = pulses[start + n] * self.window[n] * source_gain;
            }
            self.forward.process_with_scratch(&mut frame, &mut bins, &mut forward_scratch)?;
            for (bin, value) in bins.iter_mut().enumerate() {
                let at = bin * frames + number;
                let shaped =
                    Complex32::from_polar(magnitude(spectrum.harmonic[at]), PI * spectrum.harmonic_phase[at].tanh());
                let noise = Complex32::new(normal(), normal()) * magnitude(spectrum.noise[at]);
                let free = Complex32::from_polar(magnitude(spectrum.free[at]), spectrum.free_phase[at]);
                *value = *value * shaped + noise + free;
            }
            // The ends of a real signal's spectrum have no phase.
            bins[0].im = 0.0;
            bins[BINS - 1].im = 0.0;
            self.inverse.process_with_scratch(&mut bins, &mut frame, &mut inverse_scratch)?;
            for (n, sample) in frame.iter().enumerate() {
                sum[start + n] += sample * self.window[n] / WINDOW as f32;
                weight[start + n] += self.window[n] * self.window[n];
            }
        }
        let samples = sum.iter().zip(&weight).map(|(sample, weight)| sample / weight.max(1e-11));
        Ok(samples.skip(half).take(frames * HOP).collect())
    }
}

/// The exponential of a log magnitude, kept from running away.
fn magnitude(log: f32) -> f32 {
    log.min(LOUDEST_LOG).exp()
}

/// One pulse a period, made of all harmonics below 11 kHz at equal strength; silence where there is no voice.
///
/// The sum of cosines has the closed form `sin((H + 1/2) t) / (2 sin(t / 2)) - 1/2`.
fn pulse_train(pitch: &[f32]) -> Vec<f32> {
    let mut phase = 0.0f64;
    (0..pitch.len() * HOP)
        .map(|sample| {
            let raw = pitch_at(pitch, sample);
            let hertz = raw.max(VOICED);
            phase = (phase + f64::from(hertz) / f64::from(SAMPLE_RATE)).fract();
            if raw <= VOICED {
                return 0.0;
            }
            let turn = (phase * std::f64::consts::TAU) as f32;
            let harmonics = (HIGHEST_HARMONIC / hertz).floor() + 0.5;
            let below = 2.0 * (turn * 0.5).sin();
            // Where the denominator vanishes the quotient has the number of harmonics as its limit.
            let sum = if below.abs() <= 2e-3 { harmonics } else { (harmonics * turn).sin() / below };
            sum - 0.5
        })
        .collect()
}

/// Pitch between frames in a straight line; a frame's value stands at its middle.
fn pitch_at(pitch: &[f32], sample: usize) -> f32 {
    let place = ((sample as f32 + 0.5) / HOP as f32 - 0.5).max(0.0);
    let before = (place as usize).min(pitch.len() - 1);
    let after = (before + 1).min(pitch.len() - 1);
    let share = place - before as f32;
    pitch[before] * (1.0 - share) + pitch[after] * share
}

/// The signal with `margin` mirrored samples at each end.
fn reflect(signal: &[f32], margin: usize) -> Vec<f32> {
    let at = |place: isize| {
        let last = signal.len() as isize - 1;
        let mut place = place;
        // A signal shorter than the margin is mirrored more than once.
        while last > 0 && !(0..=last).contains(&place) {
            place = if place < 0 { -place } else { 2 * last - place };
        }
        signal.get(place.max(0) as usize).copied().unwrap_or(0.0)
    };
    (-(margin as isize)..(signal.len() + margin) as isize).map(at).collect()
}

/// Samples a second of everything the voice gives.
pub const SAMPLE_RATE: u32 = 24_000;

/// Samples in a frame's window.
const WINDOW: usize = 1200;

/// Samples from one frame to the next: 12.5 ms.
pub(crate) const HOP: usize = 300;

/// Values of a spectrum.
pub(crate) const BINS: usize = WINDOW / 2 + 1;

/// Hertz; lower pitch means no voice.
const VOICED: f32 = 40.0;

/// Hertz.
const HIGHEST_HARMONIC: f32 = 11_000.0;

const LOUDEST_LOG: f32 = 7.0;
