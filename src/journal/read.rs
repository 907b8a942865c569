//! Reads the journal: checks the whole file before it is used, and each row by its digest when it is read.

use std::path::Path;

use rusqlite::{Connection, ErrorCode, OpenFlags, OptionalExtension};

use crate::engine::event::Event;
use crate::journal::digest::{self, Digest};
use crate::journal::error::JournalError;
use crate::journal::files::Place;
use crate::journal::record::{NewRun, Outcome, Purpose, Record, Rehearsals, Row, RunId, RunSummary};
use crate::journal::{is_damage, schema};

/// The journal, open for reading only. It may be looked at while another program writes.
#[derive(Debug)]
pub struct JournalReader {
    pub(super) connection: Connection,
    pub(super) place: Place,
}

impl JournalReader {
    /// Opens the journal at `path` to look at it. Nothing in it is changed, and no lock is taken.
    ///
    /// # Errors
    ///
    /// Where there is none, it is no journal, is damaged, or was written by a newer version.
    pub fn open(path: &Path) -> Result<Self, JournalError> {
        let place = Place::resolve(path)?;
        if place.is_absent()? {
            return Err(JournalError::Missing { path: place.path });
        }
        let connection = check(&place)?;
        Ok(Self::over(connection, place))
    }

    pub(super) fn over(connection: Connection, place: Place) -> Self {
        Self { connection, place }
    }

    /// All records of a run, in order. Empty for a run that was broken off before its first.
    ///
    /// # Errors
    ///
    /// Where the run does not exist, or a row is not as it was written.
    pub fn events(&self, run: RunId) -> Result<Vec<Record>, JournalError> {
        let (_, before) = self
            .run_rows(Some(run))?
            .pop()
            .ok_or_else(|| JournalError::UnknownRun { path: self.place.path.clone(), run })?;
        self.chain(run, before)
    }

    /// All runs, in the order in which they began.
    ///
    /// # Errors
    ///
    /// Where a row is not as it was written.
    pub fn runs(&self) -> Result<Vec<RunSummary>, JournalError> {
        self.run_rows(None)?
            .into_iter()
            .map(|((id, run), digest)| Ok(summary(id, run, &self.chain(id, digest)?)))
            .collect()
    }

    /// Every run without what happened in it, the newest first.
    ///
    /// # Errors
    ///
    /// As [`JournalReader::events`].
    pub fn newest_first(&self) -> Result<Vec<(RunId, NewRun)>, JournalError> {
        let mut runs: Vec<(RunId, NewRun)> = self.run_rows(None)?.into_iter().map(|(run, _)| run).collect();
        runs.sort_by_key(|(id, _)| std::cmp::Reverse(*id));
        Ok(runs)
    }

    /// The short account of one run.
    ///
    /// # Errors
    ///
    /// As [`JournalReader::events`].
    pub fn run(&self, run: RunId) -> Result<RunSummary, JournalError> {
        let ((id, new), digest) = self
            .run_rows(Some(run))?
            .pop()
            .ok_or_else(|| JournalError::UnknownRun { path: self.place.path.clone(), run })?;
        Ok(summary(id, new, &self.chain(id, digest)?))
    }

    /// The latest run of `routine` that has begun and neither reached its gate nor was ended by the person.
    ///
    /// A run that nobody wants to go on with should be given `RunAbandoned`, or it is found again.
    ///
    /// # Errors
    ///
    /// As [`JournalReader::events`].
    pub fn unfinished(&self, routine: &str, rehearsals: Rehearsals) -> Result<Option<RunSummary>, JournalError> {
        let counts = |run: &NewRun| {
            run.routine == routine && (rehearsals == Rehearsals::Included || run.purpose == Purpose::Real)
        };
        self.broken_off(counts)?.next().transpose()
    }

    /// The same of every routine: all real runs that have begun and not ended, the newest first.
    ///
    /// # Errors
    ///
    /// As [`JournalReader::events`].
    pub fn all_unfinished(&self) -> Result<Vec<RunSummary>, JournalError> {
        self.broken_off(|run| run.purpose == Purpose::Real)?.collect()
    }

