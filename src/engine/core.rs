//! The engine's frame: facts in, commands out, records before words, clocks first.

use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;

use super::event::{Event, HeardAs};
use super::input::Input;
use super::joined::Move;
use super::output::{ListeningSet, ListeningSetId, Output, Priority, SpeechId, VoiceSettings};
use super::people::{Crew, PersonIndex};
use super::phrasebook::{Line, Phrasebook};
use super::reckon::{Measured, reckon};
use super::state::RunState;
use super::ticking::{ClockVoice, Holding, Telling};
use super::vocabulary::{Asking, Entry, Situation, vocabulary};
use crate::routine::{Routine, StepIndex};
use crate::units::SessionTime;

/// Carries one run of one routine, or of several as one move.
///
/// - World to engine: [`handle`](Self::handle), and [`replay`](Self::replay) before anything else.
/// - Engine to world: [`poll`](Self::poll).
/// - Getters: [`view`](Self::view), [`state`](Self::state), [`clock_speech`](Self::fixed_prompts).
///
/// Times must be of one clock; one that runs backwards is taken as standing still.
pub struct Engine {
    pub(super) job: Move,
    /// What the clock that has just ended told of the tap.
    pub(super) measured: Option<Measured>,
    pub(super) book: Phrasebook,
    pub(super) state: RunState,
    pub(super) now: SessionTime,
    pub(super) asking: Asking,
    outbox: VecDeque<Output>,
    crew: Option<Crew>,
    rehearses: bool,

    next_seq: u64,
    pub(super) pending: VecDeque<(u64, SessionTime, Event)>,
    waiting: VecDeque<Input>,
    pub(super) journal_failed: bool,

    pub(super) next_speech: u64,
    /// What is put before the next prompt: the answer said back, a clock's end.
    pub(super) lead_in: Vec<String>,
    /// What the record that is on its way will be spoken of with, where the event alone does not tell.
    pub(super) reply: Option<String>,
    /// What "say again" repeats: the last thing worth hearing, never an apology.
    pub(super) last_useful: String,
    /// The prompt that is in the air, and whom it asks.
    pub(super) prompt: Option<(SpeechId, PersonIndex)>,
    /// What ends the program once it has been said; taken as said by the time, even where the voice never reports it.
    pub(super) last_words: Option<(SpeechId, SessionTime)>,
    pub(super) alarm_speech: Option<SpeechId>,
    /// The section that each person was told last.
    pub(super) last_section: Vec<Option<usize>>,
    /// Parts whose introduction has been said.
    pub(super) introduced: Vec<bool>,
    /// Who has been told that there is nothing for them at the moment.
    pub(super) told_to_wait: Vec<bool>,

    next_set: u64,
    pub(super) entries: Vec<Entry>,
    /// Earlier sets, for what was said before they changed.
    pub(super) earlier: VecDeque<(ListeningSetId, Vec<Entry>)>,
    pub(super) set: ListeningSetId,
    /// Raised with every question, so that its listening set is its own even where the words are the same.
    pub(super) question: u64,
    /// The number of each person's question.
    pub(super) questions: Vec<u64>,
    listened_question: u64,

    pub(super) voices: BTreeMap<StepIndex, ClockVoice>,
    pub(super) timer_voices: BTreeMap<String, ClockVoice>,
    pub(super) telling: Option<Telling>,
    pub(super) holding: Option<Holding>,
    /// What has been said of a number digit by digit.
    pub(super) digits: String,
    pub(super) note_until: Option<SessionTime>,
    pub(super) remind_at: Vec<Option<SessionTime>>,
    pub(super) reminded: Vec<bool>,
    pub(super) unclear_streak: u32,
    pub(super) unclear_at: Option<SessionTime>,
    pub(super) last_heard: String,
    pub(super) last_confirm: Option<SessionTime>,
    pub(super) hearing_lost: bool,
    /// The move will not be over in time, by what was told last.
    pub(super) late: bool,
    /// Between replay and the record of having resumed: its clocks are judged then, knowing how long it was away.
    pub(super) resuming: bool,
}

impl Engine {
    /// An engine for a run of one routine that has not begun. Nothing is said before the first input.
    pub fn new(routine: Routine, book: Phrasebook, voice: VoiceSettings) -> Self {
        Self::of_move(Move::single(routine), book, voice)
    }

