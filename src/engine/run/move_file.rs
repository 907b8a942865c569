//! Reads a move's file (TOML): which routines are run as one, and which of them wait for which.

use serde::Deserialize;
use thiserror::Error;

use super::joined::{Leg, Move, MoveError};
use crate::routine::Routine;
use crate::source::{Source, SourceError};

/// A move as its file names it.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MoveFile {
    /// Its name, as it is chosen by.
    pub id: String,
    /// As it is said in a sentence ("leaving the site").
    pub title: String,
    /// The completion call: the last thing said.
    pub complete: String,
    /// In the order in which they are begun where nothing else decides.
    pub routine: Vec<LegFile>,
}

/// A routine of a move, as the file names it.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LegFile {
    /// Id of the routine.
    pub id: String,
    /// Routines of the same move that must be through their gates before this one begins.
    #[serde(default)]
    pub after: Vec<String>,
}

/// Why a move's file is refused.
#[derive(Debug, Error, PartialEq, Eq)]
#[expect(missing_docs, reason = "the error texts say what each is")]
pub enum MoveFileError {
    #[error(transparent)]
    Unreadable(#[from] SourceError),
    #[error("{file}: {source}")]
    Faulty { file: String, source: MoveError },
}

impl MoveFile {
    /// Reads the text of a move's file; `file` is only used in errors.
    ///
    /// # Errors
    /// Unreadable text, an unknown field or a missing one.
    pub fn parse(file: &str, text: &str) -> Result<Self, MoveFileError> {
        Ok(Source { name: file.to_owned(), text: text.to_owned() }.read_for_writer()?)
    }

    /// The routines by when they may begin: those of one stage side by side, each stage when those before it are done.
    pub fn stages(&self) -> Vec<Vec<String>> {
        let mut stages: Vec<Vec<String>> = Vec::new();
        let mut open: Vec<&LegFile> = self.routine.iter().collect();
        while !open.is_empty() {
            let waits = |leg: &LegFile| leg.after.iter().any(|before| open.iter().any(|other| other.id == *before));
            let (later, mut next): (Vec<&LegFile>, Vec<&LegFile>) = open.iter().partition(|leg| waits(leg));
            // Routines that wait for each other are refused where they are joined; here they come one after the other.
            if next.is_empty() {
                next.clone_from(&later);
            }
            open.retain(|leg| !next.iter().any(|begun| begun.id == leg.id));
            stages.push(next.iter().map(|leg| leg.id.clone()).collect());
        }
        stages
    }

    /// Joins the routines, given in the order of the file.
    ///
    /// # Errors
    /// Routines that cannot be run as one.
    pub fn join(&self, file: &str, routines: Vec<Routine>) -> Result<Move, MoveFileError> {
        let after = |id: &str| self.routine.iter().find(|leg| leg.id == id).map(|leg| leg.after.clone());
        let legs = routines.into_iter().map(|routine| Leg { after: after(&routine.id).unwrap_or_default(), routine });
        Move::join(&self.id, &self.title, &self.complete, legs.collect())
            .map_err(|source| MoveFileError::Faulty { file: file.to_owned(), source })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_move_that_cannot_be_read_names_the_line_and_what_is_expected_there() {
        let text =
            "id = 'away'\ntitle = 'leaving'\ncomplete = 'Ready.'\n[[routine]]\nid = 'tank-dump'\nafer = ['morning']\n";
        let error = MoveFile::parse("away.toml", text).unwrap_err().to_string();
        assert_eq!(
            error,
            "away.toml: line 6: found unknown field `afer` (perhaps 'after' is meant), expected `id` or `after`"
        );
    }
}
