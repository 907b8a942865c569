//! The tables of `prompts/speech/`: how figures, units, signs, abbreviations and odd words are said.
//!
//! The tables are built in; a folder of the user's own with files of the same names adds to them or replaces lines.
//! No wording stands in Rust: what is not in a table is not said.

use std::collections::HashMap;
use std::path::{Path, PathBuf};

use serde::Deserialize;
use serde::de::DeserializeOwned;

use crate::source::{Source, SourceError};

/// All tables together. Cheap to pass by reference, made once.
#[derive(Clone, Debug)]
pub struct Wording {
    pub(super) reading: ReadingTables,
    pub(super) radio: RadioTables,
    abbreviations: AbbreviationTables,
    pronunciations: PronunciationTables,
}

impl Wording {
    /// The built-in tables, with the files of `folder` laid over them.
    ///
    /// # Errors
    ///
    /// A file of the folder that cannot be read, is not TOML or holds a table of another shape. A folder or file that is
    /// not there is no error: there is nothing to lay over.
    pub fn load(folder: Option<&Path>) -> Result<Self, WordingError> {
        let wording = Self {
            reading: read_tables(READING, folder)?,
            radio: read_tables(RADIO, folder)?,
            abbreviations: read_tables(ABBREVIATIONS, folder)?,
            pronunciations: read_tables(PRONUNCIATIONS, folder)?,
        };
        if wording.radio.words.digits.len() != 10 {
            return Err(WordingError::Digits { found: wording.radio.words.digits.len() });
        }
        Ok(wording)
    }

    /// The abbreviation that `text` begins with, and what is said for it; the longest one wins.
    pub(super) fn abbreviation(&self, text: &str) -> Option<(usize, &str)> {
        let fits = |key: &str| {
            let Some(head) = text.get(..key.len()) else { return false };
            let same = if has_capital(key) { head == key } else { head.eq_ignore_ascii_case(key) };
            same && !text[key.len()..].starts_with(char::is_alphanumeric)
        };
        let best = self.abbreviations.words.iter().filter(|(key, _)| fits(key)).max_by_key(|(key, _)| key.len());
        best.map(|(key, said)| (key.len(), said.as_str()))
    }

    /// Whether a full stop at the end of this abbreviation can also end a sentence.
    pub(super) fn may_end_sentence(&self, abbreviation: &str) -> bool {
        !self.abbreviations.never_end.words.iter().any(|word| word.eq_ignore_ascii_case(abbreviation))
    }

    /// The phonemes of a word that the tables know better than the voice does.
    pub(super) fn phonemes(&self, word: &str, radio: bool) -> Option<String> {
        let lower = word.to_lowercase();
        if radio && let Some(found) = self.radio.pronunciations.get(&lower) {
            return Some(found.0.clone());
        }
        let table = &self.pronunciations.words;
        if let Some(found) = table.get(word).or_else(|| table.get(&lower)) {
            return Some(found.0.clone());
        }
        let spelled = self.abbreviations.spelled.words.iter().any(|entry| entry == word);
        if spelled { self.spell(word) } else { None }
    }

    /// The names of a word's letters, the last one stressed. `None` when a letter has no name in the tables.
    pub(super) fn spell(&self, word: &str) -> Option<String> {
        let letters: Vec<char> = word.chars().collect();
        let plural = letters.len() > 1
            && letters.last() == Some(&'s')
            && letters[..letters.len() - 1].iter().all(|c| c.is_uppercase());
        let last = letters.len().saturating_sub(if plural { 2 } else { 1 });
        let mut said = String::new();
        for (place, letter) in letters.iter().enumerate() {
            let is_plural_mark = plural && place == letters.len() - 1;
            let key = if is_plural_mark { letter.to_string() } else { letter.to_uppercase().to_string() };
            let Phonemes(name) = self.pronunciations.letters.get(&key)?;
            if place == last { said.push_str(name) } else { said.push_str(&name.replace('ˈ', "ˌ")) }
        }
        Some(said)
    }
}

/// `reading.toml`.
#[derive(Clone, Debug, Deserialize)]
pub(super) struct ReadingTables {
    pub words: ReadingWords,
    pub number_signs: Signs,
    pub fractions: HashMap<String, CountedName>,
    pub fraction_denominators: Denominators,
    pub units: HashMap<String, CountedName>,
    pub currencies: HashMap<String, Currency>,
    pub half_days: HashMap<String, String>,
    pub signs: HashMap<char, String>,
    pub plural_before: Words,
    pub not_a_unit_before: HashMap<String, Vec<String>>,
    pub months: Months,
}

