//! Text with separators (RFC 4180 and its many relatives) to cells: encoding and separator are found out, not assumed.

use std::collections::BTreeMap;

use chardetng::{EncodingDetector, Iso2022JpDetection, Utf8Detection};
use encoding_rs::{Encoding, UTF_8, UTF_16BE, UTF_16LE};

use super::cells::{Cell, Grid, Row, Value};
use super::read::{Book, MOST_CELLS, ReadError, ReadOptions};
use super::report::{CellPlace, Fate, Note};

pub(super) fn read(file: &str, bytes: &[u8], how: &ReadOptions) -> Result<Book, ReadError> {
    let mut notes = Vec::new();
    let text = decode(file, bytes, how, &mut notes)?;
    if text.contains('\0') {
        return Err(ReadError::Kind {
            file: file.to_owned(),
            found: "bytes that are no text".to_owned(),
            hint: "save the list as CSV, XLSX or ODS",
        });
    }
    let (text, told, skipped) = told_separator(&text);
    let separator = match how.separator.or(told) {
        Some(separator) => separator,
        None => guess_separator(text),
    };
    if !separator.is_ascii() {
        return Err(ReadError::Kind {
            file: file.to_owned(),
            found: format!("'{separator}' as what stands between cells"),
            hint: "name one of: , ; | or a tab",
        });
    }
    let quoted = records(text, separator, true);
    let rows = if ends_inside_quotes(text, separator) {
        notes.push(Note::new(
            CellPlace::default(),
            Fate::LookAt,
            "a quotation mark is not closed; quotation marks were read as plain signs",
        ));
        records(text, separator, false)
    } else {
        quoted
    };
    let cells: usize = rows.iter().map(|row| row.cells.len()).sum();
    if cells > MOST_CELLS {
        return Err(ReadError::TooBig {
            file: file.to_owned(),
            found: format!("{cells} cells"),
            most: format!("{MOST_CELLS} cells"),
        });
    }
    let rows = rows.into_iter().map(|row| Row { number: row.number + skipped, ..row }).collect();
    Ok(Book { grids: vec![Grid { name: String::new(), rows }], notes })
}

fn decode(file: &str, bytes: &[u8], how: &ReadOptions, notes: &mut Vec<Note>) -> Result<String, ReadError> {
    let guessed = |notes: &mut Vec<Note>, encoding: &'static Encoding| {
        let what = format!(
            "read as {}; if letters look wrong, name the encoding with --encoding",
            encoding.name().to_lowercase()
        );
        notes.push(Note::new(CellPlace::default(), Fate::Guessed, what));
        encoding
    };
    let encoding = if let Some(wanted) = &how.encoding {
        Encoding::for_label(wanted.as_bytes())
            .ok_or_else(|| ReadError::NoSuchEncoding { file: file.to_owned(), wanted: wanted.clone() })?
    } else if let Some((encoding, _)) = Encoding::for_bom(bytes) {
        encoding
    } else if let Some(encoding) = utf_16_without_mark(bytes) {
        guessed(notes, encoding)
    } else if std::str::from_utf8(bytes).is_ok() {
        UTF_8
    } else {
        let mut detector = EncodingDetector::new(Iso2022JpDetection::Deny);
        detector.feed(bytes, true);
        guessed(notes, detector.guess(None, Utf8Detection::Deny))
    };
    // The mark of the byte order is taken off here, and wins over a name that was given.
    let (text, _, broken) = encoding.decode(bytes);
    if broken {
        notes.push(Note::new(
            CellPlace::default(),
            Fate::LookAt,
            format!("some bytes are no {}; they show as \u{FFFD}", encoding.name().to_lowercase()),
        ));
    }
    Ok(text.into_owned())
}

/// Latin text in 16-bit units has a zero in every second byte.
fn utf_16_without_mark(bytes: &[u8]) -> Option<&'static Encoding> {
    let head = &bytes[..bytes.len().min(4096) & !1];
    let zeros = |from: usize| head.iter().skip(from).step_by(2).filter(|&&byte| byte == 0).count();
    let half = head.len() / 2;
    match (zeros(0), zeros(1)) {
        (0, odd) if half > 0 && odd * 10 >= half * 7 => Some(UTF_16LE),
        (even, 0) if half > 0 && even * 10 >= half * 7 => Some(UTF_16BE),
        _ => None,
    }
}

