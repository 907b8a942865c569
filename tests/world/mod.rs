//! A room without sound: the engine, a journal, a voice that takes its time, and a clock that jumps to the next thing that
//! happens. Hours of routine in milliseconds.
#![allow(dead_code, reason = "each test binary uses its own part of the room")]

pub mod cast;

use std::collections::VecDeque;
use std::time::Duration;

use sparehand::engine::Engine;
use sparehand::engine::event::Event;
use sparehand::engine::input::{Certainty, Input, Key, PhraseHeard};
use sparehand::engine::output::{ListeningSet, ListeningSetId, Output, Priority, Utterance, VoiceSettings};
use sparehand::engine::phrasebook::Phrasebook;
use sparehand::rig::Rig;
use sparehand::routine::{self, Routine};
use sparehand::units::SessionTime;

pub const TANK_DUMP: &str = include_str!("../../prompts/routines/tank-dump.toml");
pub const ENGLISH: &str = include_str!("../../prompts/phrases/en.toml");

pub fn rig(toml: &str) -> Rig {
    Rig::parse("rig.toml", toml).unwrap()
}

pub fn tank_dump(rig: &Rig) -> Routine {
    routine::load("tank-dump.toml", TANK_DUMP, rig).unwrap()
}

pub fn english() -> Phrasebook {
    Phrasebook::parse("en.toml", ENGLISH).unwrap()
}

/// What the journal does with a record.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Journal {
    Works,
    Fails,
    /// Keeps records back until [`World::write_held`].
    Holds,
}

pub struct World {
    pub engine: Engine,
    pub now: SessionTime,
    pub journal: Journal,
    pub records: Vec<(u64, SessionTime, Event)>,
    held: VecDeque<u64>,
    /// Everything that began to be said, with when.
    pub said: Vec<(SessionTime, Utterance)>,
    speaking: Option<(SessionTime, Utterance)>,
    queue: VecDeque<Utterance>,
    pub set: ListeningSet,
    /// Which step was asked for when each set came.
    pub step_of_set: std::collections::BTreeMap<ListeningSetId, String>,
    deadline: Option<SessionTime>,
    pub notes_wanted: usize,
    pub on_time_asked: usize,
    pub ended: bool,
    /// What was said by whom, as a page to read.
    pub page: Vec<String>,
}

impl World {
    pub fn new(rig: &Rig) -> Self {
        let mut world = Self::asleep(tank_dump(rig));
        world.tell(Input::Woke);
        world.quiet();
        world
    }

    /// A world in which nothing has been told to the engine yet.
    pub fn asleep(routine: Routine) -> Self {
        Self::around(Engine::new(routine, english(), VoiceSettings::default()))
    }

    /// A world around an engine to which nothing has been told yet.
    pub fn around(engine: Engine) -> Self {
        Self {
            engine,
            now: SessionTime::ZERO,
            journal: Journal::Works,
            records: Vec::new(),
            held: VecDeque::new(),
            said: Vec::new(),
            speaking: None,
            queue: VecDeque::new(),
            set: ListeningSet { id: ListeningSetId(0), phrases: Vec::new() },
            step_of_set: std::collections::BTreeMap::new(),
            deadline: None,
            notes_wanted: 0,
            on_time_asked: 0,
            ended: false,
            page: Vec::new(),
        }
    }

    /// Begins the run and hears the introduction out.
    pub fn begin(mut self) -> Self {
        self.tell(Input::Woke);
        self.quiet();
        self
    }

    pub fn tell(&mut self, input: Input) {
        self.engine.handle(self.now, input);
        self.drain();
    }

    fn drain(&mut self) {
        loop {
            match self.engine.poll() {
                Output::Record { seq, at, event } => match self.journal {
                    Journal::Works => {
                        self.records.push((seq, at, event));
                        self.engine.handle(self.now, Input::Recorded(seq));
                    }
                    Journal::Fails => self.engine.handle(self.now, Input::RecordFailed(seq)),
                    Journal::Holds => {
                        self.records.push((seq, at, event));
                        self.held.push_back(seq);
                    }
                },
                Output::Say(utterance) => self.say(utterance),
                Output::Hush(priority) => {
                    self.queue.retain(|waiting| waiting.priority > priority);
                    if self.speaking.as_ref().is_some_and(|(_, now)| now.priority <= priority) {
                        self.speaking = None;
                    }
                    self.next_speech();
                }
                Output::Listen(set) => {
                    self.step_of_set.insert(set.id, self.step());
                    self.set = set;
                }
                Output::SetVoice(_) => {}
                Output::KeepNote => self.notes_wanted += 1,
                Output::DropNote => {}
                Output::AskOnTime => self.on_time_asked += 1,
                Output::Ended => self.ended = true,
                Output::Wait(deadline) => {
                    self.deadline = deadline;
                    return;
                }
            }
        }
    }

    pub fn write_held(&mut self) {
        while let Some(seq) = self.held.pop_front() {
            self.engine.handle(self.now, Input::Recorded(seq));
            self.drain();
        }
    }

