//! Text as people write it to sentences as people say them: words and plain punctuation, nothing else.
//!
//! Takes any text at all; gives sentences without digits, signs or units in figures, and loses no number. What cannot be
//! said (a picture character, say) is left out. The phonemes of some words come from the tables, by [`Reader::phonemes`].

use std::sync::LazyLock;

use regex::Regex;

use crate::say::numbers::NumberReading;
use crate::say::quantities;
use crate::say::wording::Wording;

/// Puts text into words.
#[derive(Clone, Debug)]
pub struct Reader {
    wording: Wording,
    reading: NumberReading,
}

impl Reader {
    /// A reader with these tables and this reading of numbers.
    pub fn new(wording: Wording, reading: NumberReading) -> Self {
        Self { wording, reading }
    }

    /// The sentences of a text, each to be synthesised by itself. Empty when there is nothing to say.
    pub fn sentences(&self, text: &str) -> Vec<String> {
        let mut scan = Scan { reader: self, text, at: 0, said: String::new(), sentences: Vec::new() };
        scan.run();
        scan.sentences
    }

    /// A sentence of [`sentences`](Self::sentences) with the phonemes that the tables give for some of its words beside
    /// them: together with speed and model, all that decides how it sounds.
    pub fn marked(&self, sentence: &str) -> String {
        let with_phonemes = WORD.replace_all(sentence, |found: &regex::Captures<'_>| {
            let word = &found[0];
            self.phonemes(word).map_or_else(|| word.to_string(), |phonemes| format!("{word} /{phonemes}/"))
        });
        with_phonemes.into_owned()
    }

    /// The phonemes that the tables give for a word, if they do.
    pub fn phonemes(&self, word: &str) -> Option<String> {
        self.wording.phonemes(word, self.reading == NumberReading::Radio)
    }

    pub(super) fn wording(&self) -> &Wording {
        &self.wording
    }

    pub(super) fn reading(&self) -> NumberReading {
        self.reading
    }
}

/// One pass over a text.
struct Scan<'a> {
    reader: &'a Reader,
    text: &'a str,
    at: usize,
    said: String,
    sentences: Vec<String>,
}

impl Scan<'_> {
    fn run(&mut self) {
        while let Some(next) = self.rest().chars().next() {
            let after = self.text[..self.at].chars().next_back();
            let inside_word = after.is_some_and(char::is_alphanumeric) && next.is_alphabetic();
            if !inside_word && self.take_abbreviation() {
                continue;
            }
            if let Some(found) = quantities::take(self.rest(), after, self.reader) {
                self.word(&found.said);
                self.at += found.taken;
                self.take_stop_of_unit(found.with_unit);
            } else if next.is_alphabetic() {
                self.take_word();
            } else {
                self.take_mark(next);
            }
        }
        self.end_sentence('.');
    }

    fn rest(&self) -> &str {
        &self.text[self.at..]
    }

    /// Says words, with a space before them.
    fn word(&mut self, words: &str) {
        if words.is_empty() {
            return;
        }
        if !self.said.is_empty() && !self.said.ends_with(' ') {
            self.said.push(' ');
        }
        self.said.push_str(words);
    }

    fn take_abbreviation(&mut self) -> bool {
        let Some((length, said)) = self.reader.wording.abbreviation(self.rest()) else { return false };
        let written = &self.text[self.at..self.at + length];
        let (written, said) = (written.to_string(), said.to_string());
        self.at += length;
        self.word(&said);
        if written.ends_with('.') && self.reader.wording.may_end_sentence(&written) && self.at_sentence_start() {
            self.end_sentence('.');
        }
        true
    }

    /// "10 gal. Then": the stop belongs to the unit, and ends the sentence only if another one begins.
    fn take_stop_of_unit(&mut self, with_unit: bool) {
        if with_unit && self.rest().starts_with('.') && !self.rest()[1..].starts_with(char::is_alphanumeric) {
            self.at += 1;
            if self.at_sentence_start() {
                self.end_sentence('.');
            }
        }
    }

    fn take_word(&mut self) {
        let rest = self.rest();
        let mut length = 0;
        for (place, letter) in rest.char_indices() {
            let joins = is_apostrophe(letter)
                && place > 0
                && rest[place + letter.len_utf8()..].starts_with(char::is_alphabetic);
            if !letter.is_alphabetic() && !joins {
                break;
            }
            length = place + letter.len_utf8();
        }
        let word: String = rest[..length]
            .chars()
            .map(|c| if is_apostrophe(c) { '\'' } else { c })
            .filter(|c| can_be_said(*c))
            .collect();
        self.at += length;
        self.word(&word);
    }

    fn take_mark(&mut self, mark: char) {
        let after_space = self.said.is_empty() || self.text[..self.at].ends_with(char::is_whitespace);
        self.at += mark.len_utf8();
        let before_space = self.rest().is_empty() || self.rest().starts_with(char::is_whitespace);
        match mark {
            '\n' => self.end_sentence('.'),
            '.' | '!' | '?' | '…' => {
                let closing = self.rest().len()
                    - self.rest().trim_start_matches(['.', '!', '?', '…', '"', '”', '’', '\'', ')', ']']).len();
                self.at += closing;
                if self.at_sentence_start() {
                    self.end_sentence(if mark == '…' { '.' } else { mark });
                } else if mark == '…' {
                    self.pause(',');
                }
            }
            ',' | ';' | ':' => self.pause(mark),
            '(' | ')' | '–' | '—' | '|' => self.pause(','),
            '-' if after_space && before_space => self.pause(','),
            _ => {
                if let Some(said) = self.reader.wording.reading.signs.get(&mark) {
                    let said = said.clone();
                    self.word(&said);
                }
            }
        }
    }

    /// A comma or its like, never two in a row and none at the start.
    fn pause(&mut self, mark: char) {
        let said = self.said.trim_end();
        if said.is_empty() || said.ends_with([',', ';', ':']) {
            return;
        }
        self.said.truncate(said.len());
        self.said.push(mark);
    }

    /// Whether what follows is the end of the text or the beginning of a sentence.
    fn at_sentence_start(&self) -> bool {
        let rest = self.rest();
        let next = rest.trim_start();
        next.is_empty() || (rest.len() != next.len() && !next.starts_with(char::is_lowercase))
    }

    fn end_sentence(&mut self, mark: char) {
        let sentence = self.said.trim_end_matches([' ', ',', ';', ':']);
        if sentence.chars().any(char::is_alphabetic) {
            self.sentences.push(format!("{sentence}{mark}"));
        }
        self.said.clear();
    }
}

/// Letters that the voice has sounds for: Latin letters, also with accents. Others would only be dropped later.
fn can_be_said(letter: char) -> bool {
    letter == '\'' || (letter.is_alphabetic() && letter < '\u{250}')
}

fn is_apostrophe(mark: char) -> bool {
    matches!(mark, '\'' | '’')
}

#[allow(clippy::unwrap_used, reason = "a fixed pattern, tried by every test")]
static WORD: LazyLock<Regex> = LazyLock::new(|| Regex::new(r"\p{L}[\p{L}']*").unwrap());
