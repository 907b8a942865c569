//! Whole runs in noise, by a person who answers rightly, wrongly, or talks to somebody else: what was confirmed, and what had been said before.
//! Whether it had been said is judged in `bench/sessions.py`.
//!
//! `cargo run --release --example hear_sessions -- MODELS CHATTER STEPS SEED NOISE...`: real ear and engine, synthetic voices, time that passes as it is
//! heard. CHATTER has a sentence a line that is no answer; a NOISE is a WAV file. Runs until so many critical questions were answered;
//! a run has one voice, one noise, and a speech-to-noise ratio of 5 to 25 dB. Whoever is not
//! understood twice says it in other words that may be said, as the program proposes, and whoever was not seven times takes the key. The program's own voice is not sounded. One JSON object a run.

#[path = "../tests/hear_support/mod.rs"]
mod hear_support;
#[path = "hear_support/judged.rs"]
mod judged;
#[path = "../tests/hear_support/processor.rs"]
mod processor;

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::time::Duration;

use hear_support::{Voice, spoken};
use processor::processor_time_s;
use rand::rngs::SmallRng;
use rand::seq::IndexedRandom;
use rand::{RngExt, SeedableRng};
use serde_json::{Value, json};
use sparehand::audio::FRAME_LEN;
use sparehand::audio::wav;
use sparehand::engine::event::{Event, HeardAs};
use sparehand::engine::input::{Input, Key};
use sparehand::engine::output::{ListeningSet, Output, PhraseClass, VoiceSettings};
use sparehand::engine::{Asked, AskedFor, Engine};
use sparehand::hear::ear::{HearEvent, OwnVoiceState};
use sparehand::hear::noise::rms;
use sparehand::setup::practised::Practice;
use sparehand::setup::prompts;
use sparehand::speech::listener::{Listener, ListenerSettings};
use sparehand::units::{SessionTime, StationId};

const RUNS: [(&str, &str); 6] = [
    ("motorhome-towed-car", "tank-dump"),
    ("travel-trailer", "leave"),
    ("motorhome-towed-car", "hitch-up"),
    ("fifth-wheel", "arrive"),
    ("travel-trailer", "tank-dump"),
    ("motorhome-towed-car", "leave"),
];
const VOICES: [Voice; 8] = [
    Voice::Flite("rms"),
    Voice::Espeak("en-us"),
    Voice::Flite("slt"),
    Voice::Espeak("en-gb+f3"),
    Voice::Flite("awb"),
    Voice::Espeak("en-gb-scotland"),
    Voice::Flite("kal16"),
    Voice::Espeak("en-029"),
];

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [models, chatter, steps, seed, noises @ ..] = arguments.as_slice() else {
        return Err("expected MODELS CHATTER STEPS SEED NOISE...".into());
    };
    let (wanted, seed): (usize, u64) = (steps.parse()?, seed.parse()?);
    judged::begin();
    let chatter = std::fs::read_to_string(chatter)?;
    let chatter: Vec<&str> = chatter.lines().filter(|line| !line.is_empty() && !line.starts_with('#')).collect();
    let noises: Vec<(String, Vec<f32>)> = noises
        .iter()
        .map(|file| {
            Ok((
                Path::new(file).file_stem().unwrap_or_default().to_string_lossy().into_owned(),
                wav::read(Path::new(file))?,
            ))
        })
        .collect::<Result<_, wav::WavError>>()?;
    if noises.is_empty() || chatter.is_empty() {
        return Err("expected at least one NOISE and a sentence in CHATTER".into());
    }
    let mut clips = BTreeMap::new();
    let mut answered = 0;
    // The last three digits of the seed are the run to begin with, so that what is gone on with goes on with the next one.
    let (seed, first) = (seed - seed % 1_000, (seed % 1_000) as usize);
    for number in first.. {
        if answered >= wanted {
            break;
        }
        let mut rng = SmallRng::seed_from_u64(seed ^ (number as u64) << 16);
        let (rig, routine) = RUNS[number % RUNS.len()];
        let voice = VOICES[(number * 3 + number / VOICES.len()) % VOICES.len()];
        let (noise, sound) = &noises[(number / 2) % noises.len()];
        let snr_db: f32 = rng.random_range(5.0..25.0);
        let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("examples/rigs").join(format!("{rig}.toml"));
        let nowhere = Path::new("/nonexistent");
        let rig_file = prompts::rig(Some(&file), nowhere)?;
        let engine = prompts::engine(routine, &rig_file, &[], VoiceSettings::default(), &Practice::default(), nowhere)?;
        let gain = SPEECH_RMS / rms(sound) * 10_f32.powf(-snr_db / 20.0);
        let mut run = Run {
            engine,
            listener: Listener::new(Path::new(models), ListenerSettings::default())?,
            now: SessionTime::ZERO,
            set: None,
            sets: Vec::new(),
            noise: sound.iter().map(|sample| sample * gain).collect(),
            noise_at: rng.random_range(0..sound.len()),
            said: Vec::new(),
            heard_in: BTreeMap::new(),
            meant: None,
            asked_about: None,
            tried: 0,
            tries: 0,
            over: false,
            tally: Tally::default(),
        };
        run.go(&mut rng, voice, &chatter, &mut clips)?;
        let tally = run.tally;
        answered += tally.confirmed.iter().filter(|one| one["critical"] == true).count();
        println!(
            "{}",
            json!({
                "run": number, "rig": rig, "routine": routine, "voice": format!("{voice:?}"), "noise": noise, "snr_db": snr_db, "completed": tally.completed,
                "confirmed": tally.confirmed, "answers": tally.answers, "asked_about": tally.asked_about, "unclear": tally.unclear,
                "by_key": tally.by_key, "talk": tally.talk, "talk_taken": tally.talk_taken, "ear_ms": tally.ear_ms, "judged": tally.judged,
            })
        );
    }
    Ok(())
}

