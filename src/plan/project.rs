//! What is to be scheduled, in bare numbers: activities, who can do each and how long they take, and what comes before what.
//!
//! Time is counted in ticks; what a tick is worth is the caller's business.

use serde::{Deserialize, Serialize};
use thiserror::Error;

use super::critical_path::order_of;

/// Activities to be scheduled for a few people.
///
/// The problem is that of multi-mode resource-constrained scheduling: the modes of an activity are the people who can do it.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Project {
    /// How many people there are; they are numbered from 0. At most [`MOST_PEOPLE`].
    pub people: usize,
    /// Capacities of things that several activities can use at once.
    #[serde(default)]
    pub shared: Vec<u32>,
    pub activities: Vec<Activity>,
}

/// One thing to be scheduled, without a break.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Activity {
    /// The ways in which it can be done; one is chosen.
    pub modes: Vec<Mode>,
    /// What it takes of each of [`Project::shared`] while it lasts; empty is nothing.
    #[serde(default)]
    pub uses: Vec<u32>,
    /// Activities that must have ended before it begins.
    #[serde(default)]
    pub after: Vec<usize>,
    /// It does not begin before this tick.
    #[serde(default)]
    pub not_before: u32,
    /// It has ended by this tick.
    #[serde(default)]
    pub done_by: Option<u32>,
}

/// One way to do an activity.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Mode {
    /// Who is busy with it, each with nothing else. Nobody: hands are free while it lasts (a tank that drains).
    pub people: Vec<usize>,
    pub ticks: u32,
}

/// A start and a mode for each activity.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Schedule {
    /// First tick of each activity.
    pub starts: Vec<u32>,
    /// Place of the chosen mode in [`Activity::modes`].
    pub modes: Vec<usize>,
    /// The tick at which the last activity has ended.
    pub length: u32,
}

/// Why a project cannot be scheduled.
#[derive(Clone, Debug, Error, PartialEq, Eq)]
pub enum ProjectError {
    #[error("activity {0}: found no mode, expected at least one way to do it")]
    NoMode(usize),
    #[error("activity {activity}: found person {found}, expected one below {people}")]
    NoSuchPerson { activity: usize, found: usize, people: usize },
    #[error("activity {activity}: found 'after' {found}, expected an activity below {activities}")]
    NoSuchActivity { activity: usize, found: usize, activities: usize },
    #[error("activity {0} comes after itself; take one of the orders out that lead round")]
    Cycle(usize),
    #[error("activity {activity}: uses {found} of shared thing {shared}, expected at most {capacity}")]
    UsesTooMuch { activity: usize, shared: usize, found: u32, capacity: u32 },
    #[error("activity {0}: modes of different length that use shared things, expected one length")]
    LengthVaries(usize),
    #[error("found {0} people, expected at most {MOST_PEOPLE}")]
    TooManyPeople(usize),
    #[error("found activities of {0} ticks together, expected at most {MOST_TICKS}")]
    TooLong(u64),
    #[error("nothing fits between the earliest starts and the latest ends; widen them")]
    NoFit,
    #[error(
        "found no schedule that keeps the earliest starts and the latest ends, nor a proof that there is none; widen them"
    )]
    NoneFound,
}

/// People are bits of a word inside the solver; a camp has fewer.
pub const MOST_PEOPLE: usize = 16;

/// Keeps every sum inside the solver's 32-bit integers.
pub const MOST_TICKS: u64 = 1 << 26;

impl Project {
    /// Checks it, and gives its activities in an order in which each comes after what it waits for (the smallest first
    /// where there is a choice).
    ///
    /// # Errors
    /// The first fault found.
    pub fn order(&self) -> Result<Vec<usize>, ProjectError> {
        self.check_fields()?;
        let after: Vec<&[usize]> = self.activities.iter().map(|activity| activity.after.as_slice()).collect();
        order_of(&after).map_err(ProjectError::Cycle)
    }

