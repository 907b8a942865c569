//! A live run: the edges on threads of their own, and one loop that carries out what the conductor asks for.
//!
//! The loop waits for news, for its timer (which runs through suspend), for a key and for the system's signals; nothing is polled.

use std::collections::BTreeMap;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::PathBuf;
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, sync_channel};
use std::thread::JoinHandle;
use std::time::Duration;

use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::sync::mpsc;

use crate::conductor::core::{Conductor, Gives, Means, Plan, Sight, Speaking};
use crate::conductor::edges::{Outward, Sent, Stop, ToLoop, said_by, spawn};
use crate::conductor::error::ConductorError;
use crate::conductor::fault::{DeviceNews, DeviceSide};
use crate::conductor::news::{News, Parted, Prompted, Task};
use crate::conductor::notes::SpokenNoteKept;
use crate::conductor::on_time::OnTime;
use crate::conductor::phones::{Phones, PhonesWanted};
use crate::conductor::scribe::Scribe;
use crate::conductor::sound_card::SoundCard;
use crate::conductor::talk::{Talk, TalkLine};
use crate::conductor::timer::Timer;
use crate::conductor::workers::{Directory, StationMeans, Workers};
use crate::engine::Engine;
use crate::engine::input::Away;
use crate::screen::{Keyboard, Meters, Microphone, Screen, ScreenError, ScreenInput, ScreenKey, SoundActivity};
use crate::setup::causes::with_causes;
use crate::setup::clock::{Clock, pause};
use crate::setup::planning::PlanError;
use crate::setup::sound::Sounds;
use crate::station::{LinkState, StationInput};
use crate::units::{SessionTime, StationId};

/// The devices to use, by id or name; the system's own choice where none is given.
#[derive(Clone, Debug, Default)]
pub struct SoundDevices {
    /// By id or name.
    pub microphone: Option<String>,
    /// By id or name.
    pub loudspeaker: Option<String>,
    /// Where all sound is kept.
    pub keep_sound: Option<PathBuf>,
}

/// Makes what tells how the move stands against its plan.
pub type Planner = Box<dyn FnOnce() -> Result<OnTime, PlanError> + Send>;

/// What a live run works with.
pub struct Edges {
    /// Where ear and voice come from.
    pub sounds: Sounds,
    /// The rig's own.
    pub devices: SoundDevices,
    /// What the run is carried out by.
    pub means: Means,
    /// What writes it down.
    pub scribe: Scribe,
    /// What whoever is there has to hear before anything else.
    pub first_words: Option<String>,
    /// The screen, where there is a terminal.
    pub screen: Option<Screen>,
    /// Where the talk goes.
    pub talk: Talk,
    /// Where a time to be away by was set.
    pub planner: Option<Planner>,
    /// Where phones may come.
    pub phones: Option<PhonesWanted>,
}

/// Runs until the run is over or somebody closes the program. Nothing that fails at an edge ends it.
///
/// # Errors
/// The system gives no thread, timer or signals at the beginning. What was recorded until then is kept.
pub fn run(engine: Engine, resumed: Option<Away>, clock: &Clock, around: Edges) -> Result<Parted, ConductorError> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(ConductorError::System)?;
    let parted = runtime.block_on(async { House::enter(engine, clock, around)?.run(resumed).await });
    // Whatever a library left behind is not waited for.
    runtime.shutdown_background();
    parted
}

/// The loop with everything that it holds on to.
struct House<'a> {
    conductor: Conductor,
    /// By voice as soon as there is a loudspeaker.
    means: Means,
    clock: &'a Clock,
    inbox: mpsc::Receiver<News>,
    timer: Timer,
    signals: Signals,
    screen: Option<Screen>,
    keyboard: Option<Keyboard>,
    stations: Directory,
    workers: Workers,
    scribe: Outward<Task>,
    journal_given_up: Stop,
    talk: Outward<TalkLine>,
    planner: Option<SyncSender<()>>,
    phones: Option<Phones>,
    first_words: Option<String>,
    stop: Stop,
    threads: Vec<JoinHandle<()>>,
    /// Stations that take no orders, and what of them worked until then.
    hung: BTreeMap<StationId, Vec<DeviceSide>>,
}

struct Signals {
    hang_up: Signal,
    terminate: Signal,
    interrupt: Signal,
}

