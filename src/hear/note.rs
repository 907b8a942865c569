//! A spoken note: sound that is kept whole, with what the recogniser makes of it piece by piece.

use crate::audio::FRAME_LEN;
use crate::audio::SAMPLE_RATE;
use crate::hear::look::LookId;

/// What was said as a note.
#[derive(Clone, Debug, PartialEq)]
pub struct SpokenNote {
    /// Mono, 16 kHz, full scale 1.0, from shortly before the first word to shortly after the last.
    pub samples: Vec<f32>,
    /// The words as far as they were understood, piece by piece; empty where nothing was.
    pub text: String,
}

/// A note that is waited for or being said.
#[derive(Clone, Debug, Default)]
pub struct NoteTaking {
    samples: Vec<f32>,
    pieces: Vec<Piece>,
    /// Samples up to the end of the last piece; what comes later is quiet.
    said: usize,
    /// A phrase that may be said came after the first words: the note is over.
    broken_off: bool,
}

/// A piece, and how it reads once that is known.
#[derive(Clone, Debug)]
struct Piece {
    id: LookId,
    text: String,
}

impl NoteTaking {
    /// Samples so far.
    pub fn samples_so_far(&self) -> usize {
        self.samples.len()
    }

    /// Whether its first word has been said.
    pub fn has_begun(&self) -> bool {
        !self.samples.is_empty()
    }

    /// The first word begins; `recent` is the sound before it.
    pub fn begin(&mut self, recent: impl IntoIterator<Item = f32>) {
        self.samples.extend(recent);
    }

    /// The next 10 ms after its beginning.
    pub fn push(&mut self, frame: &[f32; FRAME_LEN]) {
        if self.has_begun() {
            self.samples.extend_from_slice(frame);
        }
    }

    /// A piece has ended, with so many samples of the note; how it reads will be told.
    pub fn add(&mut self, id: LookId, end: usize) {
        self.pieces.push(Piece { id, text: String::new() });
        self.said = end;
    }

    /// This is how a piece reads.
    pub fn reads(&mut self, id: LookId, text: &str) {
        if let Some(piece) = self.pieces.iter_mut().find(|piece| piece.id == id) {
            piece.text = text.trim().to_owned();
        }
    }

    /// What was heard as its first words was the program's own voice: it has not begun yet.
    pub fn was_own_voice(&mut self) {
        if self.said == 0 {
            self.samples.clear();
        }
    }

    /// An answer came instead of more of the note, `len` samples long, and ended with so many samples of the note.
    pub fn break_off(&mut self, end: usize, len: usize) {
        self.samples.truncate(end.saturating_sub(len));
        self.said = self.samples.len();
        self.broken_off = true;
    }

    /// Whether it is over: something was said, and then nothing for a while.
    pub fn is_over(&self, speech_goes_on: bool) -> bool {
        self.broken_off
            || self.samples.len() >= LONGEST_LEN
            || (self.said > 0 && !speech_goes_on && self.samples.len() - self.said >= END_LEN)
    }

    /// The note as it is to be kept; `None` where nothing was said.
    pub fn finish(mut self) -> Option<SpokenNote> {
        let end = if self.said > 0 { self.said + AFTER_LEN } else { self.samples.len() };
        self.samples.truncate(end);
        let read: Vec<String> =
            self.pieces.into_iter().map(|piece| piece.text).filter(|text| !text.is_empty()).collect();
        let empty = self.samples.is_empty() || (self.broken_off && read.is_empty());
        (!empty).then(|| SpokenNote { samples: self.samples, text: read.join(" ") })
    }
}

/// Quiet that ends a note: people look for words longer than they wait within an answer.
const END_LEN: usize = SAMPLE_RATE * 3 / 2;
const AFTER_LEN: usize = SAMPLE_RATE / 5;
const LONGEST_LEN: usize = 60 * SAMPLE_RATE;
/// From this length on a piece is cut at the first short pause: the model reads short pieces better.
pub(super) const LONG_PIECE_LEN: usize = 5 * SAMPLE_RATE;
/// Quiet windows that are such a pause: 128 ms.
pub(super) const SHORT_PAUSE_WINDOWS: usize = 4;

#[cfg(test)]
mod tests {
    use super::*;

    fn push_s(note: &mut NoteTaking, seconds: f32, level: f32) {
        (0..(seconds * 100.0) as usize).for_each(|_| note.push(&[level; FRAME_LEN]));
    }

    fn add(note: &mut NoteTaking, number: u64, text: &str) {
        note.add(LookId(number), note.samples_so_far());
        note.reads(LookId(number), text);
    }

    #[test]
    fn quiet_before_the_first_word_is_no_note_and_never_ends_one() {
        let mut note = NoteTaking::default();
        push_s(&mut note, 30.0, 0.0);
        assert!(!note.has_begun() && !note.is_over(false));
        assert_eq!(note.finish(), None);
    }

    #[test]
    fn a_pause_between_two_sentences_keeps_both_and_a_long_one_ends_the_note() {
        let mut note = NoteTaking::default();
        note.begin([0.1; 1_600]);
        push_s(&mut note, 2.0, 0.5);
        add(&mut note, 1, " The left tyre looks low. ");
        push_s(&mut note, 1.4, 0.0);
        assert!(!note.is_over(false));
        push_s(&mut note, 1.0, 0.5);
        add(&mut note, 2, "Look at it tomorrow.");
        push_s(&mut note, 1.4, 0.0);
        assert!(!note.is_over(false));
        push_s(&mut note, 0.2, 0.0);
        assert!(!note.is_over(true), "somebody speaks again");
        assert!(note.is_over(false));
        let note = note.finish().unwrap();
        assert_eq!(note.text, "The left tyre looks low. Look at it tomorrow.");
        assert_eq!(note.samples.len(), 1_600 + 16_000 * 44 / 10 + AFTER_LEN);
    }

    #[test]
    fn an_answer_ends_the_note_and_is_no_part_of_it() {
        let mut note = NoteTaking::default();
        note.begin([0.1; 1_600]);
        push_s(&mut note, 1.0, 0.5);
        add(&mut note, 1, "A wasp nest.");
        push_s(&mut note, 0.5, 0.9);
        note.break_off(note.samples_so_far(), 8_000);
        assert!(note.is_over(true));
        let note = note.finish().unwrap();
        assert_eq!((note.text.as_str(), note.samples.len()), ("A wasp nest.", 1_600 + 16_000));

        let mut nothing = NoteTaking::default();
        nothing.begin([0.1; 1_600]);
        nothing.break_off(nothing.samples_so_far(), 1_600);
        assert_eq!(nothing.finish(), None);
    }

    #[test]
    fn a_note_ends_after_a_minute() {
        let mut note = NoteTaking::default();
        note.begin([0.1; 160]);
        push_s(&mut note, 59.98, 0.5);
        assert!(!note.is_over(true));
        push_s(&mut note, 0.02, 0.5);
        assert!(note.is_over(true));
        assert!(note.finish().unwrap().samples.len() >= LONGEST_LEN, "nothing of it is lost");
    }
}
