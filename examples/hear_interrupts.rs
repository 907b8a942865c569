//! How well somebody is heard who speaks while the program speaks: a loudspeaker, a room and a microphone, as figures.
//!
//! `cargo run --release --example hear_interrupts -- MODELS PROMPTS [RATIO_DB [ROUNDS [SEED]]]`: PROMPTS is what `sparehand prompts --out` made;
//! RATIO_DB is how much louder the person is in the microphone than the loudspeaker, both measured over their own sound.

#[path = "../tests/hear_support/mod.rs"]
mod hear_support;
#[path = "../tests/hear_support/loudspeaker.rs"]
mod loudspeaker;

use std::path::Path;

use hear_support::{Voice, spoken};
use loudspeaker::Room;
use rand::rngs::SmallRng;
use rand::{RngExt, SeedableRng};
use sparehand::audio::FRAME_LEN;
use sparehand::audio::SAMPLE_RATE;
use sparehand::audio::wav;
use sparehand::engine::input::{Certainty, PhraseHeard};
use sparehand::engine::output::{AllowedPhrase, ListeningSet, ListeningSetId, PhraseClass, Prior};
use sparehand::hear::ear::{HearEvent, OwnVoiceState};
use sparehand::hear::noise::{pink, rms};
use sparehand::speech::listener::{Listener, ListenerSettings};
use tracing_subscriber::EnvFilter;

const VOICES: [Voice; 6] = [
    Voice::Espeak("en-us"),
    Voice::Espeak("en-gb+f3"),
    Voice::Flite("slt"),
    Voice::Flite("rms"),
    Voice::Flite("awb"),
    Voice::Flite("kal16"),
];
const SAID: [(&str, PhraseClass); 4] = [
    ("stop", PhraseClass::Emergency),
    ("say again", PhraseClass::Chat),
    ("valve closed", PhraseClass::Critical),
    ("water off", PhraseClass::Critical),
];
/// Allowed besides, so that there is something to be taken for.
const OTHERS: [&str; 12] = [
    "done",
    "yes",
    "no",
    "valve open",
    "hose connected",
    "how long",
    "what is left",
    "go ahead",
    "stand by",
    "water on",
    "skip",
    "running clear",
];
/// Talk to somebody else meanwhile, of which nothing is to be heard.
const TALK: [&str; 8] = [
    "did you put the kettle on",
    "the shop is at the top of the hill",
    "that strap is stuck again",
    "start with the blue one over there",
    "I said we should have stayed another night",
    "come and look at this bird",
    "it stopped raining an hour ago",
    "no no leave it where it is",
];
/// What the loudspeaker is told to do takes so long, and the word that is in its buffers goes on meanwhile.
const OUTPUT_FRAMES: usize = 8;
const DUCKED: f32 = 0.125;
const DUCKED_FRAMES: usize = 150;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    // With RUST_LOG=sparehand=debug every verdict is shown.
    tracing_subscriber::fmt().with_env_filter(EnvFilter::from_default_env()).with_writer(std::io::stderr).init();
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [models, prompts, rest @ ..] = arguments.as_slice() else {
        return Err("expected MODELS PROMPTS [RATIO_DB [ROUNDS [SEED]]]".into());
    };
    let number = |at: usize, usual: f32| rest.get(at).map_or(Ok(usual), |text| text.parse());
    let (ratio_db, rounds) = (number(0, 0.0)?, number(1, 8.0)? as usize);
    let mut files: Vec<_> = std::fs::read_dir(prompts)?.filter_map(|entry| Some(entry.ok()?.path())).collect();
    files.retain(|path| path.extension().is_some_and(|extension| extension == "wav"));
    files.sort();
    let phrase = |(group, (text, class)): (u32, (&str, PhraseClass))| AllowedPhrase {
        text: text.to_owned(),
        class,
        group,
        while_speaking: true,
        prior: Prior::Allowed,
    };
    let all = SAID.into_iter().chain(OTHERS.map(|text| (text, PhraseClass::Ordinary)));
    let set = ListeningSet { id: ListeningSetId(1), phrases: (0..).zip(all).map(phrase).collect() };
    let mut rng = SmallRng::seed_from_u64(number(2, 7.0)? as u64);
    let mut talks = Vec::new();
    for voice in VOICES {
        for (words, _) in SAID {
            talks.push((words, format!("{words} ({voice:?})"), spoken(words, voice)));
        }
    }
    let chatter: Vec<Vec<f32>> =
        TALK.iter().zip(VOICES.iter().cycle()).map(|(talk, voice)| spoken(talk, *voice)).collect();
    let mut tally = Tally::default();
    for round in 0..rounds {
        let mut listener = Listener::new(Path::new(models), ListenerSettings::default())?;
        listener.allow(&set)?;
        let room = Room::new(&mut rng);
        let mut loop_ =
            Loop { listener, room, played: Vec::new(), at: 0, noise: pink(round as u64, 60 * SAMPLE_RATE, 0.0005) };
        // The room is learnt from what is said before anybody interrupts.
        let prompt = |rng: &mut SmallRng, least_s: f32| loop {
            let samples = wav::read(&files[rng.random_range(0..files.len())]).expect("a prompt is a WAV file");
            if samples.len() as f32 > least_s * SAMPLE_RATE as f32 {
                return samples;
            }
        };
        for _ in 0..2 {
            loop_.play(&prompt(&mut rng, 3.0), None, ratio_db, &mut tally)?;
        }
        for (words, who, talk) in &talks {
            let begin = rng.random_range(0.6..2.0);
            let missed = tally.missed();
            loop_.play(&prompt(&mut rng, 4.5), Some((words, talk, begin)), ratio_db, &mut tally)?;
            if tally.missed() > missed {
                tracing::debug!(who, "not heard");
                *tally.not_heard.entry(who.clone()).or_default() += 1;
            }
        }
        for talk in &chatter {
            let begin = rng.random_range(0.6..2.0);
            loop_.play(&prompt(&mut rng, 4.5), Some(("", talk, begin)), ratio_db, &mut tally)?;
        }
    }
    tally.print(ratio_db);
    Ok(())
}

