//! Everything that happens because time passes, in one place: each alarm with its reason, armed here and due from here.

pub(super) mod due;
pub(super) mod marks;

use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;

use self::marks::Mark;
use super::core::Engine;
use super::event::HeardAs;
use super::output::SpeechId;
use super::people::PersonIndex;
use super::state::RunningClock;
use crate::routine::StepIndex;
use crate::units::{SessionTime, StationId};

/// Why the engine wants to be woken, in the order in which those that are due at one moment are taken.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Alarm {
    /// A clock says how long it still runs, ends, or rings.
    Clock(ClockId),
    /// A second of a held time is counted.
    Count,
    /// What is only said is taken as said, even where the voice never reports it.
    Told,
    /// Nobody said the note that was asked for at this station.
    NotePatience(StationId),
    /// The run ends, even where the voice never reports its last words.
    LastWords,
    /// A person has been silent for well over what their step takes.
    Reminder(PersonIndex),
    /// What a person has to go on doing is said once more.
    Order(PersonIndex),
}

/// A clock of a step, or one that a person set.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum ClockId {
    Step(StepIndex),
    Timer(String),
}

/// Every alarm that is armed, and what is being counted and told.
#[derive(Default)]
pub(super) struct Alarms {
    armed: BTreeMap<Alarm, SessionTime>,
    voices: BTreeMap<ClockId, ClockVoice>,
    /// The alarm that is in the air: two on top of each other are understood by nobody.
    pub sounding: Option<SpeechId>,
    pub telling: Option<Telling>,
    pub holding: Option<Holding>,
    /// What ends the program once it has been said.
    pub last_words: Option<SpeechId>,
    watched: Watched,
}

/// Whether clocks are judged.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
enum Watched {
    #[default]
    Now,
    /// Between replay and the record of having resumed: only then it is known how long the program was away.
    OnceResumed,
}

/// What a running clock has still to say.
#[derive(Clone, Debug, Default)]
pub(super) struct ClockVoice {
    pub marks: VecDeque<(SessionTime, Mark)>,
    pub next_ring: Option<SessionTime>,
    pub repeat: u32,
    pub end: EndOfClock,
}

/// Whether the end of a clock has been told, or is being recorded.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) enum EndOfClock {
    #[default]
    Ahead,
    Told,
}

/// A step that is said and not asked for.
#[derive(Clone, Debug)]
pub(super) struct Telling {
    pub step: StepIndex,
    pub person: PersonIndex,
    pub speech: SpeechId,
    pub left: u32,
}

/// A held time that is counted down.
#[derive(Clone, Debug)]
pub(super) struct Holding {
    pub step: StepIndex,
    pub person: PersonIndex,
    pub ends: SessionTime,
    /// Seconds still to be said, largest first.
    pub counts: VecDeque<u64>,
    pub heard: HeardAs,
}

impl Alarms {
    pub fn arm(&mut self, alarm: Alarm, at: SessionTime) {
        self.armed.insert(alarm, at);
    }

    /// Takes an alarm back; says whether it was armed.
    pub fn disarm(&mut self, alarm: &Alarm) -> Option<SessionTime> {
        self.armed.remove(alarm)
    }

    /// Nobody is reminded of anything that they had.
    pub fn disarm_reminders(&mut self) {
        self.armed.retain(|alarm, _| !matches!(alarm, Alarm::Reminder(_)));
    }

    /// Whether a note is waited for at any station.
    pub fn waits_for_a_note(&self) -> bool {
        self.armed.keys().any(|alarm| matches!(alarm, Alarm::NotePatience(_)))
    }

    pub fn expect_last_words(&mut self, speech: SpeechId, until: SessionTime) {
        self.last_words = Some(speech);
        self.arm(Alarm::LastWords, until);
    }

    pub fn has_been_said(&mut self, speech: SpeechId) {
        self.sounding.take_if(|alarm| *alarm == speech);
    }

    /// A clock speaks from now on.
    pub fn give_voice(&mut self, clock: ClockId, voice: ClockVoice) {
        self.voices.insert(clock, voice);
    }

    pub fn silence(&mut self, clock: &ClockId) {
        self.voices.remove(clock);
    }

    pub fn tell(&mut self, telling: Telling, until: SessionTime) {
        self.telling = Some(telling);
        self.arm(Alarm::Told, until);
    }

