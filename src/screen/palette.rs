//! The colours, light on dark. No meaning hangs on a colour alone: a word or a mark always says it too.
//!
//! They come from the fixed part of the 256-colour table (16 to 255), which terminals do not let a theme change, unlike the
//! first 16. `tests` reckons their contrast by WCAG 2.2: 7:1 (level AAA, 1.4.6) for everything that is read.

use ratatui::style::{Color, Modifier, Style};

/// Whether colours may be used.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ink {
    Colours,
    /// No colour sequence is sent at all; marks are made by bold and reversed text.
    Plain,
}

impl Ink {
    /// Plain where the environment has a `NO_COLOR` that is not empty (no-color.org).
    pub fn from_environment() -> Self {
        match std::env::var_os("NO_COLOR") {
            Some(value) if !value.is_empty() => Self::Plain,
            _ => Self::Colours,
        }
    }
}

/// How each kind of text looks.
#[derive(Clone, Copy, Debug)]
pub(super) struct Palette {
    pub(super) text: Style,
    /// The call of the step.
    pub(super) call: Style,
    /// What is needed less often.
    pub(super) quiet: Style,
    pub(super) caution: Style,
    pub(super) running: Style,
    /// A clock that has run out, in words.
    pub(super) alarm: Style,
    /// The same in large figures. They fill their cells to the edge: on a ground of another colour they run into it.
    pub(super) alarm_figures: Style,
    /// What can be said or pressed.
    pub(super) answer: Style,
}

impl Palette {
    pub(super) fn of(ink: Ink) -> Self {
        let bold = Style::new().add_modifier(Modifier::BOLD);
        let reversed = bold.add_modifier(Modifier::REVERSED);
        match ink {
            Ink::Plain => Self {
                text: Style::new(),
                call: bold,
                quiet: Style::new(),
                caution: reversed,
                running: bold,
                alarm: reversed,
                alarm_figures: bold,
                answer: bold,
            },
            Ink::Colours => Self {
                text: Style::new().fg(WHITE).bg(BLACK),
                call: bold.fg(WHITE),
                quiet: Style::new().fg(GREY),
                caution: bold.fg(YELLOW),
                running: bold.fg(SKY),
                alarm: bold.fg(BLACK).bg(ORANGE),
                alarm_figures: bold.fg(ORANGE),
                answer: bold.fg(MINT),
            },
        }
    }
}

const BLACK: Color = Color::Indexed(16);
const WHITE: Color = Color::Indexed(231);
const GREY: Color = Color::Indexed(250);
const YELLOW: Color = Color::Indexed(220);
const SKY: Color = Color::Indexed(117);
const ORANGE: Color = Color::Indexed(214);
const MINT: Color = Color::Indexed(157);

#[cfg(test)]
mod tests {
    use super::*;

    /// The red, green and blue of a colour of the 256-colour table, as xterm lays it down (xterm 256colres).
    fn rgb(colour: Color) -> [f64; 3] {
        let Color::Indexed(index @ 16..) = colour else { panic!("{colour:?} depends on the theme") };
        if index >= 232 {
            return [f64::from(8 + 10 * u32::from(index - 232)); 3];
        }
        let step = |n: u8| if n == 0 { 0.0 } else { f64::from(55 + 40 * u32::from(n)) };
        let n = index - 16;
        [step(n / 36), step(n / 6 % 6), step(n % 6)]
    }

    /// WCAG 2.2, "relative luminance" and "contrast ratio".
    fn contrast(one: [f64; 3], other: [f64; 3]) -> f64 {
        let luminance = |rgb: [f64; 3]| {
            let [r, g, b] = rgb.map(|channel| {
                let c = channel / 255.0;
                if c <= 0.04045 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
            });
            0.2126 * r + 0.7152 * g + 0.0722 * b
        };
        let (a, b) = (luminance(one), luminance(other));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    #[test]
    fn the_formula_gives_the_ratios_that_are_known() {
        // Known pairs on white: #767676 passes 4.5:1 and #777777 does not; #595959 passes 7:1; black is 21:1.
        let white = [255.0; 3];
        for (grey, ratio) in [(0x76, 4.542), (0x77, 4.478), (0x59, 7.005), (0x00, 21.0)] {
            let found = contrast([f64::from(grey); 3], white);
            assert!((found - ratio).abs() < 0.001, "{grey:#x}: {found}");
        }
    }

    #[test]
    fn everything_that_is_read_has_a_contrast_of_seven_to_one() {
        let palette = Palette::of(Ink::Colours);
        let ground = palette.text.bg.expect("the ground is ours, not the theme's");
        for style in [
            palette.text,
            palette.call,
            palette.quiet,
            palette.caution,
            palette.running,
            palette.alarm,
            palette.alarm_figures,
            palette.answer,
        ] {
            let (fg, bg) = (style.fg.expect("a colour"), style.bg.unwrap_or(ground));
            let ratio = contrast(rgb(fg), rgb(bg));
            assert!(ratio >= 7.0, "{fg:?} on {bg:?}: {ratio:.2}");
        }
    }

    #[test]
    fn the_ground_is_dark() {
        let ground = Palette::of(Ink::Colours).text.bg.expect("a ground");
        assert!(contrast(rgb(ground), [0.0; 3]) < 1.1);
    }
}
