//! Which folder may use what: the table below, checked against every path that is written in `src/`.
//!
//! The sources are read as Rust tokens, so comments and strings do not count, and paths inside macros do. A path counts by what
//! is written (`crate::...`, `super::...`, `std::...`, a crate's name); an alias for a whole crate would escape it.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::str::FromStr;

use proc_macro2::{Delimiter, TokenStream, TokenTree};

/// A folder (or file) directly below `src/`, and the paths of our own that it may use besides itself.
const OURS: &[(&str, &[&str])] = &[
    ("units", &[]),
    ("onnx", &[]),
    ("rig", &["units"]),
    ("routine", &["units", "rig"]),
    ("figures", &["units", "rig"]),
    ("plan", &["units", "rig", "routine", "figures"]),
    ("engine", &["units", "rig", "routine", "figures"]),
    ("audio", &["units"]),
    ("hear", &["units", "engine::input", "engine::output", "engine::event", "onnx", "audio", "speech"]),
    ("say", &["units", "engine::input", "engine::output", "engine::event", "audio"]),
    ("speech", &["units", "engine::input", "engine::output", "engine::event", "onnx", "audio", "say", "hear"]),
    ("journal", OUTER),
    ("screen", OUTER),
    ("paper", &["units", "rig", "routine", "engine::event"]),
];

/// What the folders that touch the world may use: the engine's inputs and outputs, never the engine.
const OUTER: &[&str] = &["units", "engine::input", "engine::output", "engine::event", "onnx"];

/// Folders that only compute: what they do depends on their arguments alone.
const PURE: &[&str] = &["units", "rig", "routine", "figures", "plan", "engine"];

/// Paths that the pure folders do not use.
const IMPURE: &[&str] = &[
    "std::thread",
    "std::fs",
    "std::net",
    "std::process",
    "std::env",
    "std::io",
    "tokio",
    "rustix",
    "tracing",
    "tempfile",
    "etcetera",
];

/// Paths of others, and the only places below `src/` that use them; `*::` stands for whatever goes before.
const ONLY_IN: &[(&str, &[&str])] = &[
    ("cpal", &["audio/"]),
    ("rtrb", &["audio/"]),
    ("rodio", &["say/"]),
    ("sonora", &["hear/"]),
    ("ort", &["hear/", "speech/", "onnx.rs"]),
    ("libloading", &["speech/vosk/library.rs"]),
    ("misaki_rs", &["speech/"]),
    ("pumpkin_core", &["plan/solve.rs"]),
    ("pumpkin_constraints", &["plan/solve.rs"]),
    ("pumpkin_conflict_resolvers", &["plan/solve.rs"]),
    ("rusqlite", &["journal/"]),
    ("ratatui", &["screen/"]),
    ("crossterm", &["screen/"]),
    ("tui_big_text", &["screen/"]),
    ("tokio", &["conductor/"]),
    ("clap", &["main.rs", "cli/", "conductor/rehearse.rs"]),
    ("zip", &["cli/", "setup/", "paper/"]),
    ("solar_positioning", &["figures/"]),
    ("std::net", &[]),
    ("*::Instant", &["setup/clock.rs"]),
    ("*::SystemTime", &["setup/clock.rs"]),
    ("rustix::time", &["setup/clock.rs"]),
];

#[test]
fn no_folder_uses_what_it_may_not() {
    let mut broken = Vec::new();
    let files = sources();
    for file in &files {
        let text = fs::read_to_string(source_folder().join(file)).unwrap();
        broken.extend(violations(file, &text));
    }
    assert!(broken.is_empty(), "\n{}", broken.join("\n"));
    assert!(files.len() > 10, "found only {} source files", files.len());
}

#[test]
fn every_folder_of_the_sources_has_its_rule() {
    let known: BTreeSet<&str> =
        OURS.iter().map(|(name, _)| *name).chain(["cli", "conductor", "setup", "lib", "main"]).collect();
    for file in sources() {
        assert!(
            known.contains(top_of(&file).as_str()),
            "src/{file}: its folder has no rule in tests/house/layering.rs"
        );
    }
}

