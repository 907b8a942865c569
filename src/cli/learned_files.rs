//! What was learned of people's voices, one file each in the data folder: written whole or not at all, read back with the models
//! that it was learned with, taken back by removing it.

use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use thiserror::Error;

use crate::rig::slug;
use crate::setup::models::{CORE, Manifest, ModelsError};
use crate::speech::networks::Networks;
use crate::speech::own_examples::{Example, METHOD, OwnExamples, Packed};

/// The files in `voices/` of the data folder.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LearnedFiles {
    folder: PathBuf,
}

/// What was learned of one person, as it stands in their file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LearnedVoice {
    /// Name, as it was given.
    pub person: String,
    /// How the figures are made; another number is another method.
    pub method: u32,
    /// SHA-256 of what hears: the speech model's files, and the weights of the chances.
    pub heard_with: String,
    /// When, with its offset from UTC.
    pub made: String,
    /// How often a line was asked for.
    pub tries: usize,
    /// SHA-256 over all lines below: damage is noticed.
    pub digest: String,
    #[serde(rename = "line")]
    pub lines: Vec<LearnedLine>,
}

/// A line as the person said it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LearnedLine {
    pub line: String,
    /// As it was judged before anything was learned: natural logarithm of the odds (none where it was not worth weighing), distance
    /// to the next meaning in nats, and whether it would have counted.
    pub log_odds: Option<f32>,
    pub margin: f32,
    pub counted: bool,
    /// States of the speech model's encoder.
    pub states: Packed,
}

impl LearnedVoice {
    /// Of the lines of a lesson.
    ///
    /// # Errors
    /// The manifest has nothing for this machine.
    pub fn of(person: &str, made: String, tries: usize, lines: Vec<LearnedLine>) -> Result<Self, ModelsError> {
        let (method, heard_with, digest) = (METHOD, heard_with()?, digest(&lines));
        Ok(Self { person: person.to_owned(), method, heard_with, made, tries, digest, lines })
    }

    /// The examples in it; `None` where they are damaged.
    pub fn examples(&self) -> Option<Vec<Example>> {
        let example = |line: &LearnedLine| Some(Example { line: line.line.clone(), states: line.states.unpacked()? });
        self.lines.iter().map(example).collect()
    }
}

/// A person's file as it was found.
#[derive(Clone, Debug, PartialEq)]
pub enum LearnedFound {
    /// There is none.
    Nothing,
    /// It may be used.
    Usable(LearnedVoice, Vec<Example>),
    /// It was learned with other models or by another method than those that are here.
    Other(LearnedVoice),
}

