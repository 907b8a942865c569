//! The terminal view: draws what the engine says there is to see, and hands keys on. It decides nothing.
//!
//! [`Screen`] is the terminal, [`Keyboard`] its keys. All fixed words come from [`Labels`].

mod aside;
mod big;
mod draw;
mod keyboard;
mod keys;
mod labels;
mod palette;
mod parts;

use std::io;
use std::path::Path;
use std::time::Duration;

use ratatui::DefaultTerminal;
use ratatui::buffer::Buffer;
use ratatui::crossterm::event::{self, Event};
use ratatui::crossterm::style::force_color_output;
use ratatui::layout::{Rect, Size};
use thiserror::Error;

use crate::engine::output::{ClockView, View};

use self::palette::Palette;

pub use self::aside::Aside;
pub use self::keyboard::{Keyboard, ScreenInput};
pub use self::keys::ScreenKey;
pub use self::labels::{Labels, LabelsError};
pub use self::palette::Ink;

/// What the ears and the voice are doing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Meters {
    /// Level of the microphone in dBFS, 0 at full scale; nothing when there is no microphone.
    pub level_dbfs: Option<f32>,
    /// Noise of the room in dBFS, once it is known.
    pub floor_dbfs: Option<f32>,
    pub activity: SoundActivity,
}

/// Which of the two ways of talking is open.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SoundActivity {
    Speaking,
    Listening,
    SpeakingAndListening,
    /// Neither speaking nor listening.
    Deaf,
}

/// Why the screen cannot be used.
#[derive(Debug, Error)]
pub enum ScreenError {
    #[error(
        "terminal: cannot {doing}: found '{source}', expected a terminal that draws and takes keys; start in one, or \
             without the screen"
    )]
    Terminal { doing: &'static str, source: io::Error },
}

/// The terminal, taken over. It is given back as it was when this is dropped, and when the program panics.
#[derive(Debug)]
pub struct Screen {
    terminal: DefaultTerminal,
    view: ViewStyle,
    /// What stands over everything else, line by line.
    over: Vec<String>,
    /// What stands there, and how large the terminal is.
    shown: Option<(View, Meters, Size)>,
    /// Given back after the terminal.
    _aside: Option<Aside>,
}

impl Screen {
    /// Takes the terminal over. What libraries write to the standard error meanwhile goes to the file `aside`, which is made anew.
    ///
    /// # Errors
    ///
    /// Where the output is no terminal; it is left as it was.
    pub fn start(labels: Labels, ink: Ink, aside: &Path) -> Result<Self, ScreenError> {
        // The drawing library resets colours after each frame, which counts as a colour sequence.
        force_color_output(ink == Ink::Colours);
        match ratatui::try_init() {
            Ok(terminal) => {
                // After the drawing library has set its own hook: at a panic the standard error is there again before anything is told.
                let aside = Aside::begin(aside).map_err(|source| {
                    let _ = ratatui::try_restore();
                    ScreenError::Terminal { doing: "keep what libraries write off it", source }
                })?;
                Ok(Self { terminal, view: ViewStyle::new(labels, ink), over: Vec::new(), shown: None, _aside: aside })
            }
            Err(source) => {
                // It may have got half-way. What it says about that adds nothing to the first failure.
                let _ = ratatui::try_restore();
                Err(ScreenError::Terminal { doing: "take it over", source })
            }
        }
    }

    /// Has these lines stand over everything else from now on; with none, nothing does.
    pub fn lay_over(&mut self, lines: Vec<String>) {
        if self.over != lines {
            (self.over, self.shown) = (lines, None);
        }
    }

    /// Draws the view, to whole seconds and decibels. Nothing is done where that stands there already, and only what changed is sent
    /// to the terminal.
    ///
    /// # Errors
    ///
    /// Where the terminal does not take it.
    pub fn draw(&mut self, view: &View, meters: &Meters) -> Result<(), ScreenError> {
        let failed = |source| ScreenError::Terminal { doing: "draw on it", source };
        let wanted = (to_whole_seconds(view), meters.to_whole_decibels(), self.terminal.size().map_err(failed)?);
        if self.shown.as_ref() == Some(&wanted) {
            return Ok(());
        }
        let (style, over, (view, meters, _)) = (&self.view, &self.over, &wanted);
        let drawn = self.terminal.draw(|frame| {
            let area = frame.area();
            style.draw(view, meters, area, frame.buffer_mut());
            style.lay_over(over, area, frame.buffer_mut());
        });
        drawn.map_err(failed)?;
        self.shown = Some(wanted);
        Ok(())
    }

    /// The next key that means something, if one was pressed. Does not wait.
    ///
    /// # Errors
    ///
    /// Where the terminal cannot be read.
    pub fn poll_key(&mut self) -> Result<Option<ScreenKey>, ScreenError> {
        let failed = |source| ScreenError::Terminal { doing: "read its keys", source };
        while event::poll(Duration::ZERO).map_err(failed)? {
            if let Event::Key(key) = event::read().map_err(failed)?
                && let Some(key) = keys::meaning(key)
            {
                return Ok(Some(key));
            }
        }
        Ok(None)
    }
}

impl Drop for Screen {
    fn drop(&mut self) {
        // A terminal that is closed cannot be given back, and nobody is there to be told.
        if let Err(error) = ratatui::try_restore() {
            tracing::warn!(%error, "the terminal is not given back");
        }
    }
}

/// The view as it is drawn: clocks in whole seconds, where a second that has begun counts as whole.
fn to_whole_seconds(view: &View) -> View {
    let seconds = |span: Duration| Duration::from_secs(span.as_secs());
    let clock = |clock: &ClockView| ClockView {
        left: seconds(clock.left + Duration::from_millis(999)),
        over: seconds(clock.over),
        ..clock.clone()
    };
    View { clocks: view.clocks.iter().map(clock).collect(), ..view.clone() }
}

impl Meters {
    fn to_whole_decibels(self) -> Self {
        // Adding zero takes the sign off a zero.
        let whole = |level: f32| level.round() + 0.0;
        Self { level_dbfs: self.level_dbfs.map(whole), floor_dbfs: self.floor_dbfs.map(whole), ..self }
    }
}

/// How a view is drawn, apart from any terminal.
#[derive(Debug)]
pub struct ViewStyle {
    labels: Labels,
    palette: Palette,
}

impl ViewStyle {
    pub fn new(labels: Labels, ink: Ink) -> Self {
        Self { labels, palette: Palette::of(ink) }
    }

    /// Draws the view into `area` of `buffer`.
    pub fn draw(&self, view: &View, meters: &Meters, area: Rect, buffer: &mut Buffer) {
        draw::draw(view, meters, &self.labels, &self.palette, area, buffer);
    }

    /// Draws lines in the middle, over what stands there; what does not fit is cut off at the right and at the foot.
    pub fn lay_over(&self, lines: &[String], area: Rect, buffer: &mut Buffer) {
        draw::lay_over(lines, &self.palette, area, buffer);
    }
}
