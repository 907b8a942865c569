//! What the hearing tests share: the models, synthetic voices, noise. Needs `sparehand fetch`, `espeak-ng` and `flite`.
#![allow(dead_code, reason = "each test file uses its part")]

use std::path::{Path, PathBuf};
use std::process::Command;

use etcetera::BaseStrategy;
use sparehand::audio::FRAME_LEN;
use sparehand::audio::SAMPLE_RATE;
use sparehand::audio::wav;
use sparehand::engine::output::{AllowedPhrase, ListeningSet, ListeningSetId, PhraseClass, Prior};
use sparehand::hear::noise::{pink, rms};

/// The models folder; fails the test when it is not filled.
pub fn models() -> PathBuf {
    let folder = std::env::var_os("SPAREHAND_MODELS").map(PathBuf::from).unwrap_or_else(|| {
        etcetera::choose_base_strategy().expect("a home directory").data_dir().join("sparehand/models")
    });
    let runtime = folder.join("onnxruntime/libonnxruntime.so");
    assert!(runtime.is_file(), "{} is missing: run `sparehand fetch`", runtime.display());
    folder
}

/// A voice of one of the two synthesisers.
#[derive(Clone, Copy, Debug)]
pub enum Voice {
    Espeak(&'static str),
    Flite(&'static str),
}

/// `text` spoken by `voice`, at 16 kHz, at an RMS of 0.05 of full scale, without silence around it.
pub fn spoken(text: &str, voice: Voice) -> Vec<f32> {
    let file = tempfile::NamedTempFile::with_suffix(".wav").expect("a temporary file");
    synthesise(text, voice, file.path());
    let samples = wav::read(file.path()).expect("the synthesiser writes a WAV file");
    let loudest = samples.chunks(FRAME_LEN).map(rms).fold(0.0, f32::max);
    let audible = |frame: &&[f32]| rms(frame) > 0.02 * loudest;
    let skip = samples.chunks(FRAME_LEN).take_while(|frame| !audible(frame)).count() * FRAME_LEN;
    let spare = samples.rchunks(FRAME_LEN).take_while(|frame| !audible(frame)).count() * FRAME_LEN;
    let word = &samples[skip..samples.len() - spare];
    let gain = 0.05 / rms(word);
    word.iter().map(|sample| sample * gain).collect()
}

/// Writes `text` spoken by `voice` to the WAV file `path`.
pub fn synthesise(text: &str, voice: Voice, path: &Path) {
    let mut command = match voice {
        Voice::Espeak(_) => Command::new("espeak-ng"),
        Voice::Flite(_) => Command::new("flite"),
    };
    match voice {
        Voice::Espeak(name) => command.args(["-v", name, "-w"]).arg(path).arg(text),
        Voice::Flite(name) => command.args(["-voice", name, "-t", text, "-o"]).arg(path),
    };
    let status = command.status();
    assert!(status.is_ok_and(|status| status.success()), "{voice:?}: espeak-ng and flite must be installed");
}

/// `speech` with `lead` and `tail` seconds around it, in pink noise `snr` decibels below it.
pub fn in_noise(speech: &[f32], lead: f32, tail: f32, snr: f32, seed: u64) -> Vec<f32> {
    let samples = |seconds: f32| (seconds * SAMPLE_RATE as f32) as usize;
    let start = samples(lead);
    let mut all = pink(seed, start + speech.len() + samples(tail), rms(speech) * 10_f32.powf(-snr / 20.0));
    for (sample, speech) in all[start..].iter_mut().zip(speech) {
        *sample += speech;
    }
    all
}

/// A set of ordinary phrases, each its own group, none of which may be heard over the program's own voice.
pub fn set(id: u64, phrases: &[&str]) -> ListeningSet {
    let phrase = |(group, text): (u32, &&str)| AllowedPhrase {
        text: (*text).to_owned(),
        class: PhraseClass::Ordinary,
        group,
        while_speaking: false,
        prior: Prior::Allowed,
    };
    ListeningSet { id: ListeningSetId(id), phrases: (0..).zip(phrases).map(phrase).collect() }
}

/// Phrases of a tank dump, as the tests allow them.
pub const ALLOWED: [&str; 20] = [
    "done",
    "yes",
    "no",
    "stop",
    "valve closed",
    "valve open",
    "black valve closed",
    "gray valve open",
    "hose connected",
    "hose stowed",
    "running clear",
    "say again",
    "how long",
    "what is left",
    "go ahead",
    "stand by",
    "skip this step",
    "cap on",
    "water off",
    "eighty two",
];

/// Voices of three kinds: formant, diphone, unit selection from a person's recordings.
pub const VOICES: [Voice; 5] = [
    Voice::Espeak("en-us"),
    Voice::Espeak("en-gb+f3"),
    Voice::Flite("kal16"),
    Voice::Flite("slt"),
    Voice::Flite("rms"),
];
