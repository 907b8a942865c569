//! OpenDocument spreadsheets to cells: values by calamine, what it does not tell (merged cells, bold, remarks) by a look at the XML.
//!
//! The look comes first and reads to the end: calamine would wait for ever on a part that breaks off.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Display;
use std::io::{BufReader, Cursor};

use calamine::{Data, Ods, Reader as _};
use quick_xml::events::{BytesStart, Event};
use quick_xml::{Reader, XmlVersion};
use zip::ZipArchive;

use super::cells::Cell;
use super::read::{Book, MOST_CELLS, ReadError, ReadOptions};
use super::read_book::{broken, chosen, grid, remarks_lost, value_of};

pub(super) fn read(file: &str, bytes: &[u8], how: &ReadOptions) -> Result<Book, ReadError> {
    let broken = |why: &dyn Display| broken(file, "ODS", why);
    let look = look(bytes).map_err(|why| broken(&why))?;
    for (name, looks) in &look.sheets {
        let area = u64::from(looks.last.0 + 1) * u64::from(looks.last.1 + 1);
        if area > 4 * MOST_CELLS as u64 {
            return Err(ReadError::TooBig {
                file: file.to_owned(),
                found: format!("cells spread over {area} places on sheet '{name}'"),
                most: format!("{}", 4 * MOST_CELLS),
            });
        }
    }
    let mut book: Ods<_> = Ods::new(Cursor::new(bytes)).map_err(|why| broken(&why))?;
    let mut notes = Vec::new();
    let mut grids = Vec::new();
    for name in chosen(file, book.sheets_metadata(), how, &mut notes)? {
        let values = book.worksheet_range(&name).map_err(|why| broken(&why))?;
        let formulas = book.worksheet_formula(&name).map_err(|why| broken(&why))?;
        let mut rows: BTreeMap<u32, BTreeMap<u32, Cell>> = BTreeMap::new();
        let (top, left) = values.start().unwrap_or_default();
        for (row, column, data) in values.used_cells() {
            let position = (top + row as u32, left + column as u32);
            let formula = formulas.get_value(position).filter(|text| !text.is_empty());
            let formula = formula.map(|text| text.trim_start_matches("of:").trim_start_matches('=').to_owned());
            let Some(value) = value_of(data_ref(data), formula.as_deref()) else { continue };
            let of_sheet = look.sheets.get(&name);
            let cell = Cell {
                formula,
                bold: of_sheet.is_some_and(|looks| looks.bold.contains(&position)),
                span: of_sheet.and_then(|looks| looks.spans.get(&position).copied()).unwrap_or((1, 1)),
                ..Cell::new(value)
            };
            rows.entry(position.0).or_default().insert(position.1, cell);
        }
        grids.push(grid(name, rows, &mut notes));
    }
    if look.remarks {
        notes.push(remarks_lost());
    }
    Ok(Book { grids, notes })
}

fn data_ref(data: &Data) -> calamine::DataRef<'_> {
    use calamine::DataRef;
    match data {
        Data::Int(number) => DataRef::Int(*number),
        Data::Float(number) => DataRef::Float(*number),
        Data::String(text) => DataRef::SharedString(text),
        Data::Bool(truth) => DataRef::Bool(*truth),
        Data::DateTime(moment) => DataRef::DateTime(*moment),
        Data::DateTimeIso(text) => DataRef::DateTimeIso(text.clone()),
        Data::DurationIso(text) => DataRef::DurationIso(text.clone()),
        Data::Error(fault) => DataRef::Error(fault.clone()),
        Data::Empty => DataRef::Empty,
    }
}

#[derive(Default)]
struct Look {
    sheets: BTreeMap<String, SheetLook>,
    /// Whether cells carry remarks.
    remarks: bool,
}

#[derive(Default)]
struct SheetLook {
    bold: BTreeSet<(u32, u32)>,
    spans: BTreeMap<(u32, u32), (u32, u32)>,
    /// The last row and column that hold something.
    last: (u32, u32),
}

