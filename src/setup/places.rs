//! Where the program keeps its files: the XDG folders, or where the command line says.

use std::io;
use std::path::PathBuf;
use std::sync::Arc;

use etcetera::{BaseStrategy, choose_base_strategy};
use thiserror::Error;

use crate::setup::models::{ModelsError, models_dir};
use crate::setup::sound::Sounds;

/// The program's folders. They may not exist yet.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Places {
    pub config: PathBuf,
    pub data: PathBuf,
    pub cache: PathBuf,
    pub models: PathBuf,
}

impl Places {
    /// The folders of this user.
    ///
    /// # Errors
    /// The user has no home folder.
    pub fn of_user() -> Result<Self, PlacesError> {
        let base = choose_base_strategy().map_err(|_| PlacesError::NoHome { what: "the journal and the models" })?;
        Ok(Self {
            config: base.config_dir().join(NAME),
            data: base.data_dir().join(NAME),
            cache: base.cache_dir().join(NAME),
            models: models_dir()?,
        })
    }

    /// The journal that runs are kept in.
    pub fn journal(&self) -> PathBuf {
        self.data.join("journal.sqlite")
    }

    /// What the server of phones keeps: those that are let in, keys, certificates.
    pub fn phones(&self) -> PathBuf {
        self.data.join("phones")
    }

    pub fn sounds(&self) -> Sounds {
        Sounds {
            models: self.models.clone(),
            cache: self.cache.join("speech"),
            wording: self.config.join("speech"),
            vosk: None,
            own: std::sync::Arc::default(),
            reader: Arc::default(),
        }
    }

    /// Makes a folder that is about to be written to.
    ///
    /// # Errors
    /// It cannot be made.
    pub fn make(folder: &std::path::Path) -> Result<(), PlacesError> {
        std::fs::create_dir_all(folder).map_err(|source| PlacesError::Folder { path: folder.to_owned(), source })
    }
}

/// Why there is no folder to work in.
#[derive(Debug, Error)]
pub enum PlacesError {
    #[error(transparent)]
    Models(#[from] ModelsError),
    #[error("no home folder for {what}, expected HOME or XDG folders to be set")]
    NoHome { what: &'static str },
    #[error("{path}: cannot be made or written; check that the disk has room and that you may write there")]
    Folder { path: PathBuf, source: io::Error },
}

const NAME: &str = "sparehand";
