//! Clocks of hazards that still run, for all that is known, in runs that were broken off: whoever begins any run is told of them first.

use std::path::Path;

use serde::Deserialize;
use thiserror::Error;

use crate::engine::event::Event;
use crate::journal::{JournalError, JournalReader, RunId};
use crate::rig::Rig;
use crate::routine::{Answer, ClockAnswer};
use crate::setup::prompts;
use crate::setup::standing::taking_part;

/// A clock that nobody has ended.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LeftRunning {
    /// The run that was broken off.
    pub run: RunId,
    /// What it is a run of.
    pub routine: String,
    /// Which clock.
    pub clock: ClockLeft,
}

/// What is still known of a clock.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ClockLeft {
    /// It guards a hazard.
    Guards {
        /// Of the clock, as it is said.
        name: String,
        /// What it calls for.
        alarm: String,
    },
    /// The routine does not read any more, or has no such clock: nobody knows whether it guards anything.
    Unknown {
        /// Id of the step.
        step: String,
    },
}

/// Why it cannot be said.
#[derive(Debug, Error)]
#[error("prompts/phrases/start.toml: {0}; the program was built from a damaged file, install it anew")]
pub struct StartWordsError(#[from] toml::de::Error);

/// Reads the real runs that have begun and not ended, the newest first, without the one that is gone on with: that one rings by itself.
///
/// # Errors
/// A row of the journal is not as it was written.
pub fn read(
    journal: &JournalReader,
    rig: &Rig,
    config: &Path,
    going_on: Option<RunId>,
) -> Result<Vec<LeftRunning>, JournalError> {
    let mut left = Vec::new();
    for run in journal.all_unfinished()?.into_iter().filter(|run| Some(run.id) != going_on) {
        let events: Vec<Event> = journal.events(run.id)?.into_iter().map(|record| record.event).collect();
        let steps = not_ended(&events);
        if steps.is_empty() {
            continue;
        }
        let routine = run.run.routine;
        let job = prompts::job(&routine, &rig.clone().taking_part(taking_part(&events)), config);
        for step in steps {
            let answer = job.as_ref().ok().and_then(|job| Some(&job.step(job.index_of(step)?).answer));
            let clock = match answer {
                Some(Answer::Clock(clock)) if !clock.hazard() => continue,
                Some(Answer::Clock(ClockAnswer { name, alarm_short, .. })) => {
                    ClockLeft::Guards { name: name.clone(), alarm: alarm_short.clone() }
                }
                _ => ClockLeft::Unknown { step: step.to_owned() },
            };
            left.push(LeftRunning { run: run.id, routine: routine.clone(), clock });
        }
    }
    Ok(left)
}

/// The steps whose clocks were begun and ended by nobody. That its step was opened again ends no clock of a hazard.
fn not_ended(events: &[Event]) -> Vec<&str> {
    let mut running: Vec<&str> = Vec::new();
    for event in events.iter().map(Event::inner) {
        match event {
            Event::ClockStarted { step, .. } | Event::ClockReinstated { step } if !running.contains(&step.as_str()) => {
                running.push(step);
            }
            Event::ClockEnded { step, .. } => running.retain(|other| other != step),
            _ => {}
        }
    }
    running
}

/// What is said of them; nothing where there are none.
///
/// # Errors
/// The words are not as the program was built with.
pub fn said(left: &[LeftRunning]) -> Result<Option<String>, StartWordsError> {
    let words: StartWords = toml::from_str(WORDS)?;
    let spaced = |id: &str| id.replace(['-', '_', '/'], " ");
    let of = |left: &LeftRunning| {
        let routine = spaced(&left.routine);
        match &left.clock {
            ClockLeft::Guards { name, alarm } => {
                let text = words.left_running.known.replace("{routine}", &routine);
                text.replace("{name}", name).replace("{alarm}", alarm)
            }
            ClockLeft::Unknown { step } => {
                words.left_running.unknown.replace("{routine}", &routine).replace("{step}", &spaced(step))
            }
        }
    };
    let sentences = std::iter::once(words.left_running.first.clone()).chain(left.iter().map(of));
    Ok((!left.is_empty()).then(|| sentences.collect::<Vec<_>>().join(" ")))
}

#[derive(Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
struct StartWords {
    left_running: LeftRunningWords,
}

#[derive(Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
struct LeftRunningWords {
    first: String,
    known: String,
    unknown: String,
}

const WORDS: &str = include_str!("../../prompts/phrases/start.toml");