impl<'a> House<'a> {
    fn enter(engine: Engine, clock: &'a Clock, around: Edges) -> Result<Self, ConductorError> {
        let Edges { sounds, devices, means, scribe, first_words, screen, talk, planner, phones } = around;
        let (news, inbox) = mpsc::channel(NEWS);
        let (news, stop) = (ToLoop::new(news), Stop::default());
        let mut threads = Vec::new();
        let stations = Directory::default();
        let workers = Workers::begin(&sounds, &stations, &news)?;
        let of_stations = StationMeans {
            sounds,
            workers: workers.clone(),
            stations: stations.clone(),
            news: news.clone(),
            clock: clock.clone(),
            stop: stop.clone(),
        };
        let begin = |wanted| Phones::begin(wanted, devices.keep_sound.clone(), of_stations.clone());
        let phones = phones.map(begin).transpose()?;
        threads.push(SoundCard { id: StationId::RIG, devices, means: of_stations }.begin()?);
        let (to_scribe, tasks) = Outward::new(RECORDS);
        let journal_given_up = Stop::default();
        threads.push(begin_scribe(scribe, tasks, news.clone(), journal_given_up.clone())?);
        let (to_talk, lines) = Outward::new(LINES);
        threads.push(begin_talk(talk, lines)?);
        let keyboard = screen.as_ref().map(|_| listen_to_keys(news.clone())).transpose()?;
        let plan = if planner.is_some() { Plan::Ready } else { Plan::None };
        let planner = planner.map(|planner| begin_planner(planner, news)).transpose()?;
        let signals = Signals {
            hang_up: signal(SignalKind::hangup()).map_err(ConductorError::System)?,
            terminate: signal(SignalKind::terminate()).map_err(ConductorError::System)?,
            interrupt: signal(SignalKind::interrupt()).map_err(ConductorError::System)?,
        };
        let timer = Timer::new().map_err(ConductorError::System)?;
        let conductor = Conductor::new(engine, &[StationId::RIG], means, plan);
        Ok(Self {
            conductor,
            means,
            clock,
            inbox,
            timer,
            signals,
            screen,
            keyboard,
            stations,
            workers,
            scribe: to_scribe,
            journal_given_up,
            talk: to_talk,
            planner,
            phones,
            first_words,
            stop,
            threads,
            hung: BTreeMap::new(),
        })
    }

    async fn run(mut self, resumed: Option<Away>) -> Result<Parted, ConductorError> {
        self.conductor.begin(self.clock.now(), resumed);
        if let Some(text) = self.first_words.take() {
            self.conductor.handle(self.clock.now(), News::Notice(text));
        }
        self.tell_how_phones_come();
        self.tell_of_new_certificates();
        let parted = loop {
            if let Some(parted) = self.carry_out().or_else(|| self.out_of_reach()) {
                break parted;
            }
            self.show_phones();
            let look_again = self.draw();
            let due = self.conductor.deadline().map(|at| self.clock.until(at));
            self.timer.arm(due.into_iter().chain(look_again).min()).map_err(ConductorError::System)?;
            let news = self.next_news().await;
            let now = self.clock.now();
            self.take(now, news);
            // What waits already is taken before anything is drawn.
            for _ in 0..AT_ONCE {
                match self.inbox.try_recv() {
                    Ok(news) => self.take(now, news),
                    Err(_) => break,
                }
            }
        };
        self.leave();
        Ok(parted)
    }

    fn take(&mut self, now: SessionTime, news: News) {
        let news = match (news, &mut self.screen) {
            (News::Key(key), Some(screen)) => match screen.take_key(key) {
                Some(key) => News::Key(key),
                None => return,
            },
            (news, _) => news,
        };
        match news {
            News::ScreenLost(_) => self.lose_screen(),
            News::Key(ScreenKey::Invite) => self.phones.iter_mut().for_each(Phones::toggle),
            News::Device(StationId::RIG, DeviceSide::Loudspeaker, DeviceNews::Back) => self.means = Means::Voice,
            _ => {}
        }
        self.conductor.handle(now, news);
    }

    /// Where no screen, loudspeaker or phone is left it could ring for nobody, and nobody could end it: a clock is in the journal, and rings when
    /// the run is gone on with.
    fn out_of_reach(&self) -> Option<Parted> {
        let silent = self.means == Means::Keys && self.phones.is_none();
        (silent && self.screen.is_none()).then_some(Parted::Closed)
    }

