//! The alarm of a hazard against ISO 7731:2003, ergonomics of danger signals for public and work areas, auditory danger signals (values from memory
//! where it is said).
//!
//! What cannot be shown here is a level in the air (65 dB(A) at least, 4.2.2): that hangs on the loudspeaker, and wants one that is calibrated.
//! What can be shown is the margin over a noise of which it is stated how loud and of what color it is. It is stated against the voice, for the
//! program holds its voice 15 dB above the noise as its microphone hears both (`station/loud_enough.rs`): the noise is 15 dB(A) below the voice, and
//! brown as an engine or wind, pink, or white as a tap or rain.

use realfft::RealFftPlanner;
use rstest::rstest;
use sparehand::audio::PLAYBACK_RATE;
use sparehand::audio::resample::Doubler;
use sparehand::engine::output::AlarmSignal;
use sparehand::say::signals::Signals;
use sparehand::speech::voice::prepare::Workbench;

/// The lowest volume takes so much off an alarm (`say/mixer.rs`).
const TURNED_DOWN_DB: f64 = 3.0;

/// Power at each frequency in hertz, of all of a sound; the pauses in it count.
type Spectrum = Vec<(f64, f64)>;

fn spectrum(samples: &[f32]) -> Spectrum {
    let length = samples.len().next_power_of_two();
    let mut input = samples.to_vec();
    input.resize(length, 0.0);
    let transform = RealFftPlanner::<f32>::new().plan_fft_forward(length);
    let mut output = transform.make_output_vec();
    transform.process(&mut input, &mut output).unwrap();
    let hertz = |bin: usize| bin as f64 * f64::from(PLAYBACK_RATE) / length as f64;
    let share = 2.0 / (length as f64 * samples.len() as f64);
    output.iter().enumerate().skip(1).map(|(bin, x)| (hertz(bin), f64::from(x.norm_sqr()) * share)).collect()
}

/// Noise from 20 Hz to 20 kHz that falls by so many decibels an octave, at this A-weighted level.
fn noise(fall_db: f64, level_db: f64) -> Spectrum {
    let flat = (20..20_000).map(|hertz| (f64::from(hertz), 10f64.powf(-fall_db * f64::from(hertz).log2() / 10.0)));
    let plain: Spectrum = flat.collect();
    let gain = 10f64.powf((level_db - a_level(&plain)) / 10.0);
    plain.into_iter().map(|(hertz, power)| (hertz, gain * power)).collect()
}

/// IEC 61672-1:2013, 5.4.8 and Annex E: the A weighting in decibels.
fn a_weighting(hertz: f64) -> f64 {
    let f2 = hertz * hertz;
    let [one, two, three, four] = [20.598_997, 107.652_65, 737.862_23, 12_194.217].map(|f: f64| f * f);
    let ratio = four * f2 * f2 / ((f2 + one) * ((f2 + two) * (f2 + three)).sqrt() * (f2 + four));
    20.0 * ratio.log10() + 2.0
}

fn a_level(sound: &Spectrum) -> f64 {
    decibels(sound.iter().map(|(hertz, power)| power * 10f64.powf(a_weighting(*hertz) / 10.0)).sum())
}

fn decibels(power: f64) -> f64 {
    10.0 * power.max(1e-30).log10()
}

/// Levels of the bands with these centers, each so many octaves wide (IEC 61260-1: base two here, edges half a band away).
fn bands(sound: &Spectrum, centers: &[f64], octaves: f64) -> Vec<f64> {
    let edge = 2f64.powf(octaves / 2.0);
    let within = |center: f64| {
        sound.iter().filter(move |(hertz, _)| (center / edge..center * edge).contains(hertz)).map(|(_, power)| power)
    };
    centers.iter().map(|center| decibels(within(*center).sum())).collect()
}

/// ISO 7731:2003, Annex B (from memory): a band is masked by its own noise, and by that of the band below less 7.5 dB (octaves) or 2.5 dB (thirds).
fn masked(noise: &[f64], falls_db: f64) -> Vec<f64> {
    let with_below = |below: &mut f64, level: &f64| {
        *below = level.max(*below - falls_db);
        Some(*below)
    };
    noise.iter().scan(f64::NEG_INFINITY, with_below).collect()
}

fn centers(octaves: f64) -> Vec<f64> {
    let per = (1.0 / octaves).round() as i32;
    (-4 * per..=3 * per).map(|n| 1000.0 * 2f64.powf(f64::from(n) / f64::from(per))).collect()
}

/// The most by which a sound stands above what the noise masks, among the bands from 300 to 3000 Hz.
fn most_above(sound: &Spectrum, noise: &Spectrum, octaves: f64, falls_db: f64) -> f64 {
    let centers = centers(octaves);
    let thresholds = masked(&bands(noise, &centers, octaves), falls_db);
    let levels = bands(sound, &centers, octaves);
    let inside = (0..centers.len()).filter(|&n| (300.0..=3000.0).contains(&centers[n]));
    inside.map(|n| levels[n] - thresholds[n]).fold(f64::NEG_INFINITY, f64::max)
}

