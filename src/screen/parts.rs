//! Puts what there is to see into lines of text: one function for each part of the screen.

use std::time::Duration;

use ratatui::style::Style;
use ratatui::text::{Line, Span};

use crate::engine::output::{ClockView, View};
use crate::screen::labels::{Labels, fill};
use crate::screen::palette::Palette;
use crate::screen::{Meters, Microphone, SoundActivity, keys};

/// What every part is made from.
#[derive(Clone, Copy)]
pub(super) struct Source<'a> {
    pub(super) view: &'a View,
    pub(super) meters: &'a Meters,
    pub(super) labels: &'a Labels,
    pub(super) palette: &'a Palette,
    /// Cells in a line; 1 and up.
    pub(super) width: u16,
}

type Lines = Vec<Line<'static>>;

impl Source<'_> {
    /// Routine and section, and how far it is.
    pub(super) fn header(&self) -> Lines {
        let View { routine, section, step: (step, steps), .. } = self.view;
        let place = match (routine.is_empty(), section.is_empty()) {
            (false, false) => format!("{routine}: {section}"),
            _ => format!("{routine}{section}"),
        };
        let place = if self.view.who.is_empty() { place } else { format!("{} - {place}", self.view.who) };
        let count = match steps {
            0 => String::new(),
            _ => fill(&self.labels.step, &[&step.to_string(), &steps.to_string()]),
        };
        if place.is_empty() && count.is_empty() {
            return vec![];
        }
        let room = usize::from(self.width).saturating_sub(width_of(&count) + 2);
        let place = cut(&place, room);
        let gap = usize::from(self.width).saturating_sub(width_of(&place) + width_of(&count));
        vec![Line::styled(format!("{place}{}{count}", " ".repeat(gap)), self.palette.quiet)]
    }

    pub(super) fn notices(&self) -> Lines {
        self.view
            .notices
            .iter()
            .flat_map(|notice| self.marked(&self.labels.notice, notice, self.palette.caution))
            .chain(self.beside())
            .collect()
    }

    /// What the others are at, one line each.
    fn beside(&self) -> Lines {
        let others = self.view.beside.iter().filter(|(_, call)| !call.is_empty());
        let lines = others.flat_map(|(name, call)| self.marked(&format!("{name}:"), call, self.palette.text));
        lines.collect()
    }

    pub(super) fn caution(&self) -> Lines {
        match self.view.caution.as_str() {
            "" => vec![],
            caution => self.marked(&self.labels.caution, caution, self.palette.caution),
        }
    }

    /// The call; of a reading with what has been typed of it.
    pub(super) fn call_text(&self) -> String {
        match &self.view.typed {
            Some(typed) => format!("{} {typed}_", self.view.call),
            None => self.view.call.clone(),
        }
    }

    /// What a reading should be.
    pub(super) fn bounds(&self) -> Lines {
        match (&self.view.typed, self.view.bounds.as_str()) {
            (None, _) | (_, "") => vec![],
            (Some(_), bounds) => {
                let text = fill(&self.labels.should_be, &[bounds]);
                vec![Line::styled(cut(&text, self.width.into()), self.palette.answer)]
            }
        }
    }

    /// What was said last, as it was said.
    pub(super) fn said(&self) -> Lines {
        self.said_newest_first().next().map_or_else(Vec::new, |said| self.was_said(said, self.palette.text))
    }

    /// What was said before that, the oldest first, as far as it is whole in so many rows.
    pub(super) fn said_before(&self, rows: usize) -> Lines {
        let mut lines: Lines = vec![];
        for said in self.said_newest_first().skip(1) {
            let mut more = self.was_said(said, self.palette.quiet);
            if more.len() + lines.len() > rows {
                break;
            }
            more.append(&mut lines);
            lines = more;
        }
        lines
    }

    /// Nothing twice: neither an alarm that rings again, nor what stands on the screen anyhow.
    fn said_newest_first(&self) -> impl Iterator<Item = &str> {
        let View { said, call, notices, .. } = self.view;
        let new = |place: usize| !said[place + 1..].contains(&said[place]);
        let said = said.iter().enumerate().rev().filter(move |(place, _)| new(*place)).map(|(_, said)| said);
        said.filter(move |said| *said != call && !notices.contains(said)).map(String::as_str)
    }

    fn was_said(&self, said: &str, style: Style) -> Lines {
        self.marked(&self.labels.said, said, style)
    }

    /// The call in ordinary letters, for where large ones do not fit.
    pub(super) fn call(&self) -> Lines {
        wrap(&self.call_text(), self.width, "").into_iter().map(|line| Line::styled(line, self.palette.call)).collect()
    }

    /// A clock in one line: name, time, what it is doing, and a bar of the time that is left.
    pub(super) fn clock(&self, clock: &ClockView) -> Line<'static> {
        let time = self.clock_time(clock);
        let words = self.clock_words(clock);
        let room = usize::from(self.width).saturating_sub(width_of(&time) + width_of(&words) + 4);
        let name = cut(&self.clock_name(clock), room);
        let text = format!("{time}  {words}  {name}");
        let left = usize::from(self.width).saturating_sub(width_of(&text) + 2);
        let mut spans = vec![Span::styled(text, self.clock_style(clock))];
        if !clock.left.is_zero() && left >= SHORTEST_BAR {
            spans.push(Span::raw("  "));
            spans.push(Span::styled(self.clock_bar(clock, left.min(LONGEST_BAR)), self.palette.running));
        }
        Line::from(spans)
    }

    /// Its name, with the key that ends it where there is one.
    pub(super) fn clock_name(&self, clock: &ClockView) -> String {
        match keys::guarded(self.view) {
            Some(guarded) if guarded.step == clock.step => {
                format!("{}: {} {}", clock.name, keys::CLOCK_OVER, clock.end)
            }
            _ => clock.name.clone(),
        }
    }

    /// Time left, or time since the end.
    pub(super) fn clock_time(&self, clock: &ClockView) -> String {
        match clock.left.is_zero() {
            // A second that has begun counts whole, so that zero is shown only when the time is up.
            false => minutes(clock.left + Duration::from_millis(999)),
            true => fill(&self.labels.over, &[&minutes(clock.over)]),
        }
    }

    pub(super) fn clock_words(&self, clock: &ClockView) -> String {
        let state = if clock.left.is_zero() { &self.labels.time_is_up } else { &self.labels.running };
        if clock.hazard { format!("{state}, {}", self.labels.hazard) } else { state.clone() }
    }

    pub(super) fn clock_style(&self, clock: &ClockView) -> Style {
        if clock.left.is_zero() { self.palette.alarm } else { self.palette.running }
    }

    pub(super) fn clock_bar(&self, clock: &ClockView, cells: usize) -> String {
        let share = match clock.length.is_zero() {
            true => 0.0,
            false => clock.left.as_secs_f64() / clock.length.as_secs_f64(),
        };
        let inner = cells.saturating_sub(2);
        let filled = (share.clamp(0.0, 1.0) * inner as f64).ceil() as usize;
        format!("[{}{}]", "#".repeat(filled), "-".repeat(inner - filled.min(inner)))
    }

    pub(super) fn choices(&self) -> Lines {
        let choices = self.view.choices.iter().zip(1..).map(|(choice, number)| format!("{number} {choice}"));
        self.flow(&self.labels.choose, choices, self.palette.answer)
    }

    pub(super) fn heard(&self) -> Lines {
        match self.view.last_heard.as_str() {
            "" => vec![],
            heard => self.marked(&self.labels.heard, heard, self.palette.text),
        }
    }

    pub(super) fn can_say(&self) -> Lines {
        if self.meters.microphone == Microphone::None {
            return vec![];
        }
        self.flow(&self.labels.say, self.view.can_say.iter().cloned(), self.palette.answer)
    }

    /// What is done with sound, and how loud it is, in a number and as a bar.
    pub(super) fn sound(&self) -> Lines {
        let warns = |text: &str| {
            wrap(text, self.width, "").into_iter().map(|line| Line::styled(line, self.palette.caution)).collect()
        };
        let level = match self.meters.microphone {
            Microphone::None => return warns(&self.labels.no_microphone),
            Microphone::GivesNothing => return warns(&self.labels.silent_microphone),
            Microphone::Level(level) => level,
        };
        let activity = match self.meters.activity {
            SoundActivity::Speaking => &self.labels.speaking,
            SoundActivity::Listening => &self.labels.listening,
            SoundActivity::SpeakingAndListening => &self.labels.speaking_and_listening,
            SoundActivity::Deaf => &self.labels.deaf,
        };
        let mut text = format!("{activity}  {} {}", self.labels.microphone, decibels(&self.labels.level, level));
        if let Some(floor) = self.meters.floor_dbfs {
            text += &format!(", {}", decibels(&self.labels.floor, floor));
        }
        let text = cut(&text, self.width.into());
        let left = usize::from(self.width).saturating_sub(width_of(&text) + 2);
        let mut spans = vec![Span::styled(text, self.palette.text)];
        if left >= SHORTEST_BAR {
            let bar = level_bar(level, self.meters.floor_dbfs, left.min(LONGEST_BAR));
            spans.push(Span::styled(format!("  {bar}"), self.palette.running));
        }
        vec![Line::from(spans)]
    }

    pub(super) fn keys(&self) -> Lines {
        let entries = keys::help(self.view, &self.labels.keys).into_iter().map(|(key, what)| format!("{key} {what}"));
        self.flow("", entries, self.palette.quiet)
    }

    /// Text behind a mark, wrapped so that it stands in its own column.
    fn marked(&self, mark: &str, text: &str, style: Style) -> Lines {
        let indent =
            if usize::from(self.width) > 3 * width_of(mark) { " ".repeat(width_of(mark) + 1) } else { String::new() };
        wrap(&format!("{mark} {text}"), self.width, &indent).into_iter().map(|line| Line::styled(line, style)).collect()
    }

    /// Entries side by side, none broken over two lines, the first line behind a mark.
    fn flow(&self, mark: &str, entries: impl Iterator<Item = String>, style: Style) -> Lines {
        let mut lines: Vec<String> = vec![];
        let indent = match mark {
            "" => String::new(),
            mark => format!("{mark} "),
        };
        for entry in entries {
            let entry = cut(&entry, usize::from(self.width).saturating_sub(width_of(&indent)));
            match lines.last_mut() {
                Some(line) if width_of(line) + GAP.len() + width_of(&entry) <= usize::from(self.width) => {
                    *line += GAP;
                    *line += &entry;
                }
                Some(_) => lines.push(format!("{}{entry}", " ".repeat(width_of(&indent)))),
                None => lines.push(format!("{indent}{entry}")),
            }
        }
        lines.into_iter().map(|line| Line::styled(line, style)).collect()
    }
}

