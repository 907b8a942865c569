//! Bringing lists in as the command does, from bytes.
#![allow(dead_code, reason = "every test file uses a part of it")]

use std::path::Path;

use clap::Parser;
use sparehand::cli::args::{Cli, CliCommand};
use sparehand::cli::paper_command::{FromTableArgs, from_table_with};
use sparehand::rig::Rig;
use sparehand::routine::{Routine, load};

/// An empty configuration folder.
pub fn config() -> tempfile::TempDir {
    tempfile::tempdir().unwrap()
}

/// The routine's text and what was told; `more` are further options. The guess is taken without asking.
pub fn brought_in(name: &str, bytes: &[u8], more: &[&str]) -> (String, String) {
    brought_in_with(config().path(), name, bytes, more)
}

pub fn brought_in_with(config: &Path, name: &str, bytes: &[u8], more: &[&str]) -> (String, String) {
    let more: Vec<&str> = ["--yes"].iter().chain(more).copied().collect();
    attempt(config, name, bytes, &more, None).unwrap_or_else(|why| panic!("{why}"))
}

/// The same with a person who types.
pub fn talked(name: &str, bytes: &[u8], typed: &str) -> Result<(String, String), String> {
    attempt(config().path(), name, bytes, &[], Some(typed))
}

/// Why a list is refused, without the folder that it lies in.
pub fn refused(name: &str, bytes: &[u8], more: &[&str]) -> String {
    attempt(config().path(), name, bytes, more, None).expect_err("was taken")
}

pub fn attempt(
    config: &Path,
    name: &str,
    bytes: &[u8],
    more: &[&str],
    typed: Option<&str>,
) -> Result<(String, String), String> {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join(name);
    std::fs::write(&path, bytes).unwrap();
    let mut told = Vec::new();
    let mut person = typed.map(str::as_bytes);
    let person = person.as_mut().map(|typed| typed as &mut dyn std::io::BufRead);
    let within = format!("{}/", folder.path().display());
    let done = from_table_with(&args(&path, more), config, person, &mut told);
    let text = done.map_err(|why| why.to_string().replace(&within, ""))?;
    Ok((text, String::from_utf8(told).unwrap()))
}

fn args(path: &Path, more: &[&str]) -> FromTableArgs {
    let line = ["sparehand", "from-table", path.to_str().unwrap()].into_iter().chain(more.iter().copied());
    match Cli::try_parse_from(line).unwrap().command {
        CliCommand::FromTable(args) => args,
        other => panic!("{other:?}"),
    }
}

/// The text as the program loads it for the common rig.
pub fn routine_of(text: &str) -> Routine {
    load("brought-in.toml", text, &Rig::default()).unwrap_or_else(|why| panic!("{why}\n{text}"))
}
