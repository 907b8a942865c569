//! Knows the program's own voice when it comes back later than the echo canceller reaches, as from a loudspeaker that is fed through the air,
//! through another machine, or stands at another station: what was heard then is a copy of what was played seconds ago, and nobody's answer.

use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

use crate::audio::FRAME_LEN;
use crate::audio::SAMPLE_RATE;
use crate::hear::noise::rms;
use crate::units::StationId;

/// What any station played in the last seconds.
#[derive(Default)]
pub(super) struct LateCopies {
    own: Option<LateCopy>,
    elsewhere: BTreeMap<StationId, LateCopy>,
}

impl LateCopies {
    /// Takes the frame that this station played in these 10 ms.
    pub(super) fn played(&mut self, frame: &[f32; FRAME_LEN]) {
        self.own.get_or_insert_with(|| LateCopy::new(Reach::Cancelled)).played(frame);
    }

    /// Takes the frame that another station played in these 10 ms.
    pub(super) fn played_elsewhere(&mut self, station: StationId, frame: &[f32; FRAME_LEN]) {
        self.elsewhere.entry(station).or_insert_with(|| LateCopy::new(Reach::Nothing)).played(frame);
    }

    /// Whether the end of `samples`, which were heard up to now, is what some station played before.
    pub(super) fn are_in(&mut self, samples: &[f32]) -> bool {
        self.own.iter_mut().chain(self.elsewhere.values_mut()).any(|copy| copy.is_in(samples))
    }
}

/// What an echo canceller takes out of what one station played.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Reach {
    /// What comes back within half a second.
    Cancelled,
    /// Nothing: the loudspeaker is another station's.
    Nothing,
}

/// What one station played in the last seconds, at 8 kHz: the words are below 4.
struct LateCopy {
    reach: Reach,
    forward: Arc<dyn RealToComplex<f32>>,
    backward: Arc<dyn ComplexToReal<f32>>,
    played: VecDeque<f32>,
    /// Samples since the program's own voice was played.
    since_loud: usize,
    work: Scratch,
}

/// Memory to reckon in, kept: where it is new to the process, touching it takes longer than the reckoning, and somebody waits.
struct Scratch {
    samples: Vec<f32>,
    heard: Vec<Complex<f32>>,
    played: Vec<Complex<f32>>,
    scratch: Vec<Complex<f32>>,
}

impl LateCopy {
    fn new(reach: Reach) -> Self {
        let mut planner = RealFftPlanner::<f32>::new();
        let (forward, backward) = (planner.plan_fft_forward(FFT_LEN), planner.plan_fft_inverse(FFT_LEN));
        let work = Scratch {
            samples: forward.make_input_vec(),
            heard: forward.make_output_vec(),
            played: forward.make_output_vec(),
            scratch: vec![Complex::ZERO; forward.get_scratch_len().max(backward.get_scratch_len())],
        };
        Self { reach, forward, backward, played: VecDeque::from(vec![0.0; PLAYED_LEN]), since_loud: usize::MAX, work }
    }

    /// Takes the frame that was played in these 10 ms.
    fn played(&mut self, frame: &[f32; FRAME_LEN]) {
        self.played.drain(..FRAME_LEN / 2);
        self.played.extend(halved(frame));
        self.since_loud = if rms(frame) > LOUD_RMS { 0 } else { self.since_loud.saturating_add(FRAME_LEN / 2) };
    }

    /// Whether the end of `samples`, which were heard up to now, is what was played so long before that no canceller takes it out. By the
    /// cross-correlation of their phases only (Knapp and Carter 1976), which a copy dominates however loud it is, and a person who says the
    /// same words does not.
    fn is_in(&mut self, samples: &[f32]) -> bool {
        if self.since_loud >= PLAYED_LEN {
            return false;
        }
        let surplus = samples.len().saturating_sub(2 * HEARD_LEN);
        let heard = &samples[surplus..];
        let reach = self.reach;
        let Some(likeness) = self.likeness(heard) else { return false };
        // What was heard began so long after the first sample that is kept of what was played.
        let at_once = PLAYED_LEN - heard.len() / 2;
        let in_reach = match reach {
            Reach::Cancelled => at_once - REACH_LEN.min(at_once),
            // However soon: even what sounds as it is played.
            Reach::Nothing => at_once + 1,
        };
        let peak = |range: &[f32]| range.iter().copied().fold(0.0, f32::max);
        let (late, soon) = (peak(&likeness[..in_reach]), peak(&likeness[in_reach..=at_once]));
        late >= STANDS_OUT * rms(likeness) && late > MORE_THAN_SOON * soon
    }

    /// How well `heard` fits what was played from each of its samples on.
    fn likeness(&mut self, heard: &[f32]) -> Option<&[f32]> {
        let Scratch { samples, heard: heard_bins, played: played_bins, scratch } = &mut self.work;
        let forward = &self.forward;
        // The lengths are those that the plan was made for, and nothing else is refused.
        let mut spectrum = |of: &mut dyn Iterator<Item = f32>, bins: &mut [Complex<f32>]| {
            samples.fill(0.0);
            samples.iter_mut().zip(of).for_each(|(place, sample)| *place = sample);
            forward.process_with_scratch(samples, bins, scratch).ok()
        };
        spectrum(&mut halved(heard), heard_bins)?;
        spectrum(&mut self.played.iter().copied(), played_bins)?;
        let hertz = |bin: usize| bin as f64 * (SAMPLE_RATE / 2) as f64 / FFT_LEN as f64;
        for (bin, (cross, heard)) in played_bins.iter_mut().zip(heard_bins.iter()).enumerate() {
            let product = *cross * heard.conj();
            let kept = BAND_HZ.contains(&hertz(bin));
            *cross = if kept { product / product.norm().max(f32::MIN_POSITIVE) } else { Complex::ZERO };
        }
        self.backward.process_with_scratch(played_bins, samples, scratch).ok()?;
        Some(samples)
    }
}

