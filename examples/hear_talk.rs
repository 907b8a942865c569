//! What the ear takes for an answer in sound that is none: whole recordings, heard as in a session, with the phrases of real steps.
//!
//! `cargo run --release --example hear_talk -- MODELS [SEED] < list`: a line of the list is a WAV file, or a WAV file, a tab and `own`: that one
//! comes out of the program's own loudspeaker, and back through a room. One JSON object a line and file; the phrases that may be said
//! change from file to file. Each file may be heard at another moment of a run, so the microphone is the same and what it hears goes on.

#[path = "../tests/hear_support/loudspeaker.rs"]
mod loudspeaker;
#[path = "../tests/hear_support/processor.rs"]
mod processor;

use std::collections::BTreeSet;
use std::io::BufRead;
use std::path::Path;
use std::time::Duration;

use loudspeaker::Room;
use processor::processor_time_s;
use rand::rngs::SmallRng;
use rand::seq::SliceRandom;
use rand::{RngExt, SeedableRng};
use serde_json::json;
use sparehand::audio::FRAME_LEN;
use sparehand::audio::SAMPLE_RATE;
use sparehand::audio::wav;
use sparehand::engine::input::{Input, Key};
use sparehand::engine::output::{ListeningSet, ListeningSetId, Output, VoiceSettings};
use sparehand::hear::ear::{HearEvent, OwnVoiceState};
use sparehand::setup::practised::Practice;
use sparehand::setup::prompts;
use sparehand::speech::listener::{Listener, ListenerSettings};
use sparehand::units::{SessionTime, StationId};

/// Rig, routine, and whether by two people.
const RUNS: [(&str, &str, bool); 9] = [
    ("motorhome-towed-car", "tank-dump", false),
    ("motorhome-towed-car", "evening-before", false),
    ("motorhome-towed-car", "leave", false),
    ("motorhome-towed-car", "leave", true),
    ("motorhome-towed-car", "arrive", true),
    ("travel-trailer", "hitch-up", false),
    ("fifth-wheel", "stop", false),
    ("travel-trailer", "lay-up", false),
    ("van-no-sewer", "wake-up", false),
];

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [models, rest @ ..] = arguments.as_slice() else {
        return Err("expected MODELS [SEED], and a list of WAV files on standard input".into());
    };
    let mut rng = SmallRng::seed_from_u64(rest.first().map_or(Ok(1), |seed| seed.parse())?);
    let mut sets = listening_sets()?;
    sets.shuffle(&mut rng);
    let mut listener = Listener::new(Path::new(models), ListenerSettings::default())?;
    for (at, line) in std::io::stdin().lock().lines().enumerate() {
        let line = line?;
        let (file, own) = match line.split_once('\t') {
            Some((file, "own")) => (file, true),
            Some((_, kind)) => return Err(format!("line {}: found '{kind}', expected 'own'", at + 1).into()),
            None => (line.as_str(), false),
        };
        let set = &sets[at % sets.len()];
        listener.allow(set)?;
        let samples = wav::read(Path::new(file))?;
        let room = Room::new(&mut rng);
        let began = processor_time_s()?;
        let (mut heard, mut nearly, mut unclear, mut talked_on) = (Vec::new(), Vec::new(), 0, 0);
        let mut played: Vec<f32> = Vec::new();
        for (frame_at, frame) in samples.chunks_exact(FRAME_LEN).enumerate() {
            let frame: &[f32; FRAME_LEN] = frame.try_into()?;
            let event = if own {
                played.extend(frame);
                let surplus = played.len().saturating_sub(SAMPLE_RATE);
                played.drain(..surplus);
                let hiss = std::array::from_fn::<f32, FRAME_LEN, _>(|_| rng.random_range(-HISS..HISS));
                let mut mic = room.echo(&played);
                mic.iter_mut().zip(hiss).for_each(|(sample, hiss)| *sample += hiss);
                listener.push_frame(&mic, Some(frame), OwnVoiceState::Speaking)?
            } else {
                listener.push_frame(frame, Some(&[0.0; FRAME_LEN]), OwnVoiceState::Silent)?
            };
            match event {
                Some(HearEvent::Heard(heard_now)) => heard.push(json!({
                    "at_s": frame_at as f64 / 100.0, "text": heard_now.text, "class": format!("{:?}", set.phrases[heard_now.index].class),
                    "certainty": format!("{:?}", heard_now.certainty), "score": heard_now.score, "margin": heard_now.margin,
                })),
                Some(HearEvent::Unclear(found)) => {
                    unclear += 1;
                    let phrase = set.phrases.iter().find(|phrase| Some(&phrase.text) == found.best.as_ref());
                    if let Some(phrase) = phrase.filter(|_| found.log_odds > NEARLY) {
                        nearly.push(json!({
                            "at_s": frame_at as f64 / 100.0, "text": phrase.text, "class": format!("{:?}", phrase.class), "log_odds": found.log_odds,
                            "margin": found.margin, "free": found.free_text,
                        }));
                    }
                }
                Some(HearEvent::TalkedOn) => talked_on += 1,
                Some(
                    HearEvent::SpeechStarted | HearEvent::Noted(_) | HearEvent::Refused(_) | HearEvent::UnusableSamples,
                )
                | None => {}
            }
        }
        println!(
            "{}",
            json!({
                "file": file, "seconds": samples.len() as f64 / SAMPLE_RATE as f64, "phrases": set.phrases.len(), "heard": heard, "nearly": nearly,
                "unclear": unclear, "talked_on": talked_on, "processor_s": processor_time_s()? - began, "memory_mb": memory_mb()?,
            })
        );
    }
    Ok(())
}

