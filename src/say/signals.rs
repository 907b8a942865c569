//! Alarm signals and earcons: four sounds in all, made of pulses with harmonics.
//!
//! Design values: fundamental 150 to 1000 Hz with at least four harmonics between 300 and 4000 Hz within 15 dB of it
//! (IEC 60601-1-8 Table 4), so that they can be placed by ear and pass a cheap loudspeaker; fundamentals away from multiples
//! of the mains frequency, alarms of at least half a second that differ within their first half second, at most four sounds
//! (MIL-STD-1472E 5.3.3-5.3.6); fundamentals below 2.5 kHz for older ears (ISO 24500).

use std::f32::consts::PI;

use crate::engine::output::AlarmSignal;
use crate::say::loudness::{LoudnessError, level};

/// A short sound that is no alarm.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Earcon {
    /// "I heard you": a tick, long before an answer can be spoken. Shorter than half a second, or it would cover the answer.
    Heard,
    /// "Go on, I am listening": two rising notes.
    GoOn,
}

/// All signals, ready to play at 48 kHz.
#[derive(Clone, Debug)]
pub struct Signals {
    hazards: Vec<Vec<f32>>,
    time: Vec<f32>,
    heard: Vec<f32>,
    go_on: Vec<f32>,
}

impl Signals {
    /// Makes them.
    ///
    /// # Errors
    ///
    /// Never with the values below; a changed value may make a loudness unreachable.
    pub fn new() -> Result<Self, LoudnessError> {
        let hazards =
            (0..HAZARD_STEPS).map(|step| level(&hazard(step), RATE, HAZARD_LUFS + HAZARD_LUFS_STEP * f64::from(step)));
        Ok(Self {
            hazards: hazards.collect::<Result<_, _>>()?,
            time: level(&time(), RATE, TIME_LUFS)?,
            heard: level(&heard(), RATE, EARCON_LUFS)?,
            go_on: level(&go_on(), RATE, EARCON_LUFS)?,
        })
    }

    /// The samples of an alarm signal. A hazard's are louder and closer with each repeat, up to the fourth.
    pub fn alarm(&self, signal: AlarmSignal) -> &[f32] {
        match signal {
            AlarmSignal::Hazard { repeat } => &self.hazards[repeat.min(HAZARD_STEPS - 1) as usize],
            AlarmSignal::Time => &self.time,
        }
    }

    /// The samples of an earcon.
    pub fn earcon(&self, earcon: Earcon) -> &[f32] {
        match earcon {
            Earcon::Heard => &self.heard,
            Earcon::GoOn => &self.go_on,
        }
    }
}

/// Three pulses and two, as the burst of a high-priority alarm begins (IEC 60601-1-8 Table 3, from memory). Half a burst,
/// because words follow at once and say what it is.
fn hazard(step: u32) -> Vec<f32> {
    let gap = HAZARD_GAP_MS - HAZARD_GAP_STEP_MS * step;
    let mut sound = Vec::new();
    for (place, after) in [gap, gap, 2 * gap + HAZARD_PULSE_MS, gap, 0].into_iter().enumerate() {
        let fundamental = if place < 3 { HAZARD_HZ } else { HAZARD_HIGH_HZ };
        sound.extend(pulse(fundamental, HAZARD_PULSE_MS, Shape::Steady));
        sound.extend(silence(after));
    }
    sound
}

/// Two soft low notes that die away.
fn time() -> Vec<f32> {
    let mut sound = pulse(TIME_HZ, 400, Shape::Dying);
    sound.extend(silence(60));
    sound.extend(pulse(TIME_HZ, 400, Shape::Dying));
    sound
}

fn heard() -> Vec<f32> {
    pulse(HEARD_HZ, 90, Shape::Dying)
}

fn go_on() -> Vec<f32> {
    let mut sound = pulse(GO_ON_HZ.0, 180, Shape::Dying);
    sound.extend(pulse(GO_ON_HZ.1, 340, Shape::Dying));
    sound
}

