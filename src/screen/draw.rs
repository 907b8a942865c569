//! Draws the screen: shares the rows out among its parts, the most needed first, and gives what is left to large letters.
//!
//! The call is there at any size; in a terminal of 80 by 24 a call of 60 letters still stands in large letters.

use std::borrow::Cow;

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::text::Line;
use ratatui::widgets::{Block, Clear, Padding, Widget};

use crate::engine::output::{ClockView, View};
use crate::screen::big::{Big, Limit};
use crate::screen::labels::{Labels, fill};
use crate::screen::palette::Palette;
use crate::screen::panel::{self, Panel};
use crate::screen::parts::{Source, cut, minutes, width_of};
use crate::screen::{Meters, Overlay};

/// Draws everything into `area`.
pub(super) fn draw(view: &View, meters: &Meters, labels: &Labels, palette: &Palette, area: Rect, buffer: &mut Buffer) {
    let area = area.intersection(buffer.area);
    if area.is_empty() {
        return;
    }
    buffer.set_style(area, palette.text);
    let source = Source { view, meters, labels, palette, width: area.width };
    let clocks = sorted(&view.clocks);
    let layout = Layout::of(&source, &clocks, area);

    let mut y = area.y;
    let bottom = area.bottom();
    let put = |lines: &[Line<'static>], y: &mut u16, buffer: &mut Buffer| {
        for line in lines {
            if *y < bottom {
                line.render(Rect::new(area.x, *y, area.width, 1), buffer);
                *y += 1;
            }
        }
    };
    for (part, lines) in &layout.parts {
        match part {
            Part::Call => {
                y = y.saturating_add(layout.space_above);
                match &layout.big_call {
                    Some(big) => {
                        let rows = big.rows().min(bottom.saturating_sub(y));
                        big.draw(palette.call, Rect::new(area.x, y, area.width, rows), buffer);
                        y += rows;
                    }
                    None => put(lines, &mut y, buffer),
                }
                y = y.saturating_add(layout.space_below);
            }
            Part::Clocks => {
                for (clock, line) in clocks.iter().zip(lines) {
                    if layout.big_clocks && bottom.saturating_sub(y) >= CLOCK_ROWS {
                        draw_clock(&source, clock, Rect::new(area.x, y, area.width, CLOCK_ROWS), buffer);
                        y += CLOCK_ROWS;
                    } else {
                        put(std::slice::from_ref(line), &mut y, buffer);
                    }
                }
            }
            _ => put(lines, &mut y, buffer),
        }
    }
}

/// Draws it in the middle, over what stands there.
pub(super) fn lay_over(over: &Overlay, labels: &Labels, palette: &Palette, area: Rect, buffer: &mut Buffer) {
    let area = area.intersection(buffer.area);
    let longest = over.lines.iter().map(|line| line.chars().count()).max().unwrap_or(0);
    if longest <= area.width.into() && over.lines.len() <= area.height.into() {
        return put_in_the_middle(&over.lines, palette, area, buffer);
    }
    // Half a code is none.
    let needed = fill(&labels.too_small, &[&longest.to_string(), &over.lines.len().to_string()]);
    let width = usize::from(area.width).max(1);
    let wrapped = |text: &String| textwrap::wrap(text, width).into_iter().map(Cow::into_owned).collect::<Vec<_>>();
    let instead: Vec<String> = [needed].iter().chain(&over.instead).flat_map(wrapped).collect();
    Clear.render(area, buffer);
    put_in_the_middle(&instead, palette, area, buffer);
}

/// Draws a list in a frame, in the middle, over what stands there.
pub(super) fn list(panel: Panel, view: &View, labels: &Labels, palette: &Palette, area: Rect, buffer: &mut Buffer) {
    let area = area.intersection(buffer.area);
    let (title, lines) = panel::lines(panel, view, labels, usize::from(area.width).saturating_sub(4));
    let longest = lines.iter().chain([&title.to_owned()]).map(|line| width_of(line)).max().unwrap_or(0);
    let wanted = |count: usize, most: u16| u16::try_from(count).unwrap_or(u16::MAX).min(most);
    let (width, height) = (wanted(longest + 4, area.width), wanted(lines.len() + 2, area.height));
    let place = Rect::new(area.x + (area.width - width) / 2, area.y + (area.height - height) / 2, width, height);
    Clear.render(place, buffer);
    buffer.set_style(place, palette.text);
    let frame = Block::bordered().title(title.to_owned()).title_style(palette.caution).padding(Padding::horizontal(1));
    let inner = frame.inner(place);
    frame.render(place, buffer);
    for (line, row) in lines.iter().zip(inner.rows()) {
        Line::styled(cut(line, row.width.into()), palette.answer).render(row, buffer);
    }
}