#[test]
fn each_kind_of_forbidden_path_is_found() {
    for (file, text) in [
        ("engine/core.rs", "use crate::journal::Journal;"),
        ("engine/core.rs", "use crate::{units, hear::Listener};"),
        ("engine/core.rs", "fn f() { let x = crate::say::speak(); }"),
        ("engine/core.rs", "use super::super::screen::Screen;"),
        ("engine/core.rs", "fn f() { debug!(\"{}\", crate::cli::now()); }"),
        ("engine/mod.rs", "use super::journal;"),
        ("engine/core.rs", "use std::{fs, time::Duration};"),
        ("engine/core.rs", "fn f() { std::thread::spawn(g); }"),
        ("units.rs", "mod tests { use super::super::engine; }"),
        ("units.rs", "use std::time::{Duration, Instant};"),
        ("hear/tree.rs", "use crate::engine::Engine;"),
        ("hear/tree.rs", "use crate::engine::core::Engine;"),
        ("hear/tree.rs", "use crate::engine::{input::Input, state};"),
        ("hear/tree.rs", "use crate::engine::*;"),
        ("hear/tree.rs", "use crate::say::text;"),
        ("hear/tree.rs", "use cpal::Stream;"),
        ("speech/tree.rs", "use crate::journal::Journal;"),
        ("say/queue.rs", "pub fn f(s: ::cpal::Stream) {}"),
        ("say/queue.rs", "use std::time as t; fn f() { t::Instant::now(); }"),
        ("conductor/session.rs", "use std::net::TcpStream;"),
        ("conductor/session.rs", "fn f() { rusqlite::Connection::open_in_memory(); }"),
        ("conductor/session.rs", "fn f() { Instant::now(); }"),
        ("main.rs", "use ratatui as r;"),
    ] {
        assert!(!violations(file, text).is_empty(), "src/{file}: {text}");
    }
}

#[test]
fn what_is_allowed_is_not_reported() {
    for (file, text) in [
        (
            "engine/core.rs",
            "use super::input::Input; use crate::routine::Routine; use crate::{rig, units::SessionTime};",
        ),
        ("engine/core.rs", "// crate::hear\n/// See [`crate::say`].\nfn f() { print(\"crate::app std::fs\"); }"),
        ("engine/core.rs", "mod tests { use super::super::input::Input; use super::*; }"),
        ("units.rs", "use std::time::Duration; mod tests { use super::*; }"),
        ("hear/mod.rs", "use crate::engine::{event::E, input::{Input, Heard}, output::Output}; use ort::Session;"),
        ("audio/capture.rs", "use cpal::traits::HostTrait; use std::thread; use crate::audio::wav;"),
        ("setup/clock.rs", "use std::time::{Instant, SystemTime}; fn f() { rustix::time::clock_gettime(C); }"),
        ("conductor/session.rs", "use crate::{engine::Engine, hear, say}; fn f() { a.iter().zip(b).clap(); }"),
        ("main.rs", "use sparehand::cli; use clap::Parser;"),
    ] {
        assert_eq!(violations(file, text), Vec::<String>::new(), "src/{file}: {text}");
    }
}

/// What in `text`, the content of `src/<file>`, breaks a rule.
fn violations(file: &str, text: &str) -> Vec<String> {
    let tokens = TokenStream::from_str(text).unwrap_or_else(|e| panic!("src/{file}: {e}"));
    let mut paths = BTreeSet::new();
    collect(tokens, 0, &mut paths);
    let top = top_of(file);
    let mut found = Vec::new();
    for (nesting, path) in &paths {
        if let Some(ours) = path_of_ours(file, *nesting, path) {
            if let Some((_, allowed)) = OURS.iter().find(|(name, _)| *name == top) {
                let fine = is_below(&ours, &top) || allowed.iter().any(|a| is_below(&ours, a));
                if !fine {
                    found.push(format!("src/{file}: uses {}, may use only {}", ours.join("::"), allowed.join(", ")));
                }
            }
            continue;
        }
        if PURE.contains(&top.as_str()) && IMPURE.iter().any(|p| is_below(path, p)) {
            found.push(format!("src/{file}: uses {}, and only computes", path.join("::")));
        }
        for (of, places) in ONLY_IN {
            if is_below(path, of) && !places.iter().any(|p| file == *p || (p.ends_with('/') && file.starts_with(p))) {
                found.push(format!("src/{file}: uses {}, which belongs to {places:?}", path.join("::")));
            }
        }
    }
    found
}

