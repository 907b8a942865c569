//! `sparehand from-table`, `to-table` and `sheet`: lists from spreadsheets, routines as spreadsheets and on paper.

use std::fs;
use std::io::{self, BufRead, IsTerminal, Write};
use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};
use thiserror::Error;

use crate::cli::paper_files::{KeepError, keep};
use crate::cli::paper_routines;
use crate::paper::cells::{Grid, column_letters, column_of_letters};
use crate::paper::columns::{self, ColumnMeaning, Layout};
use crate::paper::draft::{Draft, DraftError, DraftStep};
use crate::paper::list::{self, Naming};
use crate::paper::own_table::{self, TableError};
use crate::paper::read::{self, ReadError, ReadOptions};
use crate::paper::report::{self, CellPlace, Fate, Note};
use crate::paper::sheet::{Paper, SheetError, SheetOptions, sheet};
use crate::paper::values;
use crate::paper::words::{PaperWords, PaperWordsError};
use crate::paper::write::{self, Kind, WriteError};
use crate::rig::Rig;
use crate::routine::{RoutineError, Source};
use crate::setup::places::Places;
use crate::setup::prompts::{self, PromptError};

#[derive(Debug, Args)]
pub struct FromTableArgs {
    /// The list: CSV, XLSX or ODS.
    pub file: PathBuf,
    /// The routine's file to write (TOML); without it, the routine is printed.
    #[arg(short, long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// What the routine is called in a sentence; without it, the name of the list's file.
    #[arg(long)]
    pub title: Option<String>,
    /// Take the guess at the columns without asking.
    #[arg(long)]
    pub yes: bool,
    /// What a column holds: C=where, or Sheet!C=where. One of: section, step, where, who, minutes, caution, how, check, tick, number,
    /// remark.
    #[arg(long = "column", value_name = "COLUMN=WHAT")]
    pub columns: Vec<String>,
    /// Number of the row with the headings; 0 where there is none. Without it, it is guessed.
    #[arg(long, value_name = "ROW")]
    pub headings: Option<u32>,
    /// Read only this sheet.
    #[arg(long, value_name = "NAME")]
    pub sheet: Option<String>,
    /// Encoding of a CSV file, such as windows-1252.
    #[arg(long, value_name = "NAME")]
    pub encoding: Option<String>,
    /// What stands between the cells of a CSV file.
    #[arg(long, value_name = "SIGN")]
    pub separator: Option<char>,
    /// Write over a file of the same name, keeping the old one beside it.
    #[arg(long)]
    pub replace: bool,
}

#[derive(Debug, Args)]
pub struct ToTableArgs {
    /// Name of the routine, or its file.
    pub routine: String,
    /// Kind of file; without it, by the ending of the file to write.
    #[arg(long = "as", value_enum, value_name = "KIND")]
    pub kind: Option<TableKind>,
    /// The file to write.
    #[arg(short, long, value_name = "FILE")]
    pub out: PathBuf,
    /// Write over a file of the same name, keeping the old one beside it.
    #[arg(long)]
    pub replace: bool,
}

