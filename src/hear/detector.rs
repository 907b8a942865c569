//! Where speech begins and ends: Silero's model behind a high-pass, then a small machine over its probabilities.
//!
//! The high-pass keeps wind from blinding the model. It feeds only this part; the recogniser hears what the echo canceller leaves.

use std::path::Path;

use ort::environment::Environment;
use ort::session::Session;
use ort::value::{Tensor, TensorRef};

use crate::audio::FRAME_LEN;
use crate::audio::SAMPLE_RATE;
use crate::onnx::{RuntimeError, open_model};

/// Speech probability of a stream of frames.
pub struct SpeechDetector {
    model: Session,
    state: Vec<f32>,
    high_pass: HighPass,
    /// The context that the model wants before each window, then the samples that wait for their window to fill.
    waiting: Vec<f32>,
    /// Windows in a row that were surely quiet, since the state was forgotten last.
    quiet: usize,
}

impl SpeechDetector {
    /// Opens the model in the folder `models` that `sparehand fetch` fills.
    ///
    /// # Errors
    /// The file is missing or is not a model.
    pub fn in_folder(environment: &Environment, models: &Path) -> Result<Self, DetectorError> {
        Self::load(environment, &models.join("silero-vad/silero_vad.onnx"))
    }

    /// Opens the model at `path`.
    ///
    /// # Errors
    /// The file is missing or is not a model.
    pub fn load(environment: &Environment, path: &Path) -> Result<Self, DetectorError> {
        let model = open_model(environment, path)?;
        Ok(Self {
            model,
            state: vec![0.0; STATE_LEN],
            high_pass: HighPass::new(HIGH_PASS_HZ),
            waiting: vec![0.0; CONTEXT_LEN],
            quiet: 0,
        })
    }

    /// Forgets what came before: the next frame is the first of another recording.
    pub fn reset(&mut self) {
        self.state.fill(0.0);
        self.high_pass = HighPass::new(HIGH_PASS_HZ);
        self.waiting = vec![0.0; CONTEXT_LEN];
        self.quiet = 0;
    }

    /// Takes a frame; gives the probability (0 to 1) that the window it completes holds speech, if it completes one.
    ///
    /// # Errors
    /// The runtime fails.
    pub fn push(&mut self, frame: &[f32; FRAME_LEN]) -> Result<Option<f32>, DetectorError> {
        self.waiting.extend(frame.iter().map(|&sample| self.high_pass.next_sample(sample)));
        let whole = CONTEXT_LEN + WINDOW_LEN;
        if self.waiting.len() < whole {
            return Ok(None);
        }
        let outputs = self.model.run(ort::inputs! {
            "input" => TensorRef::from_array_view(([1, whole], &self.waiting[..whole]))?,
            "state" => TensorRef::from_array_view(([2_usize, 1, STATE_LEN / 2], self.state.as_slice()))?,
            "sr" => Tensor::from_array(([0_usize; 0], vec![SAMPLE_RATE as i64]))?,
        })?;
        let state = outputs.get("stateN").ok_or(DetectorError::NoOutput { name: "stateN" })?;
        let state = state.try_extract_tensor::<f32>()?.1;
        let probability = outputs.get("output").ok_or(DetectorError::NoOutput { name: "output" })?;
        let probability = probability.try_extract_tensor::<f32>()?.1.first().copied();
        if state.len() != STATE_LEN {
            return Err(DetectorError::NoOutput { name: "stateN" });
        }
        self.state.copy_from_slice(state);
        let probability = probability.ok_or(DetectorError::NoOutput { name: "output" })?;
        drop(outputs);
        self.waiting.drain(..WINDOW_LEN);
        self.forget_long_quiet(probability);
        Ok(Some(probability))
    }

    /// The longer the model hears steady noise alone, the less it believes in a short word beside it: of "done" every nine seconds in pink noise
    /// 10 dB softer it noticed 5 of 36 with the state of all that came before (`docs/hearing/notebook.md`).
    fn forget_long_quiet(&mut self, probability: f32) {
        self.quiet = if probability < SURELY_QUIET { self.quiet + 1 } else { 0 };
        if self.quiet == REMEMBERED_QUIET_WINDOWS {
            self.state.fill(0.0);
            self.quiet = 0;
        }
    }
}

