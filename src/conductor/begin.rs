//! How the process has to begin: some libraries read the environment before anything else runs, so it is set by beginning anew.

use std::env;
use std::io;
use std::os::unix::process::CommandExt;
use std::process::Command;

use crate::onnx::SILENCE;

/// Comes back where the process has the environment that it wants, and otherwise begins it anew with that; the process stays the same one.
///
/// # Errors
/// The system does not let it begin anew.
pub fn begin_as_wanted() -> Result<(), BeginError> {
    let missing: Vec<_> =
        wanted().filter(|(name, value)| env::var_os(name).is_none_or(|found| found != *value)).collect();
    if missing.is_empty() {
        return Ok(());
    }
    let program = env::current_exe().map_err(BeginError)?;
    let mut arguments = env::args_os();
    let mut anew = Command::new(program);
    if let Some(name) = arguments.next() {
        anew.arg0(name);
    }
    Err(BeginError(anew.args(arguments).envs(missing).exec()))
}

/// What the environment is to hold. Whoever has tuned the allocator knows better.
fn wanted() -> impl Iterator<Item = (&'static str, &'static str)> {
    let tuned = env::var_os(MEMORY.0).is_some_and(|found| found != MEMORY.1);
    std::iter::once(SILENCE).chain((!tuned).then_some(MEMORY))
}

/// The process cannot begin as it has to.
#[derive(Debug, thiserror::Error)]
#[error("the program cannot begin anew with the environment that it wants; set {}={} and try again", SILENCE.0, SILENCE.1)]
pub struct BeginError(#[source] io::Error);

/// Blocks from 256 KB on go back to the system when they are free. Left to itself the GNU C library raises that limit to 32 MB once a model has
/// been read, and a run holds 30 MB that nobody uses; with 128 KB scoring takes 3 % longer (`cargo bench --bench hear`).
const MEMORY: (&str, &str) = ("GLIBC_TUNABLES", "glibc.malloc.mmap_threshold=262144");
