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
mod panel;
mod parts;

use std::io::{self, Write};
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
use self::panel::Panel;

pub use self::aside::Aside;
pub use self::keyboard::{Keyboard, ScreenInput};
pub use self::keys::ScreenKey;
pub use self::labels::{Labels, LabelsError};
pub use self::palette::Ink;

/// What the ears and the voice are doing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Meters {
    pub microphone: Microphone,
    /// Noise of the room in dBFS, once it is known.
    pub floor_dbfs: Option<f32>,
    pub activity: SoundActivity,
}

/// What comes from the microphone.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Microphone {
    /// There is none that can be used.
    None,
    /// It works by all that the system tells, and gives no sound at all: it is switched off or muted.
    GivesNothing,
    /// Level in dBFS, 0 at full scale.
    Level(f32),
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

/// What stands over everything else; nothing where it is empty.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Overlay {
    /// Line by line: all of it is shown, or nothing.
    pub lines: Vec<String>,
    /// What must be there in any window; stands in place of the lines where they do not fit.
    pub instead: Vec<String>,
}

/// The terminal, taken over. It is given back as it was when this is dropped, and when the program panics.
#[derive(Debug)]
pub struct Screen {
    terminal: DefaultTerminal,
    view: ViewStyle,
    /// What stands over everything else.
    over: Overlay,
    /// A list that was asked for stands over that.
    panel: Option<Panel>,
    /// What stands there, and how large the terminal is.
    shown: Option<(View, Meters, Size, Option<Panel>)>,
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
                Ok(Self {
                    terminal,
                    view: ViewStyle::new(labels, ink),
                    over: Overlay::default(),
                    panel: None,
                    shown: None,
                    _aside: aside,
                })
            }
            Err(source) => {
                // It may have got half-way. What it says about that adds nothing to the first failure.
                let _ = ratatui::try_restore();
                Err(ScreenError::Terminal { doing: "take it over", source })
            }
        }
    }

    /// Has this stand over everything else from now on; empty, nothing does.
    pub fn lay_over(&mut self, over: Overlay) {
        if self.over != over {
            (self.over, self.shown) = (over, None);
        }
    }

    /// Takes a key that is for the screen itself; gives what is left of it for the run.
    pub fn take_key(&mut self, key: ScreenKey) -> Option<ScreenKey> {
        let nothing = View::default();
        let view = self.shown.as_ref().map_or(&nothing, |(view, ..)| view);
        let (panel, left) = panel::pressed(self.panel, key, view);
        self.panel = panel;
        left
    }

    /// Rings the terminal's bell.
    ///
    /// # Errors
    ///
    /// Where the terminal does not take it.
    pub fn ring(&mut self) -> Result<(), ScreenError> {
        let out = self.terminal.backend_mut();
        let rung = out.write_all(&[BELL]).and_then(|()| io::Write::flush(out));
        rung.map_err(|source| ScreenError::Terminal { doing: "ring its bell", source })
    }

    /// Draws the view, to whole seconds and decibels. Nothing is done where that stands there already, and only what changed is sent
    /// to the terminal.
    ///
    /// # Errors
    ///
    /// Where the terminal does not take it.
    pub fn draw(&mut self, view: &View, meters: &Meters) -> Result<(), ScreenError> {
        let failed = |source| ScreenError::Terminal { doing: "draw on it", source };
        let size = self.terminal.size().map_err(failed)?;
        let wanted = (to_whole_seconds(view), meters.to_whole_decibels(), size, self.panel);
        if self.shown.as_ref() == Some(&wanted) {
            return Ok(());
        }
        let (style, over, (view, meters, _, panel)) = (&self.view, &self.over, &wanted);
        let drawn = self.terminal.draw(|frame| {
            let area = frame.area();
            style.draw(view, meters, area, frame.buffer_mut());
            style.lay_over(over, area, frame.buffer_mut());
            if let Some(panel) = panel {
                style.list(*panel, view, area, frame.buffer_mut());
            }
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
        let microphone = match self.microphone {
            Microphone::Level(level) => Microphone::Level(whole(level)),
            other => other,
        };
        Self { microphone, floor_dbfs: self.floor_dbfs.map(whole), ..self }
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

    /// Draws the lines in the middle, over what stands there; where they do not all fit, what is to be shown instead, wrapped.
    pub fn lay_over(&self, over: &Overlay, area: Rect, buffer: &mut Buffer) {
        draw::lay_over(over, &self.labels, &self.palette, area, buffer);
    }

    /// Draws every key over what stands there.
    pub fn list_keys(&self, view: &View, area: Rect, buffer: &mut Buffer) {
        self.list(Panel::Keys, view, area, buffer);
    }

    /// Draws the emergency cards with their numbers over what stands there.
    pub fn list_cards(&self, view: &View, area: Rect, buffer: &mut Buffer) {
        self.list(Panel::Cards, view, area, buffer);
    }

    fn list(&self, panel: Panel, view: &View, area: Rect, buffer: &mut Buffer) {
        draw::list(panel, view, &self.labels, &self.palette, area, buffer);
    }
}

/// BEL (ECMA-48, 8.3.3).
const BELL: u8 = 0x07;
