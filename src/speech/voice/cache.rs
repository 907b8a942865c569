//! Levelled sentences on disk, so that a prompt that was said once is never computed again.
//!
//! A file's name is the hash of all that decides how it sounds: words and phonemes, speed, model, version of this code.
//! Volume is not among them. A file that does not match its own checksum is removed and made again. Files appear whole or
//! not at all.

use std::io::Write;
use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};

/// A folder of sentences.
#[derive(Clone, Debug)]
pub struct Cache {
    folder: PathBuf,
    voice: String,
}

impl Cache {
    /// A cache in `folder`, which is made if needed, for the voice with this fingerprint.
    ///
    /// # Errors
    ///
    /// The folder cannot be made.
    pub fn open(folder: &Path, voice: &str) -> Result<Self, CacheError> {
        std::fs::create_dir_all(folder).map_err(|source| CacheError::Folder { path: folder.to_path_buf(), source })?;
        Ok(Self { folder: folder.to_path_buf(), voice: voice.to_string() })
    }

    /// The samples (24 kHz) of a marked sentence at a speed, if they are there and sound.
    ///
    /// # Errors
    ///
    /// A file is there and cannot be read, or is damaged and cannot be removed.
    pub fn find(&self, marked: &str, speed: f32) -> Result<Option<Vec<f32>>, CacheError> {
        let path = self.path(marked, speed);
        let bytes = match std::fs::read(&path) {
            Ok(bytes) => bytes,
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
            Err(source) => return Err(CacheError::Read { path, source }),
        };
        if let Some(samples) = unpack(&bytes) {
            return Ok(Some(samples));
        }
        tracing::warn!(path = %path.display(), "a cached sentence is damaged and is made again");
        std::fs::remove_file(&path).map_err(|source| CacheError::Remove { path, source })?;
        Ok(None)
    }

    /// Keeps the samples of a sentence. Full scale is 1; they are kept in 16 bits.
    ///
    /// # Errors
    ///
    /// The file cannot be written.
    pub fn keep(&self, marked: &str, speed: f32, samples: &[f32]) -> Result<(), CacheError> {
        let path = self.path(marked, speed);
        let write = || -> std::io::Result<()> {
            let mut file = tempfile::NamedTempFile::new_in(&self.folder)?;
            file.write_all(&pack(samples))?;
            file.persist(&path).map_err(|error| error.error)?;
            Ok(())
        };
        write().map_err(|source| CacheError::Write { path: path.clone(), source })
    }

    /// Where a sentence is kept.
    pub fn path(&self, marked: &str, speed: f32) -> PathBuf {
        let key = format!("{VERSION}\n{}\n{speed:.2}\n{marked}", self.voice);
        self.folder.join(format!("{}.{ENDING}", hex(&Sha256::digest(key.as_bytes()))))
    }
}

/// What can go wrong with the cache. None of it costs a sentence: it is only computed again.
#[derive(Debug, thiserror::Error)]
pub enum CacheError {
    /// There is no folder to keep them in.
    #[error("speech cache {path}: folder cannot be made; check permissions and space")]
    Folder {
        /// Where.
        path: PathBuf,
        /// What the system said.
        #[source]
        source: std::io::Error,
    },
    /// A file is there and cannot be read.
    #[error("speech cache {path}: cannot be read")]
    Read {
        /// Where.
        path: PathBuf,
        /// What the system said.
        #[source]
        source: std::io::Error,
    },
    /// A file cannot be written.
    #[error("speech cache {path}: cannot be written; check permissions and space")]
    Write {
        /// Where.
        path: PathBuf,
        /// What the system said.
        #[source]
        source: std::io::Error,
    },
    /// A damaged file stays.
    #[error("speech cache {path}: damaged, and cannot be removed; remove it by hand")]
    Remove {
        /// Where.
        path: PathBuf,
        /// What the system said.
        #[source]
        source: std::io::Error,
    },
}

/// The checksum of the samples, then the samples.
fn pack(samples: &[f32]) -> Vec<u8> {
    let data: Vec<u8> = samples
        .iter()
        .flat_map(|sample| ((sample.clamp(-1.0, 1.0) * FULL_SCALE).round() as i16).to_le_bytes())
        .collect();
    let mut bytes = Sha256::digest(&data).to_vec();
    bytes.extend(data);
    bytes
}

fn unpack(bytes: &[u8]) -> Option<Vec<f32>> {
    let (checksum, data) = bytes.split_at_checked(32)?;
    if Sha256::digest(data).as_slice() != checksum || data.len() % 2 != 0 {
        return None;
    }
    Some(data.chunks_exact(2).map(|pair| f32::from(i16::from_le_bytes([pair[0], pair[1]])) / FULL_SCALE).collect())
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// To be raised when anything here or in `synthesis`, `loudness`, `voice` or `prepare` changes how a sentence sounds.
const VERSION: &str = "sparehand speech 3";

const ENDING: &str = "speech";

const FULL_SCALE: f32 = 32767.0;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_kept_sentence_is_found_again_and_only_under_its_own_key() {
        let folder = tempfile::tempdir().unwrap();
        let cache = Cache::open(folder.path(), "voice a").unwrap();
        cache.keep("close the valve.", 1.0, &[0.0, 0.5, -1.0]).unwrap();
        let found = cache.find("close the valve.", 1.0).unwrap().unwrap();
        assert!(found.iter().zip([0.0, 0.5, -1.0]).all(|(found, kept)| (found - kept).abs() < 1e-4));
        assert_eq!(cache.find("close the valve.", 1.1).unwrap(), None);
        assert_eq!(cache.find("open the valve.", 1.0).unwrap(), None);
        let other = Cache::open(folder.path(), "voice b").unwrap();
        assert_eq!(other.find("close the valve.", 1.0).unwrap(), None);
    }

    #[test]
    fn a_damaged_file_is_noticed_and_removed() {
        let folder = tempfile::tempdir().unwrap();
        let cache = Cache::open(folder.path(), "voice").unwrap();
        for damage in [
            |bytes: &mut Vec<u8>| bytes.truncate(40),
            |bytes: &mut Vec<u8>| bytes[50] ^= 1,
            |bytes: &mut Vec<u8>| bytes.clear(),
        ] {
            cache.keep("x.", 1.0, &[0.25; 100]).unwrap();
            let path = cache.path("x.", 1.0);
            let mut bytes = std::fs::read(&path).unwrap();
            damage(&mut bytes);
            std::fs::write(&path, bytes).unwrap();
            assert_eq!(cache.find("x.", 1.0).unwrap(), None);
            assert!(!path.exists());
        }
    }

    #[test]
    fn no_half_written_file_is_left_behind() {
        let folder = tempfile::tempdir().unwrap();
        let cache = Cache::open(folder.path(), "voice").unwrap();
        cache.keep("x.", 1.0, &[0.25; 100]).unwrap();
        cache.keep("x.", 1.0, &[0.25; 100]).unwrap();
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
    }
}
