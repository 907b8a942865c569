//! Somebody's own list to a draft of a routine. Nothing in it is lost: what is not understood becomes a plain step or a comment, and
//! is told.

use std::collections::{BTreeMap, BTreeSet};

use toml::{Table, Value};

use super::cells::{self, Cell, Grid, Row, column_letters};
use super::columns::{ColumnMeaning, Layout};
use super::draft::{Draft, DraftSection, DraftStep};
use super::report::{CellPlace, Fate, Note};
use super::values::{self, Minutes};
use super::words::PaperWords;

/// What the routine is called.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Naming {
    pub id: String,
    pub title: String,
}

/// Makes a draft of the sheets of a list, each with how it is laid out.
pub fn to_draft(sheets: &[(Grid, Layout)], naming: &Naming, words: &PaperWords, notes: &mut Vec<Note>) -> Draft {
    let mut builder =
        Builder { words, notes, sections: Vec::new(), remarks: Vec::new(), waiting: Vec::new(), ids: BTreeSet::new() };
    for (grid, layout) in sheets {
        let sheet_title = (sheets.len() > 1).then_some(grid.name.as_str());
        builder.sheet(&without_faults(grid), layout, sheet_title);
    }
    builder.finish(naming)
}

struct Builder<'a> {
    words: &'a PaperWords,
    notes: &'a mut Vec<Note>,
    sections: Vec<DraftSection>,
    /// Comments on the whole.
    remarks: Vec<String>,
    /// Comments for the next section.
    waiting: Vec<String>,
    ids: BTreeSet<String>,
}

/// What a row is.
enum Kind {
    Heading(String),
    Step,
    /// More words for the step above.
    More,
    /// The headings once more.
    Repeated,
}