/// Collects every path in `tokens`, nested use lists opened, with the number of modules that surround it in its file.
fn collect(tokens: TokenStream, nesting: usize, paths: &mut BTreeSet<(usize, Vec<String>)>) {
    let tokens: Vec<TokenTree> = tokens.into_iter().collect();
    let mut at = 0;
    while at < tokens.len() {
        match &tokens[at] {
            TokenTree::Ident(word) if word == "mod" => {
                if let Some(TokenTree::Group(body)) = tokens.get(at + 2) {
                    collect(body.stream(), nesting + 1, paths);
                    at += 2;
                }
                at += 1;
            }
            // A method or a field, but not the end of a range.
            TokenTree::Ident(_) if is_dot(&tokens, at, 1) && !is_dot(&tokens, at, 2) => at += 1,
            TokenTree::Ident(_) => at = collect_path(&tokens, at, &[], nesting, paths),
            TokenTree::Group(group) => {
                collect(group.stream(), nesting, paths);
                at += 1;
            }
            _ => at += 1,
        }
    }
}

/// Collects the path that begins at `at` (and all that its braces hold), returns where it ends.
fn collect_path(
    tokens: &[TokenTree],
    mut at: usize,
    prefix: &[String],
    nesting: usize,
    paths: &mut BTreeSet<(usize, Vec<String>)>,
) -> usize {
    let mut path = prefix.to_vec();
    loop {
        match tokens.get(at) {
            Some(TokenTree::Ident(word)) => path.push(word.to_string()),
            // A use list: every entry goes on from here.
            Some(TokenTree::Group(list)) if list.delimiter() == Delimiter::Brace => {
                let entries: Vec<TokenTree> = list.stream().into_iter().collect();
                let mut entry = 0;
                while entry < entries.len() {
                    entry = match &entries[entry] {
                        TokenTree::Ident(_) => collect_path(&entries, entry, &path, nesting, paths),
                        _ => entry + 1,
                    };
                }
                return at + 1;
            }
            // `path::*` or `path::<T>`: the path ends here.
            _ => break,
        }
        at += 1;
        if is_colon(tokens.get(at)) && is_colon(tokens.get(at + 1)) {
            at += 2;
        } else {
            break;
        }
    }
    paths.insert((nesting, path));
    at
}

/// Whether the token `back` places before `at` is a dot.
fn is_dot(tokens: &[TokenTree], at: usize, back: usize) -> bool {
    matches!(at.checked_sub(back).map(|i| &tokens[i]), Some(TokenTree::Punct(p)) if p.as_char() == '.')
}

fn is_colon(token: Option<&TokenTree>) -> bool {
    matches!(token, Some(TokenTree::Punct(p)) if p.as_char() == ':')
}

/// The path from the crate's root, for a path of our own; none for another.
fn path_of_ours(file: &str, nesting: usize, path: &[String]) -> Option<Vec<String>> {
    match path[0].as_str() {
        "crate" | "sparehand" if path.len() > 1 => Some(path[1..].to_vec()),
        "super" => {
            let mut module: Vec<String> = file.trim_end_matches(".rs").split('/').map(str::to_owned).collect();
            module.retain(|m| m != "mod");
            module.extend((0..nesting).map(|_| "inline".to_owned()));
            let ups = path.iter().take_while(|p| *p == "super").count();
            module.truncate(module.len().saturating_sub(ups));
            module.extend(path[ups..].iter().cloned());
            Some(module)
        }
        _ => None,
    }
}

/// Whether `path` is `prefix` or below it; `*::name` is any path with that name in it.
fn is_below(path: &[String], prefix: &str) -> bool {
    if let Some(name) = prefix.strip_prefix("*::") {
        return path.iter().any(|part| part == name);
    }
    let prefix: Vec<&str> = prefix.split("::").collect();
    path.len() >= prefix.len() && path.iter().zip(&prefix).all(|(a, b)| a == b)
}

/// The folder below `src/`, or the file's name without its ending.
fn top_of(file: &str) -> String {
    file.split('/').next().unwrap_or(file).trim_end_matches(".rs").to_owned()
}

/// Every source file, relative to `src/`.
fn sources() -> Vec<String> {
    fn walk(folder: &Path, found: &mut Vec<PathBuf>) {
        for entry in fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()) {
            if entry.is_dir() {
                walk(&entry, found);
            } else if entry.extension().is_some_and(|e| e == "rs") {
                found.push(entry);
            }
        }
    }
    let mut found = Vec::new();
    walk(&source_folder(), &mut found);
    found.iter().map(|p| p.strip_prefix(source_folder()).unwrap().to_str().unwrap().to_owned()).collect()
}

fn source_folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("src")
}