#[derive(Default)]
struct Tally {
    /// By word: heard, heard as something else, not heard.
    words: std::collections::BTreeMap<String, [usize; 3]>,
    /// What was not heard, by whom.
    not_heard: std::collections::BTreeMap<String, usize>,
    /// Pieces of talk, and what was heard in them.
    talks: usize,
    out_of_talk: Vec<(String, Certainty)>,
    /// From the end of the word to the event, in ms.
    late: Vec<f32>,
    /// From the beginning of the word to speech being noticed, in ms.
    noticed: Vec<f32>,
    alone_s: f32,
    alone_noticed: usize,
    alone_heard: Vec<String>,
    /// Words that were heard rightly, and would be asked about.
    asked_about: usize,
    /// What was said, what it was heard as, and how surely.
    mistaken: Vec<(String, PhraseHeard)>,
    /// Score and margin of answers that were sure, and right.
    sure: Vec<(f32, f32)>,
}

struct Loop {
    listener: Listener,
    room: Room,
    played: Vec<f32>,
    at: usize,
    noise: Vec<f32>,
}

impl Loop {
    /// Plays a prompt to its end, or until somebody is heard; then a second and a half of nothing.
    fn play(
        &mut self,
        prompt: &[f32],
        said: Option<(&str, &[f32], f32)>,
        ratio_db: f32,
        tally: &mut Tally,
    ) -> Result<(), Box<dyn std::error::Error>> {
        // As loud in the microphone as the direct sound, and in proportion the person.
        let prompt: Vec<f32> = {
            let gain = 10_f32.powf(-ratio_db / 20.0) * 0.1 / rms(prompt);
            prompt.iter().map(|sample| sample * gain).collect()
        };
        let near_gain = 0.1 / 0.05;
        let talk = said.map(|(_, talk, begin)| {
            let skip = (begin * SAMPLE_RATE as f32) as usize;
            (skip, skip + talk.len(), talk)
        });
        let mut ducked = 0;
        let (mut stop_at, mut outcome, mut noticed) = (prompt.len(), None, false);
        let mut orders: Vec<(usize, bool)> = Vec::new();
        let mut now = 0;
        let last = |stop_at: usize, talk: Option<(usize, usize, &[f32])>| {
            stop_at.max(talk.map_or(0, |(_, end, _)| end)) + SAMPLE_RATE * 3 / 2
        };
        while now < last(stop_at, talk) {
            let mut frame = [0.0; FRAME_LEN];
            for (at, value) in (now..).zip(&mut frame) {
                *value = if at < stop_at { prompt.get(at).copied().unwrap_or(0.0) } else { 0.0 };
                if ducked > 0 {
                    *value *= DUCKED;
                }
            }
            ducked = usize::saturating_sub(ducked, 1);
            self.played.extend(frame);
            let surplus = self.played.len().saturating_sub(2 * SAMPLE_RATE);
            self.played.drain(..surplus);
            let mut mic = self.room.echo(&self.played);
            for (at, value) in (now..).zip(&mut mic) {
                *value += self.noise[(self.at + at) % self.noise.len()];
                if let Some((begin, end, talk)) = talk
                    && (begin..end).contains(&at)
                {
                    *value += talk[at - begin] * near_gain;
                }
            }
            let speaking = now < stop_at;
            for (left, stops) in &mut orders {
                *left -= 1;
                if *left == 0 {
                    if *stops { stop_at = stop_at.min(now) } else { ducked = DUCKED_FRAMES }
                }
            }
            orders.retain(|(left, _)| *left > 0);
            now += FRAME_LEN;
            let Some(event) = self.listener.push_frame(&mic, Some(&frame), OwnVoiceState::of(speaking))? else {
                continue;
            };
            let began = talk.is_some_and(|(begin, ..)| now >= begin);
            match event {
                HearEvent::SpeechStarted => {
                    orders.push((OUTPUT_FRAMES, false));
                    if !began {
                        tally.alone_noticed += 1;
                    } else if let Some((begin, ..)) = talk.filter(|_| !noticed) {
                        noticed = true;
                        tally.noticed.push((now - begin) as f32 / 16.0);
                    }
                }
                HearEvent::Heard(heard) if !began => tally.alone_heard.push(heard.text),
                HearEvent::Heard(heard) if said.is_some_and(|(words, ..)| words.is_empty()) => {
                    tally.out_of_talk.push((heard.text, heard.certainty));
                }
                HearEvent::Heard(heard) => {
                    let (words, _, _) = said.expect("somebody spoke");
                    let right = heard.text == words;
                    if let Some((_, end, _)) = talk.filter(|_| right && outcome.is_none()) {
                        tally.late.push((now as f32 - end as f32) / 16.0);
                    }
                    if right && outcome.is_none() {
                        tally.asked_about += usize::from(heard.certainty == Certainty::Doubtful);
                        if heard.certainty == Certainty::Sure && words.contains(' ') {
                            tally.sure.push((heard.score, heard.margin));
                        }
                    }
                    if !right && outcome.is_none() {
                        tally.mistaken.push((words.to_owned(), heard.clone()));
                    }
                    outcome.get_or_insert(right);
                    orders.push((OUTPUT_FRAMES, true));
                }
                _ => {}
            }
        }
        self.at += now;
        match said {
            Some(("", ..)) => tally.talks += 1,
            Some((words, ..)) => {
                let at = outcome.map_or(2, |right| usize::from(!right));
                tally.words.entry(words.to_owned()).or_default()[at] += 1;
                tally.alone_s += talk.map_or(0.0, |(begin, ..)| begin as f32 / SAMPLE_RATE as f32);
            }
            None => tally.alone_s += prompt.len() as f32 / SAMPLE_RATE as f32,
        }
        Ok(())
    }
}

