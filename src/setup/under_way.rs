//! How a run that is under way stands against its plan.

use std::collections::BTreeMap;

use thiserror::Error;

use crate::engine::event::Event;
use crate::engine::input::Away;
use crate::journal::{JournalError, JournalReader, Record, Rehearsals, Stamp, away_since};
use crate::plan::away::{AwayPlan, Dice, seconds_from};
use crate::plan::outlook::{Outlook, OutlookQuestion, StepSoFar, so_far};
use crate::plan::work::key_of;

/// Why nothing can be said about a run.
#[derive(Debug, Error)]
pub enum UnderWayError {
    #[error(transparent)]
    Journal(#[from] JournalError),
    #[error("no run of {0} is under way; begin one with `sparehand run`, or leave --under-way out to plan one")]
    None(String),
    #[error("the clock of the machine cannot be read as a time, found '{0}'; set it")]
    NoClock(String),
}

/// The runs of a move that have begun and not ended.
pub struct UnderWay {
    /// With the routine or move that each is a run of.
    runs: Vec<(String, Vec<Record>)>,
}

impl UnderWay {
    /// Finds them.
    ///
    /// # Errors
    /// None has begun, or the journal cannot be read.
    pub fn find(journal: Option<&JournalReader>, routines: &[&str]) -> Result<Self, UnderWayError> {
        let none = || UnderWayError::None(routines.join(", "));
        let journal = journal.ok_or_else(none)?;
        let mut runs = Vec::new();
        for routine in routines {
            if let Some(run) = journal.unfinished(routine, Rehearsals::LeftOut)? {
                let records = journal.events(run.id)?;
                runs.push((run.run.routine, records));
            }
        }
        if runs.is_empty() { Err(none()) } else { Ok(Self { runs }) }
    }

    /// One run that is known.
    pub fn of(routine: &str, records: Vec<Record>) -> Self {
        Self { runs: vec![(routine.to_owned(), records)] }
    }

    /// What was done of each step, by `routine/step`. `since` gives the seconds since a record was made.
    pub fn done(&self, since: impl Fn(&Record) -> f64) -> BTreeMap<String, StepSoFar> {
        let mut done = BTreeMap::new();
        for (routine, records) in &self.runs {
            for record in records {
                note(&mut done, routine, record, &since);
            }
        }
        done
    }

    /// How it will end, seen from `stamp`: how long steps have gone on is told by the time since boot, how long there is to the wanted time by
    /// the wall clock as it stands now.
    ///
    /// # Errors
    /// The machine's clock is no time.
    pub fn outlook(
        &self,
        plan: &AwayPlan,
        dice: Dice,
        late_below: f64,
        stamp: &Stamp,
    ) -> Result<Outlook, UnderWayError> {
        let now = stamp.wall.parse().map_err(|_| UnderWayError::NoClock(stamp.wall.clone()))?;
        let since = |record: &Record| match away_since(&record.stamp, stamp) {
            Away::Known(span) => span.as_secs_f64(),
            // After a restart of the machine nobody knows how long; it is taken as just begun.
            Away::Unknown => 0.0,
        };
        let so_far = so_far(&plan.work, &self.done(since));
        let question = OutlookQuestion {
            work: &plan.work,
            arranged: &plan.arranged,
            morning: dice.morning,
            so_far: &so_far,
            now: seconds_from(plan.wanted.by, now),
            by: 0.0,
            light: plan.wanted.light(),
            late_below,
            mornings: dice.mornings,
            seed: dice.seed,
        };
        Ok(question.answer())
    }
}

fn note(done: &mut BTreeMap<String, StepSoFar>, routine: &str, record: &Record, since: &impl Fn(&Record) -> f64) {
    let once_less =
        |so_far: &StepSoFar, begun| StepSoFar { settled: so_far.settled.saturating_sub(1), begun, enough: false };
    if let Event::StepsReopened { steps, .. } = &record.event {
        for step in steps {
            let so_far = done.entry(key_of(routine, step)).or_default();
            *so_far = once_less(so_far, None);
        }
    }
    let Some(step) = record.event.step() else { return };
    let so_far = done.entry(key_of(routine, step)).or_default();
    match &record.event {
        Event::StepOffered { .. } if so_far.begun.is_none() => so_far.begun = Some(since(record)),
        Event::LoopedBack { .. } => {
            *so_far = StepSoFar { settled: so_far.settled + 1, begun: None, enough: false };
        }
        Event::StepDeferred { .. } => so_far.begun = None,
        Event::ClockReinstated { .. } | Event::LoopUndone { .. } => *so_far = once_less(so_far, Some(since(record))),
        event if event.settles().is_some() => {
            *so_far = StepSoFar { settled: so_far.settled + 1, begun: None, enough: true };
        }
        _ => {}
    }
}
