//! The engine's frame: facts in, commands out, records before words, clocks first.

use std::collections::VecDeque;

use super::alarm::Alarms;
use super::dialogue::conversations::Conversations;
use super::dialogue::person::Briefing;
use super::dialogue::vocabulary::PhraseMeaning;
use super::event::{Event, Remark};
use super::input::{Away, Input, Key};
use super::joined::Move;
use super::output::{Audience, ListeningSet, Output, Priority, VoiceSettings};
use super::people::{Crew, PersonIndex};
use super::phrasebook::{Command, Phrasebook};
use super::practice::Opening;
use super::records::{Deeds, Records, Urgency, Waiting};
use super::state::RunState;
use crate::rig::{Demand, RigState};
use crate::routine::{Routine, StepIndex};
use crate::units::{SessionTime, StationId};

/// Carries one run of one routine, or of several as one move, for any number of stations.
///
/// - World to engine: [`handle`](Self::handle), and [`replay`](Self::replay) before anything else.
/// - Engine to world: [`poll`](Self::poll).
/// - Getters: [`view`](Self::view), [`state`](Self::state), [`fixed_prompts`](Self::fixed_prompts).
///
/// Times must be of one clock; one that runs backwards is taken as standing still.
pub struct Engine {
    pub(super) job: Move,
    pub(super) book: Phrasebook,
    pub(super) state: RunState,
    pub(super) now: SessionTime,
    outbox: VecDeque<(Audience, Output)>,
    pub(super) records: Records,
    /// The station that is being spoken with: where the fact came from, or whom the next step is put to.
    pub(super) at: StationId,
    pub(super) talks: Conversations,
    /// What each person has been told, in the order of [`RunState::people`].
    pub(super) briefed: Vec<Briefing>,
    pub(super) alarms: Alarms,
    /// Parts whose introduction has been said.
    pub(super) introduced: Vec<bool>,
    /// Who gave the answer that is being followed: what is asked next needs no name where it is asked of them.
    pub(super) just_answered: Option<PersonIndex>,
    pub(super) pace: Timeliness,
    pub(super) work: Work,
    pub(super) numbers: Numbers,
}

/// Whether the move will be over in time, by what was told last.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Timeliness {
    OnTime,
    Late,
}

/// How long people have worked without a rest.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Work {
    /// When it began, and when something was asked for last.
    pub since: Option<SessionTime>,
    pub last: SessionTime,
}

/// What is counted up within a run; no number is given twice.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Numbers {
    pub speech: u64,
    pub set: u64,
    pub question: u64,
}

impl Engine {
    /// An engine for a run of one routine that has not begun. Nothing is said before the first input.
    pub fn new(routine: Routine, book: Phrasebook, voice: VoiceSettings) -> Self {
        Self::of_move(Move::single(routine), book, voice)
    }

    /// The same for several routines as one, and for emergency cards beside them.
    pub fn of_move(job: Move, book: Phrasebook, voice: VoiceSettings) -> Self {
        Self {
            state: RunState::new(&job, voice),
            introduced: vec![false; job.parts.len()],
            just_answered: None,
            job,
            book,
            now: SessionTime::ZERO,
            outbox: VecDeque::new(),
            records: Records::default(),
            at: StationId::RIG,
            talks: Conversations::default(),
            briefed: vec![Briefing::default()],
            alarms: Alarms::default(),
            pace: Timeliness::OnTime,
            work: Work::default(),
            numbers: Numbers::default(),
        }
    }

    /// Who takes part. A run that is gone on with keeps those that it was begun with.
    #[must_use]
    pub fn with_crew(mut self, crew: Crew) -> Self {
        self.records.crew = (!crew.here.is_empty()).then_some(crew);
        self
    }

    /// How the run opens.
    #[must_use]
    pub fn with_opening(mut self, opening: Opening) -> Self {
        self.records.opening = opening;
        self
    }

    /// How the rig stands as past runs left it. A run that is gone on with keeps what it was told itself.
    #[must_use]
    pub fn with_rig_state(mut self, things: RigState) -> Self {
        self.records.rig = (!things.is_empty()).then_some(things);
        self
    }

    /// What past runs leave to be said at steps. A run that is gone on with keeps what it recalled itself.
    #[must_use]
    pub fn with_remarks(mut self, remarks: Vec<Remark>) -> Self {
        self.records.remarks = remarks;
        self
    }

    /// What people cannot do today, by name. Of a run that is gone on with what is not on record already.
    #[must_use]
    pub fn with_limits(mut self, limits: Vec<(String, Demand)>) -> Self {
        self.records.limits = limits;
        self
    }

    /// Nothing is recorded as done: what would be is marked as rehearsed.
    #[must_use]
    pub fn rehearsing(mut self) -> Self {
        self.records.deeds = Deeds::Rehearsed;
        self
    }

    /// Takes over a recorded event of the run that is being resumed. All of them in order, then `Input::Resumed`.
    pub fn replay(&mut self, at: SessionTime, event: &Event) {
        self.now = self.now.max(at);
        self.records.replayed(event);
        self.alarms.hold_until_resumed();
        // An override completes the run with the next record, or it was not taken.
        if !matches!(event, Event::RunCompleted { .. }) {
            self.state.overridden.clear();
        }
        self.state.apply(&self.job, at, event);
        self.measure(event);
        self.fit_to_people();
        for part in 0..self.job.parts.len() {
            self.introduced[part] |= self.job.parts[part].steps.clone().any(|step| {
                !self.state.is_open(step) || self.state.people.iter().any(|hand| hand.current == Some(step))
            });
        }
    }

