//! From the end of a word to the first sound of the reply, as somebody beside the program hears it.

use std::time::Duration;

use crate::server::{SoundServer, pause};
use crate::support::{Program, clip_at};

const VOICES: [(&str, &str); 3] = [("flite", "rms"), ("flite", "slt"), ("espeak-ng", "en-us")];
/// Commands, and answers to the steps of the tank dump one after the other.
const SAID: [&str; 16] = [
    "say again",
    "gloves on",
    "how long",
    "grey closed",
    "where are we",
    "black closed",
    "what is left",
    "hose locked",
    "say again",
    "hose seated",
    "how long",
    "black open",
    "run out",
    "where are we",
    "rinse hose on",
    "black closed",
];

#[test]
#[ignore = "a measurement, to be made on an idle machine: cargo nextest run --release --test live --run-ignored only"]
fn a_reply_begins_soon_after_the_word_that_asks_for_it() {
    let server = SoundServer::start();
    let (ear, microphone) = (server.listen(), server.listen_to_microphone());
    let mut program = Program::tank_dump(&server, &[]);
    let mut late = Vec::new();
    for (turn, words) in SAID.into_iter().enumerate() {
        // Whoever is not understood says it once more, in another voice.
        for voice in VOICES.iter().cycle().skip(turn).take(VOICES.len()) {
            while ear.quiet_for() < Duration::from_millis(1_500) {
                pause(Duration::from_millis(20));
            }
            program.seen = program.lines.lock().unwrap().len();
            // Both are recorded at the same pace; what differs is when each recorder began.
            let apart = microphone.samples_so_far() as i64 - ear.samples_so_far() as i64;
            let (from, said_from) = (ear.samples_so_far(), microphone.samples_so_far());
            server.play(&clip_at(&server.folder().join("clips"), *voice, words, 0.1));
            pause(Duration::from_millis(1_500));
            if !program.new_lines().iter().any(|line| line.contains(&format!("heard: {words}"))) {
                continue;
            }
            let word_ends = microphone.loud_since(said_from).map(|(_, end)| end as i64 - apart);
            let reply_begins = ear.loud_since(from).map(|(begin, _)| begin as i64);
            let (Some(word_ends), Some(reply_begins)) = (word_ends, reply_begins) else { continue };
            late.push(((reply_begins - word_ends) / 16, words));
            break;
        }
    }
    assert!(late.len() * 3 >= SAID.len() * 2, "{} of {} were understood", late.len(), SAID.len());
    println!("reply begins {late:?} ms after the word; {:.0} MB", program.memory_mb());
    let mut late: Vec<i64> = late.into_iter().map(|(ms, _)| ms).collect();
    late.sort();
    let (median, most) = (late[late.len() / 2], late[late.len() * 19 / 20]);
    println!("median {median}, 95 % {most}, of {}", late.len());
    assert!(median <= 400 && most <= 500, "median {median} ms, 95 % {most} ms of {}", late.len());
}
