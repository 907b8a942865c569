//! A soft limiter that looks ahead: turns loud moments down before they come, so that nothing is cut off.
//!
//! Samples in, samples out, late by [`Limiter::DELAY`]. Below the ceiling nothing is changed.

use std::collections::VecDeque;

/// Keeps samples within a ceiling.
#[derive(Clone, Debug)]
pub struct Limiter {
    ceiling: f32,
    release: f32,
    waiting: VecDeque<f32>,
    /// Gains that the samples in the window need: number and gain, growing from front to back.
    needed: VecDeque<(u64, f32)>,
    held: f32,
    smoothing: VecDeque<f32>,
    sum: f64,
    count: u64,
}

impl Limiter {
    /// Samples from input to output: 2.5 ms at 48 kHz, 5 ms at 24 kHz.
    pub const DELAY: usize = 120;

    /// A limiter to `ceiling` (linear, full scale is 1), which recovers within about `release` samples.
    pub fn new(ceiling: f32, release: usize) -> Self {
        Self {
            ceiling,
            release: 1.0 - (-1.0 / release.max(1) as f32).exp(),
            waiting: VecDeque::from(vec![0.0; Self::DELAY]),
            needed: VecDeque::new(),
            held: 1.0,
            smoothing: VecDeque::from(vec![1.0; Self::DELAY + 1]),
            sum: (Self::DELAY + 1) as f64,
            count: 0,
        }
    }

    /// Takes a sample, gives the one of [`DELAY`](Self::DELAY) samples before.
    pub fn push(&mut self, sample: f32) -> f32 {
        let gain = if sample.abs() > self.ceiling { self.ceiling / sample.abs() } else { 1.0 };
        while self.needed.back().is_some_and(|&(_, later)| later >= gain) {
            self.needed.pop_back();
        }
        self.needed.push_back((self.count, gain));
        while self.needed.front().is_some_and(|&(number, _)| number + (Self::DELAY as u64) < self.count) {
            self.needed.pop_front();
        }
        self.count += 1;
        // The least gain of the window is held until its sample has passed; from there it recovers slowly.
        let least = self.needed.front().map_or(1.0, |&(_, gain)| gain);
        self.held = least.min(self.held + (1.0 - self.held) * self.release);
        // The mean over a window in which each value is at most what the outgoing sample needs is at most that, too.
        self.smoothing.push_back(self.held);
        self.sum += f64::from(self.held) - f64::from(self.smoothing.pop_front().unwrap_or(1.0));
        let mean = (self.sum / (Self::DELAY + 1) as f64) as f32;
        self.waiting.push_back(sample);
        let leaving = self.waiting.pop_front().unwrap_or(0.0);
        (leaving * mean.min(1.0)).clamp(-self.ceiling, self.ceiling)
    }

    /// A whole signal, without the delay.
    pub fn limit(samples: &[f32], ceiling: f32, release: usize) -> Vec<f32> {
        let mut limiter = Self::new(ceiling, release);
        let padded = samples.iter().copied().chain(std::iter::repeat_n(0.0, Self::DELAY));
        padded.map(|sample| limiter.push(sample)).skip(Self::DELAY).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tone(gain: f32) -> Vec<f32> {
        (0..4800).map(|n| gain * (n as f32 * 0.13).sin()).collect()
    }

    #[test]
    fn what_is_below_the_ceiling_passes_unchanged() {
        let quiet = tone(0.5);
        let limited = Limiter::limit(&quiet, 0.8, 2400);
        assert!(quiet.iter().zip(&limited).all(|(before, after)| (before - after).abs() < 1e-5));
    }

    #[test]
    fn a_loud_moment_is_turned_down_smoothly_and_not_cut_off() {
        let mut loud = tone(0.3);
        for (place, sample) in loud.iter_mut().enumerate().skip(2000).take(400) {
            *sample = (place as f32 * 0.13).sin() * 2.0;
        }
        let limited = Limiter::limit(&loud, 0.8, 2400);
        assert!(limited.iter().all(|sample| sample.abs() <= 0.8));
        // A cut-off sine stays at the ceiling for many samples in a row; a turned-down one touches it.
        let flat = limited.windows(3).filter(|run| run.iter().all(|sample| sample.abs() > 0.7999)).count();
        assert_eq!(flat, 0);
    }
}