fn voice() -> Spectrum {
    let mut bench = Workbench::new(crate::say_common::load_voice(), None).unwrap();
    let samples = bench.sentence("Open the black tank valve all the way, and say: black open.", 1.0).unwrap();
    spectrum(&Doubler::new().unwrap().double(&samples).unwrap())
}

fn hazard(repeat: u32) -> Spectrum {
    spectrum(Signals::new().unwrap().alarm(AlarmSignal::Hazard { repeat }))
}

/// ISO 7731:2003, 4.2.2 (from memory): by A-weighted level 15 dB above the noise, or in an octave 10 dB above the masked threshold, or in a third of an
/// octave 13 dB. One of them is enough; here all three hold.
#[rstest]
#[case::engine_or_wind(6.0)]
#[case::pink(3.0)]
#[case::tap_or_rain(0.0)]
fn a_hazard_stands_out_of_the_noise_that_the_voice_is_held_above(#[case] fall_db: f64) {
    let noise = noise(fall_db, a_level(&voice()) - 15.0);
    for repeat in 0..4 {
        let alarm = hazard(repeat);
        let level = a_level(&alarm) - a_level(&noise) - TURNED_DOWN_DB;
        let octave = most_above(&alarm, &noise, 1.0, 7.5) - TURNED_DOWN_DB;
        let third = most_above(&alarm, &noise, 1.0 / 3.0, 2.5) - TURNED_DOWN_DB;
        println!(
            "noise that falls by {fall_db} dB, repeat {repeat}: {level:.1} dB(A), octave {octave:.1} dB, third {third:.1} dB"
        );
        assert!(level >= 15.0, "repeat {repeat}: {level} dB(A) above");
        assert!(octave >= 10.0, "repeat {repeat}: {octave} dB above in an octave");
        assert!(third >= 13.0, "repeat {repeat}: {third} dB above in a third of an octave");
    }
}

/// ISO 7731:2003 (from memory): most of the signal lies from 500 to 2500 Hz, and it pulsates 0.2 to 5 times a second.
#[test]
fn a_hazard_sounds_where_it_is_heard_by_ears_that_lost_the_high_notes_and_pulsates() {
    for repeat in 0..4 {
        let alarm = hazard(repeat);
        let whole: f64 = alarm.iter().map(|(_, power)| power).sum();
        let within: f64 =
            alarm.iter().filter(|(hertz, _)| (500.0..=2500.0).contains(hertz)).map(|(_, power)| power).sum();
        assert!(within >= 0.5 * whole, "repeat {repeat}: {within} of {whole}");
        let per_second = pulses_a_second(Signals::new().unwrap().alarm(AlarmSignal::Hazard { repeat }));
        assert!((0.2..=5.0).contains(&per_second), "repeat {repeat}: {per_second} a second");
    }
}

/// Counted from the beginning of the first pulse to that of the third, where the level passes half of the peak after a pause of 20 ms.
fn pulses_a_second(samples: &[f32]) -> f64 {
    let peak = samples.iter().fold(0.0f32, |peak, sample| peak.max(sample.abs()));
    let pause = PLAYBACK_RATE as usize / 50;
    let loud: Vec<usize> = (0..samples.len()).filter(|&n| samples[n].abs() > peak / 2.0).collect();
    let begins: Vec<usize> =
        loud.iter().enumerate().filter(|(at, n)| *at == 0 || **n - loud[at - 1] > pause).map(|(_, n)| *n).collect();
    assert_eq!(begins.len(), 5, "{begins:?}");
    2.0 * f64::from(PLAYBACK_RATE) / (begins[2] - begins[0]) as f64
}

/// IEC 61672-1:2013, Table 3.
#[test]
fn the_weighting_is_the_published_one() {
    for (hertz, published) in [
        (31.62, -39.4),
        (100.0, -19.1),
        (199.53, -10.9),
        (501.19, -3.2),
        (1000.0, 0.0),
        (1995.26, 1.2),
        (3981.07, 1.0),
        (7943.28, -1.1),
    ] {
        assert!((a_weighting(hertz) - published).abs() <= 0.06, "{hertz} Hz: {}", a_weighting(hertz));
    }
}

/// A noise of 62 dB(A) wants a signal of 77 dB(A): what stands 15 dB above stands 15 dB above, and what is 0.1 dB less does not.
#[test]
fn the_margin_is_that_of_the_levels() {
    let tone = |level_db: f64| -> Spectrum { vec![(1000.0, 10f64.powf(level_db / 10.0))] };
    let pink = noise(3.0, 62.0);
    assert!((a_level(&tone(77.0)) - a_level(&pink) - 15.0).abs() < 0.01);
    // Pink noise has the same level in each octave; white has 3 dB more in each.
    let octaves = bands(&noise(0.0, 62.0), &centers(1.0), 1.0);
    assert!(octaves.windows(2).all(|two| (two[1] - two[0] - 3.01).abs() < 0.1), "{octaves:?}");
    // Brown noise masks upward: the octaves above 125 Hz fall by 7.5 dB, and their own noise only by 3.
    assert_eq!(masked(&[60.0, 50.0, 50.0], 7.5), [60.0, 52.5, 50.0]);
}
