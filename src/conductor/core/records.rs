//! Records on their way to the journal, and what becomes of those that it does not take in time.

use std::time::Duration;

use crate::conductor::core::Conductor;
use crate::conductor::news::Task;
use crate::conductor::talk::TalkLine;
use crate::engine::event::Event;
use crate::engine::input::Input;
use crate::units::{SessionTime, StationId};

/// A record that the journal has not answered for.
#[derive(Clone, Debug)]
pub(super) struct OnItsWay {
    seq: u64,
    event: Event,
    until: SessionTime,
}

impl Conductor {
    pub(super) fn record(&mut self, now: SessionTime, seq: u64, at: SessionTime, event: Event) {
        let until = if self.given_up.is_some() { now } else { now + JOURNAL_MAY_TAKE };
        self.records.push_back(OnItsWay { seq, event: event.clone(), until });
        if self.given_up.is_none() {
            self.outbox.push_back(Task::Record { seq, at, event });
        }
    }

    /// What comes after it was given up is too late.
    pub(super) fn record_failed(&mut self, seq: u64, why: String) {
        if self.records.iter().any(|record| record.seq == seq) {
            self.give_journal_up(why);
        }
    }

    /// Takes a record off those that are on their way; one that comes after it was given up is too late.
    fn answered_for(&mut self, seq: u64) -> Option<Event> {
        let place = self.records.iter().position(|record| record.seq == seq)?;
        self.records.remove(place).map(|record| record.event)
    }

    pub(super) fn recorded(&mut self, now: SessionTime, seq: u64) {
        if let Some(event) = self.answered_for(seq) {
            self.talk(TalkLine::Written { at: now, event });
            self.tell(now, StationId::RIG, Input::Recorded(seq));
        }
    }

    /// What the journal wrote after a record that was refused aloud would count at the next start.
    fn give_journal_up(&mut self, why: String) {
        if self.given_up.is_none() {
            self.given_up = Some(why);
            self.outbox.push_back(Task::GiveJournalUp);
        }
    }

    /// Once it was given up on nobody waits for it: every record has failed, in order.
    pub(super) fn records_fail(&mut self, now: SessionTime) {
        if self.records.front().is_some_and(|record| record.until <= now) {
            self.give_journal_up(JOURNAL_IS_SILENT.to_owned());
        }
        while let Some(why) = self.given_up.clone()
            && let Some(OnItsWay { seq, event, .. }) = self.records.pop_front()
        {
            self.talk(TalkLine::NotWritten { at: now, event, why });
            self.tell(now, StationId::RIG, Input::RecordFailed(seq));
        }
    }

    pub(super) fn next_record_until(&self) -> Option<SessionTime> {
        self.records.front().map(|record| record.until)
    }
}

/// A journal that has not answered by then has failed: alarms wait for their records.
const JOURNAL_MAY_TAKE: Duration = Duration::from_secs(2);
/// For the talk, which is a log.
const JOURNAL_IS_SILENT: &str = "the journal does not answer";
