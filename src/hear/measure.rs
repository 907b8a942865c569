//! What a microphone is like where it stands: noise, level, clipping, and how much of the loudspeaker comes back into it.

use realfft::RealFftPlanner;
use realfft::num_complex::Complex;

use crate::audio::SAMPLE_RATE;
use crate::hear::noise::rms;

/// What a stretch of sound is like. Levels in decibels below full scale, 0 and down; -120 for nothing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stretch {
    pub rms_dbfs: f32,
    pub peak_dbfs: f32,
    /// Share of samples at full scale, 0 to 1.
    pub clipped: f32,
    /// Mean of the samples, full scale 1.0: a microphone with a fault, or one that is not there, has one.
    pub offset: f32,
}

impl Stretch {
    /// Of mono samples, full scale 1.0.
    pub fn of(samples: &[f32]) -> Self {
        let peak = samples.iter().fold(0.0_f32, |peak, sample| peak.max(sample.abs()));
        let clipped = samples.iter().filter(|sample| sample.abs() >= FULL_SCALE).count();
        let count = samples.len().max(1) as f32;
        Self {
            rms_dbfs: decibels(rms(samples)),
            peak_dbfs: decibels(peak),
            clipped: clipped as f32 / count,
            offset: samples.iter().sum::<f32>() / count,
        }
    }
}

/// The way from the loudspeaker to the microphone.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct EchoPath {
    /// From the sound being handed to the loudspeaker until it is heard, in milliseconds, buffers included.
    pub delay_ms: f32,
    /// By how much softer it comes back than it was played, in decibels; below 0 where it comes back louder.
    pub loss_db: f32,
}

/// Finds `played` in `heard` (both 16 kHz mono, recorded from the moment at which playing began). `None` where it is not in it: a
/// headset, a loudspeaker that is off, or a microphone that is. `floor_rms` is the noise without it.
///
/// Cross-correlation with its phases only, so that noise of few pitches does not hide the delay (Knapp and Carter 1976, the phase
/// transform). `played` must hold all frequencies, as noise does.
pub fn echo_path(played: &[f32], heard: &[f32], floor_rms: f32) -> Option<EchoPath> {
    if played.is_empty() || heard.len() < played.len() || decibels(rms(heard)) <= DEAD_DBFS {
        return None;
    }
    let len = (played.len() + heard.len()).next_power_of_two();
    let mut planner = RealFftPlanner::<f32>::new();
    let forward = planner.plan_fft_forward(len);
    let backward = planner.plan_fft_inverse(len);
    let spectrum = |samples: &[f32]| {
        let mut padded = samples.to_vec();
        padded.resize(len, 0.0);
        let mut bins = forward.make_output_vec();
        // The lengths are those that the plan was made for, and nothing else is refused.
        forward.process(&mut padded, &mut bins).ok().map(|()| bins)
    };
    let (played_bins, heard_bins) = (spectrum(played)?, spectrum(heard)?);
    let mut cross: Vec<Complex<f32>> = played_bins
        .iter()
        .zip(&heard_bins)
        .map(|(played, heard)| {
            let product = heard * played.conj();
            product / product.norm().max(f32::MIN_POSITIVE)
        })
        .collect();
    // The transform wants both ends real.
    cross[0].im = 0.0;
    if let Some(last) = cross.last_mut() {
        last.im = 0.0;
    }
    let mut likeness = backward.make_output_vec();
    backward.process(&mut cross, &mut likeness).ok()?;
    let lags = &likeness[..heard.len() - played.len() + 1];
    let (lag, peak) = lags.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1))?;
    if *peak < STANDS_OUT * rms(&likeness) {
        return None;
    }
    let back = rms(&heard[lag..lag + played.len()]);
    let echo = (back * back - floor_rms * floor_rms).max(1e-12).sqrt();
    Some(EchoPath { delay_ms: lag as f32 * 1_000.0 / SAMPLE_RATE as f32, loss_db: 20.0 * (rms(played) / echo).log10() })
}

/// Everything that was measured. What was not is `None`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MicMeasured {
    /// While nobody spoke.
    pub quiet: Stretch,
    /// While somebody did, of the windows with speech.
    pub speech: Option<Stretch>,
    pub echo: Option<EchoPath>,
    /// Samples that were lost because nobody took them in time.
    pub lost: u64,
    /// How many of the lines that were read aloud were understood, and of how many.
    pub understood: (usize, usize),
}

