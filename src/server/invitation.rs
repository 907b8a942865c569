//! The code that a phone's camera reads off the rig's screen, in characters of a terminal.

use qrcode::{EcLevel, QrCode};
use thiserror::Error;

/// What the rig shows to let a phone in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Invitation {
    /// To be typed or scanned; holds the token.
    pub address: String,
    /// The same as a QR code (ISO/IEC 18004), two rows of it to a line; light on dark, quiet zone and all.
    pub code: Vec<String>,
    /// SHA-256 of the authority's certificate.
    pub print: String,
}

/// The address is too long for a code.
#[derive(Debug, Error)]
#[error("an address of {length} bytes does not fit a QR code")]
pub struct CodeError {
    length: usize,
    source: qrcode::types::QrError,
}

impl Invitation {
    /// For this address.
    ///
    /// # Errors
    /// It is longer than a QR code can hold.
    pub fn new(address: String, print: String) -> Result<Self, CodeError> {
        let length = address.len();
        let code =
            QrCode::with_error_correction_level(&address, EcLevel::L).map_err(|source| CodeError { length, source })?;
        Ok(Self { address, code: lines(&code), print })
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_code_is_square_and_has_its_quiet_zone_and_its_three_corners() {
        let address = format!("{}192.168.8.1:8443/#k={}", "https:/", "0".repeat(32));
        let invitation = Invitation::new(address, String::new()).unwrap();
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
        assert!(Invitation::new("x".repeat(4_000), String::new()).is_err());
    }
}
