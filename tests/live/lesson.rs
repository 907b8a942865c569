//! Somebody reads the lines of a lesson to the microphone, and takes back what was learned.

use std::path::Path;
use std::process::Command;
use std::time::Duration;

use crate::hear_support::models;
use crate::server::{SoundServer, pause};
use crate::support::{Program, best_match, clip_at, transcript};

const VOICE: (&str, &str) = ("flite", "slt");

#[test]
fn a_lesson_is_held_at_the_devices_and_what_was_learned_is_taken_back() {
    let server = SoundServer::start();
    let ear = server.listen();
    let mut lesson = Program::spawn(&mut learn_voice(&server, &[]));
    let mut said = 0;
    for _ in 0..4_000 {
        let lines = lesson.new_lines();
        let asked: Vec<&str> = lines.iter().filter_map(|line| asked_for(line)).collect();
        if let Some(line) = asked.get(said) {
            said += 1;
            // Whoever is asked answers when it has finished speaking.
            pause(Duration::from_millis(400));
            while ear.quiet_for() < Duration::from_millis(450) {
                pause(Duration::from_millis(20));
            }
            server.play(&clip_at(&server.folder().join("clips"), VOICE, line, 0.1));
        }
        if lesson.has_ended() {
            break;
        }
        pause(Duration::from_millis(50));
    }
    lesson.ends_well(Duration::from_secs(5));
    let told = lesson.new_lines().join("\n");
    let learned = told.split("I have learned ").nth(1).and_then(|rest| rest.split(' ').next()?.parse::<usize>().ok());
    assert!(learned.is_some_and(|lines| lines >= 20), "{told}");
    assert!(server.folder().join("data/sparehand/voices/rowan.toml").is_file());

    // What came out of the loudspeaker, as a recogniser writes it down.
    let heard = transcript(&ear.utterances(&server.folder().join("played")), server.folder());
    for sentence in [
        "be quiet for two seconds please",
        "now say each line after me as you would at work",
        "hose locked",
        "what is left",
        "that was the last one",
    ] {
        assert!(best_match(&heard, sentence) >= 0.7, "'{sentence}' was not heard in:\n{}", heard.join("\n"));
    }

    let shown = printed(&mut learn_voice(&server, &["--show"]));
    assert!(shown.contains("Rowan: ") && shown.contains("hose locked"), "{shown}");
    assert!(printed(&mut learn_voice(&server, &["--forget"])).contains("is forgotten"));
    assert!(!server.folder().join("data/sparehand/voices/rowan.toml").exists());
}

/// The line that is to be said, alone or after why it is asked for again.
fn asked_for(line: &str) -> Option<&str> {
    let line = line.rsplit(": ").next()?.strip_suffix('.')?;
    line.starts_with(char::is_lowercase).then_some(line)
}

fn learn_voice(server: &SoundServer, more: &[&str]) -> Command {
    let mut command = server.command(Path::new(env!("CARGO_BIN_EXE_sparehand")));
    command.args(["learn-voice", "Rowan"]).args(more);
    command.env("SPAREHAND_MODELS", models()).env("XDG_DATA_HOME", server.folder().join("data"));
    command.env("XDG_CONFIG_HOME", server.folder().join("config"));
    command
}

fn printed(command: &mut Command) -> String {
    let output = command.output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}
