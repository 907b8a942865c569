//! Records before words: what is on its way to the journal, what waits for it, and what happens when it cannot be written.

use std::collections::VecDeque;
use std::time::Duration;

use super::apply::is_untested;
use super::core::Engine;
use super::event::{Event, HeardAs, Remark};
use super::input::Input;
use super::output::{Audience, Output, Priority};
use super::people::Crew;
use super::phrasebook::Line;
use super::practice::Opening;
use super::reckon::{TapMeasured, reckon};
use crate::rig::{Demand, RigState, Stands};
use crate::routine::StepIndex;
use crate::units::{SessionTime, StationId};

/// What is on its way to the journal, and what waits for it.
#[derive(Default)]
pub(super) struct Records {
    next_seq: u64,
    pending: VecDeque<Pending>,
    waiting: VecDeque<Waiting>,
    pub journal: Journalling,
    /// Who takes part, until that is on record.
    pub crew: Option<Crew>,
    /// How the run opens, until that is said.
    pub opening: Opening,
    /// How the rig stands as past runs left it, until that is on record.
    pub rig: Option<RigState>,
    /// What people cannot do today, by name, until that is on record.
    pub limits: Vec<(String, Demand)>,
    /// What past runs leave to be said, until that is on record.
    pub remarks: Vec<Remark>,
    pub deeds: Deeds,
}

/// Whether the journal takes records.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) enum Journalling {
    #[default]
    Works,
    /// A record could not be written. The journal is given up on until the program is started again.
    Failed,
}

/// What becomes of what has been done.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) enum Deeds {
    #[default]
    Done,
    /// It was only practised.
    Rehearsed,
}

/// What came in while a record was on its way.
pub(super) struct Waiting {
    pub from: StationId,
    pub input: Input,
    /// The number of the question that was asked there then.
    pub question: Option<u64>,
    pub urgency: Urgency,
}

/// Whether what waits may wait for what follows the record as well.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Urgency {
    Waits,
    /// Somebody holds the run, or calls for a card: nothing is gone on with before that was looked at.
    HoldsUp,
}

/// A record that has been asked for and not been answered.
struct Pending {
    seq: u64,
    at: SessionTime,
    event: Event,
    /// The station that it is spoken of at.
    from: StationId,
    reply: Option<String>,
}

/// What a record is spoken of with, where the event alone does not tell.
#[derive(Default)]
pub(super) struct Remarks {
    pub reply: Option<String>,
    /// What the clock that has just ended told of the tap.
    pub measured: Option<TapMeasured>,
}

impl Records {
    pub fn are_written(&self) -> bool {
        self.pending.is_empty()
    }

    pub fn wait(&mut self, waiting: Waiting) {
        self.waiting.push_back(waiting);
    }

    /// What may be acted on now.
    pub fn next_waiting(&mut self) -> Option<Waiting> {
        if self.pending.is_empty() { self.waiting.pop_front() } else { None }
    }

    /// Whether something waits that nothing is to be gone on with before.
    pub fn holds_up(&self) -> bool {
        self.waiting.iter().any(|waiting| waiting.urgency == Urgency::HoldsUp)
    }

    pub fn replayed(&mut self, event: &Event) {
        self.next_seq += 1;
        // What is on record counts, and nothing is told twice.
        match event {
            Event::CrewSet { .. } => self.crew = None,
            Event::RigRecalled { .. } => self.rig = None,
            Event::LimitTold { person, cannot, .. } => {
                self.limits.retain(|(who, limit)| !(who == person && limit == cannot));
            }
            Event::LimitsLifted { person, .. } => self.limits.retain(|(who, _)| who != person),
            Event::RemarksRecalled { .. } => self.remarks.clear(),
            // Once work has begun nothing is recalled any more.
            event if event.step().is_some() => {
                self.crew = None;
                self.rig = None;
                self.remarks.clear();
            }
            _ => {}
        }
        if matches!(event, Event::Rehearsed { .. }) {
            self.deeds = Deeds::Rehearsed;
        }
    }

    fn answered(&mut self, seq: u64) -> Option<Pending> {
        if self.pending.front().is_some_and(|first| first.seq == seq) { self.pending.pop_front() } else { None }
    }
}

impl Engine {
    /// Asks for an event to be written down. It is taken over when it has been, and not before.
    pub(super) fn commit(&mut self, event: Event) {
        self.commit_and_say(event, None);
    }