#[derive(Clone, Copy)]
enum Shape {
    Steady,
    Dying,
}

/// One pulse: the fundamental and five harmonics, each a little weaker, with phases that keep the peaks low.
fn pulse(fundamental: f32, milliseconds: u32, shape: Shape) -> Vec<f32> {
    let length = samples(milliseconds);
    let edge = length * EDGE_PERCENT / 100;
    let sample = |n: usize| -> f32 {
        let time = n as f32 / RATE as f32;
        let tone: f32 = (0..PARTIALS.len())
            .map(|place| {
                let phase = -PI * (place * place) as f32 / PARTIALS.len() as f32;
                PARTIALS[place] * (2.0 * PI * fundamental * (place + 1) as f32 * time + phase).sin()
            })
            .sum();
        let from_end = n.min(length - 1 - n);
        let edge_gain = if from_end < edge { 0.5 - 0.5 * (PI * from_end as f32 / edge as f32).cos() } else { 1.0 };
        let decay = match shape {
            Shape::Steady => 1.0,
            Shape::Dying => (-4.0 * n as f32 / length as f32).exp(),
        };
        tone * edge_gain * decay * 0.2
    };
    (0..length).map(sample).collect()
}

fn silence(milliseconds: u32) -> Vec<f32> {
    vec![0.0; samples(milliseconds)]
}

fn samples(milliseconds: u32) -> usize {
    (RATE / 1000 * milliseconds) as usize
}

/// Samples a second.
pub const RATE: u32 = 48_000;

/// Amplitudes of the fundamental and its harmonics: -1 to -10 dB.
const PARTIALS: [f32; 6] = [1.0, 0.9, 0.8, 0.6, 0.45, 0.3];

/// Rise and fall, in percent of the pulse: no click, and no start that makes somebody jump with a hand on a valve. From a tenth to nine
/// tenths it takes three fifths of that.
const EDGE_PERCENT: usize = 17;

const HAZARD_HZ: f32 = 635.0;
const HAZARD_HIGH_HZ: f32 = 755.0;
const TIME_HZ: f32 = 332.0;
const HEARD_HZ: f32 = 710.0;
const GO_ON_HZ: (f32, f32) = (427.0, 568.0);

/// 75 to 200 ms for a high priority (IEC 60601-1-8 Table 3, from memory).
const HAZARD_PULSE_MS: u32 = 180;

/// Milliseconds of silence between pulses at first, and how much less at each repeat. With the edges, which are half heard, from 125 to 50
/// (IEC 60601-1-8 Table 3, from memory).
const HAZARD_GAP_MS: u32 = 92;
const HAZARD_GAP_STEP_MS: u32 = 22;

/// Repeats after which a hazard signal grows no further.
const HAZARD_STEPS: u32 = 4;

/// LUFS at first; speech is at -16.
const HAZARD_LUFS: f64 = -15.0;
const HAZARD_LUFS_STEP: f64 = 1.8;
const TIME_LUFS: f64 = -20.0;
const EARCON_LUFS: f64 = -22.0;

#[cfg(test)]
mod tests {
    use super::*;
    use realfft::RealFftPlanner;

    fn all() -> Vec<(&'static str, Vec<f32>)> {
        let signals = Signals::new().unwrap();
        vec![
            ("hazard", signals.alarm(AlarmSignal::Hazard { repeat: 0 }).to_vec()),
            ("time", signals.alarm(AlarmSignal::Time).to_vec()),
            ("heard", signals.earcon(Earcon::Heard).to_vec()),
            ("go on", signals.earcon(Earcon::GoOn).to_vec()),
        ]
    }

    /// Power spectrum of the first pulse, with bins of `RATE / length` hertz.
    fn spectrum(samples: &[f32]) -> Vec<f32> {
        let length = 16_384;
        let mut input = samples[..samples.len().min(length)].to_vec();
        input.resize(length, 0.0);
        let transform = RealFftPlanner::<f32>::new().plan_fft_forward(length);
        let mut output = transform.make_output_vec();
        transform.process(&mut input, &mut output).unwrap();
        output.iter().map(|bin| bin.norm_sqr()).collect()
    }

