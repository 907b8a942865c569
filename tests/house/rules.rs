//! Rules of the house that a machine can check, over every file that git tracks.

use std::fs;
use std::path::Path;
use std::process::Command;

/// Links that may stand in a tracked file: the file (or folder, with a slash), and how the link begins.
///
/// A link to a page that a reader may open is fine when it is listed; an address that the program or a script would load from
/// is not. Licence texts and `Cargo.lock`, which cargo writes, are not looked at.
const LINKS: &[(&str, &str)] = &[];

#[test]
fn no_file_names_a_package_registry_or_an_unlisted_address() {
    let mut broken = Vec::new();
    for (file, text) in tracked_texts() {
        if !is_licence(&file) && !file.ends_with("Cargo.lock") {
            broken.extend(addresses(&file, &text));
        }
    }
    assert!(broken.is_empty(), "\n{}", broken.join("\n"));
}

#[test]
fn an_address_is_found_wherever_it_stands() {
    let secure = ["https", "://example.invalid/x"].concat();
    assert_eq!(addresses("run", &format!("curl {secure}")).len(), 1);
    assert_eq!(addresses("check", &["pip install -i PyPI", ".org"].concat()).len(), 1);
    assert_eq!(addresses("README.md", "see the standard ISO 9241").len(), 0);
}

#[test]
fn every_python_package_of_the_outside_checks_has_a_fixed_version() {
    for (file, text) in tracked_texts().into_iter().filter(|(file, _)| file.ends_with("requirements.txt")) {
        for line in text.lines().filter(|l| !l.is_empty() && !l.starts_with('#')) {
            assert!(
                line.split_once("==").is_some_and(|(_, version)| !version.contains('*')),
                "{file}: '{line}', expected name==version"
            );
        }
    }
}

#[test]
fn no_weights_are_tracked() {
    let weights: Vec<String> =
        tracked().into_iter().filter(|f| [".onnx", ".ort", ".so", ".whl"].iter().any(|end| f.ends_with(end))).collect();
    assert!(weights.is_empty(), "{weights:?} belong to models/MANIFEST.toml");
}

/// The addresses in `text` that are not listed for `file`.
fn addresses(file: &str, text: &str) -> Vec<String> {
    let mut found = Vec::new();
    for (number, line) in text.lines().enumerate() {
        let lower = line.to_ascii_lowercase();
        let linked = SCHEMES.iter().any(|s| {
            let scheme = s.concat();
            lower
                .match_indices(&scheme)
                .any(|(at, _)| !LINKS.iter().any(|(of, link)| is_in(file, of) && line[at..].starts_with(link)))
        });
        let registry = REGISTRIES.iter().any(|host| lower.contains(&host.concat()));
        if linked || registry {
            found.push(format!("{file}:{}: {}", number + 1, line.trim()));
        }
    }
    found
}

fn is_in(file: &str, place: &str) -> bool {
    file == place || (place.ends_with('/') && file.starts_with(place))
}

fn is_licence(file: &str) -> bool {
    let name = file.rsplit('/').next().unwrap_or(file);
    ["LICENSE", "LICENCE", "NOTICE"].iter().any(|begin| name.starts_with(begin))
}

/// Every tracked file that is text, with its content.
fn tracked_texts() -> Vec<(String, String)> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    tracked()
        .into_iter()
        .filter_map(|file| fs::read_to_string(root.join(&file)).ok().map(|text| (file, text)))
        .collect()
}

fn tracked() -> Vec<String> {
    let listed = Command::new("git").args(["ls-files", "-z"]).current_dir(env!("CARGO_MANIFEST_DIR")).output().unwrap();
    assert!(listed.status.success(), "git ls-files: {}", String::from_utf8_lossy(&listed.stderr));
    let files: Vec<String> =
        String::from_utf8(listed.stdout).unwrap().split('\0').filter(|f| !f.is_empty()).map(str::to_owned).collect();
    assert!(files.len() > 10, "git tracks only {} files here", files.len());
    files
}

/// In two halves each, so that this file does not name what it looks for.
const SCHEMES: &[[&str; 2]] = &[["http:", "//"], ["https:", "//"], ["ftp:", "//"]];
const REGISTRIES: &[[&str; 2]] = &[
    ["pypi", ".org"],
    ["python", "hosted.org"],
    ["crates", ".io"],
    ["npmjs", ".org"],
    ["npmjs", ".com"],
    ["debian", ".org"],
    ["ubuntu", ".com"],
    ["hugging", "face.co"],
    ["github", ".com"],
];
