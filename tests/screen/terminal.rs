//! The screen in a real (pseudo) terminal: it is given back as it was, also when the program panics.
//!
//! The terminal is made by `script` of util-linux; the child is this test binary itself.

use std::fs::File;
use std::io::Write;
use std::path::Path;
use std::process::{Command, Output};
use std::time::Duration;

use crate::screen_support::{alarm, labels, meters};
use sparehand::screen::{Ink, Keyboard, Screen};
use sparehand::setup::clock::pause;

#[test]
fn the_terminal_is_given_back_when_the_screen_is_dropped() {
    let output = in_terminal("draws_once", "");
    assert!(output.status.success(), "{}", said(&output));
    check_given_back(&said(&output));
}

#[test]
fn the_terminal_is_given_back_before_the_message_of_a_panic() {
    let output = in_terminal("draws_once_and_panics", "");
    assert!(!output.status.success());
    let said = said(&output);
    let after = check_given_back(&said);
    assert!(after.contains("a panic on purpose"), "the message is on the person's own screen: {after:?}");
}

#[test]
fn no_color_in_the_environment_keeps_every_colour_sequence_away() {
    let colourful = said(&in_terminal("draws_once", ""));
    assert!(colourful.contains("38;5;"), "the test can see colours");
    let plain = said(&in_terminal("draws_once", "1"));
    let screen = plain.split("\u{1b}[?1049h").nth(1).unwrap().split("\u{1b}[?1049l").next().unwrap();
    assert!(screen.contains("HAZARD"), "{screen:?}");
    for sequence in ["38;", "48;", "[39", "[49", ";39", ";49", "[3", "[4"] {
        // Places of the cursor begin with figures too; they end in H.
        let found = screen
            .match_indices(sequence)
            .any(|(at, _)| screen[at..].chars().find(char::is_ascii_alphabetic) == Some('m'));
        assert!(!found, "{sequence} in {screen:?}");
    }
}

#[test]
fn the_bell_of_the_terminal_rings_as_often_as_it_is_told_to_and_not_otherwise() {
    let bells = |child| said(&in_terminal(child, "")).matches('\u{7}').count();
    assert_eq!(bells("draws_once"), 0);
    assert_eq!(bells("rings_twice"), 2);
}

#[test]
#[ignore = "the child of the test above"]
fn rings_twice() {
    let mut screen = Screen::start(labels(), Ink::from_environment(), Path::new("/dev/null")).unwrap();
    screen.draw(&alarm(), &meters()).unwrap();
    screen.ring().unwrap();
    screen.ring().unwrap();
}

#[test]
fn without_a_terminal_the_screen_says_so() {
    let error = Command::new("setsid")
        .arg(std::env::current_exe().unwrap())
        .args(["--exact", "terminal::draws_once", "--ignored", "--nocapture"])
        .stdin(std::process::Stdio::null())
        .output()
        .unwrap();
    assert!(!error.status.success());
    assert!(
        String::from_utf8_lossy(&error.stderr).contains("expected a terminal that draws and takes keys"),
        "{error:?}"
    );
}

#[test]
fn keys_come_without_being_looked_for_and_a_terminal_that_is_closed_is_told_and_harms_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let told = folder.path().join("told");
    let command = format!(
        "trap '' HUP; stty rows 24 cols 80; TOLD='{}' '{}' --exact terminal::hears_keys --ignored --nocapture --test-threads=1",
        told.display(),
        std::env::current_exe().unwrap().display()
    );
    let mut terminal = Command::new("script")
        .args(["--quiet", "--return", "--command", &command, "/dev/null"])
        .env("SHELL", "/bin/sh")
        .env("TERM", "xterm-256color")
        .stdin(std::process::Stdio::piped())
        .stdout(std::process::Stdio::null())
        .spawn()
        .expect("'script' of util-linux can be started");
    wait_for(&told, "listens");
    terminal.stdin.as_mut().unwrap().write_all(b"k").unwrap();
    wait_for(&told, "Key(Engine(Skip))");
    terminal.kill().unwrap();
    terminal.wait().unwrap();
    wait_for(&told, "Lost");
    wait_for(&told, "ended");
}

/// Waits until a line that begins so stands in the file.
fn wait_for(file: &Path, line: &str) {
    for _ in 0..300 {
        if std::fs::read_to_string(file).is_ok_and(|text| text.lines().any(|found| found.starts_with(line))) {
            return;
        }
        pause(Duration::from_millis(100));
    }
    panic!("no '{line}' in {:?}", std::fs::read_to_string(file));
}

#[test]
#[ignore = "the child of the test above"]
fn hears_keys() {
    let mut told = File::create(std::env::var_os("TOLD").unwrap()).unwrap();
    let mut screen = Screen::start(labels(), Ink::from_environment(), Path::new("/dev/null")).unwrap();
    let (sender, inputs) = std::sync::mpsc::sync_channel(8);
    let keyboard = Keyboard::listen(move |input| drop(sender.send(input))).unwrap();
    writeln!(told, "listens").unwrap();
    // The thread drops what it tells by when nothing can come any more.
    for input in inputs {
        writeln!(told, "{input:?}").unwrap();
    }
    assert!(screen.draw(&alarm(), &meters()).is_err(), "nothing can be drawn on a terminal that is closed");
    drop((keyboard, screen));
    writeln!(told, "ended").unwrap();
}

#[test]
#[ignore = "the child of the tests above"]
fn draws_once() {
    let mut screen = Screen::start(labels(), Ink::from_environment(), Path::new("/dev/null"))
        .unwrap_or_else(|error| panic!("{error}"));
    screen.draw(&alarm(), &meters()).unwrap();
    assert_eq!(screen.poll_key().unwrap(), None);
}

#[test]
#[ignore = "the child of the tests above"]
fn draws_once_and_panics() {
    let mut screen = Screen::start(labels(), Ink::from_environment(), Path::new("/dev/null")).unwrap();
    screen.draw(&alarm(), &meters()).unwrap();
    panic!("a panic on purpose");
}

/// What comes after the terminal was given back.
fn check_given_back(said: &str) -> String {
    let taken = said.find("\u{1b}[?1049h").expect("the other screen is taken");
    let given = said.find("\u{1b}[?1049l").expect("the other screen is left");
    assert!(taken < given && said[taken..given].contains("HAZARD"), "{said:?}");
    let modes = said.lines().rev().find(|line| line.contains("icanon")).expect("the terminal's modes");
    assert!(!modes.contains("-icanon") && !modes.contains("-echo "), "lines and echo are on again: {modes}");
    said[given..].to_owned()
}

fn in_terminal(child: &str, no_color: &str) -> Output {
    let exe = std::env::current_exe().unwrap();
    let command = format!(
        "stty rows 24 cols 80; '{}' --exact terminal::{child} --ignored --nocapture --test-threads=1; code=$?; stty -a; exit $code",
        exe.display()
    );
    Command::new("script")
        .args(["--quiet", "--return", "--command", &command, "/dev/null"])
        .env("NO_COLOR", no_color)
        .env("TERM", "xterm-256color")
        .env("SHELL", "/bin/sh")
        .stdin(std::process::Stdio::null())
        .output()
        .expect("'script' of util-linux can be started")
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned()
}
