//! A spreadsheet's cells, whatever file they came from.

use std::collections::BTreeMap;
use std::fmt;

/// One sheet: its rows that hold something, in order.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Grid {
    /// Name of the sheet; empty where the file has none.
    pub name: String,
    pub rows: Vec<Row>,
}

/// A row that holds something.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Row {
    /// As a spreadsheet program counts it, from 1.
    pub number: u32,
    /// Cells by column, from 0; none of them is blank.
    pub cells: BTreeMap<u32, Cell>,
}

impl Row {
    /// What the cell in this column shows; empty where there is none.
    pub fn text(&self, column: u32) -> String {
        self.cells.get(&column).map(Cell::text).unwrap_or_default()
    }
}

/// A cell that holds something.
#[derive(Clone, Debug, PartialEq)]
pub struct Cell {
    pub value: Value,
    /// The formula that gave the value, without its equals sign.
    pub formula: Option<String>,
    pub bold: bool,
    /// Rows and columns that this cell is merged over, each 1 or more.
    pub span: (u32, u32),
}

impl Cell {
    pub fn new(value: Value) -> Self {
        Self { value, formula: None, bold: false, span: (1, 1) }
    }

    /// The value as text, as a person would write it; blanks at both ends taken off.
    pub fn text(&self) -> String {
        self.value.to_string().trim().to_owned()
    }
}

/// What a cell holds.
#[derive(Clone, Debug, PartialEq)]
pub enum Value {
    Text(String),
    Number(f64),
    /// A day, with a time of day or without, as ISO 8601.
    Date(String),
    /// A span or a time of day, in minutes.
    Time(f64),
    Truth(bool),
    /// What a spreadsheet program shows instead of a value (`#REF!`), or a formula that has no value yet.
    Fault(String),
}

impl fmt::Display for Value {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Text(text) | Self::Date(text) | Self::Fault(text) => f.write_str(text),
            // The shortest form that reads back as the same number: 5, 0.5, 1e300.
            Self::Number(number) => write!(f, "{number}"),
            Self::Time(minutes) => {
                let seconds = (minutes * 60.0).round() as i64;
                let (hours, rest) = (seconds / 3600, seconds % 3600);
                write!(f, "{hours}:{:02}", rest / 60)?;
                if rest % 60 != 0 { write!(f, ":{:02}", rest % 60) } else { Ok(()) }
            }
            Self::Truth(true) => f.write_str("yes"),
            Self::Truth(false) => f.write_str("no"),
        }
    }
}

/// The letters of a column, counted from 0: A, B, ... Z, AA.
pub fn column_letters(column: u32) -> String {
    let (mut left, mut letters) = (u64::from(column) + 1, Vec::new());
    while left > 0 {
        letters.push(char::from(b'A' + ((left - 1) % 26) as u8));
        left = (left - 1) / 26;
    }
    letters.iter().rev().collect()
}

/// The column that these letters name; none where they name none that a spreadsheet can have.
pub fn column_of_letters(letters: &str) -> Option<u32> {
    if letters.is_empty() || letters.len() > 3 {
        return None;
    }
    let mut column = 0;
    for letter in letters.chars() {
        let value = letter.to_ascii_uppercase();
        if !value.is_ascii_uppercase() {
            return None;
        }
        column = column * 26 + (value as u32 - 'A' as u32 + 1);
    }
    Some(column - 1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    // Column names as ECMA-376 part 1, 18.3.1.4 (cell references) counts them.
    #[rstest]
    #[case(0, "A")]
    #[case(25, "Z")]
    #[case(26, "AA")]
    #[case(701, "ZZ")]
    #[case(702, "AAA")]
    #[case(16_383, "XFD")]
    fn columns_are_named_as_spreadsheet_programs_name_them(#[case] column: u32, #[case] letters: &str) {
        assert_eq!(column_letters(column), letters);
        assert_eq!(column_of_letters(&letters.to_lowercase()), Some(column));
    }

    #[rstest]
    #[case(Value::Number(5.0), "5")]
    #[case(Value::Number(0.5), "0.5")]
    #[case(Value::Time(5.0), "0:05")]
    #[case(Value::Time(90.5), "1:30:30")]
    #[case(Value::Truth(true), "yes")]
    fn a_value_reads_as_a_person_writes_it(#[case] value: Value, #[case] text: &str) {
        assert_eq!(value.to_string(), text);
    }
}
