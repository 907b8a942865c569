//! Figures of hearing are those of the program as it is, or it stands below them since when they are not.
//!
//! Above figures stands a mark, `<!-- measured: COMMIT; on: NAME DIGEST, ...; again: COMMAND -->`, and holds for what is below it up to the next one.
//! The names stand in `docs/hearing/depends.toml`. A mark without digests is followed by a line that readers see:
//! `*Known to be stale since COMMIT: why.*`

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use sha2::{Digest, Sha256};

const FOLDER: &str = "docs/hearing";

#[test]
fn figures_of_another_program_are_told_to_be_stale() {
    let depends = depends();
    let mut faults = Vec::new();
    for (place, mark) in marks().into_iter().flatten() {
        for name in mark.on.keys() {
            assert!(depends.contains_key(name), "{place}: hangs on '{name}', which is not in {FOLDER}/depends.toml");
        }
        let changed: Vec<String> = mark
            .on
            .iter()
            .filter_map(|(name, digest)| {
                let found = digest_of(root(), &depends[name]);
                digest.as_ref().is_some_and(|digest| *digest != found).then(|| format!("{name}, now {found}"))
            })
            .collect();
        if !changed.is_empty() {
            faults.push(format!(
                "{place}: the figures of {} are of another program, since this has changed: {}. Make them anew ({}), or take the digests out and \
                 say below the mark: *Known to be stale since COMMIT: why.*",
                mark.measured,
                changed.join("; "),
                mark.again
            ));
        }
    }
    assert!(faults.is_empty(), "\n{}", faults.join("\n"));
}

#[test]
fn every_table_of_figures_stands_below_a_mark() {
    for (file, text) in pages() {
        let first = text.lines().position(|line| line.starts_with(MARK)).unwrap_or(usize::MAX);
        // Two cells that begin with a number: what has fewer is a list.
        let numbers =
            |line: &str| line.split('|').filter(|cell| cell.trim().starts_with(|c: char| c.is_ascii_digit())).count();
        let figures = |line: &str| line.starts_with('|') && numbers(line) >= 2;
        if let Some(at) = text.lines().position(figures).filter(|at| *at < first) {
            panic!("{file}:{}: a table with no mark above it: expected {MARK} COMMIT; on: ...; again: ... -->", at + 1);
        }
    }
}

#[test]
fn every_mark_can_be_read() {
    let marks = marks();
    let faults: Vec<&String> = marks.iter().filter_map(|mark| mark.as_ref().err()).collect();
    assert!(faults.is_empty(), "{faults:?}");
    assert!(marks.len() >= 8, "found {} marks", marks.len());
}

#[test]
fn what_runs_counts_and_what_is_said_about_it_does_not() {
    let folder = tempfile::tempdir().unwrap();
    let digest = |file: &str, text: &str| {
        fs::write(folder.path().join(file), text).unwrap();
        digest_of(folder.path(), &[file.to_owned()])
    };
    let code = "fn f() {\n    work();\n}\n";
    let told = digest("a.rs", code);
    // By sha256sum, and the same in `tests/outside/bench_standing_test.py`.
    assert_eq!(told, "a22a213a");
    assert_ne!(told, digest("a.rs", "fn f() {\n    play();\n}\n"));
    assert_eq!(
        told,
        digest("a.rs", "/// Works.\nfn f() {\n        work();\n\n}\n\n#[cfg(test)]\nmod tests {\n    fn g() {}\n}\n")
    );
    assert_ne!(
        told,
        digest("a.rs", &format!("{code}#[cfg(test)]\nmod tests;\nfn g() {{}}\n")),
        "what comes after runs"
    );
    assert_eq!(digest("a.toml", "# one\na = 1"), digest("a.toml", "# two\na = 1\n"));
    assert_ne!(digest("a.bin", "# one"), digest("a.bin", "# two"));
}

#[test]
fn a_mark_has_digests_or_says_below_it_since_when_it_is_stale() {
    let mark = "<!-- measured: 0123abc; on: ear 00112233; again: bench/run hours -->";
    let without = mark.replace(" 00112233", "");
    assert_eq!(read(mark, "").unwrap().on["ear"].as_deref(), Some("00112233"));
    assert_eq!(read(mark, "").unwrap().again, "bench/run hours");
    assert!(read(&without, "*Known to be stale since 4567def: another model ships.*").is_ok());
    assert!(read(&without, "# Hours").unwrap_err().contains("Known to be stale"));
    assert!(read(&without, "*Known to be stale since today: another model ships.*").is_err());
    assert!(read(mark, "*Known to be stale since 4567def: another model ships.*").is_err(), "one or the other");
    for broken in ["; on: ear 00112233", "0123abc; ", "; again: bench/run hours", "hours -->"] {
        assert!(read(&mark.replace(broken, ""), "").is_err(), "{broken}");
    }
}

const MARK: &str = "<!-- measured:";
const STALE: &str = "*Known to be stale since ";

#[derive(Debug)]
struct Mark {
    measured: String,
    /// What the figures hang on, and its digest where they are of the program as it is.
    on: BTreeMap<String, Option<String>>,
    again: String,
}

