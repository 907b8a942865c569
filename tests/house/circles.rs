//! No file of the command line and no folder of the sources uses another that uses it in turn, however far round.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::str::FromStr;

use petgraph::algo::tarjan_scc;
use petgraph::prelude::DiGraphMap;
use proc_macro2::{TokenStream, TokenTree};

use crate::paths::{collect, path_of_ours, source_folder, sources, top_of};

#[test]
fn no_file_of_the_command_line_uses_another_that_uses_it_in_turn() {
    let files: BTreeMap<String, String> = texts().into_iter().filter(|(file, _)| file.starts_with("cli/")).collect();
    assert!(files.len() > 20, "found only {} files", files.len());
    let found = circles(&uses(&files));
    assert!(found.is_empty(), "\n{}", found.join("\n"));
}

#[test]
fn no_folder_of_the_sources_uses_another_that_uses_it_in_turn() {
    let files: BTreeMap<String, String> =
        texts().into_iter().filter(|(file, _)| file != "lib.rs" && file != "main.rs").collect();
    let folders: BTreeSet<(String, String)> = uses(&files)
        .into_iter()
        .map(|(from, to)| (top_of(&from), top_of(&to)))
        .filter(|(from, to)| from != to)
        .collect();
    assert!(folders.len() > 20, "found only {folders:?}");
    let found = circles(&folders);
    assert!(found.is_empty(), "\n{}", found.join("\n"));
}

#[test]
fn a_circle_is_found_however_far_round_it_goes_and_a_way_in_one_direction_is_none() {
    let files = |texts: &[(&str, &str)]| {
        texts.iter().map(|(file, text)| ((*file).to_owned(), (*text).to_owned())).collect::<BTreeMap<_, _>>()
    };
    let round = files(&[
        ("cli/a.rs", "use crate::cli::b::B;"),
        ("cli/b.rs", "fn f() { super::c::f(); }"),
        ("cli/c.rs", "mod d; use d::D;"),
        ("cli/c/d.rs", "use crate::{cli::a, rig};"),
        ("cli/e.rs", "use crate::cli::a::A;"),
    ]);
    assert_eq!(circles(&uses(&round)), ["cli/a.rs, cli/b.rs, cli/c.rs, cli/c/d.rs use each other in a circle"]);
    let straight = files(&[
        ("cli/a.rs", "use crate::cli::b::B; mod tests { use super::*; }"),
        ("cli/b.rs", "use crate::cli::c::C; // crate::cli::a"),
        ("cli/c.rs", "pub struct C;"),
    ]);
    assert_eq!(uses(&straight).len(), 2);
    assert_eq!(circles(&uses(&straight)), Vec::<String>::new());
}

/// The circles among things that use each other.
fn circles(uses: &BTreeSet<(String, String)>) -> Vec<String> {
    let graph: DiGraphMap<&str, ()> = uses.iter().map(|(from, to)| (from.as_str(), to.as_str())).collect();
    let mut found = Vec::new();
    for mut circle in tarjan_scc(&graph).into_iter().filter(|part| part.len() > 1) {
        circle.sort_unstable();
        found.push(format!("{} use each other in a circle", circle.join(", ")));
    }
    found
}

/// Which file uses which other, by the paths that are written in them.
fn uses(files: &BTreeMap<String, String>) -> BTreeSet<(String, String)> {
    let mut uses = BTreeSet::new();
    for (file, text) in files {
        let tokens = TokenStream::from_str(text).unwrap_or_else(|e| panic!("src/{file}: {e}"));
        let children = children(&tokens);
        let mut paths = BTreeSet::new();
        collect(tokens, 0, &mut paths);
        for (nesting, path) in paths {
            let ours = match path_of_ours(file, nesting, &path) {
                Some(ours) => ours,
                // A path of a module that is declared here.
                None if nesting == 0 && (path[0] == "self" || children.contains(&path[0])) => {
                    let mut module: Vec<String> = file.trim_end_matches(".rs").split('/').map(str::to_owned).collect();
                    module.retain(|part| part != "mod");
                    module.extend(path.iter().filter(|part| *part != "self").cloned());
                    module
                }
                None => continue,
            };
            if let Some(used) = file_of(&ours, files).filter(|used| used != file) {
                uses.insert((file.clone(), used));
            }
        }
    }
    uses
}

/// The file that a path leads into: that of its longest part that is a module.
fn file_of(path: &[String], files: &BTreeMap<String, String>) -> Option<String> {
    (1..=path.len()).rev().find_map(|parts| {
        let module = path[..parts].join("/");
        [format!("{module}.rs"), format!("{module}/mod.rs")].into_iter().find(|file| files.contains_key(file))
    })
}

/// The modules that a file declares.
fn children(tokens: &TokenStream) -> BTreeSet<String> {
    let tokens: Vec<TokenTree> = tokens.clone().into_iter().collect();
    let mut found = BTreeSet::new();
    for three in tokens.windows(3) {
        if let [TokenTree::Ident(word), TokenTree::Ident(name), TokenTree::Punct(end)] = three
            && word == "mod"
            && end.as_char() == ';'
        {
            found.insert(name.to_string());
        }
    }
    found
}

fn texts() -> BTreeMap<String, String> {
    sources().into_iter().map(|file| (file.clone(), fs::read_to_string(source_folder().join(&file)).unwrap())).collect()
}