    /// The same for several routines as one, and for emergency cards beside them.
    pub fn of_move(job: Move, book: Phrasebook, voice: VoiceSettings) -> Self {
        let state = RunState::new(&job, voice);
        let introduced = vec![false; job.parts.len()];
        Self {
            job,
            measured: None,
            book,
            state,
            now: SessionTime::ZERO,
            asking: Asking::Step,
            outbox: VecDeque::new(),
            crew: None,
            rehearses: false,
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
            last_section: vec![None],
            introduced,
            told_to_wait: vec![false],
            next_set: 0,
            entries: Vec::new(),
            earlier: VecDeque::new(),
            set: ListeningSetId(0),
            question: 0,
            questions: vec![0],
            listened_question: 0,
            voices: BTreeMap::new(),
            timer_voices: BTreeMap::new(),
            telling: None,
            holding: None,
            digits: String::new(),
            note_until: None,
            remind_at: vec![None],
            reminded: vec![false],
            unclear_streak: 0,
            unclear_at: None,
            last_heard: String::new(),
            last_confirm: None,
            hearing_lost: false,
            late: false,
            resuming: false,
        }
    }

    /// Who takes part. A run that is gone on with keeps those that it was begun with.
    #[must_use]
    pub fn with_crew(mut self, crew: Crew) -> Self {
        self.crew = (!crew.here.is_empty()).then_some(crew);
        self
    }

    /// Nothing is recorded as done: what would be is marked as rehearsed.
    #[must_use]
    pub fn rehearsing(mut self) -> Self {
        self.rehearses = true;
        self
    }

    /// Takes over a recorded event of the run that is being resumed. All of them in order, then `Input::Resumed`.
    pub fn replay(&mut self, at: SessionTime, event: &Event) {
        self.now = self.now.max(at);
        self.next_seq += 1;
        self.resuming = true;
        self.rehearses |= matches!(event, Event::Rehearsed { .. });
        self.state.apply(&self.job, at, event);
        self.measure(event);
        self.fit_to_people();
        for part in 0..self.job.parts.len() {
            self.introduced[part] |= self.job.parts[part].steps.clone().any(|step| {
                !self.state.is_open(step) || self.state.people.iter().any(|hand| hand.current == Some(step))
            });
        }
    }

