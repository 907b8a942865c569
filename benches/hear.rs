//! Time from the last sample of an utterance to the result: 60 phrases, 1.5 s of sound, one thread. Bound: 50 ms.
//!
//! Needs the models (`sparehand fetch`) and `espeak-ng`.

use std::path::PathBuf;
use std::process::Command;

use criterion::{Criterion, criterion_group, criterion_main};
use sparehand::audio::SAMPLE_RATE;
use sparehand::audio::wav;
use sparehand::engine::output::{AllowedPhrase, PhraseClass, Prior};
use sparehand::hear::noise::White;
use sparehand::onnx::environment;
use sparehand::speech::calibration::Calibration;
use sparehand::speech::judge::{Case, recognise};
use sparehand::speech::networks::Networks;
use sparehand::speech::own_examples::OwnExamples;
use sparehand::speech::score::{ScoreSettings, Scorer};

fn rank_sixty_phrases(criterion: &mut Criterion) {
    let models = models();
    let environment = environment(&models).expect("run `sparehand fetch` first");
    let folder = models.join(&Networks::shipped().phrases);
    let mut scorer =
        Scorer::load(&environment, &folder, ScoreSettings::default()).expect("run `sparehand fetch` first");
    let prepared = scorer.prepare(&PHRASES);
    scorer.warm(&prepared).expect("the model scores the background");
    let (calibration, own) = (Calibration::shipped(), OwnExamples::default());
    let allowed: Vec<AllowedPhrase> = (0..)
        .zip(PHRASES)
        .map(|(group, text)| AllowedPhrase {
            text: text.to_owned(),
            class: PhraseClass::Critical,
            group,
            while_speaking: false,
            prior: Prior::Allowed,
        })
        .collect();
    for spoken in ["valve closed", "what is left"] {
        for snr in ["clean", "noisy"] {
            let samples = utterance(spoken, if snr == "clean" { 0.001 } else { 0.02 });
            let (samples, prepared, phrases) = (&*samples, &prepared, &*allowed);
            let case = Case { samples, phrases, prepared, calibration: &calibration, own: &own };
            criterion.bench_function(&format!("60 phrases, 1.5 s, {spoken}, {snr}"), |bench| {
                bench.iter(|| recognise(&mut scorer, case).expect("the model scores the utterance"));
            });
        }
    }
}

/// `text` by a formant synthesiser in white noise, 1.5 s long.
fn utterance(text: &str, noise: f32) -> Vec<f32> {
    let file = tempfile::NamedTempFile::with_suffix(".wav").expect("a temporary file");
    let spoken = Command::new("espeak-ng").arg("-w").arg(file.path()).arg(text).status();
    assert!(spoken.is_ok_and(|status| status.success()), "espeak-ng must be installed");
    let voice = wav::read(file.path()).expect("espeak-ng writes a WAV file");
    let mut white = White::new(1);
    let mut samples: Vec<f32> = (0..SAMPLE_RATE * 3 / 2).map(|_| noise * white.next_sample()).collect();
    for (sample, voice) in samples[SAMPLE_RATE / 4..].iter_mut().zip(voice) {
        *sample += 0.5 * voice;
    }
    samples
}

fn models() -> PathBuf {
    std::env::var_os("SPAREHAND_MODELS").map(PathBuf::from).unwrap_or_else(|| {
        let strategy = etcetera::choose_base_strategy().expect("a home directory");
        etcetera::BaseStrategy::data_dir(&strategy).join("sparehand/models")
    })
}

const PHRASES: [&str; 60] = [
    "done",
    "yes",
    "no",
    "stop",
    "valve closed",
    "valve open",
    "black valve closed",
    "gray valve open",
    "black valve open",
    "gray valve closed",
    "hose connected",
    "hose stowed",
    "hose rinsed",
    "hose off",
    "running clear",
    "still dirty",
    "say again",
    "how long",
    "what is left",
    "where are we",
    "what can i answer",
    "go ahead",
    "stand by",
    "skip this step",
    "not yet",
    "correction",
    "cap on",
    "cap off",
    "water off",
    "water on",
    "rinse running",
    "rinse off",
    "tank empty",
    "tank full",
    "gloves on",
    "hands washed",
    "gate is clear",
    "louder",
    "quieter",
    "slower",
    "faster",
    "explain",
    "end the run",
    "help",
    "both valves closed",
    "both valves open",
    "sewer cap on",
    "sewer cap off",
    "clock started",
    "end the clock",
    "five more minutes",
    "ten minutes",
    "eighty two",
    "seventeen",
    "four",
    "wheels chocked",
    "power off",
    "power on",
    "awning in",
    "steps in",
];

criterion_group!(benches, rank_sixty_phrases);
criterion_main!(benches);
