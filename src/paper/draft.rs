//! A routine's file as data: every key and every comment of it, checked by nobody yet.
//!
//! The loader gives a [`crate::routine::Routine`] for one rig; this gives the file itself, so that nothing in it is lost on its way
//! through a spreadsheet.

use thiserror::Error;
use toml::{Table, Value};
use toml_edit::{DocumentMut, Item, RawString};

use super::own_table::FIELDS;

/// A routine's file.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Draft {
    /// Comments that belong to the whole, a line each, without their marks.
    pub remark: String,
    /// The keys of the routine itself, without its sections.
    pub keys: Table,
    pub sections: Vec<DraftSection>,
}

#[derive(Clone, Debug, Default, PartialEq)]
pub struct DraftSection {
    pub remark: String,
    /// Without its steps.
    pub keys: Table,
    pub steps: Vec<DraftStep>,
}

#[derive(Clone, Debug, Default, PartialEq)]
pub struct DraftStep {
    pub remark: String,
    pub keys: Table,
    /// Where it stood in a spreadsheet.
    pub row: Option<u32>,
}

/// Why a text is no routine's file.
#[derive(Debug, Error, PartialEq, Eq)]
#[error("{file}: found {found}, expected a routine with [[section]] and [[section.step]]")]
pub struct DraftError {
    pub file: String,
    pub found: String,
}

impl Draft {
    /// Reads a routine's file. `file` is only used in errors.
    ///
    /// # Errors
    /// It is no TOML, or its sections and steps are not lists of tables.
    pub fn parse(file: &str, text: &str) -> Result<Self, DraftError> {
        let fault = |found: String| DraftError { file: file.to_owned(), found };
        let document: DocumentMut = text.parse().map_err(|why: toml_edit::TomlError| fault(why.to_string()))?;
        let mut keys: Table = toml::from_str(text).map_err(|why| fault(why.to_string()))?;
        let sections = tables(keys.remove("section"), "section").map_err(&fault)?;
        let mut draft = Self { keys, ..Self::default() };
        let mut remarks = own_remarks(document.as_table(), "section");
        remarks.extend(comments(Some(document.trailing())));
        draft.remark = remarks.join("\n");
        for (number, mut keys) in sections.into_iter().enumerate() {
            let written = document.get("section").and_then(|item| nth_table(item, number));
            let mut section = DraftSection {
                remark: written.map(|table| own_remarks(table, "step").join("\n")).unwrap_or_default(),
                ..DraftSection::default()
            };
            let steps = tables(keys.remove("step"), "section.step").map_err(&fault)?;
            for (number, keys) in steps.into_iter().enumerate() {
                let written = written.and_then(|table| table.get("step")).and_then(|item| nth_table(item, number));
                let remark = written.map(|table| own_remarks(table, "").join("\n")).unwrap_or_default();
                section.steps.push(DraftStep { remark, keys, row: None });
            }
            section.keys = keys;
            draft.sections.push(section);
        }
        Ok(draft)
    }

    /// The file's text. Reading it gives this draft again.
    pub fn to_toml(&self) -> String {
        let mut text = String::new();
        write_remark(&mut text, &self.remark);
        write_keys(&mut text, &self.keys);
        for section in &self.sections {
            text.push('\n');
            write_remark(&mut text, &section.remark);
            text.push_str("[[section]]\n");
            write_keys(&mut text, &section.keys);
            for step in &section.steps {
                text.push('\n');
                write_remark(&mut text, &step.remark);
                text.push_str("[[section.step]]\n");
                write_keys(&mut text, &step.keys);
            }
        }
        text
    }
}

fn tables(value: Option<Value>, name: &str) -> Result<Vec<Table>, String> {
    let Some(value) = value else { return Ok(Vec::new()) };
    let list = match value {
        Value::Array(list) => list,
        other => return Err(format!("{name} as {}", other.type_str())),
    };
    list.into_iter()
        .map(|item| match item {
            Value::Table(table) => Ok(table),
            other => Err(format!("{name} as a list of {}", other.type_str())),
        })
        .collect()
}

/// A table in a list of tables as it is written; a list in one line has no comments of its own that matter.
fn nth_table(item: &Item, number: usize) -> Option<&toml_edit::Table> {
    item.as_array_of_tables().and_then(|list| list.get(number))
}

