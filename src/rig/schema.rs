//! The JSON Schema of `rig.toml`, for editors.

use schemars::generate::SchemaSettings;

use super::file::RigFile;

/// The schema, made from the same types that read the file. It names no dialect, for that would be an address.
pub fn json_schema() -> schemars::Schema {
    let settings = SchemaSettings::draft2020_12().with(|settings| settings.meta_schema = None);
    settings.into_generator().into_root_schema_for::<RigFile>()
}
