//! Digests of rows: SHA-256 over their fields, each with its length before it, so that no two different rows read alike.
//!
//! Those of a run's events are chained: each covers the one before it, the first covers the run's own.

use sha2::{Digest as _, Sha256};

use crate::journal::record::{NewRun, Purpose, Row, RunId};

/// SHA-256 of a row (FIPS 180-4).
pub(super) type Digest = [u8; 32];

/// Digest of a run's own row.
pub(super) fn of_run(id: RunId, run: &NewRun) -> Digest {
    let rehearsal = [u8::from(run.purpose == Purpose::Rehearsal)];
    over(&[
        b"run",
        &id.0.to_be_bytes(),
        run.routine.as_bytes(),
        run.fingerprint.as_bytes(),
        run.settings.as_bytes(),
        run.started.as_bytes(),
        &rehearsal,
    ])
}

/// Digest of an event that follows one (or a run) with the digest `before`.
pub(super) fn of_event(before: &Digest, row: &Row) -> Digest {
    over(&[
        b"event",
        before,
        &row.seq.to_be_bytes(),
        &row.at_ms.to_be_bytes(),
        row.boot_id.as_bytes(),
        &row.boottime_ms.to_be_bytes(),
        row.wall.as_bytes(),
        row.kind.as_bytes(),
        row.json.as_bytes(),
    ])
}

/// Digest of a preference.
pub(super) fn of_preference(name: &str, value: &str, wall: &str) -> Digest {
    over(&[b"preference", name.as_bytes(), value.as_bytes(), wall.as_bytes()])
}

fn over(fields: &[&[u8]]) -> Digest {
    let mut hash = Sha256::new();
    for field in fields {
        hash.update((field.len() as u64).to_be_bytes());
        hash.update(field);
    }
    hash.finalize().into()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fields_that_run_together_differently_have_different_digests() {
        assert_ne!(of_preference("ab", "c", ""), of_preference("a", "bc", ""));
    }
}
