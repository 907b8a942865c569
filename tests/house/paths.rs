//! Reads the paths that are written in the sources, as Rust tokens: comments and strings do not count, and paths inside macros do. A
//! path counts by what is written (`crate::...`, `super::...`, a crate's name); an alias for a whole crate would escape.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use proc_macro2::{Delimiter, TokenStream, TokenTree};

/// Collects every path in `tokens`, nested use lists opened, with the number of modules that surround it in its file.
pub fn collect(tokens: TokenStream, nesting: usize, paths: &mut BTreeSet<(usize, Vec<String>)>) {
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
            // Who may see something is no use of it.
            TokenTree::Ident(word) if word == "pub" && matches!(tokens.get(at + 1), Some(TokenTree::Group(_))) => {
                at += 2
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
pub fn path_of_ours(file: &str, nesting: usize, path: &[String]) -> Option<Vec<String>> {
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

/// The folder below `src/`, or the file's name without its ending.
pub fn top_of(file: &str) -> String {
    file.split('/').next().unwrap_or(file).trim_end_matches(".rs").to_owned()
}

/// Every source file, relative to `src/`.
pub fn sources() -> Vec<String> {
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

pub fn source_folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("src")
}
