//! Why a routine's file is refused: where, what was found, what was expected, what to do.

use serde::de::DeserializeOwned;
use thiserror::Error;

use super::file::StepFile;
use crate::source::{Misread, Source, SourceLine};

/// Why a routine's file, or one of changes to it, is refused.
#[derive(Debug, Error, PartialEq, Eq)]
#[error(
    "{at}: {}found {found}, expected {expected}; correct it there, then look the file over: sparehand proof",
    of_step(step)
)]
pub struct RoutineError {
    pub at: SourceLine,
    /// The step that it was found at; empty where it is about the file.
    pub step: String,
    pub found: String,
    pub expected: String,
}

fn of_step(id: &str) -> String {
    if id.is_empty() { String::new() } else { format!("step '{id}': ") }
}

impl RoutineError {
    /// Something that is to be mended at a step.
    pub(super) fn of_step(step: &StepFile, found: String, expected: &str) -> Self {
        Self { at: step.at.clone(), step: step.id.get_ref().clone(), found, expected: expected.to_owned() }
    }
}

/// Reads a file as it is written.
///
/// # Errors
/// It is no TOML, or of another form.
pub(super) fn parse<T: DeserializeOwned>(source: &Source) -> Result<T, RoutineError> {
    source.read().map_err(|Misread { span, found, expected }| RoutineError {
        at: source.line_of(span.start),
        step: step_around(&source.text, span.start),
        found,
        expected,
    })
}

/// The id of the step in whose table this byte stands, in a text that need not be TOML; empty where it stands in none.
fn step_around(text: &str, byte: usize) -> String {
    let end = text.get(byte..).map_or(text.len(), |rest| byte + rest.find('\n').unwrap_or(rest.len()));
    let Some(start) = STEP_TABLES.iter().filter_map(|header| text[..end].rfind(header)).max() else {
        return String::new();
    };
    if text[start..end].lines().any(|line| ["[[section]]", "[[insert]]"].contains(&line.trim())) {
        return String::new();
    }
    let table = text[start..].lines().skip(1).take_while(|line| !line.starts_with('['));
    let mut ids = table.filter_map(|line| line.split_once('=')).filter(|(key, _)| ["id", "step"].contains(&key.trim()));
    ids.next().and_then(|(_, id)| id.split(['"', '\'']).nth(1)).unwrap_or_default().to_owned()
}

/// What the tables of a step begin with, in a routine and in changes to one.
const STEP_TABLES: [&str; 3] = ["[[section.step]]", "[[insert.step]]", "[[change]]"];
