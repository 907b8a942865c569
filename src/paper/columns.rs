//! What the columns of somebody's list mean: guessed by heading and content, with the reason, for the person to confirm.

use std::collections::{BTreeMap, BTreeSet};

use super::cells::{Grid, Row, Value};
use super::values::{self, Minutes};
use super::words::PaperWords;

/// What a column holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum ColumnMeaning {
    Section,
    Step,
    Where,
    Who,
    Minutes,
    Caution,
    How,
    Check,
    /// Marks that something was done: belongs to one use of the list, not to the list.
    Tick,
    /// Numbers of rows.
    Number,
    /// Kept as a comment beside the step.
    Remark,
}

impl ColumnMeaning {
    pub const ALL: [Self; 11] = [
        Self::Section,
        Self::Step,
        Self::Where,
        Self::Who,
        Self::Minutes,
        Self::Caution,
        Self::How,
        Self::Check,
        Self::Tick,
        Self::Number,
        Self::Remark,
    ];

    /// The word for it in phrase files and on the command line.
    pub fn name(self) -> &'static str {
        match self {
            Self::Section => "section",
            Self::Step => "step",
            Self::Where => "where",
            Self::Who => "who",
            Self::Minutes => "minutes",
            Self::Caution => "caution",
            Self::How => "how",
            Self::Check => "check",
            Self::Tick => "tick",
            Self::Number => "number",
            Self::Remark => "remark",
        }
    }

    pub fn of_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|meaning| meaning.name() == name)
    }

    /// Whether more than one column may have it.
    fn may_repeat(self) -> bool {
        matches!(self, Self::Caution | Self::How | Self::Check | Self::Tick | Self::Number | Self::Remark)
    }
}

/// How a sheet is laid out.
#[derive(Clone, Debug, PartialEq)]
pub struct Layout {
    /// Number of the row with the headings; none where there is none.
    pub heading_row: Option<u32>,
    pub columns: BTreeMap<u32, Column>,
}

/// What one column is taken for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Column {
    /// As written; empty without headings.
    pub heading: String,
    pub meaning: ColumnMeaning,
    /// Why it is taken for that.
    pub why: &'static str,
    /// The first few different things in it.
    pub examples: Vec<String>,
}

impl Layout {
    /// The column with this meaning, the leftmost where there are more.
    pub fn column(&self, meaning: ColumnMeaning) -> Option<u32> {
        self.columns.iter().find(|(_, column)| column.meaning == meaning).map(|(index, _)| *index)
    }

    /// Takes a column for what the person says it is. A meaning that only one column can have is taken from the other.
    ///
    /// Gives false where there is no such column.
    pub fn set(&mut self, index: u32, meaning: ColumnMeaning) -> bool {
        if !self.columns.contains_key(&index) {
            return false;
        }
        if !meaning.may_repeat() {
            for column in self.columns.values_mut().filter(|column| column.meaning == meaning) {
                (column.meaning, column.why) = (ColumnMeaning::Remark, "another column was named instead");
            }
        }
        if let Some(column) = self.columns.get_mut(&index) {
            (column.meaning, column.why) = (meaning, "as told");
        }
        let no_step = self.column(ColumnMeaning::Step).is_none();
        if let Some(column) =
            self.columns.values_mut().find(|column| no_step && column.meaning == ColumnMeaning::Remark)
        {
            (column.meaning, column.why) = (ColumnMeaning::Step, "some column must hold the steps");
        }
        true
    }
}

