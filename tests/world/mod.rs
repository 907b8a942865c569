//! A room without sound: the engine, a journal, a voice that takes its time, and a clock that jumps to the next thing that
//! happens. Hours of routine in milliseconds.
#![allow(dead_code, reason = "each test binary uses its own part of the room")]

pub mod cast;
pub mod own;

use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;

use sparehand::engine::Engine;
use sparehand::engine::event::Event;
use sparehand::engine::input::{Certainty, Input, Key, PhraseHeard};
use sparehand::engine::output::{ListeningSet, ListeningSetId, Output, Priority, Utterance, VoiceSettings};
use sparehand::engine::phrasebook::Phrasebook;
use sparehand::rig::Rig;
use sparehand::routine::{self, Routine};
use sparehand::units::{SessionTime, StationId};

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

/// The mouth of a station, and what its ear may hear.
pub struct Station {
    speaking: Option<(SessionTime, Utterance)>,
    queue: VecDeque<Utterance>,
    pub set: ListeningSet,
    /// Everything that began to be said there, with when.
    pub said: Vec<(SessionTime, Utterance)>,
    /// Whether a hush came that a prompt does not outlive.
    pub hushed: usize,
}

impl Station {
    fn silent() -> Self {
        let set = ListeningSet { id: ListeningSetId(0), phrases: Vec::new() };
        Self { speaking: None, queue: VecDeque::new(), set, said: Vec::new(), hushed: 0 }
    }

    pub fn may_say(&self) -> Vec<&str> {
        self.set.phrases.iter().map(|allowed| allowed.text.as_str()).collect()
    }

    pub fn texts(&self) -> Vec<&str> {
        self.said.iter().map(|(_, utterance)| utterance.text.as_str()).collect()
    }

    pub fn last_said(&self) -> &str {
        self.said.last().map_or("", |(_, utterance)| utterance.text.as_str())
    }

    pub fn speaks(&self) -> bool {
        self.speaking.is_some()
    }

    fn say(&mut self, now: SessionTime, utterance: Utterance) {
        if self.speaking.as_ref().is_some_and(|(_, now)| now.priority < utterance.priority) {
            self.speaking = None;
        }
        let place = self.queue.iter().position(|waiting| waiting.priority < utterance.priority);
        self.queue.insert(place.unwrap_or(self.queue.len()), utterance);
        self.next_speech(now);
    }

    fn hush(&mut self, now: SessionTime, priority: Priority) {
        self.hushed += 1;
        self.queue.retain(|waiting| waiting.priority > priority);
        if self.speaking.as_ref().is_some_and(|(_, now)| now.priority <= priority) {
            self.speaking = None;
        }
        self.next_speech(now);
    }

    fn next_speech(&mut self, now: SessionTime) {
        if self.speaking.is_none()
            && let Some(utterance) = self.queue.pop_front()
        {
            self.said.push((now, utterance.clone()));
            let spoken = Duration::from_millis(200 + 60 * utterance.text.len() as u64);
            self.speaking = Some((now + spoken, utterance));
        }
    }
}

