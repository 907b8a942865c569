//! The sound of spoken notes, kept in files beside the journal.

use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};

use hound::{SampleFormat, WavSpec, WavWriter};

use crate::audio::SAMPLE_RATE;
use crate::conductor::error::ConductorError;
use crate::conductor::talk::Talk;
use crate::engine::input::Input;
use crate::hear::note::SpokenNote;
use crate::journal::RunId;
use crate::units::SessionTime;

/// Where one run keeps the sound of its notes: `<journal>.notes/`.
#[derive(Clone, Debug)]
pub struct Notes {
    journal: PathBuf,
    run: RunId,
}

impl Notes {
    pub fn beside(journal: &Path, run: RunId) -> Self {
        Self { journal: journal.to_owned(), run }
    }

    /// Keeps the sound, and gives what the engine is to be told. Where the sound cannot be kept the words still are; the talk
    /// says why.
    ///
    /// # Errors
    /// The talk cannot be printed.
    pub fn keep(&self, now: SessionTime, note: SpokenNote, talk: &mut Talk) -> Result<Input, ConductorError> {
        let wav = match self.write(now, &note.samples) {
            Ok(name) => Some(name),
            Err(error) => {
                talk.note(&format!("[{now}] the sound of the note could not be kept: {error}"))
                    .map_err(ConductorError::Talk)?;
                None
            }
        };
        talk.note(&format!("[{now}] note: {}", note.text)).map_err(ConductorError::Talk)?;
        Ok(Input::NoteTaken { text: note.text, wav })
    }

    /// The file's place as seen from the journal's folder. The file is whole on disk before its name is there.
    fn write(&self, now: SessionTime, samples: &[f32]) -> io::Result<String> {
        let stem = self.journal.file_stem().map(|stem| stem.to_string_lossy().into_owned()).unwrap_or_default();
        let folder = format!("{stem}.notes");
        let place = self.journal.with_file_name(&folder);
        fs::create_dir_all(&place)?;
        let name = format!("run-{}-at-{}.wav", self.run, now.as_millis());
        let unfinished = place.join(format!("{name}.part"));
        let spec = WavSpec {
            channels: 1,
            sample_rate: SAMPLE_RATE as u32,
            bits_per_sample: 16,
            sample_format: SampleFormat::Int,
        };
        let mut writer = WavWriter::create(&unfinished, spec).map_err(io::Error::other)?;
        for sample in samples {
            let full = (sample.clamp(-1.0, 1.0) * f32::from(i16::MAX)) as i16;
            writer.write_sample(full).map_err(io::Error::other)?;
        }
        writer.finalize().map_err(io::Error::other)?;
        File::open(&unfinished)?.sync_all()?;
        fs::rename(&unfinished, place.join(&name))?;
        File::open(&place)?.sync_all()?;
        Ok(format!("{folder}/{name}"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_sound_of_a_note_is_whole_beside_the_journal_and_its_place_is_told() {
        let folder = tempfile::tempdir().unwrap();
        let mut talk = Talk::new(None, false).unwrap();
        let notes = Notes::beside(&folder.path().join("journal.sqlite"), RunId(3));
        let note = SpokenNote { samples: vec![0.5; 16_000], text: "wasps".to_owned() };
        let told = notes.keep(SessionTime::from_millis(12_340), note, &mut talk).unwrap();
        let wav = "journal.notes/run-3-at-12340.wav".to_owned();
        assert_eq!(told, Input::NoteTaken { text: "wasps".to_owned(), wav: Some(wav.clone()) });
        let read = hound::WavReader::open(folder.path().join(wav)).unwrap();
        assert_eq!((read.duration(), read.spec().sample_rate), (16_000, 16_000));
        assert_eq!(fs::read_dir(folder.path().join("journal.notes")).unwrap().count(), 1);
    }

    #[test]
    fn a_note_whose_sound_cannot_be_kept_keeps_its_words() {
        let folder = tempfile::tempdir().unwrap();
        fs::write(folder.path().join("journal.notes"), "no folder").unwrap();
        let mut talk = Talk::new(None, false).unwrap();
        let notes = Notes::beside(&folder.path().join("journal.sqlite"), RunId(3));
        let note = SpokenNote { samples: vec![0.5; 160], text: "wasps".to_owned() };
        let told = notes.keep(SessionTime::ZERO, note, &mut talk).unwrap();
        assert_eq!(told, Input::NoteTaken { text: "wasps".to_owned(), wav: None });
    }
}
