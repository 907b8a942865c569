//! How long a file and a function may be, and how much the engine may hold.

use std::fs;

use syn::spanned::Spanned;
use syn::visit::{self, Visit};

use crate::paths::{source_folder, sources};

const MOST_LINES_OF_A_FILE: usize = 600;
const MOST_LINES_OF_A_FUNCTION: usize = 80;
const MOST_FIELDS_OF_THE_ENGINE: usize = 15;

#[test]
fn no_file_is_longer_than_600_lines() {
    let mut long = Vec::new();
    for (file, text) in texts() {
        let lines = text.lines().count();
        if lines > MOST_LINES_OF_A_FILE {
            long.push(format!("src/{file}: {lines} lines"));
        }
    }
    assert!(long.is_empty(), "expected one job a file:\n{}", long.join("\n"));
}

#[test]
fn what_is_read_before_anything_else_stays_short() {
    for (file, most) in [("DEVELOPERS.md", 200), ("README.md", 150)] {
        let lines = fs::read_to_string(source_folder().join("..").join(file)).unwrap().lines().count();
        assert!(lines <= most, "{file}: {lines} lines, at most {most}");
    }
}

#[test]
fn no_function_is_longer_than_80_lines() {
    let long: Vec<String> = texts().iter().flat_map(|(file, text)| long_functions(file, text)).collect();
    assert!(long.is_empty(), "expected one job a function:\n{}", long.join("\n"));
}

#[test]
fn the_engine_holds_at_most_15_things() {
    let fields: Vec<usize> = texts()
        .iter()
        .filter(|(file, _)| file.starts_with("engine/"))
        .flat_map(|(_, text)| fields_of("Engine", text))
        .collect();
    let [fields] = fields[..] else { panic!("found {} structs named Engine, expected one", fields.len()) };
    assert!(fields <= MOST_FIELDS_OF_THE_ENGINE, "{fields} fields");
}

#[test]
fn what_is_too_large_is_found() {
    let body = "    work();\n".repeat(79);
    for (text, long) in [
        (format!("fn f() {{\n{body}}}"), 1),
        (format!("fn f() {{\n{}}}", &body["    work();\n".len()..]), 0),
        (format!("impl A {{\nasync fn f(&self)\nwhere A: B {{\n{body}}}\n}}"), 1),
        (format!("trait A {{\nfn f() {{\n{body}}}\n}}"), 1),
        (format!("fn g() {{ fn f() {{\n{body}}} }}"), 2),
    ] {
        assert_eq!(long_functions("a.rs", &text).len(), long, "{text}");
    }
    assert_eq!(fields_of("Engine", "pub struct Engine { a: A, pub(super) b: Vec<(B, C)>, }"), [2]);
}

/// The functions of a file that are too long, counted from the line with its name to that of its closing brace.
fn long_functions(file: &str, text: &str) -> Vec<String> {
    let mut functions = Functions { file, long: Vec::new() };
    functions.visit_file(&syn::parse_file(text).unwrap_or_else(|e| panic!("src/{file}: {e}")));
    functions.long
}

struct Functions<'a> {
    file: &'a str,
    long: Vec<String>,
}

impl Functions<'_> {
    fn look(&mut self, signature: &syn::Signature, block: &syn::Block) {
        let lines = block.span().end().line + 1 - signature.span().start().line;
        if lines > MOST_LINES_OF_A_FUNCTION {
            self.long.push(format!("src/{}: {}, {lines} lines", self.file, signature.ident));
        }
    }
}

impl<'a> Visit<'a> for Functions<'_> {
    fn visit_item_fn(&mut self, function: &'a syn::ItemFn) {
        self.look(&function.sig, &function.block);
        visit::visit_item_fn(self, function);
    }

    fn visit_impl_item_fn(&mut self, function: &'a syn::ImplItemFn) {
        self.look(&function.sig, &function.block);
        visit::visit_impl_item_fn(self, function);
    }

    fn visit_trait_item_fn(&mut self, function: &'a syn::TraitItemFn) {
        if let Some(block) = &function.default {
            self.look(&function.sig, block);
        }
        visit::visit_trait_item_fn(self, function);
    }
}

/// How many fields each struct of this name has.
fn fields_of(name: &str, text: &str) -> Vec<usize> {
    let items = syn::parse_file(text).unwrap().items;
    let structs = items.into_iter().filter_map(|item| match item {
        syn::Item::Struct(found) if found.ident == name => Some(found.fields.len()),
        _ => None,
    });
    structs.collect()
}

fn texts() -> Vec<(String, String)> {
    sources().into_iter().map(|file| (file.clone(), fs::read_to_string(source_folder().join(file)).unwrap())).collect()
}