    /// The same; once it has been written, `reply` is said.
    pub(super) fn commit_and_say(&mut self, event: Event, reply: Option<String>) {
        let rehearsed = self.records.deeds == Deeds::Rehearsed && event.is_deed();
        let event = if rehearsed { Event::Rehearsed { event: Box::new(event) } } else { event };
        let seq = self.records.next_seq;
        self.records.next_seq += 1;
        self.send(Audience::All, Output::Record { seq, at: self.now, event: event.clone() });
        self.records.pending.push_back(Pending { seq, at: self.now, event, from: self.at, reply });
    }

    /// Whether the record is on its way already.
    pub(super) fn is_pending(&self, is: impl Fn(&Event) -> bool) -> bool {
        self.records.pending.iter().any(|pending| is(pending.event.inner()))
    }

    pub(super) fn recorded(&mut self, seq: u64) {
        if let Some(record) = self.records.answered(seq) {
            self.take_over(record);
        }
    }

    /// The journal is given up on until the program is started again. What matters is refused from here on; a hazard that is
    /// over is still taken as over, for an alarm that nobody can end would only be switched off with the program.
    pub(super) fn record_failed(&mut self, seq: u64) {
        let Some(record) = self.records.answered(seq) else { return };
        let must_be_written = self.must_be_written(&record.event);
        if self.records.journal == Journalling::Works {
            self.records.journal = Journalling::Failed;
            self.say_line(Audience::All, Priority::Caution, Line::JournalFailed);
        } else if must_be_written {
            self.say_line(Audience::All, Priority::Caution, Line::JournalRefused);
        }
        if !must_be_written {
            self.take_over(record);
        }
    }

    /// What takes back the last record of a run that is gone on with. It may have come to the disk too late, after it was refused aloud; nothing
    /// follows it, so nobody can tell, and whoever gave it is asked once more. Nothing where it does no harm if it counts.
    pub fn taken_back(&self, last: &Event) -> Option<Event> {
        if !self.must_be_written(last) {
            return None;
        }
        match last.inner() {
            Event::RigAgreed { .. } => Some(Event::RigRecalled { things: self.state.rig.clone() }),
            Event::ThingTold { thing, .. } => {
                let (thing, stands) = (thing.clone(), Stands::Unknown);
                Some(Event::ThingTold { thing, stands, heard: HeardAs::Clock })
            }
            // The clocks of steps that are open go on.
            Event::Overridden { .. } => Some(reopened(Vec::new())),
            event => event.step().map(|step| reopened(vec![step.to_owned()])),
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
                self.job.index_of(step).is_none_or(|step| self.job.step(step).critical() && !card(step))
            }
            Event::OtherStateHeard { step, answer, .. } => {
                self.job.index_of(step).is_some_and(|step| is_untested(&self.job, step, answer))
            }
            Event::RunStarted { .. }
            | Event::RunCompleted { .. }
            | Event::PartCompleted { .. }
            | Event::Overridden { .. }
            | Event::RigAgreed { .. }
            | Event::ThingTold { .. }
            | Event::NotHere { .. } => true,
            _ => false,
        }
    }

    fn take_over(&mut self, record: Pending) {
        let Pending { at, event, from, reply, .. } = record;
        self.note_missed(at, &event, from);
        self.state.apply(&self.job, at, &event);
        let measured = self.measure(&event);
        self.fit_to_people();
        self.at = from;
        // A card says by itself what comes before everything.
        if self.state.card.is_none() {
            self.let_go_of_what_lost_its_ground();
        }
        // Before anything is said it is on record to whom.
        if matches!(event, Event::RunStarted { .. }) && self.set_crew() {
            return;
        }
        self.follow(event.inner(), Remarks { reply, measured });
    }

    /// Writes down who takes part, where that is not on record; says whether there was anybody to write down.
    pub(super) fn set_crew(&mut self) -> bool {
        let Some(crew) = self.records.crew.take() else { return false };
        self.commit(Event::CrewSet { people: crew.recorded() });
        true
    }

    /// A bucket that was filled tells the flow of the tap, and the clocks that come after it are reckoned anew.
    pub(super) fn measure(&mut self, event: &Event) -> Option<TapMeasured> {
        let Event::ClockEnded { step, ran_ms, .. } = event.inner() else { return None };
        let step = self.job.index_of(step)?;
        reckon(&mut self.job, &self.book, step, Duration::from_millis(*ran_ms))
    }
}

fn reopened(steps: Vec<String>) -> Event {
    Event::StepsReopened { steps, because: NOT_KNOWN_TO_BE_TAKEN.to_owned() }
}

/// Why a step is open again whose answer was the last record of a run that was broken off.
const NOT_KNOWN_TO_BE_TAKEN: &str = "broken off before it was said back";