/// Guesses what the columns of a sheet hold. `told` is the number of the row with the headings, 0 for none; none: guessed too.
pub fn guess(grid: &Grid, words: &PaperWords, told: Option<u32>) -> Layout {
    let heading = match told {
        Some(number) => grid.rows.iter().find(|row| row.number == number),
        None => heading_row(grid, words),
    };
    let body: Vec<&Row> =
        grid.rows.iter().filter(|row| heading.is_none_or(|heading| row.number > heading.number)).collect();
    let indices: BTreeSet<u32> = grid
        .rows
        .iter()
        .filter(|row| heading.is_none_or(|heading| row.number >= heading.number))
        .flat_map(|row| row.cells.keys().copied())
        .collect();
    let contents: BTreeMap<u32, Content> = indices.iter().map(|&index| (index, Content::of(&body, index))).collect();
    let mut columns: BTreeMap<u32, Column> = BTreeMap::new();
    let mut taken = BTreeSet::new();
    for (&index, content) in &contents {
        let text = heading.map(|row| row.text(index)).unwrap_or_default();
        let (meaning, why) = match meaning_of(&text, words) {
            Some(ColumnMeaning::Tick | ColumnMeaning::Check | ColumnMeaning::Step) if content.only_ticks() => {
                (ColumnMeaning::Tick, "it holds marks only")
            }
            Some(meaning) if meaning.may_repeat() || !taken.contains(&meaning) => (meaning, "its heading says so"),
            Some(_) => (ColumnMeaning::Remark, "another column has that heading already"),
            None if content.only_ticks() => (ColumnMeaning::Tick, "it holds marks only"),
            None if content.counts_up => (ColumnMeaning::Number, "its numbers count up"),
            None if content.mostly_times() => (ColumnMeaning::Minutes, "it holds times"),
            None => (ColumnMeaning::Remark, "neither heading nor content tells"),
        };
        taken.insert(meaning);
        let examples = content.examples.clone();
        columns.insert(index, Column { heading: text, meaning, why, examples });
    }
    let mut layout = Layout { heading_row: heading.map(|row| row.number), columns };
    choose_step(&mut layout, &contents);
    if layout.heading_row.is_none() {
        choose_section(&mut layout, &contents);
    }
    layout
}

/// A list without a column of steps is none: without a heading for it, the column with the most words is it.
fn choose_step(layout: &mut Layout, contents: &BTreeMap<u32, Content>) {
    if layout.column(ColumnMeaning::Step).is_some() {
        return;
    }
    let longest = |allowed: &dyn Fn(&Column) -> bool| {
        let rank = |index: &&u32| {
            let content = &contents[*index];
            // Of two with as many words the left one.
            (content.letters * content.different / content.filled.max(1), u32::MAX - **index)
        };
        let candidates = layout.columns.iter().filter(|(_, column)| allowed(column)).map(|(index, _)| index);
        candidates.max_by_key(rank).copied()
    };
    let free = longest(&|column| column.meaning == ColumnMeaning::Remark);
    let found = free
        .or_else(|| longest(&|column| !matches!(column.meaning, ColumnMeaning::Tick | ColumnMeaning::Number)))
        .or_else(|| longest(&|_| true));
    if let Some(column) = found.and_then(|index| layout.columns.get_mut(&index)) {
        (column.meaning, column.why) = (ColumnMeaning::Step, "it holds the most words");
    }
}

/// Without headings: a column left of the steps whose few words come in runs names sections.
fn choose_section(layout: &mut Layout, contents: &BTreeMap<u32, Content>) {
    let Some(step) = layout.column(ColumnMeaning::Step) else { return };
    for (&index, column) in layout.columns.range_mut(..step) {
        let content = &contents[&index];
        if column.meaning == ColumnMeaning::Remark && content.filled >= 2 && content.in_runs() {
            (column.meaning, column.why) = (ColumnMeaning::Section, "the same words stand in runs");
            return;
        }
    }
}

/// The row of headings among the first rows: the one with the most headings that are known.
fn heading_row<'a>(grid: &'a Grid, words: &PaperWords) -> Option<&'a Row> {
    let known = |row: &Row| {
        let meanings: BTreeSet<ColumnMeaning> =
            row.cells.values().filter_map(|cell| meaning_of(&cell.text(), words)).collect();
        meanings.len()
    };
    let best = grid.rows.iter().take(ROWS_LOOKED_AT).rev().max_by_key(|row| known(row))?;
    let names_more_than_marks = |row: &Row| {
        let meanings = row.cells.values().filter_map(|cell| meaning_of(&cell.text(), words));
        meanings.into_iter().any(|meaning| !matches!(meaning, ColumnMeaning::Tick | ColumnMeaning::Number))
    };
    let alone = |row: &Row| {
        // One known heading is enough at the very top of a list of one column, or beside headings of the person's own.
        grid.rows.first().is_some_and(|first| first.number == row.number)
            && row.cells.values().all(|cell| cell.text().split_whitespace().count() <= 4)
            && (row.cells.len() > 1 || row.cells.values().all(|cell| is_exactly(&cell.text(), words)))
    };
    match known(best) {
        0 => None,
        1 => (alone(best) && names_more_than_marks(best)).then_some(best),
        _ => Some(best),
    }
}

