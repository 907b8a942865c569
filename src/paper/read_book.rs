//! Workbooks (ECMA-376 XLSX, OASIS OpenDocument ODS) to cells, by calamine.
//!
//! Cells are taken one by one, never as a full rectangle: a stray blank in the last corner of a sheet is common, and the
//! rectangle up to it would not fit into memory.

use std::collections::BTreeMap;
use std::fmt::Display;
use std::io::{Cursor, Read};

use calamine::{DataRef, Dimensions, ExcelDateTime, Reader, Sheet, SheetType, SheetVisible, Xlsx};
use zip::ZipArchive;

use super::cells::{Cell, Grid, Row, Value};
use super::read::{Book, MOST_CELLS, ReadError, ReadOptions};
use super::read_ods;
use super::report::{CellPlace, Fate, Note};

pub(super) fn read(file: &str, bytes: &[u8], how: &ReadOptions) -> Result<Book, ReadError> {
    let broken = |why: &dyn Display| broken(file, "XLSX or ODS", why);
    let mut archive = ZipArchive::new(Cursor::new(bytes)).map_err(|why| broken(&why))?;
    let mut size: u64 = 0;
    let mut names = Vec::new();
    for index in 0..archive.len() {
        let part = archive.by_index_raw(index).map_err(|why| broken(&why))?;
        size = size.saturating_add(part.size());
        names.push(part.name().map_err(|why| broken(&why))?.into_owned());
    }
    if size > MOST_UNPACKED {
        return Err(ReadError::TooBig {
            file: file.to_owned(),
            found: format!("{size} bytes when unpacked"),
            most: format!("{MOST_UNPACKED} bytes"),
        });
    }
    let has = |name: &str| names.iter().any(|found| found == name);
    if has("xl/workbook.xml") {
        let mut book = read_xlsx(file, bytes, how)?;
        if names.iter().any(|name| name.starts_with("xl/comments") || name.starts_with("xl/threadedComments")) {
            book.notes.push(remarks_lost());
        }
        return Ok(book);
    }
    let mut kind = String::new();
    if let Ok(part) = archive.by_name("mimetype") {
        // Unreadable is as good as absent: the error below says what was expected.
        let _ = part.take(200).read_to_string(&mut kind);
    }
    if kind.trim().starts_with("application/vnd.oasis.opendocument.spreadsheet") {
        return read_ods::read(file, bytes, how);
    }
    let found = if has("word/document.xml") || kind.contains("opendocument.text") {
        "a text document"
    } else {
        "an archive that holds no sheet"
    };
    Err(ReadError::Kind {
        file: file.to_owned(),
        found: found.to_owned(),
        hint: "copy the list into a spreadsheet and save that",
    })
}

fn read_xlsx(file: &str, bytes: &[u8], how: &ReadOptions) -> Result<Book, ReadError> {
    let broken = |why: &dyn Display| broken(file, "XLSX", why);
    let mut book: Xlsx<_> = Xlsx::new(Cursor::new(bytes)).map_err(|why| broken(&why))?;
    let mut notes = Vec::new();
    let mut grids = Vec::new();
    for name in chosen(file, book.sheets_metadata(), how, &mut notes)? {
        let mut rows = xlsx_cells(file, &mut book, &name)?;
        mark_bold(&mut book, &name, &mut rows).map_err(|why| broken(&why))?;
        let merged = book.merge_cells_by_sheet_name(&name).map_err(|why| broken(&why))?;
        for area in merged {
            mark_merged(&mut rows, area);
        }
        grids.push(grid(name, rows, &mut notes));
    }
    Ok(Book { grids, notes })
}

type Cells = BTreeMap<u32, BTreeMap<u32, Cell>>;