/// A first line `sep=;`, as some spreadsheet programs write it, names the separator and is no row. Also says how many rows it took.
fn told_separator(text: &str) -> (&str, Option<char>, u32) {
    let (line, rest) = text.split_once('\n').unwrap_or((text, ""));
    let line = line.trim_end_matches('\r').trim_matches('"');
    match line.get(..4).filter(|start| start.eq_ignore_ascii_case("sep=")).and_then(|_| line[4..].chars().next()) {
        Some(separator) if line[4..].chars().count() == 1 => (rest, Some(separator), 1),
        _ => (text, None, 0),
    }
}

/// The separator that gives the most rows of the same width, wider before narrower.
fn guess_separator(text: &str) -> char {
    let mut best = (0.0, ',');
    for separator in [',', ';', '\t', '|'] {
        let mut widths: Vec<usize> = reader(text, separator, true)
            .records()
            .take(ROWS_LOOKED_AT)
            .flatten()
            .map(|record| record.len())
            .filter(|&width| width > 1)
            .collect();
        let rows = reader(text, separator, true).records().take(ROWS_LOOKED_AT).flatten().count();
        widths.sort_unstable();
        let most_frequent = widths.chunk_by(|a, b| a == b).max_by_key(|same| (same.len(), same[0]));
        let Some(same) = most_frequent else { continue };
        let score = same.len() as f64 / rows as f64 + 0.001 * same[0].min(50) as f64;
        if score > best.0 {
            best = (score, separator);
        }
    }
    best.1
}

fn reader(text: &str, separator: char, quoting: bool) -> csv::Reader<&[u8]> {
    csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .quoting(quoting)
        .delimiter(separator as u8)
        .from_reader(text.as_bytes())
}

/// Whether a quoted cell goes on to the very end. Only a mark at the beginning of a cell opens one (RFC 4180, section 2).
fn ends_inside_quotes(text: &str, separator: char) -> bool {
    let (mut inside, mut begins) = (false, true);
    let mut signs = text.chars().peekable();
    while let Some(sign) = signs.next() {
        match sign {
            '"' if inside && signs.peek() == Some(&'"') => {
                signs.next();
            }
            '"' if inside => inside = false,
            '"' if begins => inside = true,
            _ => {}
        }
        begins = !inside && (sign == separator || sign == '\n' || sign == '\r');
    }
    inside
}

/// Rows with something in them. Blank lines count, lines inside a quoted cell do not, as spreadsheet programs number rows.
fn records(text: &str, separator: char, quoting: bool) -> Vec<Row> {
    let mut rows = Vec::new();
    let (mut number, mut from) = (0, 0);
    let mut reader = reader(text, separator, quoting);
    let mut record = csv::StringRecord::new();
    // What is already decoded cannot fail to be UTF-8, and rows may be of any width.
    while let Ok(true) = reader.read_record(&mut record) {
        let to = usize::try_from(reader.position().byte()).unwrap_or(text.len()).min(text.len());
        number += 1 + blank_lines(text.as_bytes(), from, to);
        from = to;
        let cells: BTreeMap<u32, Cell> = (0..)
            .zip(record.iter())
            .filter(|(_, text)| !text.trim().is_empty())
            .map(|(column, text)| (column, Cell::new(Value::Text(text.to_owned()))))
            .collect();
        if !cells.is_empty() {
            rows.push(Row { number, cells });
        }
    }
    rows
}

/// How many empty lines the reader passed over at `from`. Of a line end in two signs the second may still stand there.
fn blank_lines(text: &[u8], mut from: usize, to: usize) -> u32 {
    if from > 0 && text[from - 1] == b'\r' && text.get(from) == Some(&b'\n') {
        from += 1;
    }
    let mut lines = 0;
    while from < to {
        from += match &text[from..to] {
            [b'\r', b'\n', ..] => 2,
            [b'\r' | b'\n', ..] => 1,
            _ => break,
        };
        lines += 1;
    }
    lines
}

