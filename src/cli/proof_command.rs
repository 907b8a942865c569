//! `sparehand proof`: looks routines over for their authors and shows what was found in the text.

use std::cell::RefCell;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{Args, ValueEnum};
use miette::{LabeledSpan, MietteDiagnostic, NamedSource, Report, Severity as Shown};
use thiserror::Error;

use crate::cli::by_ear::{ByEar, ByEarError};
use crate::cli::schema;
use crate::engine::phrasebook::Command;
use crate::rig::Rig;
use crate::routine::{self, Finding, Library, Routine, Severity, Source, Surroundings};
use crate::setup::places::Places;
use crate::setup::prompts::{self, PromptError};

#[derive(Debug, Args)]
pub struct ProofArgs {
    /// Files, or names of routines; without any, all that ship and all of your own.
    #[arg(value_name = "FILE")]
    pub files: Vec<PathBuf>,
    /// Rig file; without it, rig.toml in the configuration folder, or common practice.
    #[arg(long, value_name = "FILE")]
    pub rig: Option<PathBuf>,
    /// Also speak every answer, in three voices, alone and in noise, and hear whether it is taken for something else.
    #[arg(long)]
    pub by_ear: bool,
    /// Print the JSON Schema of such a file instead.
    #[arg(long, value_enum, value_name = "KIND", conflicts_with = "files")]
    pub schema: Option<SchemaOf>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum SchemaOf {
    Routine,
    Changes,
}

/// Why nothing can be looked over.
#[derive(Debug, Error)]
pub enum ProofError {
    #[error(transparent)]
    Prompts(#[from] PromptError),
    #[error(transparent)]
    ByEar(#[from] ByEarError),
    #[error("what was found cannot be printed")]
    Output(#[source] io::Error),
}

/// Looks the files over and prints what was found, or prints the schema of such a file; fails where a finding is an error.
///
/// # Errors
/// As [`lint`].
pub fn run(args: ProofArgs, places: &Places) -> Result<ExitCode, ProofError> {
    let ProofArgs { files, rig, by_ear, schema } = args;
    let schema = schema.map(|of| match of {
        SchemaOf::Routine => routine::routine_schema(),
        SchemaOf::Changes => routine::changes_schema(),
    });
    if let Some(schema) = schema {
        schema::print(&schema).map_err(ProofError::Output)?;
        return Ok(ExitCode::SUCCESS);
    }
    let request = ProofRequest { files, rig, by_ear };
    let (errors, _) = lint(&request, places, &mut io::stdout().lock())?;
    Ok(if errors > 0 { ExitCode::FAILURE } else { ExitCode::SUCCESS })
}

/// What is to be looked over.
#[derive(Clone, Debug)]
pub struct ProofRequest {
    /// Files, or names of routines; without any, every routine that ships and the user's own.
    pub files: Vec<PathBuf>,
    /// Rig file; without it, rig.toml in the configuration folder, or common practice.
    pub rig: Option<PathBuf>,
    /// Also speak every answer, beside running water too, and hear whether it is taken for something else.
    pub by_ear: bool,
}

/// Prints what was found. Gives how many findings are errors, and how many advice.
///
/// # Errors
/// A file, the rig or the phrases cannot be read, or the output cannot be written.
pub fn lint(request: &ProofRequest, places: &Places, out: &mut dyn Write) -> Result<(usize, usize), ProofError> {
    let config = &places.config;
    let rig = prompts::rig(request.rig.as_deref(), config)?;
    let always = always_allowed(config)?;
    let sources = sources(&request.files, config)?;
    // What cannot be read is not taken for what is not there.
    let unread = RefCell::new(None);
    let read = |found: Result<Option<Source>, PromptError>| {
        found.unwrap_or_else(|error| {
            unread.borrow_mut().get_or_insert(error);
            None
        })
    };
    let given = |id: &str| sources.iter().find(|source| stem(&source.name) == id).cloned();
    let routine = |id: &str| given(id).or_else(|| read(prompts::routine_source(id, config)));
    let changes = |id: &str| given(&format!("{id}.changes")).or_else(|| read(prompts::changes_source(id, config)));
    let library = Library { routine: &routine, changes: &changes };
    let mut ear = request.by_ear.then(|| ByEar::open(places)).transpose()?;
    let (mut errors, mut advice) = (0, 0);
    for source in &sources {
        let mut findings = routine::lint(source, &Surroundings { rig: &rig, library, always: &always });
        if let Some(ear) = &mut ear
            && let Some(loaded) = whole(source, &rig, &library)
        {
            findings.extend(ear.sound_alike(source, &loaded)?);
        }
        if let Some(error) = unread.take() {
            return Err(error.into());
        }
        for finding in findings {
            match finding.severity {
                Severity::Error => errors += 1,
                Severity::Advice => advice += 1,
            }
            writeln!(out, "{:?}", report(source, finding)).map_err(ProofError::Output)?;
        }
    }
    let files = sources.len();
    let counted = |count: usize, what: &str| format!("{count} {what}{}", if count == 1 { "" } else { "s" });
    let (files, faults) = (counted(files, "file"), counted(errors, "error"));
    writeln!(out, "{files}, {faults}, {advice} to think about").map_err(ProofError::Output)?;
    Ok((errors, advice))
}

/// The routine of a file; that which a file of changes makes of its routine. `None` where it would be refused.
fn whole(source: &Source, rig: &Rig, library: &Library) -> Option<Routine> {
    let id = stem(&source.name);
    match id.strip_suffix(".changes") {
        Some(changed) => routine::load_with(&(library.routine)(changed)?, rig, library).ok(),
        None => routine::load_with(source, rig, library).ok(),
    }
}

/// Every phrase that may be said at any time.
fn always_allowed(config: &Path) -> Result<Vec<String>, PromptError> {
    let book = prompts::phrasebook(config)?;
    Ok(Command::ALL.iter().flat_map(|&command| book.command(command)).cloned().collect())
}

fn report(source: &Source, finding: Finding) -> Report {
    let Finding { severity, step, span, found, expected } = finding;
    let place = if step.is_empty() { source.name.clone() } else { format!("{}: step '{step}'", source.name) };
    let severity = match severity {
        Severity::Error => Shown::Error,
        Severity::Advice => Shown::Advice,
    };
    let mut diagnostic = MietteDiagnostic::new(format!("{place}: found {found}"))
        .with_help(format!("expected {expected}"))
        .with_severity(severity);
    if let Some(span) = span {
        diagnostic = diagnostic.with_label(LabeledSpan::at(span, "here"));
    }
    Report::new(diagnostic).with_source_code(NamedSource::new(&source.name, source.text.clone()))
}

fn sources(files: &[PathBuf], config: &Path) -> Result<Vec<Source>, PromptError> {
    if !files.is_empty() {
        return files.iter().map(|file| one(file, config)).collect();
    }
    let mut all = Vec::new();
    for (id, _) in prompts::ROUTINES {
        all.extend(prompts::routine_source(id, config)?);
    }
    for path in prompts::own_files(config)? {
        let name = path.display().to_string();
        if !all.iter().any(|source: &Source| source.name == name) {
            all.push(one(&path, config)?);
        }
    }
    Ok(all)
}

/// A file, or a routine by its name.
fn one(path: &Path, config: &Path) -> Result<Source, PromptError> {
    let is_name = |id: &&str| !path.exists() && path.extension().is_none() && !id.contains(['/', '\\']);
    match path.to_str().filter(is_name) {
        Some(id) => prompts::known_routine(id, config),
        None => Ok(Source { name: path.display().to_string(), text: prompts::read(path)? }),
    }
}

/// The name of the routine that a file of this name has.
fn stem(name: &str) -> &str {
    let file = name.rsplit(['/', '\\']).next().unwrap_or(name);
    file.strip_suffix(".toml").unwrap_or(file)
}
