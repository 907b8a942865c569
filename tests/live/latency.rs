//! From the end of a word to the first sound of the reply, as somebody beside the program hears it.

use std::time::Duration;

use crate::server::{SoundServer, pause};
use crate::support::{Program, clip_at};

const VOICES: [(&str, &str); 3] = [("flite", "rms"), ("flite", "slt"), ("espeak-ng", "en-us")];
/// The beginning of the tank dump, with a command here and there, which are waited for longer.
const SAID: [(&str, bool); 13] = [
    ("say again", true),
    ("gloves on", false),
    ("gray closed", false),
    ("how long", true),
    ("black closed", false),
    ("hose locked", false),
    ("hose seated", false),
    ("where are we", true),
    ("black open", false),
    ("run out", false),
    ("rinse hose on", false),
    ("black closed", false),
    ("water on", false),
];
const ROUNDS: usize = 2;

#[test]
#[ignore = "a measurement, to be made on an idle machine: cargo nextest run --release --test live --run-ignored only -E 'test(latency)'"]
fn a_reply_begins_soon_after_the_word_that_asks_for_it() {
    let (mut answers, mut commands) = (Vec::new(), Vec::new());
    for round in 0..ROUNDS {
        let server = SoundServer::start();
        let (ear, microphone) = (server.listen(), server.listen_to_microphone());
        let mut program = Program::tank_dump(&server, &[]);
        let clips = server.folder().join("clips");
        // Both are recorded at the same pace; what differs is when each recorder began. A look at it is off by what is on its way.
        let mut apart = Vec::new();
        let mut replies = Vec::new();
        for (turn, (words, is_command)) in SAID.into_iter().enumerate() {
            // Whoever is not understood says it once more, in another voice.
            for voice in VOICES.iter().cycle().skip(round + turn).take(VOICES.len()) {
                while ear.quiet_for() < Duration::from_millis(1_500) {
                    pause(Duration::from_millis(20));
                }
                program.seen = program.lines.lock().unwrap().len();
                apart.push(microphone.samples_so_far() as i64 - ear.samples_so_far() as i64);
                let (from, said_from) = (ear.samples_so_far(), microphone.samples_so_far());
                server.play(&clip_at(&clips, *voice, words, 0.1));
                pause(Duration::from_millis(1_500));
                let lines = program.new_lines();
                if !lines.iter().any(|line| line.contains(&format!("heard: {words}"))) {
                    continue;
                }
                let word_ends = microphone.loud_since(said_from).map(|(_, end)| end as i64);
                let reply_begins = ear.loud_since(from).map(|(begin, _)| begin as i64);
                replies.extend(word_ends.zip(reply_begins).map(|times| (times, words, is_command)));
                if program.new_lines().iter().any(|line| line.contains("Is that right?")) {
                    while ear.quiet_for() < Duration::from_millis(1_500) {
                        pause(Duration::from_millis(20));
                    }
                    server.play(&clip_at(&clips, VOICES[0], "affirmative", 0.1));
                    pause(Duration::from_millis(1_500));
                }
                break;
            }
        }
        println!("{:.0} MB", program.memory_mb());
        apart.sort();
        let apart = apart[apart.len() / 2];
        for ((word_ends, reply_begins), words, is_command) in replies {
            // What sounds before the word has ended is no reply to it.
            let late = (reply_begins + apart - word_ends) / 16;
            if late > 0 {
                if is_command { &mut commands } else { &mut answers }.push((late, words));
            }
        }
    }
    let figures = |kind: &str, late: &[(i64, &str)]| {
        let mut sorted: Vec<i64> = late.iter().map(|(ms, _)| *ms).collect();
        sorted.sort();
        let (median, most) = (sorted[sorted.len() / 2], sorted[sorted.len() * 19 / 20]);
        println!("{kind}: median {median} ms, 95 % {most} ms, of {}: {late:?}", sorted.len());
        (median, most)
    };
    figures("answers", &answers);
    figures("commands", &commands);
    let all: Vec<_> = answers.into_iter().chain(commands).collect();
    assert!(all.len() * 3 >= SAID.len() * ROUNDS * 2, "{} of {} were understood", all.len(), SAID.len() * ROUNDS);
    let (median, most) = figures("all", &all);
    assert!(median <= 300 && most <= 500, "median {median} ms, 95 % {most} ms of {}", all.len());
}
