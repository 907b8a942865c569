//! Routines for paper: by name, or from a file.

use std::path::Path;

use crate::routine::Source;
use crate::setup::prompts::{self, PromptError};

/// The text of a routine: of the file that is named, else of the user's own of that name, else of the built-in one.
///
/// # Errors
/// There is none, or it cannot be read.
pub fn source(routine: &str, config: &Path) -> Result<Source, PromptError> {
    let path = Path::new(routine);
    if path.extension().is_some_and(|ending| ending == "toml") {
        return Ok(Source { name: routine.to_owned(), text: prompts::read(path)? });
    }
    prompts::known_routine(routine, config)
}
