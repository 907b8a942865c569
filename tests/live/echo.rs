//! The program hears itself from its own loudspeaker, and a person who speaks while it does.

use std::time::Duration;

use sparehand::engine::event::Event;
use sparehand::journal::{JournalReader, RunId};

use crate::server::{SoundServer, pause};
use crate::support::{Program, clip};

const VOICE: (&str, &str) = ("flite", "rms");

/// Its prompts are full of the very words that it listens for. With its loudspeaker as loud in the microphone as a person, it asks
/// for a critical state again and again, answers nothing itself, and stops when it is told to while it speaks.
#[test]
fn its_own_voice_in_the_microphone_confirms_nothing_and_stop_gets_through_it() {
    let server = SoundServer::start();
    let rig = server.folder().join("rig.toml");
    std::fs::write(&rig, "").unwrap();
    let journal = server.folder().join("journal.sqlite");
    server.echo(60, 100);
    let mut program = Program::start(&server, "tank-dump", &rig, &journal, &[]);
    program.wait_for("step: gloves", 1, Duration::from_secs(30));
    let clips = server.folder().join("clips");
    let say = |program: &mut Program, words: &str, wanted: &str| {
        for attempt in 0.. {
            assert!(attempt < 4, "'{words}' was never understood:\n{}", program.lines.lock().unwrap().join("\n"));
            program.seen = program.lines.lock().unwrap().len();
            server.play(&clip(&clips, VOICE, words));
            pause(Duration::from_secs(3));
            if program.new_lines().iter().any(|line| line.contains(wanted)) {
                break;
            }
        }
    };
    pause(Duration::from_secs(12));
    say(&mut program, "gloves on", "kept: gloves = gloves on");
    // "Look at the grey valve. Say: grey closed, or grey open."
    for _ in 0..4 {
        pause(Duration::from_secs(7));
        say(&mut program, "explain", "heard: explain");
    }
    let answered = || {
        let reader = JournalReader::open(&journal).unwrap();
        let events: Vec<Event> = reader.events(RunId(1)).unwrap().into_iter().map(|record| record.event).collect();
        let count = |wanted: &dyn Fn(&Event) -> bool| events.iter().filter(|event| wanted(event)).count();
        (
            count(&|event| matches!(event, Event::StepAnswered { .. } | Event::OtherStateHeard { .. })),
            count(&|event| matches!(event, Event::StandingBy)),
        )
    };
    assert_eq!(answered(), (1, 0), "gloves, and nothing by itself");

    // It speaks for some ten seconds now; in the midst of that somebody says stop.
    for attempt in 0.. {
        assert!(attempt < 5, "stop never got through:\n{}", program.lines.lock().unwrap().join("\n"));
        program.seen = program.lines.lock().unwrap().len();
        server.play(&clip(&clips, VOICE, "explain"));
        program.wait_for("program: ", 1, Duration::from_secs(6));
        pause(Duration::from_millis(1_500));
        server.play(&clip(&clips, VOICE, "stop"));
        pause(Duration::from_secs(3));
        if answered().1 > 0 {
            break;
        }
    }
    assert_eq!(answered().0, 1);
}