fn is_exactly(heading: &str, words: &PaperWords) -> bool {
    let plain = plain(heading);
    words.headings.get(ColumnMeaning::Step.name()).is_some_and(|known| known.contains(&plain))
}

/// What a heading means: one of the known words, or mostly made of one.
fn meaning_of(heading: &str, words: &PaperWords) -> Option<ColumnMeaning> {
    let plain = plain(heading);
    let count = plain.split(' ').count();
    if plain.is_empty() || count > 4 {
        return None;
    }
    let padded = format!(" {plain} ");
    let mut best: Option<(usize, ColumnMeaning)> = None;
    for meaning in ColumnMeaning::ALL {
        for known in words.headings.get(meaning.name()).into_iter().flatten() {
            let length = known.split(' ').count();
            let fits = padded.contains(&format!(" {known} ")) && length * 2 >= count;
            if fits && best.is_none_or(|(so_far, _)| length > so_far) {
                best = Some((length, meaning));
            }
        }
    }
    best.map(|(_, meaning)| meaning)
}

/// Small letters, without signs and without what stands in brackets ("Time (min)").
fn plain(heading: &str) -> String {
    let mut depth = 0;
    let kept: String = heading
        .to_lowercase()
        .chars()
        .map(|c| match c {
            '(' | '[' => {
                depth += 1;
                ' '
            }
            ')' | ']' => {
                depth -= 1;
                ' '
            }
            _ if depth > 0 => ' ',
            c if c.is_alphanumeric() => c,
            _ => ' ',
        })
        .collect();
    kept.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// What a column holds, below its heading.
#[derive(Default)]
struct Content {
    filled: usize,
    different: usize,
    letters: usize,
    ticks: usize,
    times: usize,
    /// How often a cell says the same as the one above, blanks between them included.
    repeats: usize,
    counts_up: bool,
    examples: Vec<String>,
}

impl Content {
    fn of(rows: &[&Row], index: u32) -> Self {
        let mut content = Self::default();
        let mut seen = BTreeSet::new();
        let (mut before, mut numbers) = (None, Vec::new());
        for row in rows {
            let Some(cell) = row.cells.get(&index) else { continue };
            let text = cell.text();
            content.filled += 1;
            content.letters += text.chars().filter(|c| c.is_alphabetic()).count();
            content.ticks += usize::from(values::is_tick(cell));
            let has_unit =
                matches!(cell.value, Value::Time(_)) || text.chars().any(char::is_alphabetic) || text.contains(':');
            content.times += usize::from(has_unit && values::minutes(&cell.value) != Minutes::Unclear);
            if let Ok(number) = text.trim_end_matches(['.', ')']).parse::<f64>() {
                numbers.push(number);
            }
            content.repeats += usize::from(before.as_ref() == Some(&text));
            if seen.insert(text.clone()) && content.examples.len() < 3 {
                content.examples.push(values::first_words(&values::one_line(&text), 6));
            }
            before = Some(text);
        }
        content.different = seen.len();
        content.counts_up = content.filled >= 2
            && numbers.len() == content.filled
            && numbers.windows(2).all(|pair| pair[1] > pair[0] && pair[1] - pair[0] <= 10.0)
            && numbers.iter().all(|number| number.fract() == 0.0);
        content
    }

    fn only_ticks(&self) -> bool {
        self.ticks == self.filled
    }

    fn mostly_times(&self) -> bool {
        self.filled > 0 && self.times * 10 >= self.filled * 7
    }

    fn in_runs(&self) -> bool {
        self.repeats * 2 >= self.filled && self.different * 2 <= self.filled
    }
}

const ROWS_LOOKED_AT: usize = 20;
