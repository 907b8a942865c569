//! What each part of hearing is worth: the same sound files heard with a part left out, put in, or changed. One JSON object a file and way.
//!
//! `cargo run --release --example hear_parts -- MODELS PHRASES < list-of-wavs > parts.jsonl`: PHRASES has a phrase and, after a tab, the number of
//! its meaning on each line. `docs/hearing/parts.md` is made of it.

#[path = "../tests/hear_support/processor.rs"]
mod processor;

use std::io::BufRead;
use std::path::Path;

use processor::processor_time_s;
use serde_json::json;
use sonora::config::{HighPassFilter, NoiseSuppression, NoiseSuppressionLevel};
use sonora::{AudioProcessing, Config, StreamConfig};
use sparehand::audio::FRAME_LEN;
use sparehand::audio::SAMPLE_RATE;
use sparehand::audio::wav;
use sparehand::engine::output::{AllowedPhrase, PhraseClass, Prior};
use sparehand::hear::noise::rms;
use sparehand::onnx::environment;
use sparehand::speech::clip::ClipHearing;
use sparehand::speech::score::{Beam, ScoreSettings};

/// One way to hear.
struct Way {
    name: &'static str,
    scores: ScoreSettings,
    /// What was there before the words is taken for the background.
    own_background: bool,
    before: Before,
}

/// What is done to the sound before it is scored.
#[derive(Clone, Copy)]
enum Before {
    Nothing,
    HighPass,
    /// With the high-pass before it.
    Suppression(NoiseSuppressionLevel),
    Gain,
    /// So many milliseconds of the half second before and after the words are cut off.
    Crop {
        before: usize,
        after: usize,
    },
}

fn ways() -> Vec<Way> {
    let shipped = ScoreSettings::default();
    let with = |name, scores| Way { name, scores, own_background: false, before: Before::Nothing };
    let after = |name, before| Way { name, scores: shipped, own_background: false, before };
    vec![
        with("as it ships", shipped),
        with("nothing taken off for the background", ScoreSettings { prior_weight: 0.0, ..shipped }),
        with("half of the background taken off", ScoreSettings { prior_weight: 0.5, ..shipped }),
        with("all of the background taken off", ScoreSettings { prior_weight: 1.0, ..shipped }),
        Way {
            name: "the background from before the word",
            scores: shipped,
            own_background: true,
            before: Before::Nothing,
        },
        with("beam of 4 nats, 8 wide", beam(4.0, 8)),
        with("beam of 16 nats, 64 wide", beam(16.0, 64)),
        after("high-pass at 100 Hz before", Before::HighPass),
        after("the same and suppression, little", Before::Suppression(NoiseSuppressionLevel::Low)),
        after("the same and suppression, much", Before::Suppression(NoiseSuppressionLevel::High)),
        after("brought to one level", Before::Gain),
        after("100 ms of sound around the words", Before::Crop { before: 400, after: 400 }),
        after("250 ms of sound around the words", Before::Crop { before: 250, after: 250 }),
        // The speech detector notices the end some 60 ms late: what is there after 256, 192, 160 and 128 ms of quiet.
        after("316 ms of sound after the words", Before::Crop { before: 0, after: 184 }),
        after("250 ms of sound after the words", Before::Crop { before: 0, after: 250 }),
        after("220 ms of sound after the words", Before::Crop { before: 0, after: 280 }),
        after("190 ms of sound after the words", Before::Crop { before: 0, after: 310 }),
    ]
}

fn beam(width: f32, most: usize) -> ScoreSettings {
    ScoreSettings { beam: Beam { width, most }, ..ScoreSettings::default() }
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [models, phrases, only @ ..] = arguments.as_slice() else {
        return Err("expected MODELS PHRASES [WAY...], and a list of WAV files on standard input".into());
    };
    let models = Path::new(models);
    let environment = environment(models)?;
    let mut allowed = Vec::new();
    for line in std::fs::read_to_string(phrases)?.lines() {
        let (text, group) = line.split_once('\t').ok_or("expected a phrase, a tab and the number of its meaning")?;
        let (text, group) = (text.to_owned(), group.parse()?);
        allowed.push(AllowedPhrase {
            text,
            class: PhraseClass::Ordinary,
            group,
            while_speaking: true,
            prior: Prior::Allowed,
        });
    }
    let files: Vec<String> = std::io::stdin().lock().lines().collect::<Result<_, _>>()?;
    for way in ways().into_iter().filter(|way| only.is_empty() || only.iter().any(|name| name == way.name)) {
        let mut hearing = ClipHearing::open(&environment, models, way.scores, allowed.clone(), None)?;
        for file in &files {
            let samples = wav::read(Path::new(file))?;
            if samples.len() < SAMPLE_RATE {
                return Err(format!(
                    "{file}: found {} samples, expected half a second of noise before and after the words",
                    samples.len()
                )
                .into());
            }
            let samples = changed(samples, way.before)?;
            if way.own_background {
                hearing.set_background(&samples[..SAMPLE_RATE * 2 / 5])?;
            }
            let began = processor_time_s()?;
            let found = hearing.hear(&samples)?;
            let took = processor_time_s()? - began;
            let verdict = &found.verdict;
            println!(
                "{}",
                json!({
                    "way": way.name, "file": file, "best": verdict.best.map(|at| hearing.phrases()[at].text.as_str()),
                    "score": finite(verdict.score), "margin": verdict.margin, "log_odds": finite(verdict.log_odds),
                    "features": verdict.evidence.map(|evidence| evidence.features()), "free": found.ranking.free.text,
                    "accepted": verdict.accepted.map(|certainty| format!("{certainty:?}")), "processor_ms": took * 1000.0,
                })
            );
        }
    }
    Ok(())
}

/// `samples` as `before` leaves them.
fn changed(samples: Vec<f32>, before: Before) -> Result<Vec<f32>, sonora::Error> {
    let config = match before {
        Before::Nothing => return Ok(samples),
        Before::Crop { before, after } => {
            let keep = |ms: usize| ms * SAMPLE_RATE / 1000;
            return Ok(samples[keep(before)..samples.len() - keep(after)].to_vec());
        }
        Before::Gain => {
            let gain = LEVEL / rms(&samples).max(1e-6);
            return Ok(samples.iter().map(|sample| (sample * gain).clamp(-1.0, 1.0)).collect());
        }
        Before::HighPass => Config { high_pass_filter: Some(HighPassFilter::default()), ..Config::default() },
        Before::Suppression(level) => Config {
            high_pass_filter: Some(HighPassFilter::default()),
            noise_suppression: Some(NoiseSuppression { level, ..NoiseSuppression::default() }),
            ..Config::default()
        },
    };
    let stream = StreamConfig::new(SAMPLE_RATE as u32, 1);
    let mut processing = AudioProcessing::builder().config(config).capture_config(stream).render_config(stream).build();
    let mut out = Vec::with_capacity(samples.len());
    // What suppresses noise has to know it first: it gets the clip's first half second three times over.
    let lead: Vec<f32> = samples[..SAMPLE_RATE / 2].repeat(3);
    for frame in lead.iter().chain(&samples).copied().collect::<Vec<f32>>().as_chunks::<FRAME_LEN>().0 {
        let mut clean = [0.0; FRAME_LEN];
        processing.process_capture_f32(&[frame], &mut [&mut clean])?;
        out.extend_from_slice(&clean);
    }
    Ok(out.split_off(lead.len()))
}

fn finite(value: f32) -> Option<f32> {
    value.is_finite().then_some(value)
}

/// -23 dBFS.
const LEVEL: f32 = 0.07;