/// `m:ss`, whole seconds.
pub(super) fn minutes(span: Duration) -> String {
    let seconds = span.as_secs();
    format!("{}:{:02}", seconds / 60, seconds % 60)
}

/// `text` in at most `room` cells; what is left out shows as three dots.
pub(super) fn cut(text: &str, room: usize) -> String {
    if width_of(text) <= room {
        return text.to_owned();
    }
    let mut kept = String::new();
    for letter in text.chars() {
        if width_of(&kept) + width_of(letter.encode_utf8(&mut [0; 4])) + DOTS.len() > room {
            break;
        }
        kept.push(letter);
    }
    kept + &DOTS[..DOTS.len().min(room)]
}

pub(super) fn width_of(text: &str) -> usize {
    Span::raw(text).width()
}

fn wrap(text: &str, width: u16, indent: &str) -> Vec<String> {
    if text.trim().is_empty() {
        return vec![];
    }
    let options = textwrap::Options::new(width.into()).subsequent_indent(indent);
    textwrap::wrap(text, options).into_iter().map(|line| line.into_owned()).collect()
}

fn decibels(phrase: &str, level: f32) -> String {
    // Adding zero takes the sign off a zero.
    fill(phrase, &[&format!("{:.0}", level.round() + 0.0)])
}

/// Level from -80 dBFS (empty) to 0 dBFS (full), with a mark at the noise of the room.
fn level_bar(level: f32, floor: Option<f32>, cells: usize) -> String {
    let inner = cells.saturating_sub(2);
    // A level that is no number counts as silence; the cast of a number out of range stops at the end of the range.
    let place = |level: f32| (((level + 80.0) / 80.0).clamp(0.0, 1.0) * inner as f32).round() as usize;
    let (filled, mark) = (place(level), floor.map(place));
    let bar: String = (0..inner)
        .map(|cell| match cell {
            cell if mark == Some(cell) => '|',
            cell if cell < filled => '#',
            _ => '-',
        })
        .collect();
    format!("[{bar}]")
}

const DOTS: &str = "...";
const GAP: &str = "   ";
const SHORTEST_BAR: usize = 8;
const LONGEST_BAR: usize = 42;
