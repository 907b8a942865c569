//! What past runs tell: how long each step took whom, what was skipped and why, what was read off.
//!
//! Events are looked at by their JSON form, so that kinds and fields that come and go with versions do no harm. Who answered
//! stands in `by_person`, or in the last `step_assigned` of the step; in a journal that knows neither it was the one person.
//! Rehearsals tell nothing: nothing was moved in them.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::Value;

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
                finished: run.outcome == Outcome::Completed,
            });
            told.add(run.id, &run.run.routine, &records);
        }
        Ok(told)
    }

    /// Adds the records of one run.
    pub fn add(&mut self, run: RunId, routine: &str, records: &[Record]) {
        let mut watch = Watch::default();
        for record in records {
            // An event that cannot be shown as JSON could not have been written either.
            let Ok(event) = serde_json::to_value(&record.event) else { continue };
            let text = |field: &str| event.get(field).and_then(Value::as_str).map(str::to_owned);
            let step = text("step").map(|step| key_of(routine, &step)).unwrap_or_default();
            let kind = event.get("kind").and_then(Value::as_str).unwrap_or("");
            self.readings.extend(reading(&event, run, &step, record));
            match kind {
                "step_offered" => {
                    watch.begin(&step, record.at);
                    self.asked_in.entry(step).or_default().insert(run.0);
                }
                // How long each of them took nobody can tell.
                "stretch_offered" => {
                    let steps = event.get("steps").and_then(Value::as_array).into_iter().flatten();
                    for step in steps.filter_map(Value::as_str).map(|step| key_of(routine, step)) {
                        self.asked_in.entry(step).or_default().insert(run.0);
                    }
                }
                "step_assigned" => {
                    watch.assigned.insert(step, text("person").unwrap_or_default());
                }
                "step_answered" | "clock_ended" => {
                    let person = text("by_person").or_else(|| watch.assigned.get(&step).cloned()).unwrap_or_default();
                    if let Some(took_s) = watch.end(&step, record.at) {
                        self.deeds.push(Deed { run: run.0, step: step.clone(), person, took_s });
                    }
                    if kind == "step_answered" {
                        self.loops.entry(step).or_default().asked += 1;
                    }
                }
                "looped_back" | "loop_limit_reached" => {
                    let person = text("by_person").or_else(|| watch.assigned.get(&step).cloned()).unwrap_or_default();
                    if let Some(took_s) = watch.end(&step, record.at) {
                        self.deeds.push(Deed { run: run.0, step: step.clone(), person, took_s });
                    }
                    let count = self.loops.entry(step).or_default();
                    count.asked += 1;
                    count.once_more += 1;
                }
                "step_skipped" => {
                    watch.drop_step(&step);
                    let reason = text("reason").unwrap_or_default();
                    self.skips.push(Skip { run: run.0, step, reason });
                }
                "step_deferred" | "not_here" => watch.drop_step(&step),
                "steps_reopened" => {
                    let steps = event.get("steps").and_then(Value::as_array).into_iter().flatten();
                    steps.filter_map(Value::as_str).for_each(|step| watch.drop_step(&key_of(routine, step)));
                }
                "standing_by" => watch.stand_by(record.at),
                "went_ahead" => watch.go_ahead(record.at),
                // Nobody knows what was done while the program was away.
                "resumed" => watch.forget(),
                _ => {}
            }
        }
    }
}

/// A reading, whatever its event is called: a name, a whole `value`, how many `decimals` it has, and a unit.
fn reading(event: &Value, run: RunId, step: &str, record: &Record) -> Option<PastReading> {
    let unit = event.get("unit")?.as_str()?;
    let scale = 10_f64.powi(-i32::try_from(event.get("decimals").and_then(Value::as_i64).unwrap_or(0)).ok()?);
    let number = |field: &str| event.get(field).and_then(Value::as_f64).map(|n| n * scale);
    Some(PastReading {
        run: run.0,
        wall: record.stamp.wall.clone(),
        step: step.to_owned(),
        name: event.get("name").and_then(Value::as_str).unwrap_or("").to_owned(),
        value: number("value")?,
        unit: unit.to_owned(),
        bounds: number("least").zip(number("most")),
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
