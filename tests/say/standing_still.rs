//! A loudspeaker that opens and takes no sound: whoever waits for it gives up, and says what to do.

use std::time::{Duration, Instant};

use crate::server::SoundServer;

/// What a command prints on its error output, and how long it takes to end.
#[allow(clippy::disallowed_methods, reason = "a command that waits is measured in real time")]
fn ends(server: &SoundServer, arguments: &[&str]) -> (bool, String, Duration) {
    let home = tempfile::tempdir().unwrap();
    let data = crate::say_common::models().parent().and_then(|ours| ours.parent()).unwrap().to_owned();
    let began = Instant::now();
    let mut command = server.command(env!("CARGO_BIN_EXE_sparehand"));
    command.env("HOME", home.path()).env("XDG_DATA_HOME", data).args(arguments);
    let mut child = command.stdout(std::process::Stdio::null()).stderr(std::process::Stdio::piped()).spawn().unwrap();
    while child.try_wait().unwrap().is_none() {
        if began.elapsed() > LONG {
            child.kill().unwrap();
        }
        std::thread::sleep(Duration::from_millis(50));
    }
    let done = child.wait_with_output().unwrap();
    (done.status.success(), String::from_utf8_lossy(&done.stderr).into_owned(), began.elapsed())
}

#[test]
fn say_and_mic_give_up_on_a_loudspeaker_that_takes_no_sound() {
    let server = SoundServer::start();
    server.hold_loudspeaker(true);
    for arguments in [&["speak", "Chock down."][..], &["mic", "--only-measure"]] {
        let (success, told, took) = ends(&server, arguments);
        assert!(!success && took < LONG, "{arguments:?} after {took:?}: {told}");
        assert!(told.contains("stands still") && told.contains("choose another"), "{arguments:?}: {told}");
    }
}

#[test]
fn say_is_heard_where_the_loudspeaker_takes_it() {
    let server = SoundServer::start();
    let ear = server.listen();
    let (success, told, took) = ends(&server, &["speak", "Chock down. Look at it twice."]);
    assert!(success && took < LONG, "after {took:?}: {told}");
    let spoken = ear.voice_since(0);
    assert!(spoken.seconds > 1.5 && spoken.rms > 0.01, "{spoken:?}");
}

const LONG: Duration = Duration::from_secs(25);