#[derive(Default)]
struct Tally {
    completed: bool,
    /// Steps and their clocks settled by voice, each with what was said before.
    confirmed: Vec<Value>,
    /// Answers that were asked for, spoken; questions asked back; not understood.
    answers: usize,
    asked_about: usize,
    unclear: usize,
    /// Answers that were given by key in the end.
    by_key: usize,
    /// Sentences that were meant for somebody else, and phrases that were made of them, by certainty.
    talk: usize,
    talk_taken: Vec<String>,
    /// From the end of a word to the end of the computing that answers it, in ms.
    ear_ms: Vec<u64>,
    /// What was made of each piece of sound, and what had really been said.
    judged: Vec<Value>,
}

struct Run {
    engine: Engine,
    listener: Listener,
    now: SessionTime,
    set: Option<ListeningSet>,
    /// Those before it.
    sets: Vec<ListeningSet>,
    noise: Vec<f32>,
    noise_at: usize,
    /// What the person said, to the program or to somebody else.
    said: Vec<Said>,
    /// The place in `said` of the words during which each phrase was heard last.
    heard_in: BTreeMap<String, usize>,
    /// The phrase that the person meant last, unless they spoke to somebody else.
    meant: Option<String>,
    /// The number of the last question whether something was heard right.
    asked_about: Option<u64>,
    /// The question that was answered last, and how often before.
    tried: u64,
    tries: u32,
    over: bool,
    tally: Tally,
}

/// Something that the person said, and what they were being asked as they began.
struct Said {
    text: String,
    /// To somebody else.
    talk: bool,
    step: String,
    /// The steps that one answer settles, where more than one was asked for at once.
    stretch: Vec<String>,
    question: u64,
    /// The phrase that they were asked about, whether it was heard right.
    about: Option<(String, String)>,
    /// The steps whose clocks ran.
    clocks: BTreeSet<String>,
    /// What might be said.
    set: ListeningSet,
}

type Clips = BTreeMap<(String, String), Vec<f32>>;

