//! A routine on paper: a sheet with boxes to tick, for when the battery is flat. Pure black and grey on white; every mark has words.

mod content;
mod draw;
mod fonts;
mod layout;

use std::collections::BTreeSet;

use thiserror::Error;

use super::words::PaperWords;
use crate::routine::Routine;

pub use layout::Paper;

/// How the sheet is to be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SheetOptions {
    pub paper: Paper,
    /// Large print: 18 points and more.
    pub large: bool,
}

/// A sheet that is made.
#[derive(Clone, Debug, PartialEq)]
pub struct Sheet {
    /// The PDF file.
    pub bytes: Vec<u8>,
    pub pages: usize,
    /// Size of the words of the steps, in points.
    pub points: f32,
    /// Characters that the font of the sheet has no shape for; they are printed as empty boxes.
    pub missing: BTreeSet<char>,
}

/// Why a sheet cannot be made.
#[derive(Debug, Error, PartialEq, Eq)]
pub enum SheetError {
    #[error("the font of the sheet cannot be read; the program was built wrongly")]
    Font,
    #[error("the sheet cannot be made: {0}")]
    Pdf(String),
}

/// Makes the sheet of a routine. Equal routines give equal bytes.
///
/// # Errors
/// The font that the program was built with is damaged, or the PDF cannot be put together.
pub fn sheet(routine: &Routine, options: SheetOptions, words: &PaperWords) -> Result<Sheet, SheetError> {
    let fonts = fonts::Fonts::new().ok_or(SheetError::Font)?;
    let content = content::content(routine, &words.sheet);
    let laid_out = layout::lay_out(&content, options, &words.sheet, &fonts);
    let bytes = draw::draw(&laid_out, &content.title, options.paper)?;
    Ok(Sheet { bytes, pages: laid_out.pages.len(), points: laid_out.points, missing: fonts.missing() })
}
