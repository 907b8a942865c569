//! Files that a person asked for are written whole or not at all, and never over another without keeping it.

use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use thiserror::Error;

/// Why a file was not written.
#[derive(Debug, Error)]
pub enum KeepError {
    #[error(
        "{path}: found a file of this name, expected none; name another, or say --replace, which keeps the old one beside it"
    )]
    AlreadyThere { path: PathBuf },
    #[error(
        "{path}: cannot be written; check that its folder is there, that the disk has room and that you may write there"
    )]
    Unwritable { path: PathBuf, source: io::Error },
}

/// Writes a file. With `replace`, a file of this name is kept as `NAME.old`, `NAME.old2` ...; its new name is given back.
///
/// # Errors
/// There is one already and it was not to be replaced, or the disk does not take it.
pub fn keep(path: &Path, bytes: &[u8], replace: bool) -> Result<Option<PathBuf>, KeepError> {
    let fault = |source| KeepError::Unwritable { path: path.to_owned(), source };
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let mut file = tempfile::Builder::new().prefix(".sparehand-").tempfile_in(folder).map_err(fault)?;
    file.write_all(bytes).map_err(fault)?;
    file.as_file().sync_all().map_err(fault)?;
    // What others on the machine may read is for the system to say, as for any new file; a staging file is for its owner only.
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        file.as_file().set_permissions(fs::Permissions::from_mode(0o644)).map_err(fault)?;
    }
    match file.persist_noclobber(path) {
        Ok(_) => Ok(None),
        Err(refused) if refused.error.kind() == io::ErrorKind::AlreadyExists && replace => {
            let old = free_name(path);
            fs::hard_link(path, &old).or_else(|_| fs::copy(path, &old).map(drop)).map_err(fault)?;
            refused.file.persist(path).map_err(|why| fault(why.error))?;
            Ok(Some(old))
        }
        Err(refused) if refused.error.kind() == io::ErrorKind::AlreadyExists => {
            Err(KeepError::AlreadyThere { path: path.to_owned() })
        }
        Err(refused) => Err(fault(refused.error)),
    }
}

fn free_name(path: &Path) -> PathBuf {
    let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
    let numbered = (2..).map(|number: u32| format!("{name}.old{number}"));
    std::iter::once(format!("{name}.old"))
        .chain(numbered)
        .map(|old| path.with_file_name(old))
        .find(|old| !old.exists())
        .unwrap_or_else(|| path.with_extension("old"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_is_never_written_over_without_keeping_the_old_one() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("list.toml");
        assert_eq!(keep(&path, b"one", false).unwrap(), None);
        assert!(matches!(keep(&path, b"two", false), Err(KeepError::AlreadyThere { .. })));
        assert_eq!(fs::read(&path).unwrap(), b"one");
        let old = keep(&path, b"two", true).unwrap().unwrap();
        let older = keep(&path, b"three", true).unwrap().unwrap();
        assert_eq!((fs::read(old).unwrap(), fs::read(older).unwrap()), (b"one".to_vec(), b"two".to_vec()));
        assert_eq!(fs::read(&path).unwrap(), b"three");
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 3);
    }
}
