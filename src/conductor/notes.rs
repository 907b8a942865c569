//! The sound of spoken notes, kept in files beside the journal.

use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};

use hound::{SampleFormat, WavSpec, WavWriter};

use crate::audio::SAMPLE_RATE;
use crate::hear::note::SpokenNote;
use crate::journal::RunId;
use crate::units::SessionTime;

/// Where one run keeps the sound of its notes: `<journal>.notes/`.
#[derive(Clone, Debug)]
pub struct Notes {
    journal: PathBuf,
    run: RunId,
}

/// A note as it is to be told to the engine.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SpokenNoteKept {
    /// The words as far as they were understood.
    pub text: String,
    /// The file with the sound, as seen from the journal's folder.
    pub wav: Option<String>,
    /// Why there is no file, where there is none.
    pub fault: Option<String>,
}

impl Notes {
    /// Notes of the run `run` of this journal.
    pub fn beside(journal: &Path, run: RunId) -> Self {
        Self { journal: journal.to_owned(), run }
    }

    /// Keeps the sound. Where that cannot be kept the words still are.
    pub fn keep(&self, at: SessionTime, note: SpokenNote) -> SpokenNoteKept {
        match self.write(at, &note.samples) {
            Ok(name) => SpokenNoteKept { text: note.text, wav: Some(name), fault: None },
            Err(error) => SpokenNoteKept { text: note.text, wav: None, fault: Some(error.to_string()) },
        }
    }

    /// The file's place as seen from the journal's folder. The file is whole on disk before its name is there, and what could not be written whole
    /// takes no room.
    fn write(&self, at: SessionTime, samples: &[f32]) -> io::Result<String> {
        let stem = self.journal.file_stem().map(|stem| stem.to_string_lossy().into_owned()).unwrap_or_default();
        let folder = format!("{stem}.notes");
        let place = self.journal.with_file_name(&folder);
        fs::create_dir_all(&place)?;
        let name = format!("run-{}-at-{}.wav", self.run, at.as_millis());
        let unfinished = place.join(format!("{name}.part"));
        let whole = write_whole(&unfinished, samples).and_then(|()| fs::rename(&unfinished, place.join(&name)));
        if let Err(error) = whole {
            // Where even that fails there is nothing more to be done, and the first error says why.
            let _ = fs::remove_file(&unfinished);
            return Err(error);
        }
        File::open(&place)?.sync_all()?;
        Ok(format!("{folder}/{name}"))
    }
}

fn write_whole(path: &Path, samples: &[f32]) -> io::Result<()> {
    let spec =
        WavSpec { channels: 1, sample_rate: SAMPLE_RATE as u32, bits_per_sample: 16, sample_format: SampleFormat::Int };
    let mut writer = WavWriter::create(path, spec).map_err(io::Error::other)?;
    for sample in samples {
        let full = (sample.clamp(-1.0, 1.0) * f32::from(i16::MAX)) as i16;
        writer.write_sample(full).map_err(io::Error::other)?;
    }
    writer.finalize().map_err(io::Error::other)?;
    File::open(path)?.sync_all()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_sound_of_a_note_is_whole_beside_the_journal_and_its_place_is_told() {
        let folder = tempfile::tempdir().unwrap();
        let notes = Notes::beside(&folder.path().join("journal.sqlite"), RunId(3));
        let note = SpokenNote { samples: vec![0.5; 16_000], text: "wasps".to_owned() };
        let kept = notes.keep(SessionTime::from_millis(12_340), note);
        let wav = "journal.notes/run-3-at-12340.wav".to_owned();
        assert_eq!(kept, SpokenNoteKept { text: "wasps".to_owned(), wav: Some(wav.clone()), fault: None });
        let read = hound::WavReader::open(folder.path().join(wav)).unwrap();
        assert_eq!((read.duration(), read.spec().sample_rate), (16_000, 16_000));
        assert_eq!(fs::read_dir(folder.path().join("journal.notes")).unwrap().count(), 1);
    }

    #[test]
    fn a_note_whose_sound_cannot_be_kept_keeps_its_words() {
        let folder = tempfile::tempdir().unwrap();
        fs::write(folder.path().join("journal.notes"), "no folder").unwrap();
        let notes = Notes::beside(&folder.path().join("journal.sqlite"), RunId(3));
        let note = SpokenNote { samples: vec![0.5; 160], text: "wasps".to_owned() };
        let kept = notes.keep(SessionTime::ZERO, note);
        assert_eq!((kept.text.as_str(), kept.wav), ("wasps", None));
        assert!(kept.fault.is_some());
    }

    /// `/dev/full` opens as any file and takes nothing: what a full disk does.
    #[test]
    fn on_a_full_disk_a_note_keeps_its_words_and_leaves_no_half_file() {
        let folder = tempfile::tempdir().unwrap();
        let place = folder.path().join("journal.notes");
        fs::create_dir(&place).unwrap();
        std::os::unix::fs::symlink("/dev/full", place.join("run-3-at-0.wav.part")).unwrap();
        let notes = Notes::beside(&folder.path().join("journal.sqlite"), RunId(3));
        let kept = notes.keep(SessionTime::ZERO, SpokenNote { samples: vec![0.5; 160_000], text: "wasps".to_owned() });
        assert_eq!((kept.text.as_str(), kept.wav), ("wasps", None));
        assert!(kept.fault.as_ref().is_some_and(|fault| fault.contains("No space left")), "{:?}", kept.fault);
        assert_eq!(fs::read_dir(place).unwrap().count(), 0);
    }
}