impl Run {
    fn go(
        &mut self,
        rng: &mut SmallRng,
        voice: Voice,
        chatter: &[&str],
        clips: &mut Clips,
    ) -> Result<(), Box<dyn std::error::Error>> {
        self.tell(Input::Woke)?;
        // The place is there before anybody speaks.
        self.listen(&[], 2.0, false)?;
        for _ in 0..MOST_TURNS {
            if self.over {
                break;
            }
            let asked = self.engine.asked(self.now, StationId::RIG);
            if let AskedFor::ClockEnd { ringing: false, .. } = asked.kind {
                self.listen(&[], 3.0, false)?;
                self.now += Duration::from_secs(20);
                self.tell(Input::Woke)?;
                continue;
            }
            if self.tried == asked.question && self.tries >= MOST_TRIES {
                self.press(&asked)?;
                continue;
            }
            let (text, is_talk) = self.what_to_say(&asked, rng, chatter);
            let clip =
                clips.entry((format!("{voice:?}"), text.clone())).or_insert_with(|| spoken(&text, voice)).clone();
            self.note_said(&asked, &text, is_talk);
            if is_talk {
                self.tally.talk += 1;
                self.meant = None;
            } else {
                if !matches!(asked.kind, AskedFor::HeardRight { .. }) {
                    self.meant = Some(text);
                }
            }
            self.listen(&clip, 1.6, is_talk)?;
            self.now += Duration::from_secs(rng.random_range(2..15));
            self.tell(Input::Woke)?;
        }
        Ok(())
    }

    /// Gives up saying it: the key that shows the answer.
    fn press(&mut self, asked: &Asked) -> Result<(), Box<dyn std::error::Error>> {
        self.tally.by_key += 1;
        self.tries = 0;
        let wrong = matches!(&asked.kind, AskedFor::HeardRight { phrase, .. } if self.meant.as_ref() != Some(phrase));
        self.tell(Input::KeyPressed(if wrong { Key::Other } else { Key::Confirm }))?;
        self.now += Duration::from_secs(5);
        self.tell(Input::Woke)
    }

    /// Keeps what the person begins to say.
    fn note_said(&mut self, asked: &Asked, text: &str, talk: bool) {
        let about = match &asked.kind {
            AskedFor::HeardRight { phrase, yes, .. } => Some((phrase.clone(), yes.clone())),
            _ => None,
        };
        let (job, state) = (self.engine.job(), self.engine.state());
        self.said.push(Said {
            text: text.to_owned(),
            talk,
            step: asked.step.clone(),
            stretch: state.stretch_of(state.focus).iter().map(|&step| job.step(step).id.clone()).collect(),
            question: asked.question,
            about,
            clocks: state.clocks.keys().map(|&step| job.step(step).id.clone()).collect(),
            set: self.set.clone().expect("something may be said once the run has begun"),
        });
    }

    /// What is asked for, most of the time; else another thing that may be said, or talk. Whether it is talk.
    fn what_to_say(&mut self, asked: &Asked, rng: &mut SmallRng, chatter: &[&str]) -> (String, bool) {
        let right = match &asked.kind {
            AskedFor::Answer(answers) | AskedFor::Other(answers) => answers.first().cloned(),
            AskedFor::YesOrNo { round: 0, no, .. } => Some(no.clone()),
            AskedFor::YesOrNo { yes, .. } => Some(yes.clone()),
            // People answer truly what they are asked about; in longer words when they are not understood.
            AskedFor::HeardRight { phrase, yes, no } => {
                let answer = if self.meant.as_ref() == Some(phrase) { yes } else { no }.clone();
                self.tries = if self.tried == asked.question { self.tries + 1 } else { 0 };
                self.tried = asked.question;
                return (if self.tries > 0 { self.in_other_words(answer) } else { answer }, false);
            }
            AskedFor::ClockStart(start) => Some(start.clone()),
            AskedFor::ClockEnd { end, .. } => end.clone(),
        };
        let draw: f32 = rng.random();
        if let Some(right) = right.filter(|_| draw < 0.7) {
            self.tally.answers += 1;
            self.tries = if self.tried == asked.question { self.tries + 1 } else { 0 };
            self.tried = asked.question;
            return (if self.tries % 4 >= 2 { self.in_other_words(right) } else { right }, false);
        }
        let others = self.set.iter().flat_map(|set| &set.phrases);
        // What ends the run, begins an emergency card, or leaves steps to others would leave little of it.
        let others: Vec<&str> = others
            .filter(|phrase| phrase.class != PhraseClass::Emergency)
            .map(|phrase| phrase.text.as_str())
            .filter(|text| {
                !matches!(*text, "end the run" | "stand by")
                    && !text.starts_with("override")
                    && !text.starts_with("note")
                    && !LEAVES_OPEN.contains(text)
                    && !text.ends_with("today")
            })
            .collect();
        match others.choose(rng).filter(|_| draw < 0.85) {
            Some(other) => ((*other).to_owned(), false),
            None => ((*chatter.choose(rng).expect("there is chatter")).to_owned(), true),
        }
    }

