//! The ONNX Runtime library: loaded from a file, once per process.
//!
//! `ort` allows one environment per process. Whoever loads it first owns it; everybody else must be handed a clone
//! ([`Environment`] is a shared handle), so the program loads it here and passes it on.

use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use ort::environment::Environment;
use ort::session::Session;
use ort::session::builder::GraphOptimizationLevel;

/// Returns the process's environment, loading the library at `library` the first time.
///
/// Later calls give the same environment whatever path they name.
///
/// # Errors
/// The file cannot be loaded, is not ONNX Runtime 1.24 or newer, or another part of the program built its own environment.
pub fn environment(library: &Path) -> Result<Environment, RuntimeError> {
    let mut shared = SHARED.lock().unwrap_or_else(PoisonError::into_inner);
    if let Some(environment) = shared.as_ref() {
        return Ok(environment.clone());
    }
    let builder = ort::init_from(library)
        .map_err(|why| RuntimeError::Library { path: library.to_owned(), why: why.to_string() })?;
    let built = builder.with_name("sparehand").build().map_err(RuntimeError::Environment)?;
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
            .commit_from_file(path)
    };
    open().map_err(|source| RuntimeError::Model { path: path.to_owned(), source })
}

/// Why the runtime or a model could not be loaded.
#[derive(Debug, thiserror::Error)]
pub enum RuntimeError {
    #[error("runtime library {}: {why}; run `sparehand fetch`", path.display())]
    Library { path: PathBuf, why: String },
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

static SHARED: Mutex<Option<Environment>> = Mutex::new(None);
