//! How the rig stands, as the journal's past runs left it and as its owner told it between runs.

use std::collections::BTreeMap;
use std::path::Path;

use crate::engine::event::{Event, HeardAs};
use crate::engine::{Move, rig_state_after, rig_state_told};
use crate::journal::{Journal, JournalError, JournalReader, NewRun, Purpose, Record};
use crate::rig::{Rig, RigState, Stands};
use crate::setup::causes::with_causes;
use crate::setup::clock::{Clock, wall};
use crate::setup::prompts::{self, PromptError};
use crate::units::SessionTime;

/// How the rig stands, and what was left out of it.
#[derive(Debug, Default)]
pub struct RigStanding {
    /// By the ids of the things.
    pub rig: RigState,
    /// Routines that are there and do not read, and why: what their steps told is unknown, and is asked again.
    pub unread: Vec<(String, PromptError)>,
}

impl RigStanding {
    /// What is told of what was left out, a line for each routine.
    pub fn left_out(&self) -> Vec<String> {
        let mut told: BTreeMap<&str, String> = BTreeMap::new();
        for (routine, why) in &self.unread {
            let line = || {
                format!(
                    "What past runs of {routine} told of the rig is left out, and asked again: {}",
                    with_causes(why)
                )
            };
            told.entry(routine).or_insert_with(line);
        }
        told.into_values().collect()
    }
}

/// Reads it from the newest run backwards, to the one that recalled what came before it. What no run told of is unknown, rehearsals tell nothing.
///
/// # Errors
/// A row of the journal is not as it was written.
pub fn read(journal: &JournalReader, rig: &Rig, config: &Path) -> Result<RigStanding, JournalError> {
    let mut jobs: BTreeMap<(String, usize), Option<Move>> = BTreeMap::new();
    let mut standing = RigStanding::default();
    for (id, run) in journal.newest_first()? {
        if run.purpose != Purpose::Real {
            continue;
        }
        let events: Vec<Event> = journal.events(id)?.into_iter().map(|record| record.event).collect();
        let people = taking_part(&events);
        let job = jobs.entry((run.routine.clone(), people)).or_insert_with(|| {
            // A routine that is gone tells what people said of things, and nothing by its steps.
            match prompts::job(&run.routine, &rig.clone().taking_part(people), config) {
                Ok(job) => Some(job),
                Err(PromptError::NoSuchRoutine { .. }) => None,
                Err(error) => {
                    standing.unread.push((run.routine.clone(), error));
                    None
                }
            }
        });
        let told = job.as_ref().map_or_else(|| rig_state_told(&events), |job| rig_state_after(job, &events));
        standing.rig.complete(&told);
        if events.iter().any(|event| matches!(event, Event::RigRecalled { .. })) {
            break;
        }
    }
    Ok(standing)
}

/// How many people take part in a run: one or two.
pub(super) fn taking_part(events: &[Event]) -> usize {
    let crew = events.iter().find_map(|event| match event {
        Event::CrewSet { people } => Some(people.iter().filter(|person| person.here).count()),
        _ => None,
    });
    crew.unwrap_or(1).clamp(1, 2)
}

/// Writes down what somebody tells of things between runs.
///
/// # Errors
/// As [`Journal::append`].
pub fn tell(journal: &mut Journal, things: &[(String, Stands)]) -> Result<(), JournalError> {
    let told = things.iter().map(|(thing, stands)| Event::ThingTold {
        thing: thing.clone(),
        stands: *stands,
        heard: HeardAs::Key,
    });
    between_runs(journal, told.collect())
}

/// Writes down what is said between runs, as a run of its own that only says this.
///
/// # Errors
/// As [`Journal::append`].
pub fn between_runs(journal: &mut Journal, said: Vec<Event>) -> Result<(), JournalError> {
    let new = NewRun {
        routine: SITE.to_owned(),
        fingerprint: String::new(),
        settings: "{}".to_owned(),
        started: wall(),
        purpose: Purpose::Real,
    };
    let run = journal.begin_run(&new)?;
    let begun = Event::RunStarted { routine: SITE.to_owned(), fingerprint: String::new() };
    let events = std::iter::once(begun).chain(said).chain([Event::RunCompleted { skipped: Vec::new() }]);
    let clock = Clock::start();
    for (seq, event) in (0..).zip(events) {
        journal.append(run, &Record { seq, at: SessionTime::ZERO, stamp: clock.stamp(), event })?;
    }
    Ok(())
}

/// The name of a run in which it is only told how the rig stands.
pub const SITE: &str = "site";
