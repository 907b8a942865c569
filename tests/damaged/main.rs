//! Whatever is in a file or a message, it is read or refused: nothing panics, and an error names the file. Valid ones are damaged at random;
//! `SPAREHAND_CASES` says how often. Lists and journals have plays of their own (`tests/paper`, `tests/journal`).

#[path = "../random_play/mod.rs"]
mod random_play;

use std::path::{Path, PathBuf};

use proptest::prelude::*;
use sparehand::audio::wav;
use sparehand::conductor::rehearsal::script::Script;
use sparehand::rig::Rig;
use sparehand::routine::{self, Library, RoutineError, Source};
use sparehand::server::protocol;
use sparehand::setup::prompts;

/// A damage, at a place that is a share of the whole.
#[derive(Clone, Debug)]
enum Damage {
    Byte(u16, u8),
    Cut(u16, u16),
    Twice(u16, u16),
    Insert(u16, usize),
}

/// What readers stumble over.
const TOKENS: [&str; 20] = [
    "\0",
    "-1",
    "0",
    "99999999999999999999",
    "1e308",
    "nan",
    "-inf",
    "[[",
    "]",
    "=",
    "{",
    "}",
    "\"\"\"",
    "'",
    "\u{202e}",
    "é",
    "\u{1f9f0}",
    "\r",
    "\\u0000",
    "[[section.step]]\n",
];

fn damages() -> impl Strategy<Value = Vec<Damage>> {
    let one = prop_oneof![
        3 => (any::<u16>(), any::<u8>()).prop_map(|(at, byte)| Damage::Byte(at, byte)),
        2 => (any::<u16>(), 0u16..2_000).prop_map(|(at, length)| Damage::Cut(at, length)),
        1 => (any::<u16>(), 0u16..2_000).prop_map(|(at, length)| Damage::Twice(at, length)),
        3 => (any::<u16>(), 0..TOKENS.len()).prop_map(|(at, token)| Damage::Insert(at, token)),
    ];
    proptest::collection::vec(one, 1..6)
}

fn damaged(valid: &[u8], damages: &[Damage]) -> Vec<u8> {
    let mut bytes = valid.to_vec();
    for damage in damages {
        let place = |at: u16| usize::from(at) * bytes.len() / 65_536;
        match *damage {
            Damage::Byte(at, byte) => {
                let place = place(at);
                if let Some(there) = bytes.get_mut(place) {
                    *there = byte;
                }
            }
            Damage::Cut(at, length) => {
                let from = place(at);
                let to = bytes.len().min(from + usize::from(length));
                bytes.drain(from..to);
            }
            Damage::Twice(at, length) => {
                let from = place(at);
                let piece = bytes[from..bytes.len().min(from + usize::from(length))].to_vec();
                bytes.splice(from..from, piece);
            }
            Damage::Insert(at, token) => {
                let from = place(at);
                bytes.splice(from..from, TOKENS[token].bytes());
            }
        }
    }
    bytes
}

fn damaged_text(valid: &str, damages: &[Damage]) -> String {
    String::from_utf8_lossy(&damaged(valid.as_bytes(), damages)).into_owned()
}

fn files(folder: &str) -> Vec<(PathBuf, String)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join(folder);
    let mut paths: Vec<PathBuf> = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    paths.sort();
    paths.into_iter().map(|path| (path.clone(), std::fs::read_to_string(path).unwrap())).collect()
}

fn shipped_rig() -> Rig {
    Rig::parse("rig.toml", include_str!("../../examples/rigs/motorhome-towed-car.toml")).unwrap()
}

/// A second of a tone, 16 kHz mono of 16 bits.
fn tone() -> Vec<u8> {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 16_000,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut bytes = std::io::Cursor::new(Vec::new());
    let mut writer = hound::WavWriter::new(&mut bytes, spec).unwrap();
    (0..16_000).for_each(|n| writer.write_sample(((n % 40) * 100) as i16).unwrap());
    writer.finalize().unwrap();
    bytes.into_inner()
}

/// A sound message of 320 samples with what was played: kind 1, flag 1, the count, then frame, clock and taken, little-endian.
fn sound_message() -> Vec<u8> {
    let head = [1u8, 1, 64, 1].into_iter().chain(7u32.to_le_bytes()).chain(20_000u64.to_le_bytes());
    head.chain(960u32.to_le_bytes()).chain((0..2 * 640).map(|n| (n % 251) as u8)).collect()
}

