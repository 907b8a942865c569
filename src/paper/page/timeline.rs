//! Steps and clocks over time as one SVG picture. Nothing is told by colour alone: fills differ by hatching, ends by signs.

use maud::{Markup, html};

use super::account::{Account, Away, ClockAccount, End, Span};
use super::{RunRecord, name_of, span};
use crate::paper::values::first_words;
use crate::paper::words::PageWords;

/// Minutes of the run to places in the picture; times away that are long take a fixed room.
pub(super) struct Axis {
    /// Stretches of time that are drawn to scale or cut: from, to (ms), x from, x to.
    pieces: Vec<(u64, u64, f64, f64)>,
}

impl Axis {
    pub(super) fn new(end: u64, away: &[Away]) -> Self {
        let cuts: Vec<&Away> = away.iter().filter(|away| away.to - away.from > LONG_AWAY).collect();
        let cut_time: u64 = cuts.iter().map(|away| away.to - away.from).sum();
        let room = WIDTH - LABELS - RIGHT - CUT * cuts.len() as f64;
        let scale = room.max(100.0) / (end.saturating_sub(cut_time)).max(1) as f64;
        let mut pieces = Vec::new();
        let (mut at, mut x) = (0, LABELS);
        for cut in cuts {
            let to = x + cut.from.saturating_sub(at) as f64 * scale;
            pieces.push((at, cut.from, x, to));
            pieces.push((cut.from, cut.to, to, to + CUT));
            (at, x) = (cut.to, to + CUT);
        }
        pieces.push((at, end.max(at), x, x + end.saturating_sub(at) as f64 * scale));
        Self { pieces }
    }

    pub(super) fn x(&self, at: u64) -> f64 {
        for &(from, to, x, x_to) in &self.pieces {
            if at <= to {
                let share = if to > from { at.saturating_sub(from) as f64 / (to - from) as f64 } else { 0.0 };
                return x + share * (x_to - x);
            }
        }
        self.pieces.last().map_or(LABELS, |piece| piece.3)
    }

    /// Every so many minutes, not more than fit.
    fn ticks(&self, end: u64) -> Vec<u64> {
        let minutes = end / 60_000;
        let drawn: u64 = self.pieces.iter().step_by(2).map(|&(from, to, ..)| to - from).sum();
        let steps = [1, 2, 5, 10, 15, 30, 60, 120, 240, 480, 1440];
        let step = steps.into_iter().find(|step| drawn / 60_000 / step <= 12).unwrap_or(1440);
        let cut = |at: u64| self.pieces.iter().skip(1).step_by(2).any(|&(from, to, ..)| at > from && at < to);
        (0..=minutes / step).map(|n| n * step * 60_000).filter(|&at| !cut(at)).collect()
    }
}

pub(super) fn timeline(run: &RunRecord, account: &Account, words: &PageWords) -> Markup {
    let axis = Axis::new(account.end, &account.away);
    let rows = account.steps.len() + account.clocks.len();
    let height = TOP + rows as f64 * ROW + 26.0;
    let foot = TOP + rows as f64 * ROW;
    let about = words
        .timeline_about
        .replace("{steps}", &account.steps.len().to_string())
        .replace("{clocks}", &account.clocks.len().to_string());
    html! {
        svg viewBox=(format!("0 0 {WIDTH} {height:.0}")) role="img" aria-label=(about) {
            defs {
                pattern id="skipped" width="6" height="6" patternUnits="userSpaceOnUse" {
                    path d="M0 6 L6 0" class="hatch" {}
                }
                pattern id="over" width="5" height="5" patternUnits="userSpaceOnUse" {
                    path d="M0 0 L5 5 M0 5 L5 0" class="hatch" {}
                }
            }
            @for at in axis.ticks(account.end) {
                @let x = axis.x(at);
                line class="grid" x1=(place(x)) x2=(place(x)) y1=(TOP - 4.0) y2=(place(foot)) {}
                text class="tick" x=(place(x)) y="12" text-anchor="middle" { (at / 60_000) }
            }
            text class="tick" x=(WIDTH) y="12" text-anchor="end" { (words.minutes) }
            @for away in &account.away {
                @let (from, to) = (axis.x(away.from), axis.x(away.to));
                rect class="away" x=(place(from)) y=(TOP) width=(place((to - from).max(2.0))) height=(place(foot - TOP)) {
                    title { (away_text(away, words)) }
                }
                text class="small" x=(place((from + to) / 2.0)) y=(place(foot + 14.0)) text-anchor="middle" { (away_text(away, words)) }
            }
            @for (row, step) in account.steps.iter().enumerate() {
                @let y = TOP + row as f64 * ROW;
                (label(name_of(run, &step.id), y))
                @for (number, one) in step.spans.iter().enumerate() {
                    (bar(&axis, one, y, number + 1 < step.spans.len(), words))
                }
            }
            @for (row, clock) in account.clocks.iter().enumerate() {
                @let y = TOP + (account.steps.len() + row) as f64 * ROW;
                (label(&format!("\u{25F7} {}", name_of(run, &clock.id)), y))
                (clock_bar(&axis, clock, y, account.end, words))
            }
            line class="grid" x1=(LABELS) x2=(WIDTH - RIGHT) y1=(place(foot)) y2=(place(foot)) {}
        }
    }
}

