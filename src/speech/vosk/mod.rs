//! Vosk as the recognition engine, with a model of the user's: for people who answer in another language than English.
//!
//! The phrases are the model's grammar. A grammar hears nothing else, so whatever is said comes back as words of it, often as a
//! chain of several phrases: what counts must be exactly one phrase. How it is told from other speech stands in [`judge`].
//! Figures and costs: `docs/hearing/vosk.md`.

mod judge;
mod library;

use std::ffi::CString;
use std::path::{Path, PathBuf};

use serde::Deserialize;

use crate::audio::SAMPLE_RATE;
use crate::decide::PhraseVerdict;
use crate::decide::ranking::{FreeDecode, PhraseScore, Ranking};
use crate::engine::output::AllowedPhrase;
use crate::hear::noise::rms;
use crate::speech::acoustic::SHORTEST;
use crate::speech::recogniser::{Ready, Recogniser, RecogniserError};
use crate::speech::vosk::judge::Weighed;
use crate::speech::vosk::library::VoskModel;
pub use crate::speech::vosk::library::fetched_library;

/// What to load.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct VoskSettings {
    /// `libvosk.so`.
    pub library: PathBuf,
    /// The folder of a model whose grammar can be set while it runs.
    pub model: PathBuf,
    /// Short words of the model's language, one a line, that other speech is made of; without it those for Korean are tried.
    pub fillers: Option<PathBuf>,
}

/// The engine.
pub struct Vosk {
    model: VoskModel,
    folder: PathBuf,
    fillers: CString,
    /// The model's own word for what is none, where it has one.
    unknown: bool,
}

/// Phrases as a grammar.
#[derive(Clone, Debug)]
pub struct Grammar {
    json: CString,
}

/// One way to read a sound.
#[derive(Clone, Debug, PartialEq, Deserialize)]
struct VoskReading {
    /// Log likelihood, language and sound together, in nats; readings of one sound can be compared with each other only.
    #[serde(rename = "confidence")]
    likelihood: f32,
    text: String,
}

impl Vosk {
    /// Loads library and model, and hears a little quiet, so that the first answer need not wait for the disk.
    ///
    /// # Errors
    /// The library or the model cannot be loaded, the model's grammar is fixed, or it knows too few of the fillers.
    pub fn load(settings: &VoskSettings) -> Result<Self, VoskError> {
        check_folder(&settings.model)?;
        let model = VoskModel::load(&settings.library, &settings.model)?;
        let candidates = match &settings.fillers {
            Some(path) => read_fillers(path)?,
            None => open_hangul_syllables(),
        };
        let known: Vec<&str> = candidates.iter().map(String::as_str).filter(|word| model.knows(word)).collect();
        if known.len() < FEWEST_FILLERS {
            let from = settings.fillers.clone();
            return Err(VoskError::Fillers { model: settings.model.clone(), found: known.len(), from });
        }
        let fillers = grammar_of(known.iter().copied())?;
        let unknown = model.knows(UNKNOWN);
        let vosk = Self { model, folder: settings.model.clone(), fillers, unknown };
        vosk.read(Some(&vosk.fillers), &[0.0; SHORTEST])?;
        Ok(vosk)
    }

    fn read(&self, grammar: Option<&CString>, samples: &[f32]) -> Result<Vec<VoskReading>, VoskError> {
        if samples.len() < SHORTEST {
            return Err(VoskError::TooShort { samples: samples.len() });
        }
        let gain = 32_768.0 * gain_for(samples);
        // A cast to a smaller integer stops at its bounds.
        let pcm: Vec<i16> = samples.iter().map(|sample| (sample * gain) as i16).collect();
        let text = self.model.decode(grammar.map(CString::as_c_str), READINGS, &pcm)?;
        let answer: VoskAnswer =
            serde_json::from_str(&text).map_err(|why| VoskError::Answer { why: why.to_string() })?;
        Ok(answer.alternatives)
    }

    /// The likeliest reading that says none of `but`; minus infinity where there is none.
    fn likeliest(
        &self,
        phrases: impl Iterator<Item = impl AsRef<str>>,
        samples: &[f32],
        but: impl Fn(&str) -> bool,
    ) -> Result<f32, VoskError> {
        let mut phrases = phrases.peekable();
        if phrases.peek().is_none() {
            return Ok(f32::NEG_INFINITY);
        }
        let readings = self.read(Some(&grammar_of(phrases)?), samples)?;
        let others = readings.iter().filter(|reading| !but(&reading.text)).map(|reading| reading.likelihood);
        Ok(others.fold(f32::NEG_INFINITY, f32::max))
    }

