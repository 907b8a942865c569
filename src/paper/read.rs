//! Bytes of a spreadsheet file to its sheets: CSV, XLSX and ODS, told apart by what is in them and not by their name.

use thiserror::Error;

use super::cells::{Grid, Value};
use super::report::Note;
use super::{own_table, read_book, read_text, write};

/// What a file held.
#[derive(Clone, Debug, PartialEq)]
pub struct Book {
    /// Sheets that hold something, in the file's order.
    pub grids: Vec<Grid>,
    /// What had to be decided while reading, and what could not be read.
    pub notes: Vec<Note>,
}

/// How a file is to be read where it does not say so itself.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ReadOptions {
    /// Name of the encoding of a CSV file (as the WHATWG Encoding Standard names them); none: found out.
    pub encoding: Option<String>,
    /// What stands between the cells of a CSV file; none: found out.
    pub separator: Option<char>,
    /// Only the sheet of this name; none: every sheet that is not hidden.
    pub sheet: Option<String>,
}

/// Why a file cannot be read.
#[derive(Debug, Error, PartialEq, Eq)]
pub enum ReadError {
    #[error("{file}: found {found}, expected a list as CSV, XLSX or ODS; {hint}")]
    Kind { file: String, found: String, hint: &'static str },
    #[error("{file}: cannot be read as {kind}, found {found}; open it in a spreadsheet program and save it anew")]
    Broken { file: String, kind: &'static str, found: String },
    #[error("{file}: found {found}, expected at most {most}; take out what does not belong to the list")]
    TooBig { file: String, found: String, most: String },
    #[error("{file}: found no cell with anything in it{which}, expected a list")]
    Empty { file: String, which: String },
    #[error("{file}: found no sheet named '{wanted}', expected one of: {known}")]
    NoSuchSheet { file: String, wanted: String, known: String },
    #[error(
        "{file}: found no encoding named '{wanted}', expected a name such as utf-8, windows-1252, iso-8859-2 or utf-16le"
    )]
    NoSuchEncoding { file: String, wanted: String },
}

/// Reads a spreadsheet. `file` is only used in errors; `bytes` is its content.
///
/// # Errors
/// It is none of the three kinds, is damaged, empty, or larger than any list that a person works through.
pub fn read(file: &str, bytes: &[u8], how: &ReadOptions) -> Result<Book, ReadError> {
    if bytes.len() > MOST_BYTES {
        return Err(ReadError::TooBig {
            file: file.to_owned(),
            found: format!("{} bytes", bytes.len()),
            most: format!("{MOST_BYTES} bytes"),
        });
    }
    let kind = |found: &str, hint| Err(ReadError::Kind { file: file.to_owned(), found: found.to_owned(), hint });
    let mut book = if bytes.starts_with(b"PK\x03\x04") {
        read_book::read(file, bytes, how)?
    } else if bytes.starts_with(&[0xD0, 0xCF, 0x11, 0xE0]) {
        return kind(
            "a workbook of the older kind, or one that is locked with a password",
            "save it as XLSX, without a password",
        );
    } else if bytes.starts_with(b"%PDF") {
        return kind("a PDF file", "save the list itself as CSV, XLSX or ODS");
    } else if bytes.starts_with(b"{\\rtf") {
        return kind("a text document", "copy its table into a spreadsheet and save that");
    } else {
        let mut book = read_text::read(file, bytes, how)?;
        book.grids.iter_mut().filter(|grid| own_table::is_own(grid)).for_each(unguard);
        book
    };
    book.grids.retain(|grid| !grid.rows.is_empty());
    if book.grids.is_empty() {
        let which = how.sheet.as_ref().map_or_else(String::new, |sheet| format!(" on sheet '{sheet}'"));
        return Err(ReadError::Empty { file: file.to_owned(), which });
    }
    let rows: usize = book.grids.iter().map(|grid| grid.rows.len()).sum();
    if rows > MOST_ROWS {
        return Err(ReadError::TooBig {
            file: file.to_owned(),
            found: format!("{rows} rows"),
            most: format!("{MOST_ROWS} rows"),
        });
    }
    Ok(book)
}

/// Takes off what was put before texts that a spreadsheet program would run.
fn unguard(grid: &mut Grid) {
    for cell in grid.rows.iter_mut().flat_map(|row| row.cells.values_mut()) {
        if let Value::Text(text) = &mut cell.value {
            *text = write::unguarded(text).to_owned();
        }
    }
}

/// Far above any list of a household, and far below what would fill the memory of a small machine.
pub(super) const MOST_BYTES: usize = 32 << 20;
pub(super) const MOST_ROWS: usize = 20_000;
pub(super) const MOST_CELLS: usize = 400_000;
