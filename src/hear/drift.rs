//! Follows the clock of the microphone where it is not the loudspeaker's: two crystals differ by up to 100 millionths, and the echo then
//! wanders by more than a sample a second, faster than an adaptive filter of some length can follow.
//!
//! How late the echo is, is measured again and again by the signals themselves; how fast that changes is the difference of the clocks. What was
//! played is then delayed by a little more, or less, all the time, so that its echo stays where the filter expects it.

use std::collections::VecDeque;
use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

use crate::audio::FRAME_LEN;
use crate::audio::SAMPLE_RATE;
use crate::hear::noise::rms;

/// Delays what was played as the clocks want it.
pub struct Drift {
    forward: Arc<dyn RealToComplex<f32>>,
    backward: Arc<dyn ComplexToReal<f32>>,
    /// The newest samples of both streams, of equal length; what was played as it came.
    mic: VecDeque<f32>,
    played: VecDeque<f32>,
    frames: usize,
    /// Frames in a row of what was played that hold nothing at all.
    silent_frames: usize,
    /// Samples by which what was played is delayed at present, and by how many more with every sample.
    delay: f64,
    share: f64,
    /// When (in samples), and how many samples late, the echo was.
    lags: VecDeque<(f64, f64)>,
    /// Lags in a row that fit none of those before.
    strange: Vec<(f64, f64)>,
}

impl Default for Drift {
    fn default() -> Self {
        let mut planner = RealFftPlanner::<f32>::new();
        Self {
            forward: planner.plan_fft_forward(FFT_LEN),
            backward: planner.plan_fft_inverse(FFT_LEN),
            mic: VecDeque::from(vec![0.0; WINDOW_LEN]),
            played: VecDeque::from(vec![0.0; WINDOW_LEN]),
            frames: 0,
            silent_frames: 0,
            delay: FIRST_DELAY,
            share: 0.0,
            lags: VecDeque::new(),
            strange: Vec::new(),
        }
    }
}

impl Drift {
    /// Takes the frames of both streams; gives what was played, at the microphone's pace and some 10 ms later.
    pub fn follow(&mut self, mic: &[f32; FRAME_LEN], played: &[f32; FRAME_LEN]) -> [f32; FRAME_LEN] {
        for (stream, frame) in [(&mut self.mic, mic), (&mut self.played, played)] {
            stream.drain(..FRAME_LEN);
            stream.extend(frame);
        }
        self.silent_frames = if played.iter().all(|sample| *sample == 0.0) { self.silent_frames + 1 } else { 0 };
        self.frames += 1;
        if self.frames.is_multiple_of(EVERY_FRAMES)
            && let Some(lag) = self.lag()
        {
            self.learn((self.frames * FRAME_LEN) as f64, lag);
        }
        self.delayed()
    }

    /// By how many millionths the microphone's clock is faster than the loudspeaker's, as far as is known.
    pub fn millionths(&self) -> f64 {
        self.share * 1e6
    }

    /// The newest frame of what was played, delayed.
    fn delayed(&mut self) -> [f32; FRAME_LEN] {
        // Nothing but silence lies within reach of any delay.
        if self.silent_frames > REACHED_FRAMES {
            self.delay = (0..FRAME_LEN).fold(self.delay, |delay, _| delay + self.share);
            self.step_back();
            return [0.0; FRAME_LEN];
        }
        let newest = self.played.len() - FRAME_LEN;
        let frame = std::array::from_fn(|at| {
            let place = (newest + at) as f64 - self.delay;
            self.delay += self.share;
            if place.fract() == 0.0 { self.played[place as usize] } else { self.between(place) }
        });
        self.step_back();
        frame
    }

    fn step_back(&mut self) {
        // A step once in minutes, which the filter has to learn anew, rather than a delay without end.
        if self.delay < LEAST_DELAY {
            self.delay += STEP;
        } else if self.delay > MOST_DELAY {
            self.delay -= STEP;
        }
    }

    /// What was played between two samples: a sinc under Hann's window over 16 of them.
    fn between(&self, place: f64) -> f32 {
        let whole = place.floor();
        let first = whole as usize + 1 - HALF_TAPS;
        let sum: f64 = (0..2 * HALF_TAPS)
            .map(|tap| {
                let away = place - (first + tap) as f64;
                let angle = std::f64::consts::PI * away;
                let sinc = if away.abs() < 1e-9 { 1.0 } else { angle.sin() / angle };
                let window = 0.5 + 0.5 * (angle / HALF_TAPS as f64).cos();
                f64::from(self.played[first + tap]) * sinc * window
            })
            .sum();
        sum as f32
    }

