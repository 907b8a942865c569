//! The ONNX Runtime library, for the ear and the voice alike: loaded from a file, once per process, for `ort` allows one
//! environment only ([`Environment`] is a shared handle to it).

use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

pub use ort::environment::Environment;
use ort::ep::CPU;
use ort::session::Session;
use ort::session::builder::GraphOptimizationLevel;

/// What a process has to find in its environment before the library is loaded: published builds of it report to their maker, and with this
/// nothing is gathered, kept or sent (its pull request 27379; the call that turns reporting off comes too late for the first report).
pub const SILENCE: (&str, &str) = ("ORT_DISABLE_TELEMETRY", "1");

/// The process's environment, loading the library in the folder of models the first time.
///
/// Later calls give the same environment whatever folder they name.
///
/// # Errors
/// The file cannot be loaded, is not ONNX Runtime 1.24 or newer, would report to its maker ([`SILENCE`]), or another part of the program
/// built its own environment.
pub fn environment(models: &Path) -> Result<Environment, RuntimeError> {
    let mut shared = SHARED.lock().unwrap_or_else(PoisonError::into_inner);
    if let Some(environment) = shared.as_ref() {
        return Ok(environment.clone());
    }
    let library = models.join(LIBRARY);
    if std::env::var_os(SILENCE.0).is_none_or(|found| found != SILENCE.1) {
        return Err(RuntimeError::WouldReport { path: library });
    }
    let builder = ort::init_from(&library)
        .map_err(|why| RuntimeError::Library { path: library.clone(), why: why.to_string() })?;
    let built = builder.with_name("sparehand").with_telemetry(false).build().map_err(RuntimeError::Environment)?;
    *shared = Some(built.clone());
    Ok(built)
}

/// Opens a model file for one thread: more threads gain nothing on models this small, and one core stays free for sound.
///
/// # Errors
/// The file is missing, cut short, or not a model.
pub fn open_model(environment: &Environment, path: &Path) -> Result<Session, RuntimeError> {
    if !path.is_file() {
        return Err(RuntimeError::Missing { path: path.to_owned() });
    }
    let open = || -> Result<Session, ort::Error> {
        Session::builder(environment)?
            .with_intra_threads(1)?
            .with_inter_threads(1)?
            .with_optimization_level(GraphOptimizationLevel::All)?
            .with_execution_providers([CPU::default().with_arena_allocator(false).build()])?
            .with_memory_pattern(false)?
            .commit_from_file(path)
    };
    open().map_err(|source| RuntimeError::Model { path: path.to_owned(), source })
}

/// Why the runtime or a model could not be loaded.
#[derive(Debug, thiserror::Error)]
pub enum RuntimeError {
    #[error("runtime library {}: {why}; run `sparehand fetch`", path.display())]
    Library { path: PathBuf, why: String },
    #[error(
        "runtime library {}: it would report to its maker, expected {}={} in the environment when the process begins",
        path.display(),
        SILENCE.0,
        SILENCE.1
    )]
    WouldReport { path: PathBuf },
    #[error("the runtime environment could not be built: {0}")]
    Environment(#[source] ort::Error),
    #[error("model file {} is missing; run `sparehand fetch`", path.display())]
    Missing { path: PathBuf },
    #[error("model file {} cannot be opened; delete it and run `sparehand fetch`", path.display())]
    Model {
        path: PathBuf,
        #[source]
        source: ort::Error,
    },
}

/// Where the library stands in the folder of models.
const LIBRARY: &str = "onnxruntime/libonnxruntime.so";
static SHARED: Mutex<Option<Environment>> = Mutex::new(None);
