//! `sparehand hear` as a function: sound files of several kinds in, one line a file out.

use std::path::{Path, PathBuf};
use std::time::Duration;

use crate::hear_support::{ALLOWED, Voice, in_noise, models, spoken};
use hound::{SampleFormat, WavSpec, WavWriter};
use serde_json::Value;
use sparehand::cli::hear_command::{HearRequest, run};

fn write_wav(path: &Path, samples: &[f32], spec: WavSpec) {
    let mut writer = WavWriter::create(path, spec).expect("a file");
    for &sample in samples {
        for _ in 0..spec.channels {
            match spec.sample_format {
                SampleFormat::Float => writer.write_sample(sample),
                SampleFormat::Int => {
                    writer.write_sample((sample * ((1_i64 << (spec.bits_per_sample - 1)) - 1) as f32) as i32)
                }
            }
            .expect("writing works");
        }
    }
    writer.finalize().expect("writing works");
}

/// Twice or three times the samples, by straight lines: good enough for a word.
fn stretched(samples: &[f32], times: usize) -> Vec<f32> {
    let between = |pair: &[f32]| {
        let (a, b) = (pair[0], pair[1]);
        (0..times).map(move |step| a + (b - a) * step as f32 / times as f32).collect::<Vec<f32>>()
    };
    samples.windows(2).flat_map(between).collect()
}

fn hear(folder: &Path, wavs: Vec<PathBuf>, json: bool) -> (usize, String) {
    let phrases = folder.join("phrases.txt");
    std::fs::write(&phrases, format!("# what may be said\n\n{}\n", ALLOWED.join("\n"))).expect("writing works");
    let request = HearRequest { phrases, background: None, json, wavs, vosk: None, models: models() };
    let mut out = Vec::new();
    let failed = run(&request, &|| Duration::ZERO, &mut out).expect("the phrases and models are there");
    (failed, String::from_utf8(out).expect("text"))
}

#[test]
fn files_of_any_rate_width_and_channels_give_the_same_phrase() {
    let folder = tempfile::tempdir().expect("a folder");
    let clip = in_noise(&spoken("hose connected", Voice::Flite("slt")), 0.4, 0.4, 30.0, 2);
    let spec = |channels, sample_rate, bits_per_sample, sample_format| WavSpec {
        channels,
        sample_rate,
        bits_per_sample,
        sample_format,
    };
    let kinds = [
        (1, spec(1, 16_000, 16, SampleFormat::Int)),
        (3, spec(2, 48_000, 24, SampleFormat::Int)),
        (2, spec(1, 32_000, 32, SampleFormat::Int)),
        (1, spec(2, 16_000, 32, SampleFormat::Float)),
    ];
    let mut wavs = Vec::new();
    for (number, (times, spec)) in kinds.into_iter().enumerate() {
        let path = folder.path().join(format!("{number}.wav"));
        write_wav(&path, &stretched(&clip, times), spec);
        wavs.push(path);
    }
    let (failed, text) = hear(folder.path(), wavs, true);
    assert_eq!(failed, 0);
    let lines: Vec<Value> =
        text.lines().map(|line| serde_json::from_str(line).expect("a JSON object a line")).collect();
    assert_eq!(lines.len(), 4);
    for line in lines {
        assert_eq!(line["phrase"], "hose connected", "{line}");
        let seconds = line["audio_s"].as_f64().expect("a number");
        assert!((seconds - clip.len() as f64 / 16_000.0).abs() < 0.01, "{line}");
        let mut keys: Vec<&str> = line.as_object().expect("an object").keys().map(String::as_str).collect();
        keys.sort_unstable();
        assert_eq!(keys, ["audio_s", "best", "file", "free_text", "margin", "phrase", "reason", "score", "took_ms"]);
        assert_eq!(line["reason"], Value::Null, "{line}");
    }
}

#[test]
fn a_bad_file_is_reported_and_the_others_are_done() {
    let folder = tempfile::tempdir().expect("a folder");
    let (good, bad, missing) =
        (folder.path().join("good.wav"), folder.path().join("bad.wav"), folder.path().join("none.wav"));
    crate::hear_support::synthesise("say again", Voice::Flite("slt"), &good);
    std::fs::write(&bad, b"RIFF but no sound").expect("writing works");
    let (failed, text) = hear(folder.path(), vec![bad, missing, good], true);
    let lines: Vec<Value> =
        text.lines().map(|line| serde_json::from_str(line).expect("a JSON object a line")).collect();
    assert_eq!((failed, lines.len()), (2, 3), "{text}");
    assert!(lines[0]["error"].is_string() && lines[1]["error"].is_string(), "{text}");
    assert_eq!(lines[2]["best"], "say again", "{text}");
}

#[test]
fn silence_and_the_shortest_clips_are_no_phrase() {
    let folder = tempfile::tempdir().expect("a folder");
    let spec = WavSpec { channels: 1, sample_rate: 16_000, bits_per_sample: 16, sample_format: SampleFormat::Int };
    let mut wavs = Vec::new();
    for len in [1, 100, 1_599, 16_000, 64_000] {
        let path = folder.path().join(format!("{len}.wav"));
        write_wav(&path, &vec![0.0; len], spec);
        wavs.push(path);
    }
    let (failed, text) = hear(folder.path(), wavs, true);
    assert_eq!(failed, 0, "{text}");
    for line in text.lines() {
        let line: Value = serde_json::from_str(line).expect("a JSON object a line");
        assert_eq!(line["phrase"], Value::Null, "{line}");
    }
}

#[test]
fn what_is_refused_says_why() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("talk.wav");
    crate::hear_support::synthesise("I think the hose connected itself to the wall", Voice::Flite("rms"), &path);
    let (_, json) = hear(folder.path(), vec![path.clone()], true);
    let line: Value = serde_json::from_str(json.trim()).expect("a JSON object");
    let reason = line["reason"].as_str().unwrap_or_else(|| panic!("{line}"));
    assert!(line["phrase"].is_null() && !reason.is_empty(), "{line}");
    let (_, text) = hear(folder.path(), vec![path], false);
    assert!(text.contains(&format!("(refused: {reason}, best ")), "{text}");
}

#[test]
fn without_json_there_is_a_line_for_people() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("word.wav");
    crate::hear_support::synthesise("valve closed", Voice::Flite("rms"), &path);
    let (_, text) = hear(folder.path(), vec![path], false);
    assert!(text.starts_with(&folder.path().display().to_string()) && text.contains("best valve closed"), "{text}");
}