impl Builder<'_> {
    fn sheet(&mut self, grid: &Grid, layout: &Layout, title: Option<&str>) {
        if let Some(title) = title {
            self.open_section(title);
        }
        for (index, column) in &layout.columns {
            let what = match column.meaning {
                ColumnMeaning::Tick => "marks of one use of the list",
                ColumnMeaning::Number => "numbers of rows",
                _ => continue,
            };
            let place = CellPlace::column(&grid.name, *index);
            let heading = if column.heading.is_empty() {
                String::new()
            } else {
                format!(" '{}'", values::one_line(&column.heading))
            };
            self.notes.push(Note::new(place, Fate::LeftOut, format!("{what}{heading}")));
        }
        let body: Vec<&Row> =
            grid.rows.iter().filter(|row| layout.heading_row.is_none_or(|heading| row.number > heading)).collect();
        for row in grid.rows.iter().filter(|row| layout.heading_row.is_some_and(|heading| row.number < heading)) {
            let text = joined(row.cells.values());
            self.remarks.push(text.clone());
            self.notes.push(Note::new(
                CellPlace::row(&grid.name, row.number),
                Fate::AsComment,
                format!("above the headings: '{text}'"),
            ));
        }
        let wide = is_wide(&body, layout);
        let mut carried: BTreeMap<u32, (String, u32)> = BTreeMap::new();
        let mut section_before = String::new();
        for (position, row) in body.iter().enumerate() {
            carry_down(row, layout, &mut carried);
            let place = CellPlace::row(&grid.name, row.number);
            let alone_before = position == 0 || body[position - 1].number + 1 < row.number;
            match self.kind_of(row, body.get(position + 1).copied(), layout, wide, alone_before) {
                Kind::Repeated => self.notes.push(Note::new(place, Fate::LeftOut, "the headings once more")),
                Kind::Heading(text) => {
                    self.notes.push(Note::new(place, Fate::Guessed, format!("'{text}' is the heading of a section")));
                    section_before.clear();
                    self.open_section(&text);
                }
                Kind::More => self.more(row, layout, &grid.name),
                Kind::Step => {
                    let section = layout
                        .column(ColumnMeaning::Section)
                        .map(|column| text_of(row, column, &carried))
                        .unwrap_or_default();
                    if !section.is_empty() && section != section_before {
                        self.open_section(&section);
                        section_before = section;
                    }
                    self.step(row, layout, &grid.name, &carried);
                }
            }
        }
    }

    fn kind_of(&self, row: &Row, next: Option<&Row>, layout: &Layout, wide: bool, alone_before: bool) -> Kind {
        let content: Vec<(u32, &Cell)> = row
            .cells
            .iter()
            .filter(|(index, _)| !matches!(meaning(layout, **index), Some(ColumnMeaning::Number | ColumnMeaning::Tick)))
            .map(|(index, cell)| (*index, cell))
            .collect();
        let same_as_heading = |(index, cell): &(u32, &Cell)| {
            layout.columns.get(index).is_some_and(|column| !column.heading.is_empty() && column.heading == cell.text())
        };
        if layout.heading_row.is_some() && !content.is_empty() && content.iter().all(same_as_heading) {
            return Kind::Repeated;
        }
        let [(index, cell)] = content[..] else { return Kind::Step };
        let text = values::one_line(&cell.text());
        let heading = text.trim_end_matches(':').trim_start_matches('#').trim().to_owned();
        let meaning = meaning(layout, index);
        if heading.is_empty() {
            return Kind::Step;
        }
        if meaning == Some(ColumnMeaning::Section) {
            return Kind::Heading(heading);
        }
        let step_column = layout.column(ColumnMeaning::Step);
        let no_step = step_column.is_none_or(|column| !row.cells.contains_key(&column));
        let shouted = text.chars().filter(|c| c.is_alphabetic()).count() >= 3 && !text.chars().any(char::is_lowercase);
        let marked = text.ends_with(':') || text.starts_with('#') || cell.span.1 > 1;
        let bulleted = values::without_bullet(&text) != text;
        if bulleted || text.split_whitespace().count() > MOST_WORDS_OF_HEADING {
            return if no_step && self.has_step() { Kind::More } else { Kind::Step };
        }
        // A bold step among plain ones is common; bold alone says nothing unless it stands apart or over rows with more in them.
        let next_fuller = next.is_some_and(|next| next.cells.len() > row.cells.len());
        let over_rows = wide && next_fuller;
        if marked || shouted || over_rows || (cell.bold && alone_before && next.is_some_and(|next| !is_bold(next))) {
            return Kind::Heading(heading);
        }
        if no_step
            && self.has_step()
            && matches!(
                meaning,
                Some(ColumnMeaning::How | ColumnMeaning::Caution | ColumnMeaning::Check | ColumnMeaning::Remark)
            )
        {
            return Kind::More;
        }
        Kind::Step
    }

    fn has_step(&self) -> bool {
        self.sections.last().is_some_and(|section| !section.steps.is_empty())
    }

    /// A section with this title; one that got no step before gives its title to the comments of the next.
    fn open_section(&mut self, title: &str) {
        let title = values::one_line(title);
        if self.sections.last().is_some_and(|last| last.steps.is_empty()) {
            let empty = self.sections.pop().unwrap_or_default();
            let kept = empty.keys.get("title").and_then(Value::as_str).unwrap_or_default().to_owned();
            self.waiting.extend(empty.remark.lines().map(str::to_owned));
            self.waiting.push(kept);
        }
        let id = self.free_id(&title, "section");
        let remark = std::mem::take(&mut self.waiting).join("\n");
        let keys = Table::from_iter([("id".to_owned(), Value::String(id)), ("title".to_owned(), Value::String(title))]);
        self.sections.push(DraftSection { remark, keys, steps: Vec::new() });
    }

    /// The words of the step in this row, and the cells that are in them besides; `None` where there are none.
    fn text_of_step(
        &mut self,
        row: &Row,
        layout: &Layout,
        place: &CellPlace,
        carried: &BTreeMap<u32, (String, u32)>,
    ) -> Option<(String, BTreeSet<u32>)> {
        let raw = layout.column(ColumnMeaning::Step).map(|column| text_of(row, column, carried)).unwrap_or_default();
        let text = values::one_line(values::without_bullet(&raw));
        if !text.is_empty() {
            return Some((text, BTreeSet::new()));
        }
        // No words where the step should be: the row as a whole is the step, so that none of it is lost.
        let text = joined(row.cells.iter().filter(|(index, _)| !is_dropped(layout, **index)).map(|(_, cell)| cell));
        if text.is_empty() {
            let what = format!("a row with marks or numbers only: '{}'", joined(row.cells.values()));
            self.notes.push(Note::new(place.clone(), Fate::LeftOut, what));
            return None;
        }
        let what = format!("no words in the column of the steps: '{text}'");
        self.notes.push(Note::new(place.clone(), Fate::AsStep, what));
        Some((text, row.cells.keys().copied().collect()))
    }

    fn step(&mut self, row: &Row, layout: &Layout, sheet: &str, carried: &BTreeMap<u32, (String, u32)>) {
        if self.sections.is_empty() {
            let title = self.words.list.first_section.clone();
            self.open_section(&title);
        }
        let place = CellPlace::row(sheet, row.number);
        let Some((text, told_as_text)) = self.text_of_step(row, layout, &place, carried) else { return };
        let mut step = DraftStep { row: Some(row.number), ..DraftStep::default() };
        let mut remarks = Vec::new();
        for (&index, column) in &layout.columns {
            if told_as_text.contains(&index) {
                continue;
            }
            let found = text_of(row, index, carried);
            if found.is_empty() {
                continue;
            }
            let at = CellPlace::cell(sheet, row.number, index);
            let label =
                if column.heading.is_empty() { column_letters(index) } else { values::one_line(&column.heading) };
            let found = values::one_line(&found);
            match column.meaning {
                ColumnMeaning::Section | ColumnMeaning::Step | ColumnMeaning::Tick | ColumnMeaning::Number => {}
                ColumnMeaning::Where => put(&mut step.keys, "where", &found),
                ColumnMeaning::Caution => append(&mut step.keys, "caution", &found),
                ColumnMeaning::How => append(&mut step.keys, "how", &found),
                ColumnMeaning::Check => append(&mut step.keys, "check", &found),
                ColumnMeaning::Remark => remarks.push(format!("{label}: {found}")),
                ColumnMeaning::Who => match self.role_of(&found) {
                    Some(role) => put(&mut step.keys, "role", &role),
                    None => {
                        remarks.push(format!("{label}: {found}"));
                        self.notes.push(Note::new(
                            at,
                            Fate::AsComment,
                            format!("'{found}' as who does it, expected a role: {}", self.roles()),
                        ));
                    }
                },
                ColumnMeaning::Minutes => {
                    let value =
                        row.cells.get(&index).map_or(cells::Value::Text(found.clone()), |cell| cell.value.clone());
                    if let Some((fate, what)) = put_found_minutes(&mut step.keys, &value, &found) {
                        remarks.push(format!("{label}: {found}"));
                        self.notes.push(Note::new(at, fate, what));
                    }
                }
            }
        }
        for (index, cell) in row.cells.iter().filter(|(index, _)| !layout.columns.contains_key(index)) {
            remarks.push(format!("{}: {}", column_letters(*index), values::one_line(&cell.text())));
            self.notes.push(Note::new(
                CellPlace::cell(sheet, row.number, *index),
                Fate::AsComment,
                "a cell outside the columns",
            ));
        }
        self.words_of(&mut step, &text, &place);
        step.remark = remarks.join("\n");
        if let Some(section) = self.sections.last_mut() {
            section.steps.push(step);
        }
    }

    /// Name, call, id and answer of a step with these words.
    fn words_of(&mut self, step: &mut DraftStep, text: &str, place: &CellPlace) {
        if text.contains(['{', '}']) {
            self.notes.push(Note::new(
                place.clone(),
                Fate::LookAt,
                "braces became round brackets: they stand for numbers of the rig",
            ));
        }
        let bare = text.trim_end_matches(['.', ';', ',', ':']);
        let call = self.words.list.call.replace("{step}", bare);
        if call.split_whitespace().count() > MOST_WORDS_OF_CALL {
            let caution = step.keys.get("caution").and_then(Value::as_str).unwrap_or_default();
            let whole = format!("{caution} {text}").trim().to_owned();
            put(&mut step.keys, "caution", &whole);
            put(&mut step.keys, "call", &self.words.list.long_call);
            let what = "too many words for one breath, so all of it is said before the call; make steps of it";
            self.notes.push(Note::new(place.clone(), Fate::LookAt, what));
        } else {
            put(&mut step.keys, "call", &call);
        }
        put(&mut step.keys, "name", &values::first_words(bare, WORDS_OF_NAME));
        let fallback = format!("row-{}", place.row.unwrap_or_default());
        let id = self.free_id(&values::first_words(bare, WORDS_OF_NAME), &fallback);
        put(&mut step.keys, "id", &id);
        step.keys.insert("answer".to_owned(), answer("done"));
    }

    /// A row that says more about the step above it.
    fn more(&mut self, row: &Row, layout: &Layout, sheet: &str) {
        let Some(step) = self.sections.last_mut().and_then(|section| section.steps.last_mut()) else { return };
        for (index, cell) in row.cells.iter().filter(|(index, _)| !is_dropped(layout, **index)) {
            let text = values::one_line(&cell.text());
            match meaning(layout, *index) {
                Some(ColumnMeaning::How) => append(&mut step.keys, "how", &text),
                Some(ColumnMeaning::Caution) => append(&mut step.keys, "caution", &text),
                Some(ColumnMeaning::Check) => append(&mut step.keys, "check", &text),
                _ => step.remark = format!("{}\n{text}", step.remark).trim().to_owned(),
            }
            let what = format!("'{}' goes on with the step above", values::first_words(&text, 8));
            self.notes.push(Note::new(CellPlace::cell(sheet, row.number, *index), Fate::Guessed, what));
        }
    }

    fn roles(&self) -> String {
        self.words.roles.keys().map(String::as_str).collect::<Vec<_>>().join(", ")
    }

    fn role_of(&self, text: &str) -> Option<String> {
        let plain = text.trim().to_lowercase();
        self.words.roles.iter().find(|(_, known)| known.contains(&plain)).map(|(role, _)| role.clone())
    }

    /// An id that no section and no step has.
    fn free_id(&mut self, text: &str, fallback: &str) -> String {
        let base = Some(values::slug(text)).filter(|slug| !slug.is_empty()).unwrap_or_else(|| fallback.to_owned());
        let numbered = (2..).map(|number: u32| format!("{base}-{number}"));
        let id = std::iter::once(base.clone()).chain(numbered).find(|id| !self.ids.contains(id)).unwrap_or(base);
        self.ids.insert(id.clone());
        id
    }

    fn finish(mut self, naming: &Naming) -> Draft {
        let list = &self.words.list;
        let fill = |text: &str| text.replace("{title}", &naming.title);
        let (gate_section, gate_name, gate_call) =
            (list.gate_section.clone(), list.gate_name.clone(), list.gate_call.clone());
        let keys = Table::from_iter([
            ("id".to_owned(), Value::String(naming.id.clone())),
            ("title".to_owned(), Value::String(naming.title.clone())),
            ("intro".to_owned(), Value::String(first_large(&fill(&list.intro)))),
            ("complete".to_owned(), Value::String(first_large(&fill(&list.complete)))),
        ]);
        self.open_section(&gate_section);
        let mut gate = DraftStep::default();
        let id = self.free_id("gate", "gate");
        put(&mut gate.keys, "id", &id);
        put(&mut gate.keys, "name", &gate_name);
        put(&mut gate.keys, "call", &gate_call);
        gate.keys.insert("answer".to_owned(), answer("gate"));
        if let Some(section) = self.sections.last_mut() {
            section.steps.push(gate);
        }
        let what = "no step is marked as one that can hurt; where one can, give it harm = \"hurt\", \"flood\", \"drop\" or \"run-away\" and an answer that names its state";
        self.notes.push(Note::new(CellPlace::default(), Fate::LookAt, what));
        Draft { remark: self.remarks.join("\n"), keys, sections: self.sections }
    }
}

