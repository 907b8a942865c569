//! The loudspeaker by itself: through a private sound server to a sink and back from its monitor.
#![allow(clippy::disallowed_methods, reason = "devices are measured in real time")]

use std::time::{Duration, Instant};

use sparehand::audio::FRAME_LEN;
use sparehand::audio::device::{Direction, devices};
use sparehand::audio::playback::Playback;
use sparehand::audio::wake::Waker;
use sparehand::say::mixer::FRAME;

use crate::server::SoundServer;

/// The server that a process uses is named in its environment, so each test is a process of its own.
fn passes(server: &SoundServer, test: &str, sink: &[(&str, &str)]) {
    let mut child = server.command(std::env::current_exe().unwrap());
    child.args(["--exact", &format!("loudspeaker::{test}"), "--ignored", "--nocapture"]).envs(sink.iter().copied());
    let done = child.output().unwrap();
    let told = String::from_utf8_lossy(&done.stdout);
    assert!(done.status.success() && told.contains("1 passed"), "{told}{}", String::from_utf8_lossy(&done.stderr));
}

#[test]
fn a_loudspeaker_keeps_its_pace_and_gives_back_what_was_played() {
    passes(&SoundServer::start(), "plays_for_three_seconds", &[]);
}

#[test]
fn a_loudspeaker_that_is_not_there_is_named_with_what_is() {
    passes(&SoundServer::start(), "asks_for_one_that_is_not_there", &[]);
}

#[test]
fn a_loudspeaker_that_vanishes_is_noticed_unless_the_server_moves_the_sound_to_another() {
    let server = SoundServer::start();
    let load = server.command("pactl").args(["load-module", "module-null-sink", "sink_name=second"]).output().unwrap();
    let module = String::from_utf8(load.stdout).unwrap();
    let sink = [("SPAREHAND_TEST_SINK", "pulseaudio:second"), ("SPAREHAND_TEST_SINK_MODULE", module.trim())];
    passes(&server, "has_its_sink_taken_away", &sink);
}

/// Samples, a third of a second: what a device's buffers hold is no sign that it plays.
const MORE_THAN_BUFFERS: u64 = 16_000;

fn tone_frame(number: usize) -> [f32; FRAME] {
    std::array::from_fn(|n| 0.3 * ((number * FRAME + n) as f32 * 440.0 * std::f32::consts::TAU / 48_000.0).sin())
}

#[test]
#[ignore = "the child of a test above"]
fn plays_for_three_seconds() {
    assert!(devices(Direction::Output).unwrap().iter().any(|device| device.is_default));
    let (mut playback, mut reference) = Playback::open(None, &Waker::of_nobody()).unwrap();
    // A server fills its buffers, and may then take seconds before it plays.
    let opened = Instant::now();
    while playback.taken() < MORE_THAN_BUFFERS {
        assert!(opened.elapsed() < Duration::from_secs(10), "nothing is taken");
        if !playback.write(&tone_frame(0)) {
            std::thread::sleep(Duration::from_millis(2));
        }
    }
    let start = Instant::now();
    let mut number = 0;
    let mut power = 0.0;
    let mut frames_back = 0;
    while start.elapsed() < Duration::from_secs(3) {
        if playback.write(&tone_frame(number)) {
            number += 1;
        } else {
            std::thread::sleep(Duration::from_millis(2));
        }
        while let Some(frame) = reference.next_frame().unwrap() {
            frames_back += 1;
            power += frame.iter().map(|sample| sample * sample).sum::<f32>() / FRAME_LEN as f32;
        }
    }
    println!("{number} frames in 3 s, {frames_back} back, {} underruns", playback.underruns());
    assert!((200..=330).contains(&number), "{number} frames in 3 s");
    assert!(frames_back + 20 >= number, "{frames_back} of {number}");
    assert_eq!(playback.underruns(), 0);
    assert!(power / frames_back as f32 > 0.04);
    assert_eq!(reference.lost(), 0);
    assert!(playback.failed().is_none());

    let before = Instant::now();
    playback.flush();
    while playback.queued() > 0 {
        std::thread::sleep(Duration::from_millis(1));
    }
    println!("flush {:?}", before.elapsed());
    assert!(before.elapsed() < Duration::from_millis(50));
    assert!(playback.write(&tone_frame(0)), "writes go on after a flush");
}

#[test]
#[ignore = "the child of a test above"]
fn asks_for_one_that_is_not_there() {
    let Err(error) = Playback::open(Some("pulseaudio:no-such-thing"), &Waker::of_nobody()) else { panic!("it opened") };
    assert!(error.to_string().contains("no-such-thing") && error.to_string().contains("loudspeaker"), "{error}");
}

/// Takes a sink away while it plays: `SPAREHAND_TEST_SINK` is its id and `SPAREHAND_TEST_SINK_MODULE` the number of
/// the module that made it. With another sink there, a server may move the stream to it: then sound must go on. With none,
/// the loss must be noticed, and dropping the dead stream must not block.
#[test]
#[ignore = "the child of a test above"]
fn has_its_sink_taken_away() {
    let sink = std::env::var("SPAREHAND_TEST_SINK").expect("SPAREHAND_TEST_SINK is set");
    let module = std::env::var("SPAREHAND_TEST_SINK_MODULE").expect("SPAREHAND_TEST_SINK_MODULE is set");
    let (mut playback, _reference) = Playback::open(Some(&sink), &Waker::of_nobody()).unwrap();
    let play_for = |playback: &mut Playback, span: Duration| {
        let start = Instant::now();
        let mut number = 0;
        while playback.failed().is_none() && start.elapsed() < span {
            if playback.write(&tone_frame(number)) {
                number += 1;
            } else {
                std::thread::sleep(Duration::from_millis(2));
            }
        }
        start.elapsed()
    };
    // A sink that was asleep may take seconds to begin.
    play_for(&mut playback, Duration::from_secs(4));
    assert!(playback.taken() > 48_000, "{} taken", playback.taken());
    assert!(std::process::Command::new("pactl").args(["unload-module", &module]).status().unwrap().success());
    let before = playback.taken();
    let noticed = play_for(&mut playback, Duration::from_secs(3));
    let taken = playback.taken() - before;
    println!("failed: {:?} after {noticed:?}; {taken} samples taken", playback.failed());
    assert!(playback.failed().is_some() || taken > 96_000, "neither noticed nor moved: {taken} samples in {noticed:?}");
    let before = Instant::now();
    drop(playback);
    assert!(before.elapsed() < Duration::from_millis(100), "dropping a dead loudspeaker does not block");
}