    fn power_near(spectrum: &[f32], hertz: f32) -> f32 {
        let bin = (hertz * 16_384.0 / RATE as f32).round() as usize;
        spectrum[bin.saturating_sub(3)..bin + 4].iter().copied().fold(0.0, f32::max)
    }

    // IEC 60601-1-8 Table 4: fundamental 150 to 1000 Hz, at least four harmonics in 300 to 4000 Hz within 15 dB of it.
    // ISO 24500: fundamental at most 2.5 kHz. MIL-STD-1472E 5.3: no mains frequency.
    #[test]
    fn every_signal_has_its_fundamental_and_harmonics_where_they_are_heard() {
        let fundamentals = [HAZARD_HZ, TIME_HZ, HEARD_HZ, GO_ON_HZ.0];
        for ((name, samples), fundamental) in all().into_iter().zip(fundamentals) {
            let first = &samples[..samples.len().min(super::samples(90))];
            let spectrum = spectrum(first);
            assert!((150.0..=1000.0).contains(&fundamental), "{name}");
            let base = power_near(&spectrum, fundamental);
            let strongest = spectrum.iter().copied().fold(0.0, f32::max);
            assert!(10.0 * (base / strongest).log10() > -6.0, "{name}: the fundamental is not where it is said to be");
            let harmonics = (2..=12).map(|n| n as f32 * fundamental).filter(|hertz| (300.0..=4000.0).contains(hertz));
            let strong =
                harmonics.filter(|&hertz| (10.0 * (power_near(&spectrum, hertz) / base).log10()).abs() <= 15.0).count();
            assert!(strong >= 4, "{name}: {strong} harmonics");
            for mains in [50.0, 60.0] {
                let apart = fundamental - (fundamental / mains).round() * mains;
                assert!(apart.abs() >= 4.0, "{name}: {fundamental} Hz lies on the mains");
            }
        }
    }

    // MIL-STD-1472E 5.3.3-5.3.6: at least half a second. The tick is an acknowledgement and no alarm (see `Earcon::Heard`).
    #[test]
    fn alarms_last_at_least_half_a_second_and_a_tick_does_not() {
        for (name, samples) in all() {
            let seconds = samples.len() as f32 / RATE as f32;
            if name == "heard" { assert!(seconds < 0.15) } else { assert!(seconds >= 0.5, "{name}: {seconds} s") }
        }
    }

    // MIL-STD-1472E 5.3: the first half second tells one signal from another. The distance is our own measure: share of
    // spectral power that two signals do not have in common, 0 to 1; the limit is ours too.
    #[test]
    fn any_two_signals_differ_within_their_first_half_second() {
        let spectra: Vec<_> =
            all().into_iter().map(|(name, samples)| (name, spectrum(&samples[..samples.len().min(24_000)]))).collect();
        for (place, (name, one)) in spectra.iter().enumerate() {
            for (other_name, other) in &spectra[place + 1..] {
                let (sum_one, sum_other): (f32, f32) = (one.iter().sum(), other.iter().sum());
                let common: f32 = one.iter().zip(other).map(|(a, b)| (a / sum_one).min(b / sum_other)).sum();
                assert!(1.0 - common > 0.5, "{name} and {other_name} have {common} in common");
            }
        }
    }

    // IEC 60601-1-8: rise time, so that no pulse starts with a click. Checked as the largest step between samples.
    #[test]
    fn no_signal_starts_or_ends_with_a_click() {
        for (name, samples) in all() {
            let peak = samples.iter().fold(0.0f32, |peak, sample| peak.max(sample.abs()));
            assert!(samples[0].abs() < 0.01 * peak && samples[samples.len() - 1].abs() < 0.01 * peak, "{name}");
            let early = samples[..48].iter().fold(0.0f32, |peak, sample| peak.max(sample.abs()));
            assert!(early < 0.1 * peak, "{name}: {early} of {peak} after 1 ms");
        }
    }