#[derive(Clone, Debug, Deserialize)]
pub(super) struct ReadingWords {
    pub point: String,
    pub minus: String,
    pub to: String,
    pub number: String,
    pub over: String,
    pub by: String,
    pub and: String,
    pub o_clock: String,
    pub oh: String,
    pub hundred: String,
    pub fraction_of: String,
    pub half_of: String,
}

/// A name with its forms for one and for many, and the form with its article.
#[derive(Clone, Debug, Deserialize)]
pub(super) struct CountedName {
    pub one: String,
    pub many: String,
    pub a: String,
}

#[derive(Clone, Debug, Deserialize)]
pub(super) struct Currency {
    pub one: String,
    pub many: String,
    pub cent: String,
    pub cents: String,
}

#[derive(Clone, Debug, Deserialize)]
pub(super) struct Signs {
    pub signs: Vec<String>,
}

#[derive(Clone, Debug, Deserialize)]
pub(super) struct Denominators {
    pub allowed: Vec<u64>,
}

#[derive(Clone, Debug, Deserialize)]
pub(super) struct Months {
    pub names: Vec<String>,
}

#[derive(Clone, Debug, Deserialize)]
pub(super) struct Words {
    pub words: Vec<String>,
}

/// `radio.toml`.
#[derive(Clone, Debug, Deserialize)]
pub(super) struct RadioTables {
    pub words: RadioWords,
    pronunciations: HashMap<String, Phonemes>,
}

#[derive(Clone, Debug, Deserialize)]
pub(super) struct RadioWords {
    pub decimal: String,
    pub hundred: String,
    pub thousand: String,
    pub digits: Vec<String>,
}

#[derive(Clone, Debug, Deserialize)]
struct AbbreviationTables {
    words: HashMap<String, String>,
    never_end: Words,
    spelled: Words,
}

#[derive(Clone, Debug, Deserialize)]
struct PronunciationTables {
    words: HashMap<String, Phonemes>,
    letters: HashMap<String, Phonemes>,
}

/// How a word sounds, in the letters of the voice; read from the International Phonetic Alphabet, for General American.
#[derive(Clone, Debug, Deserialize)]
#[serde(from = "String")]
struct Phonemes(String);

impl From<String> for Phonemes {
    fn from(ipa: String) -> Self {
        let written = OF_VOICE.iter().fold(ipa, |text, (sound, letter)| text.replace(sound, letter));
        let (mut voiced, mut stress) = (String::new(), None);
        for sound in written.chars() {
            match sound {
                // It stands before a syllable, and the voice wants it before the vowel.
                'ˈ' | 'ˌ' => stress = Some(sound),
                // Length, the end of a syllable, and the bow over two letters that are one sound.
                'ː' | '.' | '\u{361}' => {}
                _ => {
                    if VOWELS.contains(sound) {
                        voiced.extend(stress.take());
                    }
                    voiced.push(sound);
                }
            }
        }
        Self(voiced)
    }
}

/// What the voice writes in one letter, or in another one.
const OF_VOICE: [(&str, &str); 10] = [
    ("eɪ", "A"),
    ("aɪ", "I"),
    ("oʊ", "O"),
    ("aʊ", "W"),
    ("ɔɪ", "Y"),
    ("dʒ", "ʤ"),
    ("tʃ", "ʧ"),
    ("g", "ɡ"),
    ("r", "ɹ"),
    ("ɝ", "ɜɹ"),
];
const VOWELS: &str = "aeiouæɐɑɒɔəɚɛɜɪʊʌᵊAIOWY";

/// What can be wrong with the tables.
#[derive(Debug, thiserror::Error)]
pub enum WordingError {
    #[error("speech table {path}: cannot be read; check its permissions")]
    Unreadable {
        path: PathBuf,
        #[source]
        source: std::io::Error,
    },
    #[error("speech table {0}; correct or remove the file")]
    NoTable(#[from] SourceError),
    #[error(
        "speech table {path}: found {found}, expected the tables of the built-in file of that name; correct or remove it"
    )]
    Malformed { path: PathBuf, found: String },
    #[error("speech table radio.toml: found {found} digit names, expected 10 from zero to nine")]
    Digits { found: usize },
}