pub struct World {
    pub engine: Engine,
    pub now: SessionTime,
    pub journal: Journal,
    pub records: Vec<(u64, SessionTime, Event)>,
    held: VecDeque<u64>,
    /// Everything that began to be said at the rig, with when.
    pub said: Vec<(SessionTime, Utterance)>,
    /// What may be heard at the rig.
    pub set: ListeningSet,
    pub stations: BTreeMap<StationId, Station>,
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
            set: ListeningSet { id: ListeningSetId(0), phrases: Vec::new() },
            stations: BTreeMap::from([(StationId::RIG, Station::silent())]),
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
        self.tell_from(StationId::RIG, input);
    }

    pub fn tell_from(&mut self, from: StationId, input: Input) {
        self.engine.handle(self.now, from, input);
        self.drain();
    }

    pub fn station(&self, station: StationId) -> &Station {
        &self.stations[&station]
    }

    /// A station joins, of these people's own or of all who have none.
    pub fn join(&mut self, station: StationId, people: &[&str]) {
        self.stations.entry(station).or_insert_with(Station::silent);
        self.tell_from(station, Input::StationJoined { people: people.iter().map(|&name| name.to_owned()).collect() });
        self.quiet();
    }

    /// A person says a phrase at a station; it must be one that may be said there now.
    pub fn hear_at(&mut self, station: StationId, phrase: &str, certainty: Certainty) {
        let set = &self.station(station).set;
        let index = set.phrases.iter().position(|allowed| allowed.text == phrase);
        let index =
            index.unwrap_or_else(|| panic!("'{phrase}' may not be said now: {:?}", self.station(station).may_say()));
        let heard = heard(set.id, index, phrase, certainty);
        self.tell_from(station, Input::PhraseHeard(heard));
        self.quiet();
    }

    fn drain(&mut self) {
        loop {
            let (audience, output) = self.engine.poll();
            let stations = self.engine.stations_of(&audience);
            assert!(!stations.is_empty(), "for nobody: {output:?}");
            match output {
                Output::Record { seq, at, event } => match self.journal {
                    Journal::Works => {
                        self.records.push((seq, at, event));
                        self.engine.handle(self.now, StationId::RIG, Input::Recorded(seq));
                    }
                    Journal::Fails => self.engine.handle(self.now, StationId::RIG, Input::RecordFailed(seq)),
                    Journal::Holds => {
                        self.records.push((seq, at, event));
                        self.held.push_back(seq);
                    }
                },
                Output::Say(utterance) => {
                    for station in stations {
                        let now = self.now;
                        self.at_station(station).say(now, utterance.clone());
                    }
                    self.write_page();
                }
                Output::Hush(priority) => {
                    for station in stations {
                        let now = self.now;
                        self.at_station(station).hush(now, priority);
                    }
                    self.write_page();
                }
                Output::Withdraw(id) => {
                    for station in stations {
                        self.at_station(station).queue.retain(|waiting| waiting.id != id);
                    }
                }
                Output::Listen(set) => {
                    for station in stations {
                        self.at_station(station).set = set.clone();
                        if station == StationId::RIG {
                            self.step_of_set.insert(set.id, self.step());
                            self.set = set.clone();
                        }
                    }
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
            self.engine.handle(self.now, StationId::RIG, Input::Recorded(seq));
            self.drain();
        }
    }

    fn at_station(&mut self, station: StationId) -> &mut Station {
        self.stations.entry(station).or_insert_with(Station::silent)
    }

    /// What began to be said at the rig since.
    fn write_page(&mut self) {
        let rig = &self.stations[&StationId::RIG];
        for (at, utterance) in &rig.said[self.said.len()..] {
            let signal = if utterance.alarm.is_some() { "(signal) " } else { "" };
            self.page.push(format!("{signal}{}", utterance.text));
            self.said.push((*at, utterance.clone()));
        }
    }

    /// The station whose utterance ends first, and when.
    fn next_end(&self) -> Option<(SessionTime, StationId)> {
        self.stations.iter().filter_map(|(id, station)| station.speaking.as_ref().map(|(end, _)| (*end, *id))).min()
    }

    /// A phrase of this station that was heard before its set was named.
    pub fn hear_old_at(&mut self, station: StationId, phrase: &str) {
        let old = ListeningSetId(self.station(station).set.id.0.saturating_sub(1));
        self.tell_from(station, Input::PhraseHeard(heard(old, 0, phrase, Certainty::Sure)));
    }

    /// Lets time pass, jumping from one thing that happens to the next.
    pub fn pass(&mut self, span: Duration) {
        let until = self.now + span;
        loop {
            let speech = self.next_end();
            let next = [speech.map(|(end, _)| end), self.deadline].into_iter().flatten().min();
            let Some(next) = next.filter(|at| *at <= until) else { break };
            self.now = self.now.max(next);
            match speech.filter(|(end, _)| *end == next) {
                Some((_, station)) => {
                    if let Some((_, utterance)) = self.at_station(station).speaking.take() {
                        self.tell_from(station, Input::SpeechFinished(utterance.id));
                    }
                    let now = self.now;
                    self.at_station(station).next_speech(now);
                    self.write_page();
                }
                None => self.tell(Input::Woke),
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
        while let Some((end, _)) = self.next_end()
            && self.now < until
        {
            let span = end.since(self.now);
            self.pass(span);
        }
    }

    /// What was being said died with the program.
    pub fn forget_speech(&mut self) {
        for station in self.stations.values_mut() {
            station.speaking = None;
            station.queue.clear();
        }
    }

    pub fn speaks(&self) -> bool {
        self.next_end().is_some()
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
        self.tell(Input::PhraseHeard(heard(set, index, phrase, certainty)));
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

    /// The step that this person is asked for; empty for none.
    pub fn holds(&self, name: &str) -> String {
        let hand = self.engine.state().people.iter().find(|hand| hand.name == name).unwrap();
        hand.current.map(|step| self.engine.job().step(step).id.clone()).unwrap_or_default()
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

fn heard(set: ListeningSetId, index: usize, phrase: &str, certainty: Certainty) -> PhraseHeard {
    PhraseHeard { set, index, text: phrase.to_owned(), score: -2.0, over_speech: false, margin: 8.0, certainty }
}
