//! Which folder may use what: the table below, checked against every path that is written in `src/`.

use std::collections::BTreeSet;
use std::fs;
use std::str::FromStr;

use proc_macro2::TokenStream;

use crate::paths::{collect, path_of_ours, source_folder, sources, top_of};

/// A folder (or file) directly below `src/`, and the paths of our own that it may use besides itself.
const OURS: &[(&str, &[&str])] = &[
    ("units", &[]),
    ("onnx", &[]),
    ("memory", &[]),
    ("source", &[]),
    ("figures", &["units"]),
    ("rig", &["units", "source", "figures"]),
    ("routine", &["units", "source", "rig"]),
    ("plan", &["units", "rig", "routine", "figures"]),
    ("engine", &["units", "source", "rig", "routine", "figures"]),
    ("audio", &["units"]),
    ("decide", &["units", "engine::input", "engine::output"]),
    ("hear", &["units", "engine::input", "engine::output", "onnx", "audio", "decide"]),
    ("say", &["units", "source", "engine::input", "engine::output", "audio"]),
    ("speech", &["units", "engine::input", "engine::output", "onnx", "memory", "audio", "decide", "hear", "say"]),
    ("station", &["units", "engine::input", "engine::output", "audio", "decide", "hear", "say"]),
    ("server", OUTER),
    ("journal", OUTER),
    ("screen", OUTER),
    ("paper", &["units", "rig", "routine", "engine::event"]),
];

/// Folders that join the others, and what they do not use all the same.
const NOT_FROM: &[(&str, &[&str])] = &[("setup", &["cli", "conductor", "station"]), ("conductor", &["cli"])];

/// What the folders that touch the world may use: the engine's inputs and outputs, never the engine.
const OUTER: &[&str] = &["units", "engine::input", "engine::output", "engine::event", "onnx"];

/// Folders that only compute: what they do depends on their arguments alone.
const PURE: &[&str] = &["units", "source", "rig", "routine", "figures", "plan", "engine"];

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
    ("sonora_aec3", &["hear/"]),
    ("ort", &["hear/detector.rs", "speech/", "onnx.rs"]),
    ("libloading", &["speech/vosk/library.rs"]),
    ("misaki_rs", &["speech/"]),
    ("pumpkin_core", &["plan/solve.rs"]),
    ("pumpkin_constraints", &["plan/solve.rs"]),
    ("pumpkin_conflict_resolvers", &["plan/solve.rs"]),
    ("rusqlite", &["journal/"]),
    ("ratatui", &["screen/"]),
    ("crossterm", &["screen/"]),
    ("tui_big_text", &["screen/"]),
    ("signal_hook", &["screen/"]),
    ("tokio", &["conductor/", "server/"]),
    ("axum", &["server/"]),
    ("hyper", &["server/"]),
    ("hyper_util", &["server/"]),
    ("tokio_rustls", &["server/"]),
    ("rcgen", &["server/certificate.rs"]),
    ("qrcode", &["server/invitation.rs"]),
    ("if_addrs", &["server/address.rs"]),
    ("clap", &["main.rs", "cli/"]),
    ("zip", &["cli/", "setup/", "paper/"]),
    ("solar_positioning", &["figures/"]),
    ("std::net", &["server/"]),
    ("*::Instant", &["setup/clock.rs"]),
    ("*::SystemTime", &["setup/clock.rs"]),
    ("rustix::time", &["setup/clock.rs", "conductor/timer.rs"]),
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
        ("setup/places.rs", "use crate::cli::args::Cli;"),
        ("setup/places.rs", "fn f(run: crate::conductor::live::Parted) {}"),
        ("conductor/live.rs", "use crate::cli::fetch;"),
        ("hear/ear.rs", "use crate::speech::score::Scorer;"),
        ("decide/mod.rs", "use crate::hear::ear::Ear;"),
        ("say/mixer.rs", "use crate::speech::voice::cache::Cache;"),
        ("say/mixer.rs", "use rtrb::Consumer;"),
        ("station/mod.rs", "use tokio::sync::mpsc;"),
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
        ("hear/detector.rs", "use crate::engine::{input::{Input, Heard}, output::Output}; use ort::Session;"),
        ("audio/capture.rs", "use cpal::traits::HostTrait; use std::thread; use crate::audio::wav;"),
        ("setup/clock.rs", "use std::time::{Instant, SystemTime}; fn f() { rustix::time::clock_gettime(C); }"),
        ("station/mod.rs", "use crate::{hear::ear::Ear, say::mixer::Mixer, decide::decide};"),
        ("say/mixer.rs", "use rodio::Source;"),
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
            if let Some((_, not)) = NOT_FROM.iter().find(|(name, _)| *name == top)
                && not.iter().any(|folder| is_below(&ours, folder))
            {
                found.push(format!("src/{file}: uses {}, which stands above it", ours.join("::")));
            }
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

/// Whether `path` is `prefix` or below it; `*::name` is any path with that name in it.
fn is_below(path: &[String], prefix: &str) -> bool {
    if let Some(name) = prefix.strip_prefix("*::") {
        return path.iter().any(|part| part == name);
    }
    let prefix: Vec<&str> = prefix.split("::").collect();
    path.len() >= prefix.len() && path.iter().zip(&prefix).all(|(a, b)| a == b)
}