/// Everything but one file is as it ships, so what is refused is in that file, or hangs on it.
fn says_where_and_what_to_do(error: &RoutineError, file: &str) -> Result<(), TestCaseError> {
    let text = error.to_string();
    prop_assert!(text.contains(file), "found no '{file}': {text}");
    let RoutineError { at, step, found, expected } = error;
    let step = if step.is_empty() { String::new() } else { format!("step '{step}': ") };
    prop_assert!(at.number >= 1 && !found.is_empty() && !expected.is_empty(), "{text}");
    let told = format!("{}: line {}: {step}found {found}, expected {expected}; correct it there", at.file, at.number);
    prop_assert!(text.starts_with(&told), "{text}");
    Ok(())
}

#[test]
fn what_is_damaged_here_can_be_read_where_it_is_whole() {
    assert_eq!(protocol::read_sound(&sound_message()).unwrap().mic.len(), 320);
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("tone.wav");
    std::fs::write(&path, tone()).unwrap();
    assert_eq!(wav::read(&path).unwrap().len(), 16_000);
}

proptest! {
    #![proptest_config(random_play::plays(256))]

    #[test]
    fn a_damaged_routine_is_read_or_refused_with_file_line_finding_and_what_to_do(which in any::<prop::sample::Index>(), damages in damages()) {
        let all = files("prompts/routines");
        let (_, valid) = which.get(&all);
        let source = Source { name: "damaged.toml".to_owned(), text: damaged_text(valid, &damages) };
        let built_in = |id: &str| prompts::routine_source(id, Path::new("nowhere")).ok().flatten();
        let library = Library { routine: &built_in, changes: &|_| None };
        if let Err(error) = routine::load_with(&source, &shipped_rig(), &library) {
            says_where_and_what_to_do(&error, "damaged.toml")?;
        }
    }

    #[test]
    fn damaged_changes_are_read_or_refused_with_file_line_finding_and_what_to_do(damages in damages()) {
        let valid = include_str!("../../examples/routines/tank-dump.changes.toml");
        let changes = Source { name: "damaged.changes.toml".to_owned(), text: damaged_text(valid, &damages) };
        let built_in = |id: &str| prompts::routine_source(id, Path::new("nowhere")).ok().flatten();
        let library = Library { routine: &built_in, changes: &|id| (id == "tank-dump").then(|| changes.clone()) };
        let source = built_in("tank-dump").expect("it ships");
        if let Err(error) = routine::load_with(&source, &shipped_rig(), &library) {
            says_where_and_what_to_do(&error, "damaged.changes.toml")?;
        }
    }

    #[test]
    fn a_damaged_rig_is_read_or_refused_with_file_line_finding_and_what_to_do(which in any::<prop::sample::Index>(), damages in damages()) {
        let all = files("examples/rigs");
        let (_, valid) = which.get(&all);
        if let Err(error) = Rig::parse("damaged.toml", &damaged_text(valid, &damages)) {
            let text = error.to_string();
            prop_assert!(error.at.number >= 1 && !error.found.is_empty() && !error.expected.is_empty(), "{text}");
            prop_assert!(text.starts_with(&format!("damaged.toml: line {}: ", error.at.number)), "{text}");
            prop_assert!(text.ends_with("; correct it there"), "{text}");
        }
    }

    #[test]
    fn a_damaged_script_is_read_or_refused(damages in damages()) {
        let valid = "work = 0.5\n[[turn]]\nat = 'gloves'\nsay = 'gloves on'\nsilence = 0.5\n[[turn]]\nafter = 2.0\nsay = 'explain'\n";
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("damaged.toml");
        std::fs::write(&path, damaged_text(valid, &damages)).unwrap();
        if let Err(error) = Script::read(&path, &["gloves".to_owned()]) {
            prop_assert!(error.to_string().contains("damaged.toml"), "{error}");
        }
    }

    #[test]
    fn a_damaged_recording_is_read_or_refused_with_its_name(damages in damages()) {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("damaged.wav");
        std::fs::write(&path, damaged(&tone(), &damages)).unwrap();
        match wav::read(&path) {
            Ok(samples) => prop_assert!(samples.iter().all(|sample| sample.is_finite())),
            Err(error) => prop_assert!(error.to_string().contains("damaged.wav"), "{error}"),
        }
    }

    #[test]
    fn whatever_a_phone_sends_is_read_or_refused(damages in damages(), noise in proptest::collection::vec(any::<u8>(), 0..1_500)) {
        drop(protocol::read_sound(&damaged(&sound_message(), &damages)));
        drop(protocol::read_sound(&noise));
        drop(protocol::read_speech(&noise));
        let valid = r#"{"hello":{"version":1,"name":"Rowan","part":"voice"}}"#;
        drop(protocol::read_text(&damaged_text(valid, &damages)));
        drop(protocol::read_text(&String::from_utf8_lossy(&noise)));
    }
}