    async fn next_news(&mut self) -> News {
        tokio::select! {
            biased;
            _ = self.signals.terminate.recv() => News::Terminate,
            _ = self.signals.interrupt.recv() => News::Terminate,
            _ = self.signals.hang_up.recv() => {
                self.lose_screen();
                News::ScreenLost("the terminal was closed".to_owned())
            }
            Some(news) = self.inbox.recv() => news,
            _ = self.timer.rings() => News::Woke,
        }
    }

    /// Carries out what the conductor asks for; gives how the run parted, if it has.
    fn carry_out(&mut self) -> Option<Parted> {
        while let Some(task) = self.conductor.poll() {
            match task {
                Task::Station(id, order) => {
                    let rings = id == StationId::RIG && rings(&order);
                    match self.stations.send(id, order) {
                        Sent::Through => self.station_goes_on(id),
                        _ => self.station_hangs(id),
                    }
                    if rings {
                        self.ring_bell();
                    }
                }
                Task::PrepareSpeech(texts) => self.workers.store(&texts),
                Task::RestartRecogniser => self.workers.restart_recogniser(),
                Task::Record { seq, .. } => {
                    if self.scribe.send(task) != Sent::Through {
                        let why = "the journal is behind or gone".to_owned();
                        self.conductor.handle(self.clock.now(), News::RecordFailed(seq, why));
                    }
                }
                Task::GiveJournalUp => self.journal_given_up.set(),
                Task::KeepNote { of, ref note, .. } => {
                    let text = note.text.clone();
                    if self.scribe.send(task) != Sent::Through {
                        let fault = Some("the journal is behind or gone".to_owned());
                        let kept = SpokenNoteKept { text, wav: None, fault };
                        self.conductor.handle(self.clock.now(), News::NoteKept(of, kept));
                    }
                }
                Task::Talk(line) => {
                    if self.talk.send(line) != Sent::Through {
                        tracing::warn!("a line of the talk is lost: nobody reads it");
                    }
                }
                Task::AskOnTime => {
                    let asked = self.planner.as_ref().is_some_and(|planner| planner.try_send(()).is_ok());
                    if !asked {
                        let why = "nobody reckons it any more".to_owned();
                        self.conductor.handle(self.clock.now(), News::NoPlan(why));
                    }
                }
                Task::Part(parted) => return Some(parted),
            }
        }
        None
    }

    /// What a station is told does not reach it: nobody hears or is heard there.
    fn station_hangs(&mut self, id: StationId) {
        if self.hung.contains_key(&id) {
            return;
        }
        let worked = self.conductor.working(id);
        self.hung.insert(id, worked.clone());
        for device in worked {
            let lost = DeviceNews::Lost("its station takes no orders".to_owned());
            self.conductor.handle(self.clock.now(), News::Device(id, device, lost));
        }
    }

    /// What worked before it hung works again.
    fn station_goes_on(&mut self, id: StationId) {
        for device in self.hung.remove(&id).unwrap_or_default() {
            self.conductor.handle(self.clock.now(), News::Device(id, device, DeviceNews::Back));
        }
    }

    /// For whoever looks away where no loudspeaker rings, or none that is heard.
    fn ring_bell(&mut self) {
        if let Some(Err(error)) = self.screen.as_mut().map(Screen::ring) {
            self.screen_fails(&error);
        }
    }

    fn screen_fails(&mut self, error: &ScreenError) {
        self.lose_screen();
        self.conductor.handle(self.clock.now(), News::ScreenLost(with_causes(error)));
    }

    /// Draws, where there is a screen and something changed; gives when to look again though nothing happens.
    fn draw(&mut self) -> Option<Duration> {
        let screen = self.screen.as_mut()?;
        let sight = self.conductor.sight(self.clock.now(), StationId::RIG);
        let meters = meters_of(&sight);
        let counts = !sight.view.clocks.is_empty();
        if let Err(error) = screen.draw(&sight.view, &meters) {
            self.screen_fails(&error);
            return Some(Duration::ZERO);
        }
        counts.then_some(CLOCKS_COUNT)
    }

    /// Shows each phone what there is to see, and how another one is let in.
    fn show_phones(&mut self) {
        let Some(phones) = &mut self.phones else { return };
        let now = self.clock.now();
        phones.show(now, &self.conductor);
        if let Some(screen) = &mut self.screen {
            screen.lay_over(phones.panel(&self.conductor.sight(now, StationId::RIG).view));
        }
    }

