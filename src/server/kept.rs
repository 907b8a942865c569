//! What the server keeps in the data folder, for nobody but the user: the phones that were let in, keys, certificates.

use std::fs;
use std::io::{self, Write};
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt, PermissionsExt};
use std::path::{Path, PathBuf};

use thiserror::Error;

use crate::server::pairing::{PairedPhones, SecretHash};

/// The folder.
#[derive(Clone, Debug)]
pub struct Kept {
    folder: PathBuf,
}

/// Why something is not kept.
#[derive(Debug, Error)]
#[allow(missing_docs, reason = "the message of each says it")]
pub enum KeptError {
    #[error("{path}: cannot be read or written; check that the disk has room and that the file is yours")]
    File { path: PathBuf, source: io::Error },
    #[error(
        "{path}: found a file that is none of paired phones, expected what the program wrote; remove it, and pair the phones anew"
    )]
    Damaged { path: PathBuf, source: toml::de::Error },
    #[error("the list of paired phones cannot be written")]
    Unwritable(#[from] toml::ser::Error),
}

impl Kept {
    /// The folder, made where it is not there, and shut to others.
    ///
    /// # Errors
    /// It cannot be made, or is not the user's.
    pub fn open(folder: &Path) -> Result<Self, KeptError> {
        let failed = |source| KeptError::File { path: folder.to_owned(), source };
        fs::DirBuilder::new().recursive(true).mode(0o700).create(folder).map_err(failed)?;
        fs::set_permissions(folder, fs::Permissions::from_mode(0o700)).map_err(failed)?;
        Ok(Self { folder: folder.to_owned() })
    }

    /// The phones that were let in.
    ///
    /// # Errors
    /// The file is there and cannot be read.
    pub fn phones(&self) -> Result<PairedPhones, KeptError> {
        let Some(text) = self.read(PHONES)? else { return Ok(PairedPhones::default()) };
        toml::from_str(&text).map_err(|source| KeptError::Damaged { path: self.folder.join(PHONES), source })
    }

    /// Keeps them.
    ///
    /// # Errors
    /// The file cannot be written.
    pub fn keep_phones(&self, phones: &PairedPhones) -> Result<(), KeptError> {
        self.write(PHONES, &toml::to_string(phones)?)
    }

    /// A file of the folder; nothing where it is not there.
    ///
    /// # Errors
    /// It is there and cannot be read.
    pub fn read(&self, name: &str) -> Result<Option<String>, KeptError> {
        let path = self.folder.join(name);
        match fs::read_to_string(&path) {
            Ok(text) => Ok(Some(text)),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
            Err(source) => Err(KeptError::File { path, source }),
        }
    }