    fn check_fields(&self) -> Result<(), ProjectError> {
        let (people, activities) = (self.people, self.activities.len());
        if people > MOST_PEOPLE {
            return Err(ProjectError::TooManyPeople(people));
        }
        let mut total = 0_u64;
        for (index, activity) in self.activities.iter().enumerate() {
            let longest = activity.modes.iter().map(|m| m.ticks).max().ok_or(ProjectError::NoMode(index))?;
            total += u64::from(longest);
            total = total.max(u64::from(activity.not_before) + u64::from(longest));
            if let Some(&found) = activity.modes.iter().flat_map(|m| &m.people).find(|&&p| p >= people) {
                return Err(ProjectError::NoSuchPerson { activity: index, found, people });
            }
            if let Some(&found) = activity.after.iter().find(|&&other| other >= activities) {
                return Err(ProjectError::NoSuchActivity { activity: index, found, activities });
            }
            for (shared, &found) in activity.uses.iter().enumerate() {
                let capacity = self.shared.get(shared).copied().unwrap_or(0);
                if found > capacity {
                    return Err(ProjectError::UsesTooMuch { activity: index, shared, found, capacity });
                }
            }
            let varies = activity.modes.iter().any(|m| m.ticks != longest);
            if varies && activity.uses.iter().any(|&u| u > 0) {
                return Err(ProjectError::LengthVaries(index));
            }
        }
        if total > MOST_TICKS {
            return Err(ProjectError::TooLong(total));
        }
        Ok(())
    }

    /// What waits for each activity.
    pub fn followers(&self) -> Vec<Vec<usize>> {
        let mut followers = vec![Vec::new(); self.activities.len()];
        for (index, activity) in self.activities.iter().enumerate() {
            for &before in &activity.after {
                followers[before].push(index);
            }
        }
        followers
    }

    /// What is wrong with a schedule of this project; empty when it keeps everything.
    pub fn faults(&self, schedule: &Schedule) -> Vec<String> {
        let mut faults = Vec::new();
        let mode = |i: usize| &self.activities[i].modes[schedule.modes[i]];
        let end = |i: usize| schedule.starts[i] + mode(i).ticks;
        for (index, activity) in self.activities.iter().enumerate() {
            let start = schedule.starts[index];
            if start < activity.not_before {
                faults.push(format!("{index} begins at {start}, before {}", activity.not_before));
            }
            if activity.done_by.is_some_and(|by| end(index) > by) {
                faults.push(format!("{index} ends at {}, after {:?}", end(index), activity.done_by));
            }
            for &before in activity.after.iter().filter(|&&before| end(before) > start) {
                faults.push(format!("{index} begins at {start}, before {before} has ended at {}", end(before)));
            }
            if end(index) > schedule.length {
                faults.push(format!("{index} ends at {}, after the end {}", end(index), schedule.length));
            }
            for other in 0..index {
                // What lasts no time takes nobody's.
                let lasting = mode(index).ticks > 0 && mode(other).ticks > 0;
                let together = lasting && start < end(other) && schedule.starts[other] < end(index);
                if together && mode(index).people.iter().any(|p| mode(other).people.contains(p)) {
                    faults.push(format!("{other} and {index} have one person at once"));
                }
            }
            for (shared, &capacity) in self.shared.iter().enumerate() {
                let of = |i: usize| self.activities[i].uses.get(shared).copied().unwrap_or(0);
                let at_once = |i: &usize| schedule.starts[*i] <= start && start < end(*i);
                let used: u32 = (0..self.activities.len()).filter(at_once).map(of).sum();
                if used > capacity {
                    faults.push(format!("{used} of shared thing {shared} at {start}, more than {capacity}"));
                }
            }
        }
        faults
    }
}

impl Activity {
    /// Ticks of its shortest mode.
    pub(super) fn least(&self) -> u32 {
        self.modes.iter().map(|mode| mode.ticks).min().unwrap_or(0)
    }
}