    /// Tells one fact that became known at `now`. The first one (any) begins the run.
    pub fn handle(&mut self, now: SessionTime, input: Input) {
        self.now = self.now.max(now);
        if !self.state.started && self.pending.is_empty() {
            self.outbox.push_back(Output::SetVoice(self.state.voice));
            let routine = self.job.routine.id.clone();
            self.commit(Event::RunStarted { routine, fingerprint: self.job.routine.fingerprint.clone() });
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

    /// The routine that is being run; all routines of a move as one, and the cards.
    pub fn routine(&self) -> &Routine {
        &self.job.routine
    }

    /// What is run: which steps belong to which routine, and what must come before each.
    pub fn job(&self) -> &Move {
        &self.job
    }

    pub(super) fn send(&mut self, output: Output) {
        self.outbox.push_back(output);
    }

    /// Asks for an event to be written down. It is taken over when it has been, and not before.
    pub(super) fn commit(&mut self, event: Event) {
        let event = if self.rehearses && event.is_deed() { Event::Rehearsed { event: Box::new(event) } } else { event };
        let seq = self.next_seq;
        self.next_seq += 1;
        self.outbox.push_back(Output::Record { seq, at: self.now, event: event.clone() });
        self.pending.push_back((seq, self.now, event));
    }

    /// Whether the record is on its way already.
    pub(super) fn is_pending(&self, is: impl Fn(&Event) -> bool) -> bool {
        self.pending.iter().any(|(_, _, event)| is(event.inner()))
    }

    pub(super) fn act(&mut self, input: Input) {
        if self.state.ended.is_some() && !matches!(input, Input::SpeechFinished(_)) {
            return;
        }
        match input {
            Input::PhraseHeard(heard) => self.phrase_heard(heard),
            Input::SpeechUnclear if matches!(self.asking, Asking::Note { .. }) => {}
            Input::SpeechUnclear => self.commit(Event::SpeechUnclear),
            Input::KeyPressed(key) => self.key_pressed(key),
            Input::SpeechFinished(id) => self.speech_finished(id),
            Input::NoteTaken { text, wav } => self.note_taken(text, wav),
            Input::OnTimeTold { said, late, asked } => self.on_time_told(said, late, asked),
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
            self.say_line(Priority::Caution, Line::JournalFailed);
        } else if self.must_be_written(&event) {
            self.say_line(Priority::Caution, Line::JournalRefused);
        }
        if !self.must_be_written(&event) {
            self.take_over(at, &event);
        }
    }

    fn must_be_written(&self, event: &Event) -> bool {
        match event.inner() {
            Event::StepAnswered { step, .. }
            | Event::ReadingTaken { step, .. }
            | Event::SignalGiven { step, .. }
            | Event::Agreed { step, .. }
            | Event::StepChecked { step, .. } => {
                let card = |step: StepIndex| self.job.parts[self.job.part_of(step)].is_card();
                self.job.index_of(step).is_none_or(|step| self.job.step(step).critical && !card(step))
            }
            Event::RunStarted { .. }
            | Event::RunCompleted { .. }
            | Event::PartCompleted { .. }
            | Event::Overridden { .. } => true,
            _ => false,
        }
    }

    fn take_over(&mut self, at: SessionTime, event: &Event) {
        self.state.apply(&self.job, at, event);
        self.measured = self.measure(event);
        self.fit_to_people();
        match (event, &self.crew) {
            (Event::RunStarted { .. }, Some(crew)) => {
                let people = crew.recorded();
                self.commit(Event::CrewSet { people });
            }
            _ => self.follow(event.inner()),
        }
    }

    /// A bucket that was filled tells the flow of the tap, and the clocks that come after it are reckoned anew.
    fn measure(&mut self, event: &Event) -> Option<Measured> {
        let Event::ClockEnded { step, ran_ms, .. } = event.inner() else { return None };
        let step = self.job.index_of(step)?;
        reckon(&mut self.job, &self.book, step, Duration::from_millis(*ran_ms))
    }

    fn fit_to_people(&mut self) {
        let count = self.state.people.len();
        self.questions.resize(count, 0);
        self.remind_at.resize(count, None);
        self.reminded.resize(count, false);
        self.told_to_wait.resize(count, false);
        self.last_section.resize(count, None);
    }

    fn refresh_listening(&mut self) {
        let entries = if self.state.ended.is_some() { Vec::new() } else { self.vocabulary_while(&self.asking) };
        if entries == self.entries && self.question == self.listened_question {
            return;
        }
        self.listened_question = self.question;
        let before = std::mem::replace(&mut self.entries, entries);
        self.earlier.push_back((self.set, before));
        if self.earlier.len() > SETS_KEPT {
            self.earlier.pop_front();
        }
        self.next_set += 1;
        self.set = ListeningSetId(self.next_set);
        let phrases = self.entries.iter().map(|entry| entry.phrase.clone()).collect();
        self.outbox.push_back(Output::Listen(ListeningSet { id: self.set, phrases }));
    }

    /// What may be said while this is being asked.
    pub(super) fn vocabulary_while(&self, asking: &Asking) -> Vec<Entry> {
        vocabulary(&Situation {
            job: &self.job,
            book: &self.book,
            state: &self.state,
            asking,
            questions: &self.questions,
            digits: &self.digits,
        })
    }

    /// Another question is put to this person: what was said to the last one answers it no more.
    pub(super) fn ask(&mut self, person: PersonIndex) {
        self.question += 1;
        self.questions[person] = self.question;
    }

    /// Offers the next step to one person, if it is another one than now. `offered` goes on with the next person.
    pub(super) fn advance(&mut self) {
        let under_way = |event: &Event| {
            matches!(
                event,
                Event::StepOffered { .. }
                    | Event::CrewSet { .. }
                    | Event::RunCompleted { .. }
                    | Event::CardEnded { .. }
                    | Event::CardStarted { .. }
            )
        };
        if self.state.ended.is_some() || self.is_pending(under_way) {
            return;
        }
        if !self.state.overridden.is_empty() {
            let skipped = self.state.skipped(&self.job).map(|step| self.step_id(step)).collect();
            return self.commit(Event::RunCompleted { skipped });
        }
        if let Some(card) = self.state.card.filter(|&card| self.state.part_done(&self.job, card)) {
            return self.commit(Event::CardEnded { card: self.job.parts[card].id.clone() });
        }
        let alone = self.state.alone();
        let mut order: Vec<PersonIndex> = self.state.here().collect();
        order.sort_by_key(|&person| person != self.state.focus);
        for person in order {
            match self.state.next_for(&self.job, person) {
                Some(next) if self.state.people[person].current != Some(next) => {
                    self.told_to_wait[person] = false;
                    let step = self.step_id(next);
                    if !alone {
                        let name = self.state.people[person].name.clone();
                        self.commit(Event::StepAssigned { step: step.clone(), person: name });
                    }
                    return self.commit(Event::StepOffered { step });
                }
                Some(_) => {}
                None => self.nothing_for(person),
            }
        }
        // Nothing follows that it could be put before.
        if !self.lead_in.is_empty() && self.pending.is_empty() && !self.state.standing_by {
            let text = std::mem::take(&mut self.lead_in).join(" ");
            self.say(Priority::Prompt, text);
        }
    }

    pub(super) fn step_id(&self, step: StepIndex) -> String {
        self.job.step(step).id.clone()
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

/// As many sets as may change while one answer is being said and judged.
const SETS_KEPT: usize = 8;
