//! The conductor: joins the engine, the journal, the stations, the screen and the plan. Sans-IO: news in, tasks out, time passed in.
//!
//! 1. [`Conductor::handle`] with one piece of news;
//! 2. [`Conductor::poll`] until it gives nothing, carrying out each task in order;
//! 3. wait for news, or until [`Conductor::deadline`], then `News::Woke`; back to 1.
//!
//! A live run (`live.rs`) and a rehearsal (`rehearse.rs`) are its two callers. Nothing that fails at an edge ends a run.

mod links;
mod records;
mod screens;

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::sync::Arc;
use std::time::Duration;

use crate::conductor::fault::{DeviceNews, DeviceSide, Worker, WorkerNews};
use crate::conductor::news::{News, Parted, Prompted, Task};
use crate::conductor::restart::Restart;
use crate::conductor::talk::TalkLine;
use crate::decide::own_words::OwnWords;
use crate::decide::two_ears::{HeardAt, OneVoice, TwoEars};
use crate::engine::input::{Away, Input, Key, PhraseHeard};
use crate::engine::output::{Audience, ListeningSet, Output, SpeechId, View, VoiceSettings};
use crate::engine::{Asked, Ending, Engine};
use crate::hear::ear::HearEvent;
use crate::hear::level::SoundLevel;
use crate::say::mixer::MixerEvent;
use crate::screen::ScreenKey;
use crate::station::{LinkState, Said, StationInput, StationOutput};
use crate::units::{SessionTime, StationId};

use self::records::OnItsWay;

/// Joins the parts of one run.
pub struct Conductor {
    engine: Engine,
    own_words: OwnWords,
    ears: TwoEars,
    stations: BTreeMap<StationId, Seat>,
    outbox: VecDeque<Task>,
    deadline: Option<SessionTime>,
    /// Records on their way, and until when the journal may take over each.
    records: VecDeque<OnItsWay>,
    /// Why the journal was given up on, once it was: it is asked for nothing more, and whatever comes after has failed.
    given_up: Option<String>,
    means: Means,
    plan: Plan,
    screen: LinkState,
    /// The person wanted to close the program over a clock that guards a hazard, and was asked.
    leaving: Option<(SessionTime, String)>,
    /// What was said once at the rig, and when: it is shown for a while.
    notices: Vec<(SessionTime, String)>,
    /// When sound or looks were last lost because there was no time for them.
    slow: Option<SessionTime>,
    /// The system asked the program to end: by then it has.
    terminates: Option<SessionTime>,
    recogniser: LinkState,
    restart: Restart,
    /// The shared voice.
    voice: LinkState,
}

/// What is known of a station.
#[derive(Clone, Debug)]
struct Seat {
    microphone: LinkState,
    loudspeaker: LinkState,
    level: Option<SoundLevel>,
    /// Since when the microphone has given nothing at all.
    silent_since: Option<SessionTime>,
    /// Whether what was said there last was understood.
    understood: Understood,
    /// What it listens for, and how it speaks: a station that was begun anew is told again.
    set: Option<Arc<ListeningSet>>,
    /// What was handed to its voice and is not over.
    saying: BTreeSet<SpeechId>,
    voice: Option<VoiceSettings>,
}

impl Seat {
    /// Of a station that works and has been told nothing.
    fn new() -> Self {
        Self {
            microphone: LinkState::Works,
            loudspeaker: LinkState::Works,
            level: None,
            silent_since: None,
            understood: Understood::Yes,
            set: None,
            saying: BTreeSet::new(),
            voice: None,
        }
    }
}

/// Whether what was said was understood.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Understood {
    Yes,
    No,
}

/// What a run is carried out by.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Means {
    /// By voice; keys work as well.
    Voice,
    /// By keys and screen, as was asked for: nobody needs to be told that there is no loudspeaker.
    Keys,
}

/// Whether there is a plan to ask.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Plan {
    /// Nobody set a time to be away by.
    None,
    /// There is one that can be asked.
    Ready,
    /// Somebody asked and waits for the answer.
    Awaited,
}