    /// Tells one fact of a station that became known at `now`. The first one (any) begins the run. What concerns no station
    /// (records, wake-ups) comes from any; what comes from a station that never joined is passed over.
    pub fn handle(&mut self, now: SessionTime, from: StationId, input: Input) {
        self.now = self.now.max(now);
        self.at = StationId::RIG;
        if !self.state.started && self.records.are_written() {
            self.send(Audience::All, Output::SetVoice(self.state.voice));
            let routine = self.job.routine.id.clone();
            self.commit(Event::RunStarted { routine, fingerprint: self.job.routine.fingerprint.clone() });
        }
        self.run_clocks();
        match input {
            Input::Recorded(seq) => self.recorded(seq),
            Input::RecordFailed(seq) => self.record_failed(seq),
            Input::Woke => {}
            // What is said while a record is on its way waits for it: it may mean something else afterwards.
            other if !self.records.are_written() => self.wait(from, other),
            other => self.act(from, other),
        }
        while let Some(waiting) = self.records.next_waiting() {
            // What may be said is brought up to date first, or an answer would count for the question after it.
            self.refresh_listening();
            self.act_late(waiting);
        }
        self.refresh_listening();
    }

    fn wait(&mut self, from: StationId, input: Input) {
        let urgency = self.urgency_of(from, &input);
        if urgency == Urgency::HoldsUp {
            self.send(Audience::All, Output::Hush(Priority::Caution));
        }
        let question = self.talks.knows(from).then(|| self.talks.get(from).question);
        self.records.wait(Waiting { from, input, question, urgency });
    }

    /// Acts on what had to wait. A key that answers was pressed to the question that was asked then, and is none to another.
    fn act_late(&mut self, waiting: Waiting) {
        let Waiting { from, input, question, urgency } = waiting;
        let asked = self.talks.knows(from).then(|| self.talks.get(from).question);
        let answers = matches!(input, Input::KeyPressed(key) if key.answers());
        if !answers || asked == question {
            self.act(from, input);
        }
        if urgency == Urgency::HoldsUp && self.records.are_written() {
            self.pass_gate();
        }
    }

    /// Whether it holds the run, or calls for a card.
    fn urgency_of(&self, from: StationId, input: &Input) -> Urgency {
        let holds = |meaning: &PhraseMeaning| {
            matches!(meaning, PhraseMeaning::Card(_) | PhraseMeaning::Command(Command::Stop | Command::StandBy))
        };
        let urgent = match input {
            Input::KeyPressed(key) => matches!(key, Key::Stop | Key::StandBy),
            Input::PhraseHeard(heard) if self.talks.knows(from) => {
                let entry = self.talks.get(from).listening.find(&heard.text);
                entry.is_some_and(|entry| entry.meanings.iter().any(holds))
            }
            _ => false,
        };
        if urgent { Urgency::HoldsUp } else { Urgency::Waits }
    }

    /// The next command, and whom it is for; `Wait` when there is none.
    pub fn poll(&mut self) -> (Audience, Output) {
        self.outbox.pop_front().unwrap_or_else(|| (Audience::All, Output::Wait(self.next_deadline())))
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

    pub(super) fn send(&mut self, audience: Audience, output: Output) {
        self.outbox.push_back((audience, output));
    }

    fn act(&mut self, from: StationId, input: Input) {
        if self.state.ended.is_some() && !matches!(input, Input::SpeechFinished(_)) {
            return;
        }
        if let Input::StationJoined { people } = input {
            return self.station_joined(from, people);
        }
        if !self.talks.knows(from) {
            return;
        }
        self.at = from;
        self.just_answered = None;
        match input {
            Input::PhraseHeard(heard) => self.phrase_heard(heard),
            Input::SpeechUnclear => self.speech_unclear(),
            Input::KeyPressed(key) => self.key_pressed(key),
            Input::SpeechFinished(id) => self.speech_finished(id),
            Input::NoteTaken { text, wav } => self.note_taken(text, wav),
            Input::OnTimeTold { said, late, asked } => self.on_time_told(said, late, asked),
            Input::Resumed(away) => self.commit(Event::Resumed { away_ms: milliseconds(away) }),
            Input::StationLeft => self.station_left(),
            Input::HearingLost => self.hearing_lost(),
            Input::HearingBack => self.hearing_back(),
            Input::VoiceLost => self.voice_lost(),
            Input::VoiceBack => self.voice_back(),
            Input::Noticed(text) => {
                self.say(Audience::Station(StationId::RIG), Priority::Caution, text);
            }
            Input::Closing => self.name_what_is_left(),
            Input::StationJoined { .. } | Input::Recorded(_) | Input::RecordFailed(_) | Input::Woke => {}
        }
    }

    /// Names what may be said now to every station where it is another set than before.
    fn refresh_listening(&mut self) {
        for station in self.talks.ids() {
            let entries = if self.state.ended.is_some() || !self.listens(station) {
                Vec::new()
            } else {
                self.vocabulary_while(&self.talks.get(station).asking, station)
            };
            let talk = self.talks.get_mut(station);
            let Some(id) = talk.listening.renew(entries, talk.question, &mut self.numbers.set) else { continue };
            let phrases = talk.listening.entries.iter().map(|entry| entry.phrase.clone()).collect();
            self.send(Audience::Station(station), Output::Listen(ListeningSet { id, phrases }));
        }
    }

    pub(super) fn fit_to_people(&mut self) {
        self.briefed.resize(self.state.people.len(), Briefing::default());
    }

    pub(super) fn step_id(&self, step: StepIndex) -> String {
        self.job.step(step).id.clone()
    }
}

fn milliseconds(away: Away) -> Option<u64> {
    match away {
        Away::Known(span) => Some(u64::try_from(span.as_millis()).unwrap_or(u64::MAX)),
        Away::Unknown => None,
    }
}
