//! The sound server dies under a running session and comes back; a device vanishes and comes back.

use std::time::Duration;

use sparehand::engine::event::Event;
use sparehand::journal::{JournalReader, RunId};

use crate::server::{SoundServer, pause};
use crate::support::{Program, clip};

const VOICE: (&str, &str) = ("flite", "rms");

#[test]
fn a_sound_server_that_dies_is_noticed_within_two_seconds_and_the_run_goes_on_when_it_is_back() {
    let mut server = SoundServer::start();
    let mut program = Program::tank_dump(&server, &["--microphone", "Monitor of Microphone"]);
    pause(Duration::from_secs(3));

    program.seen = program.lines.lock().unwrap().len();
    server.crash_and_come_back(Duration::from_secs(3));
    program.wait_for("microphone lost", 1, Duration::from_secs(1));
    program.wait_for("loudspeaker lost", 1, Duration::from_secs(1));
    let lost = program.new_lines().into_iter().find(|line| line.contains("microphone lost")).unwrap();
    let back = program_time(&lost);
    program.wait_for("microphone back", 1, Duration::from_secs(15));
    program.wait_for("loudspeaker back", 1, Duration::from_secs(15));
    // Both are told on the program's own clock; the server was gone for three seconds of it.
    let returned = program.new_lines().into_iter().find(|line| line.contains("microphone back")).unwrap();
    assert!(program_time(&returned) - back >= 1.0, "noticed only as it came back: {lost}, {returned}");

    // What was being said is said again, and an answer counts as ever.
    program.wait_for("program: ", 1, Duration::from_secs(10));
    pause(Duration::from_secs(8));
    let words = clip(&server.folder().join("clips"), VOICE, "gloves on");
    for attempt in 0.. {
        assert!(attempt < 4, "never understood after the server came back");
        server.play(&words);
        pause(Duration::from_secs(4));
        if program.new_lines().iter().any(|line| line.contains("kept: gloves = gloves on")) {
            break;
        }
    }
    let reader = JournalReader::open(&server.folder().join("journal.sqlite")).unwrap();
    let events: Vec<Event> = reader.events(RunId(1)).unwrap().into_iter().map(|record| record.event).collect();
    let place = |wanted: &Event| events.iter().position(|event| event == wanted);
    assert!(place(&Event::HearingLost).is_some() && place(&Event::HearingLost) < place(&Event::HearingBack));
}

#[test]
fn a_microphone_that_is_pulled_out_is_noticed_within_a_second_and_heard_again_at_another_rate() {
    let server = SoundServer::start();
    let arguments = ["--microphone", "Monitor of Microphone"];
    let mut program = Program::tank_dump(&server, &arguments);
    pause(Duration::from_secs(14));

    program.seen = program.lines.lock().unwrap().len();
    server.pull_microphone_out();
    program.wait_for("microphone lost", 1, Duration::from_millis(1_200));
    // What still works is said.
    program.wait_for("I cannot hear", 1, Duration::from_secs(2));
    pause(Duration::from_secs(2));
    server.plug_microphone_in(44_100);
    program.wait_for("microphone back", 1, Duration::from_secs(5));
    pause(Duration::from_secs(6));
    let words = clip(&server.folder().join("clips"), VOICE, "gloves on");
    for attempt in 0.. {
        assert!(attempt < 4, "never understood with the other microphone");
        server.play(&words);
        pause(Duration::from_secs(4));
        if program.new_lines().iter().any(|line| line.contains("kept: gloves = gloves on")) {
            break;
        }
    }
}

/// While it seemed to be speaking into a loudspeaker that takes nothing, it would hear no answer.
#[test]
fn a_loudspeaker_that_stands_still_is_noticed_and_answers_are_heard_meanwhile() {
    let server = SoundServer::start();
    let mut program = Program::tank_dump(&server, &[]);
    // In the midst of a sentence.
    pause(Duration::from_secs(3));
    program.seen = program.lines.lock().unwrap().len();
    server.hold_loudspeaker(true);
    program.wait_for("loudspeaker lost", 1, Duration::from_millis(2_500));
    let words = clip(&server.folder().join("clips"), VOICE, "gloves on");
    for attempt in 0.. {
        assert!(attempt < 4, "never understood without a loudspeaker");
        server.play(&words);
        pause(Duration::from_secs(2));
        if program.new_lines().iter().any(|line| line.contains("kept: gloves = gloves on")) {
            break;
        }
    }
    assert!(!program.new_lines().iter().any(|line| line.contains("loudspeaker back")), "it takes nothing yet");
    server.hold_loudspeaker(false);
    program.wait_for("loudspeaker back", 1, Duration::from_secs(6));
}

/// The stream plays on, and nobody hears it.
#[test]
fn the_last_loudspeaker_that_goes_off_is_noticed_though_the_server_takes_what_is_played() {
    let server = SoundServer::start();
    let mut program = Program::tank_dump(&server, &[]);
    pause(Duration::from_secs(3));
    program.seen = program.lines.lock().unwrap().len();
    server.switch_everything_off();
    program.wait_for("loudspeaker lost: the loudspeaker is no longer there", 1, Duration::from_millis(2_500));
    program.wait_for("microphone lost", 1, Duration::from_millis(2_500));
    pause(Duration::from_secs(4));
    assert!(!program.new_lines().iter().any(|line| line.contains(" back")), "{:?}", program.new_lines());
    program.seen = program.lines.lock().unwrap().len();
    server.switch_everything_on();
    program.wait_for("loudspeaker back", 1, Duration::from_secs(8));
    program.wait_for("microphone back", 1, Duration::from_secs(8));
    program.wait_for("program: ", 1, Duration::from_secs(3));
}

/// `/dev/full` opens as any file and takes nothing: what a full disk does.
#[test]
fn a_disk_that_takes_no_more_sound_is_said_and_the_run_goes_on() {
    let server = SoundServer::start();
    let mut program = Program::tank_dump(&server, &["--keep-sound", "/dev/full"]);
    program.wait_for("the sound is kept no longer: ", 1, Duration::from_secs(3));
    program.wait_for("program: I keep the sound of this run no longer.", 1, Duration::from_secs(30));
    program.answer_until_kept(&server, &clip(&server.folder().join("clips"), VOICE, "gloves on"), "gloves");
}

/// Seconds of the time that a line begins with, such as `[1:02.3]`.
fn program_time(line: &str) -> f64 {
    let time = line.trim_start_matches('[').split(']').next().unwrap();
    let (minutes, seconds) = time.split_once(':').unwrap();
    60.0 * minutes.parse::<f64>().unwrap() + seconds.parse::<f64>().unwrap()
}