/// What there is to see, for whoever draws it.
#[derive(Clone, Debug, PartialEq)]
pub struct Sight {
    /// What the engine says there is to see.
    pub view: View,
    /// Whether anybody is heard there.
    pub microphone: LinkState,
    /// Whether the program speaks there.
    pub speaks: Speaking,
    /// How loud it is there; nothing where nobody is heard.
    pub level: Option<SoundLevel>,
    /// Whether anything comes from the microphone at all.
    pub gives: Gives,
}

/// Whether a microphone that works by all that the system tells gives any sound.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Gives {
    /// It does, or has not been silent for long.
    Sound,
    /// It is switched off, or muted.
    Nothing,
}

/// Whether a station is saying something.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Speaking {
    /// It is.
    Yes,
    /// It is not.
    No,
}

impl Conductor {
    /// A conductor for a run that has not begun, with these stations.
    pub fn new(engine: Engine, stations: &[StationId], means: Means, plan: Plan) -> Self {
        Self {
            engine,
            own_words: OwnWords::default(),
            ears: TwoEars::default(),
            stations: stations.iter().map(|&id| (id, Seat::new())).collect(),
            outbox: VecDeque::new(),
            deadline: None,
            records: VecDeque::new(),
            given_up: None,
            means,
            plan,
            screen: LinkState::Works,
            leaving: None,
            notices: Vec::new(),
            slow: None,
            terminates: None,
            recogniser: LinkState::Works,
            restart: Restart::default(),
            voice: LinkState::Works,
        }
    }

    /// Begins a new run, or goes on with one whose events the engine has replayed.
    pub fn begin(&mut self, now: SessionTime, resumed: Option<Away>) {
        // Everything that can be known now is made ready while the introduction is spoken.
        self.outbox.push_back(Task::PrepareSpeech(self.engine.fixed_prompts().into()));
        self.tell(now, StationId::RIG, resumed.map_or(Input::Woke, Input::Resumed));
    }

    /// Takes one piece of news that came at `now`.
    pub fn handle(&mut self, now: SessionTime, news: News) {
        match news {
            News::Station(id, output) => self.station_told(now, id, output),
            News::Joined(id, people) => {
                self.stations.insert(id, Seat::new());
                self.talk(TalkLine::Station { at: now, id, link: LinkState::Works, people: people.clone() });
                self.tell(now, id, Input::StationJoined { people });
            }
            News::Left(id) => {
                if let Some(seat) = self.stations.remove(&id) {
                    self.fell_silent(now, seat.saying);
                }
                self.talk(TalkLine::Station { at: now, id, link: LinkState::Lost, people: Vec::new() });
                self.settle(now, |ears| ears.came_to_nothing(now, id));
                self.tell(now, id, Input::StationLeft);
            }
            News::Device(id, device, what) => self.device_told(now, id, device, what),
            News::Worker(worker, what) => self.worker_told(now, worker, what),
            News::Recorded(seq) => self.recorded(now, seq),
            News::RecordFailed(seq, why) => self.record_failed(seq, why),
            News::NoteKept(from, kept) => {
                self.talk(TalkLine::Note { at: now, text: kept.text.clone(), fault: kept.fault });
                self.tell(now, from, Input::NoteTaken { text: kept.text, wav: kept.wav });
            }
            News::Key(ScreenKey::Engine(key)) => {
                self.talk(TalkLine::Key { at: now, key });
                self.tell(now, StationId::RIG, Input::KeyPressed(key));
            }
            News::Key(ScreenKey::Quit) => self.asked_to_close(now),
            News::Pressed(pressed) => self.pressed(now, &pressed),
            News::ScreenLost(why) => self.screen_lost(now, why),
            News::OnTime(told, prompted) => {
                if prompted == Prompted::Asked && self.plan == Plan::Awaited {
                    self.plan = Plan::Ready;
                }
                let asked = prompted == Prompted::Asked;
                self.tell(now, StationId::RIG, Input::OnTimeTold { said: Some(told.said), late: told.late, asked });
            }
            News::NoPlan(why) => {
                self.talk(TalkLine::NoPlan { at: now, why });
                if std::mem::replace(&mut self.plan, Plan::None) == Plan::Awaited {
                    self.no_plan(now);
                }
            }
            News::Notice(text) => {
                self.notices.push((now, text.clone()));
                self.tell(now, StationId::RIG, Input::Noticed(text));
            }
            News::SoundNotKept(why) => {
                self.talk(TalkLine::SoundNotKept { at: now, why });
                let text = self.engine.sound_is_not_kept();
                self.notices.push((now, text.clone()));
                self.tell(now, StationId::RIG, Input::Noticed(text));
            }
            News::Terminate => self.terminate(now),
            News::Key(ScreenKey::Invite | ScreenKey::Cards | ScreenKey::Keys | ScreenKey::Back) | News::Woke => {}
        }
        self.wake(now);
    }