impl Tally {
    fn missed(&self) -> usize {
        self.words.values().map(|[_, _, missed]| missed).sum()
    }

    fn print(mut self, ratio_db: f32) {
        println!("person {ratio_db:+} dB over the loudspeaker");
        for (words, [right, wrong, missed]) in &self.words {
            println!("{words:>14}: heard {right} of {}, as something else {wrong}", right + wrong + missed);
        }
        println!("{} pieces of talk: heard {:?}", self.talks, self.out_of_talk);
        println!("not heard: {:?}", self.not_heard);
        println!("of the words that were heard {} would be asked about first", self.asked_about);
        if !self.mistaken.is_empty() {
            println!("taken for something else: {:?}", self.mistaken);
        }
        for (name, of) in [("score", (|sure| sure.0) as fn(&(f32, f32)) -> f32), ("margin", |sure| sure.1)] {
            let mut values: Vec<f32> = self.sure.iter().map(of).collect();
            values.sort_by(f32::total_cmp);
            let tenths: Vec<f32> = values.iter().step_by(values.len().div_ceil(10).max(1)).copied().collect();
            println!("{name} of those that were sure, by tenths: {tenths:.1?}");
        }
        for (name, times) in [
            ("from its end to being heard", &mut self.late),
            ("from its beginning to being noticed", &mut self.noticed),
        ] {
            times.sort_by(f32::total_cmp);
            let quantile = |share: f32| times.get((share * times.len() as f32) as usize).copied().unwrap_or(f32::NAN);
            println!("{name}: median {:.0} ms, 95 % {:.0} ms, of {}", quantile(0.5), quantile(0.95), times.len());
        }
        println!("alone, {:.0} s: noticed {} times, heard {:?}", self.alone_s, self.alone_noticed, self.alone_heard);
    }
}
