//! What the rejector has to go by, for each sound file: one JSON object a line. The data that thresholds are fitted to.
//!
//! `cargo run --release --example hear_features -- MODELS PHRASES < list-of-wavs > features.jsonl`

use std::io::BufRead;
use std::path::Path;

use serde_json::json;
use sparehand::audio::wav;
use sparehand::engine::output::{AllowedPhrase, PhraseClass, Prior};
use sparehand::onnx::environment;
use sparehand::speech::clip::ClipHearing;
use sparehand::speech::score::ScoreSettings;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [models, phrases] = arguments.as_slice() else {
        return Err("expected MODELS PHRASES, and a list of WAV files on standard input".into());
    };
    let models = Path::new(models);
    let environment = environment(models)?;
    let text = std::fs::read_to_string(phrases)?;
    // A line is a phrase, or a phrase, a tab and the number of its meaning.
    let allowed = |(at, line): (u32, &str)| -> Result<AllowedPhrase, std::num::ParseIntError> {
        let (text, group) = line.split_once('\t').map_or(Ok((line, at)), |(text, group)| Ok((text, group.parse()?)))?;
        Ok(AllowedPhrase {
            text: text.to_owned(),
            class: PhraseClass::Ordinary,
            group,
            while_speaking: true,
            prior: Prior::Allowed,
        })
    };
    let phrases: Vec<AllowedPhrase> = (0..).zip(text.lines()).map(allowed).collect::<Result<_, _>>()?;
    let mut hearing = ClipHearing::open(&environment, models, ScoreSettings::default(), phrases, None)?;
    for file in std::io::stdin().lock().lines() {
        let file = file?;
        let samples = wav::read(Path::new(&file))?;
        let found = hearing.hear(&samples)?;
        let verdict = &found.verdict;
        let best = verdict.best.map(|at| hearing.phrases()[at].text.as_str());
        println!(
            "{}",
            json!({
                "file": file, "best": best, "free": found.ranking.free.text, "score": finite(verdict.score),
                "margin": verdict.margin, "log_odds": finite(verdict.log_odds),
                "features": verdict.evidence.map(|evidence| evidence.features()),
                "accepted": verdict.accepted.map(|certainty| format!("{certainty:?}")), "audio_s": samples.len() as f64 / 16_000.0,
            })
        );
    }
    Ok(())
}

fn finite(value: f32) -> Option<f32> {
    value.is_finite().then_some(value)
}
