//! JSON Schemas on the standard output.

use std::io::{self, Write};

/// Prints a schema.
///
/// # Errors
/// The output does not take it.
pub(super) fn print(schema: &schemars::Schema) -> io::Result<()> {
    writeln!(io::stdout().lock(), "{}", serde_json::to_string_pretty(schema)?)
}