    /// How many samples after it was played the echo is strongest: the peak of the cross-correlation with its phases only (Knapp and
    /// Carter 1976), between samples by a parabola. `None` where too little was played, or no peak stands out.
    fn lag(&self) -> Option<f64> {
        if self.silent_frames * FRAME_LEN * 3 > 2 * WINDOW_LEN {
            return None;
        }
        let played: Vec<f32> = self.played.iter().copied().collect();
        let loud = played.chunks(FRAME_LEN).filter(|frame| rms(frame) > PLAYED_RMS).count();
        if loud * FRAME_LEN * 3 < WINDOW_LEN {
            return None;
        }
        let mic: Vec<f32> = self.mic.iter().copied().collect();
        let spectrum = |samples: &[f32]| {
            let mut padded = samples.to_vec();
            padded.resize(FFT_LEN, 0.0);
            let mut bins = self.forward.make_output_vec();
            // The lengths are those that the plan was made for, and nothing else is refused.
            self.forward.process(&mut padded, &mut bins).ok().map(|()| bins)
        };
        let (played, mic) = (spectrum(&played)?, spectrum(&mic)?);
        let hertz = |bin: usize| bin as f64 * SAMPLE_RATE as f64 / FFT_LEN as f64;
        let mut cross: Vec<Complex<f32>> = played
            .iter()
            .zip(&mic)
            .enumerate()
            .map(|(bin, (played, mic))| {
                let product = mic * played.conj();
                if BAND_HZ.contains(&hertz(bin)) {
                    product / product.norm().max(f32::MIN_POSITIVE)
                } else {
                    Complex::ZERO
                }
            })
            .collect();
        let mut likeness = self.backward.make_output_vec();
        self.backward.process(&mut cross, &mut likeness).ok()?;
        let spread = rms(&likeness);
        let (at, peak) = likeness[..MOST_LAG].iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1))?;
        if at == 0 || *peak < STANDS_OUT * spread {
            return None;
        }
        let (before, after) = (f64::from(likeness[at - 1]), f64::from(likeness[at + 1]));
        let bend = before - 2.0 * f64::from(*peak) + after;
        (bend < 0.0).then(|| at as f64 + 0.5 * (before - after) / bend)
    }

    /// Fits how fast the echo comes later. A lag far from the line is a mistake; three such are a new line, for a stream was cut.
    fn learn(&mut self, at: f64, lag: f64) {
        let expected = self.lags.back().map(|&(then, late)| late + self.share * (at - then));
        if expected.is_some_and(|expected| (lag - expected).abs() > STRANGE) {
            self.strange.push((at, lag));
            if self.strange.len() == 3 {
                self.lags = std::mem::take(&mut self.strange).into();
            }
            return;
        }
        self.strange.clear();
        self.lags.push_back((at, lag));
        if self.lags.len() > MOST_LAGS {
            self.lags.pop_front();
        }
        let span = self.lags.front().map_or(0.0, |&(first, _)| at - first);
        if self.lags.len() < LEAST_LAGS || span < LEAST_SPAN {
            return;
        }
        let share = slope(&self.lags);
        if (share - self.share).abs() > LEAST_CHANGE && share.abs() < MOST_SHARE {
            self.share = share;
        }
    }
}

/// The median of the slopes between all points that lie well apart (Theil and Sen), which single mistakes do not move.
fn slope(points: &VecDeque<(f64, f64)>) -> f64 {
    let mut slopes: Vec<f64> = Vec::new();
    for (index, &(at, lag)) in points.iter().enumerate() {
        let later = points.iter().skip(index + 1).filter(|(then, _)| then - at >= LEAST_SPAN / 2.0);
        slopes.extend(later.map(|&(then, late)| (late - lag) / (then - at)));
    }
    slopes.sort_by(f64::total_cmp);
    slopes.get(slopes.len() / 2).copied().unwrap_or(0.0)
}

