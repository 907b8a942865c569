//! The voice: a sentence in, samples at 24 kHz out.
//!
//! The work is cut in three stages (phonemes, spectrum, samples) so that a caller that also has to keep a loudspeaker fed
//! can do one at a time. Equal input gives equal samples, always.

use std::path::Path;
use std::sync::Arc;

use ort::environment::Environment;
use ort::session::Session;
use ort::value::Tensor;
use rubato::audioadapter_buffers::direct::InterleavedSlice;
use rubato::{Async, FixedAsync, Resampler, SincInterpolationParameters, SincInterpolationType, WindowFunction};
use sha2::{Digest, Sha256};

use crate::onnx::{RuntimeError, open_model};
use crate::say::text::Reader;
use crate::speech::voice::phonemes::{PhonemeError, Phonemizer};
use crate::speech::voice::spectrum::{BINS, Spectrum, Synthesis};

pub use crate::speech::voice::spectrum::SAMPLE_RATE;

/// A loaded voice.
pub struct Voice {
    reader: Arc<Reader>,
    phonemizer: Phonemizer,
    model: Session,
    synthesis: Synthesis,
    fingerprint: String,
}

impl Voice {
    /// Loads the voice from `models` (folder `hibari-heart`). The environment is the process's only one, made by
    /// [`environment`](crate::onnx::environment).
    ///
    /// # Errors
    ///
    /// A file is missing or damaged; the error names it.
    pub fn load(environment: &Environment, models: &Path, reader: impl Into<Arc<Reader>>) -> Result<Self, VoiceError> {
        let folder = models.join(FOLDER);
        let path = folder.join("hibari.onnx");
        let model = open_model(environment, &path)?;
        let bytes = std::fs::read(&path).map_err(|source| VoiceError::Unreadable { path, source })?;
        let fingerprint = Sha256::digest(&bytes).iter().map(|byte| format!("{byte:02x}")).collect();
        let phonemizer = Phonemizer::load(environment, &folder)?;
        Ok(Self { reader: reader.into(), phonemizer, model, synthesis: Synthesis::new(), fingerprint })
    }

    /// What puts text into words, as this voice says it.
    pub fn reader(&self) -> Arc<Reader> {
        Arc::clone(&self.reader)
    }

    /// The sentences of a text, in words; see [`Reader::sentences`].
    pub fn sentences(&self, text: &str) -> Vec<String> {
        self.reader.sentences(text)
    }

    /// A sentence with the phonemes of the tables beside its words; see [`Reader::marked`].
    pub fn marked(&self, sentence: &str) -> String {
        self.reader.marked(sentence)
    }

    /// SHA-256 of the model, in hex: sound made by another model is another sound.
    pub fn fingerprint(&self) -> &str {
        &self.fingerprint
    }

    /// First stage: the phonemes of a sentence, in pieces short enough for the model.
    pub fn phonemes(&mut self, sentence: &str) -> Vec<String> {
        pieces(&self.phonemizer.phonemes(sentence, &|word| self.reader.phonemes(word)))
    }

    /// Lets go of what takes much memory and was not needed since the last call; it is back with the next sentence that needs it.
    pub fn rest(&mut self) {
        self.phonemizer.rest();
    }

    /// Second stage: the spectrum of a piece. `speed` 1.0 is the usual pace, larger is faster.
    ///
    /// # Errors
    ///
    /// The model does not run or gives another shape than it should.
    pub fn spectrum(&mut self, piece: &str, speed: f32) -> Result<Spectrum, VoiceError> {
        let ids = self.phonemizer.ids(piece);
        let ids = Tensor::from_array(([1usize, ids.len()], ids)).map_err(VoiceError::Model)?;
        let asked = speed.clamp(SLOWEST, FASTEST);
        let modelled = asked.min(FASTEST_CLEAR);
        let speed = Tensor::from_array(([1usize], vec![modelled])).map_err(VoiceError::Model)?;
        let outputs = self.model.run(ort::inputs!["ids" => ids, "speed" => speed]).map_err(VoiceError::Model)?;
        let part = |name: &'static str| -> Result<Vec<f32>, VoiceError> {
            let output = outputs.get(name).ok_or(VoiceError::Output { name })?;
            Ok(output.try_extract_tensor::<f32>().map_err(VoiceError::Model)?.1.to_vec())
        };
        let spectrum = Spectrum {
            harmonic: part("lh")?,
            harmonic_phase: part("theta")?,
            noise: part("ln")?,
            free: part("lr")?,
            free_phase: part("phi")?,
            pitch: part("f0")?,
        };
        let values = spectrum.pitch.len() * BINS;
        let shapes = [
            ("lh", spectrum.harmonic.len()),
            ("theta", spectrum.harmonic_phase.len()),
            ("ln", spectrum.noise.len()),
            ("lr", spectrum.free.len()),
            ("phi", spectrum.free_phase.len()),
        ];
        match shapes.into_iter().find(|&(_, found)| found != values) {
            Some((name, found)) => Err(VoiceError::Shape { name, found, expected: values }),
            None if asked > modelled => Ok(spectrum.faster(asked / modelled)),
            None => Ok(spectrum),
        }
    }

    /// Third stage: samples at 24 kHz, not yet levelled.
    ///
    /// # Errors
    ///
    /// The transform refuses the spectrum.
    pub fn samples(&self, piece: &str, spectrum: &Spectrum) -> Result<Vec<f32>, VoiceError> {
        let digest = Sha256::digest(piece.as_bytes());
        let seed = digest.iter().take(8).fold(0u64, |seed, byte| seed << 8 | u64::from(*byte));
        self.synthesis.samples(spectrum, seed).map_err(VoiceError::Transform)
    }

    /// All stages for one sentence: samples at 24 kHz, not yet levelled. Empty when nothing of it can be said.
    ///
    /// # Errors
    ///
    /// As of the stages.
    pub fn synthesise(&mut self, sentence: &str, speed: f32) -> Result<Vec<f32>, VoiceError> {
        let mut samples = Vec::new();
        for piece in self.phonemes(sentence) {
            let spectrum = self.spectrum(&piece, speed)?;
            samples.extend(self.samples(&piece, &spectrum)?);
        }
        Ok(samples)
    }

    /// All sentences of a text after each other, as raw samples at 24 kHz.
    ///
    /// # Errors
    ///
    /// As of the stages.
    pub fn synthesise_text(&mut self, text: &str, speed: f32) -> Result<Vec<f32>, VoiceError> {
        let mut samples = Vec::new();
        for sentence in self.sentences(text) {
            samples.extend(self.synthesise(&sentence, speed)?);
        }
        Ok(samples)
    }
}

