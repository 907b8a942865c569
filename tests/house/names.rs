//! No two public types of the crate have one name.

use std::collections::BTreeMap;
use std::fs;

use crate::paths::{source_folder, sources};

#[test]
fn no_two_public_types_have_one_name() {
    let texts =
        sources().into_iter().map(|file| (file.clone(), fs::read_to_string(source_folder().join(file)).unwrap()));
    let (count, twice) = twice(texts);
    assert!(count > 200, "found only {count} types");
    assert!(twice.is_empty(), "expected a name that tells them apart:\n{}", twice.join("\n"));
}

#[test]
fn a_name_that_is_taken_is_found_and_a_private_one_is_free() {
    let files = |texts: &[(&str, &str)]| {
        texts.iter().map(|(file, text)| ((*file).to_owned(), (*text).to_owned())).collect::<Vec<_>>()
    };
    let taken = files(&[
        ("a.rs", "pub struct Step; pub enum Other { Step }"),
        ("b.rs", "pub mod inner { pub trait Step {} }"),
        ("c.rs", "pub type Step = u32;"),
    ]);
    assert_eq!(twice(taken.into_iter()), (4, vec!["Step: a.rs, b.rs, c.rs".to_owned()]));
    let free = files(&[
        ("a.rs", "pub struct Step; mod tests { struct Step; }"),
        ("b.rs", "struct Step; pub(crate) enum Step2 {}"),
        ("c.rs", "pub use crate::a::Step;"),
    ]);
    assert_eq!(twice(free.into_iter()), (1, Vec::new()));
}

/// How many public types there are, and the names that several have.
fn twice(texts: impl Iterator<Item = (String, String)>) -> (usize, Vec<String>) {
    let mut places: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for (file, text) in texts {
        let parsed = syn::parse_file(&text).unwrap_or_else(|e| panic!("src/{file}: {e}"));
        for name in public_types(&parsed.items) {
            places.entry(name).or_default().push(file.clone());
        }
    }
    let count = places.values().map(Vec::len).sum();
    let twice = places.iter().filter(|(_, files)| files.len() > 1);
    (count, twice.map(|(name, files)| format!("{name}: {}", files.join(", "))).collect())
}

fn public_types(items: &[syn::Item]) -> Vec<String> {
    let mut found = Vec::new();
    for item in items {
        let (visibility, name) = match item {
            syn::Item::Struct(item) => (&item.vis, &item.ident),
            syn::Item::Enum(item) => (&item.vis, &item.ident),
            syn::Item::Union(item) => (&item.vis, &item.ident),
            syn::Item::Trait(item) => (&item.vis, &item.ident),
            syn::Item::Type(item) => (&item.vis, &item.ident),
            syn::Item::Mod(module) => {
                found.extend(public_types(module.content.as_ref().map_or(&[], |(_, items)| items)));
                continue;
            }
            _ => continue,
        };
        if matches!(visibility, syn::Visibility::Public(_)) {
            found.push(name.to_string());
        }
    }
    found
}