/// The comments of a table itself, in order, without those of the list of tables `below`.
fn own_remarks(table: &toml_edit::Table, below: &str) -> Vec<String> {
    let mut found = comments(table.decor().prefix());
    found.extend(comments(table.decor().suffix()));
    for (name, item) in table.iter().filter(|(name, _)| *name != below) {
        found.extend(table.key(name).into_iter().flat_map(|key| comments(key.leaf_decor().prefix())));
        match item {
            Item::Value(value) => of_value(value, &mut found),
            Item::Table(table) => found.extend(own_remarks(table, "")),
            Item::ArrayOfTables(list) => found.extend(list.iter().flat_map(|table| own_remarks(table, ""))),
            Item::None => {}
        }
    }
    found
}

fn of_value(value: &toml_edit::Value, found: &mut Vec<String>) {
    found.extend(comments(value.decor().prefix()));
    match value {
        toml_edit::Value::Array(list) => {
            list.iter().for_each(|item| of_value(item, found));
            found.extend(comments(Some(list.trailing())));
        }
        toml_edit::Value::InlineTable(table) => {
            for (name, item) in table.iter() {
                found.extend(table.key(name).into_iter().flat_map(|key| comments(key.leaf_decor().prefix())));
                of_value(item, found);
            }
            found.extend(comments(Some(table.trailing())));
        }
        _ => {}
    }
    found.extend(comments(value.decor().suffix()));
}

/// The comments in what stands between keys and values.
fn comments(raw: Option<&RawString>) -> Vec<String> {
    let text = raw.and_then(RawString::as_str).unwrap_or_default();
    text.lines()
        .filter_map(|line| line.trim().strip_prefix('#'))
        .map(|line| line.trim().to_owned())
        .filter(|line| !line.is_empty())
        .collect()
}

fn write_remark(text: &mut String, remark: &str) {
    for line in remark.lines().map(str::trim).filter(|line| !line.is_empty()) {
        text.push_str("# ");
        // A comment ends at its line, and TOML allows no control characters in it.
        text.push_str(&line.replace(char::is_control, " "));
        text.push('\n');
    }
}

/// Known keys in the order in which the built-in routines have them, then the rest.
fn write_keys(text: &mut String, keys: &Table) {
    let place = |key: &str| FIELDS.iter().position(|field| field.key.split('.').next() == Some(key));
    let mut names: Vec<&String> = keys.keys().collect();
    names.sort_by_key(|name| (place(name).unwrap_or(usize::MAX), name.as_str()));
    for name in names {
        text.push_str(&format!("{} = {}\n", written_key(name), written(&keys[name], name)));
    }
}

/// A value in one line; a known table with its keys in the usual order, its kind first.
fn written(value: &Value, name: &str) -> String {
    let Some(table) = value.as_table() else { return value.to_string() };
    let place = |key: &str| FIELDS.iter().position(|field| field.key.split_once('.') == Some((name, key)));
    let mut keys: Vec<&String> = table.keys().collect();
    keys.sort_by_key(|key| (place(key).unwrap_or(usize::MAX), key.as_str()));
    let pairs: Vec<String> =
        keys.into_iter().map(|key| format!("{} = {}", written_key(key), written(&table[key], ""))).collect();
    if pairs.is_empty() { "{}".to_owned() } else { format!("{{ {} }}", pairs.join(", ")) }
}

fn written_key(name: &str) -> String {
    toml_edit::Key::new(name).display_repr().into_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_keeps_every_key_and_every_comment() {
        let text = "# about it all\nid = 't' # its name\n[extra]\nweight = 2.5\n[[section]]\n# of the section\nid = 's'\n\
            # before the step\n[[section.step]]\nid = 'a'\nanswer = { kind = 'done', also = [\n'x', # why\n] }\n# at the end\n";
        let draft = Draft::parse("t.toml", text).unwrap();
        assert_eq!(draft.remark, "about it all\nits name\nat the end");
        assert_eq!(draft.sections[0].remark, "of the section");
        assert_eq!(draft.sections[0].steps[0].remark, "before the step\nwhy");
        assert_eq!(draft.keys["extra"]["weight"].as_float(), Some(2.5));
        assert_eq!(Draft::parse("t.toml", &draft.to_toml()).unwrap(), draft);
    }

    #[test]
    fn a_file_without_lists_of_tables_is_refused() {
        let error = Draft::parse("t.toml", "section = 'none'").unwrap_err();
        assert_eq!(
            error.to_string(),
            "t.toml: found section as string, expected a routine with [[section]] and [[section.step]]"
        );
    }
}