const ROWS_LOOKED_AT: usize = 200;

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    fn texts(bytes: &[u8]) -> Vec<(u32, Vec<String>)> {
        let book = read("list.csv", bytes, &ReadOptions::default()).unwrap();
        book.grids[0].rows.iter().map(|row| (row.number, row.cells.values().map(Cell::text).collect())).collect()
    }

    fn utf_16(text: &str, little: bool, mark: bool) -> Vec<u8> {
        let units = mark.then_some(0xFEFF).into_iter().chain(text.encode_utf16());
        units.flat_map(|unit: u16| if little { unit.to_le_bytes() } else { unit.to_be_bytes() }).collect()
    }

    #[rstest]
    #[case::comma(b"Step,Where\nCap off,left\n".to_vec())]
    #[case::semicolon(b"Step;Where\nCap off;left\n".to_vec())]
    #[case::tab(b"Step\tWhere\r\nCap off\tleft\r\n".to_vec())]
    #[case::bar(b"Step|Where\nCap off|left\n".to_vec())]
    #[case::mark(b"\xEF\xBB\xBFStep,Where\nCap off,left".to_vec())]
    #[case::utf_16_with_mark(utf_16("Step,Where\nCap off,left\n", true, true))]
    #[case::utf_16_big(utf_16("Step,Where\nCap off,left\n", false, true))]
    #[case::utf_16_bare(utf_16("Step,Where\nCap off,left\n", true, false))]
    #[case::old_line_ends(b"Step,Where\rCap off,left\r".to_vec())]
    fn whatever_separates_and_encodes_the_cells_are_the_same(#[case] bytes: Vec<u8>) {
        let expected = [(1, vec!["Step", "Where"]), (2, vec!["Cap off", "left"])];
        let expected = expected.map(|(row, cells)| (row, cells.into_iter().map(str::to_owned).collect()));
        assert_eq!(texts(&bytes), expected);
    }

    // The examples of RFC 4180, section 2, items 5 to 7.
    #[rstest]
    #[case("\"aaa\",\"bbb\",\"ccc\"\r\nzzz,yyy,xxx", vec![vec!["aaa", "bbb", "ccc"], vec!["zzz", "yyy", "xxx"]])]
    #[case("\"aaa\",\"b\r\nbb\",\"ccc\"\r\nzzz,yyy,xxx", vec![vec!["aaa", "b\r\nbb", "ccc"], vec!["zzz", "yyy", "xxx"]])]
    #[case("\"aaa\",\"b\"\"bb\",\"ccc\"", vec![vec!["aaa", "b\"bb", "ccc"]])]
    fn quoted_cells_are_read_as_rfc_4180_says(#[case] text: &str, #[case] expected: Vec<Vec<&str>>) {
        let found: Vec<Vec<String>> = texts(text.as_bytes()).into_iter().map(|(_, cells)| cells).collect();
        assert_eq!(found, expected);
    }

    #[test]
    fn a_comma_in_the_words_does_not_make_a_list_with_semicolons_wider() {
        let found = texts(b"Step;Where\nCap off, slowly;left\nTap shut, hose soft, ends capped;right\n");
        assert_eq!(found[2].1, ["Tap shut, hose soft, ends capped", "right"]);
    }

    #[test]
    fn umlauts_of_an_old_code_page_are_read_and_the_guess_is_told() {
        let text = "Aufgabe;Ort\nKlappe schließen;außen\nSchläuche spülen;außen\n";
        let (bytes, _, _) = encoding_rs::WINDOWS_1252.encode(text);
        let book = read("list.csv", &bytes, &ReadOptions::default()).unwrap();
        assert_eq!(book.grids[0].rows[1].text(0), "Klappe schließen");
        assert!(book.notes[0].what.starts_with("read as windows-1252"), "{:?}", book.notes);
    }

    #[test]
    fn rows_are_counted_as_a_spreadsheet_shows_them() {
        let rows: Vec<u32> =
            texts(b"Step,Where\n\nA,\"two\nlines\"\n,\nB,left\n\n\nC,right\n").iter().map(|row| row.0).collect();
        assert_eq!(rows, [1, 3, 5, 8]);
    }

    #[test]
    fn a_quotation_mark_that_nobody_closed_does_not_swallow_the_rest() {
        let found = texts(b"Step,Where\nHose of 3/4\" off,left\n\"Tap shut,right\nCap on,left\nLid shut,left\n");
        assert_eq!(found.len(), 5);
        let found = texts(b"Step,Where\n\"Tap shut,right\nCap on,left\n");
        assert_eq!(found.len(), 3);
    }

    #[test]
    fn a_line_that_names_the_separator_is_no_row() {
        assert_eq!(texts(b"sep=;\nStep;Where\nA,B;left\n")[1], (3, vec!["A,B".to_owned(), "left".to_owned()]));
    }

    #[test]
    fn bytes_that_are_no_text_are_refused() {
        let error = read("list.csv", &[1, 0, 0, 7, 0, 3, 200], &ReadOptions::default()).unwrap_err();
        assert_eq!(
            error.to_string(),
            "list.csv: found bytes that are no text, expected a list as CSV, XLSX or ODS; save the list as CSV, XLSX or ODS"
        );
    }
}