/// The sheet without the cells in which a formula has no value: the formula itself is nothing to say. They were told when the file was read.
fn without_faults(grid: &Grid) -> Grid {
    let mut grid = grid.clone();
    for row in &mut grid.rows {
        row.cells.retain(|_, cell| !matches!(cell.value, cells::Value::Fault(_)));
    }
    grid.rows.retain(|row| !row.cells.is_empty());
    grid
}

/// Whether rows usually fill more than one column, marks and numbers not counted.
fn is_wide(body: &[&Row], layout: &Layout) -> bool {
    let filled = |row: &&&Row| row.cells.keys().filter(|index| !is_dropped(layout, **index)).count() > 1;
    let wide = body.iter().filter(filled).count();
    wide * 10 >= body.len() * 6
}

/// A section stands until the next; a merged cell stands for every row that it covers.
fn carry_down(row: &Row, layout: &Layout, carried: &mut BTreeMap<u32, (String, u32)>) {
    for (&index, column) in &layout.columns {
        match row.cells.get(&index) {
            Some(cell) => {
                let last = if column.meaning == ColumnMeaning::Section {
                    u32::MAX
                } else {
                    row.number.saturating_add(cell.span.0 - 1)
                };
                carried.insert(index, (cell.text(), last));
            }
            None => {
                if carried.get(&index).is_some_and(|(_, last)| *last < row.number) {
                    carried.remove(&index);
                }
            }
        }
    }
}

