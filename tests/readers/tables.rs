//! Lists and routines in spreadsheets.

use std::io::{Cursor, Read, Write};
use std::sync::OnceLock;

use sparehand::paper::columns::guess;
use sparehand::paper::draft::Draft;
use sparehand::paper::list::{self, Naming};
use sparehand::paper::own_table::{is_own, to_draft, to_grid};
use sparehand::paper::read::{ReadOptions, read};
use sparehand::paper::words::PaperWords;
use sparehand::paper::write::{Kind, write};
use sparehand::rig::Rig;
use sparehand::routine::load;
use toml::{Table, Value};
use zip::write::SimpleFileOptions;
use zip::{ZipArchive, ZipWriter};

/// A spreadsheet file of any kind.
pub fn table(bytes: &[u8]) {
    if let Err(error) = bring_in(bytes) {
        assert!(error.starts_with("list"), "{error}");
    }
}

/// One part of a workbook: the first byte says which, the rest is what is in it. Packed anew, so that its checksum is right.
pub fn workbook(bytes: &[u8]) {
    let Some((which, content)) = bytes.split_first() else { return };
    let (kind, part) = PARTS[usize::from(*which) % PARTS.len()];
    table(&with_part(whole(kind), part, |_| content.to_vec()));
}

/// A workbook of this kind as the program writes it.
fn whole(kind: Kind) -> &'static [u8] {
    static XLSX: OnceLock<Vec<u8>> = OnceLock::new();
    static ODS: OnceLock<Vec<u8>> = OnceLock::new();
    let made = if kind == Kind::Xlsx { &XLSX } else { &ODS };
    made.get_or_init(|| {
        let draft = Draft::parse("sample.toml", SAMPLE).expect("it is one");
        write(&to_grid(&draft), "sample", kind).expect("it can be written")
    })
}

/// Everything that bringing in does with bytes. A list of any kind must end in a routine that loads, or in an error.
pub fn bring_in(bytes: &[u8]) -> Result<(), String> {
    let book = read("list", bytes, &ReadOptions::default()).map_err(|why| why.to_string())?;
    let mut notes = Vec::new();
    if let Some(own) = book.grids.iter().find(|grid| is_own(grid)) {
        let draft = to_draft("list", own, &mut notes).map_err(|why| why.to_string())?;
        comes_back(&draft);
        return load("list.toml", &draft.to_toml(), &Rig::default()).map(drop).map_err(|why| why.to_string());
    }
    let words = words();
    let sheets: Vec<_> = book
        .grids
        .into_iter()
        .map(|grid| {
            let layout = guess(&grid, &words, None);
            (grid, layout)
        })
        .collect();
    let naming = Naming { id: "list".to_owned(), title: "list".to_owned() };
    let text = list::to_draft(&sheets, &naming, &words, &mut notes).to_toml();
    // Not an error of the list: whatever the list is, what is made of it must load.
    load("list.toml", &text, &Rig::default()).unwrap_or_else(|why| panic!("{why}\n{text}"));
    Ok(())
}

/// A routine that came from a spreadsheet is the same after another one, where it can be written as one.
fn comes_back(draft: &Draft) {
    for (kind, file) in [(Kind::Csv, "again.csv"), (Kind::Xlsx, "again.xlsx"), (Kind::Ods, "again.ods")] {
        // A character or a length that this kind of file cannot hold.
        let Ok(bytes) = write(&to_grid(draft), "again", kind) else { continue };
        let book = read(file, &bytes, &ReadOptions::default()).unwrap_or_else(|why| panic!("{why}"));
        let back = to_draft(file, &book.grids[0], &mut Vec::new()).unwrap_or_else(|why| panic!("{why}"));
        assert_eq!(comparable(&back), comparable(draft), "{file}");
    }
}

/// Every key of a draft, so that it can be compared.
pub fn comparable(draft: &Draft) -> Value {
    let table = |keys: &Table| plain(&Value::Table(keys.clone()));
    let sections = draft.sections.iter().map(|section| {
        let steps = section.steps.iter().map(|step| table(&step.keys)).collect();
        Value::Array(vec![table(&section.keys), Value::Array(steps)])
    });
    Value::Array(std::iter::once(table(&draft.keys)).chain(sections).collect())
}

/// Whole numbers that are written with a point come back without it; both mean the same where a number is read.
pub fn plain(value: &Value) -> Value {
    match value {
        Value::Float(number) if number.fract() == 0.0 => Value::Integer(*number as i64),
        // Not equal to itself, and yet the same in a file.
        Value::Float(number) if number.is_nan() => Value::String("nan".to_owned()),
        Value::Array(items) => Value::Array(items.iter().map(plain).collect()),
        Value::Table(table) => Value::Table(table.iter().map(|(key, value)| (key.clone(), plain(value))).collect()),
        other => other.clone(),
    }
}

/// The archive with one of its parts changed, packed anew so that its checksum is right.
pub fn with_part(archive: &[u8], part: &str, change: impl Fn(Vec<u8>) -> Vec<u8>) -> Vec<u8> {
    let mut from = ZipArchive::new(Cursor::new(archive)).unwrap();
    let mut to = ZipWriter::new(Cursor::new(Vec::new()));
    for index in 0..from.len() {
        let mut entry = from.by_index(index).unwrap();
        let name = entry.name().unwrap().into_owned();
        let mut bytes = Vec::new();
        entry.read_to_end(&mut bytes).unwrap();
        to.start_file(&name, SimpleFileOptions::default()).unwrap();
        to.write_all(&if name == part { change(bytes) } else { bytes }).unwrap();
    }
    to.finish().unwrap().into_inner()
}

fn words() -> PaperWords {
    PaperWords::parse("paper.toml", include_str!("../../prompts/phrases/paper.toml")).unwrap()
}

/// The parts of workbooks that are read.
pub const PARTS: [(Kind, &str); 9] = [
    (Kind::Xlsx, "xl/worksheets/sheet1.xml"),
    (Kind::Xlsx, "xl/sharedStrings.xml"),
    (Kind::Xlsx, "xl/styles.xml"),
    (Kind::Xlsx, "xl/workbook.xml"),
    (Kind::Xlsx, "[Content_Types].xml"),
    (Kind::Xlsx, "xl/_rels/workbook.xml.rels"),
    (Kind::Ods, "content.xml"),
    (Kind::Ods, "mimetype"),
    (Kind::Ods, "META-INF/manifest.xml"),
];

const SAMPLE: &str = "id = 'sample'\ntitle = 'a sample'\n[[section]]\nid = 'one'\ntitle = 'one'\n[[section.step]]\nid = 'cap'\nname = 'cap'\ncall = 'Take the cap off.'\nminutes = 2\nanswer = { kind = 'done' }\n";