    /// The next task; `None` when there is none.
    pub fn poll(&mut self) -> Option<Task> {
        self.outbox.pop_front()
    }

    /// When it wants to be told `News::Woke`; `None` where only news can wake it.
    pub fn deadline(&self) -> Option<SessionTime> {
        let record = self.next_record_until();
        [self.deadline, record, self.terminates, self.restart.at(), self.ears.deadline()].into_iter().flatten().min()
    }

    /// What somebody who looks at the screen of this station sees.
    pub fn sight(&self, now: SessionTime, station: StationId) -> Sight {
        let mut sight = self.sight_with(now, station, self.engine.view(now, station));
        if station == StationId::RIG {
            let notices = self.notices.iter().filter(|(at, _)| now.since(*at) <= SHOWN_FOR);
            sight.view.notices.extend(notices.map(|(_, text)| text.clone()));
            let slow = self.slow.filter(|at| now.since(*at) <= SLOW_FOR);
            sight.view.notices.extend(slow.map(|_| self.engine.machine_is_slow()));
        }
        sight
    }

    fn sight_with(&self, now: SessionTime, station: StationId, mut view: View) -> Sight {
        let seat = self.stations.get(&station);
        let cannot_speak = self.engine.loudspeaker_lost();
        if self.voice == LinkState::Lost && !view.notices.contains(&cannot_speak) {
            view.notices.push(cannot_speak);
        }
        let asked = self.leaving.iter().filter(|(at, _)| now.since(*at) <= ASKED_FOR);
        view.notices.extend(asked.map(|(_, warning)| warning.clone()));
        if seat.is_some_and(|seat| seat.understood == Understood::No) {
            // What was heard before is not what was said now.
            view.last_heard.clear();
        }
        let silent = seat.and_then(|seat| seat.silent_since).is_some_and(|since| now.since(since) >= SILENT_FOR);
        let hears = self.recogniser == LinkState::Works && seat.is_some_and(|seat| seat.microphone == LinkState::Works);
        Sight {
            view,
            microphone: if hears { LinkState::Works } else { LinkState::Lost },
            speaks: if seat.is_some_and(|seat| !seat.saying.is_empty()) { Speaking::Yes } else { Speaking::No },
            level: seat.filter(|_| hears).and_then(|seat| seat.level),
            gives: if silent { Gives::Nothing } else { Gives::Sound },
        }
    }

    /// What the person at this station is being asked for.
    pub fn asked(&self, now: SessionTime, station: StationId) -> Asked {
        self.engine.asked(now, station)
    }

    /// The engine, to be looked at.
    pub fn engine(&self) -> &Engine {
        &self.engine
    }

    /// How the run ended, if it has.
    pub fn ending(&self) -> Option<Ending> {
        self.engine.state().ended
    }

    /// Tells the engine one fact, and passes on what it asks for.
    fn tell(&mut self, now: SessionTime, from: StationId, input: Input) {
        self.engine.handle(now, from, input);
        loop {
            let (audience, output) = self.engine.poll();
            if let Output::Wait(deadline) = output {
                self.deadline = deadline;
                return;
            }
            self.pass_on(now, &audience, output);
        }
    }