    /// Puts a file there, whole or not at all, for the user alone.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn write(&self, name: &str, text: &str) -> Result<(), KeptError> {
        let path = self.folder.join(name);
        let failed = |source| KeptError::File { path: path.clone(), source };
        let mut named = tempfile::Builder::new();
        named.prefix(".new-").permissions(fs::Permissions::from_mode(0o600));
        let mut file = named.tempfile_in(&self.folder).map_err(failed)?;
        file.write_all(text.as_bytes()).and_then(|()| file.as_file().sync_all()).map_err(failed)?;
        file.persist(&path).map_err(|error| failed(error.error))?;
        Ok(())
    }

    /// Takes files away; those that are not there are no fault.
    ///
    /// # Errors
    /// One is there and stays.
    pub fn remove(&self, names: &[&str]) -> Result<(), KeptError> {
        for name in names {
            let path = self.folder.join(name);
            match fs::remove_file(&path) {
                Err(source) if source.kind() != io::ErrorKind::NotFound => {
                    return Err(KeptError::File { path, source });
                }
                _ => {}
            }
        }
        Ok(())
    }

    /// Says where the run that goes on is found, for a command that asks for an invitation. What was asked of a run before is forgotten.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn open_for(&self, address: &str) -> Result<(), KeptError> {
        self.remove(&[ASKED])?;
        self.write(ADDRESS, address)
    }

    /// Nobody is to be let in any more.
    ///
    /// # Errors
    /// It stays.
    pub fn closed(&self) -> Result<(), KeptError> {
        self.remove(&[ASKED, ADDRESS])
    }

    /// Nobody has taken up what was asked for, and nobody will.
    ///
    /// # Errors
    /// It stays.
    pub fn ask_no_more(&self) -> Result<(), KeptError> {
        self.remove(&[ASKED])
    }

    /// Where the run that goes on is found; nothing where none lets phones in.
    ///
    /// # Errors
    /// It is there and cannot be read.
    pub fn address(&self) -> Result<Option<String>, KeptError> {
        self.read(ADDRESS)
    }

    /// Asks the run that goes on to let somebody in with the token that has this hash.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn ask_for_invitation(&self, token: &SecretHash) -> Result<(), KeptError> {
        self.write(ASKED, token.text())
    }

    /// Whether the run has not taken it up yet.
    pub fn is_asked_for(&self) -> bool {
        self.folder.join(ASKED).exists()
    }

    /// What was asked for, once.
    ///
    /// # Errors
    /// It is there and cannot be read or removed.
    pub fn take_what_was_asked_for(&self) -> Result<Option<SecretHash>, KeptError> {
        let Some(text) = self.read(ASKED)? else { return Ok(None) };
        self.remove(&[ASKED])?;
        Ok(SecretHash::read(&text))
    }

    /// Holds the folder for a change, so that the run and a command do not overwrite what the other wrote.
    ///
    /// # Errors
    /// The lock's file cannot be made.
    pub fn lock(&self) -> Result<FolderLock, KeptError> {
        let path = self.folder.join("lock");
        let failed = |source| KeptError::File { path: path.clone(), source };
        let file =
            fs::File::options().create(true).truncate(false).write(true).mode(0o600).open(&path).map_err(failed)?;
        rustix::fs::flock(&file, rustix::fs::FlockOperation::LockExclusive).map_err(|error| failed(error.into()))?;
        Ok(FolderLock(file))
    }
}

/// The folder is held as long as this lives.
#[derive(Debug)]
pub struct FolderLock(#[expect(dead_code, reason = "the lock goes with the file")] fs::File);

const PHONES: &str = "paired.toml";
const ADDRESS: &str = "address";
const ASKED: &str = "asked";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_kept_is_for_the_user_alone_and_comes_back() {
        let base = tempfile::tempdir().unwrap();
        let folder = base.path().join("phones");
        let kept = Kept::open(&folder).unwrap();
        assert_eq!(kept.phones().unwrap(), PairedPhones::default());
        let mut phones = PairedPhones::default();
        phones.add("2026-05-01".to_owned(), "phone".to_owned(), SecretHash::of("x"));
        let held = kept.lock().unwrap();
        kept.keep_phones(&phones).unwrap();
        drop(held);
        assert_eq!(Kept::open(&folder).unwrap().phones().unwrap(), phones);
        let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
        assert_eq!(mode(&folder), 0o700);
        for entry in fs::read_dir(&folder).unwrap() {
            assert_eq!(mode(&entry.unwrap().path()), 0o600);
        }
    }

    #[test]
    fn an_invitation_is_asked_for_by_its_hash_and_taken_up_once() {
        let folder = tempfile::tempdir().unwrap();
        let kept = Kept::open(folder.path()).unwrap();
        let hash = SecretHash::of("token");
        kept.ask_for_invitation(&hash).unwrap();
        kept.open_for("192.168.8.1:8443").unwrap();
        assert_eq!(kept.take_what_was_asked_for().unwrap(), None, "what was asked of a run before is forgotten");
        kept.ask_for_invitation(&hash).unwrap();
        assert!(kept.is_asked_for());
        assert_eq!(kept.take_what_was_asked_for().unwrap(), Some(hash));
        assert_eq!(kept.take_what_was_asked_for().unwrap(), None);
        kept.write(ASKED, "no hash").unwrap();
        assert_eq!(kept.take_what_was_asked_for().unwrap(), None);
        assert_eq!(kept.address().unwrap().as_deref(), Some("192.168.8.1:8443"));
        kept.closed().unwrap();
        assert_eq!(kept.address().unwrap(), None);
    }

    #[test]
    fn a_damaged_list_is_named_and_nobody_is_let_in_by_it() {
        let folder = tempfile::tempdir().unwrap();
        let kept = Kept::open(folder.path()).unwrap();
        kept.write(PHONES, "[[phone]]\nnumber = 1").unwrap();
        let error = kept.phones().unwrap_err().to_string();
        assert!(error.contains("paired.toml") && error.contains("pair the phones anew"), "{error}");
    }
}
