//! What a rehearsal came to, as numbers: written as `summary.json`.

use std::collections::BTreeMap;
use std::path::Path;

use serde::Serialize;

use crate::engine::event::Event;
use crate::engine::{Ending, Engine};
use crate::units::SessionTime;

/// The summary of one rehearsal.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Summary {
    /// Its name.
    pub routine: String,
    /// `completed`, `overridden` (completed with steps open, on a person's word), `ended` by the person before the gate, or `open`.
    pub outcome: &'static str,
    /// Session time, in seconds.
    pub simulated_s: f64,
    /// Real time, in seconds.
    pub took_s: f64,
    /// Steps that can be answered: without gates, which are passed, and emergency cards.
    pub steps: usize,
    /// Steps that were settled by an answer.
    pub answered: usize,
    /// Their ids.
    pub skipped: Vec<String>,
    /// Their ids.
    pub open: Vec<String>,
    /// Open, and taken on themselves by a person.
    pub overridden: Vec<String>,
    /// In the order in which they were started.
    pub clocks: Vec<ClockSummary>,
    /// What the person said, by whether it was heard as that phrase, as another, or not at all.
    pub person_said: u32,
    /// Taken for what was said.
    pub heard_right: u32,
    /// Taken for something else.
    pub heard_wrong: Vec<Mishearing>,
    /// Not understood.
    pub unclear: u32,
    /// Phrases that were heard while nobody said anything.
    pub heard_from_nobody: Vec<String>,
    /// How often the program asked to say it again.
    pub say_agains: u32,
    /// How often it rang.
    pub alarms: u32,
    /// Events on record.
    pub records: u64,
}

/// A clock of the run.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ClockSummary {
    /// Id of its step.
    pub step: String,
    /// In seconds.
    pub length_s: f64,
    /// In seconds; nothing where it was never ended.
    pub ran_s: Option<f64>,
    /// Whether it ran out.
    pub rang: bool,
}

/// Something that was taken for something else.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Mishearing {
    /// Session time, in seconds.
    pub at_s: f64,
    /// What was said.
    pub said: String,
    /// What it was taken for.
    pub heard: String,
}

impl Summary {
    /// Takes an event that was written down.
    pub fn note_event(&mut self, event: &Event) {
        self.records += 1;
        match event.inner() {
            Event::ClockStarted { step, length_ms, .. } => self.clocks.push(ClockSummary {
                step: step.clone(),
                length_s: *length_ms as f64 / 1e3,
                ran_s: None,
                rang: false,
            }),
            Event::ClockRanOut { step } => {
                if let Some(clock) = self.clock(step) {
                    clock.rang = true;
                }
            }
            Event::ClockEnded { step, ran_ms, .. } => {
                let ran = *ran_ms as f64 / 1e3;
                if let Some(clock) = self.clock(step) {
                    clock.ran_s = Some(ran);
                }
            }
            _ => {}
        }
    }

    /// Takes the end of the run over from the engine.
    pub fn finish(&mut self, engine: &Engine, now: SessionTime, took_s: f64) {
        let (state, routine) = (engine.state(), engine.routine());
        self.routine.clone_from(&routine.id);
        self.outcome = match state.ended {
            Some(Ending::Completed) => "completed",
            Some(Ending::Overridden) => "overridden",
            Some(Ending::Abandoned) => "ended",
            None => "open",
        };
        self.simulated_s = now.as_millis() as f64 / 1e3;
        self.took_s = took_s;
        let job = engine.job();
        self.steps = job.work().count();
        let mut by_kind: BTreeMap<&str, Vec<String>> = BTreeMap::new();
        for (step, condition) in job.work().map(|step| (&routine.steps[step], &state.steps[step])) {
            use crate::engine::StepState;
            let kind = match condition {
                StepState::Open => "open",
                StepState::Answered(_) => "answered",
                StepState::NotHere(_) | StepState::Away => "not here",
                StepState::Skipped(_) => "skipped",
            };
            by_kind.entry(kind).or_default().push(step.id.clone());
        }
        self.answered = by_kind.get("answered").map_or(0, Vec::len);
        self.skipped = by_kind.remove("skipped").unwrap_or_default();
        self.open = by_kind.remove("open").unwrap_or_default();
        self.overridden = state.overridden.iter().map(|&step| job.step(step).id.clone()).collect();
    }

    /// Prints what it came to, and where the rest lies.
    pub fn print(&self, out: &Path) {
        println!(
            "{}: {} of {} steps answered, {} skipped, {} open; {:.0} s simulated in {:.1} s",
            self.outcome,
            self.answered,
            self.steps,
            self.skipped.len(),
            self.open.len(),
            self.simulated_s,
            self.took_s
        );
        println!(
            "the person spoke {} times: {} heard right, {} heard as something else, {} not understood",
            self.person_said,
            self.heard_right,
            self.heard_wrong.len(),
            self.unclear
        );
        println!("sound, talk, journal and summary are in {}", out.display());
    }

    fn clock(&mut self, step: &str) -> Option<&mut ClockSummary> {
        self.clocks.iter_mut().rev().find(|clock| clock.step == step)
    }
}
