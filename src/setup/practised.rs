//! How practised people are, read from the journal's past runs.

use std::collections::BTreeMap;
use std::path::Path;

use crate::engine::Move;
use crate::engine::practice::{PastRun, ROLES, of_run, older_runs_count, settled};
use crate::journal::{JournalError, JournalReader, Purpose};
use crate::rig::{Person, Rig};
use crate::setup::clock::wall;
use crate::setup::prompts;

/// What people did in which role in past runs.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Practice {
    pub runs: Vec<PastRun>,
    /// Today, in days since 1970-01-01 UTC, as are the days of the runs.
    pub today: i64,
}

impl Practice {
    /// Reads real runs of routines that are still there, from the newest backwards, as far as they can change what anybody of the rig is
    /// practised in. What a run of another routine says cannot be told any more, for it is the routine that says which role a step has.
    ///
    /// # Errors
    /// A row of the journal is not as it was written.
    pub fn read(journal: &JournalReader, rig: &Rig, config: &Path, today: i64) -> Result<Self, JournalError> {
        let mut jobs: BTreeMap<String, Option<Move>> = BTreeMap::new();
        let mut runs = Vec::new();
        // Where the rig names nobody, whoever is there has runs of their own all the same.
        let nobody = Person { name: String::new(), roles: Vec::new(), practiced: Vec::new(), cannot: Vec::new() };
        let people = if rig.people().is_empty() { std::slice::from_ref(&nobody) } else { rig.people() };
        for (id, past) in journal.newest_first()?.into_iter().filter(|(_, past)| past.purpose == Purpose::Real) {
            let Some(day) = day_of(&past.started) else {
                tracing::warn!(run = %id, started = past.started, "no time, so this run says nothing of practice");
                continue;
            };
            let counts = |person: &Person| {
                ROLES.iter().any(|&role| older_runs_count(settled(person, role), &person.name, role, &runs, day, today))
            };
            if !people.iter().any(counts) {
                break;
            }
            let routine = past.routine;
            let job = jobs.entry(routine.clone()).or_insert_with(|| {
                prompts::job(&routine, rig, config)
                    .inspect_err(|error| tracing::info!(routine, %error, "its past runs say nothing of practice"))
                    .ok()
            });
            if let Some(job) = job {
                let events: Vec<_> = journal.events(id)?.into_iter().map(|record| record.event).collect();
                runs.extend(of_run(job, &events, day));
            }
        }
        Ok(Self { runs, today })
    }
}

/// Today, in days since 1970-01-01 UTC. The wall clock of this program can always be read back.
pub fn today() -> i64 {
    day_of(&wall()).unwrap_or_default()
}

/// Days since 1970-01-01 of an RFC 3339 moment.
fn day_of(wall: &str) -> Option<i64> {
    let moment: jiff::Timestamp = wall.parse().ok()?;
    Some(moment.as_second().div_euclid(86_400))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_are_counted_from_the_epoch() {
        // RFC 3339 moments; 2000-03-01 is day 11,017 (the example of Python's date.toordinal: 730,180 - 719,163).
        assert_eq!(day_of("2000-03-01T00:00:00.000Z"), Some(11_017));
        assert_eq!(day_of("2000-02-29T23:59:59.999Z"), Some(11_016));
        assert_eq!(day_of("yesterday"), None);
    }
}