    /// Whether two phrases meant the same in one of the newest listening sets.
    fn is_same(&self, said: &str, heard: &str) -> bool {
        self.sets.iter().chain(&self.set).any(|set| is_same_in(set, said, heard))
    }

    /// The last wording that means the same.
    fn in_other_words(&self, answer: String) -> String {
        let mut phrases = self.set.iter().flat_map(|set| &set.phrases);
        let group = phrases.clone().find(|phrase| phrase.text == answer).map(|phrase| phrase.group);
        phrases.rfind(|phrase| Some(phrase.group) == group).map_or(answer, |phrase| phrase.text.clone())
    }

    /// Lets `clip` sound, and `after_s` more of the noise; tells the engine what was heard.
    fn listen(&mut self, clip: &[f32], after_s: f32, is_talk: bool) -> Result<(), Box<dyn std::error::Error>> {
        let begins = BEFORE_FRAMES * FRAME_LEN;
        let ends = begins + clip.len();
        let frames = (ends as f32 / FRAME_LEN as f32 + after_s * 100.0) as usize;
        for at in 0..frames {
            let frame: [f32; FRAME_LEN] = std::array::from_fn(|offset| {
                let place = at * FRAME_LEN + offset;
                let noise = self.noise[(self.noise_at + place) % self.noise.len()];
                noise + if place >= begins { clip.get(place - begins).copied().unwrap_or(0.0) } else { 0.0 }
            });
            let began = processor_time_s()?;
            let event = self.listener.push_frame(&frame, None, OwnVoiceState::Silent)?;
            self.keep_judged(is_talk);
            self.now += Duration::from_millis(10);
            if self.engine_wakes() {
                self.tell(Input::Woke)?;
            }
            match event {
                Some(HearEvent::Heard(heard)) => {
                    if let Some(last) = self.said.len().checked_sub(1) {
                        self.heard_in.insert(heard.text.clone(), last);
                    }
                    let late = ((at + 1) * 10) as f64 - ends as f64 / 16.0 + 1e3 * (processor_time_s()? - began);
                    if is_talk {
                        self.tally.talk_taken.push(format!("{} ({:?})", heard.text, heard.certainty));
                    } else if late > 0.0 {
                        self.tally.ear_ms.push(late as u64);
                    }
                    self.tell(Input::PhraseHeard(heard))?;
                }
                Some(HearEvent::Unclear(_)) => {
                    self.tally.unclear += usize::from(!is_talk);
                    self.tell(Input::SpeechUnclear)?;
                }
                _ => {}
            }
        }
        self.noise_at = (self.noise_at + frames * FRAME_LEN) % self.noise.len();
        Ok(())
    }

    /// Keeps what the ear made of a piece of sound, beside what was said.
    fn keep_judged(&mut self, is_talk: bool) {
        for mut judged in judged::take() {
            let Some(said) = self.said.last() else { continue };
            let heard = judged["best"].as_str().unwrap_or_default();
            let phrase = said.set.phrases.iter().find(|phrase| phrase.text == heard);
            let right = !is_talk && is_same_in(&said.set, &said.text, heard);
            judged["said"] = json!(said.text);
            judged["talk"] = json!(is_talk);
            judged["right"] = json!(right);
            judged["question"] = json!(said.question);
            judged["class"] = json!(phrase.map(|phrase| format!("{:?}", phrase.class)));
            judged["prior"] = json!(phrase.map(|phrase| format!("{:?}", phrase.prior)));
            judged["now_ms"] = json!(self.now.as_millis());
            self.tally.judged.push(judged);
        }
    }

    fn engine_wakes(&self) -> bool {
        self.now.as_millis().is_multiple_of(1_000)
    }