fn put_in_the_middle(lines: &[String], palette: &Palette, area: Rect, buffer: &mut Buffer) {
    let longest = lines.iter().map(|line| line.chars().count()).max().unwrap_or(0);
    let wanted = |count: usize| u16::try_from(count).unwrap_or(u16::MAX);
    let (width, height) = (wanted(longest).min(area.width), wanted(lines.len()).min(area.height));
    let place = Rect::new(area.x + (area.width - width) / 2, area.y + (area.height - height) / 2, width, height);
    Clear.render(place, buffer);
    buffer.set_style(place, palette.text);
    for (line, row) in lines.iter().zip(place.rows()) {
        Line::raw(line.as_str()).render(row, buffer);
    }
}

/// The parts, from the top.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Part {
    Header,
    Notices,
    Caution,
    Call,
    Bounds,
    Said,
    Clocks,
    Choices,
    Heard,
    CanSay,
    Sound,
    Keys,
}

/// What each part was given.
struct Layout {
    parts: Vec<(Part, Vec<Line<'static>>)>,
    big_call: Option<Big>,
    big_clocks: bool,
    space_above: u16,
    space_below: u16,
}

impl Layout {
    fn of(source: &Source, clocks: &[&ClockView], area: Rect) -> Self {
        let wanted = wanted(source, clocks);
        let up = clocks.iter().filter(|clock| clock.left.is_zero()).count();
        let mut rows = Rows {
            left: area.height.into(),
            given: [0; PARTS],
            wanted: wanted.each_ref().map(|(_, lines)| lines.len()),
        };

        // Neither the call nor a clock that has run out may push the other off a small screen.
        rows.give(Part::Call, usize::from(area.height / 2).max(1));
        rows.give(Part::Clocks, up);
        rows.give(Part::Call, usize::MAX);
        rows.give(Part::Bounds, usize::MAX);
        rows.give(Part::Caution, usize::MAX);
        rows.give(Part::Notices, 2);
        rows.give(Part::Clocks, usize::MAX);
        rows.give(Part::Choices, usize::MAX);
        // On a small screen the beginning of what was said, and the keys that answer it, come before the rest.
        rows.give(Part::Said, 3);
        rows.give(Part::Keys, 1);
        rows.give(Part::Notices, usize::MAX);
        for part in [Part::Heard, Part::CanSay, Part::Sound, Part::Header] {
            rows.give(part, 1);
        }

        rows.give(Part::Sound, usize::MAX);

        // A clock that has run out matters more than large letters for the call.
        let mut big_clocks = up > 0 && rows.enlarge_clocks(clocks.len(), area.width);
        // What was said last is whole, with large letters for the call where there is room for both.
        let call = source.call_text();
        let ordinary = rows.clone();
        let mut big_call = rows.enlarge_call(&call, area.width, Limit::Smallest);
        rows.give(Part::Said, usize::MAX);
        if !rows.has_all(Part::Said) {
            (rows, big_call) = (ordinary, None);
            rows.give(Part::Said, usize::MAX);
        }
        big_clocks = big_clocks || rows.enlarge_clocks(clocks.len(), area.width);
        rows.give(Part::CanSay, 2);
        rows.give(Part::Keys, 2);
        rows.give(Part::Heard, usize::MAX);
        if big_call.is_some() {
            big_call = rows.enlarge_call(&call, area.width, Limit::None).or(big_call);
        }
        // One empty row above the call and one below keep it apart; the rest of the keys is worth less than that.
        let apart = rows.left.min(2);
        rows.left -= apart;
        rows.give(Part::CanSay, usize::MAX);
        rows.give(Part::Keys, usize::MAX);
        let mut parts = Vec::from(wanted);
        let before = source.said_before(rows.left);
        rows.left -= before.len();
        let space = u16::try_from(rows.left + apart).unwrap_or(0);
        for ((_, lines), given) in parts.iter_mut().zip(rows.given) {
            if given < lines.len() {
                lines.truncate(given);
                if let Some(last) = lines.last_mut() {
                    *last = with_dots(last, area.width);
                }
            }
        }
        if let Some((_, said)) = parts.iter_mut().find(|(part, _)| *part == Part::Said) {
            said.splice(0..0, before);
        }
        Self { parts, big_call, big_clocks, space_above: space / 2, space_below: space - space / 2 }
    }
}

/// Every part with all its lines.
fn wanted(source: &Source, clocks: &[&ClockView]) -> [(Part, Vec<Line<'static>>); PARTS] {
    [
        (Part::Header, source.header()),
        (Part::Notices, source.notices()),
        (Part::Caution, source.caution()),
        (Part::Call, source.call()),
        (Part::Bounds, source.bounds()),
        (Part::Said, source.said()),
        (Part::Clocks, clocks.iter().map(|clock| source.clock(clock)).collect()),
        (Part::Choices, source.choices()),
        (Part::Heard, source.heard()),
        (Part::CanSay, source.can_say()),
        (Part::Sound, source.sound()),
        (Part::Keys, source.keys()),
    ]
}

/// Rows still free, and those given to each part.
#[derive(Clone)]
struct Rows {
    left: usize,
    given: [usize; PARTS],
    wanted: [usize; PARTS],
}

impl Rows {
    /// Gives `part` what it wants, up to `most` rows in all, as far as there are rows.
    fn give(&mut self, part: Part, most: usize) {
        let part = part as usize;
        let more = self.wanted[part].min(most).saturating_sub(self.given[part]).min(self.left);
        self.given[part] += more;
        self.left -= more;
    }

    /// Whether the part was given all that it wants.
    fn has_all(&self, part: Part) -> bool {
        self.given[part as usize] == self.wanted[part as usize]
    }

    /// Trades the rows of the call for large letters where there are enough.
    fn enlarge_call(&mut self, call: &str, width: u16, limit: Limit) -> Option<Big> {
        let call_rows = &mut self.given[Part::Call as usize];
        let rows = *call_rows + self.left;
        let big = Big::fit(call, width, u16::try_from(rows).unwrap_or(u16::MAX), limit)?;
        *call_rows = usize::from(big.rows());
        self.left = rows - *call_rows;
        Some(big)
    }

    /// Makes room for all clocks in large figures, or for none.
    fn enlarge_clocks(&mut self, clocks: usize, width: u16) -> bool {
        let more = clocks * usize::from(CLOCK_ROWS - 1);
        if clocks == 0 || width < CLOCK_WIDTH || self.given[Part::Clocks as usize] < clocks || self.left < more {
            return false;
        }
        self.left -= more;
        true
    }
}

/// A clock in large figures, with its name, its state and a bar beside them.
fn draw_clock(source: &Source, clock: &ClockView, area: Rect, buffer: &mut Buffer) {
    let over = clock.left.is_zero();
    let time = if over { format!("+{}", minutes(clock.over)) } else { source.clock_time(clock) };
    let Some(big) = Big::fit(&time, area.width / 2, area.height, Limit::Smallest) else {
        return source.clock(clock).render(Rect { height: 1, ..area }, buffer);
    };
    let style = source.clock_style(clock);
    let figures = Rect { width: big.width().min(area.width), ..area };
    let figures_style = if over { source.palette.alarm_figures } else { style };
    big.draw(figures_style, figures, buffer);

    let beside = Rect { x: area.x + figures.width + 2, width: area.width.saturating_sub(figures.width + 2), ..area };
    let room = usize::from(beside.width);
    let lines = [
        Line::styled(cut(&source.clock_words(clock), room), style),
        Line::styled(cut(&source.clock_name(clock), room), source.palette.call),
        match over {
            true => Line::styled(cut(&source.clock_time(clock), room), style),
            false => Line::styled(source.clock_bar(clock, room.min(40)), source.palette.running),
        },
        Line::styled(cut(&fill(&source.labels.of, &[&minutes(clock.length)]), room), source.palette.quiet),
    ];
    for (line, row) in lines.iter().zip(beside.rows()) {
        line.render(row, buffer);
    }
}

/// Those that have run out first, the longest over at the top; then by the time that is left.
fn sorted(clocks: &[ClockView]) -> Vec<&ClockView> {
    let mut clocks: Vec<&ClockView> = clocks.iter().collect();
    clocks.sort_by_key(|clock| (clock.left, std::cmp::Reverse(clock.over)));
    clocks
}

/// The line with dots at its end, to show that more was left out.
fn with_dots(line: &Line<'static>, width: u16) -> Line<'static> {
    let style = line.spans.first().map_or(line.style, |span| line.style.patch(span.style));
    let text: String = line.spans.iter().map(|span| span.content.as_ref()).collect();
    Line::styled(cut(&format!("{} ...", text.trim_end()), width.into()), style)
}

const PARTS: usize = 12;

/// Rows of a clock in large figures.
const CLOCK_ROWS: u16 = 4;

/// Narrower than this, a clock in large figures leaves no room for its name.
const CLOCK_WIDTH: u16 = 48;
