//! The journal's file, and the records in it.

use std::cell::RefCell;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use sparehand::engine::event::{Event, HeardAs};
use sparehand::journal::{Journal, JournalError, JournalReader, NewRun, Purpose, Record, RunId, Stamp};
use sparehand::units::SessionTime;

/// A journal with bytes of it changed: four bytes each, the place (from the lowest, three bytes) and what is put there. What is left of it is read
/// and gone on with, or refused as damaged.
pub fn journal(bytes: &[u8]) {
    let mut file = valid().to_vec();
    for change in bytes.chunks_exact(4) {
        let place = u32::from_le_bytes([change[0], change[1], change[2], 0]) as usize % file.len();
        file[place] = change[3];
    }
    let (_folder, path) = super::file("journal.sqlite", &file);
    match goes_on(&path) {
        Ok(()) => {}
        Err(error) => {
            let text = error.to_string();
            assert!(text.contains("journal.sqlite") && text.contains("found "), "{text}");
        }
    }
}

/// Reads all, adds a record to each run, and reads that again.
fn goes_on(path: &Path) -> Result<(), JournalError> {
    let reader = JournalReader::open(path)?;
    let runs = reader.runs()?;
    let before =
        runs.iter().map(|run| Ok((run.id, reader.events(run.id)?))).collect::<Result<Vec<_>, JournalError>>()?;
    drop(reader);
    let mut journal = Journal::open(path)?;
    for (run, mut records) in before {
        let more = at(records.len() as u64, Event::StandingBy);
        journal.append(run, &more)?;
        records.push(more);
        assert_eq!(journal.events(run)?, records);
    }
    Ok(())
}

/// A record's event as it is kept: one that can be written comes back as it was.
pub fn record(bytes: &[u8]) {
    let Ok(event) = serde_json::from_slice::<Event>(bytes) else { return };
    JOURNAL.with_borrow_mut(|kept| {
        let kept = kept.get_or_insert_with(Kept::new);
        if let Some(back) = kept.through(event.clone()) {
            // A score beyond what a number holds is brought within it.
            let text = serde_json::to_string(&event).expect("it was read from JSON");
            if serde_json::from_str::<Event>(&text).ok().as_ref() == Some(&event) {
                assert_eq!(back, event);
            }
            assert_eq!(kept.through(back.clone()), Some(back), "what came back comes back again");
        }
        if kept.records >= 1_000 {
            *kept = Kept::new();
        }
    });
}

/// A journal that takes the records of many inputs, for making one takes longer than adding to it.
struct Kept {
    journal: Journal,
    records: usize,
    _folder: tempfile::TempDir,
}

impl Kept {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let journal = Journal::open(&folder.path().join("journal.sqlite")).unwrap();
        Self { journal, records: 0, _folder: folder }
    }

    /// The event written and read; none where it is refused, after which a journal takes nothing more.
    fn through(&mut self, event: Event) -> Option<Event> {
        let run = begin(&mut self.journal);
        if self.journal.append(run, &at(0, event)).is_err() {
            *self = Self::new();
            return None;
        }
        self.records += 1;
        Some(self.journal.events(run).unwrap().remove(0).event)
    }
}

thread_local! {
    static JOURNAL: RefCell<Option<Kept>> = const { RefCell::new(None) };
}

/// The bytes of a journal of two runs that is closed.
fn valid() -> &'static [u8] {
    static VALID: OnceLock<Vec<u8>> = OnceLock::new();
    VALID.get_or_init(|| {
        let folder = tempfile::tempdir().unwrap();
        let path: PathBuf = folder.path().join("journal.sqlite");
        let mut journal = Journal::open(&path).unwrap();
        for _ in 0..2 {
            let run = begin(&mut journal);
            let step = || "cap".to_owned();
            let heard = HeardAs::Voice { phrase: "cap on".to_owned(), score: -0.5, margin: 4.25 };
            journal.append(run, &at(0, Event::StepOffered { step: step() })).unwrap();
            journal.append(run, &at(1, Event::StepAnswered { step: step(), answer: step(), heard })).unwrap();
        }
        journal.set_preference("speed", "0.9", "2026-05-01T08:00:00Z").unwrap();
        drop(journal);
        std::fs::read(&path).unwrap()
    })
}

fn begin(journal: &mut Journal) -> RunId {
    let run = NewRun {
        routine: "tank-dump".to_owned(),
        fingerprint: "5f2a".to_owned(),
        settings: "{}".to_owned(),
        started: "2026-05-01T08:00:00+02:00[Europe/Berlin]".to_owned(),
        purpose: Purpose::Real,
    };
    journal.begin_run(&run).unwrap()
}

fn at(seq: u64, event: Event) -> Record {
    let stamp = Stamp { boot_id: "0f0e0d0c".to_owned(), boottime_ms: 1_000, wall: "2026-05-01T06:00:00Z".to_owned() };
    Record { seq, at: SessionTime::from_millis(seq), stamp, event }
}