fn xlsx_cells(file: &str, book: &mut Xlsx<Cursor<&[u8]>>, name: &str) -> Result<Cells, ReadError> {
    let broken = |why: &dyn Display| broken(file, "XLSX", why);
    let mut rows = Cells::new();
    let mut cells = book.worksheet_cells_reader(name).map_err(|why| broken(&why))?;
    let mut count = 0;
    while let Some(found) = cells.next_cell_with_formula().map_err(|why| broken(&why))? {
        let Some(value) = value_of(found.value, found.formula.as_deref()) else { continue };
        count += 1;
        if count > MOST_CELLS {
            return Err(ReadError::TooBig {
                file: file.to_owned(),
                found: format!("more than {MOST_CELLS} cells on sheet '{name}'"),
                most: format!("{MOST_CELLS} cells"),
            });
        }
        let cell = Cell { formula: found.formula, ..Cell::new(value) };
        rows.entry(found.pos.0).or_default().insert(found.pos.1, cell);
    }
    Ok(rows)
}

fn mark_bold(book: &mut Xlsx<Cursor<&[u8]>>, name: &str, rows: &mut Cells) -> Result<(), calamine::XlsxError> {
    let mut cells = book.worksheet_cells_reader(name)?;
    while let Some((row, column, style)) = cells.next_style_id()? {
        let bold = cells.styles().get(style).and_then(|style| style.font.as_ref()).is_some_and(|font| font.is_bold());
        if let Some(cell) = rows.get_mut(&row).and_then(|cells| cells.get_mut(&column)) {
            cell.bold = bold;
        }
    }
    Ok(())
}

fn mark_merged(rows: &mut Cells, area: Dimensions) {
    if let Some(cell) = rows.get_mut(&area.start.0).and_then(|cells| cells.get_mut(&area.start.1)) {
        let length = |from: u32, to: u32| to.saturating_sub(from).saturating_add(1);
        cell.span = (length(area.start.0, area.end.0), length(area.start.1, area.end.1));
    }
}

/// The rows that hold something, with a note for each cell that a spreadsheet program could not make sense of.
pub(super) fn grid(name: String, rows: Cells, notes: &mut Vec<Note>) -> Grid {
    let mut kept = Vec::new();
    for (row, cells) in rows {
        let cells: BTreeMap<u32, Cell> = cells.into_iter().filter(|(_, cell)| !cell.text().is_empty()).collect();
        for (column, cell) in &cells {
            if let Value::Fault(text) = &cell.value {
                let what = match &cell.formula {
                    Some(formula) if text.starts_with('=') => format!(
                        "a formula that was never reckoned, '={formula}'; open the file in a spreadsheet program and save it"
                    ),
                    _ => format!("a formula with the fault {text}"),
                };
                notes.push(Note::new(CellPlace::cell(&name, row + 1, *column), Fate::LeftOut, what));
            }
        }
        if !cells.is_empty() {
            kept.push(Row { number: row + 1, cells });
        }
    }
    Grid { name, rows: kept }
}

/// The sheets to read, in order: the one that was asked for, or all that are not hidden.
pub(super) fn chosen(
    file: &str,
    sheets: &[Sheet],
    how: &ReadOptions,
    notes: &mut Vec<Note>,
) -> Result<Vec<String>, ReadError> {
    let tables = || sheets.iter().filter(|sheet| sheet.typ == SheetType::WorkSheet);
    if let Some(wanted) = &how.sheet {
        return match tables().find(|sheet| sheet.name == *wanted) {
            Some(sheet) => Ok(vec![sheet.name.clone()]),
            None => Err(ReadError::NoSuchSheet {
                file: file.to_owned(),
                wanted: wanted.clone(),
                known: tables().map(|sheet| format!("'{}'", sheet.name)).collect::<Vec<_>>().join(", "),
            }),
        };
    }
    for sheet in sheets {
        let place = CellPlace { sheet: sheet.name.clone(), ..CellPlace::default() };
        if sheet.typ != SheetType::WorkSheet {
            notes.push(Note::new(place, Fate::LeftOut, "a sheet that is no table"));
        } else if sheet.visible != SheetVisible::Visible {
            notes.push(Note::new(place, Fate::LeftOut, "a hidden sheet; to read it, name it with --sheet"));
        }
    }
    Ok(tables().filter(|sheet| sheet.visible == SheetVisible::Visible).map(|sheet| sheet.name.clone()).collect())
}