    fn say(&mut self, utterance: Utterance) {
        if self.speaking.as_ref().is_some_and(|(_, now)| now.priority < utterance.priority) {
            self.speaking = None;
        }
        let place = self.queue.iter().position(|waiting| waiting.priority < utterance.priority);
        self.queue.insert(place.unwrap_or(self.queue.len()), utterance);
        self.next_speech();
    }

    fn next_speech(&mut self) {
        if self.speaking.is_none()
            && let Some(utterance) = self.queue.pop_front()
        {
            self.said.push((self.now, utterance.clone()));
            let signal = if utterance.alarm.is_some() { "(signal) " } else { "" };
            self.page.push(format!("{signal}{}", utterance.text));
            let spoken = Duration::from_millis(200 + 60 * utterance.text.len() as u64);
            self.speaking = Some((self.now + spoken, utterance));
        }
    }

    /// Lets time pass, jumping from one thing that happens to the next.
    pub fn pass(&mut self, span: Duration) {
        let until = self.now + span;
        loop {
            let speech = self.speaking.as_ref().map(|(end, _)| *end);
            let next = [speech, self.deadline].into_iter().flatten().min().filter(|at| *at <= until);
            let Some(next) = next else { break };
            self.now = self.now.max(next);
            if speech == Some(next) {
                if let Some((_, utterance)) = self.speaking.take() {
                    self.tell(Input::SpeechFinished(utterance.id));
                }
                self.next_speech();
            } else {
                self.tell(Input::Woke);
            }
        }
        self.now = until;
    }

    pub fn pass_s(&mut self, seconds: u64) {
        self.pass(Duration::from_secs(seconds));
    }

    /// Until nothing is being said, or for two minutes: alarms of several clocks may leave no gap, and nobody waits for ever.
    pub fn quiet(&mut self) {
        let until = self.now + Duration::from_secs(120);
        while let Some((end, _)) = &self.speaking
            && self.now < until
        {
            let span = end.since(self.now);
            self.pass(span);
        }
    }

    /// What was being said died with the program.
    pub fn forget_speech(&mut self) {
        self.speaking = None;
        self.queue.clear();
    }

    pub fn speaks(&self) -> bool {
        self.speaking.is_some()
    }

    /// A person says a phrase, clearly; it must be one that may be said now.
    pub fn hear(&mut self, phrase: &str) {
        self.hear_as(phrase, Certainty::Sure);
    }

    pub fn hear_as(&mut self, phrase: &str, certainty: Certainty) {
        let index = self.set.phrases.iter().position(|allowed| allowed.text == phrase);
        let index = index.unwrap_or_else(|| panic!("'{phrase}' may not be said now: {:?}", self.may_say()));
        self.hear_in(self.set.id, index, phrase, certainty);
        self.quiet();
    }

    pub fn hear_in(&mut self, set: ListeningSetId, index: usize, phrase: &str, certainty: Certainty) {
        let heard = PhraseHeard {
            set,
            index,
            text: phrase.to_owned(),
            score: -2.0,
            over_speech: false,
            margin: 8.0,
            certainty,
        };
        self.tell(Input::PhraseHeard(heard));
    }

    /// A person of several says something; who it was the engine has to find out.
    pub fn hear_from(&mut self, name: &str, phrase: &str) {
        self.page.push(format!("        {name}: {phrase}"));
        self.hear(phrase);
    }

    pub fn press(&mut self, key: Key) {
        self.tell(Input::KeyPressed(key));
        self.quiet();
    }

    pub fn may_say(&self) -> Vec<&str> {
        self.set.phrases.iter().map(|allowed| allowed.text.as_str()).collect()
    }

    pub fn step(&self) -> String {
        let state = self.engine.state();
        state.current().map(|step| self.engine.routine().steps[step].id.clone()).unwrap_or_default()
    }

    pub fn is_open(&self, id: &str) -> bool {
        self.engine.state().is_open(self.engine.routine().index_of(id).unwrap())
    }

    pub fn last_said(&self) -> &str {
        self.said.last().map_or("", |(_, utterance)| utterance.text.as_str())
    }

    pub fn events(&self) -> Vec<&Event> {
        self.records.iter().map(|(_, _, event)| event).collect()
    }

    pub fn said_since(&self, moment: SessionTime) -> Vec<&str> {
        self.said.iter().filter(|(at, _)| *at >= moment).map(|(_, u)| u.text.as_str()).collect()
    }

    pub fn alarms(&self) -> Vec<SessionTime> {
        self.said.iter().filter(|(_, u)| u.priority == Priority::Alarm).map(|(at, _)| *at).collect()
    }

    /// Answers as asked, by key, until the step with this id is asked for.
    pub fn answer_until(&mut self, id: &str) {
        for _ in 0..200 {
            if self.step() == id || self.ended {
                return;
            }
            self.press(Key::Confirm);
            if self.engine.state().clocks.keys().any(|s| self.engine.routine().steps[*s].id == "wash") {
                self.pass_s(30);
            }
        }
        panic!("'{id}' was never asked for; stuck at '{}'", self.step());
    }
}
