//! The engine's frame: facts in, commands out, records before words, clocks first.

use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;

use super::clocks::{self, Mark};
use super::event::{Event, HeardAs};
use super::input::Input;
use super::output::{ListeningSet, ListeningSetId, Output, SpeechId, VoiceSettings};
use super::phrasebook::Phrasebook;
use super::state::{RunState, RunningClock};
use super::vocabulary::{Asking, Entry, vocabulary};
use crate::routine::{Answer, Routine, StepIndex};
use crate::units::SessionTime;

/// Carries one run of one routine.
///
/// - World to engine: [`handle`](Self::handle), and [`replay`](Self::replay) before anything else.
/// - Engine to world: [`poll`](Self::poll).
/// - Getters: [`view`](Self::view), [`state`](Self::state), [`clock_speech`](Self::fixed_prompts).
///
/// Times must be of one clock; one that runs backwards is taken as standing still.
pub struct Engine {
    pub(super) routine: Routine,
    pub(super) book: Phrasebook,
    pub(super) state: RunState,
    pub(super) now: SessionTime,
    pub(super) asking: Asking,
    outbox: VecDeque<Output>,

    next_seq: u64,
    pending: VecDeque<(u64, SessionTime, Event)>,
    waiting: VecDeque<Input>,
    pub(super) journal_failed: bool,

    pub(super) next_speech: u64,
    /// What is put before the next prompt: the answer said back, a clock's end.
    pub(super) lead_in: Vec<String>,
    /// What the record that is on its way will be spoken of with, where the event alone does not tell.
    pub(super) reply: Option<String>,
    /// What "say again" repeats: the last thing worth hearing, never an apology.
    pub(super) last_useful: String,
    pub(super) prompt: Option<SpeechId>,
    pub(super) last_words: Option<SpeechId>,
    pub(super) alarm_speech: Option<SpeechId>,
    pub(super) last_section: Option<usize>,

    next_set: u64,
    pub(super) entries: Vec<Entry>,
    pub(super) set: ListeningSetId,
    /// Raised with every question, so that its listening set is its own even where the words are the same.
    pub(super) question: u64,
    listened_question: u64,

    pub(super) voices: BTreeMap<StepIndex, ClockVoice>,
    pub(super) remind_at: Option<SessionTime>,
    pub(super) reminded: bool,
    pub(super) unclear_streak: u32,
    pub(super) unclear_at: Option<SessionTime>,
    pub(super) last_heard: String,
    pub(super) last_confirm: Option<SessionTime>,
    pub(super) hearing_lost: bool,
    /// Between replay and the record of having resumed: its clocks are judged then, knowing how long it was away.
    pub(super) resuming: bool,
}

/// What a running clock has still to say.
#[derive(Clone, Debug, Default)]
pub(super) struct ClockVoice {
    pub marks: VecDeque<(SessionTime, Mark)>,
    pub next_alarm: Option<SessionTime>,
    pub repeat: u32,
    /// Its end has been told, or is being recorded.
    pub told: bool,
}

impl Engine {
    /// An engine for a run that has not begun. Nothing is said before the first input.
    pub fn new(routine: Routine, book: Phrasebook, voice: VoiceSettings) -> Self {
        let state = RunState::new(&routine, voice);
        Self {
            routine,
            book,
            state,
            now: SessionTime::ZERO,
            asking: Asking::Step,
            outbox: VecDeque::new(),
            next_seq: 0,
            pending: VecDeque::new(),
            waiting: VecDeque::new(),
            journal_failed: false,
            next_speech: 0,
            lead_in: Vec::new(),
            reply: None,
            last_useful: String::new(),
            prompt: None,
            last_words: None,
            alarm_speech: None,
            last_section: None,
            next_set: 0,
            entries: Vec::new(),
            set: ListeningSetId(0),
            question: 0,
            listened_question: 0,
            voices: BTreeMap::new(),
            remind_at: None,
            reminded: false,
            unclear_streak: 0,
            unclear_at: None,
            last_heard: String::new(),
            last_confirm: None,
            hearing_lost: false,
            resuming: false,
        }
    }

    /// Takes over a recorded event of the run that is being resumed. All of them in order, then `Input::Resumed`.
    pub fn replay(&mut self, at: SessionTime, event: &Event) {
        self.now = self.now.max(at);
        self.next_seq += 1;
        self.resuming = true;
        self.state.apply(&self.routine, at, event);
    }

