//! How practised people are, read from the journal's past runs.

use std::collections::BTreeMap;
use std::path::Path;

use crate::engine::Move;
use crate::engine::practice::{PastRun, of_run};
use crate::journal::{JournalError, JournalReader, Purpose};
use crate::rig::Rig;
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
    /// Reads every real run of a routine that is still there. What a run of another routine says cannot be told any more, for
    /// it is the routine that says which role a step has.
    ///
    /// # Errors
    /// A row of the journal is not as it was written.
    pub fn read(journal: &JournalReader, rig: &Rig, config: &Path) -> Result<Self, JournalError> {
        let mut jobs: BTreeMap<String, Option<Move>> = BTreeMap::new();
        let mut runs = Vec::new();
        for past in journal.runs()?.into_iter().filter(|past| past.run.purpose == Purpose::Real) {
            let Some(day) = day_of(&past.run.started) else {
                tracing::warn!(run = %past.id, started = past.run.started, "no time, so this run says nothing of practice");
                continue;
            };
            let routine = past.run.routine;
            let job = jobs.entry(routine.clone()).or_insert_with(|| {
                prompts::job(&routine, rig, config)
                    .inspect_err(|error| tracing::info!(routine, %error, "its past runs say nothing of practice"))
                    .ok()
            });
            if let Some(job) = job {
                let events: Vec<_> = journal.events(past.id)?.into_iter().map(|record| record.event).collect();
                runs.extend(of_run(job, &events, day));
            }
        }
        // The wall clock of this program can always be read back.
        Ok(Self { runs, today: day_of(&wall()).unwrap_or_default() })
    }
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
