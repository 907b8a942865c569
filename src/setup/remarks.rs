//! What the journal's past runs leave to be said at steps: notes that nobody is done with, what had to be put right last time, last readings.

use std::collections::{BTreeMap, BTreeSet};

use crate::engine::UNTESTED;
use crate::engine::event::{Event, HeardAs, Remark};
use crate::journal::{Journal, JournalError, JournalReader, Purpose};
use crate::plan::work::key_of;
use crate::setup::standing;

/// Reads every real run, the newest first; the remarks come out with the oldest first.
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
    }
    found.remarks.reverse();
    Ok(found.remarks)
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
                    let step = key_of(routine, step);
                    let noted = Remark::Noted { step: step.clone(), text: text.clone() };
                    let at_step = |remark: &&Remark| matches!(remark, Remark::Noted { .. }) && remark.step() == step;
                    let full = self.remarks.iter().filter(at_step).count() >= NOTES_OF_A_STEP;
                    if !full && !self.done.contains(&(step, text.clone())) && !self.remarks.contains(&noted) {
                        self.remarks.push(noted);
                    }
                }
                Event::ReadingTaken { step, value, decimals, settles: true, .. } => {
                    let step = key_of(routine, step);
                    if self.read.insert(step.clone()) {
                        let (value, decimals, on) = (*value, *decimals, on.to_owned());
                        self.remarks.push(Remark::Read { step, value, decimals, on });
                    }
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
            if settled.contains(&step) && !self.settled.contains(&step) {
                self.remarks.push(Remark::PutRight { step, answer });
            }
        }
        self.settled.extend(settled);
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
