//! Tables of our own to files: CSV (RFC 4180), XLSX (ECMA-376), ODS (OpenDocument 1.3).

use std::io::{Cursor, Write};

use rust_xlsxwriter::{Color, Format, FormatAlign, FormatBorder, Workbook, XlsxError};
use thiserror::Error;
use zip::CompressionMethod;
use zip::write::{SimpleFileOptions, ZipWriter};

use super::cells::{Grid, Value, column_letters};

/// The kinds of file that a table can be written as.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    Csv,
    Xlsx,
    Ods,
}

/// Why a table cannot be written.
#[derive(Debug, Error)]
pub enum WriteError {
    #[error(
        "cell {cell}: found {found} characters, expected at most {most}, which is all that a cell of XLSX holds; shorten it, or hand the routine out as CSV or ODS"
    )]
    TooLong { cell: String, found: usize, most: usize },
    #[error(
        "cell {cell}: found a character that a workbook cannot hold ({found}); take it out, or hand the routine out as CSV"
    )]
    Character { cell: String, found: String },
    #[error("the workbook cannot be made")]
    Xlsx(#[from] XlsxError),
    #[error("the archive cannot be made")]
    Archive(#[from] zip::result::ZipError),
    #[error("the table cannot be written")]
    Io(#[from] std::io::Error),
}

/// The bytes of a file with this table; `title` names its sheet.
///
/// # Errors
/// A cell is longer than the kind of file allows, or holds what it cannot.
pub fn write(grid: &Grid, title: &str, kind: Kind) -> Result<Vec<u8>, WriteError> {
    match kind {
        Kind::Csv => csv_bytes(grid),
        Kind::Xlsx => xlsx_bytes(grid, title),
        Kind::Ods => ods_bytes(grid, title),
    }
}

/// With a mark at the front, without which common spreadsheet programs take UTF-8 for an old code page.
fn csv_bytes(grid: &Grid) -> Result<Vec<u8>, WriteError> {
    let mut bytes = "\u{FEFF}".as_bytes().to_vec();
    let width = width(grid);
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(&mut bytes);
    for row in &grid.rows {
        let cell = |column| row.cells.get(&column).map(|cell| guarded(&cell.value)).unwrap_or_default();
        writer.write_record((0..width).map(cell)).map_err(|why| std::io::Error::other(why.to_string()))?;
    }
    writer.flush()?;
    drop(writer);
    Ok(bytes)
}

/// A spreadsheet program takes a text that begins like a formula for one, and would run it: an apostrophe goes before it.
fn guarded(value: &Value) -> String {
    let text = value.to_string();
    if matches!(value, Value::Text(_)) && looks_like_formula(&text) { format!("'{text}") } else { text }
}

/// What [`guarded`] put before a text taken off again.
pub fn unguarded(text: &str) -> &str {
    text.strip_prefix('\'').filter(|rest| looks_like_formula(rest)).unwrap_or(text)
}

fn looks_like_formula(text: &str) -> bool {
    text.trim_start_matches('\'').starts_with(['=', '+', '-', '@', '\t', '\r'])
}

fn xlsx_bytes(grid: &Grid, title: &str) -> Result<Vec<u8>, WriteError> {
    check_characters(grid)?;
    let plain = Format::new().set_text_wrap().set_align(FormatAlign::Top);
    let part = plain.clone().set_bold().set_background_color(Color::RGB(0xE4_E4_E4));
    let heading = part.clone().set_border_bottom(FormatBorder::Medium);
    let mut book = Workbook::new();
    // Equal routines give equal files: the time of writing is no part of them.
    let epoch = rust_xlsxwriter::ExcelDateTime::from_ymd(2000, 1, 1)?;
    book.set_properties(&rust_xlsxwriter::DocProperties::new().set_title(title).set_creation_datetime(&epoch));
    let sheet = book.add_worksheet();
    sheet.set_name(sheet_name(title))?;
    let width = width(grid);
    for (number, row) in grid.rows.iter().enumerate() {
        let at = row.number - 1;
        let of_step = number > 0 && row.text(0) == "step";
        let format = if number == 0 {
            &heading
        } else if of_step {
            &plain
        } else {
            &part
        };
        for column in 0..width {
            let column_16 = u16::try_from(column).unwrap_or(u16::MAX);
            match row.cells.get(&column).map(|cell| &cell.value) {
                Some(Value::Number(number)) => drop(sheet.write_number_with_format(at, column_16, *number, format)?),
                Some(value) => {
                    let text = value.to_string();
                    let found = text.encode_utf16().count();
                    if found > MOST_IN_CELL {
                        let cell = format!("{}{}", column_letters(column), row.number);
                        return Err(WriteError::TooLong { cell, found, most: MOST_IN_CELL });
                    }
                    sheet.write_string_with_format(at, column_16, text, format)?;
                }
                None if of_step => {}
                None => drop(sheet.write_blank(at, column_16, format)?),
            }
        }
    }
    for column in 0..width {
        let longest = grid.rows.iter().map(|row| row.text(column).chars().count()).max().unwrap_or(0);
        sheet.set_column_width(u16::try_from(column).unwrap_or(u16::MAX), (longest as f64 + 2.0).clamp(8.0, 44.0))?;
    }
    // Part, id and name stay in sight.
    sheet.set_freeze_panes(1, 3)?;
    sheet.set_repeat_rows(0, 0)?;
    sheet.set_landscape();
    Ok(book.save_to_buffer()?)
}

/// The name of a sheet: at most 31 characters, without `[ ] : * ? / \` and without an apostrophe at either end.
fn sheet_name(title: &str) -> String {
    let name: String =
        title.chars().map(|c| if "[]:*?/\\".contains(c) || c.is_control() { ' ' } else { c }).take(31).collect();
    let name = name.trim_matches(|c: char| c == '\'' || c.is_whitespace());
    if name.is_empty() { "routine".to_owned() } else { name.to_owned() }
}

/// A package as OpenDocument 1.3 part 2 lays it out: the media type first and not compressed, a manifest, the content.
fn ods_bytes(grid: &Grid, title: &str) -> Result<Vec<u8>, WriteError> {
    check_characters(grid)?;
    let mut archive = ZipWriter::new(Cursor::new(Vec::new()));
    let stored = SimpleFileOptions::default().compression_method(CompressionMethod::Stored);
    let packed = SimpleFileOptions::default().compression_method(CompressionMethod::Deflated);
    archive.start_file("mimetype", stored)?;
    archive.write_all(MEDIA_TYPE.as_bytes())?;
    archive.start_file("META-INF/manifest.xml", packed)?;
    archive.write_all(manifest().as_bytes())?;
    archive.start_file("content.xml", packed)?;
    archive.write_all(content(grid, title).as_bytes())?;
    Ok(archive.finish()?.into_inner())
}

fn manifest() -> String {
    format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<manifest:manifest xmlns:manifest=\"{NAMES}:manifest:1.0\" \
         manifest:version=\"1.3\"><manifest:file-entry manifest:full-path=\"/\" manifest:version=\"1.3\" \
         manifest:media-type=\"{MEDIA_TYPE}\"/><manifest:file-entry manifest:full-path=\"content.xml\" \
         manifest:media-type=\"text/xml\"/></manifest:manifest>"
    )
}

fn content(grid: &Grid, title: &str) -> String {
    let width = width(grid);
    let mut xml = format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<office:document-content xmlns:office=\"{NAMES}:office:1.0\" \
         xmlns:table=\"{NAMES}:table:1.0\" xmlns:text=\"{NAMES}:text:1.0\" xmlns:style=\"{NAMES}:style:1.0\" \
         xmlns:fo=\"{NAMES}:xsl-fo-compatible:1.0\" office:version=\"1.3\"><office:automatic-styles>"
    );
    // One style a width: columns are as wide as what they hold, in steps of a centimetre.
    let widths: Vec<usize> = (0..width)
        .map(|column| {
            let longest = grid.rows.iter().map(|row| row.text(column).chars().count()).max().unwrap_or(0);
            (longest / 5 + 1).clamp(2, 8)
        })
        .collect();
    for centimetres in 2..=8 {
        xml += &format!(
            "<style:style style:name=\"w{centimetres}\" style:family=\"table-column\"><style:table-column-properties \
             style:column-width=\"{centimetres}cm\"/></style:style>"
        );
    }
    for (name, weight, fill) in [("step", "normal", "transparent"), ("part", "bold", "#e4e4e4")] {
        xml += &format!(
            "<style:style style:name=\"{name}\" style:family=\"table-cell\"><style:table-cell-properties \
             fo:wrap-option=\"wrap\" style:vertical-align=\"top\" fo:background-color=\"{fill}\"/>\
             <style:text-properties fo:font-weight=\"{weight}\"/></style:style>"
        );
    }
    xml += &format!(
        "</office:automatic-styles><office:body><office:spreadsheet><table:table table:name=\"{}\">",
        escaped(&sheet_name(title))
    );
    for centimetres in widths {
        xml += &format!("<table:table-column table:style-name=\"w{centimetres}\"/>");
    }
    for (number, row) in grid.rows.iter().enumerate() {
        let style = if number > 0 && row.text(0) == "step" { "step" } else { "part" };
        xml += "<table:table-row>";
        for column in 0..width {
            match row.cells.get(&column).map(|cell| &cell.value) {
                Some(Value::Number(number)) => {
                    xml += &format!(
                        "<table:table-cell table:style-name=\"{style}\" office:value-type=\"float\" \
                         office:value=\"{number}\"><text:p>{number}</text:p></table:table-cell>"
                    );
                }
                Some(value) => {
                    xml += &format!("<table:table-cell table:style-name=\"{style}\" office:value-type=\"string\">");
                    // Paragraphs are the lines of a cell; blanks in a row would be read as one.
                    for line in value.to_string().split('\n') {
                        xml += &format!("<text:p>{}</text:p>", spaced(&escaped(line)));
                    }
                    xml += "</table:table-cell>";
                }
                None => xml += &format!("<table:table-cell table:style-name=\"{style}\"/>"),
            }
        }
        xml += "</table:table-row>";
    }
    xml += "</table:table></office:spreadsheet></office:body></office:document-content>";
    xml
}