fn look(bytes: &[u8]) -> Result<Look, String> {
    let mut archive = ZipArchive::new(Cursor::new(bytes)).map_err(|why| why.to_string())?;
    let part = archive.by_name("content.xml").map_err(|why| why.to_string())?;
    let mut reader = Reader::from_reader(BufReader::new(part));
    reader.config_mut().expand_empty_elements = true;
    let mut look = Look::default();
    let mut bold_styles = BTreeSet::new();
    let (mut style, mut sheet) = (String::new(), None::<(String, SheetLook)>);
    let (mut row, mut rows, mut column) = (0_u32, 1_u32, 0_u32);
    let mut depth = 0_u32;
    let mut buffer = Vec::new();
    loop {
        buffer.clear();
        match reader.read_event_into(&mut buffer).map_err(|why| why.to_string())? {
            Event::Start(tag) => {
                depth += 1;
                match tag.name().as_ref() {
                    "style:style" => style = text_of(&tag, "style:name")?.unwrap_or_default(),
                    "style:text-properties" => {
                        let weight = text_of(&tag, "fo:font-weight")?;
                        if weight.is_some_and(|weight| weight == "bold" || weight.parse().is_ok_and(|w: u32| w >= 600))
                        {
                            bold_styles.insert(style.clone());
                        }
                    }
                    "office:annotation" => look.remarks = true,
                    "table:table" => {
                        sheet = text_of(&tag, "table:name")?.map(|name| (name, SheetLook::default()));
                        row = 0;
                    }
                    "table:table-row" => {
                        rows = number_of(&tag, "table:number-rows-repeated")?;
                        column = 0;
                    }
                    "table:table-cell" | "table:covered-table-cell" => {
                        let repeats = number_of(&tag, "table:number-columns-repeated")?;
                        let holds =
                            text_of(&tag, "office:value-type")?.is_some() || text_of(&tag, "table:formula")?.is_some();
                        if let Some((_, looks)) = sheet.as_mut().filter(|_| holds) {
                            let end = |from: u32, length: u32| from.saturating_add(length).saturating_sub(1);
                            looks.last.0 = looks.last.0.max(end(row, rows));
                            looks.last.1 = looks.last.1.max(end(column, repeats));
                            if text_of(&tag, "table:style-name")?.is_some_and(|name| bold_styles.contains(&name)) {
                                looks.bold.insert((row, column));
                            }
                            let down = number_of(&tag, "table:number-rows-spanned")?;
                            let across = number_of(&tag, "table:number-columns-spanned")?;
                            if (down, across) != (1, 1) {
                                looks.spans.insert((row, column), (down, across));
                            }
                        }
                        column = column.saturating_add(repeats);
                    }
                    _ => {}
                }
            }
            Event::End(tag) => {
                depth = depth.saturating_sub(1);
                match tag.name().as_ref() {
                    "table:table-row" => row = row.saturating_add(rows),
                    "table:table" => look.sheets.extend(sheet.take()),
                    _ => {}
                }
            }
            Event::Eof if depth > 0 => return Err("content.xml breaks off".to_owned()),
            Event::Eof => return Ok(look),
            _ => {}
        }
    }
}

fn text_of(tag: &BytesStart<'_>, name: &str) -> Result<Option<String>, String> {
    match tag.try_get_attribute(name).map_err(|why| why.to_string())? {
        Some(found) => {
            let text = found.normalized_value(XmlVersion::Implicit1_0).map_err(|why| why.to_string())?;
            Ok(Some(text.into_owned()))
        }
        None => Ok(None),
    }
}

/// A count of 1 or more; 1 where none is written.
fn number_of(tag: &BytesStart<'_>, name: &str) -> Result<u32, String> {
    match text_of(tag, name)? {
        Some(text) => {
            text.parse().map(|number: u32| number.max(1)).map_err(|_| format!("{name} is '{text}', no count"))
        }
        None => Ok(1),
    }
}
