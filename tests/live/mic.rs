//! The microphone is measured where it stands: a server's devices with a known noise, echo and voice.

use std::path::Path;
use std::time::Duration;

use crate::hear_support::models;
use crate::server::{SoundServer, pause};
use crate::support::{Program, clip_at};

const VOICE: (&str, &str) = ("flite", "rms");
/// -46 and -20 dB below full scale.
const NOISE_RMS: f32 = 0.005;
const SPEECH_RMS: f32 = 0.1;

#[test]
fn a_microphone_is_measured_advised_on_and_remembered() {
    let server = SoundServer::start();
    // Reflections make it 0.5 dB louder: 5.5 dB softer than played.
    server.echo(0.5);
    server.hum(NOISE_RMS);
    pause(Duration::from_secs(1));
    let lines = measure(&server, |line| Some(clip_at(&server.folder().join("clips"), VOICE, line, SPEECH_RMS)));

    let noise = number(&lines, "noise:", 0);
    assert!((noise - 46.0).abs() <= 2.0, "noise {noise} dB below full scale");
    let speech = number(&lines, "speech:", 0);
    assert!((speech - 20.0).abs() <= 3.0, "speech {speech} dB below full scale");
    let over = number(&lines, "speech:", 1);
    assert!((over - (noise - speech)).abs() <= 1.0, "{over} dB above the noise");
    let (delay, loss) = (number(&lines, "loudspeaker:", 0), number(&lines, "loudspeaker:", 1));
    // 60 ms on the way there (see `SoundServer::echo`), the rest in the program's and the server's buffers.
    assert!((60.0..400.0).contains(&delay), "heard after {delay} ms");
    assert!((loss - 5.5).abs() <= 1.5, "{loss} dB softer");
    assert_eq!(number(&lines, "lost:", 0), 0.0);
    assert!(number(&lines, "understood:", 0) >= 2.0, "{lines:?}");
    assert!(lines.iter().any(|line| line.starts_with("I will use ")), "{lines:?}");

    let listed = program(&server, &["mic", "--list"]).output().unwrap();
    let listed = String::from_utf8(listed.stdout).unwrap();
    let chosen =
        listed.lines().find(|line| line.starts_with("  * ")).expect("one is chosen").trim_start_matches("  * ");
    assert!(lines.contains(&format!("I will use {chosen} from now on.")), "{chosen}: {lines:?}");
}

#[test]
fn a_microphone_that_gives_nothing_is_named_and_not_remembered() {
    let server = SoundServer::start();
    server.mute_microphone();
    let lines = measure(&server, |_| None);
    assert!(lines.iter().any(|line| line.starts_with("This microphone gives nothing at all.")), "{lines:?}");
    assert!(!lines.iter().any(|line| line.starts_with("I will use ")), "{lines:?}");
}

/// Runs the measuring; whoever is asked to read a line aloud gives its sound.
fn measure(server: &SoundServer, reads: impl Fn(&str) -> Option<std::path::PathBuf>) -> Vec<String> {
    let ear = server.listen();
    let mut measuring = Program::spawn(&mut program(server, &["mic"]));
    let mut read = 0;
    for _ in 0..1_800 {
        let lines = measuring.new_lines();
        let asked: Vec<&str> = lines.iter().filter_map(|line| line.strip_prefix("Read aloud: ")).collect();
        if let Some(line) = asked.get(read) {
            read += 1;
            pause(Duration::from_millis(1_500));
            while ear.quiet_for() < Duration::from_millis(700) {
                pause(Duration::from_millis(20));
            }
            if let Some(sound) = reads(line.trim_end_matches('.')) {
                server.play(&sound);
            }
        }
        if measuring.has_ended() {
            break;
        }
        pause(Duration::from_millis(50));
    }
    measuring.ends_well(Duration::from_secs(5));
    measuring.new_lines()
}

/// The program with a data folder of its own, and the models where they are.
fn program(server: &SoundServer, arguments: &[&str]) -> std::process::Command {
    let mut command = server.command(Path::new(env!("CARGO_BIN_EXE_sparehand")));
    command.args(arguments).env("SPAREHAND_MODELS", models()).env("XDG_DATA_HOME", server.folder().join("data"));
    command
}

/// The n-th number of the line that begins so.
fn number(lines: &[String], begin: &str, at: usize) -> f32 {
    let line = lines.iter().find(|line| line.starts_with(begin)).unwrap_or_else(|| panic!("no '{begin}' in {lines:?}"));
    let numbers =
        line.split(|c: char| !c.is_ascii_digit() && c != '.' && c != '-').filter_map(|part| part.parse().ok());
    numbers.into_iter().nth(at).unwrap_or_else(|| panic!("no number {at} in '{line}'"))
}