    /// What is printed where there is no screen is kept as a log: nothing in it lets a phone in.
    fn tell_how_phones_come(&mut self) {
        match (&mut self.phones, &self.screen) {
            (Some(phones), Some(_)) => phones.toggle(),
            (Some(phones), None) => {
                self.talk.send(TalkLine::Shown(phones.without_screen()));
            }
            (None, _) => {}
        }
    }

    /// Said once, and shown: on the screen for a while, without one where the talk is printed.
    fn tell_of_new_certificates(&mut self) {
        let Some(text) = self.phones.as_ref().and_then(Phones::to_tell) else { return };
        if self.screen.is_none() {
            self.talk.send(TalkLine::Shown(text.clone()));
        }
        self.conductor.handle(self.clock.now(), News::Notice(text));
    }

    /// Nothing is drawn, and no key is waited for, any more.
    fn lose_screen(&mut self) {
        (self.screen, self.keyboard) = (None, None);
        // Nobody sees the code any more.
        self.phones.iter_mut().for_each(Phones::hide);
    }

    /// Ends every thread, and waits for those that can end: a dead device may keep its own for ever.
    fn leave(self) {
        let Self { screen, keyboard, stop, mut threads, stations, scribe, talk, planner, inbox, phones, .. } = self;
        // The terminal first: what comes after may take a moment.
        drop((keyboard, screen));
        // With the ways to them the journal's and the talk's threads end, once they have done what waits; whoever tells the loop waits no more.
        drop((scribe, talk, planner, inbox));
        stop.set();
        threads.extend(phones.map(Phones::leave).into_iter().flatten());
        stations.wake_all();
        for thread in threads {
            join_within(thread, LEAVE_WITHIN);
        }
    }
}

/// Whether an alarm signal comes of it.
fn rings(order: &StationInput) -> bool {
    matches!(order, StationInput::Say(utterance) if utterance.alarm.is_some())
}

/// What the screen shows of mouth and ear.
fn meters_of(sight: &Sight) -> Meters {
    let activity = match (sight.speaks, sight.microphone) {
        (Speaking::Yes, LinkState::Works) => SoundActivity::SpeakingAndListening,
        (Speaking::Yes, LinkState::Lost) => SoundActivity::Speaking,
        (Speaking::No, LinkState::Works) => SoundActivity::Listening,
        (Speaking::No, LinkState::Lost) => SoundActivity::Deaf,
    };
    let level = sight.level;
    let microphone = match (level, sight.gives) {
        (None, _) => Microphone::None,
        (Some(_), Gives::Nothing) => Microphone::GivesNothing,
        (Some(level), Gives::Sound) => Microphone::Level(level.now),
    };
    Meters { microphone, floor_dbfs: level.and_then(|level| level.floor), activity }
}

fn listen_to_keys(news: ToLoop) -> Result<Keyboard, ConductorError> {
    let tell = move |input| match input {
        ScreenInput::Key(key) => news.tell(News::Key(key)),
        ScreenInput::Resized => news.tell(News::Woke),
        ScreenInput::Lost(why) => news.tell(News::ScreenLost(with_causes(&why))),
    };
    Ok(Keyboard::listen(tell)?)
}

/// Writes down what comes, and ends when nothing more can come. A panic of the journal is a write that failed. Once it was given up on nothing is
/// written any more, for whoever waited was told so.
fn begin_scribe(
    mut scribe: Scribe,
    tasks: Receiver<Task>,
    news: ToLoop,
    given_up: Stop,
) -> Result<JoinHandle<()>, ConductorError> {
    spawn("journal", move || {
        for task in tasks {
            match task {
                Task::Record { .. } if given_up.is_set() => {}
                Task::Record { seq, at, event } => {
                    let written = catch_unwind(AssertUnwindSafe(|| scribe.record(seq, at, event)));
                    news.tell(match written {
                        Ok(Ok(())) => News::Recorded(seq),
                        Ok(Err(error)) => News::RecordFailed(seq, with_causes(&error)),
                        Err(panic) => News::RecordFailed(seq, said_by(panic.as_ref())),
                    });
                }
                Task::KeepNote { of, at, note } => news.tell(News::NoteKept(of, scribe.keep_note(at, note))),
                // Nothing else is sent here.
                _ => {}
            }
        }
    })
}

/// Prints and keeps the talk: where nobody reads what is printed, this thread waits and no other.
fn begin_talk(mut talk: Talk, lines: Receiver<TalkLine>) -> Result<JoinHandle<()>, ConductorError> {
    spawn("talk", move || lines.iter().for_each(|line| talk.take(&line)))
}