fn escaped(text: &str) -> String {
    quick_xml::escape::escape(text).into_owned()
}

/// A blank at the start of a line or after a blank is written as the element that stands for it (ODF 1.3 part 3, 6.1.2).
fn spaced(line: &str) -> String {
    let (mut text, mut after_blank) = (String::new(), true);
    for letter in line.chars() {
        match letter {
            ' ' if after_blank => text += "<text:s/>",
            '\t' => text += "<text:tab/>",
            letter => text.push(letter),
        }
        after_blank = letter == ' ';
    }
    text
}

/// XML 1.0 has no way to write most control characters.
fn check_characters(grid: &Grid) -> Result<(), WriteError> {
    for row in &grid.rows {
        for (column, cell) in &row.cells {
            let text = cell.value.to_string();
            let bad = text
                .chars()
                .find(|&c| (c.is_control() && c != '\n' && c != '\t') || matches!(c, '\u{FFFE}' | '\u{FFFF}'));
            if let Some(bad) = bad {
                let cell = format!("{}{}", column_letters(*column), row.number);
                return Err(WriteError::Character { cell, found: format!("{bad:?}") });
            }
        }
    }
    Ok(())
}

fn width(grid: &Grid) -> u32 {
    grid.rows.iter().filter_map(|row| row.cells.keys().max()).max().map_or(0, |last| last + 1)
}

const MOST_IN_CELL: usize = 32_767;
const MEDIA_TYPE: &str = "application/vnd.oasis.opendocument.spreadsheet";
const NAMES: &str = "urn:oasis:names:tc:opendocument:xmlns";

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn a_guarded_text_reads_back_and_never_begins_like_a_formula(text in "['=+@a\\t-]{0,6}") {
            let guarded = guarded(&Value::Text(text.clone()));
            prop_assert!(!guarded.starts_with(['=', '+', '-', '@', '\t', '\r']));
            prop_assert_eq!(unguarded(&guarded), text);
        }
    }

    #[test]
    fn a_title_makes_a_name_that_spreadsheet_programs_take() {
        assert_eq!(sheet_name("'tanks / hoses: all of it, before the road'"), "tanks   hoses  all of it, befo");
        assert_eq!(sheet_name("[?]"), "routine");
    }
}