    fn judge(
        &self,
        samples: &[f32],
        grammar: &Grammar,
        phrases: &[AllowedPhrase],
    ) -> Result<(Ranking, PhraseVerdict), VoskError> {
        let readings = self.read(Some(&grammar.json), samples)?;
        let said = readings.first().map_or("", |reading| reading.text.as_str());
        let Some(best) = phrases.iter().position(|phrase| phrase.text == said) else {
            return Ok((ranking(phrases, &readings, 0.0), judge::no_phrase()));
        };
        let phrase = &phrases[best];
        let other_speech =
            self.read(Some(&self.fillers), samples)?.first().map_or(f32::NEG_INFINITY, |reading| reading.likelihood);
        let means_it = |text: &str| phrases.iter().any(|other| other.group == phrase.group && other.text == text);
        // A phrase that holds all the words of this one would let them be said again; where it comes near, it is among the
        // first readings.
        let rivals = phrases
            .iter()
            .filter(|other| other.group != phrase.group && !judge::holds(&other.text, &phrase.text))
            .map(|other| other.text.as_str());
        let rival = self.likeliest(rivals, samples, means_it)?;
        let beside = readings.iter().filter(|reading| !means_it(&reading.text)).map(|reading| reading.likelihood);
        let weighed = Weighed {
            score: readings[0].likelihood - other_speech,
            margin: readings[0].likelihood - beside.fold(rival, f32::max),
            words: phrase.text.split_whitespace().count(),
        };
        Ok((ranking(phrases, &readings, other_speech), weighed.judge(best, phrase.class)))
    }
}

impl Recogniser for Vosk {
    fn prepare(&mut self, phrases: &[&str]) -> Result<Ready, RecogniserError> {
        let mut missing: Vec<(String, String)> = Vec::new();
        for phrase in phrases {
            for word in phrase.split_whitespace().filter(|word| !self.model.knows(word)) {
                if missing.iter().all(|(known, _)| known != word) {
                    missing.push((word.to_owned(), (*phrase).to_owned()));
                }
            }
        }
        if !missing.is_empty() {
            return Err(VoskError::Vocabulary { model: self.folder.clone(), missing }.into());
        }
        let unknown = self.unknown.then_some(UNKNOWN);
        Ok(Ready::Grammar(Grammar { json: grammar_of(phrases.iter().copied().chain(unknown))? }))
    }

    fn warm(&mut self, _: &Ready) -> Result<(), RecogniserError> {
        Ok(()) // a grammar is made in less than a millisecond, and nothing of it hangs on the background
    }

    fn set_background(&mut self, _: &[f32]) -> Result<(), RecogniserError> {
        Ok(()) // the model estimates the channel from the utterance itself
    }

    fn recognise(
        &mut self,
        samples: &[f32],
        ready: &Ready,
        phrases: &[AllowedPhrase],
    ) -> Result<(Ranking, PhraseVerdict), RecogniserError> {
        let Ready::Grammar(grammar) = ready else { return Err(RecogniserError::OfAnother) };
        Ok(self.judge(samples, grammar, phrases)?)
    }

    fn write_down(&mut self, samples: &[f32]) -> Result<String, RecogniserError> {
        let readings = self.read(None, samples)?;
        Ok(readings.into_iter().next().map_or_else(String::new, |reading| reading.text))
    }
}

/// What brings the words in `samples` to the level at which the model hears best: it understood 31 of 60 clips there, and 7 at a
/// quarter of it. The level is that of the blocks within 15.9 dB of the loudest one (the margin of ITU-T P.56 method B, from memory).
fn gain_for(samples: &[f32]) -> f32 {
    let powers: Vec<f32> = samples.chunks(BLOCK_LEN).map(|block| rms(block).powi(2)).collect();
    let loudest = powers.iter().copied().fold(0.0, f32::max);
    let active: Vec<f32> = powers.into_iter().filter(|power| *power > loudest * 0.0257).collect();
    if active.is_empty() {
        return 1.0;
    }
    let level = (active.iter().sum::<f32>() / active.len() as f32).sqrt();
    (BEST_RMS / level).min(MOST_GAIN)
}

#[derive(Deserialize)]
struct VoskAnswer {
    alternatives: Vec<VoskReading>,
}