/// Why a file cannot be used, written or removed.
#[derive(Debug, Error)]
pub enum LearnedError {
    #[error("{path}: cannot be read; check that you may read it")]
    Read { path: PathBuf, source: io::Error },
    #[error("{path}: not what was learned of a voice: {why}; take it back with --forget, or learn anew")]
    Format { path: PathBuf, why: String },
    #[error(
        "{path}: cannot be written; what was there before is still there. Check that the disk has room and that you may write there"
    )]
    Write { path: PathBuf, source: io::Error },
    #[error("{path}: cannot be removed; check that you may write in its folder")]
    Remove { path: PathBuf, source: io::Error },
    #[error("'{name}' is no name to keep a file by, expected letters or digits in it")]
    Name { name: String },
    #[error("what was learned cannot be put into a file: {0}")]
    Form(#[from] toml::ser::Error),
    #[error(transparent)]
    Models(#[from] ModelsError),
}

impl LearnedFiles {
    /// Those in the data folder `data`, which need not exist.
    pub fn in_folder(data: &Path) -> Self {
        Self { folder: data.join("voices") }
    }

    /// The file of `person`; one for each name, whatever the case of its letters.
    ///
    /// # Errors
    /// The name holds no letter or digit.
    pub fn path(&self, person: &str) -> Result<PathBuf, LearnedError> {
        let name: String =
            slug(person).chars().map(|c| if c.is_alphanumeric() || c == '-' { c } else { '_' }).collect();
        if !name.chars().any(char::is_alphanumeric) {
            return Err(LearnedError::Name { name: person.to_owned() });
        }
        Ok(self.folder.join(format!("{name}.toml")))
    }

    /// Looks for what was learned of `person`.
    ///
    /// # Errors
    /// A file is there that cannot be read or is something else.
    pub fn find(&self, person: &str) -> Result<LearnedFound, LearnedError> {
        let path = self.path(person)?;
        let text = match fs::read_to_string(&path) {
            Ok(text) => text,
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(LearnedFound::Nothing),
            Err(source) => return Err(LearnedError::Read { path, source }),
        };
        read(&path, &text)
    }

    /// Everybody of whom something was learned, by the names of their files.
    ///
    /// # Errors
    /// As [`LearnedFiles::find`].
    pub fn all(&self) -> Result<Vec<LearnedFound>, LearnedError> {
        let unreadable = |source| LearnedError::Read { path: self.folder.clone(), source };
        let entries = match fs::read_dir(&self.folder) {
            Ok(entries) => entries,
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
            Err(source) => return Err(unreadable(source)),
        };
        let mut paths = Vec::new();
        for entry in entries {
            let path = entry.map_err(unreadable)?.path();
            if path.extension().is_some_and(|ending| ending == "toml") {
                paths.push(path);
            }
        }
        paths.sort();
        paths
            .into_iter()
            .map(|path| match fs::read_to_string(&path) {
                Ok(text) => read(&path, &text),
                Err(source) => Err(LearnedError::Read { path, source }),
            })
            .collect()
    }

    /// Keeps what was learned, in the place of what was there.
    ///
    /// # Errors
    /// The file cannot be written; the one that was there is still there then.
    pub fn keep(&self, voice: &LearnedVoice) -> Result<PathBuf, LearnedError> {
        let path = self.path(&voice.person)?;
        let text = format!("{HEAD}{}", toml::to_string(voice)?);
        let fault = |source| LearnedError::Write { path: path.clone(), source };
        fs::create_dir_all(&self.folder).map_err(fault)?;
        let mut new = tempfile::NamedTempFile::new_in(&self.folder).map_err(fault)?;
        new.write_all(text.as_bytes()).map_err(fault)?;
        new.as_file().sync_all().map_err(fault)?;
        new.persist(&path).map_err(|error| fault(error.error))?;
        Ok(path)
    }

    /// Takes back what was learned of `person`; `false` where there was nothing. It need not be readable.
    ///
    /// # Errors
    /// The file is there and cannot be removed.
    pub fn forget(&self, person: &str) -> Result<bool, LearnedError> {
        let path = self.path(person)?;
        match fs::remove_file(&path) {
            Ok(()) => Ok(true),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(false),
            Err(source) => Err(LearnedError::Remove { path, source }),
        }
    }
}

/// What a run that `people` take part in may go by, and what is to be told about those of whom something was learned and cannot be
/// used. With nobody named there is nothing to go by.
///
/// # Errors
/// A file is there that cannot be read or is damaged.
pub fn own_examples(files: &LearnedFiles, people: &[String]) -> Result<(OwnExamples, Vec<LearnedVoice>), LearnedError> {
    let (mut own, mut unusable) = (Vec::new(), Vec::new());
    for person in people {
        own.push(match files.find(person)? {
            LearnedFound::Usable(_, examples) => examples,
            LearnedFound::Nothing => Vec::new(),
            LearnedFound::Other(voice) => {
                unusable.push(voice);
                Vec::new()
            }
        });
    }
    Ok((OwnExamples::of(own), unusable))
}

/// SHA-256 of what hears, by the manifest that all models are checked against at every start: the files of the network that scores phrases,
/// and the weights of the chances.
///
/// # Errors
/// The manifest has nothing for this machine.
pub fn heard_with() -> Result<String, ModelsError> {
    let mut hash = Sha256::new();
    let manifest = Manifest::builtin();
    for file in manifest.wanted(CORE, std::env::consts::ARCH)?.iter().flat_map(|wheel| &wheel.files) {
        if Path::new(&file.to).parent() == Some(&Networks::shipped().phrases) {
            hash.update(file.to.as_bytes());
            hash.update(file.sha256.as_bytes());
        }
    }
    hash.update(include_bytes!("../../models/hearing.toml"));
    Ok(hash.finalize().iter().map(|byte| format!("{byte:02x}")).collect())
}

fn read(path: &Path, text: &str) -> Result<LearnedFound, LearnedError> {
    let fault = |why: String| LearnedError::Format { path: path.to_owned(), why };
    let voice: LearnedVoice = toml::from_str(text).map_err(|why| fault(why.to_string()))?;
    if voice.method != METHOD || voice.heard_with != heard_with()? {
        return Ok(LearnedFound::Other(voice));
    }
    // What was changed by hand, or damaged, is not what was learned.
    match voice.examples().filter(|_| voice.digest == digest(&voice.lines)) {
        Some(examples) => Ok(LearnedFound::Usable(voice, examples)),
        None => Err(fault("its lines are not those that were written".to_owned())),
    }
}

fn digest(lines: &[LearnedLine]) -> String {
    let mut hash = Sha256::new();
    for line in lines {
        let LearnedLine { line, log_odds, margin, counted, states } = line;
        hash.update(format!("{line}\n{log_odds:?} {margin:?} {counted} {}\n{}\n", states.width, states.rows));
    }
    hash.finalize().iter().map(|byte| format!("{byte:02x}")).collect()
}

const HEAD: &str = "# What was learned of a voice by `sparehand learn-voice`. Not to be changed by hand; to take it back: sparehand learn-voice NAME --forget\n";