/// Reckons on a thread of its own, when asked and once a minute: it takes longer than an answer may wait.
fn begin_planner(planner: Planner, news: ToLoop) -> Result<SyncSender<()>, ConductorError> {
    let (asks, asked) = sync_channel(1);
    let reckon = move || {
        let on_time = match planner() {
            Ok(on_time) => on_time,
            Err(error) => return news.tell(News::NoPlan(with_causes(&error))),
        };
        loop {
            let prompted = match asked.recv_timeout(LOOK_AGAIN) {
                Ok(()) => Prompted::Asked,
                Err(RecvTimeoutError::Timeout) => Prompted::Unasked,
                Err(RecvTimeoutError::Disconnected) => return,
            };
            match on_time.tell() {
                Ok(told) => news.tell(News::OnTime(told, prompted)),
                Err(error) => return news.tell(News::NoPlan(with_causes(&error))),
            }
        }
    };
    spawn("planner", reckon)?;
    Ok(asks)
}

/// Joins a thread that ends in time; another is left to the end of the process.
fn join_within(thread: JoinHandle<()>, span: Duration) {
    let mut left = span;
    while !thread.is_finished() && !left.is_zero() {
        pause(PIECE.min(left));
        left = left.saturating_sub(PIECE);
    }
    if thread.is_finished() {
        drop(thread.join());
    } else {
        tracing::warn!(thread = thread.thread().name(), "does not end");
    }
}

/// News that may wait for the loop.
const NEWS: usize = 1_024;
/// Records that may wait for the disk.
const RECORDS: usize = 256;
/// Lines that may wait for whoever reads them.
const LINES: usize = 1_024;
/// Pieces of news that are taken before anything is drawn.
const AT_ONCE: usize = 64;
/// Clocks on the screen count seconds.
const CLOCKS_COUNT: Duration = Duration::from_millis(500);
/// Whether it has become late is looked at this often.
const LOOK_AGAIN: Duration = Duration::from_secs(60);
const LEAVE_WITHIN: Duration = Duration::from_millis(300);
const PIECE: Duration = Duration::from_millis(10);

#[cfg(test)]
mod tests {
    use super::*;
    use crate::conductor::notes::Notes;
    use crate::engine::event::Event;
    use crate::engine::output::{AlarmSignal, Priority, SpeechId, Utterance};
    use crate::journal::{Journal, JournalReader, NewRun, Purpose};

    #[test]
    fn a_journal_that_was_given_up_on_writes_nothing_more() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("journal.sqlite");
        let mut journal = Journal::open(&path).unwrap();
        let (routine, fingerprint, settings) = ("tank-dump".to_owned(), String::new(), "{}".to_owned());
        let new = NewRun { routine, fingerprint, settings, started: String::new(), purpose: Purpose::Real };
        let run = journal.begin_run(&new).unwrap();
        let clock = Clock::start();
        let scribe = Scribe::new(journal, run, Box::new(move |_| clock.stamp()), Notes::beside(&path, run));
        let (tasks, waiting) = Outward::new(4);
        let (news, mut told) = mpsc::channel(4);
        let given_up = Stop::default();
        let thread = begin_scribe(scribe, waiting, ToLoop::new(news), given_up.clone()).unwrap();
        let record = |seq| Task::Record { seq, at: SessionTime::ZERO, event: Event::StandingBy };
        tasks.send(record(0));
        assert!(matches!(told.blocking_recv(), Some(News::Recorded(0))));
        given_up.set();
        tasks.send(record(1));
        drop(tasks);
        thread.join().unwrap();
        assert!(told.blocking_recv().is_none());
        assert_eq!(JournalReader::open(&path).unwrap().events(run).unwrap().len(), 1);
    }

    #[test]
    fn the_bell_rings_with_each_ring_of_an_alarm_and_with_nothing_else_that_is_said() {
        let say = |priority, alarm| {
            StationInput::Say(Utterance { id: SpeechId(1), priority, text: "Shut the tap.".to_owned(), alarm })
        };
        for alarm in [AlarmSignal::Hazard { repeat: 0 }, AlarmSignal::Hazard { repeat: 7 }, AlarmSignal::Time] {
            assert!(rings(&say(Priority::Alarm, Some(alarm))), "{alarm:?}");
        }
        assert!(!rings(&say(Priority::Caution, None)) && !rings(&StationInput::Hush(Priority::Alarm)));
    }
}