fn text_of(row: &Row, column: u32, carried: &BTreeMap<u32, (String, u32)>) -> String {
    match row.cells.get(&column) {
        Some(cell) => cell.text(),
        None => carried.get(&column).map(|(text, _)| text.clone()).unwrap_or_default(),
    }
}

fn meaning(layout: &Layout, index: u32) -> Option<ColumnMeaning> {
    layout.columns.get(&index).map(|column| column.meaning)
}

fn is_dropped(layout: &Layout, index: u32) -> bool {
    matches!(meaning(layout, index), Some(ColumnMeaning::Tick | ColumnMeaning::Number))
}

fn is_bold(row: &Row) -> bool {
    row.cells.values().all(|cell| cell.bold)
}

fn joined<'a>(cells: impl Iterator<Item = &'a Cell>) -> String {
    let texts: Vec<String> = cells
        .map(|cell| values::one_line(values::without_bullet(&cell.text())))
        .filter(|text| !text.is_empty())
        .collect();
    texts.join(", ")
}

fn put(keys: &mut Table, key: &str, text: &str) {
    keys.insert(key.to_owned(), Value::String(unbraced(text)));
}

/// Braces stand for numbers of the rig in a routine; in a list they are only brackets of another shape.
fn unbraced(text: &str) -> String {
    text.replace('{', "(").replace('}', ")")
}

