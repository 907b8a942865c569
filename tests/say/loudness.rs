//! The loudness meter against published values, and everything that is said against the target.

use std::f64::consts::TAU;

use ebur128::{EbuR128, Mode};
use sparehand::audio::PLAYBACK_RATE;
use sparehand::say::loudness::{Loudness, SPEECH, level, loudest, measure, true_peak};
use sparehand::speech::voice::prepare::Workbench;

fn tone(hertz: f64, amplitude: f64, seconds: f64, rate: u32) -> Vec<f32> {
    let count = (seconds * f64::from(rate)) as usize;
    (0..count).map(|n| (amplitude * (TAU * hertz * n as f64 / f64::from(rate)).sin()) as f32).collect()
}

fn dbfs(level: f64) -> f64 {
    10f64.powf(level / 20.0)
}

fn gated(samples: &[f32]) -> f64 {
    match measure(samples, 48_000).unwrap() {
        Loudness::Gated(lufs) => lufs,
        other => panic!("{other:?}"),
    }
}

// ITU-R BS.1770-4 Annex 1: "If a 0 dB FS, 997 Hz sine wave is applied to the left, centre, or right channel input, the
// indicated loudness will equal -3.01 LKFS."
#[test]
fn a_full_scale_sine_of_997_hz_reads_minus_3_01() {
    assert!((gated(&tone(997.0, 1.0, 3.0, 48_000)) + 3.01).abs() <= 0.05);
    assert!((gated(&tone(997.0, 0.5, 3.0, 48_000)) + 9.03).abs() <= 0.05);
}

// EBU Tech 3341 Table 1, cases 1 to 5: stereo, 1 kHz, in dBFS per channel; tolerance 0.1 LU. Segment lengths of cases 3 to 5
// are from memory.
#[test]
fn the_minimum_requirements_test_signals_read_as_published() {
    type Case<'a> = (&'a str, &'a [(f64, f64)], f64);
    let cases: [Case<'_>; 5] = [
        ("1", &[(-23.0, 20.0)], -23.0),
        ("2", &[(-33.0, 20.0)], -33.0),
        ("3", &[(-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0)], -23.0),
        ("4", &[(-72.0, 10.0), (-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0), (-72.0, 10.0)], -23.0),
        ("5", &[(-26.0, 20.0), (-20.0, 20.1), (-26.0, 20.0)], -23.0),
    ];
    for (case, segments, expected) in cases {
        let mono: Vec<f32> =
            segments.iter().flat_map(|&(level, seconds)| tone(1000.0, dbfs(level), seconds, 48_000)).collect();
        let stereo: Vec<f32> = mono.iter().flat_map(|&sample| [sample, sample]).collect();
        let mut meter = EbuR128::new(2, 48_000, Mode::I).unwrap();
        meter.add_frames_f32(&stereo).unwrap();
        let found = meter.loudness_global().unwrap();
        assert!((found - expected).abs() <= 0.1, "case {case}: {found}");
        // Our own measure is mono: one channel of a pair reads 3.01 LU lower (BS.1770 Annex 1, sum over channels).
        assert!((gated(&mono) - (expected - 3.01)).abs() <= 0.1, "case {case}, mono");
    }
}

// EBU Tech 3341 Table 1, case 15 and BS.1770 Annex 2: fs/4, phase 0, -6 dBFS; tolerance +0.2/-0.4 dB. A 45 degree shift puts
// the peaks between the samples.
#[test]
fn a_peak_between_samples_is_seen() {
    let shifted: Vec<f32> = (0..48_000).map(|n| (0.5 * (TAU * (n as f64 / 4.0 + 0.125)).sin()) as f32).collect();
    let found = true_peak(&shifted, 48_000).unwrap();
    assert!((-6.42..=-5.8).contains(&found), "{found}");
}

#[test]
fn a_sound_too_short_for_the_gate_is_measured_as_if_it_went_on() {
    for milliseconds in [50.0, 130.0, 200.0, 333.0, 390.0] {
        let Loudness::Ungated(found) = measure(&tone(1000.0, 0.5, milliseconds / 1000.0, 48_000), 48_000).unwrap()
        else {
            panic!("{milliseconds} ms has no gated loudness");
        };
        assert!((found + 9.03).abs() <= 0.3, "{milliseconds} ms: {found}");
    }
    assert_eq!(measure(&[0.0; 48_000], 48_000).unwrap(), Loudness::Silence);
    assert_eq!(measure(&[], 48_000).unwrap(), Loudness::Silence);
}

// EBU R 128: at most -1 dBTP. The target of -16 LUFS and the 1 LU are our own.
#[test]
fn every_prompt_is_equally_loud_and_its_true_peak_stays_below_minus_1() {
    let folder = tempfile::tempdir().unwrap();
    let voice = crate::say_common::load_voice();
    let cache = sparehand::speech::voice::cache::Cache::open(folder.path(), voice.fingerprint()).unwrap();
    let mut bench = Workbench::new(voice, Some(cache)).unwrap();
    let mut doubler = sparehand::audio::resample::Doubler::new().unwrap();
    for sentence in [
        "No.",
        "Stop.",
        "Go.",
        "Done.",
        "Close the black tank valve.",
        "Say valve closed.",
        "Time to check the rinse, the tank is filling.",
        "Step three of twelve, put on your gloves.",
        "Stop, the rinse is still running, shut off the water now!",
        "Is the sewer hose locked at both ends?",
        "Six.",
        "Good morning.",
        "We will dump the tanks together.",
        "Chock the wheels.",
        "Connect the sewer hose to the outlet under the trailer, and lock it with a quarter turn.",
        "Wash your hands before you touch the fresh water hose.",
        "Lift the hose from the trailer towards the inlet, so that it drains.",
        "I cannot write the journal.",
        "At minus ten degrees Fahrenheit, the pipe is frozen.",
        "If the level is above three quarters, open the black tank valve first, wait until the flow has stopped, and only then rinse.",
    ] {
        for speed in [0.6, 1.0, 1.5] {
            let samples = bench.sentence(sentence, speed).unwrap();
            let played = doubler.double(&samples).unwrap();
            let lufs = measure(&played, PLAYBACK_RATE).unwrap().lufs().unwrap();
            let peak = true_peak(&played, PLAYBACK_RATE).unwrap();
            assert!((lufs - SPEECH).abs() <= 1.0, "{sentence} at {speed}: {lufs} LUFS");
            assert!(peak <= -1.0, "{sentence} at {speed}: {peak} dBTP");
        }
    }
}

#[test]
fn a_click_that_cannot_be_loud_is_refused_and_not_passed_off() {
    let mut click = vec![0.0f32; 48_000];
    click[24_000] = 0.5;
    assert!(level(&click, 48_000, SPEECH).is_err());
    let peak = true_peak(&loudest(&click, 48_000).unwrap(), 48_000).unwrap();
    assert!((-1.5..=-1.0).contains(&peak), "{peak}");
}