/// Samples played `factor` times as fast: pitch and formants go up with it, length goes down. Range 0.5 to 2; it makes
/// another speaker of the same voice.
///
/// # Errors
///
/// The factor is out of its range.
pub fn shift(samples: &[f32], factor: f64) -> Result<Vec<f32>, VoiceError> {
    if !(0.5..=2.0).contains(&factor) {
        return Err(VoiceError::Shift { factor });
    }
    let parameters = SincInterpolationParameters {
        sinc_len: 128,
        f_cutoff: None,
        interpolation: SincInterpolationType::Cubic,
        oversampling_factor: 128,
        window: WindowFunction::BlackmanHarris2,
    };
    let resample = || -> Result<Vec<f32>, Box<dyn std::error::Error + Send + Sync>> {
        let mut resampler = Async::<f32>::new_sinc(1.0 / factor, 1.0, &parameters, 1024, 1, FixedAsync::Input)?;
        let input = InterleavedSlice::new(samples, 1, samples.len())?;
        Ok(resampler.process_all(&input, samples.len(), None)?.take_data())
    };
    resample().map_err(VoiceError::Resample)
}

/// What can go wrong with the voice.
#[derive(Debug, thiserror::Error)]
pub enum VoiceError {
    /// The library of the models.
    #[error(transparent)]
    Runtime(#[from] RuntimeError),
    /// The files of words and phonemes.
    #[error(transparent)]
    Phonemes(#[from] PhonemeError),
    /// The file of the model.
    #[error("voice model {path} cannot be read; run `sparehand fetch`")]
    Unreadable {
        /// Where.
        path: std::path::PathBuf,
        /// What the system said.
        #[source]
        source: std::io::Error,
    },
    /// The model itself.
    #[error("voice model does not run")]
    Model(#[source] ort::Error),
    /// The model is another than the one that is expected.
    #[error("voice model gives no output '{name}'; run `sparehand fetch` again")]
    Output {
        /// Which.
        name: &'static str,
    },
    /// As [`Output`](Self::Output).
    #[error("voice model: output '{name}' has {found} values, expected {expected}; run `sparehand fetch` again")]
    Shape {
        /// Which.
        name: &'static str,
        /// What there is.
        found: usize,
        /// What there is to be.
        expected: usize,
    },
    /// From a spectrum to samples.
    #[error("voice: spectrum cannot be turned into samples")]
    Transform(#[source] realfft::FftError),
    /// See [`shift`].
    #[error("voice: shift by {factor}, expected 0.5 to 2")]
    Shift {
        /// What was asked for.
        factor: f64,
    },
    /// See [`shift`].
    #[error("voice: samples cannot be resampled")]
    Resample(#[source] Box<dyn std::error::Error + Send + Sync>),
}

/// Cuts phonemes into pieces that the model takes, at the punctuation between clauses or, failing that, between words.
fn pieces(phonemes: &str) -> Vec<String> {
    let mut pieces: Vec<String> = Vec::new();
    let mut piece = String::new();
    let mut count = 0;
    for word in phonemes.split_inclusive(' ') {
        let length = word.chars().count();
        let clause_ended = piece.trim_end().ends_with([',', ';', ':', '—']);
        if count + length > LONGEST_PIECE || (count > LONGEST_PIECE / 2 && clause_ended) {
            pieces.push(std::mem::take(&mut piece));
            count = 0;
        }
        // A single endless word is cut where it has to be.
        for symbol in word.chars() {
            if count == LONGEST_PIECE {
                pieces.push(std::mem::take(&mut piece));
                count = 0;
            }
            piece.push(symbol);
            count += 1;
        }
    }
    pieces.push(piece);
    pieces.retain(|piece| piece.chars().any(char::is_alphabetic));
    pieces.iter_mut().for_each(|piece| *piece = piece.trim().to_string());
    pieces
}

/// The voice's folder in the folder of models.
const FOLDER: &str = "hibari-heart";

/// Symbols; the model was trained on sentences up to about 500.
const LONGEST_PIECE: usize = 380;

/// The range of speeds.
const SLOWEST: f32 = 0.5;
const FASTEST: f32 = 2.0;

/// The model swallows consonants when it is asked for more than this: an independent recogniser missed 21 % of its words at
/// 1.5, but 6 % when frames of slower speech were left out evenly. Beyond this speed we do that.
const FASTEST_CLEAR: f32 = 1.25;
