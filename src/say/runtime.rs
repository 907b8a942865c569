//! ONNX Runtime: one environment for a process, and sessions on one thread.
//!
//! The library allows one environment only, so a program that also hears makes it once and passes it on.

use std::path::{Path, PathBuf};
use std::sync::Mutex;

use ort::environment::Environment;
use ort::session::Session;

/// The environment of this process, made on first use from the ONNX Runtime library in the folder of models.
///
/// # Errors
///
/// The library is missing or does not load; another environment was made elsewhere in the process.
pub fn environment(models: &Path) -> Result<Environment, RuntimeError> {
    let library = models.join(LIBRARY);
    let mut shared = ENVIRONMENT.lock().map_err(|_| RuntimeError::Poisoned)?;
    if let Some(environment) = shared.as_ref() {
        return Ok(environment.clone());
    }
    if !library.is_file() {
        return Err(RuntimeError::Missing { path: library });
    }
    let builder = ort::init_from(&library).map_err(|source| RuntimeError::Library { path: library.clone(), source: Box::new(source) })?;
    let environment = builder.with_name("sparehand").build().map_err(RuntimeError::Environment)?;
    *shared = Some(environment.clone());
    Ok(environment)
}

/// Opens a model on one thread: sentences are short, and the other core is for hearing.
pub(super) fn session(environment: &Environment, path: &Path) -> Result<Session, RuntimeError> {
    if !path.is_file() {
        return Err(RuntimeError::Missing { path: path.to_path_buf() });
    }
    let open = || -> Result<Session, ort::Error> {
        let builder = Session::builder(environment)?;
        let mut builder = builder.with_intra_threads(1)?.with_inter_threads(1)?;
        builder.commit_from_file(path)
    };
    open().map_err(|source| RuntimeError::Model { path: path.to_path_buf(), source })
}

/// What can go wrong before a model runs.
#[derive(Debug, thiserror::Error)]
pub enum RuntimeError {
    #[error("model file {path} is missing; run `sparehand fetch`")]
    Missing { path: PathBuf },
    #[error("onnx runtime {path} does not load; run `sparehand fetch` again")]
    Library { path: PathBuf, #[source] source: Box<dyn std::error::Error + Send + Sync> },
    #[error("onnx runtime does not start")]
    Environment(#[source] ort::Error),
    #[error("model {path} does not load; run `sparehand fetch` again")]
    Model { path: PathBuf, #[source] source: ort::Error },
    #[error("onnx runtime: an earlier start of it failed in this process")]
    Poisoned,
}

static ENVIRONMENT: Mutex<Option<Environment>> = Mutex::new(None);

/// Where the library stands in the folder of models.
const LIBRARY: &str = "onnxruntime/libonnxruntime.so";
