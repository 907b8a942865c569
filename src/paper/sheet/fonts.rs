//! How wide words are: Noto Sans (SIL Open Font License 1.1, from the crate `notosans`), shaped as it will be drawn.

use std::cell::RefCell;
use std::collections::BTreeSet;

use rustybuzz::{Face, UnicodeBuffer};
use textwrap::WordSeparator;
use textwrap::core::Fragment;
use textwrap::wrap_algorithms::wrap_first_fit;

/// The two cuts of the font.
pub(super) struct Fonts {
    regular: Face<'static>,
    bold: Face<'static>,
    missing: RefCell<BTreeSet<char>>,
}

impl Fonts {
    pub(super) fn new() -> Option<Self> {
        let face = |bytes: &'static [u8]| Face::from_slice(bytes, 0);
        Some(Self {
            regular: face(notosans::REGULAR_TTF)?,
            bold: face(notosans::BOLD_TTF)?,
            missing: RefCell::default(),
        })
    }

    /// Width of a text in points.
    pub(super) fn width(&self, text: &str, bold: bool, points: f32) -> f32 {
        let face = if bold { &self.bold } else { &self.regular };
        let mut buffer = UnicodeBuffer::new();
        buffer.push_str(text);
        buffer.guess_segment_properties();
        let shaped = rustybuzz::shape(face, &[], buffer);
        if shaped.glyph_infos().iter().any(|glyph| glyph.glyph_id == 0) {
            let unknown = text.chars().filter(|&c| face.glyph_index(c).is_none());
            self.missing.borrow_mut().extend(unknown);
        }
        let units: i64 = shaped.glyph_positions().iter().map(|glyph| i64::from(glyph.x_advance)).sum();
        units as f32 * points / face.units_per_em() as f32
    }

    /// The text in lines of at most this width; a word that is wider is broken.
    pub(super) fn lines(&self, text: &str, bold: bool, points: f32, width: f32) -> Vec<String> {
        let mut words = Vec::new();
        for word in WordSeparator::UnicodeBreakProperties.find_words(text) {
            let bare = self.width(word.word, bold, points);
            if bare <= width {
                let blanks = self.width(word.whitespace, bold, points);
                words.push(Measured {
                    text: word.word.to_owned(),
                    blanks: word.whitespace.to_owned(),
                    bare,
                    blank: blanks,
                });
                continue;
            }
            let mut part = String::new();
            for letter in word.word.chars() {
                part.push(letter);
                if self.width(&part, bold, points) > width && part.chars().count() > 1 {
                    part.pop();
                    let bare = self.width(&part, bold, points);
                    words.push(Measured { text: std::mem::take(&mut part), blanks: String::new(), bare, blank: 0.0 });
                    part.push(letter);
                }
            }
            let bare = self.width(&part, bold, points);
            words.push(Measured {
                text: part,
                blanks: word.whitespace.to_owned(),
                bare,
                blank: self.width(" ", bold, points),
            });
        }
        wrap_first_fit(&words, &[f64::from(width)])
            .into_iter()
            .map(|line| {
                line.iter()
                    .map(|word| format!("{}{}", word.text, word.blanks))
                    .collect::<String>()
                    .trim_end()
                    .to_owned()
            })
            .filter(|line| !line.is_empty())
            .collect()
    }

    /// What had no shape so far.
    pub(super) fn missing(&self) -> BTreeSet<char> {
        self.missing.borrow().clone()
    }
}

#[derive(Debug)]
struct Measured {
    text: String,
    blanks: String,
    bare: f32,
    blank: f32,
}

impl Fragment for Measured {
    fn width(&self) -> f64 {
        f64::from(self.bare)
    }

    fn whitespace_width(&self) -> f64 {
        f64::from(self.blank)
    }

    fn penalty_width(&self) -> f64 {
        0.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Advance widths of Noto Sans Regular as its own table `hmtx` gives them: H 741, i 258 of 1000 units (read with fontTools).
    #[test]
    fn widths_are_those_of_the_font() {
        let fonts = Fonts::new().unwrap();
        assert!((fonts.width("H", false, 1000.0) - 741.0).abs() < 0.5);
        assert!((fonts.width("i", false, 1000.0) - 258.0).abs() < 0.5);
        assert!(fonts.missing().is_empty());
        fonts.width("\u{1F69A}", false, 10.0);
        assert_eq!(fonts.missing(), BTreeSet::from(['\u{1F69A}']));
    }

    #[test]
    fn no_line_is_wider_than_it_may_be_and_no_word_is_lost() {
        let fonts = Fonts::new().unwrap();
        let text = "Put waterproof gloves on, long ones, before anythingatallistouchedaroundtheoutlet or the drain.";
        let lines = fonts.lines(text, false, 12.0, 110.0);
        assert!(lines.iter().all(|line| fonts.width(line, false, 12.0) <= 110.0), "{lines:?}");
        let joined: String = lines.concat();
        assert_eq!(joined.replace(' ', ""), text.replace(' ', ""));
    }
}
