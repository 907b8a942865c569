//! The JSON Schemas of the files of routines, for editors.

use super::changes::ChangesFile;
use super::file::RoutineFile;

/// The schema of a routine's file, made from the same types that read it.
pub fn routine_schema() -> schemars::Schema {
    schemars::schema_for!(RoutineFile)
}

/// The schema of a file of changes to a routine.
pub fn changes_schema() -> schemars::Schema {
    schemars::schema_for!(ChangesFile)
}