#[derive(Debug, Args)]
pub struct SheetArgs {
    /// Name of the routine, or its file.
    pub routine: String,
    /// The PDF file to write.
    #[arg(short, long, value_name = "FILE")]
    pub out: PathBuf,
    /// Large print: 18 points and more.
    #[arg(long)]
    pub large: bool,
    /// Size of the paper.
    #[arg(long, value_enum, default_value_t)]
    pub paper: PaperSize,
    /// Rig file; without it, rig.toml in the configuration folder, or common practice.
    #[arg(long, value_name = "FILE")]
    pub rig: Option<PathBuf>,
    /// Write over a file of the same name, keeping the old one beside it.
    #[arg(long)]
    pub replace: bool,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum TableKind {
    Csv,
    Xlsx,
    Ods,
}

/// Size of the paper.
#[derive(Clone, Copy, Debug, Default, ValueEnum)]
pub enum PaperSize {
    A4,
    /// Of the United States, as the rigs are.
    #[default]
    Letter,
}

/// Why paper could not be brought in or handed out.
#[derive(Debug, Error)]
pub enum PaperError {
    #[error("{path}: cannot be read; check its name and that you may read it")]
    Unreadable { path: PathBuf, source: io::Error },
    #[error(transparent)]
    Read(#[from] ReadError),
    #[error(transparent)]
    Table(#[from] TableError),
    #[error(transparent)]
    Draft(#[from] DraftError),
    #[error(transparent)]
    Words(#[from] PaperWordsError),
    #[error(transparent)]
    Write(#[from] WriteError),
    #[error(transparent)]
    Sheet(#[from] SheetError),
    #[error(transparent)]
    Keep(#[from] KeepError),
    #[error(transparent)]
    Prompt(#[from] PromptError),
    #[error("{place}: found {found}, expected {expected}; change it in the list")]
    Refused { place: String, found: String, expected: String },
    #[error(
        "--column {found}: expected a column's letters and what it holds, such as C=where; what it holds is one of: {known}"
    )]
    Column { found: String, known: String },
    #[error("--column {found}: no such column in the list")]
    NoColumn { found: String },
    #[error(
        "the guess at the columns must be looked at, and nobody is there to ask; say --yes to take it as it is, or --column"
    )]
    NobodyToAsk,
    #[error("nothing was written, as you said")]
    Declined,
    #[error("{path}: found an ending that names no kind of file, expected .csv, .xlsx or .ods; or say --as")]
    NoKind { path: PathBuf },
    #[error("{path}: found an ending that is not that of a sheet, expected .pdf; name it so")]
    NoSheet { path: PathBuf },
    #[error("the questions cannot be asked")]
    Talk(#[from] io::Error),
}

/// Brings a list in, asking on the terminal where there is one.
///
/// # Errors
/// Says file and cell, what was found and what was expected. Nothing is written then.
pub fn from_table(args: &FromTableArgs, places: &Places) -> Result<(), PaperError> {
    let stdin = io::stdin();
    let mut lines = stdin.is_terminal().then(|| stdin.lock());
    let person = lines.as_mut().map(|lines| lines as &mut dyn BufRead);
    let text = from_table_with(args, &places.config, person, &mut io::stderr().lock())?;
    match &args.out {
        Some(path) => {
            if let Some(old) = keep(path, text.as_bytes(), args.replace)? {
                eprintln!("The old file is kept as {}.", old.display());
            }
            eprintln!(
                "Written: {}. To run it, put it into {}.",
                path.display(),
                places.config.join("routines").display()
            );
        }
        None => io::stdout().lock().write_all(text.as_bytes())?,
    }
    Ok(())
}

/// The routine's text that a list makes. `person` answers questions; none where nobody is there. `told` gets guess and report.
///
/// # Errors
/// As [`from_table`].
pub fn from_table_with(
    args: &FromTableArgs,
    config: &Path,
    person: Option<&mut dyn BufRead>,
    told: &mut dyn Write,
) -> Result<String, PaperError> {
    let file = args.file.display().to_string();
    let bytes = fs::read(&args.file).map_err(|source| PaperError::Unreadable { path: args.file.clone(), source })?;
    let how = ReadOptions { encoding: args.encoding.clone(), separator: args.separator, sheet: args.sheet.clone() };
    let mut book = read::read(&file, &bytes, &how)?;
    let mut notes = std::mem::take(&mut book.notes);
    let own = book.grids.iter().position(own_table::is_own);
    let draft = match own {
        Some(place) => {
            for (_, other) in book.grids.iter().enumerate().filter(|(index, _)| *index != place) {
                let other_place = CellPlace { sheet: other.name.clone(), ..CellPlace::default() };
                notes.push(Note::new(other_place, Fate::LeftOut, "a sheet beside the routine's own"));
            }
            own_table::to_draft(&file, &book.grids[place], &mut notes)?
        }
        None => {
            let words = words(config)?;
            let sheets = confirmed(args, book.grids, &words, person, told)?;
            list::to_draft(&sheets, &naming(args), &words, &mut notes)
        }
    };
    let text = draft.to_toml();
    accept(&file, &text, &draft, config)?;
    for line in report::lines(&notes) {
        writeln!(told, "{line}")?;
    }
    let steps: usize = draft.sections.iter().map(|section| section.steps.len()).sum();
    writeln!(told, "{} steps in {} sections.", steps, draft.sections.len())?;
    Ok(text)
}

/// The layouts of the sheets, as guessed and as the person put them right.
fn confirmed(
    args: &FromTableArgs,
    grids: Vec<Grid>,
    words: &PaperWords,
    mut person: Option<&mut dyn BufRead>,
    told: &mut dyn Write,
) -> Result<Vec<(Grid, Layout)>, PaperError> {
    let mut sheets: Vec<(Grid, Layout)> = grids
        .into_iter()
        .map(|grid| {
            let layout = columns::guess(&grid, words, args.headings);
            (grid, layout)
        })
        .collect();
    for change in &args.columns {
        change_column(&mut sheets, change)?;
    }
    loop {
        show(&sheets, told)?;
        if args.yes {
            return Ok(sheets);
        }
        let Some(person) = person.as_mut() else { return Err(PaperError::NobodyToAsk) };
        write!(told, "Enter takes it. C=where changes column C. no stops. > ")?;
        told.flush()?;
        let mut line = String::new();
        if person.read_line(&mut line)? == 0 {
            return Err(PaperError::NobodyToAsk);
        }
        match line.trim().to_lowercase().as_str() {
            "" | "y" | "yes" => return Ok(sheets),
            "n" | "no" => return Err(PaperError::Declined),
            _ => {
                for change in line.split([',', ' ']).map(str::trim).filter(|change| !change.is_empty()) {
                    if let Err(why) = change_column(&mut sheets, change) {
                        writeln!(told, "{why}")?;
                    }
                }
            }
        }
    }
}

fn change_column(sheets: &mut [(Grid, Layout)], change: &str) -> Result<(), PaperError> {
    let wrong = || PaperError::Column {
        found: change.to_owned(),
        known: ColumnMeaning::ALL.map(ColumnMeaning::name).join(", "),
    };
    let (which, what) = change.rsplit_once('=').ok_or_else(wrong)?;
    let (sheet, letters) = which.rsplit_once('!').map_or((None, which), |(sheet, letters)| (Some(sheet), letters));
    let column = column_of_letters(letters.trim()).ok_or_else(wrong)?;
    let meaning = ColumnMeaning::of_name(what.trim().to_lowercase().as_str()).ok_or_else(wrong)?;
    let mut any = false;
    for (_, layout) in sheets.iter_mut().filter(|(grid, _)| sheet.is_none_or(|sheet| sheet == grid.name)) {
        any |= layout.set(column, meaning);
    }
    if any { Ok(()) } else { Err(PaperError::NoColumn { found: change.to_owned() }) }
}

fn show(sheets: &[(Grid, Layout)], told: &mut dyn Write) -> io::Result<()> {
    for (grid, layout) in sheets {
        let name = if grid.name.is_empty() {
            "The list".to_owned()
        } else {
            format!("Sheet '{}'", values::one_line(&grid.name))
        };
        match layout.heading_row {
            Some(row) => writeln!(told, "{name}, headings in row {row}:")?,
            None => writeln!(told, "{name}, no headings:")?,
        }
        for (index, column) in &layout.columns {
            let heading = if column.heading.is_empty() {
                String::new()
            } else {
                format!(" '{}'", values::one_line(&column.heading))
            };
            let examples = column.examples.join(" | ");
            let like = if examples.is_empty() { String::new() } else { format!("  like: {examples}") };
            writeln!(
                told,
                "  {}{heading} is {} ({}){like}",
                column_letters(*index),
                column.meaning.name(),
                column.why
            )?;
        }
    }
    Ok(())
}

/// The loader has the last word: what it refuses is not written.
fn accept(file: &str, text: &str, draft: &Draft, config: &Path) -> Result<(), PaperError> {
    let source = Source { name: "the routine that it makes".to_owned(), text: text.to_owned() };
    let refused = match prompts::load_from(&source, &Rig::default(), config) {
        Ok(_) => return Ok(()),
        Err(PromptError::Routine(refused)) => refused,
        Err(other) => return Err(other.into()),
    };
    let RoutineError { step, found, expected, .. } = *refused;
    let steps = draft.sections.iter().flat_map(|section| &section.steps);
    let of_id = |of: &&DraftStep| of.keys.get("id").and_then(|key| key.as_str()) == Some(&step);
    let place = match steps.filter(of_id).find_map(|step| step.row) {
        Some(row) => format!(", row {row}"),
        None if step.is_empty() => String::new(),
        None => format!(": step '{step}'"),
    };
    Err(PaperError::Refused { place: format!("{file}{place}"), found, expected })
}

fn naming(args: &FromTableArgs) -> Naming {
    let stem = |path: &Path| path.file_stem().map(|stem| stem.to_string_lossy().into_owned()).unwrap_or_default();
    let title = args.title.clone().unwrap_or_else(|| stem(&args.file).replace(['_', '-'], " "));
    let title = values::one_line(&title);
    let id = args.out.as_deref().map_or_else(|| values::slug(&title), |out| values::slug(&stem(out)));
    let id = if id.is_empty() { "list".to_owned() } else { id };
    Naming { title: if title.is_empty() { id.clone() } else { title }, id }
}

/// Hands a routine out as a spreadsheet.
///
/// # Errors
/// There is no such routine, or the file cannot be written.
pub fn to_table(args: &ToTableArgs, places: &Places) -> Result<(), PaperError> {
    let kind = match args.kind {
        Some(TableKind::Csv) => Kind::Csv,
        Some(TableKind::Xlsx) => Kind::Xlsx,
        Some(TableKind::Ods) => Kind::Ods,
        None => kind_of(&args.out)?,
    };
    let source = paper_routines::source(&args.routine, &places.config)?;
    let draft = Draft::parse(&source.name, &source.text)?;
    let title = draft.keys.get("title").and_then(|title| title.as_str()).unwrap_or(&args.routine).to_owned();
    let bytes = write::write(&own_table::to_grid(&draft), &title, kind)?;
    if let Some(old) = keep(&args.out, &bytes, args.replace)? {
        eprintln!("The old file is kept as {}.", old.display());
    }
    Ok(())
}

/// Makes the printed sheet of a routine.
///
/// # Errors
/// There is no such routine or rig, or the file cannot be written.
pub fn print_sheet(args: &SheetArgs, places: &Places) -> Result<(), PaperError> {
    if !args.out.extension().is_some_and(|ending| ending.eq_ignore_ascii_case("pdf")) {
        return Err(PaperError::NoSheet { path: args.out.clone() });
    }
    let rig = prompts::rig(args.rig.as_deref(), &places.config)?;
    let source = paper_routines::source(&args.routine, &places.config)?;
    let routine = prompts::load_from(&source, &rig, &places.config)?;
    let paper = match args.paper {
        PaperSize::A4 => Paper::A4,
        PaperSize::Letter => Paper::Letter,
    };
    let options = SheetOptions { paper, large: args.large };
    let made = sheet(&routine, options, &words(&places.config)?)?;
    if let Some(old) = keep(&args.out, &made.bytes, args.replace)? {
        eprintln!("The old file is kept as {}.", old.display());
    }
    if !made.missing.is_empty() {
        let missing: String = made.missing.iter().collect();
        eprintln!(
            "The font of the sheet has no shape for: {missing}. Look for empty boxes among the words, and write them in."
        );
    }
    let pages = if made.pages == 1 { "1 page".to_owned() } else { format!("{} pages", made.pages) };
    eprintln!("{pages}, words of {} points.", made.points);
    Ok(())
}

fn kind_of(path: &Path) -> Result<Kind, PaperError> {
    let ending = path.extension().map(|ending| ending.to_string_lossy().to_lowercase());
    match ending.as_deref() {
        Some("csv") => Ok(Kind::Csv),
        Some("xlsx") => Ok(Kind::Xlsx),
        Some("ods") => Ok(Kind::Ods),
        _ => Err(PaperError::NoKind { path: path.to_owned() }),
    }
}

/// The words of paper; `config` is searched first (`phrases/paper.toml`).
///
/// # Errors
/// An unreadable file, or one that is refused.
pub fn words(config: &Path) -> Result<PaperWords, PaperError> {
    let path = config.join("phrases").join("paper.toml");
    if path.exists() {
        let text = fs::read_to_string(&path).map_err(|source| PaperError::Unreadable { path: path.clone(), source })?;
        return Ok(PaperWords::parse(&path.display().to_string(), &text)?);
    }
    Ok(PaperWords::parse("paper.toml", include_str!("../../prompts/phrases/paper.toml"))?)
}
