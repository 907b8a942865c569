//! The page after a run: what was done when by whom, as one HTML file that opens from the disk, needs no network and prints.

mod account;
mod html;
mod timeline;

use std::collections::BTreeMap;

use super::words::PageWords;
use crate::engine::event::Event;
use crate::units::SessionTime;

/// A run as the journal has it.
#[derive(Clone, Debug)]
pub struct RunRecord {
    pub number: i64,
    /// What was done, as it is said in a sentence.
    pub title: String,
    /// Day and time of day, as it is to be shown.
    pub began: String,
    pub outcome: PageOutcome,
    pub rehearsal: bool,
    /// Names of steps by id; ids stand for those that are not here.
    pub steps: BTreeMap<String, StepName>,
    /// Whether the routine is not the one that the run was made with.
    pub changed: bool,
    pub entries: Vec<PageEntry>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PageOutcome {
    Completed,
    Abandoned,
    Unfinished,
}

/// How a step is named.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StepName {
    pub name: String,
    pub critical: bool,
}

/// One record of a run.
#[derive(Clone, Debug)]
pub struct PageEntry {
    pub at: SessionTime,
    /// Time of day, as it is to be shown.
    pub of_day: String,
    pub event: Event,
    /// Id of the step that it is about.
    pub step: Option<String>,
    /// The event in words.
    pub told: String,
}

/// The page's text.
pub fn page(run: &RunRecord, words: &PageWords) -> String {
    let account = account::account(&run.entries);
    html::html(run, &account, words)
}

/// Minutes and seconds, rounded to the second.
fn span(ms: u64) -> String {
    let seconds = ms.saturating_add(500) / 1000;
    if seconds >= 3600 {
        format!("{}:{:02}:{:02}", seconds / 3600, seconds / 60 % 60, seconds % 60)
    } else {
        format!("{}:{:02}", seconds / 60, seconds % 60)
    }
}

/// The name of a step, else its id.
fn name_of<'a>(run: &'a RunRecord, id: &'a str) -> &'a str {
    run.steps.get(id).map_or(id, |step| step.name.as_str())
}