    fn pass_on(&mut self, now: SessionTime, audience: &Audience, output: Output) {
        match output {
            Output::Record { seq, at, event } => self.record(now, seq, at, event),
            Output::Say(utterance) => {
                self.own_words.will_say(utterance.clone());
                for id in self.engine.stations_of(audience) {
                    if let Some(seat) = self.stations.get_mut(&id) {
                        seat.saying.insert(utterance.id);
                    }
                    self.order(id, StationInput::Say(utterance.clone()));
                }
            }
            Output::Hush(priority) => self.order_all(audience, || StationInput::Hush(priority)),
            Output::Withdraw(speech) => self.order_all(audience, || StationInput::Withdraw(speech)),
            Output::Listen(set) => {
                let set = Arc::new(set);
                self.own_words.will_hear(&set);
                for id in self.engine.stations_of(audience) {
                    if let Some(seat) = self.stations.get_mut(&id) {
                        seat.set = Some(Arc::clone(&set));
                    }
                    self.order(id, StationInput::Listen(Arc::clone(&set)));
                }
            }
            Output::SetVoice(voice) => {
                for id in self.engine.stations_of(audience) {
                    if let Some(seat) = self.stations.get_mut(&id) {
                        seat.voice = Some(voice);
                    }
                    self.order(id, StationInput::SetVoice(voice));
                }
            }
            Output::KeepNote => self.order_all(audience, || StationInput::KeepNote),
            Output::DropNote => self.order_all(audience, || StationInput::DropNote),
            Output::AskOnTime if self.plan == Plan::None => self.no_plan(now),
            Output::AskOnTime => {
                self.plan = Plan::Awaited;
                self.outbox.push_back(Task::AskOnTime);
            }
            Output::Ended => self.outbox.push_back(Task::Part(Parted::RunEnded)),
            Output::Wait(_) => {}
        }
    }

    fn order_all(&mut self, audience: &Audience, order: impl Fn() -> StationInput) {
        for id in self.engine.stations_of(audience) {
            self.order(id, order());
        }
    }

    fn order(&mut self, id: StationId, order: StationInput) {
        self.outbox.push_back(Task::Station(id, order));
    }

    fn talk(&mut self, line: TalkLine) {
        self.outbox.push_back(Task::Talk(line));
    }

    fn station_told(&mut self, now: SessionTime, id: StationId, output: StationOutput) {
        match output {
            StationOutput::Heard(event, said) => self.heard(now, id, event, said),
            StationOutput::Spoke(event) => self.spoke(now, id, event),
            StationOutput::Level(level) => {
                if let Some(seat) = self.stations.get_mut(&id) {
                    seat.level = Some(level);
                    seat.silent_since = if level.gives_nothing() { seat.silent_since.or(Some(now)) } else { None };
                }
            }
            StationOutput::Detector(link, why) => {
                let what = if link == LinkState::Lost { DeviceNews::Lost(why) } else { DeviceNews::Back };
                self.device_told(now, id, DeviceSide::Microphone, what);
            }
            StationOutput::Drowned => {
                self.talk(TalkLine::Drowned { at: now });
                self.tell(now, id, Input::KeyPressed(Key::SayAgain));
            }
            // These go from the station to its worker or its device.
            StationOutput::Prepare(_)
            | StationOutput::Look(_)
            | StationOutput::WriteDown(_)
            | StationOutput::WarmUp(_)
            | StationOutput::Synthesise(_)
            | StationOutput::Forget(_)
            | StationOutput::WarmUpVoice
            | StationOutput::Flush => {}
        }
    }

