//! What somebody handed over cannot be used: where it is, what was found, what was expected, on lines that a person reads.

use std::fs;
use std::path::Path;
use std::process::{Command, Output};

use rstest::rstest;

pub fn sparehand(home: &Path, args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_sparehand"))
        .args(args)
        .current_dir(home)
        .env("HOME", home)
        .env("XDG_CONFIG_HOME", home.join("config"))
        .env("XDG_DATA_HOME", home.join("data"))
        .env("XDG_CACHE_HOME", home.join("cache"))
        .env("SPAREHAND_MODELS", sparehand::setup::places::Places::of_user().unwrap().models)
        .output()
        .unwrap()
}

/// What is said of an error, without the marks and breaks of its lines.
pub fn told(output: &Output) -> String {
    let text = format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert!(!output.status.success(), "{text}");
    text.split_whitespace().filter(|word| *word != "│").collect::<Vec<_>>().join(" ")
}

#[test]
fn changes_to_a_routine_are_known_by_the_name_of_their_file() {
    let home = tempfile::tempdir().unwrap();
    fs::write(home.path().join("my.changes.toml"), "drop = ['gloves']\n").unwrap();
    let told = told(&sparehand(home.path(), &["proof", "my.changes.toml"]));
    assert!(told.contains("found no `changes`") && !told.contains("unknown field"), "{told}");
    assert!(told.contains("1 file, 1 error,"), "{told}");
}

/// "x = [" is begun in line 2; "é" of Latin-1 stands in line 3.
#[rstest]
#[case::words("config/sparehand/phrases/en.toml", b"\nx = [".as_slice(), &["site"], "en.toml: line 2: found")]
#[case::rig("config/sparehand/rig.toml", b"\n\n# caf\xe9\n".as_slice(), &["site"], "rig.toml: line 3: found a letter in another encoding")]
#[case::routine("mine.toml", b"\n\n# caf\xe9\n".as_slice(), &["proof", "mine.toml"], "mine.toml: line 3: found a letter in another encoding")]
#[case::paper("mine.toml", b"\n\n# caf\xe9\n".as_slice(), &["sheet", "mine.toml", "-o", "x.pdf"], "mine.toml: line 3: found")]
fn a_text_that_cannot_be_read_is_told_with_its_line(
    #[case] file: &str,
    #[case] bytes: &[u8],
    #[case] args: &[&str],
    #[case] expected: &str,
) {
    let home = tempfile::tempdir().unwrap();
    let path = home.path().join(file);
    fs::create_dir_all(path.parent().unwrap()).unwrap();
    fs::write(&path, bytes).unwrap();
    let told = told(&sparehand(home.path(), args));
    assert!(told.contains(expected) && !told.contains("TOML parse error"), "{told}");
}

#[rstest]
#[case::a_folder_as_a_rig(&["site", "--rig", "."], ".: found a folder, expected a file")]
#[case::a_folder_that_is_not_there(&["fetch", "--from", "nowhere"], "nowhere: found no folder, expected one that")]
#[case::a_sheet_by_another_ending(&["sheet", "tank-dump", "-o", "x.txt"], "x.txt: found an ending that is not that of a sheet, expected .pdf")]
#[case::recordings_of_nothing(
    &["learn-voice", "Rowan", "--recordings", "."],
    ".: found no recording of any line, expected one for each, by its words: gray-closed.wav, "
)]
#[case::nothing_to_say(&["speak", "", "--into", "x.wav"], "found '', expected English words or numbers")]
#[case::nothing_that_can_be_said(&["speak", "漢字 😀", "--into", "x.wav"], "expected English words or numbers")]
fn what_cannot_be_used_is_answered_with_what_can(#[case] args: &[&str], #[case] expected: &str) {
    let home = tempfile::tempdir().unwrap();
    let output = sparehand(home.path(), args);
    let told = told(&output);
    assert!(told.contains(expected), "{told}");
    for made in ["x.txt", "x.wav", "nowhere"] {
        assert!(!home.path().join(made).exists(), "{made} was made");
    }
}

#[test]
fn a_sound_file_that_is_none_is_told_with_what_is_expected() {
    let home = tempfile::tempdir().unwrap();
    fs::write(home.path().join("phrases.txt"), "gray closed\n").unwrap();
    fs::write(home.path().join("a.wav"), "no sound").unwrap();
    let told = told(&sparehand(home.path(), &["hear", "--phrases", "phrases.txt", "a.wav"]));
    assert!(told.contains("a.wav: found no sound that can be read") && told.contains("expected a WAV file"), "{told}");
}

/// US letter is 8.5 by 11 inches (ANSI/ASME Y14.1), 612 by 792 points of 1/72 inch.
#[test]
fn a_sheet_is_of_the_paper_that_is_sold_where_the_rigs_are_and_its_pages_are_counted_in_words() {
    let home = tempfile::tempdir().unwrap();
    let output = sparehand(home.path(), &["sheet", "fire", "-o", "x.pdf"]);
    let text = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(output.status.success() && text.contains("1 page, words of"), "{text}");
    let bytes = fs::read(home.path().join("x.pdf")).unwrap();
    let text = String::from_utf8_lossy(&bytes);
    assert!(text.contains("612") && text.contains("792"), "the page is not 612 by 792 points");
}