/// Turns probabilities into beginnings and ends.
#[derive(Clone, Debug)]
pub struct Segmenter {
    settings: SegmenterSettings,
    /// Windows since speech began; `None` outside speech.
    speaking: Option<usize>,
    quiet: usize,
}

/// When speech begins and ends. Times are in windows of 32 ms.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SegmenterSettings {
    /// Probability from which on a window is speech.
    pub begin_at: f32,
    /// Probability below which a window is quiet.
    pub end_below: f32,
    /// Quiet windows in a row that end speech.
    pub end_after: usize,
    /// Windows after which speech is taken for talk and cut off.
    pub longest: usize,
}

impl Default for SegmenterSettings {
    fn default() -> Self {
        // 320 ms of quiet is shorter than the pause before another sentence and longer than the one inside "say again".
        Self { begin_at: 0.5, end_below: 0.35, end_after: 10, longest: 250 }
    }
}

/// What changed with a window.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Edge {
    Began,
    /// Ended; this many windows were quiet before it was sure.
    Ended {
        quiet: usize,
    },
    /// Went on longer than an answer can be. The next `Began` comes after a quiet stretch.
    TooLong,
}

impl Segmenter {
    /// A segmenter outside speech.
    pub fn new(settings: SegmenterSettings) -> Self {
        Self { settings, speaking: None, quiet: 0 }
    }

    /// Takes the probability of the next window.
    pub fn push(&mut self, probability: f32) -> Option<Edge> {
        let settings = self.settings;
        if probability < settings.end_below {
            self.quiet += 1;
        } else {
            self.quiet = 0;
        }
        match self.speaking {
            None if probability >= settings.begin_at => {
                self.speaking = Some(1);
                Some(Edge::Began)
            }
            None => None,
            Some(windows) => {
                self.speaking = Some(windows + 1);
                if self.quiet >= settings.end_after {
                    self.speaking = None;
                    (windows < settings.longest).then_some(Edge::Ended { quiet: self.quiet })
                } else {
                    (windows + 1 == settings.longest).then_some(Edge::TooLong)
                }
            }
        }
    }

    /// Takes speech for ended.
    pub fn finish(&mut self) {
        self.speaking = None;
    }

    /// Windows in a row that were quiet.
    pub fn quiet(&self) -> usize {
        self.quiet
    }
}

/// Fourth-order Butterworth high-pass: two second-order sections.
#[derive(Clone, Debug)]
pub struct HighPass {
    sections: [BiquadSection; 2],
}

impl HighPass {
    /// A filter with its -3 dB point at `corner` hertz (above 0, below 8000).
    pub fn new(corner: f64) -> Self {
        // Butterworth poles of order 4: Q = 1 / (2 cos(pi/8)) and 1 / (2 cos(3 pi/8)).
        let q = |eighths: f64| 0.5 / (eighths * std::f64::consts::PI / 8.0).cos();
        Self { sections: [BiquadSection::high_pass(corner, q(1.0)), BiquadSection::high_pass(corner, q(3.0))] }
    }

    /// Filters one sample.
    pub fn next_sample(&mut self, sample: f32) -> f32 {
        self.sections.iter_mut().fold(f64::from(sample), |sample, section| section.next_sample(sample)) as f32
    }
}

#[derive(Clone, Debug)]
struct BiquadSection {
    b: [f64; 3],
    a: [f64; 2],
    held: [f64; 2],
}

impl BiquadSection {
    /// Bilinear transform of the analogue section, with the corner pre-warped.
    fn high_pass(corner: f64, q: f64) -> Self {
        let w = std::f64::consts::TAU * corner / SAMPLE_RATE as f64;
        let alpha = w.sin() / (2.0 * q);
        let norm = 1.0 + alpha;
        let edge = (1.0 + w.cos()) / 2.0 / norm;
        Self { b: [edge, -2.0 * edge, edge], a: [-2.0 * w.cos() / norm, (1.0 - alpha) / norm], held: [0.0; 2] }
    }