    fn broken_off(
        &self,
        counts: impl Fn(&NewRun) -> bool,
    ) -> Result<impl Iterator<Item = Result<RunSummary, JournalError>>, JournalError> {
        let runs = self.run_rows(None)?.into_iter().rev().filter(move |((_, run), _)| counts(run));
        Ok(runs.filter_map(|((id, run), digest)| {
            let summary = match self.has_ended(id) {
                Ok(true) => return None,
                Ok(false) => self.chain(id, digest).map(|records| summary(id, run, &records)),
                Err(error) => Err(error),
            };
            let counts = |run: &RunSummary| run.outcome == Outcome::Unfinished && run.records > 0;
            summary.as_ref().map_or(true, counts).then_some(summary)
        }))
    }

    /// The last value kept under `name`.
    ///
    /// # Errors
    ///
    /// Where the row is not as it was written.
    pub fn preference(&self, name: &str) -> Result<Option<String>, JournalError> {
        let row: Option<(String, String, Digest)> = self
            .connection
            .query_row(
                "SELECT value, wall, digest FROM preference WHERE name = ? ORDER BY id DESC LIMIT 1",
                [name],
                |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)),
            )
            .optional()
            .map_err(|source| JournalError::of_sqlite(&self.place, "read a preference", source))?;
        match row {
            Some((value, wall, digest)) if digest == digest::of_preference(name, &value, &wall) => Ok(Some(value)),
            Some(_) => Err(self.damaged(format!("preference '{name}' does not fit its digest"))),
            None => Ok(None),
        }
    }

    /// Whether the last record of a run says that it is over; told without reading what came before.
    fn has_ended(&self, run: RunId) -> Result<bool, JournalError> {
        let last: Option<String> = self
            .connection
            .prepare_cached("SELECT kind FROM event WHERE run = ? ORDER BY seq DESC LIMIT 1")
            .and_then(|mut select| select.query_row([run.0], |row| row.get(0)).optional())
            .map_err(|source| JournalError::of_sqlite(&self.place, "read the records", source))?;
        Ok(last.is_some_and(|kind| ["run_completed", "run_abandoned"].contains(&kind.as_str())))
    }

    fn run_rows(&self, only: Option<RunId>) -> Result<Vec<RunRow>, JournalError> {
        let rows: rusqlite::Result<Vec<RunRow>> = self
            .connection
            .prepare_cached(
                "SELECT id, routine, fingerprint, settings, started, rehearsal, digest FROM run
                 WHERE ?1 IS NULL OR id = ?1 ORDER BY id",
            )
            .and_then(|mut select| {
                select
                    .query_map([only.map(|run| run.0)], |row| {
                        let purpose = if row.get(5)? { Purpose::Rehearsal } else { Purpose::Real };
                        let run = NewRun {
                            routine: row.get(1)?,
                            fingerprint: row.get(2)?,
                            settings: row.get(3)?,
                            started: row.get(4)?,
                            purpose,
                        };
                        Ok(((RunId(row.get(0)?), run), row.get(6)?))
                    })?
                    .collect()
            });
        let rows = rows.map_err(|source| JournalError::of_sqlite(&self.place, "read the runs", source))?;
        match rows.iter().find(|((id, run), digest)| digest::of_run(*id, run) != *digest) {
            Some(((id, _), _)) => Err(self.damaged(format!("run {id} does not fit its digest"))),
            None => Ok(rows),
        }
    }

    /// The records of a run whose own digest is `link`, each checked against the one before it.
    fn chain(&self, run: RunId, mut link: Digest) -> Result<Vec<Record>, JournalError> {
        let rows: rusqlite::Result<Vec<(Row, Digest)>> = self
            .connection
            .prepare_cached(
                "SELECT seq, at_ms, boot_id, boottime_ms, wall, kind, json, digest FROM event WHERE run = ? ORDER BY seq",
            )
            .and_then(|mut select| {
                select
                    .query_map([run.0], |row| {
                        let fields = Row {
                            seq: row.get(0)?,
                            at_ms: row.get(1)?,
                            boot_id: row.get(2)?,
                            boottime_ms: row.get(3)?,
                            wall: row.get(4)?,
                            kind: row.get(5)?,
                            json: row.get(6)?,
                        };
                        Ok((fields, row.get(7)?))
                    })?
                    .collect()
            });
        let mut records = Vec::new();
        for (row, digest) in rows.map_err(|source| JournalError::of_sqlite(&self.place, "read the records", source))? {
            let seq = row.seq;
            if digest::of_event(&link, &row) != digest {
                return Err(self.damaged(format!("run {run}, record {seq} does not fit its digest")));
            }
            link = digest;
            records.push(row.into_record().map_err(|what| self.damaged(format!("run {run}, record {seq}: {what}")))?);
        }
        Ok(records)
    }

    fn damaged(&self, what: String) -> JournalError {
        JournalError::Damaged { path: self.place.path.clone(), what }
    }
}