    fn tell(&mut self, input: Input) -> Result<(), Box<dyn std::error::Error>> {
        self.engine.handle(self.now, StationId::RIG, input);
        loop {
            match self.engine.poll().1 {
                Output::Wait(_) => return Ok(()),
                Output::Ended => {
                    self.over = true;
                    return Ok(());
                }
                Output::Listen(set) => {
                    self.listener.allow(&set)?;
                    self.sets.extend(self.set.replace(set));
                    let surplus = self.sets.len().saturating_sub(REMEMBERED);
                    self.sets.drain(..surplus);
                }
                Output::Record { seq, event, .. } => {
                    self.check(&event);
                    self.engine.handle(self.now, StationId::RIG, Input::Recorded(seq));
                }
                Output::Say(utterance) => {
                    let asked = self.engine.asked(self.now, StationId::RIG);
                    if matches!(asked.kind, AskedFor::HeardRight { .. }) && self.asked_about != Some(asked.question) {
                        self.asked_about = Some(asked.question);
                        self.tally.asked_about += 1;
                    }
                    self.engine.handle(self.now, StationId::RIG, Input::SpeechFinished(utterance.id));
                }
                _ => {}
            }
        }
    }

    /// Keeps what was settled by voice, with what was said before.
    fn check(&mut self, event: &Event) {
        let (kind, step, heard) = match event {
            Event::RunCompleted { .. } => {
                self.tally.completed = true;
                return;
            }
            Event::StepAnswered { step, heard, .. } => ("step_answered", step, heard),
            Event::ClockStarted { step, heard, .. } => ("clock_started", step, heard),
            Event::ClockEnded { step, heard, .. } => ("clock_ended", step, heard),
            _ => return,
        };
        let (HeardAs::Voice { phrase, .. } | HeardAs::VoiceConfirmed { phrase, .. }) = heard else { return };
        let asked_back = matches!(heard, HeardAs::VoiceConfirmed { .. });
        // One answer to several steps is said of each of them.
        let asked_of = |said: &Said| if said.stretch.contains(step) { step.clone() } else { said.step.clone() };
        let told = |said: &Said| {
            json!({
                "text": said.text, "talk": said.talk, "step": asked_of(said), "question": said.question, "clocks": said.clocks,
                "about": said.about.as_ref().map(|(phrase, _)| phrase),
                "agrees": said.about.as_ref().is_some_and(|(_, yes)| is_same_in(&said.set, &said.text, yes)),
                "same": self.is_same(&said.text, phrase), "same_then": is_same_in(&said.set, &said.text, phrase),
            })
        };
        let critical = self.engine.job().index_of(step).is_some_and(|index| self.engine.job().step(index).critical());
        let from = self.said.iter().rev().filter(|said| !said.talk).take(REMEMBERED).count();
        let mut left = from;
        let first = self.said.iter().rposition(|said| {
            left -= usize::from(!said.talk && left > 0);
            left == 0
        });
        self.tally.confirmed.push(json!({
            "kind": kind, "step": step, "critical": critical, "phrase": phrase, "asked_back": asked_back,
            // It may have taken some turns until the question whether it was heard right was answered.
            "meant": asked_back && self.meant.as_ref() == Some(phrase),
            "heard_in": self.heard_in.get(phrase).map(|&place| told(&self.said[place])),
            "is_last": self.heard_in.get(phrase).is_some_and(|&place| place + 1 == self.said.len()),
            "said": self.said[first.unwrap_or(0)..].iter().map(told).collect::<Vec<_>>(),
        }));
    }
}

/// Whether two phrases mean the same in a listening set.
fn is_same_in(set: &ListeningSet, said: &str, heard: &str) -> bool {
    let group = |text: &str| set.phrases.iter().find(|phrase| phrase.text == text).map(|phrase| phrase.group);
    said == heard || group(said).is_some_and(|group_of| group(heard) == Some(group_of))
}

/// As [`spoken`] makes it.
const SPEECH_RMS: f32 = 0.05;
/// Noise alone before each utterance.
const BEFORE_FRAMES: usize = 80;
/// What was said so many utterances ago may still be what is confirmed: a question may come between.
const REMEMBERED: usize = 4;
/// What leaves a step to somebody who is not there.
const LEAVES_OPEN: [&str; 6] =
    ["cannot be tested", "cannot test it", "i cannot do that", "not fitted", "somebody else did it", "i will call you"];
/// Who was not understood so often takes the key.
const MOST_TRIES: u32 = 6;
/// A run that does not end is left.
const MOST_TURNS: usize = 600;
