//! Writes a rig's file so that it can be edited by hand: every field is there, with what it means above it.

use serde_json::Value;

use super::file::RigFile;
use super::schema::json_schema;

/// The file's text. Read back it is the same rig.
///
/// # Errors
/// The text cannot be made; it is not known how that could be.
pub fn write(rig: &RigFile) -> Result<String, toml::ser::Error> {
    let schema = json_schema().to_value();
    let plain = toml::to_string(rig)?;
    let mut text = String::new();
    let mut table = String::new();
    let mut told: Vec<String> = Vec::new();
    for line in plain.lines() {
        let header = line.strip_prefix('[').map(|rest| rest.trim_matches(['[', ']']).to_owned());
        let path = match (&header, line.split_once(" = ")) {
            (Some(name), _) => {
                table.clone_from(name);
                vec![name.clone()]
            }
            (None, Some((key, _))) if table.is_empty() => vec![key.to_owned()],
            (None, Some((key, _))) => vec![table.clone(), key.to_owned()],
            (None, None) => Vec::new(),
        };
        // The second slide's fields mean what the first one's did.
        let name = path.join(".");
        if !path.is_empty() && !told.contains(&name) {
            for comment in meaning(&schema, &path).lines() {
                text.push_str(&format!("# {comment}\n"));
            }
            told.push(name);
        }
        text.push_str(line);
        text.push('\n');
    }
    Ok(text)
}

fn meaning<'a>(schema: &'a Value, path: &[String]) -> &'a str {
    let mut place = schema;
    for part in path {
        let field = &resolved(schema, place)["properties"][part.as_str()];
        if part == path.last().unwrap_or(part) {
            return field["description"].as_str().unwrap_or_default();
        }
        place = field;
    }
    ""
}

/// Follows a reference, and goes from a list to what it holds.
fn resolved<'a>(schema: &'a Value, place: &'a Value) -> &'a Value {
    let place = if place["items"].is_object() { &place["items"] } else { place };
    match place["$ref"].as_str().and_then(|name| name.rsplit('/').next()) {
        Some(name) => &schema["$defs"][name],
        None => place,
    }
}