    /// Tells one fact that became known at `now`. The first one (any) begins the run.
    pub fn handle(&mut self, now: SessionTime, input: Input) {
        self.now = self.now.max(now);
        if !self.state.started && self.pending.is_empty() {
            self.outbox.push_back(Output::SetVoice(self.state.voice));
            let routine = self.routine.id.clone();
            self.commit(Event::RunStarted { routine, fingerprint: self.routine.fingerprint.clone() });
        }
        self.run_clocks();
        match input {
            Input::Recorded(seq) => self.recorded(seq),
            Input::RecordFailed(seq) => self.record_failed(seq),
            Input::Woke => {}
            // What is said while a record is on its way waits for it: it may mean something else afterwards.
            other if !self.pending.is_empty() => self.waiting.push_back(other),
            other => self.act(other),
        }
        while self.pending.is_empty()
            && let Some(input) = self.waiting.pop_front()
        {
            self.act(input);
        }
        self.refresh_listening();
    }

    /// The next command; `Wait` when there is none.
    pub fn poll(&mut self) -> Output {
        self.outbox.pop_front().unwrap_or_else(|| Output::Wait(self.next_deadline()))
    }

    /// The condition of the run.
    pub fn state(&self) -> &RunState {
        &self.state
    }

    /// The routine that is being run.
    pub fn routine(&self) -> &Routine {
        &self.routine
    }

    pub(super) fn send(&mut self, output: Output) {
        self.outbox.push_back(output);
    }

    /// Asks for an event to be written down. It is taken over when it has been, and not before.
    pub(super) fn commit(&mut self, event: Event) {
        let seq = self.next_seq;
        self.next_seq += 1;
        self.outbox.push_back(Output::Record { seq, at: self.now, event: event.clone() });
        self.pending.push_back((seq, self.now, event));
    }

    pub(super) fn act(&mut self, input: Input) {
        if self.state.ended.is_some() && !matches!(input, Input::SpeechFinished(_)) {
            return;
        }
        match input {
            Input::PhraseHeard(heard) => self.phrase_heard(heard),
            Input::SpeechUnclear => self.commit(Event::SpeechUnclear),
            Input::KeyPressed(key) => self.key_pressed(key),
            Input::SpeechFinished(id) => self.speech_finished(id),
            Input::Resumed(away) => {
                use super::input::Away;
                let away_ms = match away {
                    Away::Known(span) => Some(u64::try_from(span.as_millis()).unwrap_or(u64::MAX)),
                    Away::Unknown => None,
                };
                self.commit(Event::Resumed { away_ms });
            }
            Input::HearingLost => {
                self.hearing_lost = true;
                self.commit(Event::HearingLost);
            }
            Input::HearingBack => {
                self.hearing_lost = false;
                self.commit(Event::HearingBack);
            }
            Input::Recorded(_) | Input::RecordFailed(_) | Input::Woke => {}
        }
    }

    fn recorded(&mut self, seq: u64) {
        if self.pending.front().is_some_and(|(first, ..)| *first == seq)
            && let Some((_, at, event)) = self.pending.pop_front()
        {
            self.take_over(at, &event);
        }
    }

    /// The journal is given up on until the program is started again. What matters is refused from here on; a hazard that is
    /// over is still taken as over, for an alarm that nobody can end would only be switched off with the program.
    fn record_failed(&mut self, seq: u64) {
        if self.pending.front().is_none_or(|(first, ..)| *first != seq) {
            return;
        }
        let Some((_, at, event)) = self.pending.pop_front() else {
            return;
        };
        if !self.journal_failed {
            self.journal_failed = true;
            self.say_journal_failed();
        } else if self.must_be_written(&event) {
            self.say_journal_refused();
        }
        if !self.must_be_written(&event) {
            self.take_over(at, &event);
        }
    }

    fn must_be_written(&self, event: &Event) -> bool {
        match event {
            Event::StepAnswered { step, .. } => {
                self.routine.index_of(step).is_none_or(|i| self.routine.steps[i].critical)
            }
            Event::RunStarted { .. } | Event::RunCompleted { .. } => true,
            _ => false,
        }
    }

    fn take_over(&mut self, at: SessionTime, event: &Event) {
        self.state.apply(&self.routine, at, event);
        self.follow(event);
    }

