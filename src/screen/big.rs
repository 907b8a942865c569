//! Large letters, made of blocks, that can be read from two metres.
//!
//! A letter of the smallest size is 4 cells wide and 4 high, of which the capital fills seven eighths. In a terminal of 24
//! lines that is at least 16 mm on a common screen: 28 minutes of arc at 2 m, where ordinary text has about 5.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;
use ratatui::text::Line;
use ratatui::widgets::Widget;
use tui_big_text::{BigText, PixelSize};

/// Text laid out in large letters.
#[derive(Clone, Debug)]
pub(super) struct Big {
    size: PixelSize,
    lines: Vec<String>,
}

impl Big {
    /// `text` in the largest letters, no larger than the `limit`, with which it fits `width` cells and `rows` rows without
    /// breaking a word. Nothing where it does not fit, or the letters are not all in the font.
    pub(super) fn fit(text: &str, width: u16, rows: u16, limit: Limit) -> Option<Self> {
        if text.is_empty() || !text.chars().all(is_in_font) {
            return None;
        }
        let sizes = match limit {
            Limit::None => SIZES.as_slice(),
            Limit::Smallest => &[SMALLEST],
        };
        let lines_at = |across: u16| wrap_words(text, usize::from(width / across));
        let fewest = lines_at(SMALLEST.1)?.len();
        sizes.iter().find_map(|(size, across, down)| {
            let lines = lines_at(*across)?;
            // Height is what makes letters readable from afar: mere width is not worth another line.
            let worth_it = *down > SMALLEST.2 || lines.len() == fewest;
            (worth_it && lines.len() * usize::from(*down) <= usize::from(rows)).then_some(Self { size: *size, lines })
        })
    }

    /// Rows that it takes.
    pub(super) fn rows(&self) -> u16 {
        u16::try_from(self.lines.len()).unwrap_or(u16::MAX).saturating_mul(self.cell().1)
    }

    /// Cells that its longest line takes.
    pub(super) fn width(&self) -> u16 {
        let letters = self.lines.iter().map(|line| line.chars().count()).max().unwrap_or(0);
        u16::try_from(letters).unwrap_or(u16::MAX).saturating_mul(self.cell().0)
    }

    pub(super) fn draw(&self, style: Style, area: Rect, buffer: &mut Buffer) {
        let lines: Vec<Line> = self.lines.iter().map(|line| Line::from(line.as_str())).collect();
        BigText::builder().pixel_size(self.size).style(style).lines(lines).build().render(area, buffer);
    }

    fn cell(&self) -> (u16, u16) {
        SIZES.iter().find(|(size, ..)| *size == self.size).map_or((0, 0), |(_, across, down)| (*across, *down))
    }
}

/// How large letters may become.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Limit {
    None,
    Smallest,
}

/// Lines of at most `letters` letters, broken between words only; nothing where a word is longer.
fn wrap_words(text: &str, letters: usize) -> Option<Vec<String>> {
    if letters == 0 {
        return None;
    }
    let options = textwrap::Options::new(letters).break_words(false);
    let lines: Vec<String> = textwrap::wrap(text, options).into_iter().map(|line| line.into_owned()).collect();
    lines.iter().all(|line| line.chars().count() <= letters).then_some(lines)
}

/// Whether the font has a shape for the letter; it leaves others out without a word.
fn is_in_font(letter: char) -> bool {
    let area = Rect::new(0, 0, 4, 4);
    let mut buffer = Buffer::empty(area);
    let line = Line::from(letter.to_string());
    BigText::builder().pixel_size(PixelSize::Quadrant).lines(vec![line]).build().render(area, &mut buffer);
    letter == ' ' || buffer.content().iter().any(|cell| cell.symbol() != " ")
}

/// Sizes from the largest, with the cells that a letter takes across and down. The block characters for these are old and
/// in every font; finer ones (sextants, octants) are often missing.
const SIZES: [(PixelSize, u16, u16); 3] = [(PixelSize::Full, 8, 8), (PixelSize::HalfHeight, 8, 4), SMALLEST];

const SMALLEST: (PixelSize, u16, u16) = (PixelSize::Quadrant, 4, 4);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sixty_letters_fit_eighty_columns_and_sixteen_rows() {
        let call = "Close the black valve all the way, then say valve closed now";
        assert_eq!(call.len(), 60);
        let big = Big::fit(call, 80, 16, Limit::None).expect("it fits");
        assert_eq!((big.size, big.rows()), (PixelSize::Quadrant, 16));
        assert!(big.width() <= 80);
    }

    #[test]
    fn short_text_gets_the_largest_letters_that_fit() {
        let size = |width, rows| Big::fit("Rinse", width, rows, Limit::None).map(|big| big.size);
        assert_eq!(size(80, 16), Some(PixelSize::Full));
        assert_eq!(size(80, 7), Some(PixelSize::HalfHeight));
        assert_eq!(size(39, 4), Some(PixelSize::Quadrant));
        assert_eq!(size(19, 4), None);
        assert_eq!(size(80, 3), None);
    }

    #[test]
    fn text_with_a_letter_that_the_font_lacks_is_not_taken() {
        assert!(('!'..='~').chain("äöüÄÖÜßéèçñåø°".chars()).all(is_in_font));
        for text in ["→", "x³", "a\tb", "e\u{301}", "水"] {
            assert!(Big::fit(text, 80, 24, Limit::None).is_none(), "{text:?}");
        }
    }
}