    /// What was being told with this utterance, which is over.
    pub fn told(&mut self, speech: SpeechId) -> Option<Telling> {
        let telling = self.telling.take_if(|telling| telling.speech == speech)?;
        self.armed.remove(&Alarm::Told);
        Some(telling)
    }

    /// What is being told and what is being held counts for nothing any more.
    pub fn let_go(&mut self) {
        self.telling = None;
        self.armed.remove(&Alarm::Told);
        self.holding = None;
    }

    pub fn hold_until_resumed(&mut self) {
        self.watched = Watched::OnceResumed;
    }

    pub fn watch(&mut self) {
        self.watched = Watched::Now;
    }
}

impl ClockVoice {
    /// The voice of a clock that begins, or of one that is found running after a restart: what has passed is not said any more.
    pub fn of(clock: &RunningClock, now: SessionTime) -> Self {
        Self {
            marks: marks::marks(clock).into_iter().filter(|(at, _)| *at > now).collect(),
            next_ring: clock.ran_out.then_some(now),
            repeat: 0,
            end: if clock.ran_out { EndOfClock::Told } else { EndOfClock::Ahead },
        }
    }

    /// One whose end is known already.
    pub fn past() -> Self {
        Self { end: EndOfClock::Told, ..Self::default() }
    }

    /// It has just rung, for the n-th time; the next one comes by itself.
    pub fn rang(&mut self, now: SessionTime) {
        self.next_ring = Some(now + marks::alarm_gap(self.repeat));
        self.repeat += 1;
    }

    /// The last mark that has come, unless it would say a wrong time.
    fn due_mark(&mut self, now: SessionTime) -> Option<Mark> {
        let mut due = None;
        while self.marks.front().is_some_and(|(at, _)| *at <= now) {
            due = self.marks.pop_front();
        }
        due.filter(|(at, _)| now.since(*at) < marks::STALE_MARK).map(|(_, mark)| mark)
    }
}

impl Engine {
    /// The earliest alarm; `None` when only an input can wake the engine.
    pub(super) fn next_deadline(&self) -> Option<SessionTime> {
        // After the last words only the end of them matters; a clock that a person had set is over with the run.
        if self.state.ended.is_some() {
            return self.alarms.armed.get(&Alarm::LastWords).copied();
        }
        self.armed(self.now + marks::POLL_WHILE_BUSY).into_iter().map(|(_, at)| at).min()
    }

    /// The next alarm after `last` that is due.
    fn next_due(&self, last: Option<&Alarm>) -> Option<Alarm> {
        let due = self.armed(SessionTime::ZERO).into_iter().filter(|(_, at)| *at <= self.now);
        due.map(|(alarm, _)| alarm).filter(|alarm| last.is_none_or(|last| alarm > last)).min()
    }

    /// Every alarm with its time. A clock that rings and is still waiting for the last alarm to be said does so at
    /// `soonest_ring` at the earliest.
    fn armed(&self, soonest_ring: SessionTime) -> Vec<(Alarm, SessionTime)> {
        let steps = self.state.clocks.iter().map(|(step, clock)| (ClockId::Step(*step), clock));
        let timers = self.state.timers.iter().map(|(name, clock)| (ClockId::Timer(name.clone()), clock));
        let clocks = steps.chain(timers).filter_map(|(id, clock)| {
            let at = self.next_of_clock(&id, clock, soonest_ring)?;
            Some((Alarm::Clock(id), at))
        });
        let count = self.next_count().map(|at| (Alarm::Count, at));
        let armed = self.alarms.armed.iter().map(|(alarm, at)| (alarm.clone(), *at));
        clocks.chain(count).chain(armed).collect()
    }

    fn next_of_clock(&self, id: &ClockId, clock: &RunningClock, soonest_ring: SessionTime) -> Option<SessionTime> {
        let Some(voice) = self.alarms.voices.get(id) else { return Some(self.now) };
        let end = (voice.end == EndOfClock::Ahead).then(|| clock.ends());
        let mark = voice.marks.front().map(|(at, _)| *at);
        let ring = voice.next_ring.filter(|_| !self.state.muted).map(|at| at.max(soonest_ring));
        [end, mark, ring].into_iter().flatten().min()
    }

    fn next_count(&self) -> Option<SessionTime> {
        let holding = self.alarms.holding.as_ref()?;
        let next = holding.counts.front().map_or(Duration::ZERO, |&count| Duration::from_secs(count));
        Some(self.now + holding.ends.since(self.now).saturating_sub(next))
    }
}
