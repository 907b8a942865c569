//! Whatever is in a file or a message, it is read or refused: nothing panics, and an error names the file. Valid ones are damaged at random;
//! `SPAREHAND_CASES` says how often. Before that every input of `tests/corpus` is read. Lists and journals have further plays of their own
//! (`tests/paper`, `tests/journal`).

#[path = "../random_play/mod.rs"]
mod random_play;
#[path = "../readers/mod.rs"]
mod readers;
mod replay;

use std::path::Path;

use proptest::prelude::*;
use readers::{changes, phone, rig, routine, script, sound};
use sparehand::audio::wav;
use sparehand::conductor::rehearsal::script::Script;
use sparehand::server::protocol;

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

/// Text stays text: what is no UTF-8 any more is not even looked at.
fn damaged_text(valid: &str, damages: &[Damage]) -> Vec<u8> {
    String::from_utf8_lossy(&damaged(valid.as_bytes(), damages)).into_owned().into_bytes()
}

fn files(folder: &str) -> Vec<String> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join(folder);
    let mut paths: Vec<_> = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    paths.sort();
    paths.into_iter().map(|path| std::fs::read_to_string(path).unwrap()).collect()
}

const SCRIPT: &str = "work = 0.5\n[[turn]]\nat = 'gloves'\nsay = 'gloves on'\nsilence_s = 0.5\n[[turn]]\nafter_s = 2.0\nsay = 'explain'\n";
const HELLO: &str = r#"{"kind":"hello","version":4,"names":["Rowan"],"part":"station"}"#;

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

#[test]
fn what_is_damaged_here_can_be_read_where_it_is_whole() {
    assert_eq!(protocol::read_sound(&sound_message()).unwrap().mic.len(), 320);
    assert!(protocol::read_text(HELLO).is_ok());
    let folder = tempfile::tempdir().unwrap();
    let file = |name: &str, bytes: &[u8]| {
        let path = folder.path().join(name);
        std::fs::write(&path, bytes).unwrap();
        path
    };
    assert_eq!(wav::read(&file("tone.wav", &tone())).unwrap().len(), 16_000);
    let script = Script::read(&file("script.toml", SCRIPT.as_bytes()), &["gloves".to_owned()]).unwrap();
    assert_eq!(script.turns.len(), 2);
}

proptest! {
    #![proptest_config(random_play::plays(256))]

    #[test]
    fn a_damaged_routine_is_read_or_refused_with_file_line_finding_and_what_to_do(which in any::<prop::sample::Index>(), damages in damages()) {
        let all = files("prompts/routines");
        let valid: &String = which.get(&all);
        routine(&damaged_text(valid, &damages));
    }

    #[test]
    fn damaged_changes_are_read_or_refused_with_file_line_finding_and_what_to_do(damages in damages()) {
        changes(&damaged_text(include_str!("../../examples/routines/tank-dump.changes.toml"), &damages));
    }

    #[test]
    fn a_damaged_rig_is_read_or_refused_with_file_line_finding_and_what_to_do(which in any::<prop::sample::Index>(), damages in damages()) {
        let all = files("examples/rigs");
        let valid: &String = which.get(&all);
        rig(&damaged_text(valid, &damages));
    }

    #[test]
    fn a_damaged_script_is_read_or_refused(damages in damages()) {
        script(&damaged_text(SCRIPT, &damages));
    }

    #[test]
    fn a_damaged_recording_is_read_or_refused_with_its_name(damages in damages()) {
        sound(&damaged(&tone(), &damages));
    }

    #[test]
    fn whatever_a_phone_sends_is_read_or_refused(damages in damages(), noise in proptest::collection::vec(any::<u8>(), 0..1_500)) {
        phone(&damaged(&sound_message(), &damages));
        phone(&damaged_text(HELLO, &damages));
        phone(&noise);
    }
}