/// What is known of each phrase: those that no reading says exactly are at minus infinity. The "free" text is the likeliest
/// chain of the grammar's words.
fn ranking(phrases: &[AllowedPhrase], readings: &[VoskReading], other_speech: f32) -> Ranking {
    let scored = phrases.iter().map(|phrase| {
        let raw = readings
            .iter()
            .find(|reading| reading.text == phrase.text)
            .map_or(f32::NEG_INFINITY, |reading| reading.likelihood);
        PhraseScore { raw, corrected: raw - other_speech }
    });
    let first = readings.first();
    let free = FreeDecode {
        text: first.map_or_else(String::new, |reading| reading.text.clone()),
        log_prob: first.map_or(f32::NEG_INFINITY, |reading| reading.likelihood),
        tokens: Vec::new(),
        complete: true,
    };
    Ranking { phrases: scored.collect(), free }
}

fn grammar_of(phrases: impl Iterator<Item = impl AsRef<str>>) -> Result<CString, VoskError> {
    let all: Vec<String> = phrases.map(|phrase| phrase.as_ref().to_owned()).collect();
    let json = serde_json::Value::from(all).to_string();
    // JSON writes a zero byte as an escape, so there is none.
    CString::new(json).map_err(|_| VoskError::Refused { what: "these phrases" })
}

/// Vosk takes a folder without these files for one with a fixed vocabulary, and would then hear anything at all.
fn check_folder(model: &Path) -> Result<(), VoskError> {
    if !model.is_dir() {
        return Err(VoskError::Model { path: model.to_owned() });
    }
    let has = |file: &str| model.join("graph").join(file).is_file() || model.join(file).is_file();
    if has("HCLG.fst") || !has("HCLr.fst") {
        return Err(VoskError::FixedGrammar { model: model.to_owned() });
    }
    Ok(())
}

fn read_fillers(path: &Path) -> Result<Vec<String>, VoskError> {
    let text =
        std::fs::read_to_string(path).map_err(|source| VoskError::FillerFile { path: path.to_owned(), source })?;
    Ok(text
        .lines()
        .map(str::trim)
        .filter(|line| !line.is_empty() && !line.starts_with('#'))
        .map(str::to_owned)
        .collect())
}

/// The open syllables of ten plain consonants and seven vowels of Korean (Unicode, Hangul syllable composition): any speech can
/// be made of them, none of it well.
fn open_hangul_syllables() -> Vec<String> {
    let syllable =
        |(initial, vowel): (u32, u32)| char::from_u32(0xAC00 + (initial * 21 + vowel) * 28).map(String::from);
    let all = PLAIN_INITIALS.iter().flat_map(|&initial| VOWELS.iter().map(move |&vowel| (initial, vowel)));
    all.filter_map(syllable).collect()
}

/// Why Vosk cannot be used, or gave no answer.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs, reason = "the message says what each field is")]
pub enum VoskError {
    /// The library cannot be loaded.
    #[error(
        "Vosk library {}: {why}; `sparehand fetch --with korean` brings one, or name another with --second-engine-library",
        path.display()
    )]
    Library { path: PathBuf, why: String },
    /// The model cannot be loaded.
    #[error(
        "Vosk model {}: not loaded, expected the folder of a Vosk model (with am/ and graph/ in it); name it with --second-engine-model",
        path.display()
    )]
    Model { path: PathBuf },
    /// The model takes no grammar.
    #[error(
        "Vosk model {}: what can be said is fixed in it, expected HCLr.fst and Gr.fst in its graph/; choose one of the small \
         models, whose phrases can be set", model.display()
    )]
    FixedGrammar { model: PathBuf },
    /// The model does not know some words.
    #[error(
        "Vosk model {}: not in its vocabulary: {}; say it in other words, in the routine or in phrases/en.toml of the \
         configuration folder", model.display(), listed(missing)
    )]
    Vocabulary {
        /// Its folder.
        model: PathBuf,
        /// Word, and the first phrase with it.
        missing: Vec<(String, String)>,
    },
    /// The model knows too few short words.
    #[error(
        "Vosk model {}: it knows {found} of the short words {}, expected at least {FEWEST_FILLERS} that other speech can be told by; \
         name a file with some of its language, one a line, with --second-engine-fillers",
        model.display(), from.as_ref().map_or("for Korean".to_owned(), |path| format!("in {}", path.display()))
    )]
    Fillers { model: PathBuf, found: usize, from: Option<PathBuf> },
    /// The file of short words cannot be read.
    #[error("file of short words {}: cannot be read", path.display())]
    FillerFile {
        /// Where it stands.
        path: PathBuf,
        /// What the system says.
        #[source]
        source: std::io::Error,
    },
    /// There is less sound than the model takes.
    #[error("the sound has {samples} samples, expected at least {SHORTEST}")]
    TooShort { samples: usize },
    /// The library refuses something.
    #[error("Vosk does not take {what}")]
    Refused { what: &'static str },
    /// The answer cannot be read.
    #[error("Vosk's answer is not what was expected: {why}; is the library version 0.3.45?")]
    Answer { why: String },
}

