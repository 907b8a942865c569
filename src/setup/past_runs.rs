//! What past runs tell: how long each step took whom, what was skipped and why, what was read off.
//!
//! Who answered stands in the last assignment of the step; where there is none it was the one person.
//! Rehearsals tell nothing: nothing was moved in them.

use std::collections::{BTreeMap, BTreeSet};

use crate::engine::event::Event;
use crate::journal::{JournalError, JournalReader, Outcome, Purpose, Record, RunId};
use crate::plan::durations::LoopCount;
use crate::plan::work::key_of;
use crate::setup::standing::SITE;
use crate::units::SessionTime;

/// A step that was done.
#[derive(Clone, Debug, PartialEq)]
pub struct Deed {
    pub run: i64,
    /// `routine/step`.
    pub step: String,
    /// Empty where the journal names nobody.
    pub person: String,
    /// From the asking to the answer, without standing by. Seconds.
    pub took_s: f64,
}

/// A number that was read off.
#[derive(Clone, Debug, PartialEq)]
pub struct PastReading {
    pub run: i64,
    /// When, RFC 3339, as the journal has it.
    pub wall: String,
    pub step: String,
    pub name: String,
    pub value: f64,
    pub unit: String,
    /// Where it should lie.
    pub bounds: Option<(f64, f64)>,
}

/// A step that was left out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Skip {
    pub run: i64,
    pub step: String,
    pub reason: String,
}

/// A whole run.
#[derive(Clone, Debug, PartialEq)]
pub struct RunTold {
    pub run: i64,
    pub routine: String,
    /// RFC 3339.
    pub started: String,
    pub lasted_s: f64,
    pub finished: bool,
}

/// Everything that past runs tell.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PastRuns {
    pub runs: Vec<RunTold>,
    pub deeds: Vec<Deed>,
    pub skips: Vec<Skip>,
    pub readings: Vec<PastReading>,
    /// By question: how often it was asked, and how often it went round once more.
    pub loops: BTreeMap<String, LoopCount>,
    /// In how many runs a step was asked for at all.
    pub asked_in: BTreeMap<String, BTreeSet<i64>>,
}

impl PastRuns {
    /// Reads every real run.
    ///
    /// # Errors
    /// A row of the journal is not as it was written.
    pub fn read(journal: &JournalReader) -> Result<Self, JournalError> {
        let mut told = Self::default();
        for run in journal
            .runs()?
            .into_iter()
            .filter(|run| run.run.purpose == Purpose::Real && run.records > 0 && run.run.routine != SITE)
        {
            let records = journal.events(run.id)?;
            told.runs.push(RunTold {
                run: run.id.0,
                routine: run.run.routine.clone(),
                started: run.run.started.clone(),
                lasted_s: run.last.as_ref().map_or(0.0, |(at, _)| seconds(*at, SessionTime::ZERO)),
                finished: run.outcome == Outcome::Completed && run.overridden.is_empty(),
            });
            told.add(run.id, &run.run.routine, &records);
        }
        Ok(told)
    }

    /// Adds the records of one run.
    pub fn add(&mut self, run: RunId, routine: &str, records: &[Record]) {
        let mut watch = Watch::default();
        let key = |step: &str| key_of(routine, step);
        for record in records {
            match &record.event {
                Event::StepOffered { step } => {
                    watch.begin(&key(step), record.at);
                    self.asked_in.entry(key(step)).or_default().insert(run.0);
                }
                // How long each of them took nobody can tell.
                Event::StretchOffered { steps } => {
                    for step in steps {
                        self.asked_in.entry(key(step)).or_default().insert(run.0);
                    }
                }
                Event::StepAssigned { step, person } => {
                    watch.assigned.insert(key(step), person.clone());
                }
                Event::LoopedBack { step, .. } | Event::LoopLimitReached { step, .. } => {
                    self.deeds.extend(watch.deed(run, key(step), record.at));
                    let count = self.loops.entry(key(step)).or_default();
                    count.asked += 1;
                    count.once_more += 1;
                }
                Event::StepSkipped { step, reason } => {
                    watch.drop_step(&key(step));
                    self.skips.push(Skip { run: run.0, step: key(step), reason: reason.clone() });
                }
                Event::StepDeferred { step } | Event::NotHere { step, .. } => watch.drop_step(&key(step)),
                Event::StepsReopened { steps, .. } => steps.iter().for_each(|step| watch.drop_step(&key(step))),
                Event::StandingBy => watch.stand_by(record.at),
                Event::WentAhead => watch.go_ahead(record.at),
                // Nobody knows what was done while the program was away.
                Event::Resumed { .. } => watch.forget(),
                event => {
                    self.readings.extend(reading(event, run, routine, record));
                    if let Some(step) = event.settles() {
                        self.deeds.extend(watch.deed(run, key(step), record.at));
                    }
                    if let Event::StepAnswered { step, .. } = event {
                        self.loops.entry(key(step)).or_default().asked += 1;
                    }
                }
            }
        }
    }
}

fn reading(event: &Event, run: RunId, routine: &str, record: &Record) -> Option<PastReading> {
    let Event::ReadingTaken { step, name, value, decimals, unit, least, most, .. } = event else { return None };
    let number = |count: i64| count as f64 * 10_f64.powi(-i32::from(*decimals));
    Some(PastReading {
        run: run.0,
        wall: record.stamp.wall.clone(),
        step: key_of(routine, step),
        name: name.clone(),
        value: number(*value),
        unit: unit.clone(),
        bounds: Some((number(*least), number(*most))),
    })
}

/// Which steps are under way, and for how long nobody was at it.
#[derive(Default)]
struct Watch {
    /// When the step was asked for, and how long had been stood by until then.
    begun: BTreeMap<String, (SessionTime, f64)>,
    assigned: BTreeMap<String, String>,
    stood_by: f64,
    standing_since: Option<SessionTime>,
}

impl Watch {
    /// A step that is read out again goes on from when it was first.
    fn begin(&mut self, step: &str, at: SessionTime) {
        let stood_by = self.stood_by_until(at);
        self.begun.entry(step.to_owned()).or_insert((at, stood_by));
    }

    fn end(&mut self, step: &str, at: SessionTime) -> Option<f64> {
        let (begun, stood_by) = self.begun.remove(step)?;
        Some((seconds(at, begun) - (self.stood_by_until(at) - stood_by)).max(0.0))
    }

    /// A step that was done, by whoever it was assigned to; nothing where nobody knows when it was begun.
    fn deed(&mut self, run: RunId, step: String, at: SessionTime) -> Option<Deed> {
        let took_s = self.end(&step, at)?;
        let person = self.assigned.get(&step).cloned().unwrap_or_default();
        Some(Deed { run: run.0, step, person, took_s })
    }

    fn drop_step(&mut self, step: &str) {
        self.begun.remove(step);
    }

    fn stand_by(&mut self, at: SessionTime) {
        self.standing_since.get_or_insert(at);
    }

    fn go_ahead(&mut self, at: SessionTime) {
        self.stood_by = self.stood_by_until(at);
        self.standing_since = None;
    }

    fn stood_by_until(&self, at: SessionTime) -> f64 {
        self.stood_by + self.standing_since.map_or(0.0, |since| seconds(at, since))
    }

    fn forget(&mut self) {
        self.begun.clear();
        self.standing_since = None;
    }
}

fn seconds(at: SessionTime, from: SessionTime) -> f64 {
    at.since(from).as_secs_f64()
}