/// At half the rate; what lies above 4 kHz is folded back alike in both that are compared.
fn halved(samples: &[f32]) -> impl Iterator<Item = f32> {
    samples.as_chunks::<2>().0.iter().map(|[a, b]| 0.5 * (a + b))
}

/// 6.1 s of what was played, and the last 2 s of what was heard; together they fill the transform, so that nothing wraps.
const PLAYED_LEN: usize = FFT_LEN - HEARD_LEN;
const HEARD_LEN: usize = 16_384;
const FFT_LEN: usize = 65_536;
/// 0.45 s: what comes back sooner is the canceller's work.
const REACH_LEN: usize = SAMPLE_RATE / 2 * 45 / 100;
const BAND_HZ: std::ops::Range<f64> = 300.0..3_400.0;
/// As in a pause that is none.
const LOUD_RMS: f32 = 0.01;
/// Of the root mean square of all. A copy comes to 68 and more, in noise as loud as itself to 41; of 240 words that persons said over its voice
/// (`examples/hear_interrupts.rs`) the most was 12.
const STANDS_OUT: f32 = 20.0;
/// A sentence that was said twice is in its own echo, too.
const MORE_THAN_SOON: f32 = 1.5;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hear::noise::White;

    /// Syllables of noise; every seed says something else.
    fn voice(seed: u64, seconds: f32) -> Vec<f32> {
        let mut white = White::new(seed);
        let mut held = 0.0;
        (0..(seconds * SAMPLE_RATE as f32) as usize)
            .map(|at| {
                let syllable = (at as f32 * std::f32::consts::TAU * 2.0 / SAMPLE_RATE as f32).sin().max(0.0);
                held = 0.5 * held + 0.5 * white.next_sample();
                held * syllable * 0.3
            })
            .collect()
    }

    /// After `played` and a pause of `late` seconds, 1.2 s of `heard` are judged.
    fn judge(played: &[f32], pause_s: f32, heard: &[f32]) -> bool {
        judge_with(Reach::Cancelled, played, pause_s, heard)
    }

    fn judge_with(reach: Reach, played: &[f32], pause_s: f32, heard: &[f32]) -> bool {
        let mut echo = LateCopy::new(reach);
        let silence = vec![0.0; (pause_s * SAMPLE_RATE as f32) as usize];
        for frame in [played, &silence].concat().as_chunks::<FRAME_LEN>().0 {
            echo.played(frame);
        }
        echo.is_in(heard)
    }

    /// The end of what was played, over noise.
    fn copy(played: &[f32], noise: f32) -> Vec<f32> {
        let end = &played[played.len() - SAMPLE_RATE * 6 / 5..];
        let mut white = White::new(99);
        end.iter().map(|sample| 0.2 * sample + noise * white.next_sample()).collect()
    }

    #[test]
    fn a_copy_of_what_was_played_seconds_ago_is_no_answer() {
        let played = voice(1, 5.0);
        for pause_s in [0.6, 1.5, 3.0, 4.5] {
            assert!(judge(&played, pause_s, &copy(&played, 0.0)), "{pause_s} s later");
            // 0 dB.
            assert!(judge(&played, pause_s, &copy(&played, 0.03)), "{pause_s} s later, in noise");
        }
    }

    #[test]
    fn what_the_canceller_is_there_for_is_left_to_it() {
        let played = voice(1, 5.0);
        assert!(!judge(&played, 0.0, &copy(&played, 0.0)));
        assert!(!judge(&played, 0.4, &copy(&played, 0.0)));
    }

    #[test]
    fn what_another_station_plays_is_no_answer_however_soon_it_is_heard() {
        let played = voice(1, 5.0);
        for pause_s in [0.05, 0.4, 3.0] {
            assert!(judge_with(Reach::Nothing, &played, pause_s, &copy(&played, 0.03)), "{pause_s} s later");
        }
        for seed in 2..12 {
            assert!(!judge_with(Reach::Nothing, &played, 0.2, &voice(seed, 1.2)), "voice {seed}");
        }
        let mut copies = LateCopies::default();
        played.as_chunks::<FRAME_LEN>().0.iter().for_each(|frame| copies.played_elsewhere(StationId(2), frame));
        assert!(copies.are_in(&copy(&played, 0.0)));
    }

    #[test]
    fn somebody_else_is_no_echo() {
        let played = voice(1, 5.0);
        for seed in 2..12 {
            assert!(!judge(&played, 1.0, &voice(seed, 1.2)), "voice {seed}");
            let over_residue: Vec<f32> =
                voice(seed, 1.2).iter().zip(copy(&played, 0.0)).map(|(voice, echo)| voice + 0.5 * echo).collect();
            assert!(!judge(&played, 0.1, &over_residue), "voice {seed} over what is left of an echo");
        }
    }

    #[test]
    fn what_was_played_longer_ago_is_forgotten() {
        let played = voice(1, 5.0);
        assert!(!judge(&played, 6.5, &copy(&played, 0.0)));
    }
}
