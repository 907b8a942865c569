//! The sound of a run in a file, for whoever looks into what was misheard.

use std::fs::File;
use std::io::BufWriter;
use std::path::{Path, PathBuf};

use hound::{SampleFormat, WavSpec, WavWriter};

use crate::audio::FRAME_LEN;
use crate::audio::SAMPLE_RATE;

/// A WAV file at 16 kHz, 16 bits: left the microphone, right what the loudspeaker played meanwhile.
pub struct KeptSound {
    writer: WavWriter<BufWriter<File>>,
    path: PathBuf,
    frames: usize,
}

impl KeptSound {
    /// Begins the file; what was in it is lost.
    ///
    /// # Errors
    /// The file cannot be made.
    pub fn create(path: &Path) -> Result<Self, KeptSoundError> {
        let spec = WavSpec {
            channels: 2,
            sample_rate: SAMPLE_RATE as u32,
            bits_per_sample: 16,
            sample_format: SampleFormat::Int,
        };
        let writer =
            WavWriter::create(path, spec).map_err(|source| KeptSoundError { path: path.to_owned(), source })?;
        Ok(Self { writer, path: path.to_owned(), frames: 0 })
    }

    /// Adds 10 ms. After a program that was killed the file holds all but the last second.
    ///
    /// # Errors
    /// The file cannot be written.
    pub fn write(&mut self, mic: &[f32; FRAME_LEN], played: &[f32; FRAME_LEN]) -> Result<(), KeptSoundError> {
        let step = |sample: f32| (sample.clamp(-1.0, 1.0) * 32_767.0) as i16;
        let written = mic.iter().zip(played).try_for_each(|(&mic, &played)| {
            self.writer.write_sample(step(mic))?;
            self.writer.write_sample(step(played))
        });
        self.frames += 1;
        let flushed = if self.frames.is_multiple_of(FLUSH_EVERY) { self.writer.flush() } else { Ok(()) };
        written.and(flushed).map_err(|source| KeptSoundError { path: self.path.clone(), source })
    }
}

/// The file of kept sound failed.
#[derive(Debug, thiserror::Error)]
#[error("the sound cannot be kept in {}: {source}; choose another file, or leave out --keep-sound", path.display())]
pub struct KeptSoundError {
    path: PathBuf,
    source: hound::Error,
}

const FLUSH_EVERY: usize = 100;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_streams_are_read_back_side_by_side_also_before_the_end() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("kept.wav");
        let mut kept = KeptSound::create(&path).unwrap();
        for _ in 0..FLUSH_EVERY {
            kept.write(&[0.5; FRAME_LEN], &[-2.0; FRAME_LEN]).unwrap();
        }
        // As after a kill: the file is never closed.
        let samples: Vec<i16> = hound::WavReader::open(&path).unwrap().samples().map(Result::unwrap).collect();
        assert_eq!(samples.len(), 2 * FLUSH_EVERY * FRAME_LEN);
        assert!(samples.chunks(2).all(|pair| pair == [16_383, -32_767]), "what is too loud is clipped");
    }

    #[test]
    fn a_file_that_cannot_be_made_is_named_with_what_to_do() {
        let error = KeptSound::create(Path::new("/nonexistent/kept.wav")).err().unwrap().to_string();
        assert!(error.contains("/nonexistent/kept.wav") && error.contains("--keep-sound"), "{error}");
    }

    /// `/dev/full` opens as any file and takes nothing: what a full disk does.
    #[test]
    fn on_a_full_disk_it_fails_within_a_second_and_says_where() {
        let mut kept = KeptSound::create(Path::new("/dev/full")).unwrap();
        let frames = (0..=FLUSH_EVERY).map(|_| kept.write(&[0.5; FRAME_LEN], &[0.0; FRAME_LEN]));
        let error = frames.into_iter().find_map(Result::err).expect("nothing can be written").to_string();
        assert!(error.contains("/dev/full") && error.contains("No space left"), "{error}");
    }
}
