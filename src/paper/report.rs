//! What the reader of a list decided, kept and could not understand, for the person to look through.

use std::fmt;

use super::cells::column_letters;

/// Where in a spreadsheet.
#[derive(Clone, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub struct CellPlace {
    /// Name of the sheet; empty where the file has only one or none has a name.
    pub sheet: String,
    /// From 1; none: the whole sheet or column.
    pub row: Option<u32>,
    /// From 0; none: the whole sheet or row.
    pub column: Option<u32>,
}

impl CellPlace {
    pub fn row(sheet: &str, row: u32) -> Self {
        Self { sheet: sheet.to_owned(), row: Some(row), column: None }
    }

    pub fn cell(sheet: &str, row: u32, column: u32) -> Self {
        Self { sheet: sheet.to_owned(), row: Some(row), column: Some(column) }
    }

    pub fn column(sheet: &str, column: u32) -> Self {
        Self { sheet: sheet.to_owned(), row: None, column: Some(column) }
    }
}

impl fmt::Display for CellPlace {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let cell = match (self.row, self.column) {
            (Some(row), Some(column)) => format!("cell {}{row}", column_letters(column)),
            (Some(row), None) => format!("row {row}"),
            (None, Some(column)) => format!("column {}", column_letters(column)),
            (None, None) => String::new(),
        };
        match (self.sheet.is_empty(), cell.is_empty()) {
            (true, _) => f.write_str(&cell),
            (false, true) => write!(f, "sheet '{}'", self.sheet),
            (false, false) => write!(f, "sheet '{}', {cell}", self.sheet),
        }
    }
}

/// What became of something in the file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Fate {
    /// Decided without being told, right as far as can be seen.
    Guessed,
    /// Not understood, and kept as a plain step.
    AsStep,
    /// Not understood or without a place in a routine, and kept as a comment beside its step.
    AsComment,
    /// Kept, and should be looked at by hand.
    LookAt,
    /// Not taken over.
    LeftOut,
}

/// One line of the report.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Note {
    pub place: CellPlace,
    pub fate: Fate,
    pub what: String,
}

impl Note {
    pub fn new(place: CellPlace, fate: Fate, what: impl Into<String>) -> Self {
        Self { place, fate, what: what.into() }
    }
}

impl fmt::Display for Note {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let place = self.place.to_string();
        // What a file brought in must not steer the terminal or break the line.
        let what = self.what.replace(char::is_control, " ");
        if place.is_empty() { f.write_str(&what) } else { write!(f, "{place}: {what}") }
    }
}

/// The report as lines, by what became of things.
pub fn lines(notes: &[Note]) -> Vec<String> {
    let mut lines = Vec::new();
    for (fate, heading) in [
        (Fate::Guessed, "Guessed:"),
        (Fate::AsStep, "Not understood, kept as a plain step:"),
        (Fate::AsComment, "Kept as a comment in the file:"),
        (Fate::LookAt, "Look at these by hand:"),
        (Fate::LeftOut, "Not taken over:"),
    ] {
        let of_fate: Vec<&Note> = notes.iter().filter(|note| note.fate == fate).collect();
        if !of_fate.is_empty() {
            lines.push(heading.to_owned());
            lines.extend(of_fate.iter().map(|note| format!("  {note}")));
        }
    }
    lines
}
