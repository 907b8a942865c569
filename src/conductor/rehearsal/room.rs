//! The sound of a rehearsal: what a microphone would get of a person, of noise and of the loudspeaker. Samples are at 16 kHz.

use std::collections::{BTreeMap, VecDeque};
use std::path::{Path, PathBuf};
use std::time::Duration;

use thiserror::Error;

use crate::audio::FRAME_LEN;
use crate::audio::SAMPLE_RATE;
use crate::audio::wav::{self, WavError};
use crate::conductor::rehearsal::person::Doing;
use crate::conductor::rehearsal::script::Sound;
use crate::hear::noise::{White, rms};
use crate::speech::voice::model::{SAMPLE_RATE as VOICE_RATE, Voice, VoiceError, shift};

/// A simulated microphone.
pub struct Room {
    sounding: VecDeque<f32>,
    loudspeaker: VecDeque<f32>,
    hiss: White,
    recordings: BTreeMap<PathBuf, Vec<f32>>,
}

/// Why a turn cannot be heard.
#[derive(Debug, Error)]
#[allow(missing_docs, reason = "the message of each says it")]
pub enum RoomError {
    #[error(transparent)]
    Wav(#[from] WavError),
    #[error(transparent)]
    Voice(#[from] VoiceError),
    #[error("{path}: a recording without sound, expected at least 10 ms of it")]
    Empty { path: PathBuf },
}

impl Room {
    /// A quiet one, with its hiss and the echo of the loudspeaker.
    pub fn new() -> Self {
        Self {
            sounding: VecDeque::new(),
            loudspeaker: vec![0.0; ECHO_DELAY_LEN].into(),
            hiss: White::new(1),
            recordings: BTreeMap::new(),
        }
    }

    /// Begins to sound what the person does; gives how long it sounds.
    ///
    /// # Errors
    /// A recording cannot be read, or the words cannot be spoken.
    pub fn begin(&mut self, doing: &Doing, voice: &mut Voice) -> Result<Duration, RoomError> {
        let mut samples = Vec::new();
        match doing {
            Doing::Say(text) => samples.extend(spoken(text, voice)?),
            Doing::Turn(turn) => {
                samples.resize(samples_in(turn.silence), 0.0);
                let words = match &turn.sound {
                    Sound::Say(text) => spoken(text, voice)?,
                    Sound::Wav(path) => self.recording(path)?.to_vec(),
                    Sound::Nothing => Vec::new(),
                };
                match &turn.noise {
                    Some(noise) => {
                        let sample = self.recording(&noise.path)?;
                        samples.extend(in_noise(&words, sample, noise.snr_db));
                    }
                    None => samples.extend(words),
                }
            }
        }
        let sounding = Duration::from_secs_f64(samples.len() as f64 / SAMPLE_RATE as f64);
        self.sounding.extend(samples);
        Ok(sounding)
    }

    /// The next 10 ms of the microphone, while the loudspeaker plays `played`.
    pub fn frame(&mut self, played: &[f32; FRAME_LEN]) -> [f32; FRAME_LEN] {
        self.loudspeaker.extend(played);
        std::array::from_fn(|_| {
            let person = self.sounding.pop_front().unwrap_or(0.0);
            let echo = self.loudspeaker.pop_front().unwrap_or(0.0) * ECHO_GAIN;
            (person + echo + self.hiss.next_sample() * HISS_RMS).clamp(-1.0, 1.0)
        })
    }

    fn recording(&mut self, path: &Path) -> Result<&[f32], RoomError> {
        if !self.recordings.contains_key(path) {
            let samples = wav::read(path)?;
            if samples.len() < FRAME_LEN {
                return Err(RoomError::Empty { path: path.to_owned() });
            }
            self.recordings.insert(path.to_owned(), samples);
        }
        Ok(&self.recordings[path])
    }
}

impl Default for Room {
    fn default() -> Self {
        Self::new()
    }
}

/// The words in a voice that is not the program's own: a fifth lower in pitch, and as loud as somebody beside the microphone.
fn spoken(text: &str, voice: &mut Voice) -> Result<Vec<f32>, RoomError> {
    let samples = voice.synthesise_text(text, PERSON_SPEED)?;
    // One step from the voice's rate to the microphone's and to the other pitch.
    let mut at_16k = shift(&samples, PERSON_PITCH * VOICE_RATE as f64 / SAMPLE_RATE as f64)?;
    let level = rms(&at_16k);
    if level > 0.0 {
        at_16k.iter_mut().for_each(|sample| *sample *= PERSON_RMS / level);
    }
    Ok(at_16k)
}

/// Words with noise before, under and after them; `snr_db` is the level of the words' loud half over that of the noise.
fn in_noise(words: &[f32], noise: &[f32], snr_db: f32) -> Vec<f32> {
    let (speech, noise_level) = (active_level(words), rms(noise));
    let gain = if noise_level > 0.0 && speech > 0.0 {
        speech / noise_level * 10f32.powf(-snr_db / 20.0)
    } else if noise_level > 0.0 {
        PERSON_RMS / noise_level * 10f32.powf(-snr_db / 20.0)
    } else {
        0.0
    };
    let (before, after) = (samples_in(NOISE_BEFORE), samples_in(NOISE_AFTER));
    (0..before + words.len() + after)
        .map(|i| {
            let word = i.checked_sub(before).and_then(|place| words.get(place)).copied().unwrap_or(0.0);
            word + gain * noise[i % noise.len()]
        })
        .collect()
}

/// Root mean square over the 20 ms pieces that are within 15.9 dB of the loudest one: pauses do not count as speech (the
/// margin of ITU-T P.56 method B, from memory; its time constants are left out).
fn active_level(samples: &[f32]) -> f32 {
    let powers: Vec<f32> = samples.chunks(SAMPLE_RATE / 50).map(|piece| rms(piece).powi(2)).collect();
    let loudest = powers.iter().copied().fold(0.0, f32::max);
    let active: Vec<f32> = powers.into_iter().filter(|power| *power > loudest * 0.0257).collect();
    if active.is_empty() { 0.0 } else { (active.iter().sum::<f32>() / active.len() as f32).sqrt() }
}

fn samples_in(span: Duration) -> usize {
    (span.as_secs_f64() * SAMPLE_RATE as f64) as usize
}

const PERSON_SPEED: f32 = 0.95;
const PERSON_PITCH: f64 = 0.8;
/// About -26 dBFS: somebody who speaks normally at arm's length from a microphone that is set sensibly.
const PERSON_RMS: f32 = 0.05;
/// About -66 dBFS.
const HISS_RMS: f32 = 0.0005;
/// The loudspeaker reaches the microphone 40 ms late and 20 dB down.
const ECHO_DELAY_LEN: usize = SAMPLE_RATE / 25;
const ECHO_GAIN: f32 = 0.1;
const NOISE_BEFORE: Duration = Duration::from_millis(2_000);
const NOISE_AFTER: Duration = Duration::from_millis(1_000);

#[cfg(test)]
mod tests {
    use super::*;

    fn tone(len: usize, amplitude: f32) -> Vec<f32> {
        (0..len).map(|i| amplitude * (i as f32 * 0.3).sin()).collect()
    }

    #[test]
    fn noise_is_mixed_at_the_ratio_that_was_asked_for() {
        let words = tone(16_000, 0.1);
        let noise: Vec<f32> = {
            let mut white = White::new(3);
            (0..48_000).map(|_| white.next_sample()).collect()
        };
        let mixed = in_noise(&words, &noise, 10.0);
        let before = rms(&mixed[..samples_in(NOISE_BEFORE)]);
        let ratio = 20.0 * (active_level(&words) / before).log10();
        assert!((ratio - 10.0).abs() < 0.3, "{ratio}");
        assert_eq!(mixed.len(), samples_in(NOISE_BEFORE) + 16_000 + samples_in(NOISE_AFTER));
    }

    #[test]
    fn pauses_do_not_lower_the_level_of_speech() {
        let mut words = tone(16_000, 0.1);
        let alone = active_level(&words);
        words.extend(vec![0.0; 32_000]);
        assert!((active_level(&words) / alone - 1.0).abs() < 0.01);
    }
}