    fn next_sample(&mut self, x: f64) -> f64 {
        let y = self.b[0] * x + self.held[0];
        self.held[0] = self.b[1] * x - self.a[0] * y + self.held[1];
        self.held[1] = self.b[2] * x - self.a[1] * y;
        y
    }
}

/// Why the voice-activity model gave no answer.
#[derive(Debug, thiserror::Error)]
pub enum DetectorError {
    #[error(transparent)]
    Open(#[from] RuntimeError),
    #[error("the voice-activity model gave no usable output '{name}'; delete the model file and run `sparehand fetch`")]
    NoOutput { name: &'static str },
    #[error("the voice-activity model failed")]
    Run(#[from] ort::Error),
}

/// Samples of one probability: 32 ms.
pub const WINDOW_LEN: usize = 512;

/// Probability below which nobody speaks: as where speech ends.
const SURELY_QUIET: f32 = 0.35;
/// 2 s.
const REMEMBERED_QUIET_WINDOWS: usize = 62;
const CONTEXT_LEN: usize = 64;
const STATE_LEN: usize = 2 * 128;
const HIGH_PASS_HZ: f64 = 180.0;

#[cfg(test)]
mod tests {
    use super::*;

    fn gain_at(hertz: f64) -> f64 {
        let mut filter = HighPass::new(180.0);
        let tone = |n: usize| (std::f64::consts::TAU * hertz * n as f64 / SAMPLE_RATE as f64).sin() as f32;
        let out: Vec<f32> = (0..SAMPLE_RATE).map(|n| filter.next_sample(tone(n))).collect();
        20.0 * (f64::from(crate::hear::noise::rms(&out[8_000..])) * 2.0_f64.sqrt()).log10()
    }

    /// |H|² of an analogue Butterworth high-pass of order n: 1 / (1 + (corner / f)^2n).
    #[test]
    fn the_high_pass_follows_the_butterworth_curve() {
        for hertz in [45.0, 90.0, 180.0, 360.0, 1000.0] {
            let expected = -10.0 * (1.0 + (180.0_f64 / hertz).powi(8)).log10();
            assert!(
                (gain_at(hertz) - expected).abs() < 0.3,
                "{hertz} Hz: {} dB, expected {expected} dB",
                gain_at(hertz)
            );
        }
    }

    fn edges(probabilities: &[(f32, usize)], settings: SegmenterSettings) -> Vec<(usize, Edge)> {
        let mut segmenter = Segmenter::new(settings);
        let windows = probabilities.iter().flat_map(|&(probability, times)| std::iter::repeat_n(probability, times));
        windows.enumerate().filter_map(|(at, probability)| Some((at, segmenter.push(probability)?))).collect()
    }

    #[test]
    fn a_word_has_one_beginning_and_one_end() {
        let settings = SegmenterSettings { end_after: 10, ..SegmenterSettings::default() };
        let found = edges(&[(0.1, 5), (0.9, 20), (0.1, 30)], settings);
        assert_eq!(found, [(5, Edge::Began), (34, Edge::Ended { quiet: 10 })]);
    }

    #[test]
    fn a_short_pause_does_not_end_a_phrase() {
        let found = edges(&[(0.9, 10), (0.1, 9), (0.9, 10), (0.1, 30)], SegmenterSettings::default());
        assert_eq!(found, [(0, Edge::Began), (38, Edge::Ended { quiet: 10 })]);
    }

    #[test]
    fn endless_talk_is_cut_off_once_and_listening_goes_on_after_quiet() {
        let settings = SegmenterSettings { longest: 50, ..SegmenterSettings::default() };
        let found = edges(&[(0.9, 120), (0.1, 12), (0.9, 10), (0.1, 12)], settings);
        assert_eq!(
            found,
            [(0, Edge::Began), (49, Edge::TooLong), (132, Edge::Began), (151, Edge::Ended { quiet: 10 })]
        );
    }
}