/// A built-in file: its name and text.
type BuiltIn = (&'static str, &'static str);

/// Reads a built-in file, lays the user's over it and gives it its shape.
fn read_tables<T: DeserializeOwned>((name, text): BuiltIn, folder: Option<&Path>) -> Result<T, WordingError> {
    let table = |name: &str, text: &str| Source { name: name.to_owned(), text: text.to_owned() }.read_for_writer();
    let mut tables: toml::Table = table(name, text)?;
    let mut blamed = PathBuf::from(name);
    if let Some(path) = folder.map(|folder| folder.join(name)).filter(|path| path.exists()) {
        let text =
            std::fs::read_to_string(&path).map_err(|source| WordingError::Unreadable { path: path.clone(), source })?;
        lay_over(&mut tables, table(&path.display().to_string(), &text)?);
        blamed = path;
    }
    let malformed =
        |why: toml::de::Error| WordingError::Malformed { path: blamed, found: why.message().replace('\n', " ") };
    tables.try_into().map_err(malformed)
}

/// Puts `own` over `tables`: tables are merged, anything else is replaced.
fn lay_over(tables: &mut toml::Table, own: toml::Table) {
    for (key, value) in own {
        match (tables.get_mut(&key), value) {
            (Some(toml::Value::Table(below)), toml::Value::Table(above)) => lay_over(below, above),
            (_, value) => {
                tables.insert(key, value);
            }
        }
    }
}

fn has_capital(text: &str) -> bool {
    text.chars().any(char::is_uppercase)
}

const READING: BuiltIn = ("reading.toml", include_str!("../../prompts/speech/reading.toml"));
const RADIO: BuiltIn = ("radio.toml", include_str!("../../prompts/speech/radio.toml"));
const ABBREVIATIONS: BuiltIn = ("abbreviations.toml", include_str!("../../prompts/speech/abbreviations.toml"));
const PRONUNCIATIONS: BuiltIn = ("pronunciations.toml", include_str!("../../prompts/speech/pronunciations.toml"));

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_of_ones_own_adds_to_the_tables_and_replaces_lines() {
        let folder = tempfile::tempdir().unwrap();
        let own = "[words]\n\"gray\" = \"ˈɡɹɛ\"\n\"sani\" = \"ˈsæni\"\n";
        std::fs::write(folder.path().join("pronunciations.toml"), own).unwrap();
        let wording = Wording::load(Some(folder.path())).unwrap();
        assert_eq!(wording.phonemes("Gray", false).as_deref(), Some("ɡɹˈɛ"));
        assert_eq!(wording.phonemes("sani", false).as_deref(), Some("sˈæni"));
        assert_eq!(wording.phonemes("LP", false).as_deref(), Some("ˌɛlpˈi"), "the built-in tables are still there");
    }

    #[test]
    fn pronunciations_are_read_from_the_phonetic_alphabet() {
        for (ipa, voiced) in [
            ("ˈɡreɪ", "ɡɹˈA"),
            ("ˈpɪtkɑːk", "pˈɪtkɑk"),
            ("dʒiːˌoʊˈdʒɛtɪk", "ʤiˌOʤˈɛtɪk"),
            ("ˈaʊt.loʊd", "ˈWtlOd"),
            ("ˈtɝbaɪn", "tˈɜɹbIn"),
        ] {
            assert_eq!(Phonemes::from(ipa.to_owned()).0, voiced, "{ipa}");
        }
    }

    #[test]
    fn a_broken_file_of_ones_own_is_named_in_the_error() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("radio.toml"), "[words]\ndigits = 3\n").unwrap();
        let error = Wording::load(Some(folder.path())).unwrap_err();
        assert!(error.to_string().contains("radio.toml"), "{error}");
        std::fs::write(folder.path().join("radio.toml"), "[words]\nten = ten\n").unwrap();
        let error = Wording::load(Some(folder.path())).unwrap_err().to_string();
        assert!(error.contains("radio.toml: line 2: found a value without quotes in ten, expected"), "{error}");
    }

    #[test]
    fn spelled_words_stress_the_last_letter_and_keep_their_plural() {
        let wording = Wording::load(None).unwrap();
        assert_eq!(wording.phonemes("RVs", false).as_deref(), Some("ˌɑɹvˈiz"));
    }
}
