//! Routines for paper: by name or from a file, as text and loaded, with what they include.

use std::path::Path;

use crate::app::prompts::{PromptError, ROUTINES};
use crate::rig::Rig;
use crate::routine::{Library, Routine, RoutineError, Source, load_with};

/// The text of a routine: of the file that is named, else of the user's own of that name, else of the built-in one.
///
/// # Errors
/// There is none, or it cannot be read.
pub fn source(routine: &str, config: &Path) -> Result<Source, PromptError> {
    let as_file = Path::new(routine);
    let named_as_file = as_file.extension().is_some_and(|ending| ending == "toml");
    let path = if named_as_file { as_file.to_owned() } else { config.join("routines").join(format!("{routine}.toml")) };
    if named_as_file || path.exists() {
        let text =
            std::fs::read_to_string(&path).map_err(|source| PromptError::Unreadable { path: path.clone(), source })?;
        return Ok(Source { name: path.display().to_string(), text });
    }
    built_in(routine).ok_or_else(|| {
        let known = ROUTINES.iter().map(|(name, _)| *name).collect::<Vec<_>>().join(", ");
        PromptError::NoSuchRoutine { wanted: routine.to_owned(), known }
    })
}

/// The text loaded for this rig, with the routines that it includes.
///
/// # Errors
/// It is refused.
pub fn loaded(source: &Source, rig: &Rig, config: &Path) -> Result<Routine, RoutineError> {
    let included = |name: &str| {
        let path = config.join("routines").join(format!("{name}.toml"));
        let own = std::fs::read_to_string(&path).ok().map(|text| Source { name: path.display().to_string(), text });
        own.or_else(|| built_in(name))
    };
    load_with(source, rig, &Library { routine: &included, changes: &|_| None })
}

fn built_in(routine: &str) -> Option<Source> {
    let (name, text) = ROUTINES.iter().find(|(name, _)| *name == routine)?;
    Some(Source { name: format!("{name}.toml"), text: (*text).to_owned() })
}