/// A run's row, with the digest that it carries.
type RunRow = ((RunId, NewRun), Digest);

/// Checks the whole file over a connection that cannot write, and gives that connection back.
pub(super) fn check(place: &Place) -> Result<Connection, JournalError> {
    let path = || place.path.clone();
    let damaged = |what: String| JournalError::Damaged { path: path(), what };
    let of_sqlite = |source| match JournalError::of_sqlite(place, "check it", source) {
        // The questions below are always the same: SQLite stumbles over them only when the header or the layout is unsound.
        JournalError::Sqlite { source, .. } if source.sqlite_error_code() == Some(ErrorCode::Unknown) => {
            damaged(source.to_string())
        }
        other => other,
    };

    let connection = schema::open(&place.path, OpenFlags::SQLITE_OPEN_READ_ONLY).map_err(of_sqlite)?;
    let header = |name| connection.pragma_query_value(None, name, |row| row.get::<_, i64>(0));
    let (application, version) = match (header("application_id"), header("user_version")) {
        (Ok(application), Ok(version)) => (application, version),
        (Err(source), _) | (_, Err(source)) if is_damage(&source) => {
            return Err(JournalError::NotAJournal { path: path(), found: format!("'{source}'") });
        }
        (Err(source), _) | (_, Err(source)) => return Err(of_sqlite(source)),
    };
    if application != schema::APPLICATION_ID {
        return Err(JournalError::NotAJournal {
            path: path(),
            found: format!("a database marked {application:#010x}"),
        });
    }
    if version > schema::VERSION {
        return Err(JournalError::NewerSchema { path: path(), found: version, expected: schema::VERSION });
    }
    if version < schema::OLDEST {
        return Err(damaged(format!("layout {version}, which no version has written")));
    }

    let report: String = connection.query_row("PRAGMA integrity_check(1)", [], |row| row.get(0)).map_err(of_sqlite)?;
    if report != "ok" {
        return Err(damaged(report));
    }
    let strays: usize = connection
        .prepare("PRAGMA foreign_key_check")
        .and_then(|mut list| list.query_map([], |_| Ok(()))?.try_fold(0, |count, row| row.map(|()| count + 1)))
        .map_err(of_sqlite)?;
    if strays > 0 {
        return Err(damaged(format!("{strays} records belong to no run")));
    }
    if schema::listing(&connection).map_err(of_sqlite)? != schema::expected_listing().map_err(of_sqlite)? {
        return Err(damaged("its tables or triggers are not those of a journal".to_owned()));
    }
    Ok(connection)
}

fn summary(id: RunId, run: NewRun, records: &[Record]) -> RunSummary {
    let mut outcome = Outcome::Unfinished;
    let (mut last_step, mut skipped, mut overridden) = (None, Vec::new(), Vec::new());
    for record in records {
        match &record.event {
            Event::StepOffered { step } => last_step = Some(step.clone()),
            Event::StretchOffered { steps } => last_step = steps.first().cloned().or(last_step),
            Event::StepSkipped { step, .. } if !skipped.contains(step) => skipped.push(step.clone()),
            Event::StepsReopened { steps, .. } => skipped.retain(|step| !steps.contains(step)),
            Event::StepAnswered { step, .. } => skipped.retain(|other| other != step),
            Event::RunCompleted { skipped: listed } => {
                outcome = Outcome::Completed;
                skipped.clone_from(listed);
            }
            Event::Overridden { open, .. } => overridden.clone_from(open),
            Event::RunAbandoned => outcome = Outcome::Abandoned,
            _ => {}
        }
    }
    RunSummary {
        id,
        run,
        records: records.len(),
        last: records.last().map(|record| (record.at, record.stamp.clone())),
        outcome,
        last_step,
        skipped,
        overridden,
    }
}
