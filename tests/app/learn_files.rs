//! What was learned of voices as files: kept, found, told apart by model, refused when damaged, forgotten. No models are needed.

use std::fs;
use std::path::Path;

use sparehand::cli::learned_files::{
    LearnedError, LearnedFiles, LearnedFound, LearnedLine, LearnedVoice, own_examples,
};
use sparehand::engine::output::PhraseClass;
use sparehand::speech::own_examples::{METHOD, States};

fn voice(person: &str, lines: &[&str]) -> LearnedVoice {
    let samples: Vec<f32> = (0..100).map(|n| if n < 40 { 0.001 } else { 0.5 }).collect();
    let states: Vec<f32> = (0..40).map(|n| (n * 7 % 11) as f32 - 5.0).collect();
    let packed = States::of_speech(&samples, &states, 4).unwrap().packed();
    let line = |line: &&str| LearnedLine {
        line: (*line).to_owned(),
        log_odds: Some(2.5),
        margin: 6.25,
        counted: false,
        states: packed.clone(),
    };
    LearnedVoice::of(person, "2026-05-04T10:00:00+02:00".to_owned(), 30, lines.iter().map(line).collect()).unwrap()
}

#[test]
fn what_was_kept_is_found_by_name_in_any_case_and_gone_when_forgotten() {
    let folder = tempfile::tempdir().unwrap();
    let files = LearnedFiles::in_folder(folder.path());
    assert_eq!(files.find("Rowan").unwrap(), LearnedFound::Nothing);
    let kept = voice("Rowan Lee", &["water on", "water off"]);
    let path = files.keep(&kept).unwrap();
    assert!(
        matches!(files.find("rowan lee").unwrap(), LearnedFound::Usable(found, examples) if found == kept && examples.len() == 2)
    );
    assert_eq!(files.all().unwrap().len(), 1);
    // The second lesson takes the place of the first, and leaves nothing else behind.
    let second = voice("Rowan Lee", &["cap on"]);
    assert_eq!(files.keep(&second).unwrap(), path);
    assert_eq!(fs::read_dir(path.parent().unwrap()).unwrap().count(), 1);
    assert!(files.forget("ROWAN LEE").unwrap() && !files.forget("Rowan Lee").unwrap());
    assert_eq!(files.find("Rowan Lee").unwrap(), LearnedFound::Nothing);
}

#[test]
fn what_was_learned_with_another_model_or_method_is_told_and_not_used() {
    let folder = tempfile::tempdir().unwrap();
    let files = LearnedFiles::in_folder(folder.path());
    let kept = voice("Rowan", &["water on", "water off"]);
    for other in [
        LearnedVoice { heard_with: "0".repeat(64), ..kept.clone() },
        LearnedVoice { method: METHOD + 1, ..kept.clone() },
    ] {
        files.keep(&other).unwrap();
        assert_eq!(files.find("Rowan").unwrap(), LearnedFound::Other(other.clone()));
        let (own, unusable) = own_examples(&files, &["Rowan".to_owned()]).unwrap();
        assert!(own.are_none());
        assert_eq!(unusable, [other]);
    }
}

#[test]
fn a_damaged_file_is_refused_by_name_and_can_be_forgotten() {
    let folder = tempfile::tempdir().unwrap();
    let files = LearnedFiles::in_folder(folder.path());
    let path = files.keep(&voice("Rowan", &["water on", "water off"])).unwrap();
    let whole = fs::read_to_string(&path).unwrap();
    for damaged in [
        whole.replacen("water off", "water on", 1),
        whole.replacen("6.25", "9.25", 1),
        whole.replacen("rows = \"", "rows = \"00", 1),
        whole[..whole.len() / 2].to_owned(),
        String::new(),
    ] {
        assert_ne!(damaged, whole);
        fs::write(&path, &damaged).unwrap();
        let error = files.find("Rowan").unwrap_err().to_string();
        assert!(error.contains("rowan.toml") && error.contains("--forget"), "{error}");
    }
    assert!(files.forget("Rowan").unwrap());
}

#[test]
fn with_several_people_one_who_has_learned_nothing_counts_as_one_without_examples() {
    let folder = tempfile::tempdir().unwrap();
    let files = LearnedFiles::in_folder(folder.path());
    files.keep(&voice("Rowan", &["water on", "water off"])).unwrap();
    let names = |names: &[&str]| names.iter().map(|name| (*name).to_owned()).collect::<Vec<_>>();
    assert!(!own_examples(&files, &names(&["Rowan"])).unwrap().0.are_none());
    assert!(own_examples(&files, &[]).unwrap().0.are_none(), "nobody is named");
    let (both, _) = own_examples(&files, &names(&["Rowan", "Imre"])).unwrap();
    let heard = voice("x", &["water on"]).examples().unwrap().remove(0).states;
    assert_eq!(both.weigh("water on", PhraseClass::Ordinary, &heard, |_| false), 0.0);
}

#[test]
fn a_name_stays_inside_the_folder() {
    let files = LearnedFiles::in_folder(Path::new("data"));
    assert_eq!(files.path("../../etc/x").unwrap(), Path::new("data/voices/______etc_x.toml"));
    assert!(matches!(files.path("  "), Err(LearnedError::Name { .. })));
    assert!(matches!(files.path("../.."), Err(LearnedError::Name { .. })));
}
