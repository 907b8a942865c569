//! What a lesson in somebody's voice sounds from and into: a microphone and a loudspeaker, or sound files.

use std::collections::VecDeque;
use std::path::{Path, PathBuf};
use std::time::Duration;

use thiserror::Error;

use crate::audio::FRAME_LEN;
use crate::audio::SAMPLE_RATE;
use crate::audio::capture::Capture;
use crate::audio::device::DeviceError;
use crate::audio::resample::Decimator;
use crate::audio::wav::{self, WavError};
use crate::cli::play_out::PlayOut;
use crate::conductor::kept_sound::{KeptSound, KeptSoundError};
use crate::hear::noise::White;
use crate::say::mixer::FRAME;
use crate::setup::clock::pause;
use crate::setup::sound::SoundError;

/// Why a lesson hears nothing, or its sound cannot be kept.
#[derive(Debug, Error)]
pub enum EndsError {
    #[error(transparent)]
    Sound(#[from] SoundError),
    #[error(transparent)]
    Wav(#[from] WavError),
    #[error(transparent)]
    KeptSound(#[from] KeptSoundError),
    #[error("the microphone '{name}' gives no sound; plug it in again, or choose another with --microphone")]
    MicrophoneSilent { name: String },
    #[error("{path}: no folder with recordings, expected files like water-off.wav in it")]
    NoRecordings { path: PathBuf },
    #[error("{path}: found no recording of any line, expected one for each, by its words: {expected}")]
    NoneRecorded { path: PathBuf, expected: String },
}

/// Both ends of a lesson. Time goes on with the frames, 10 ms each.
pub trait Ends {
    /// Plays 10 ms at 48 kHz; what the microphone gets meanwhile is left out.
    ///
    /// # Errors
    /// The sound cannot be kept. A loudspeaker that is lost is no error: the lines stand on the screen.
    fn play(&mut self, frame: &[f32; FRAME]) -> Result<(), EndsError>;

    /// Waits until nothing is in the air any more of what was played; gives the frames that this took.
    ///
    /// # Errors
    /// As [`Ends::play`].
    fn settle(&mut self) -> Result<usize, EndsError>;

    /// `line` has been asked for, for the `attempt`th time from 1 on.
    ///
    /// # Errors
    /// A recording is there and cannot be read.
    fn asked(&mut self, line: &str, attempt: usize) -> Result<(), EndsError>;

    /// The next 10 ms of the microphone.
    ///
    /// # Errors
    /// The microphone is lost.
    fn hear(&mut self) -> Result<[f32; FRAME_LEN], EndsError>;

    /// Whether what is said can be heard by the person.
    fn can_be_heard(&self) -> bool;
}

/// A microphone, and a loudspeaker where there is one.
pub struct LessonDevices {
    pub capture: Capture,
    pub play_out: Option<PlayOut>,
}

impl LessonDevices {
    /// The lesson goes on without the loudspeaker.
    fn lose(&mut self, why: &DeviceError) {
        tracing::warn!(%why, "the lines are on the screen only");
        self.play_out = None;
    }

    fn drain(&mut self) {
        let mut frame = [0.0; FRAME_LEN];
        while self.capture.read_frame(&mut frame) {}
    }
}

impl Ends for LessonDevices {
    fn play(&mut self, frame: &[f32; FRAME]) -> Result<(), EndsError> {
        if let Some(play_out) = &mut self.play_out
            && let Err(why) = play_out.play(frame)
        {
            self.lose(&why);
        }
        self.drain();
        Ok(())
    }

    fn settle(&mut self) -> Result<usize, EndsError> {
        if let Some(play_out) = &mut self.play_out
            && let Err(why) = play_out.drain()
        {
            self.lose(&why);
        }
        // What left the queue is still in the device's own buffers, and in the room.
        pause(AFTERWARDS);
        self.drain();
        Ok(AFTERWARDS.as_millis() as usize / 10)
    }

    fn asked(&mut self, _line: &str, _attempt: usize) -> Result<(), EndsError> {
        Ok(())
    }

    fn hear(&mut self) -> Result<[f32; FRAME_LEN], EndsError> {
        let mut frame = [0.0; FRAME_LEN];
        for _ in 0..PATIENCE {
            if self.capture.read_frame(&mut frame) {
                return Ok(frame);
            }
            if self.capture.failed().is_some() {
                break;
            }
            pause(NAP);
        }
        Err(EndsError::MicrophoneSilent { name: self.capture.name().to_owned() })
    }

    fn can_be_heard(&self) -> bool {
        self.play_out.is_some()
    }
}

/// Sound files for the microphone: `grey-closed.wav` is what is said to "grey closed", `grey-closed-2.wav` when it is asked for the
/// second time; where there is none nobody speaks. Both sides go into a file, where one is named.
pub struct Recordings {
    folder: PathBuf,
    sounding: VecDeque<f32>,
    hiss: White,
    decimator: Decimator,
    kept: Option<KeptSound>,
}

impl Recordings {
    /// Recordings from `folder`.
    ///
    /// # Errors
    /// The folder is none or has a recording of none of the `lines`, or the file cannot be made.
    pub fn open<'a>(
        folder: &Path,
        lines: impl Iterator<Item = &'a str>,
        kept: Option<&Path>,
    ) -> Result<Self, EndsError> {
        if !folder.is_dir() {
            return Err(EndsError::NoRecordings { path: folder.to_owned() });
        }
        let expected: Vec<String> = lines.map(|line| recording_of(line, 1)).collect();
        if !expected.iter().any(|name| folder.join(name).exists()) {
            return Err(EndsError::NoneRecorded { path: folder.to_owned(), expected: expected.join(", ") });
        }
        Ok(Self {
            folder: folder.to_owned(),
            sounding: VecDeque::new(),
            hiss: White::new(1),
            decimator: Decimator::new().map_err(SoundError::from)?,
            kept: kept.map(KeptSound::create).transpose()?,
        })
    }

    fn frame(&mut self) -> [f32; FRAME_LEN] {
        std::array::from_fn(|_| self.sounding.pop_front().unwrap_or(0.0) + self.hiss.next_sample() * HISS_RMS)
    }

    fn keep(&mut self, mic: &[f32; FRAME_LEN], played: &[f32; FRAME_LEN]) -> Result<(), EndsError> {
        if let Some(kept) = &mut self.kept {
            kept.write(mic, played)?;
        }
        Ok(())
    }
}

/// The file in which a line is said for the `attempt`th time, from 1 on.
fn recording_of(line: &str, attempt: usize) -> String {
    let name = line.replace(' ', "-");
    if attempt > 1 { format!("{name}-{attempt}.wav") } else { format!("{name}.wav") }
}

impl Ends for Recordings {
    fn play(&mut self, frame: &[f32; FRAME]) -> Result<(), EndsError> {
        let played = self.decimator.decimate(frame).map_err(SoundError::from)?;
        let mic = self.frame();
        self.keep(&mic, &played)
    }

    fn settle(&mut self) -> Result<usize, EndsError> {
        let frames = AFTERWARDS.as_millis() as usize / 10;
        for _ in 0..frames {
            let mic = self.frame();
            self.keep(&mic, &[0.0; FRAME_LEN])?;
        }
        Ok(frames)
    }

    fn asked(&mut self, line: &str, attempt: usize) -> Result<(), EndsError> {
        let path = self.folder.join(recording_of(line, attempt));
        self.sounding.clear();
        if path.exists() {
            let samples = wav::read(&path)?;
            self.sounding.extend(std::iter::repeat_n(0.0, REACTION_LEN).chain(samples));
        }
        Ok(())
    }

    fn hear(&mut self) -> Result<[f32; FRAME_LEN], EndsError> {
        let mic = self.frame();
        self.keep(&mic, &[0.0; FRAME_LEN])?;
        Ok(mic)
    }

    fn can_be_heard(&self) -> bool {
        true
    }
}

const NAP: Duration = Duration::from_millis(4);
/// Naps without any sound after which a microphone is dead: two seconds.
const PATIENCE: usize = 500;
const AFTERWARDS: Duration = Duration::from_millis(350);
/// People answer a machine after about 400 ms.
const REACTION_LEN: usize = SAMPLE_RATE * 2 / 5;
/// About -66 dBFS, as in a rehearsal.
const HISS_RMS: f32 = 0.0005;
