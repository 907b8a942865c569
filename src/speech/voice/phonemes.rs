//! Words to phonemes: a dictionary with grammar first, a small network for words that it does not know.
//!
//! Takes sentences from [`text`](crate::say::text) and the words that the speech tables know better; gives the symbols that
//! the voice was trained on and nothing else. One word that cannot be read is left out and reported; it never costs the
//! sentence.

use std::collections::HashMap;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use std::sync::{Arc, Mutex};

use misaki_rs::fallback::FallbackError;
use misaki_rs::{Fallback, G2P, Language};
use ort::environment::Environment;
use ort::session::Session;
use ort::value::Tensor;
use serde::Deserialize;

use crate::memory::load_alone;
use crate::onnx::{RuntimeError, open_model};

/// Turns sentences into phonemes.
pub struct Phonemizer {
    dictionary: MadeWhenNeeded<G2P>,
    unknown_words: Arc<UnknownWords>,
    symbols: HashMap<char, i64>,
}

impl Phonemizer {
    /// Loads the network for unknown words and the symbols of the voice from its folder; the dictionary comes with the program, and is
    /// taken apart for the first sentence that needs it.
    pub(crate) fn load(environment: &Environment, folder: &Path) -> Result<Self, PhonemeError> {
        let symbols: HashMap<String, i64> = read_json(&folder.join("vocab.json"))?;
        let symbols = symbols.into_iter().filter_map(|(symbol, id)| Some((symbol.chars().next()?, id))).collect();
        let unknown_words = Arc::new(UnknownWords::load(environment, folder)?);
        Ok(Self { dictionary: MadeWhenNeeded::default(), unknown_words, symbols })
    }

    /// Lets go of the dictionary (62 MB) where no sentence was read since the last call: what is said by now is in the cache.
    pub(crate) fn rest(&mut self) {
        self.dictionary.rest();
    }

    /// The phonemes of a sentence, in symbols of the voice only; empty when nothing of it can be said. `known` gives the
    /// phonemes of words that have their own.
    pub fn phonemes(&mut self, sentence: &str, known: &dyn Fn(&str) -> Option<String>) -> String {
        if let Some(phonemes) = self.read(sentence, known) {
            return phonemes;
        }
        // Something in it cannot be read: take the words one by one and leave that one out.
        let read = sentence.split_whitespace().filter_map(|word| {
            let phonemes = self.read(word, known);
            if phonemes.is_none() {
                tracing::warn!(length = word.len(), "a word cannot be said and is left out");
            }
            phonemes
        });
        read.collect::<Vec<_>>().join(" ")
    }

    /// The ids that the model takes: the pad id at both ends.
    pub(crate) fn ids(&self, phonemes: &str) -> Vec<i64> {
        let ids = phonemes.chars().filter_map(|symbol| self.symbols.get(&symbol).copied());
        std::iter::once(PAD).chain(ids).chain(std::iter::once(PAD)).collect()
    }

    /// Phonemes of a sentence or word, or `None` when a part of it has no reading. The library is guarded: text from
    /// outside must not end the program, whatever it finds in it.
    fn read(&mut self, text: &str, known: &dyn Fn(&str) -> Option<String>) -> Option<String> {
        let dictionary = self.dictionary.need(|| {
            let reads_the_rest = Box::new(ReadsTheRest(Arc::clone(&self.unknown_words)));
            load_alone(|| G2P::with_fallback(Language::EnglishUS, Some(reads_the_rest)))
        });
        let read = catch_unwind(AssertUnwindSafe(|| dictionary.g2p(text)));
        let (_, tokens) = read.ok()?.ok()?;
        let mut phonemes = String::new();
        for token in &tokens {
            let word = token.text.trim_end_matches('.');
            match known(word) {
                Some(own) => {
                    phonemes.push_str(&own);
                    phonemes.push_str(&token.text[word.len()..]);
                }
                None => phonemes.push_str(token.phonemes.as_deref().filter(|found| !found.contains(NO_READING))?),
            }
            phonemes.push_str(&token.whitespace);
        }
        let sounds = phonemes.trim().chars().filter(|symbol| {
            let sounds = self.symbols.contains_key(symbol);
            if !sounds {
                tracing::debug!(%symbol, "the voice has no such sound");
            }
            sounds
        });
        Some(sounds.collect())
    }
}

/// Something large that is made where it is needed, and let go of at a rest since whose last nobody has needed it.
struct MadeWhenNeeded<T> {
    made: Option<T>,
    was_needed: bool,
}

impl<T> Default for MadeWhenNeeded<T> {
    fn default() -> Self {
        Self { made: None, was_needed: false }
    }
}

impl<T> MadeWhenNeeded<T> {
    fn need(&mut self, make: impl FnOnce() -> T) -> &T {
        self.was_needed = true;
        self.made.get_or_insert_with(make)
    }

