//! The code that a phone's camera reads off the rig's screen, in characters of a terminal.

use std::borrow::Cow;

use qrcode::{EcLevel, QrCode};
use thiserror::Error;

use crate::server::certificate::Fingerprint;
use crate::server::words::RigSideWords;

/// What the rig shows to let a phone in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Invitation {
    /// To be typed or scanned; holds the token.
    pub address: String,
    /// The same as a QR code (ISO/IEC 18004), two rows of it to a line; light on dark, quiet zone and all.
    pub code: Vec<String>,
    /// SHA-256 of the authority's certificate, in two lines.
    pub print: [String; 2],
}

/// The address is too long for a code.
#[derive(Debug, Error)]
#[error("an address of {length} bytes does not fit a QR code")]
pub struct CodeError {
    length: usize,
    source: qrcode::types::QrError,
}

impl Invitation {
    /// For this page and this token.
    ///
    /// # Errors
    /// Together they are longer than a QR code can hold.
    pub fn new(page: &str, token: &str, print: &Fingerprint) -> Result<Self, CodeError> {
        let address = format!("{page}#k={token}");
        let length = address.len();
        let code =
            QrCode::with_error_correction_level(&address, EcLevel::L).map_err(|source| CodeError { length, source })?;
        let print = print.to_string();
        let (first, second) = print.split_at(print.len().div_ceil(2));
        Ok(Self { code: lines(&code), print: [first.to_owned(), second.to_owned()], address })
    }

    /// The same over the rig's screen, with how to put it away.
    pub fn told(&self, words: &RigSideWords) -> Vec<String> {
        let mut lines = self.lines(words);
        lines[0] = format!("{}    {}", words.close, lines[0]);
        lines
    }

    /// What is needed where the code does not fit: the address in a line of its own, and the fingerprint.
    pub fn in_short(&self, words: &RigSideWords) -> Vec<String> {
        let mut lines = vec![self.address.clone(), words.print.clone()];
        lines.extend(self.print.iter().cloned());
        lines.push(words.close.clone());
        lines
    }

    /// The code with how to go on beside it, in lines that a terminal of 80 by 24 has room for. The fingerprint stands at the top, where nothing is cut off.
    pub fn lines(&self, words: &RigSideWords) -> Vec<String> {
        let beside = WIDTH - self.code.first().map_or(0, |line| line.chars().count()) - GAP.len();
        let open = format!("{} {}", words.open, self.address);
        let texts = [&words.scan, &open, &words.warning, &words.iphone, &words.android];
        // A long word is the address: it goes on in the next line.
        let mut text = texts.into_iter().flat_map(|text| textwrap::wrap(text, beside).into_iter().map(Cow::into_owned));
        let mut lines = vec![words.print.clone()];
        lines.extend(self.print.iter().cloned());
        lines.extend(self.code.iter().map(|row| format!("{row}{GAP}{}", text.next().unwrap_or_default())));
        lines.extend(text);
        lines
    }
}

/// Half blocks: the upper half of a character is one row, the lower half the next.
fn lines(code: &QrCode) -> Vec<String> {
    let width = code.width();
    let dark = |x: usize, y: usize| {
        let inside = |at: usize| at.checked_sub(QUIET).filter(|at| *at < width);
        matches!((inside(x), inside(y)), (Some(x), Some(y)) if code[(x, y)] == qrcode::Color::Dark)
    };
    let full = width + 2 * QUIET;
    let mark = |upper: bool, lower: bool| match (upper, lower) {
        // Terminals are light on dark: what is light in the code is drawn.
        (false, false) => '\u{2588}',
        (false, true) => '\u{2580}',
        (true, false) => '\u{2584}',
        (true, true) => ' ',
    };
    (0..full).step_by(2).map(|y| (0..full).map(|x| mark(dark(x, y), dark(x, y + 1))).collect()).collect()
}

/// Modules of light around the code (ISO/IEC 18004).
const QUIET: usize = 4;
/// Columns of the smallest terminal.
const WIDTH: usize = 80;
const GAP: &str = "  ";

#[cfg(test)]
mod tests {
    use super::*;
    use crate::server::words::PhoneWords;

    /// The longest address of IPv4.
    fn invitation() -> Invitation {
        let page = ["https:/", "/192.168.188.201:18443/"].concat();
        Invitation::new(&page, &"0".repeat(32), &Fingerprint::of(b"x")).unwrap()
    }

    #[test]
    fn everything_that_lets_a_phone_in_fits_a_terminal_of_80_by_24() {
        let words = PhoneWords::built_in().unwrap().rig;
        let shown = invitation();
        let lines = shown.told(&words);
        assert!(lines.len() <= 24, "{} lines", lines.len());
        assert!(lines.iter().all(|line| line.chars().count() <= 80), "{lines:#?}");
        assert!(lines[0].contains(&words.close) && lines[0].contains(&words.print), "{lines:#?}");
        assert_eq!(lines[1..3].concat(), Fingerprint::of(b"x").to_string());
        let beside: Vec<String> =
            lines[3..].iter().map(|line| line.chars().skip(shown.code[0].chars().count()).collect()).collect();
        let beside = beside.iter().map(|text| text.trim()).collect::<Vec<_>>().join(" ");
        for text in [&words.warning, &words.iphone, &words.android] {
            assert!(beside.contains(text.as_str()), "{text} in {beside}");
        }
        assert!(beside.replace(' ', "").contains(&shown.address), "{beside}");
    }

    #[test]
    fn the_code_is_square_and_has_its_quiet_zone_and_its_three_corners() {
        let invitation = invitation();
        let width = invitation.code[0].chars().count();
        // ISO/IEC 18004: 21 modules and 4 more for each version; four light ones around.
        assert_eq!((width - 8 - 21) % 4, 0);
        assert_eq!(invitation.code.len(), width.div_ceil(2));
        let module = |x: usize, y: usize| {
            let mark = invitation.code[y / 2].chars().nth(x).unwrap();
            if y.is_multiple_of(2) { " \u{2584}".contains(mark) } else { " \u{2580}".contains(mark) }
        };
        assert!((0..width).all(|x| (0..4).all(|y| !module(x, y))));
        for (left, top) in [(4, 4), (width - 11, 4), (4, width - 11)] {
            for y in 0..7_usize {
                for x in 0..7_usize {
                    let ring = usize::max(x.abs_diff(3), y.abs_diff(3));
                    assert_eq!(module(left + x, top + y), ring != 2, "finder pattern at {x}, {y}");
                }
            }
        }
    }

    #[test]
    fn an_address_that_fits_no_code_is_refused() {
        assert!(Invitation::new(&"x".repeat(4_000), "", &Fingerprint::of(b"")).is_err());
    }
}