    fn heard(&mut self, now: SessionTime, id: StationId, event: HearEvent, said: Said) {
        match &event {
            HearEvent::Heard(_) | HearEvent::UnusableSamples => {}
            HearEvent::SpeechStarted => self.ears.began(id, said.from),
            _ => self.settle(now, |ears| ears.came_to_nothing(now, id)),
        }
        match event {
            HearEvent::Heard(heard) => self.phrase_heard(now, id, heard, said),
            HearEvent::Unclear(unclear) => {
                self.talk(TalkLine::Unclear { at: now, unclear });
                self.tell(now, id, Input::SpeechUnclear);
            }
            HearEvent::Refused(refused) => {
                self.talk(TalkLine::Refused { at: now, refused });
                self.understood(id, Understood::No);
            }
            HearEvent::UnusableSamples => self.talk(TalkLine::UnusableSamples { at: now }),
            HearEvent::Noted(note) => self.outbox.push_back(Task::KeepNote { of: id, at: now, note }),
            HearEvent::SpeechStarted | HearEvent::TalkedOn => {}
        }
    }

    fn understood(&mut self, id: StationId, understood: Understood) {
        if let Some(seat) = self.stations.get_mut(&id) {
            seat.understood = understood;
        }
    }

    fn phrase_heard(&mut self, now: SessionTime, id: StationId, heard: PhraseHeard, said: Said) {
        if let Some(reason) = self.own_words.refuse(now, id, &heard) {
            self.talk(TalkLine::Dropped { at: now, heard, reason });
            return self.settle(now, |ears| ears.came_to_nothing(now, id));
        }
        let among = self.stations.get(&id).and_then(|seat| seat.set.clone()).filter(|set| set.id == heard.set);
        let heard = HeardAt { station: id, heard, among, from: said.from, to: said.to };
        self.settle(now, |ears| ears.heard(now, heard));
    }

    /// Tells the engine what counts of what the ears heard: one voice at two of them counts once.
    fn settle(&mut self, now: SessionTime, settle: impl FnOnce(&mut TwoEars) -> Vec<OneVoice>) {
        for voice in settle(&mut self.ears) {
            match voice {
                OneVoice::Counts(HeardAt { station, heard, .. }) => {
                    self.order(station, StationInput::Understood);
                    self.understood(station, Understood::Yes);
                    self.talk(TalkLine::Heard { at: now, station, heard: heard.clone() });
                    self.tell(now, station, Input::PhraseHeard(heard));
                }
                OneVoice::Refused(HeardAt { heard, .. }, reason) => {
                    self.talk(TalkLine::Dropped { at: now, heard, reason });
                }
            }
        }
    }

    fn spoke(&mut self, now: SessionTime, id: StationId, event: MixerEvent) {
        if let (Some(seat), MixerEvent::Finished(speech) | MixerEvent::Cut(speech)) =
            (self.stations.get_mut(&id), &event)
        {
            seat.saying.remove(speech);
        }
        match event {
            MixerEvent::Started { id: speech, sentence, words } => {
                self.voice = LinkState::Works;
                self.own_words.says(now, id, speech, &words);
                if sentence == 0
                    && let Some(utterance) = self.own_words.utterance(speech).cloned()
                {
                    self.talk(TalkLine::Says { at: now, station: id, utterance });
                }
            }
            MixerEvent::Finished(speech) => {
                self.own_words.is_over(now, speech);
                self.tell(now, id, Input::SpeechFinished(speech));
            }
            MixerEvent::Cut(speech) => self.own_words.is_over(now, speech),
            MixerEvent::Failed { id: speech, error } => {
                self.talk(TalkLine::Unspoken { at: now, speech, why: error.to_string() });
            }
        }
    }

    fn hearing(&mut self, now: SessionTime, id: StationId, link: LinkState) {
        let input = if link == LinkState::Lost { Input::HearingLost } else { Input::HearingBack };
        self.tell(now, id, input);
    }

