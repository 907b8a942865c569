//! How a run that is under way stands against its plan.

use std::collections::BTreeMap;

use serde_json::Value;
use thiserror::Error;

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
    let Ok(event) = serde_json::to_value(&record.event) else { return };
    let key = |step: &Value| step.as_str().map(|step| key_of(routine, step));
    let steps = event.get("steps").and_then(Value::as_array).into_iter().flatten().filter_map(key);
    let reopened: Vec<String> = steps.collect();
    let kind = event.get("kind").and_then(Value::as_str).unwrap_or("");
    if kind == "steps_reopened" {
        for step in reopened {
            let so_far = done.entry(step).or_default();
            *so_far = StepSoFar { settled: so_far.settled.saturating_sub(1), begun: None, enough: false };
        }
        return;
    }
    let Some(step) = event.get("step").and_then(key) else { return };
    let so_far = done.entry(step).or_default();
    match kind {
        "step_offered" if so_far.begun.is_none() => so_far.begun = Some(since(record)),
        "step_answered" | "clock_ended" | "step_skipped" | "not_here" | "loop_limit_reached" => {
            *so_far = StepSoFar { settled: so_far.settled + 1, begun: None, enough: true };
        }
        "looped_back" => *so_far = StepSoFar { settled: so_far.settled + 1, begun: None, enough: false },
        "step_deferred" => so_far.begun = None,
        "clock_reinstated" | "loop_undone" => {
            *so_far =
                StepSoFar { settled: so_far.settled.saturating_sub(1), begun: Some(since(record)), enough: false };
        }
        _ => {}
    }
}