    fn rest(&mut self) {
        if !std::mem::take(&mut self.was_needed) {
            self.made = None;
        }
    }
}

/// The network that reads words which are in no dictionary. Letters in, phonemes out (CTC: repeats collapse, 0 is blank).
struct UnknownWords {
    session: Mutex<Session>,
    letters: HashMap<char, i64>,
    phonemes: Vec<String>,
    longest: usize,
}

impl UnknownWords {
    fn load(environment: &Environment, folder: &Path) -> Result<Self, PhonemeError> {
        let description: UnknownWordsFile = read_json(&folder.join("oov.json"))?;
        let letters = description.letters.iter().filter_map(|letter| letter.chars().next()).zip(1..).collect();
        Ok(Self {
            session: Mutex::new(open_model(environment, &folder.join("oov.onnx"))?),
            letters,
            phonemes: description.phonemes,
            longest: description.longest,
        })
    }

    fn read(&self, word: &str) -> Result<String, ort::Error> {
        let ids: Vec<i64> = word.chars().filter_map(|letter| self.letters.get(&letter).copied()).collect();
        let mut said = String::new();
        // Longer words than it was trained on are read in pieces, so that their ends are not lost.
        for piece in ids.chunks(self.longest.max(1)) {
            let input = Tensor::from_array(([1usize, piece.len()], piece.to_vec()))?;
            let mut session =
                self.session.lock().map_err(|_| ort::Error::new("the network for unknown words failed before"))?;
            let outputs = session.run(ort::inputs!["chars" => input])?;
            let (_, found) = outputs[0].try_extract_tensor::<i64>()?;
            let mut before = 0;
            for &id in found {
                if id != before
                    && id > 0
                    && let Some(phoneme) = usize::try_from(id - 1).ok().and_then(|place| self.phonemes.get(place))
                {
                    said.push_str(phoneme);
                }
                before = id;
            }
        }
        Ok(said)
    }
}

/// Asked by the dictionary for what it does not hold; the network outlives it.
struct ReadsTheRest(Arc<UnknownWords>);

impl Fallback for ReadsTheRest {
    fn phonemize(&self, word: &str) -> Result<String, FallbackError> {
        let no_reading = || FallbackError::NoPhonemes { word: word.to_string() };
        let phonemes = self.0.read(word).map_err(|error| {
            tracing::warn!(%error, "a word that is in no dictionary cannot be read");
            no_reading()
        })?;
        if phonemes.is_empty() { Err(no_reading()) } else { Ok(phonemes) }
    }
}

#[derive(Deserialize)]
struct UnknownWordsFile {
    #[serde(rename = "in")]
    letters: Vec<String>,
    #[serde(rename = "out")]
    phonemes: Vec<String>,
    #[serde(rename = "maxlen")]
    longest: usize,
}

/// What can be wrong with the files of the voice.
#[derive(Debug, thiserror::Error)]
pub enum PhonemeError {
    /// The library of the models.
    #[error(transparent)]
    Runtime(#[from] RuntimeError),
    /// A file cannot be read.
    #[error("voice file {path} cannot be read; run `sparehand fetch`")]
    Unreadable {
        /// Where.
        path: std::path::PathBuf,
        /// What the system said.
        #[source]
        source: std::io::Error,
    },
    /// A file holds something else.
    #[error("voice file {path} is damaged; run `sparehand fetch` again")]
    Damaged {
        /// Where.
        path: std::path::PathBuf,
        /// What the system said.
        #[source]
        source: Arc<serde_json::Error>,
    },
}

fn read_json<T: serde::de::DeserializeOwned>(path: &Path) -> Result<T, PhonemeError> {
    let bytes = std::fs::read(path).map_err(|source| PhonemeError::Unreadable { path: path.to_path_buf(), source })?;
    serde_json::from_slice(&bytes)
        .map_err(|source| PhonemeError::Damaged { path: path.to_path_buf(), source: Arc::new(source) })
}

/// What the dictionary puts for a word without a reading.
const NO_READING: char = '❓';

/// The model's id for "no sound", at both ends of every sentence.
const PAD: i64 = 0;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_needed_is_made_once_and_let_go_of_at_a_rest_after_nobody_needed_it() {
        let mut dictionary = MadeWhenNeeded::default();
        let mut made = 0;
        let mut need = |dictionary: &mut MadeWhenNeeded<()>| {
            dictionary.need(|| made += 1);
            made
        };
        assert_eq!([need(&mut dictionary), need(&mut dictionary)], [1, 1], "it is kept");
        dictionary.rest();
        assert_eq!(need(&mut dictionary), 1, "it was needed before that rest");
        dictionary.rest();
        assert!(dictionary.made.is_some());
        dictionary.rest();
        assert!(dictionary.made.is_none(), "nobody needed it between two rests");
        assert_eq!(need(&mut dictionary), 2);
    }
}
