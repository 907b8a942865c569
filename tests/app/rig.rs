//! `sparehand rig` as it is typed: an interview that is broken off, and answers that are not understood.

use std::io::{Read, Write};
use std::path::Path;
use std::process::{Child, Command, Stdio};

fn begin(home: &Path) -> Child {
    Command::new(env!("CARGO_BIN_EXE_sparehand"))
        .arg("rig")
        .env("HOME", home)
        .env("XDG_CONFIG_HOME", home.join("config"))
        .env("XDG_DATA_HOME", home.join("data"))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap()
}

#[test]
fn what_was_answered_before_ctrl_c_is_saved_and_gone_on_with() {
    let home = tempfile::tempdir().unwrap();
    let mut rig = begin(home.path());
    let mut typed = rig.stdin.take().unwrap();
    let mut asked = rig.stdout.take().unwrap();
    typed.write_all(b"van\nRowan\n").unwrap();
    let mut told = String::new();
    while !told.contains("What does Rowan do?") {
        let mut bytes = [0; 4096];
        let count = asked.read(&mut bytes).unwrap();
        assert!(count > 0, "it ended: {told}");
        told += &String::from_utf8_lossy(&bytes[..count]);
    }
    let sent = Command::new("kill").arg("-INT").arg(rig.id().to_string()).status().unwrap();
    assert!(sent.success());
    asked.read_to_string(&mut told).unwrap();
    let ended = rig.wait().unwrap();
    drop(typed);
    assert!(ended.success() && told.contains("Saved in ") && told.contains("start again to go on"), "{told}");
    let file = std::fs::read_to_string(home.path().join("config/sparehand/rig.toml")).unwrap();
    assert!(file.contains("van") && file.contains("Rowan"), "{file}");
}

#[test]
fn an_answer_that_is_not_understood_is_answered_in_words_on_lines_that_fit() {
    let home = tempfile::tempdir().unwrap();
    let mut rig = begin(home.path());
    let mut typed = rig.stdin.take().unwrap();
    let skipped = "\n".repeat(3);
    typed.write_all(format!("van\n\n{skipped}30\n\n-5\n108 V\n108\n").as_bytes()).unwrap();
    drop(typed);
    let output = rig.wait_with_output().unwrap();
    let told = String::from_utf8(output.stdout).unwrap();
    assert!(told.contains("found '-5', expected a whole number, 0 or more"), "{told}");
    assert!(told.contains("found '108 V', expected a number alone, in the unit that the question names"), "{told}");
    assert!(told.lines().all(|line| line.chars().count() <= 100), "{told}");
    let asked = told.lines().filter(|line| !line.contains(&*home.path().display().to_string()));
    assert!(asked.clone().all(|line| line.chars().count() < 80 || line.starts_with("  ")), "{told}");
}