    /// Clocks come before everything else that happens at the same moment: an alarm waits for nobody's record.
    fn run_clocks(&mut self) {
        if self.resuming {
            return;
        }
        let running: Vec<(StepIndex, RunningClock)> = self.state.clocks.iter().map(|(s, c)| (*s, *c)).collect();
        for (step, clock) in running {
            let Answer::Clock(answer) = self.routine.steps[step].answer.clone() else {
                continue;
            };
            let now = self.now;
            let voice = self.voices.entry(step).or_insert_with(|| new_voice(&clock, now));
            let mut due = None;
            while voice.marks.front().is_some_and(|(at, _)| *at <= now) {
                due = voice.marks.pop_front();
            }
            let ended = clock.ends() <= now;
            if ended && !voice.told {
                voice.told = true;
                voice.next_alarm = Some(now);
                if !clock.ran_out {
                    self.commit(Event::ClockRanOut { step: self.routine.steps[step].id.clone() });
                }
            }
            let ringing = ended || clock.ran_out;
            if let Some((at, mark)) = due.filter(|_| !ringing)
                && now.since(at) < STALE_MARK
            {
                self.say_mark(&clock, mark);
            }
            if ringing && answer.hazard() {
                self.ring(step, &answer);
            }
        }
        if self.remind_at.is_some_and(|at| at <= self.now) {
            self.remind_at = None;
            self.remind();
        }
    }

    fn ring(&mut self, step: StepIndex, answer: &crate::routine::ClockAnswer) {
        let now = self.now;
        let busy = self.alarm_speech.is_some();
        let Some(voice) = self.voices.get_mut(&step) else {
            return;
        };
        if voice.next_alarm.is_none_or(|at| at > now) {
            return;
        }
        if busy && voice.next_alarm.is_some_and(|at| now.since(at) < LONGEST_ALARM) {
            // The last one is still being said: two on top of each other are understood by nobody.
            return;
        }
        let repeat = voice.repeat;
        voice.repeat += 1;
        voice.next_alarm = Some(now + clocks::alarm_gap(repeat));
        self.say_alarm(answer, repeat);
    }

    fn next_deadline(&self) -> Option<SessionTime> {
        let mut deadline = self.remind_at;
        let mut earliest = |at: SessionTime| deadline = Some(deadline.map_or(at, |d| d.min(at)));
        for (step, clock) in &self.state.clocks {
            match self.voices.get(step) {
                None => earliest(self.now),
                Some(voice) => {
                    if !voice.told {
                        earliest(clock.ends());
                    }
                    if let Some((at, _)) = voice.marks.front() {
                        earliest(*at);
                    }
                    if let Some(at) = voice.next_alarm {
                        earliest(at.max(self.now + POLL_WHILE_BUSY));
                    }
                }
            }
        }
        deadline
    }

    fn refresh_listening(&mut self) {
        let entries = if self.state.ended.is_some() {
            Vec::new()
        } else {
            vocabulary(&self.routine, &self.book, &self.state, &self.asking)
        };
        if entries == self.entries && self.question == self.listened_question {
            return;
        }
        self.listened_question = self.question;
        self.next_set += 1;
        self.set = ListeningSetId(self.next_set);
        let phrases = entries.iter().map(|entry| entry.phrase.clone()).collect();
        self.entries = entries;
        self.outbox.push_back(Output::Listen(ListeningSet { id: self.set, phrases }));
    }

    /// A step that is asked for next is offered, if it is another one than now.
    pub(super) fn advance(&mut self) {
        if self.state.ended.is_some() {
            return;
        }
        let Some(next) = self.state.next_step(&self.routine) else {
            return;
        };
        if self.state.current != Some(next) {
            self.commit(Event::StepOffered { step: self.routine.steps[next].id.clone() });
        }
    }

    pub(super) fn step_id(&self, step: StepIndex) -> String {
        self.routine.steps[step].id.clone()
    }

    /// Ends the clock of a step, by a person or, where nothing is guarded, by itself.
    pub(super) fn end_clock(&mut self, step: StepIndex, heard: HeardAs) {
        if let Some(clock) = self.state.clocks.get(&step) {
            let ran = self.now.since(clock.started);
            let ran_ms = u64::try_from(ran.as_millis()).unwrap_or(u64::MAX);
            self.commit(Event::ClockEnded { step: self.step_id(step), ran_ms, heard });
        }
    }
}

/// A clock that begins, or one that is found running after a restart: what has passed is not said any more.
pub(super) fn new_voice(clock: &RunningClock, now: SessionTime) -> ClockVoice {
    ClockVoice {
        marks: clocks::marks(clock).into_iter().filter(|(at, _)| *at > now).collect(),
        next_alarm: clock.ran_out.then_some(now),
        repeat: 0,
        told: clock.ran_out,
    }
}

/// A mark that comes later than this (the machine slept) would say a wrong time.
const STALE_MARK: Duration = Duration::from_secs(3);
/// An alarm whose end was never reported is taken as over after this.
const LONGEST_ALARM: Duration = Duration::from_secs(20);
/// How often a due alarm is tried again while the last one is still being said.
const POLL_WHILE_BUSY: Duration = Duration::from_millis(100);
