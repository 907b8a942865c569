//! Where the journal and the files beside it lie, and the lock that lets one program at a time write.

use std::fs::{self, File, OpenOptions, TryLockError};
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

use crate::journal::JournalError;

/// The journal's path with symbolic links resolved, so that every way to the same file meets the same lock.
#[derive(Clone, Debug)]
pub(super) struct Place {
    pub(super) path: PathBuf,
}

impl Place {
    pub(super) fn resolve(path: &Path) -> Result<Self, JournalError> {
        let no_access = |doing| move |source| JournalError::NoAccess { path: path.to_owned(), doing, source };
        let name = path
            .file_name()
            .ok_or_else(|| no_access("find the file")(io::Error::other("a path that names no file")))?;
        if let Ok(path) = path.canonicalize() {
            return Ok(Self { path });
        }
        let folder = match path.parent() {
            Some(folder) if folder != Path::new("") => folder,
            _ => Path::new("."),
        };
        let folder = folder.canonicalize().map_err(no_access("find the folder"))?;
        Ok(Self { path: folder.join(name) })
    }

    /// Whether there is neither a journal nor a part of one.
    pub(super) fn is_absent(&self) -> Result<bool, JournalError> {
        let no_access = |source| JournalError::NoAccess { path: self.path.clone(), doing: "look at the file", source };
        let damaged = |what: &str| Err(JournalError::Damaged { path: self.path.clone(), what: what.to_owned() });
        let log_bytes = match fs::metadata(self.beside("-wal")) {
            Ok(log) => log.len(),
            Err(error) if error.kind() == io::ErrorKind::NotFound => 0,
            Err(error) => return Err(no_access(error)),
        };
        match fs::metadata(&self.path) {
            Ok(file) if !file.is_file() => {
                Err(JournalError::NotAJournal { path: self.path.clone(), found: "a folder or device".to_owned() })
            }
            // SQLite would take either for a new database, and throw the records in the -wal file away.
            Ok(file) if file.len() == 0 => damaged("the file is empty"),
            Err(error) if error.kind() == io::ErrorKind::NotFound && log_bytes > 0 => {
                damaged("there are records in the -wal file beside it, and no journal to add them to")
            }
            Ok(_) => Ok(false),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(true),
            Err(error) => Err(no_access(error)),
        }
    }

    /// The journal's path with `ending` added.
    pub(super) fn beside(&self, ending: &str) -> PathBuf {
        let mut path = self.path.clone().into_os_string();
        path.push(ending);
        path.into()
    }

    /// Makes a change to the names in the journal's folder durable.
    pub(super) fn sync_folder(&self) -> io::Result<()> {
        match self.path.parent() {
            Some(folder) => File::open(folder)?.sync_all(),
            None => Ok(()),
        }
    }
}

/// The lock that makes this process the only one to write. The system lets go of it when the process ends, however it ends.
#[derive(Debug)]
pub(super) struct WriterLock {
    _file: File,
}

impl WriterLock {
    pub(super) fn take(place: &Place) -> Result<Self, JournalError> {
        let no_access = |source| JournalError::NoAccess { path: place.path.clone(), doing: "lock it", source };
        let mut file = OpenOptions::new()
            .create(true)
            .truncate(false)
            .read(true)
            .write(true)
            .open(place.beside(".lock"))
            .map_err(no_access)?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                let mut holder = String::new();
                let read = file.read_to_string(&mut holder);
                let holder = match (read, holder.trim()) {
                    (Err(_), _) | (_, "") => "which has not left its process number".to_owned(),
                    (Ok(_), holder) => holder.to_owned(),
                };
                return Err(JournalError::HeldByAnother { path: place.path.clone(), holder });
            }
            Err(TryLockError::Error(source)) => return Err(no_access(source)),
        }
        // Only to be named in the message above; the lock does not hang on it.
        file.set_len(0).and_then(|()| writeln!(file, "process {}", std::process::id())).map_err(no_access)?;
        Ok(Self { _file: file })
    }
}
