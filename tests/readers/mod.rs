//! Everything that reads what others wrote, each as one function of bytes: whatever they are, they are read or refused. Nothing panics, an error
//! names its file, and what is accepted comes back the same where the program also writes it.
//!
//! The random play of `tests/damaged` and `tests/paper`, the replay of `tests/corpus` and the fuzzing of `fuzz/` call the same functions.
#![allow(dead_code, reason = "each of them uses a part of it")]

mod journal;
pub mod tables;

use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use sparehand::audio::wav;
use sparehand::conductor::rehearsal::script::Script;
use sparehand::paper::draft::Draft;
use sparehand::rig::{Rig, RigFile, write};
use sparehand::routine::{Library, RoutineError, Source, load, load_with};
use sparehand::server::{protocol, wire};
use sparehand::setup::prompts;

use journal::{journal, record};
use tables::{comparable, table, workbook};

/// A reader by the name of its corpus.
pub type Reader = fn(&[u8]);

/// All of them.
pub const READERS: [(&str, Reader); 10] = [
    ("routine", routine),
    ("changes", changes),
    ("rig", rig),
    ("script", script),
    ("table", table),
    ("workbook", workbook),
    ("sound", sound),
    ("journal", journal),
    ("record", record),
    ("phone", phone),
];

/// A routine's file, which may include those that ship.
pub fn routine(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    let read = |text: &str| {
        let source = Source { name: "read.toml".to_owned(), text: text.to_owned() };
        load_with(&source, shipped_rig(), &Library { routine: &ships, changes: &|_| None })
    };
    let draft = Draft::parse("read.toml", text);
    if let Ok(draft) = &draft {
        let back = Draft::parse("read.toml", &draft.to_toml()).expect("what is written can be read");
        assert_eq!(comparable(&back), comparable(draft), "{}", draft.to_toml());
    }
    match read(text) {
        Ok(routine) => {
            let draft = draft.expect("a routine that loads is a routine's file");
            assert_eq!(read(&draft.to_toml()), Ok(routine), "{}", draft.to_toml());
        }
        Err(error) => says_where_and_what_to_do(&error, "read.toml"),
    }
}

/// Everything but one file is as it ships, so what is refused is in that file, or hangs on it.
fn says_where_and_what_to_do(error: &RoutineError, file: &str) {
    let text = error.to_string();
    assert!(text.contains(file), "found no '{file}': {text}");
    let RoutineError { at, step, found, expected } = error;
    let step = if step.is_empty() { String::new() } else { format!("step '{step}': ") };
    assert!(at.number >= 1 && !found.is_empty() && !expected.is_empty(), "{text}");
    let told = format!("{}: line {}: {step}found {found}, expected {expected}; correct it there", at.file, at.number);
    assert!(text.starts_with(&told), "{text}");
}

/// An owner's changes to the tank dump that ships.
pub fn changes(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    let changes = Source { name: "read.changes.toml".to_owned(), text: text.to_owned() };
    let library = Library { routine: &ships, changes: &|id| (id == "tank-dump").then(|| changes.clone()) };
    let source = ships("tank-dump").expect("it ships");
    if let Err(error) = load_with(&source, shipped_rig(), &library) {
        says_where_and_what_to_do(&error, "read.changes.toml");
    }
}

/// A rig's file.
pub fn rig(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    match Rig::parse("read.toml", text) {
        Ok(rig) => {
            let file: RigFile = toml::from_str(text).expect("a rig that is read is a rig's file");
            let written = write(&file).expect("a rig that is read can be written");
            assert_eq!(toml::from_str::<RigFile>(&written).as_ref(), Ok(&file), "{written}");
            assert_eq!(Rig::parse("written.toml", &written), Ok(rig), "{written}");
            // Whatever rig it is, what ships loads for it, or says why not.
            if let Err(error) =
                load("tank-dump.toml", &ships("tank-dump").expect("it ships").text, &Rig::of(&file).unwrap())
            {
                assert!(error.to_string().contains(".toml"), "{error}");
            }
        }
        Err(error) => {
            let text = error.to_string();
            assert!(error.at.number >= 1 && !error.found.is_empty() && !error.expected.is_empty(), "{text}");
            assert!(text.starts_with(&format!("read.toml: line {}: ", error.at.number)), "{text}");
            assert!(text.ends_with("; correct it there"), "{text}");
        }
    }
}

/// The script of a rehearsal.
pub fn script(bytes: &[u8]) {
    let (_folder, path) = file("read.toml", bytes);
    if let Err(error) = Script::read(&path, &["gloves".to_owned()]) {
        assert!(error.to_string().contains("read.toml"), "{error}");
    }
}

/// A sound file.
pub fn sound(bytes: &[u8]) {
    let (_folder, path) = file("read.wav", bytes);
    match wav::read(&path) {
        Ok(samples) => {
            assert!(!samples.is_empty() && samples.iter().all(|sample| sample.is_finite()));
            let spec = hound::WavSpec {
                channels: 1,
                sample_rate: 16_000,
                bits_per_sample: 32,
                sample_format: hound::SampleFormat::Float,
            };
            let mut writer = hound::WavWriter::create(&path, spec).unwrap();
            samples.iter().for_each(|sample| writer.write_sample(*sample).unwrap());
            writer.finalize().unwrap();
            assert_eq!(wav::read(&path).unwrap(), samples);
        }
        Err(error) => assert!(error.to_string().contains("read.wav"), "{error}"),
    }
}

/// What a phone sends, as each kind of message that it may be.
pub fn phone(bytes: &[u8]) {
    if let Ok(frame) = protocol::read_sound(bytes) {
        assert_eq!(protocol::write_sound(&frame), bytes);
    }
    if let Some(samples) = protocol::read_speech(bytes) {
        let full_scale = f32::from(i16::MAX);
        let sounded: Vec<f32> = samples.iter().map(|sample| f32::from(*sample) / full_scale).collect();
        // The lowest number of 16 bits is beyond full scale.
        let again: Vec<i16> = samples.iter().map(|sample| (*sample).max(-i16::MAX)).collect();
        assert_eq!(protocol::read_speech(&protocol::write_speech(&sounded)), Some(again));
    }
    if let Ok(text) = std::str::from_utf8(bytes) {
        drop(protocol::read_text(text));
    }
    if let Ok(pieces) = wire::unframed(bytes.to_vec().into()) {
        assert_eq!(pieces.iter().map(|piece| wire::framed(piece).to_vec()).collect::<Vec<_>>().concat(), bytes);
    }
}

/// A routine that ships.
fn ships(id: &str) -> Option<Source> {
    prompts::routine_source(id, Path::new("nowhere")).ok().flatten()
}

fn shipped_rig() -> &'static Rig {
    static RIG: OnceLock<Rig> = OnceLock::new();
    let text = include_str!("../../examples/rigs/motorhome-towed-car.toml");
    RIG.get_or_init(|| Rig::parse("rig.toml", text).expect("it ships"))
}

/// A file with these bytes in a folder of its own, which goes with the folder's guard.
fn file(name: &str, bytes: &[u8]) -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join(name);
    std::fs::write(&path, bytes).unwrap();
    (folder, path)
}