    /// Where each pulse is, as it is heard: begin and end at half of the peak, and how long it takes from a tenth to nine tenths, in
    /// milliseconds.
    fn pulses(sound: &[f32]) -> Vec<(f32, f32, f32)> {
        // The peak within a period of the lower fundamental.
        let period = (RATE as f32 / HAZARD_HZ).ceil() as usize;
        let envelope: Vec<f32> =
            sound.windows(period).map(|window| window.iter().fold(0.0, |peak: f32, x| peak.max(x.abs()))).collect();
        let peak = envelope.iter().copied().fold(0.0, f32::max);
        let milliseconds = |n: usize| n as f32 * 1000.0 / RATE as f32;
        let mut found = Vec::new();
        let mut n = 0;
        while let Some(begin) = (n..envelope.len()).find(|&n| envelope[n] >= peak / 2.0) {
            let end = (begin..envelope.len()).find(|&n| envelope[n] < peak / 2.0).unwrap_or(envelope.len());
            let tenth = (0..begin).rev().find(|&n| envelope[n] < 0.1 * peak).unwrap_or(0);
            let whole = (begin..end).find(|&n| envelope[n] >= 0.9 * peak).unwrap_or(end);
            found.push((milliseconds(begin), milliseconds(end), milliseconds(whole - tenth)));
            n = end;
        }
        found
    }

    // IEC 60601-1-8, characteristics of pulse and burst (from memory): a pulse of high priority takes 75 to 200 ms and rises within 10 to 40 % of
    // that; 50 to 125 ms between pulses, between the third and the fourth twice that and a pulse. Measured on the signal.
    #[test]
    fn the_pulses_of_a_hazard_are_as_long_as_far_apart_and_rise_as_an_alarm_of_high_priority() {
        let signals = Signals::new().unwrap();
        for repeat in 0..HAZARD_STEPS {
            let pulses = pulses(signals.alarm(AlarmSignal::Hazard { repeat }));
            assert_eq!(pulses.len(), 5, "{pulses:?}");
            for (begin, end, rise) in &pulses {
                let length = end - begin;
                assert!((75.0..=200.0).contains(&length), "{length} ms");
                assert!((0.1..=0.4).contains(&(rise / length)), "rises in {rise} of {length} ms");
            }
            let gaps: Vec<f32> = pulses.windows(2).map(|two| two[1].0 - two[0].1).collect();
            for (place, gap) in gaps.iter().enumerate() {
                let most = if place == 2 { 2.0 * 125.0 + 200.0 } else { 125.0 };
                let least = if place == 2 { 2.0 * 50.0 + 75.0 } else { 50.0 };
                assert!((least..=most).contains(gap), "repeat {repeat}: gap {place} of {gap} ms");
            }
        }
    }

    #[test]
    fn a_hazard_grows_louder_and_closer_with_each_repeat_up_to_a_limit() {
        use crate::say::loudness::{measure, true_peak};
        let signals = Signals::new().unwrap();
        let loudness = |repeat| measure(signals.alarm(AlarmSignal::Hazard { repeat }), RATE).unwrap().lufs().unwrap();
        let length = |repeat| signals.alarm(AlarmSignal::Hazard { repeat }).len();
        for repeat in 1..4 {
            assert!(loudness(repeat) > loudness(repeat - 1) + 1.0, "repeat {repeat}");
            assert!(length(repeat) < length(repeat - 1), "repeat {repeat}");
        }
        assert_eq!(length(3), length(1000));
        assert_eq!(loudness(3), loudness(u32::MAX));
        assert!(true_peak(signals.alarm(AlarmSignal::Hazard { repeat: 3 }), RATE).unwrap() <= -1.0);
    }
}