impl MicMeasured {
    /// How far speech stands above the noise, in decibels.
    pub fn speech_over_noise_db(&self) -> Option<f32> {
        self.speech.map(|speech| speech.rms_dbfs - self.quiet.rms_dbfs)
    }

    /// What should be changed, the most needed first; nothing where all is well.
    pub fn advice(&self) -> Vec<MicAdvice> {
        let mut advice = Vec::new();
        let loudest = self.speech.unwrap_or(self.quiet);
        if self.quiet.rms_dbfs <= DEAD_DBFS && self.speech.is_none_or(|speech| speech.rms_dbfs <= DEAD_DBFS) {
            return vec![MicAdvice::Dead];
        }
        if self.lost > 0 {
            advice.push(MicAdvice::Lost);
        }
        if loudest.clipped > CLIPPED || self.quiet.clipped > CLIPPED {
            advice.push(MicAdvice::TurnDown);
        } else if self.speech.is_some_and(|speech| speech.rms_dbfs < SOFT_DBFS) {
            advice.push(MicAdvice::TurnUp);
        }
        match self.speech_over_noise_db() {
            None => advice.push(MicAdvice::NobodySpoke),
            Some(distance) if distance < LEAST_DISTANCE_DB => advice.push(MicAdvice::ComeNearer),
            Some(_) => {}
        }
        if let Some(echo) = self.echo {
            if echo.delay_ms > LONGEST_DELAY_MS {
                advice.push(MicAdvice::SlowLoudspeaker);
            }
            if echo.loss_db < LEAST_LOSS_DB {
                advice.push(MicAdvice::MoveLoudspeaker);
            }
        }
        if self.understood.0 < self.understood.1 && advice.is_empty() {
            advice.push(MicAdvice::NotUnderstood);
        }
        advice
    }
}

/// Something to be changed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum MicAdvice {
    /// It gives nothing at all: switched off, or not the one that is meant.
    Dead,
    /// Sound is lost on its way: the machine has too much to do.
    Lost,
    TurnDown,
    TurnUp,
    NobodySpoke,
    /// Speech does not stand out: nearer, or away from the noise, or a screen against the wind.
    ComeNearer,
    /// Sound comes out so late (a radio link) that the echo canceller cannot follow.
    SlowLoudspeaker,
    /// It hears the loudspeaker about as loud as it is played.
    MoveLoudspeaker,
    /// All levels are well, and words are not understood all the same.
    NotUnderstood,
}

fn decibels(rms: f32) -> f32 {
    20.0 * rms.max(1e-6).log10()
}