fn listed(missing: &[(String, String)]) -> String {
    let each = missing.iter().take(MOST_LISTED).map(|(word, phrase)| format!("'{word}' (in '{phrase}')"));
    let listed = each.collect::<Vec<_>>().join(", ");
    match missing.len().saturating_sub(MOST_LISTED) {
        0 => listed,
        more => format!("{listed} and {more} more"),
    }
}

/// Readings asked for; those within the model's own lattice beam come.
const READINGS: u8 = 5;
/// 20 ms.
const BLOCK_LEN: usize = SAMPLE_RATE / 50;
/// Full scale 1.0: about that of the clips that the limits were chosen on (`docs/hearing/vosk.md`).
const BEST_RMS: f32 = 0.07;
/// Quiet is not made into something.
const MOST_GAIN: f32 = 30.0;
/// More missing words would hide the first.
const MOST_LISTED: usize = 12;
const UNKNOWN: &str = "[unk]";
/// With fewer, hardly any speech can be made of them.
const FEWEST_FILLERS: usize = 40;
/// g, n, d, r, m, b, s, silent, j, h.
const PLAIN_INITIALS: [u32; 10] = [0, 2, 3, 5, 6, 7, 9, 11, 12, 18];
/// a, eo, o, u, eu, i, ae.
const VOWELS: [u32; 7] = [0, 4, 8, 13, 18, 20, 1];

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::output::{PhraseClass, Prior};

    #[test]
    fn the_fillers_are_seventy_different_open_syllables() {
        let mut all = open_hangul_syllables();
        assert_eq!((all.len(), all[0].as_str(), all[1].as_str()), (70, "가", "거"));
        all.sort();
        all.dedup();
        assert_eq!(all.len(), 70);
    }

    #[test]
    fn words_are_brought_to_one_level_whatever_the_quiet_around_them_and_quiet_stays_quiet() {
        let word: Vec<f32> = (0..SAMPLE_RATE).map(|at| 0.02 * (at as f32 * 0.3).sin()).collect();
        let gain = gain_for(&word);
        assert!((gain * rms(&word) - BEST_RMS).abs() < 0.002, "{gain}");
        let among_quiet = [vec![0.0; SAMPLE_RATE], word.clone(), vec![0.0; SAMPLE_RATE]].concat();
        assert!((gain_for(&among_quiet) / gain - 1.0).abs() < 0.02);
        let softer: Vec<f32> = word.iter().map(|sample| sample / 4.0).collect();
        assert!((gain_for(&softer) / gain - 4.0).abs() < 0.01);
        assert_eq!((gain_for(&[0.0; SHORTEST]), gain_for(&[1e-6; SHORTEST])), (1.0, MOST_GAIN));
    }

    #[test]
    fn a_grammar_is_a_json_list_whatever_is_in_the_phrases() {
        let grammar = grammar_of(["밸브 닫힘", "a \"quoted\" word", UNKNOWN].iter()).unwrap();
        let read: Vec<String> = serde_json::from_str(grammar.to_str().unwrap()).unwrap();
        assert_eq!(read, ["밸브 닫힘", "a \"quoted\" word", "[unk]"]);
    }

    #[test]
    fn a_phrase_counts_only_where_a_reading_says_it_exactly() {
        let phrase = |text: &str| AllowedPhrase {
            text: text.to_owned(),
            class: PhraseClass::Critical,
            group: 0,
            while_speaking: false,
            prior: Prior::Allowed,
        };
        let reading = |text: &str, likelihood| VoskReading { text: text.to_owned(), likelihood };
        let phrases = [phrase("밸브 닫힘"), phrase("밸브 열림")];
        let found = ranking(&phrases, &[reading("분리 열림", 51.5), reading("밸브 열림", 50.5)], 45.0);
        assert_eq!(found.phrases[0].raw, f32::NEG_INFINITY);
        assert_eq!((found.phrases[1].raw, found.phrases[1].corrected), (50.5, 5.5));
        assert_eq!(found.free.text, "분리 열림");
    }
}
