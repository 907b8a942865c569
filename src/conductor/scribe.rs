//! The writer of the journal: one thread that appends, syncs and tells, so that no alarm and no answer waits for a disk inside the loop.

use crate::conductor::notes::{Notes, SpokenNoteKept};
use crate::engine::event::Event;
use crate::engine::output::VoiceSettings;
use crate::hear::note::SpokenNote;
use crate::journal::{Journal, JournalError, Record, RunId, Stamp};
use crate::units::SessionTime;

/// Stamps a record that was made at this moment of the session.
pub type Stamps = Box<dyn Fn(SessionTime) -> Stamp + Send>;

/// Writes one run down.
pub struct Scribe {
    journal: Journal,
    run: RunId,
    stamps: Stamps,
    notes: Notes,
    /// Runs that this one takes the place of, with the record that ends each.
    replaced: Vec<(RunId, Record)>,
}

impl Scribe {
    /// A scribe for a run that the journal has begun or goes on with.
    pub fn new(journal: Journal, run: RunId, stamps: Stamps, notes: Notes) -> Self {
        Self { journal, run, stamps, notes, replaced: Vec::new() }
    }

    /// The same in place of runs that were broken off: they are ended with the first thing that is done in this one, for by then whoever does it
    /// has been told what they left running.
    pub fn in_place_of(self, replaced: Vec<(RunId, Record)>) -> Self {
        Self { replaced, ..self }
    }

    /// Appends the event; it is on disk when this returns. A voice that was changed is remembered for later runs as well.
    ///
    /// # Errors
    /// The journal cannot be written. After the first failed write nothing is written until the journal is opened anew.
    pub fn record(&mut self, seq: u64, at: SessionTime, event: Event) -> Result<(), JournalError> {
        if event.is_deed() {
            for (run, end) in std::mem::take(&mut self.replaced) {
                self.journal.append(run, &end)?;
            }
        }
        let stamp = (self.stamps)(at);
        let voice = match &event {
            Event::VoiceChanged { speed, volume_db } => {
                vec![(VOICE_SPEED, speed.to_string()), (VOICE_VOLUME, volume_db.to_string())]
            }
            _ => Vec::new(),
        };
        // Both or neither: an event that is on disk is never told as one that is not.
        self.journal.append_keeping(self.run, &Record { seq, at, stamp, event }, &voice)
    }

    /// Keeps the sound of a note.
    pub fn keep_note(&self, at: SessionTime, note: SpokenNote) -> SpokenNoteKept {
        self.notes.keep(at, note)
    }
}

/// The voice as it was last set; what cannot be read back is the usual voice.
pub fn remembered_voice(speed: Option<String>, volume_db: Option<String>) -> VoiceSettings {
    let usual = VoiceSettings::default();
    let number = |text: Option<String>, least: f32, most: f32| {
        text.and_then(|text| text.parse::<f32>().ok()).filter(|value| (least..=most).contains(value))
    };
    VoiceSettings {
        speed: number(speed, 0.6, 1.5).unwrap_or(usual.speed),
        volume_db: number(volume_db, -18.0, 6.0).unwrap_or(usual.volume_db),
    }
}

/// Where the pace of the voice is remembered in the journal.
pub const VOICE_SPEED: &str = "voice speed";
/// Where its volume is.
pub const VOICE_VOLUME: &str = "voice volume, dB";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_voice_that_cannot_be_read_back_is_the_usual_one() {
        let voice = remembered_voice(Some("9".to_owned()), Some("-3".to_owned()));
        assert_eq!(voice, VoiceSettings { speed: 1.0, volume_db: -3.0 });
        assert_eq!(remembered_voice(None, Some("nan".to_owned())), VoiceSettings::default());
    }
}
