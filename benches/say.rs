//! From `say` to the first audible frame of a ten-word sentence: computed (at most 60 ms on one core), and from the cache.

use std::hint::black_box;
use std::path::PathBuf;

use criterion::{Criterion, criterion_group, criterion_main};
use sparehand::engine::output::{Priority, SpeechId, Utterance, VoiceSettings};
use sparehand::onnx;
use sparehand::say::NumberReading;
use sparehand::say::mixer::{CutStyle, FRAME};
use sparehand::say::text::Reader;
use sparehand::say::wording::Wording;
use sparehand::speech::speaker::Speaker;
use sparehand::speech::voice::cache::Cache;
use sparehand::speech::voice::model::Voice;
use sparehand::speech::voice::prepare::Workbench;

const SENTENCE: &str = "Close the black tank valve before you open the other.";

fn models() -> PathBuf {
    let folder = std::env::var_os("SPAREHAND_MODELS").map(PathBuf::from);
    folder.unwrap_or_else(|| {
        PathBuf::from(std::env::var_os("HOME").expect("HOME is set")).join(".local/share/sparehand/models")
    })
}

fn speaker(cache: Option<&std::path::Path>) -> Speaker {
    let models = models();
    let environment = onnx::environment(&models).unwrap_or_else(|error| panic!("{error}"));
    let reader = Reader::new(Wording::load(None).expect("built-in tables"), NumberReading::Everyday);
    let voice = Voice::load(&environment, &models, reader).unwrap_or_else(|error| panic!("{error}"));
    let cache = cache.map(|folder| Cache::open(folder, voice.fingerprint()).expect("cache opens"));
    let bench = Workbench::new(voice, cache).expect("workbench");
    Speaker::new(bench, VoiceSettings::default()).expect("speaker")
}

/// Renders until sound is heard; the frames before it count as well, at the time that they take to make.
fn first_sound(speaker: &mut Speaker) -> usize {
    speaker.say(Utterance { id: SpeechId(1), priority: Priority::Prompt, text: SENTENCE.into(), alarm: None });
    for frames in 1.. {
        let mut frame = [0.0; FRAME];
        black_box(speaker.render(&mut frame));
        if frame.iter().any(|sample| sample.abs() > 0.005) {
            return frames;
        }
    }
    0
}

fn benches(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("first sound of a ten-word sentence");
    group.sample_size(20);
    let mut computed = speaker(None);
    group.bench_function("computed", |bencher| {
        bencher.iter(|| {
            let frames = first_sound(&mut computed);
            computed.hush(Priority::Alarm, CutStyle::Hard);
            frames
        });
    });
    let folder = tempfile::tempdir().expect("a folder");
    let mut cached = speaker(Some(folder.path()));
    assert!(cached.pre_synthesise(&[SENTENCE.to_string()]).is_empty());
    group.bench_function("cached", |bencher| {
        bencher.iter(|| {
            let frames = first_sound(&mut cached);
            cached.hush(Priority::Alarm, CutStyle::Hard);
            frames
        });
    });
    group.finish();
}

criterion_group!(all, benches);
criterion_main!(all);