/// 2 s, measured twice a second; padded so that no lag wraps.
const WINDOW_LEN: usize = 2 * SAMPLE_RATE;
const FFT_LEN: usize = 65_536;
const EVERY_FRAMES: usize = 50;
/// Where speech has power and small microphones and loudspeakers work.
const BAND_HZ: std::ops::Range<f64> = 300.0..4_000.0;
/// 0.5 s: later echoes are followed by no filter.
const MOST_LAG: usize = SAMPLE_RATE / 2;
/// A peak over the root mean square of the rest.
const STANDS_OUT: f32 = 8.0;
/// As in a pause that is none.
const PLAYED_RMS: f32 = 0.01;
/// Samples between an echo and where it was expected.
const STRANGE: f64 = 6.0;
/// Measurements to fit: half a minute of speech, 8 of them over 6 s at least.
const MOST_LAGS: usize = 60;
const LEAST_LAGS: usize = 8;
const LEAST_SPAN: f64 = 6.0 * SAMPLE_RATE as f64;
/// 2 and 500 millionths: less is the measurement's own noise, more is no crystal.
const LEAST_CHANGE: f64 = 2e-6;
const MOST_SHARE: f64 = 500e-6;
/// Samples. The echo itself is later than any of these: it passes through the buffers of two devices.
const FIRST_DELAY: f64 = 160.0;
const LEAST_DELAY: f64 = 16.0;
const MOST_DELAY: f64 = 480.0;
const STEP: f64 = 160.0;
/// The longest delay and the filter around it reach back less than four frames before the newest.
const REACHED_FRAMES: usize = 4;
const HALF_TAPS: usize = 8;

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    use crate::hear::noise::White;

    /// Syllables of noise, and the same after 60 ms on a clock that is faster by so much.
    fn streams(share: f64, seconds: usize) -> (Vec<f32>, Vec<f32>) {
        let mut white = White::new(9);
        let len = seconds * SAMPLE_RATE;
        let mut held = 0.0;
        let played: Vec<f32> = (0..len)
            .map(|at| {
                let syllable = (at as f32 * std::f32::consts::TAU * 2.0 / SAMPLE_RATE as f32).sin().max(0.0);
                held = 0.7 * held + 0.3 * white.next_sample();
                held * syllable * 0.3
            })
            .collect();
        let source = Drift { played: VecDeque::from(played.clone()), ..Drift::default() };
        let heard = (0..len)
            .map(|at| {
                let place = at as f64 / (1.0 + share) - 960.0;
                if place > 20.0 { 0.5 * source.between(place) } else { 0.0 }
            })
            .collect();
        (played, heard)
    }

    #[rstest]
    #[case::the_same(0.0)]
    #[case::faster(60e-6)]
    #[case::slower(-100e-6)]
    fn the_difference_of_two_clocks_is_known_within_half_a_minute(#[case] share: f64) {
        let (played, heard) = streams(share, 30);
        let mut drift = Drift::default();
        for (mic, reference) in heard.chunks_exact(FRAME_LEN).zip(played.chunks_exact(FRAME_LEN)) {
            drift.follow(mic.try_into().unwrap(), reference.try_into().unwrap());
        }
        assert!((drift.millionths() - share * 1e6).abs() < 5.0, "{} millionths", drift.millionths());
    }

    /// The work that is saved in silence must not be heard afterwards.
    #[test]
    fn silence_between_sentences_changes_nothing_of_what_follows() {
        let (voice, heard) = streams(60e-6, 30);
        let mut drift = Drift::default();
        for (mic, reference) in heard.chunks_exact(FRAME_LEN).zip(voice.chunks_exact(FRAME_LEN)) {
            drift.follow(mic.try_into().unwrap(), reference.try_into().unwrap());
        }
        assert!(drift.share != 0.0);
        let delay = drift.delay;
        for _ in 0..100 {
            drift.follow(&[0.0; FRAME_LEN], &[0.0; FRAME_LEN]);
        }
        let expected = (0..100 * FRAME_LEN).fold(delay, |delay, _| delay + drift.share);
        assert_eq!(drift.delay, expected, "the clocks go on");
        let mark: [f32; FRAME_LEN] = std::array::from_fn(|at| at as f32);
        let mut out: Vec<f32> = drift.follow(&[0.0; FRAME_LEN], &mark).to_vec();
        (0..5).for_each(|_| out.extend(drift.follow(&[0.0; FRAME_LEN], &[0.0; FRAME_LEN])));
        let (sum, marked) = (out.iter().sum::<f32>(), mark.iter().sum::<f32>());
        assert!((sum / marked - 1.0).abs() < 0.02, "{sum} of {marked} comes out, delayed");
    }

    #[test]
    fn one_clock_leaves_every_sample_as_it_is() {
        let (played, heard) = streams(0.0, 12);
        let mut drift = Drift::default();
        let mut delayed = Vec::new();
        for (mic, reference) in heard.chunks_exact(FRAME_LEN).zip(played.chunks_exact(FRAME_LEN)) {
            delayed.extend(drift.follow(mic.try_into().unwrap(), reference.try_into().unwrap()));
        }
        assert_eq!(delayed[160..], played[..played.len() - 160]);
    }

    #[test]
    fn a_cut_in_a_stream_is_no_drift() {
        let (played, heard) = streams(0.0, 40);
        let mut drift = Drift::default();
        // After 20 s half a frame of the microphone is lost.
        let cut: Vec<f32> = [&heard[..20 * SAMPLE_RATE], &heard[20 * SAMPLE_RATE + 80..]].concat();
        for (mic, reference) in cut.chunks_exact(FRAME_LEN).zip(played.chunks_exact(FRAME_LEN)) {
            drift.follow(mic.try_into().unwrap(), reference.try_into().unwrap());
            assert!(drift.millionths().abs() < 5.0, "{} millionths", drift.millionths());
        }
    }
}
