//! A routine as a table of our own, and back: one row for the routine, one for each section, one for each step.
//!
//! The first column says which of the three a row is. Every key of the file has a column; what fits no column stands in the last
//! one as TOML. So a table that was handed out and brought in again says the same, whatever keys routines come to have.

use std::collections::BTreeMap;

use thiserror::Error;
use toml::{Table, Value};

use super::cells::{self, Cell, Grid, Row};
use super::draft::{Draft, DraftSection, DraftStep};
use super::report::{CellPlace, Fate, Note};
use super::values::slug;

/// A key of a routine's file and the column that it stands in.
pub struct Field {
    /// As in the file; a dot stands before what is inside a table.
    pub key: &'static str,
    pub heading: &'static str,
    form: Form,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Form {
    Text,
    Number,
    /// A number, or the name of a number of the rig.
    NumberOrName,
    /// yes or no.
    Flag,
    /// Texts with `;` between them.
    List,
}

const fn field(key: &'static str, heading: &'static str, form: Form) -> Field {
    Field { key, heading, form }
}

/// The columns after the first, in order.
pub const FIELDS: &[Field] = &[
    field("id", "Id", Form::Text),
    field("name", "Name", Form::Text),
    field("title", "Title", Form::Text),
    field("kind", "Kind", Form::Text),
    field("start", "Words that start it", Form::List),
    field("intro", "Said first", Form::Text),
    field("complete", "Said last", Form::Text),
    field("include", "Includes", Form::Text),
    field("where", "Where", Form::Text),
    field("role", "Role", Form::Text),
    field("together", "Both together", Form::Flag),
    field("caution", "Caution", Form::Text),
    field("call", "Call", Form::Text),
    field("short", "In large letters", Form::Text),
    field("how", "How", Form::Text),
    field("check", "How to know it is right", Form::Text),
    field("answer.kind", "Answer", Form::Text),
    field("answer.want", "Wanted words", Form::List),
    field("answer.other", "Other words", Form::List),
    field("answer.other_reply", "Reply to other words", Form::Text),
    field("answer.also", "Words besides done", Form::List),
    field("answer.name", "Name of clock or reading", Form::Text),
    field("answer.unit", "Unit", Form::Text),
    field("answer.least", "At least", Form::NumberOrName),
    field("answer.most", "At most", Form::NumberOrName),
    field("answer.resolution", "In steps of", Form::Number),
    field("answer.low_reply", "Said when too low", Form::Text),
    field("answer.high_reply", "Said when too high", Form::Text),
    field("answer.seconds", "Seconds", Form::NumberOrName),
    field("answer.start", "Words that start the clock", Form::List),
    field("answer.started", "Said when started", Form::Text),
    field("answer.end", "Words that end the clock", Form::List),
    field("answer.alarm", "Alarm", Form::Text),
    field("answer.alarm_short", "Alarm in short", Form::Text),
    field("answer.no_back_to", "No goes back to", Form::List),
    field("answer.back_reply", "Said when going back", Form::Text),
    field("answer.limit_reply", "Said at the last no", Form::Text),
    field("answer.no_reply", "Said after no", Form::Text),
    field("answer.ready", "Words when ready to hold", Form::List),
    field("answer.hold", "Said to hold", Form::Text),
    field("answer.release", "Said to release", Form::Text),
    field("answer.times", "Times said", Form::Number),
    field("harm", "Harm", Form::Text),
    field("tested_by", "Who tests it elsewhere", Form::Text),
    field("late_because", "Why so late", Form::Text),
    field("again", "Again in the last look", Form::Flag),
    field("verifies", "Looks again at", Form::List),
    field("daylight", "Needs daylight", Form::Flag),
    field("minutes", "Minutes", Form::Number),
    field("needs", "Needs", Form::List),
    field("sets", "Sets", Form::List),
    field("undoes", "Undoes", Form::List),
    field("demands", "Demands", Form::List),
    field("single", "By itself", Form::Flag),
    field("after", "After", Form::List),
    field("during", "During", Form::Text),
    field("earshot", "Within earshot", Form::Flag),
    field("once", "Only once", Form::Flag),
    field("repeats", "Once for each of", Form::Text),
    field("one_by_one", "One by one", Form::Flag),
];

const PART: &str = "Part";
const MORE: &str = "More (TOML)";
const REMARK: &str = "Remark";

/// Why a table of our own cannot be read. Nothing is guessed here: a step may be one that can hurt.
#[derive(Debug, Error, PartialEq, Eq)]
#[error("{file}: {place}: found {found}, expected {expected}")]
pub struct TableError {
    pub file: String,
    pub place: CellPlace,
    pub found: String,
    pub expected: String,
}

/// The draft as a table. Columns that would be empty are not there.
pub fn to_grid(draft: &Draft) -> Grid {
    let mut parts: Vec<(&str, &str, &Table)> = vec![("routine", &draft.remark, &draft.keys)];
    for section in &draft.sections {
        parts.push(("section", &section.remark, &section.keys));
        parts.extend(section.steps.iter().map(|step| ("step", step.remark.as_str(), &step.keys)));
    }
    let rows: Vec<(BTreeMap<&str, cells::Value>, String, &str, &str)> = parts
        .into_iter()
        .map(|(part, remark, keys)| {
            let (cells, rest) = split(keys);
            (cells, rest, remark, part)
        })
        .collect();
    let used: Vec<&Field> = FIELDS
        .iter()
        .filter(|field| ["id", "name"].contains(&field.key) || rows.iter().any(|row| row.0.contains_key(field.key)))
        .collect();
    let text = |text: &str| Cell::new(cells::Value::Text(text.to_owned()));
    let headings = [PART].into_iter().chain(used.iter().map(|field| field.heading)).chain([REMARK, MORE]);
    let mut grid = Grid { name: String::new(), rows: Vec::new() };
    grid.rows.push(Row {
        number: 1,
        cells: (0..).zip(headings.map(|heading| Cell { bold: true, ..text(heading) })).collect(),
    });
    for (number, (mut cells, rest, remark, part)) in (2..).zip(rows) {
        let mut row = Row { number, cells: BTreeMap::from([(0, text(part))]) };
        for (column, field) in (1..).zip(&used) {
            if let Some(value) = cells.remove(field.key) {
                row.cells.insert(column, Cell::new(value));
            }
        }
        let last = used.len() as u32 + 1;
        for (column, extra) in [(last, remark), (last + 1, rest.as_str())] {
            if !extra.is_empty() {
                row.cells.insert(column, text(extra));
            }
        }
        row.cells.values_mut().for_each(|cell| cell.bold = part != "step");
        grid.rows.push(row);
    }
    grid
}

/// Whether a table is one of ours, by its headings.
pub fn is_own(grid: &Grid) -> bool {
    grid.rows.first().is_some_and(|row| {
        let headings: Vec<String> = row.cells.values().map(Cell::text).collect();
        headings.first().is_some_and(|first| first == PART)
            && ["Id", "Name"].iter().all(|h| headings.iter().any(|f| f == h))
    })
}

/// A table of ours as a draft. Rows that a person put in may lack an id, a call and an answer; they get plain ones, with a note.
///
/// # Errors
/// Says row and column, what was found and what was expected.
pub fn to_draft(file: &str, grid: &Grid, notes: &mut Vec<Note>) -> Result<Draft, TableError> {
    let Some(headings) = grid.rows.first() else { return Ok(Draft::default()) };
    let columns: BTreeMap<u32, Column> =
        headings.cells.iter().map(|(column, cell)| (*column, Column::of(cell.text()))).collect();
    let mut draft = Draft::default();
    let mut had_routine = false;
    for row in &grid.rows[1..] {
        let fault = |column: u32, found: String, expected: &str| TableError {
            file: file.to_owned(),
            place: CellPlace::cell(&grid.name, row.number, column),
            found,
            expected: expected.to_owned(),
        };
        let Written { part, mut keys, remark } = Written::in_row(row, &columns, &grid.name, notes, &fault)?;
        match part.as_str() {
            "routine" if had_routine => {
                return Err(fault(0, "a second row of the whole routine".to_owned(), "one routine a table"));
            }
            "routine" => {
                had_routine = true;
                (draft.remark, draft.keys) = (remark, keys);
            }
            "section" => draft.sections.push(DraftSection { remark, keys, steps: Vec::new() }),
            "step" | "" => {
                let place = CellPlace::row(&grid.name, row.number);
                complete_step(&mut keys, row.number, &place, notes);
                if draft.sections.is_empty() {
                    return Err(fault(0, "a step before any section".to_owned(), "a row with 'section' above it"));
                }
                let last = draft.sections.len() - 1;
                draft.sections[last].steps.push(DraftStep { remark, keys, row: Some(row.number) });
            }
            other => {
                return Err(fault(0, format!("'{other}' as {PART}"), "routine, section or step"));
            }
        }
    }
    if !had_routine {
        return Err(TableError {
            file: file.to_owned(),
            place: CellPlace { sheet: grid.name.clone(), ..CellPlace::column("", 0) },
            found: "no row of the whole routine".to_owned(),
            expected: "one row with 'routine' in it, with id, title and what is said last".to_owned(),
        });
    }
    Ok(draft)
}

/// What a row holds.
struct Written {
    part: String,
    keys: Table,
    remark: String,
}

impl Written {
    fn in_row(
        row: &Row,
        columns: &BTreeMap<u32, Column>,
        sheet: &str,
        notes: &mut Vec<Note>,
        fault: &dyn Fn(u32, String, &str) -> TableError,
    ) -> Result<Self, TableError> {
        let (mut keys, mut more) = (Table::new(), Table::new());
        let (mut remarks, mut part) = (Vec::new(), String::new());
        for (&column, cell) in &row.cells {
            let mut note =
                |fate, what: String| notes.push(Note::new(CellPlace::cell(sheet, row.number, column), fate, what));
            match columns.get(&column) {
                Some(Column::Part) => part = cell.text().to_lowercase(),
                Some(Column::Field(field)) => {
                    let value = value_of(field, cell).map_err(|expected| {
                        fault(column, format!("'{}' as {}", cell.text(), field.heading), expected)
                    })?;
                    if matches!((&cell.value, field.form), (cells::Value::Date(_), Form::Text | Form::List)) {
                        let heading = field.heading;
                        let what = format!("a date as {heading}; the spreadsheet may have made it from something else");
                        note(Fate::LookAt, what);
                    }
                    put(&mut keys, field.key, value);
                }
                Some(Column::Remark) => remarks.extend(cell.text().lines().map(str::to_owned)),
                Some(Column::More) => {
                    more = toml::from_str(&cell.text()).map_err(|why| {
                        let why = why.message().to_owned();
                        fault(column, format!("'{}' ({why})", cell.text()), "keys and values as TOML writes them")
                    })?;
                }
                Some(Column::Other(heading)) => {
                    remarks.push(format!("{heading}: {}", super::values::one_line(&cell.text())));
                    note(Fate::AsComment, format!("'{heading}' is no column of a routine"));
                }
                None => {
                    remarks.push(super::values::one_line(&cell.text()));
                    note(Fate::AsComment, "a cell in a column without a heading".to_owned());
                }
            }
        }
        merge(&mut keys, more);
        Ok(Self { part, keys, remark: remarks.join("\n") })
    }
}

enum Column {
    Part,
    Field(&'static Field),
    Remark,
    More,
    /// Put in by a person.
    Other(String),
}

impl Column {
    fn of(heading: String) -> Self {
        match heading.as_str() {
            PART => Self::Part,
            REMARK => Self::Remark,
            MORE => Self::More,
            _ => FIELDS.iter().find(|field| field.heading == heading).map_or(Self::Other(heading), Self::Field),
        }
    }
}

/// The cells of a table of keys, and the rest of it as TOML.
fn split(keys: &Table) -> (BTreeMap<&'static str, cells::Value>, String) {
    let mut cells = BTreeMap::new();
    let mut rest = keys.clone();
    for field in FIELDS {
        let value = match field.key.split_once('.') {
            Some((outer, inner)) => keys.get(outer).and_then(Value::as_table).and_then(|table| table.get(inner)),
            None => keys.get(field.key),
        };
        let Some(cell) = value.and_then(|value| cell_of(field.form, value)) else { continue };
        cells.insert(field.key, cell);
        match field.key.split_once('.') {
            Some((outer, inner)) => {
                if let Some(table) = rest.get_mut(outer).and_then(Value::as_table_mut) {
                    table.remove(inner);
                    if table.is_empty() {
                        rest.remove(outer);
                    }
                }
            }
            None => drop(rest.remove(field.key)),
        }
    }
    let rest: Vec<String> = rest
        .iter()
        .map(|(name, value)| format!("{} = {value}", toml_edit::Key::new(name.as_str()).display_repr()))
        .collect();
    (cells, rest.join("\n"))
}

/// The cell that reads back as exactly this value; none where no cell does.
fn cell_of(form: Form, value: &Value) -> Option<cells::Value> {
    let plain =
        |text: &str| !text.is_empty() && text.trim() == text && !text.contains(|c: char| c.is_control() && c != '\n');
    match (form, value) {
        (Form::Text, Value::String(text)) if plain(text) => Some(cells::Value::Text(text.clone())),
        (Form::Number | Form::NumberOrName, Value::Integer(number)) if number.unsigned_abs() < 1 << 53 => {
            Some(cells::Value::Number(*number as f64))
        }
        // A whole number with a point would come back without it, which says the same where a number is read.
        (Form::Number | Form::NumberOrName, Value::Float(number)) if number.is_finite() => {
            Some(cells::Value::Number(*number))
        }
        (Form::NumberOrName, Value::String(text)) if plain(text) && number_of(text).is_none() => {
            Some(cells::Value::Text(text.clone()))
        }
        (Form::Flag, Value::Boolean(flag)) => Some(cells::Value::Text(if *flag { "yes" } else { "no" }.to_owned())),
        (Form::List, Value::Array(items)) if !items.is_empty() => {
            let texts: Option<Vec<&str>> =
                items.iter().map(|item| item.as_str().filter(|text| plain(text) && !text.contains(';'))).collect();
            Some(cells::Value::Text(texts?.join("; ")))
        }
        _ => None,
    }
}

fn value_of(field: &Field, cell: &Cell) -> Result<Value, &'static str> {
    let text = cell.text();
    if matches!(cell.value, cells::Value::Fault(_)) {
        return Err("a value; the formula in this cell has none");
    }
    match field.form {
        Form::Text => Ok(Value::String(text)),
        Form::Number => number_in(cell).ok_or("a number"),
        Form::NumberOrName => Ok(number_in(cell).unwrap_or(Value::String(text))),
        Form::Flag => match text.to_lowercase().as_str() {
            "yes" | "y" | "true" | "x" | "1" => Ok(Value::Boolean(true)),
            "no" | "n" | "false" | "0" => Ok(Value::Boolean(false)),
            _ => Err("yes or no"),
        },
        Form::List => {
            let items = text.split(';').map(str::trim).filter(|item| !item.is_empty());
            Ok(Value::Array(items.map(|item| Value::String(item.to_owned())).collect()))
        }
    }
}

fn number_in(cell: &Cell) -> Option<Value> {
    match &cell.value {
        cells::Value::Number(number) => Some(whole_or_not(*number)),
        cells::Value::Text(text) => number_of(text.trim()),
        _ => None,
    }
}

/// A number as text; a comma may stand for the point, as spreadsheet programs write it in much of the world.
fn number_of(text: &str) -> Option<Value> {
    let digits = |c: char| c.is_ascii_digit() || matches!(c, '.' | ',' | '-' | '+' | 'e' | 'E');
    if !text.chars().all(digits) || !text.chars().any(|c| c.is_ascii_digit()) {
        return None;
    }
    text.replace(',', ".").parse().ok().filter(|number: &f64| number.is_finite()).map(whole_or_not)
}

fn whole_or_not(number: f64) -> Value {
    if number.fract() == 0.0 && number.abs() < (1_u64 << 53) as f64 {
        Value::Integer(number as i64)
    } else {
        Value::Float(number)
    }
}

fn put(keys: &mut Table, key: &str, value: Value) {
    match key.split_once('.') {
        Some((outer, inner)) => {
            let table = keys.entry(outer.to_owned()).or_insert_with(|| Value::Table(Table::new()));
            if let Some(table) = table.as_table_mut() {
                table.insert(inner.to_owned(), value);
            }
        }
        None => drop(keys.insert(key.to_owned(), value)),
    }
}

fn merge(into: &mut Table, from: Table) {
    for (name, value) in from {
        match (into.get_mut(&name).and_then(Value::as_table_mut), value) {
            (Some(inner), Value::Table(more)) => merge(inner, more),
            (_, value) => drop(into.insert(name, value)),
        }
    }
}

/// Gives a row that a person put in what the loader needs.
fn complete_step(keys: &mut Table, row: u32, place: &CellPlace, notes: &mut Vec<Note>) {
    let text = |keys: &Table, key: &str| keys.get(key).and_then(Value::as_str).unwrap_or_default().to_owned();
    let name = [text(keys, "name"), text(keys, "call"), text(keys, "id")].into_iter().find(|text| !text.is_empty());
    let name = name.unwrap_or_else(|| format!("row {row}"));
    let mut given = Vec::new();
    for (key, value) in [
        ("id", Some(slug(&name)).filter(|id| !id.is_empty()).unwrap_or_else(|| format!("row-{row}"))),
        ("name", name.clone()),
        ("call", format!("{}.", name.trim_end_matches('.'))),
    ] {
        if text(keys, key).is_empty() {
            given.push(format!("{key} '{value}'"));
            keys.insert(key.to_owned(), Value::String(value));
        }
    }
    if !keys.contains_key("answer") {
        given.push("the answer 'done'".to_owned());
        put(keys, "answer.kind", Value::String("done".to_owned()));
    }
    if !given.is_empty() {
        notes.push(Note::new(place.clone(), Fate::LookAt, format!("a step that was given {}", given.join(", "))));
    }
}
