//! `sparehand rig`: asks for the rig one thing at a time and writes its file, keeping the one that was there.

use std::fs;
use std::io::{self, BufRead, Read, Write};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{self, Receiver};
use std::thread;

use clap::Args;
use thiserror::Error;

use crate::cli::schema;
use crate::conductor::interrupt::on_interrupt;
use crate::rig::interview::{Interview, Misunderstood};
use crate::rig::{self, RigError, RigFile};
use crate::setup::places::Places;
use crate::setup::prompts::{self, PromptError};

#[derive(Debug, Args)]
pub struct RigArgs {
    /// Rig file; without it, rig.toml in the configuration folder.
    #[arg(long, value_name = "FILE")]
    pub file: Option<PathBuf>,
    /// Print the JSON Schema of a rig file instead.
    #[arg(long)]
    pub schema: bool,
}

/// Why a rig could not be asked for or kept.
#[derive(Debug, Error)]
pub enum RigCommandError {
    #[error(transparent)]
    Prompts(#[from] PromptError),
    #[error("{0}, or move the file away")]
    Known(#[from] RigError),
    #[error("the questions of the interview: {0}")]
    Questions(#[from] Misunderstood),
    #[error(
        "{path}: cannot be written; nothing that was there is lost. Check that the disk has room and that you may write there"
    )]
    Write { path: PathBuf, source: io::Error },
    #[error("the rig cannot be put into a file: {0}")]
    Form(#[from] toml::ser::Error),
    #[error("cannot talk with the terminal")]
    Terminal(#[from] io::Error),
}

/// Asks for the rig on the terminal and writes its file, or prints the schema of one.
///
/// # Errors
/// As [`interview`].
pub fn run(args: &RigArgs, places: &Places) -> Result<(), RigCommandError> {
    if args.schema {
        return Ok(schema::print(&rig::json_schema())?);
    }
    let path = args.file.clone().unwrap_or_else(|| places.config.join("rig.toml"));
    let questions = questions(&places.config)?;
    interview(&path, &questions, &mut TypedLines::of_terminal()?, &mut io::stdout().lock())
}

/// Holds the interview over `input` and `output` and writes `path`. The end of the input before the last question counts as
/// having had enough, if anything was answered.
///
/// # Errors
/// The file that is there is not a rig, or the new one cannot be written.
pub fn interview(
    path: &Path,
    questions: &str,
    input: &mut dyn BufRead,
    output: &mut dyn Write,
) -> Result<(), RigCommandError> {
    let known = known(path)?;
    let mut interview = Interview::new(questions, &known.clone().unwrap_or_default())?;
    let words = interview.words().clone();
    writeln!(output, "{}", wrapped(&words.opening))?;
    let mut answered = 0;
    let mut unfinished = false;
    while let Some(asked) = interview.asked() {
        writeln!(output, "\n{}", wrapped(&asked.ask))?;
        for (number, option) in asked.options.iter().enumerate() {
            writeln!(output, "  {}  {option}", number + 1)?;
        }
        if !asked.now.is_empty() {
            writeln!(output, "  {}", words.now.replace("{}", &asked.now))?;
        }
        write!(output, "> ")?;
        output.flush()?;
        let mut line = String::new();
        if input.read_line(&mut line)? == 0 {
            writeln!(output)?;
            if answered == 0 {
                writeln!(output, "{}", words.not_saved)?;
                return Ok(());
            }
            unfinished = true;
            break;
        }
        answered += 1;
        if let Err(why) = interview.answer(&line) {
            writeln!(output, "  {why}")?;
        }
    }
    let text = rig::write(&interview.rig()?)?;
    if let Some(kept) = keep_and_write(path, &text)? {
        writeln!(output, "\n{}", words.kept.replace("{}", &kept.display().to_string()))?;
    }
    writeln!(output, "{}", words.saved.replace("{}", &path.display().to_string()))?;
    if unfinished {
        writeln!(output, "{}", wrapped(&words.unfinished))?;
    }
    Ok(())
}

/// In lines of whole words on the narrowest usual terminal.
fn wrapped(text: &str) -> String {
    textwrap::fill(text, COLUMNS)
}

const COLUMNS: usize = 79;

/// What is typed, line by line. Ctrl-C ends it as its end does: what was answered until then is not lost.
struct TypedLines {
    lines: Receiver<io::Result<String>>,
    line: io::Cursor<String>,
}

impl TypedLines {
    /// # Errors
    /// The system gives no thread.
    fn of_terminal() -> io::Result<Self> {
        let (tell, lines) = mpsc::channel();
        let interrupted = tell.clone();
        on_interrupt(move || {
            // Nobody asks any more where it cannot be told.
            let _ = interrupted.send(Ok(String::new()));
        })?;
        thread::Builder::new().name("typed".to_owned()).spawn(move || {
            loop {
                let mut line = String::new();
                let read = io::stdin().read_line(&mut line).map(|_| line);
                let ends = !matches!(&read, Ok(line) if !line.is_empty());
                if tell.send(read).is_err() || ends {
                    return;
                }
            }
        })?;
        Ok(Self { lines, line: io::Cursor::default() })
    }
}

impl Read for TypedLines {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        let count = self.fill_buf()?.read(into)?;
        self.consume(count);
        Ok(count)
    }
}

impl BufRead for TypedLines {
    fn fill_buf(&mut self) -> io::Result<&[u8]> {
        if self.line.fill_buf()?.is_empty() {
            self.line = io::Cursor::new(self.lines.recv().unwrap_or_else(|_| Ok(String::new()))?);
        }
        self.line.fill_buf()
    }

    fn consume(&mut self, count: usize) {
        self.line.consume(count);
    }
}

fn known(path: &Path) -> Result<Option<RigFile>, RigCommandError> {
    if !path.exists() {
        return Ok(None);
    }
    Ok(Some(rig::read(&path.display().to_string(), &prompts::read(path)?)?))
}

/// Writes a file so that at any moment either the old one or the new one is there, and keeps the old one beside it
/// (`rig.toml.1`, `rig.toml.2` ...). Gives the name under which it was kept; nothing is written where nothing has changed.
///
/// # Errors
/// The folder cannot be made or written to; the old file is still there then.
pub fn keep_and_write(path: &Path, text: &str) -> Result<Option<PathBuf>, RigCommandError> {
    let fault = |source| RigCommandError::Write { path: path.to_owned(), source };
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    fs::create_dir_all(folder).map_err(fault)?;
    let old = match fs::read_to_string(path) {
        Ok(old) if old == text => return Ok(None),
        Ok(_) => true,
        Err(error) if error.kind() == io::ErrorKind::NotFound => false,
        Err(source) => return Err(fault(source)),
    };
    let mut new = tempfile::NamedTempFile::new_in(folder).map_err(fault)?;
    new.write_all(text.as_bytes()).map_err(fault)?;
    new.as_file().sync_all().map_err(fault)?;
    let mut kept = None;
    if old {
        kept = Some(keep(path).map_err(fault)?);
    }
    new.persist(path).map_err(|error| fault(error.error))?;
    Ok(kept)
}

/// A second name for the file as it is; one that is taken is never taken away from its owner.
fn keep(path: &Path) -> io::Result<PathBuf> {
    let name = |number: u32| PathBuf::from(format!("{}.{number}", path.display()));
    for number in 1..=9_999 {
        match fs::hard_link(path, name(number)) {
            Ok(()) => return Ok(name(number)),
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
            // Some file systems have no links.
            Err(_) if !name(number).exists() => {
                let mut copy = fs::OpenOptions::new().write(true).create_new(true).open(name(number))?;
                copy.write_all(&fs::read(path)?)?;
                copy.sync_all()?;
                return Ok(name(number));
            }
            Err(error) => return Err(error),
        }
    }
    Err(io::Error::other("9999 old files are kept already"))
}

/// The questions; `config` is searched first (`phrases/interview.toml`).
///
/// # Errors
/// A file that is there and cannot be read.
pub fn questions(config: &Path) -> Result<String, PromptError> {
    let path = config.join("phrases").join("interview.toml");
    if path.exists() {
        prompts::read(&path)
    } else {
        Ok(include_str!("../../prompts/phrases/interview.toml").to_owned())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn talk(path: &Path, said: &str) -> String {
        let mut output = Vec::new();
        let questions = include_str!("../../prompts/phrases/interview.toml");
        interview(path, questions, &mut said.as_bytes(), &mut output).unwrap();
        String::from_utf8(output).unwrap()
    }

    #[test]
    fn a_first_interview_writes_a_rig_that_can_be_read() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("deep").join("rig.toml");
        let said = talk(&path, "fifth wheel\nRowan\nenough\n");
        assert!(said.contains("What kind of rig is it?") && said.contains("Saved in"), "{said}");
        let rig = prompts::rig(Some(&path), folder.path()).unwrap();
        assert!(rig.has("fifth-wheel"));
        assert_eq!(rig.people()[0].name, "Rowan");
    }

    #[test]
    fn the_file_that_was_there_is_kept_each_time() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("rig.toml");
        fs::write(&path, "# my own\nkind = \"van\"\n").unwrap();
        assert!(talk(&path, "motorhome\nenough\n").contains("rig.toml.1"));
        assert!(talk(&path, "fifth wheel\nenough\n").contains("rig.toml.2"));
        let read = |name: &str| fs::read_to_string(folder.path().join(name)).unwrap();
        assert_eq!(read("rig.toml.1"), "# my own\nkind = \"van\"\n");
        assert!(read("rig.toml.2").contains("kind = \"motorhome\""));
        assert!(read("rig.toml").contains("kind = \"fifth-wheel\""));
    }

    #[test]
    fn a_file_that_is_no_rig_is_neither_read_over_nor_written_over() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("rig.toml");
        fs::write(&path, "kind = \"boat\"").unwrap();
        let questions = include_str!("../../prompts/phrases/interview.toml");
        let error = interview(&path, questions, &mut "van\n".as_bytes(), &mut Vec::new()).unwrap_err();
        assert!(error.to_string().contains("correct it there, or move the file away"), "{error}");
        assert_eq!(fs::read_to_string(&path).unwrap(), "kind = \"boat\"");
    }

    #[test]
    fn an_end_before_the_first_answer_saves_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("rig.toml");
        assert!(talk(&path, "").contains("Nothing was saved."));
        assert!(!path.exists());
    }
}