pub(super) fn value_of(data: DataRef<'_>, formula: Option<&str>) -> Option<Value> {
    Some(match data {
        DataRef::Empty => match formula {
            Some(formula) if !formula.is_empty() => Value::Fault(format!("={formula}")),
            _ => return None,
        },
        DataRef::String(text) => Value::Text(text),
        DataRef::SharedString(text) => Value::Text(text.to_owned()),
        DataRef::Int(number) => Value::Number(number as f64),
        DataRef::Float(number) => Value::Number(number),
        DataRef::Bool(truth) => Value::Truth(truth),
        DataRef::DateTime(moment) => moment_of(moment),
        DataRef::DateTimeIso(text) => Value::Date(text),
        DataRef::DurationIso(text) => minutes_of_iso(&text).map_or(Value::Text(text), Value::Time),
        DataRef::Error(fault) => Value::Fault(fault.to_string()),
    })
}

/// A serial number below one day is a time of day or a span, whatever its format calls it.
fn moment_of(moment: ExcelDateTime) -> Value {
    let days = moment.as_f64();
    if moment.is_duration() || (0.0..1.0).contains(&days) {
        return Value::Time(days * 24.0 * 60.0);
    }
    let (year, month, day, hour, minute, second, _) = moment.to_ymd_hms_milli();
    let date = format!("{year:04}-{month:02}-{day:02}");
    Value::Date(if (hour, minute, second) == (0, 0, 0) {
        date
    } else {
        format!("{date}T{hour:02}:{minute:02}:{second:02}")
    })
}

/// Minutes of an ISO 8601 duration of days and less, such as PT00H05M00S (ODF 1.3 part 3, 19.385).
fn minutes_of_iso(text: &str) -> Option<f64> {
    let mut minutes = 0.0;
    let mut number = String::new();
    let mut in_time = false;
    for letter in text.strip_prefix('P')?.chars() {
        let of_unit = match (letter, in_time) {
            ('T', false) => {
                in_time = true;
                continue;
            }
            ('0'..='9' | '.', _) => {
                number.push(letter);
                continue;
            }
            ('D', false) => 24.0 * 60.0,
            ('H', true) => 60.0,
            ('M', true) => 1.0,
            ('S', true) => 1.0 / 60.0,
            _ => return None,
        };
        minutes += number.parse::<f64>().ok()? * of_unit;
        number.clear();
    }
    number.is_empty().then_some(minutes)
}

pub(super) fn remarks_lost() -> Note {
    Note::new(
        CellPlace::default(),
        Fate::LeftOut,
        "remarks that hang on cells (comments); copy what matters into a column",
    )
}

pub(super) fn broken(file: &str, kind: &'static str, why: &dyn Display) -> ReadError {
    // Causes come from parsers and may hold bytes of the file.
    let found = format!("'{why}'").replace(char::is_control, " ");
    ReadError::Broken { file: file.to_owned(), kind, found }
}

/// A workbook with a list in it unpacks to less than a tenth of this.
const MOST_UNPACKED: u64 = 256 << 20;

#[cfg(test)]
mod tests {
    use super::*;
    use calamine::ExcelDateTimeType;
    use rstest::rstest;

    // Forms of ISO 8601 as LibreOffice writes them.
    #[rstest]
    #[case("PT00H05M00S", Some(5.0))]
    #[case("PT01H30M30S", Some(90.5))]
    #[case("P1DT0H", Some(1440.0))]
    #[case("P1M", None)]
    #[case("five", None)]
    fn a_span_of_time_is_read_in_minutes(#[case] text: &str, #[case] minutes: Option<f64>) {
        assert_eq!(minutes_of_iso(text), minutes);
    }

    // 45943.541 is 2025/10/13 12:59:02.400: the worked example of the ECMA-376 serial date in calamine's documentation.
    #[test]
    fn a_serial_number_is_a_date_and_a_part_of_a_day_a_time() {
        let of = |days| moment_of(ExcelDateTime::new(days, ExcelDateTimeType::DateTime, false));
        assert_eq!(of(45943.541), Value::Date("2025-10-13T12:59:02".to_owned()));
        assert_eq!(of(5.0 / 1440.0), Value::Time(5.0));
    }
}
