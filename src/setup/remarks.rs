//! What the journal's past runs leave to be said at steps: notes that nobody is done with, what had to be put right last time, last readings.

use std::collections::{BTreeMap, BTreeSet};

use crate::engine::UNTESTED;
use crate::engine::event::{Event, HeardAs, Remark};
use crate::journal::{Journal, JournalError, JournalReader, Purpose};
use crate::plan::work::key_of;
use crate::setup::standing;

/// Reads the real runs from the newest backwards, to the one that recalled what those before it left; the remarks come out with the oldest first.
///
/// # Errors
/// A row of the journal is not as it was written.
pub fn read(journal: &JournalReader) -> Result<Vec<Remark>, JournalError> {
    let mut found = Found::default();
    for (id, run) in journal.newest_first()? {
        if run.purpose != Purpose::Real {
            continue;
        }
        let events: Vec<Event> = journal.events(id)?.into_iter().map(|record| record.event).collect();
        found.add(&run.routine, &day_said(&run.started), &events);
        if let Some(recalled) = recalled(&events) {
            found.add_recalled(recalled);
            break;
        }
    }
    found.remarks.reverse();
    Ok(found.remarks)
}

/// What a run recalled as it began. One that knew how the rig stands and recalled no remark had none to recall.
fn recalled(events: &[Event]) -> Option<&[Remark]> {
    events.iter().find_map(|event| match event {
        Event::RemarksRecalled { remarks } => Some(remarks.as_slice()),
        Event::RigRecalled { .. } => Some(&[][..]),
        _ => None,
    })
}

/// Writes down that a note need not come back.
///
/// # Errors
/// As [`Journal::append`].
pub fn done_with(journal: &mut Journal, step: &str, text: &str) -> Result<(), JournalError> {
    let done = Event::NoteDone { step: step.to_owned(), text: text.to_owned(), heard: HeardAs::Key };
    standing::between_runs(journal, vec![done])
}

#[derive(Default)]
struct Found {
    remarks: Vec<Remark>,
    done: BTreeSet<(String, String)>,
    /// Steps that a newer run has told of.
    settled: BTreeSet<String>,
    read: BTreeSet<String>,
}

impl Found {
    fn add(&mut self, routine: &str, on: &str, events: &[Event]) {
        let mut settled = BTreeSet::new();
        let mut put_right: BTreeMap<String, String> = BTreeMap::new();
        for event in events.iter().rev() {
            match event {
                // Its step is a key already.
                Event::NoteDone { step, text, .. } => drop(self.done.insert((step.clone(), text.clone()))),
                Event::NoteKept { step, text, .. } if !step.is_empty() => {
                    self.add_one(Remark::Noted { step: key_of(routine, step), text: text.clone() });
                }
                Event::ReadingTaken { step, value, decimals, settles: true, .. } => {
                    let (value, decimals, on) = (*value, *decimals, on.to_owned());
                    self.add_one(Remark::Read { step: key_of(routine, step), value, decimals, on });
                }
                Event::StepAnswered { step, .. } => drop(settled.insert(key_of(routine, step))),
                // That nobody could test it tells nothing of how it stood.
                Event::OtherStateHeard { answer, .. } if answer == UNTESTED => {}
                Event::OtherStateHeard { step, answer, .. } => {
                    put_right.insert(key_of(routine, step), answer.clone());
                }
                _ => {}
            }
        }
        for (step, answer) in put_right {
            // What stayed open was never put right, and is asked as any other.
            if settled.contains(&step) {
                self.add_one(Remark::PutRight { step, answer });
            }
        }
        self.settled.extend(settled);
    }

    fn add_recalled(&mut self, remarks: &[Remark]) {
        for remark in remarks.iter().rev() {
            self.add_one(remark.clone());
        }
    }

    /// A remark that is older than all before, unless something newer took its place.
    fn add_one(&mut self, remark: Remark) {
        let stands = match &remark {
            Remark::Noted { step, text } => {
                let at_step = |other: &&Remark| matches!(other, Remark::Noted { .. }) && other.step() == step;
                self.remarks.iter().filter(at_step).count() < NOTES_OF_A_STEP
                    && !self.done.contains(&(step.clone(), text.clone()))
                    && !self.remarks.contains(&remark)
            }
            Remark::Read { step, .. } => self.read.insert(step.clone()),
            Remark::PutRight { step, .. } => !self.settled.contains(step),
        };
        if stands {
            self.remarks.push(remark);
        }
    }
}

/// Of the notes of one step the newest come back; more than these nobody listens to (common practice, no source).
const NOTES_OF_A_STEP: usize = 2;

/// "October 4".
fn day_said(started: &str) -> String {
    let zone = jiff::tz::TimeZone::system();
    let moment = started.parse::<jiff::Timestamp>().map(|moment| moment.to_zoned_datetime(zone));
    moment.map_or_else(|_| started.to_owned(), |moment| moment.strftime("%B %-d").to_string())
}
