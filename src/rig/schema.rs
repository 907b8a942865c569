//! The JSON Schema of `rig.toml`, for editors.

use super::file::RigFile;

/// The schema, made from the same types that read the file.
pub fn json_schema() -> schemars::Schema {
    schemars::schema_for!(RigFile)
}
