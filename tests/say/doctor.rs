//! `sparehand doctor`: what it says of a machine on which a run would work, and of others.

use std::path::Path;
use std::process::Command;

use crate::say_common::models;
use crate::server::SoundServer;

/// Whether a run by voice would work, what it printed, and what it printed as JSON.
fn doctor(mut command: impl FnMut() -> Command, home: &Path, models: &Path) -> (bool, String, serde_json::Value) {
    let mut ask = |arguments: &[&str]| {
        let mut command = command();
        command.env("HOME", home).env("XDG_DATA_HOME", home.join("data")).env("XDG_CONFIG_HOME", home.join("config"));
        let done = command.env("SPAREHAND_MODELS", models).arg("doctor").args(arguments).output().unwrap();
        (done.status.success(), String::from_utf8(done.stdout).unwrap())
    };
    let (works, told) = ask(&[]);
    let (works_too, json) = ask(&["--json"]);
    assert_eq!(works, works_too);
    (works, told, serde_json::from_str(&json).unwrap())
}

fn standings(json: &serde_json::Value) -> Vec<(String, String)> {
    let text = |value: &serde_json::Value| value.as_str().unwrap().to_owned();
    json["findings"].as_array().unwrap().iter().map(|one| (text(&one["matter"]), text(&one["standing"]))).collect()
}

#[test]
fn on_a_machine_with_all_it_needs_the_doctor_finds_a_run_to_work() {
    let server = SoundServer::start();
    server.hum(0.001);
    let home = tempfile::tempdir().unwrap();
    let (works, told, json) = doctor(|| server.command(env!("CARGO_BIN_EXE_sparehand")), home.path(), &models());
    assert!(works, "{told}");
    assert_eq!(json["run"], "voice");
    let expected =
        ["models", "microphone", "loudspeaker", "folder", "rig", "texts", "journal", "clock", "disk", "network"];
    assert_eq!(standings(&json), expected.map(|matter| (matter.to_owned(), "fine".to_owned())), "{told}");
    assert_eq!(told.lines().count(), expected.len() + 1, "one line each, and what it comes to: {told}");
    assert!(told.ends_with("A run by voice would work.\n"), "{told}");
    assert!(!home.path().join("data").exists(), "it only looks");
}

/// One that is muted at its own switch opens like any other.
#[test]
fn a_microphone_that_gives_not_the_least_sound_is_pointed_out() {
    let server = SoundServer::start();
    let home = tempfile::tempdir().unwrap();
    let (works, told, json) = doctor(|| server.command(env!("CARGO_BIN_EXE_sparehand")), home.path(), &models());
    assert!(works && standings(&json).contains(&("microphone".to_owned(), "attention".to_owned())), "{told}");
    assert!(told.contains("unmute it"), "{told}");
}

#[test]
fn without_devices_or_models_the_doctor_says_what_to_do() {
    let home = tempfile::tempdir().unwrap();
    std::fs::write(home.path().join("asound.conf"), "").unwrap();
    let silent = || {
        let mut command = Command::new(env!("CARGO_BIN_EXE_sparehand"));
        command.env("PULSE_SERVER", "unix:/nonexistent").env("ALSA_CONFIG_PATH", home.path().join("asound.conf"));
        command
    };
    let (works, told, json) = doctor(silent, home.path(), &models());
    assert!(!works);
    assert_eq!(json["run"], "keys", "{told}");
    assert!(told.contains("choose another"), "{told}");
    assert!(told.ends_with("sparehand run NAME --keys\n"), "{told}");

    let (works, told, json) = doctor(silent, home.path(), &home.path().join("no-models"));
    assert!(!works);
    assert_eq!(json["run"], "none", "{told}");
    assert!(told.contains("run `sparehand fetch` once"), "{told}");
}

#[test]
fn a_journal_that_cannot_be_read_is_a_fault() {
    let server = SoundServer::start();
    let home = tempfile::tempdir().unwrap();
    std::fs::create_dir_all(home.path().join("data/sparehand")).unwrap();
    std::fs::write(
        home.path().join("data/sparehand/journal.sqlite"),
        "no journal at all, and long enough to be read as one",
    )
    .unwrap();
    let (works, told, json) = doctor(|| server.command(env!("CARGO_BIN_EXE_sparehand")), home.path(), &models());
    assert!(!works && json["run"] == "none", "{told}");
    assert!(standings(&json).contains(&("journal".to_owned(), "fault".to_owned())), "{told}");
}

/// A slip in one's own file is found in the evening, not at the dump station: whole where every run hangs on it, else said only.
#[test]
fn a_file_of_ones_own_that_is_not_understood_is_named_with_its_line() {
    let server = SoundServer::start();
    let home = tempfile::tempdir().unwrap();
    let own = home.path().join("config/sparehand");
    for (file, text, matter, standing, run) in [
        ("rig.toml", "kind = \"hovercraft\"\n", "rig", "fault", "none"),
        ("routines/fire.toml", "id = \"fire\"\ntitel = \"fire\"\n", "texts", "fault", "none"),
        ("routines/tank-dump.toml", "id = \"tank-dump\"\ntitel = \"dump\"\n", "texts", "attention", "voice"),
        ("routines/mine.toml", "id = \"mine\"\ntitel = \"mine\"\n", "texts", "attention", "voice"),
    ] {
        let path = own.join(file);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(&path, text).unwrap();
        let (_, told, json) = doctor(|| server.command(env!("CARGO_BIN_EXE_sparehand")), home.path(), &models());
        assert_eq!(json["run"], run, "{told}");
        assert!(standings(&json).contains(&(matter.to_owned(), standing.to_owned())), "{told}");
        let name = path.file_name().unwrap().to_str().unwrap();
        assert!(told.contains(name) && told.contains("expected one of"), "{told}");
        std::fs::remove_file(&path).unwrap();
    }
}