/// The sets that the runs listen with, one each of those that differ, as their steps are answered by the key that confirms.
fn listening_sets() -> Result<Vec<ListeningSet>, Box<dyn std::error::Error>> {
    let nowhere = Path::new("/nonexistent");
    let (mut seen, mut sets) = (BTreeSet::new(), Vec::new());
    for (rig, routine, two) in RUNS {
        let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("examples/rigs").join(format!("{rig}.toml"));
        let rig = prompts::rig(Some(&file), nowhere)?;
        let with: Vec<String> = rig.people().iter().map(|person| person.name.clone()).filter(|_| two).collect();
        let voice = VoiceSettings::default();
        let mut engine = prompts::engine(routine, &rig, &with, voice, &Practice::default(), nowhere)?;
        let mut now = SessionTime::ZERO;
        engine.handle(now, StationId::RIG, Input::Woke);
        'run: for _ in 0..2_000 {
            let mut told = Vec::new();
            loop {
                match engine.poll().1 {
                    Output::Wait(_) => break,
                    Output::Ended => break 'run,
                    Output::Listen(set) => {
                        let phrases: Vec<String> = set.phrases.iter().map(|phrase| format!("{phrase:?}")).collect();
                        if !set.phrases.is_empty() && seen.insert(phrases) {
                            sets.push(ListeningSet { id: ListeningSetId(sets.len() as u64), phrases: set.phrases });
                        }
                    }
                    Output::Record { seq, .. } => engine.handle(now, StationId::RIG, Input::Recorded(seq)),
                    Output::Say(utterance) => told.push(Input::SpeechFinished(utterance.id)),
                    _ => {}
                }
            }
            now += Duration::from_secs(5);
            told.extend([Input::Woke, Input::KeyPressed(Key::Confirm)]);
            told.into_iter().for_each(|input| engine.handle(now, StationId::RIG, input));
        }
    }
    Ok(sets)
}

/// The most resident memory so far.
fn memory_mb() -> Result<f64, Box<dyn std::error::Error>> {
    let text = std::fs::read_to_string("/proc/self/status")?;
    let line = text.lines().find_map(|line| line.strip_prefix("VmHWM:")).ok_or("/proc/self/status has no VmHWM")?;
    let kilobytes: f64 = line.trim().trim_end_matches(" kB").parse()?;
    Ok(kilobytes / 1024.0)
}

/// Natural logarithm of the odds from which on what was refused is told: one in 150.
const NEARLY: f32 = -5.0;
/// About -66 dBFS.
const HISS: f32 = 0.0009;
