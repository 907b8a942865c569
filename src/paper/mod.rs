//! Paper, and what stands for it: lists from spreadsheets, routines as spreadsheets, a printed sheet, the page after a run.
//!
//! A spreadsheet of any kind becomes a [`cells::Grid`]. A routine becomes a [`draft::Draft`], which keeps every key of its file.
//! One of our own spreadsheets and a draft say the same ([`own_table`]); a list that somebody else made is guessed at
//! ([`columns`], [`list`]). Everything here gets bytes or values and gives bytes or values; files are opened by `app/`.

pub mod cells;
pub mod columns;
pub mod draft;
pub mod list;
pub mod own_table;
pub mod page;
pub mod read;
pub mod report;
pub mod sheet;
pub mod values;
pub mod words;
pub mod write;

mod read_book;
mod read_ods;
mod read_text;
