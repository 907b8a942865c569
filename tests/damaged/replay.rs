//! What fuzzing kept, read again: inputs that reach far into a reader, and those that once made one fall over.

use std::fs;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};

use crate::readers::READERS;

fn corpus() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/corpus")
}

fn entries(folder: &Path) -> Vec<PathBuf> {
    let listed = fs::read_dir(folder).unwrap_or_else(|why| panic!("{}: {why}", folder.display()));
    let mut paths: Vec<PathBuf> = listed.map(|entry| entry.unwrap().path()).collect();
    paths.sort();
    paths
}

#[test]
fn every_input_that_was_kept_is_read_or_refused() {
    let mut fell_over = Vec::new();
    for (name, reader) in READERS {
        let inputs = entries(&corpus().join(name));
        assert!(inputs.len() >= 3, "tests/corpus/{name}: found {} inputs, expected some", inputs.len());
        for path in inputs {
            let bytes = fs::read(&path).unwrap();
            if catch_unwind(AssertUnwindSafe(|| reader(&bytes))).is_err() {
                fell_over.push(path.display().to_string());
            }
        }
    }
    assert!(fell_over.is_empty(), "\n{}", fell_over.join("\n"));
}

/// All of it lies in the history of the sources for good.
#[test]
fn the_corpora_are_small_and_each_has_a_reader() {
    const MOST_BYTES: u64 = 100_000;
    for folder in entries(&corpus()) {
        let name = folder.file_name().unwrap().to_str().unwrap();
        assert!(READERS.iter().any(|(reader, _)| *reader == name), "tests/corpus/{name}: no reader is called so");
        let bytes: u64 = entries(&folder).iter().map(|path| fs::metadata(path).unwrap().len()).sum();
        assert!(bytes <= MOST_BYTES, "tests/corpus/{name}: {bytes} bytes, expected at most {MOST_BYTES}");
    }
}