const FULL_SCALE: f32 = 0.999;
/// From here on speech is spoilt; a single knock is not.
pub const CLIPPED: f32 = 1e-4;
/// Less is no microphone: the quietest converters have more noise of their own. Common practice, no source.
pub(super) const DEAD_DBFS: f32 = -100.0;
/// The speech detector finds every word at -46 dBFS and misses one in five at -56 (measured with recorded people).
pub const SOFT_DBFS: f32 = -46.0;
/// Below this the recogniser loses more than one word in twenty (measured with recorded people beside a running tap).
pub const LEAST_DISTANCE_DB: f32 = 10.0;
/// Up to here the echo canceller follows; at 700 ms it does not (measured).
const LONGEST_DELAY_MS: f32 = 450.0;
/// Speech at arm's length is to be as loud as the program's own voice. Common practice, no source.
const LEAST_LOSS_DB: f32 = 0.0;
/// A peak of pure chance among a hundred thousand lags is about five times the RMS.
const STANDS_OUT: f32 = 8.0;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hear::noise::{White, pink};

    fn white(seed: u64, len: usize, level: f32) -> Vec<f32> {
        let mut source = White::new(seed);
        // Uniform noise from -1 to 1 has an RMS of 1/sqrt 3.
        (0..len).map(|_| source.next_sample() * level * 3.0_f32.sqrt()).collect()
    }

    #[test]
    fn a_sine_has_the_levels_of_the_textbook() {
        // Amplitude a: RMS a / sqrt 2, which is 3.01 dB below the peak.
        let sine: Vec<f32> =
            (0..16_000).map(|n| 0.5 * (std::f32::consts::TAU * 440.0 * n as f32 / 16_000.0).sin()).collect();
        let found = Stretch::of(&sine);
        assert!((found.peak_dbfs + 6.02).abs() < 0.01 && (found.rms_dbfs + 9.03).abs() < 0.01, "{found:?}");
        assert!(found.clipped == 0.0 && found.offset.abs() < 1e-4);
        let clipped: Vec<f32> = sine.iter().map(|sample| (sample * 4.0).clamp(-1.0, 1.0)).collect();
        // |2 sin| exceeds 1 for two thirds of the time: from 30 to 150 degrees of each half.
        assert!((Stretch::of(&clipped).clipped - 2.0 / 3.0).abs() < 0.01);
    }

    #[test]
    fn an_echo_is_found_with_its_delay_and_loss_under_noise_and_none_where_there_is_none() {
        let played = white(1, 16_000, 0.1);
        for (delay, loss_db) in [(80usize, 6.0_f32), (900, 20.0), (3_200, 0.0), (6_400, 12.0)] {
            let mut heard = pink(2, 32_000, 0.005);
            let gain = 10.0_f32.powf(-loss_db / 20.0);
            for (at, sample) in played.iter().enumerate() {
                // A straight way and one over the wall, a tenth of its power.
                heard[delay + at] += gain * 0.953 * sample;
                heard[delay + at + 37] += gain * 0.302 * sample;
            }
            let found = echo_path(&played, &heard, 0.005).unwrap();
            assert!((found.delay_ms - delay as f32 / 16.0).abs() < 0.1, "{found:?}");
            assert!((found.loss_db - loss_db).abs() < 0.5, "{found:?}, {loss_db} dB expected");
        }
        assert_eq!(echo_path(&played, &pink(3, 32_000, 0.05), 0.05), None);
        assert_eq!(echo_path(&played, &white(4, 32_000, 0.05), 0.05), None);
        assert_eq!(echo_path(&played, &[0.0; 32_000], 0.0), None);
    }

    fn fine() -> MicMeasured {
        let stretch = |rms_dbfs: f32| Stretch { rms_dbfs, peak_dbfs: rms_dbfs + 15.0, clipped: 0.0, offset: 0.0 };
        MicMeasured {
            quiet: stretch(-60.0),
            speech: Some(stretch(-25.0)),
            echo: Some(EchoPath { delay_ms: 80.0, loss_db: 12.0 }),
            lost: 0,
            understood: (3, 3),
        }
    }

    #[test]
    fn each_fault_is_named_and_a_good_microphone_has_none() {
        assert_eq!(fine().advice(), []);
        let with = |change: &dyn Fn(&mut MicMeasured)| {
            let mut measured = fine();
            change(&mut measured);
            measured.advice()
        };
        let speech = |measured: &mut MicMeasured, rms_dbfs: f32, clipped: f32| {
            measured.speech = measured.speech.map(|speech| Stretch { rms_dbfs, clipped, ..speech });
        };
        assert_eq!(with(&|m| speech(m, -25.0, 0.001)), [MicAdvice::TurnDown]);
        assert_eq!(with(&|m| speech(m, -48.0, 0.0)), [MicAdvice::TurnUp]);
        assert_eq!(with(&|m| m.quiet.rms_dbfs = -32.0), [MicAdvice::ComeNearer]);
        assert_eq!(with(&|m| m.lost = 3), [MicAdvice::Lost]);
        assert_eq!(with(&|m| m.speech = None), [MicAdvice::NobodySpoke]);
        assert_eq!(with(&|m| m.echo = Some(EchoPath { delay_ms: 600.0, loss_db: 12.0 })), [MicAdvice::SlowLoudspeaker]);
        assert_eq!(with(&|m| m.echo = Some(EchoPath { delay_ms: 60.0, loss_db: -3.0 })), [MicAdvice::MoveLoudspeaker]);
        assert_eq!(with(&|m| m.understood = (1, 3)), [MicAdvice::NotUnderstood]);
        assert_eq!(
            with(&|m| {
                m.quiet.rms_dbfs = -120.0;
                m.speech = None;
            }),
            [MicAdvice::Dead]
        );
        assert_eq!(with(&|m| m.echo = None), [], "a headset");
    }
}
