//! Damaged and hostile files: an error that says what is wrong, never a panic, never a wait without end.

use std::io::{Cursor, Write};

use proptest::prelude::*;
use rstest::rstest;
use sparehand::paper::draft::Draft;
use sparehand::paper::own_table::to_grid;
use sparehand::paper::read::{ReadError, ReadOptions, read};
use sparehand::paper::write::{Kind, write};
use sparehand::setup::prompts::ROUTINES;
use zip::ZipWriter;
use zip::write::SimpleFileOptions;

use crate::readers::tables::{PARTS, bring_in, with_part};

fn samples() -> Vec<Vec<u8>> {
    let (name, text) = ROUTINES[0];
    let grid = to_grid(&Draft::parse(name, text).unwrap());
    [Kind::Csv, Kind::Xlsx, Kind::Ods].map(|kind| write(&grid, name, kind).unwrap()).to_vec()
}

fn mutated(mut bytes: Vec<u8>, changes: &[(prop::sample::Index, u8)], cut: Option<prop::sample::Index>) -> Vec<u8> {
    for (place, byte) in changes {
        let place = place.index(bytes.len());
        bytes[place] = *byte;
    }
    if let Some(cut) = cut {
        bytes.truncate(cut.index(bytes.len()));
    }
    bytes
}

fn changes() -> impl Strategy<Value = Vec<(prop::sample::Index, u8)>> {
    prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 0..12)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 150, ..ProptestConfig::default() })]

    #[test]
    fn mutated_files_end_in_a_routine_or_an_error(
        which in 0_usize..3,
        changes in changes(),
        cut in prop::option::of(any::<prop::sample::Index>()),
    ) {
        if let Err(why) = bring_in(&mutated(samples()[which].clone(), &changes, cut)) {
            prop_assert!(why.contains("found") && why.contains("expected") || why.contains("cannot be read"), "{}", why);
            prop_assert!(!why.contains('\u{0}'), "{:?}", why);
        }
    }

    #[test]
    fn mutated_parts_of_workbooks_end_in_a_routine_or_an_error(
        part in prop::sample::select(PARTS.to_vec()),
        changes in changes(),
        cut in prop::option::of(any::<prop::sample::Index>()),
    ) {
        let sample = if part.0 == Kind::Xlsx { 1 } else { 2 };
        let bytes = with_part(&samples()[sample], part.1, |bytes| mutated(bytes, &changes, cut));
        // Whether it ends is the question; what it ends with is not.
        let _ = bring_in(&bytes);
    }

    #[test]
    fn any_text_at_all_is_a_list_or_an_error(text in "([ -~äß☐✓•;,\t\"]{0,30}\n){0,12}") {
        let _ = bring_in(text.as_bytes());
    }

    #[test]
    fn any_bytes_at_all_are_a_list_or_an_error(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
        let _ = bring_in(&bytes);
    }
}

#[test]
fn a_part_that_breaks_off_is_an_error_and_no_wait() {
    let samples = samples();
    for (sample, part) in [(1, "xl/worksheets/sheet1.xml"), (2, "content.xml")] {
        for share in [3, 5, 9] {
            let bytes = with_part(&samples[sample], part, |bytes| bytes[..bytes.len() * share / 10].to_vec());
            assert!(
                matches!(read("list", &bytes, &ReadOptions::default()), Err(ReadError::Broken { .. })),
                "{part} {share}"
            );
        }
    }
}

#[rstest]
#[case("A1", "XFD1048576")]
#[case("C3", "A1048576")]
fn a_stray_cell_in_the_last_corner_costs_nothing(#[case] first: &str, #[case] last: &str) {
    let rows = |cell: &str| cell.trim_start_matches(char::is_alphabetic).to_owned();
    let sheet = format!(
        "<?xml version=\"1.0\"?><worksheet xmlns=\"x\"><sheetData><row r=\"{}\"><c r=\"{first}\" t=\"str\"><v>Cap off</v></c></row>\
         <row r=\"{}\"><c r=\"{last}\" t=\"str\"><v>stray</v></c></row></sheetData></worksheet>",
        rows(first),
        rows(last)
    );
    let bytes = with_part(&samples()[1], "xl/worksheets/sheet1.xml", |_| sheet.clone().into_bytes());
    let book = read("list.xlsx", &bytes, &ReadOptions::default()).unwrap();
    assert_eq!(book.grids[0].rows.iter().map(|row| row.cells.len()).collect::<Vec<_>>(), [1, 1]);
    bring_in(&bytes).unwrap();
}

#[test]
fn a_sheet_that_repeats_itself_without_end_is_refused() {
    let bytes = with_part(&samples()[2], "content.xml", |bytes| {
        let text = String::from_utf8(bytes).unwrap();
        text.replacen("<table:table-row>", "<table:table-row table:number-rows-repeated=\"1000000\">", 1).into_bytes()
    });
    let error = read("list.ods", &bytes, &ReadOptions::default()).unwrap_err().to_string();
    assert!(error.starts_with("list.ods: found cells spread over"), "{error}");
}

#[test]
fn another_archive_is_told_from_a_workbook() {
    let mut archive = ZipWriter::new(Cursor::new(Vec::new()));
    archive.start_file("holiday.txt", SimpleFileOptions::default()).unwrap();
    archive.write_all(b"sun").unwrap();
    let error = read("list.xlsx", &archive.finish().unwrap().into_inner(), &ReadOptions::default()).unwrap_err();
    assert_eq!(
        error.to_string(),
        "list.xlsx: found an archive that holds no sheet, expected a list as CSV, XLSX or ODS; copy the list into a spreadsheet and \
         save that"
    );
}