/// Reads a mark and the line that readers see below it.
fn read(line: &str, below: &str) -> Result<Mark, String> {
    let fault = |what: &str| format!("found '{line}', expected {what}");
    let inner = line
        .strip_prefix(MARK)
        .and_then(|rest| rest.strip_suffix("-->"))
        .ok_or_else(|| fault("a comment of one line"))?;
    let [measured, on, again] = inner.split(';').map(str::trim).collect::<Vec<_>>()[..] else {
        return Err(fault("three parts: measured, on, again"));
    };
    if !is_commit(measured) {
        return Err(fault("a commit of seven digits"));
    }
    let on = on.strip_prefix("on: ").ok_or_else(|| fault("on: NAME DIGEST, ..."))?;
    let on: BTreeMap<String, Option<String>> = on
        .split(", ")
        .map(|one| match one.split_once(' ') {
            Some((name, digest)) => (name.to_owned(), Some(digest.to_owned())),
            None => (one.to_owned(), None),
        })
        .collect();
    let again = again.strip_prefix("again: ").ok_or_else(|| fault("again: COMMAND"))?.to_owned();
    let stale = below.strip_prefix(STALE).and_then(|rest| rest.split_once(": "));
    let told = stale.is_some_and(|(since, why)| is_commit(since) && why.len() > 12 && why.contains(".*"));
    let fresh = on.values().filter(|digest| digest.is_some()).count();
    match (fresh, told) {
        (0, true) => {}
        (0, false) => return Err(fault(&format!("below it: {STALE}COMMIT: why.*"))),
        (n, false) if n == on.len() => {}
        _ => return Err(fault("a digest for each name, or for none and the line that says since when they are stale")),
    }
    Ok(Mark { measured: measured.to_owned(), on, again })
}

fn is_commit(text: &str) -> bool {
    text.len() == 7 && text.chars().all(|c| c.is_ascii_hexdigit())
}

fn marks() -> Vec<Result<(String, Mark), String>> {
    let mut found = Vec::new();
    for (file, text) in pages() {
        let lines: Vec<&str> = text.lines().collect();
        for (at, line) in lines.iter().enumerate().filter(|(_, line)| line.starts_with(MARK)) {
            let below = lines[at + 1..].iter().find(|line| !line.trim().is_empty()).copied().unwrap_or_default();
            let place = format!("{file}:{}", at + 1);
            found.push(read(line, below).map(|mark| (place.clone(), mark)).map_err(|why| format!("{place}: {why}")));
        }
    }
    found
}

fn pages() -> Vec<(String, String)> {
    let mut names: Vec<String> = fs::read_dir(root().join(FOLDER))
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .filter(|name| name.ends_with(".md"))
        .collect();
    names.sort();
    names
        .into_iter()
        .map(|name| (format!("{FOLDER}/{name}"), fs::read_to_string(root().join(FOLDER).join(name)).unwrap()))
        .collect()
}

fn depends() -> BTreeMap<String, Vec<String>> {
    toml::from_str(&fs::read_to_string(root().join(FOLDER).join("depends.toml")).unwrap()).unwrap()
}

/// The first eight digits of the SHA-256 of what these files and folders hold, by their names. `bench/standing.py` reckons it too.
fn digest_of(root: &Path, paths: &[String]) -> String {
    let mut files: Vec<String> = paths.iter().flat_map(|path| files(root, path)).collect();
    files.sort();
    let mut digest = Sha256::new();
    for file in files {
        let bytes = fs::read(root.join(&file)).unwrap_or_else(|why| panic!("{file}: {why}"));
        digest.update(format!("{file}\n"));
        match file.rsplit('.').next() {
            Some("rs") => digest.update(lines(&bytes, "//")),
            Some("py" | "toml") => digest.update(lines(&bytes, "#")),
            _ => digest.update(bytes),
        }
    }
    digest.finalize()[..4].iter().map(|byte| format!("{byte:02x}")).collect()
}

/// What of a file runs: its lines without indentation, comments, and the tests at its foot.
fn lines(bytes: &[u8], comment: &str) -> String {
    let lines: Vec<&str> = std::str::from_utf8(bytes).unwrap().lines().map(str::trim).collect();
    let tests = lines.windows(2).position(|two| two[0] == "#[cfg(test)]" && two[1] == "mod tests {");
    let runs =
        lines[..tests.unwrap_or(lines.len())].iter().filter(|line| !line.is_empty() && !line.starts_with(comment));
    runs.map(|line| format!("{line}\n")).collect()
}

fn files(root: &Path, path: &str) -> Vec<String> {
    if root.join(path).is_file() {
        return vec![path.to_owned()];
    }
    let listed = fs::read_dir(root.join(path)).unwrap_or_else(|why| panic!("{path}: {why}"));
    let names = listed.map(|entry| entry.unwrap().file_name().into_string().unwrap());
    names.filter(|name| !name.starts_with(['.', '_'])).flat_map(|name| files(root, &format!("{path}/{name}"))).collect()
}

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}
