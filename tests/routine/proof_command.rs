//! `sparehand proof` as a function: files and names in, what was found shown in the text.

use std::fs;
use std::path::{Path, PathBuf};

use sparehand::cli::proof_command::{ProofRequest, lint};
use sparehand::setup::places::Places;
use sparehand::setup::prompts::ROUTINES;

fn places(config: &Path) -> Places {
    let other = config.join("other");
    Places { config: config.to_owned(), data: other.clone(), cache: other.clone(), models: other }
}

fn run(config: &Path, files: &[PathBuf]) -> ((usize, usize), String) {
    let mut out = Vec::new();
    let request = ProofRequest { files: files.to_vec(), rig: None, by_ear: false };
    let counts = lint(&request, &places(config), &mut out).unwrap_or_else(|error| panic!("{error}"));
    (counts, String::from_utf8(out).unwrap())
}

#[test]
fn without_files_all_routines_are_looked_over_and_the_users_own_with_them() {
    let config = tempfile::tempdir().unwrap();
    let ((errors, advice), out) = run(config.path(), &[]);
    assert_eq!((errors, advice), (0, 0), "{out}");
    assert!(out.contains(&format!("{} files, 0 errors", ROUTINES.len())), "{out}");
    fs::create_dir(config.path().join("routines")).unwrap();
    fs::write(config.path().join("routines/tank-dump.changes.toml"), "changes = 'tank-dump'\ndrop = ['glove']")
        .unwrap();
    let ((errors, _), out) = run(config.path(), &[]);
    assert!(errors > 0 && out.contains("drop of 'glove'"), "{out}");
}

#[test]
fn a_fault_is_shown_in_its_line_with_what_was_expected() {
    let config = tempfile::tempdir().unwrap();
    let file = config.path().join("mine.toml");
    let text = include_str!("../../prompts/routines/tank-dump.toml")
        .replace("after = [\"hose-rig\"]", "after = [\"hose-rag\"]");
    fs::write(&file, text).unwrap();
    let ((errors, _), out) = run(config.path(), &[file]);
    assert_eq!(errors, 1, "{out}");
    assert!(out.contains("step 'hose-drain': found after = 'hose-rag'"), "{out}");
    assert!(out.contains("id = \"hose-drain\"") && out.contains("expected the id of a step of this routine"), "{out}");
}

#[test]
fn a_routine_that_is_not_there_is_an_error_with_its_name() {
    let config = tempfile::tempdir().unwrap();
    let request = ProofRequest { files: vec![PathBuf::from("nowhere")], rig: None, by_ear: false };
    let error = lint(&request, &places(config.path()), &mut Vec::new()).unwrap_err().to_string();
    assert!(error.starts_with("no routine or move named 'nowhere'"), "{error}");
}

/// As an editor of another code page saves "é".
#[test]
fn a_file_that_is_not_saved_as_utf_8_is_an_error_that_says_so() {
    let config = tempfile::tempdir().unwrap();
    let file = config.path().join("mine.toml");
    fs::write(&file, b"id = 'caf\xe9'").unwrap();
    let request = ProofRequest { files: vec![file], rig: None, by_ear: false };
    let error = lint(&request, &places(config.path()), &mut Vec::new()).unwrap_err().to_string();
    assert!(error.contains("mine.toml: line 1: ") && error.ends_with("save the file as UTF-8"), "{error}");
}

#[test]
fn a_routine_that_another_takes_steps_from_and_that_cannot_be_read_is_an_error_that_names_it() {
    let config = tempfile::tempdir().unwrap();
    fs::create_dir(config.path().join("routines")).unwrap();
    fs::write(config.path().join("routines/tank-dump.toml"), b"id = 'caf\xe9'").unwrap();
    let file = config.path().join("tank-dump.changes.toml");
    fs::write(&file, "changes = 'tank-dump'\ndrop = ['gloves']").unwrap();
    let request = ProofRequest { files: vec![file], rig: None, by_ear: false };
    let error = lint(&request, &places(config.path()), &mut Vec::new()).unwrap_err().to_string();
    assert!(error.contains("tank-dump.toml: line 1: found"), "{error}");
}

#[test]
fn a_file_is_left_as_it_is() {
    let config = tempfile::tempdir().unwrap();
    let file = config.path().join("mine.toml");
    fs::write(&file, "id = 7").unwrap();
    run(config.path(), std::slice::from_ref(&file));
    assert_eq!(fs::read_to_string(&file).unwrap(), "id = 7");
    assert_eq!(fs::read_dir(config.path()).unwrap().count(), 1);
}
