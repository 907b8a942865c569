//! The JSON Schemas of the files of routines, for editors. They name no dialect, for that would be an address.

use schemars::generate::SchemaSettings;
use schemars::{JsonSchema, Schema};

use super::changes::ChangesFile;
use super::file::RoutineFile;

/// The schema of a routine's file, made from the same types that read it.
pub fn routine_schema() -> Schema {
    of::<RoutineFile>()
}

/// The schema of a file of changes to a routine.
pub fn changes_schema() -> Schema {
    of::<ChangesFile>()
}

fn of<T: JsonSchema>() -> Schema {
    let settings = SchemaSettings::draft2020_12().with(|settings| settings.meta_schema = None);
    settings.into_generator().into_root_schema_for::<T>()
}
