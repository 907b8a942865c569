//! What the system tells the program: the terminal went away, or it is to end.

use std::time::Duration;

use sparehand::engine::event::Event;
use sparehand::journal::{JournalReader, RunId};

use crate::server::SoundServer;
use crate::support::{Program, clip};

const VOICE: (&str, &str) = ("flite", "rms");

#[test]
fn a_program_that_is_told_to_end_does_so_within_two_seconds_and_the_run_is_kept() {
    let server = SoundServer::start();
    let mut program = Program::tank_dump(&server, &[]);
    program.signal("TERM");
    program.ends_well(Duration::from_secs(2));
    let reader = JournalReader::open(&server.folder().join("journal.sqlite")).unwrap();
    let events = reader.events(RunId(1)).unwrap();
    assert!(!events.is_empty() && !events.iter().any(|record| matches!(record.event, Event::RunAbandoned)));
    assert!(program.new_lines().iter().any(|line| line.contains("Start again to go on with it")), "it says so");
}

/// Nobody keeps the clock of a running tap once the program is gone.
#[test]
fn a_running_tap_outlives_the_terminal_and_is_named_before_the_program_ends() {
    let server = SoundServer::start();
    let rig = server.folder().join("rig.toml");
    std::fs::write(&rig, "[tank_dump]\nrinse_s = 20\n").unwrap();
    let journal = server.folder().join("journal.sqlite");
    let mut program = Program::start(&server, "tank-dump", &rig, &journal, &[]);
    let clips = server.folder().join("clips");
    for (step, answer) in [
        ("gloves", "gloves on"),
        ("grey-held", "gray closed"),
        ("black-held", "black closed"),
        ("vacuum-breaker", "vacuum breaker on"),
        ("hose-rig", "hose locked"),
        ("hose-drain", "hose seated"),
        ("rinse-hose", "rinse hose on"),
        ("black-open", "black open"),
        ("black-run-out", "run out"),
        ("rinse-shut", "black closed"),
        ("rinse-water", "water on"),
    ] {
        program.answer_until_kept(&server, &clip(&clips, VOICE, answer), step);
    }
    program.wait_for("clock of rinse-water runs", 1, Duration::from_secs(10));
    program.signal("HUP");
    program.wait_for("screen lost", 1, Duration::from_secs(2));
    program.wait_for("program (alarm)", 1, Duration::from_secs(40));
    let seen = program.lines.lock().unwrap().len();
    program.signal("TERM");
    program.ends_well(Duration::from_secs(2));
    let said = program.lines.lock().unwrap()[seen..].to_vec();
    assert!(said.iter().any(|line| line.contains("program") && line.to_lowercase().contains("rinse")), "{said:?}");
}