fn append(keys: &mut Table, key: &str, text: &str) {
    let before = keys.get(key).and_then(Value::as_str).unwrap_or_default();
    let joined = if before.is_empty() {
        text.to_owned()
    } else if before.ends_with(['.', '!', '?', ':', ';']) {
        format!("{before} {text}")
    } else {
        format!("{before}. {text}")
    };
    put(keys, key, &joined);
}

/// Puts the minutes of a cell into the step; says what became of them where they are not plain.
fn put_found_minutes(keys: &mut Table, value: &cells::Value, found: &str) -> Option<(Fate, String)> {
    match values::minutes(value) {
        Minutes::Exactly(minutes) => {
            put_minutes(keys, minutes);
            None
        }
        Minutes::Clock(minutes) => {
            put_minutes(keys, minutes);
            let what = format!(
                "'{found}' is hours and minutes, {minutes} minutes in all; where minutes and seconds are meant, write it as 0:{found}"
            );
            Some((Fate::Guessed, what))
        }
        Minutes::UpTo(minutes) => {
            put_minutes(keys, minutes);
            Some((Fate::Guessed, format!("'{found}' is up to {minutes} minutes")))
        }
        Minutes::Unclear => Some((Fate::AsComment, format!("'{found}' is no time between 0 and a day"))),
    }
}

fn put_minutes(keys: &mut Table, minutes: f64) {
    // To a second: a tenth of a minute would make 20 s of 18.
    let value = (minutes * 60.0).round() / 60.0;
    let value =
        if value.fract() == 0.0 { Value::Integer(value as i64) } else { Value::Float((value * 1e4).round() / 1e4) };
    keys.insert("minutes".to_owned(), value);
}

fn answer(kind: &str) -> Value {
    Value::Table(Table::from_iter([("kind".to_owned(), Value::String(kind.to_owned()))]))
}

fn first_large(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map(|first| first.to_uppercase().chain(letters).collect()).unwrap_or_default()
}

/// As many as the loader takes.
const MOST_WORDS_OF_CALL: usize = 20;
const MOST_WORDS_OF_HEADING: usize = 10;
const WORDS_OF_NAME: usize = 8;