fn label(name: &str, y: f64) -> Markup {
    let short = if name.chars().count() > LETTERS {
        let cut: String = name.chars().take(LETTERS - 1).collect();
        format!("{}\u{2026}", first_words(&cut, usize::MAX))
    } else {
        name.to_owned()
    };
    html! {
        text class="label" x=(LABELS - 8.0) y=(place(y + ROW * 0.68)) text-anchor="end" { title { (name) } (short) }
    }
}

fn bar(axis: &Axis, one: &Span, y: f64, again: bool, words: &PageWords) -> Markup {
    let (from, to) = (axis.x(one.from), axis.x(one.to));
    let width = (to - from).max(3.0);
    let (class, sign, said) = match &one.end {
        End::Answered(_) if again => ("again", "\u{21BA}", words.legend_again.clone()),
        End::Answered(answer) => ("done", "\u{2713}", format!("{}: {answer}", words.legend_done)),
        End::Skipped(reason) => ("skipped", "\u{2013}", words.skipped.replace("{reason}", reason)),
        End::Open => ("open", "?", words.legend_open.clone()),
    };
    html! {
        rect class=(class) x=(place(from)) y=(place(y + 3.0)) width=(place(width)) height=(ROW - 6.0) rx="2" {
            title { (span(one.from)) "\u{2013}" (span(one.to)) ", " (said) }
        }
        text class="sign" x=(place(from + width + 3.0)) y=(place(y + ROW * 0.68)) { (sign) }
    }
}

fn clock_bar(axis: &Axis, clock: &ClockAccount, y: f64, end: u64, words: &PageWords) -> Markup {
    let to = clock.to.unwrap_or(end);
    let due = (clock.from + clock.length).min(to);
    let (from, due_x, to_x) = (axis.x(clock.from), axis.x(due), axis.x(to));
    let said = clock_text(clock, words);
    html! {
        rect class="clock" x=(place(from)) y=(place(y + 5.0)) width=(place((due_x - from).max(3.0))) height=(ROW - 10.0) {
            title { (said) }
        }
        @if to > due {
            rect class="over" x=(place(due_x)) y=(place(y + 5.0)) width=(place((to_x - due_x).max(3.0))) height=(ROW - 10.0) {}
        }
        @let after = to_x.max(from + 3.0) + 4.0;
        @if after > WIDTH - 220.0 {
            text class="small" x=(place(from - 4.0)) y=(place(y + ROW * 0.66)) text-anchor="end" { (said) }
        } @else {
            text class="small" x=(place(after)) y=(place(y + ROW * 0.66)) { (said) }
        }
    }
}

/// What became of a clock, in words.
pub(super) fn clock_text(clock: &ClockAccount, words: &PageWords) -> String {
    let length = span(clock.length);
    match clock.to {
        None => words.running.replace("{length}", &length),
        Some(to) if to - clock.from > clock.length + 999 => {
            words.over.replace("{ran}", &span(to - clock.from)).replace("{over}", &span(to - clock.from - clock.length))
        }
        Some(to) => words.ran.replace("{ran}", &span(to - clock.from)).replace("{length}", &length),
    }
}

fn away_text(away: &Away, words: &PageWords) -> String {
    if away.known { words.away.replace("{length}", &span(away.to - away.from)) } else { words.away_unknown.clone() }
}

fn place(value: f64) -> String {
    format!("{value:.1}")
}

const WIDTH: f64 = 1000.0;
const LABELS: f64 = 250.0;
const RIGHT: f64 = 24.0;
const TOP: f64 = 22.0;
const ROW: f64 = 20.0;
/// Room of a long time away.
const CUT: f64 = 46.0;
const LETTERS: usize = 36;
/// A time away longer than this (ms) is cut out, so that it does not press the rest together.
const LONG_AWAY: u64 = 5 * 60_000;

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn later_is_never_further_left_and_all_stays_in_the_picture(
            gaps in prop::collection::vec((0_u64..4_000_000, 0_u64..40_000_000), 0..5),
            rest in 0_u64..4_000_000,
        ) {
            let (mut at, mut away) = (0, Vec::new());
            for (work, gone) in gaps {
                away.push(Away { from: at + work, to: at + work + gone, known: true });
                at += work + gone;
            }
            let end = at + rest;
            let axis = Axis::new(end, &away);
            let places: Vec<f64> = (0..=50).map(|n| axis.x(end / 50 * n)).collect();
            prop_assert!(places.windows(2).all(|pair| pair[1] >= pair[0] - 1e-6), "{places:?}");
            prop_assert!(places.iter().all(|&x| (LABELS - 1e-6..=WIDTH - RIGHT + 1e-6).contains(&x)), "{places:?}");
        }
    }
}