    /// Without the recogniser no station hears. The voice loads itself anew for its next sentence: until one sounds, it is shown.
    fn worker_told(&mut self, now: SessionTime, worker: Worker, what: WorkerNews) {
        match (worker, &what) {
            // That it works at the beginning is nothing to tell.
            (Worker::Recogniser, WorkerNews::Back) if self.recogniser == LinkState::Works => return,
            (Worker::Recogniser, WorkerNews::Back) => self.recogniser_is(now, LinkState::Works),
            (Worker::Recogniser, WorkerNews::Lost(_)) => {
                self.restart.fell(now);
                self.recogniser_is(now, LinkState::Lost);
            }
            (Worker::Synthesiser, WorkerNews::Lost(_)) => self.voice = LinkState::Lost,
            (_, WorkerNews::Overloaded(_) | WorkerNews::AnswerLost(_)) => self.slow = Some(now),
            _ => {}
        }
        self.talk(TalkLine::Worker { at: now, worker, what });
    }

    fn recogniser_is(&mut self, now: SessionTime, link: LinkState) {
        if link == LinkState::Works {
            self.restart.works(now);
        }
        if std::mem::replace(&mut self.recogniser, link) == link {
            return;
        }
        let hearing = |seat: &Seat| seat.microphone == LinkState::Works;
        let stations: Vec<StationId> =
            self.stations.iter().filter(|(_, seat)| hearing(seat)).map(|(&id, _)| id).collect();
        for id in stations {
            self.hearing(now, id, link);
        }
    }

    fn no_plan(&mut self, now: SessionTime) {
        self.tell(now, StationId::RIG, Input::OnTimeTold { said: None, late: false, asked: true });
    }

    /// What is due by the clock.
    fn wake(&mut self, now: SessionTime) {
        self.records_fail(now);
        if self.deadline.is_some_and(|at| at <= now) {
            self.tell(now, StationId::RIG, Input::Woke);
        }
        self.settle(now, |ears| ears.poll(now));
        if self.restart.is_due(now) {
            self.outbox.push_back(Task::RestartRecogniser);
        }
        if self.terminates.take_if(|at| *at <= now).is_some() {
            self.outbox.push_back(Task::Part(Parted::Closed));
        }
        self.records_fail(now);
    }

    /// Over a clock that guards a hazard it has to be asked twice.
    fn asked_to_close(&mut self, now: SessionTime) {
        match self.engine.leaves_a_hazard() {
            Some(warning) if self.leaving.as_ref().is_none_or(|(at, _)| now.since(*at) > ASKED_FOR) => {
                self.leaving = Some((now, warning));
            }
            _ => self.outbox.push_back(Task::Part(Parted::Closed)),
        }
    }

    /// The run goes on while somebody else is connected, or a clock that guards a hazard runs: it has to ring.
    fn screen_lost(&mut self, now: SessionTime, why: String) {
        if self.screen == LinkState::Lost {
            return;
        }
        self.screen = LinkState::Lost;
        let goes_on = self.stations.len() > 1 || self.engine.leaves_a_hazard().is_some();
        self.talk(TalkLine::ScreenLost { at: now, why });
        if !goes_on {
            self.outbox.push_back(Task::Part(Parted::Closed));
        }
    }

    /// Has it said which hazard is left, if any, and ends in time, whether it was said or not.
    fn terminate(&mut self, now: SessionTime) {
        if self.engine.leaves_a_hazard().is_none() {
            return self.outbox.push_back(Task::Part(Parted::Closed));
        }
        if self.terminates.is_none() {
            self.terminates = Some(now + LAST_WORDS);
            self.tell(now, StationId::RIG, Input::Closing);
        }
    }
}

/// So soon the program has to be told twice that it is to be closed over a clock that guards a hazard.
const ASKED_FOR: Duration = Duration::from_secs(5);
/// A microphone that gives nothing for so long is switched off or muted.
const SILENT_FOR: Duration = Duration::from_secs(10);
/// What was said once is shown at the rig for so long.
const SHOWN_FOR: Duration = Duration::from_secs(10 * 60);
/// What was lost once may be lost again soon.
const SLOW_FOR: Duration = Duration::from_secs(60);
/// The system kills what does not end; two seconds are promised, with time left to sync the journal.
const LAST_WORDS: Duration = Duration::from_millis(1_500);
