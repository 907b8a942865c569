//! The picture of a plan (SVG): time from top to bottom, a column for each person, and in it what they do, section by section.
//!
//! Names stand beside their bars and never in them, so that none is cut off by being short of time: where two would lie upon each
//! other the later one moves down, and a line leads to it.

use jiff::Timestamp;
use maud::{Markup, PreEscaped, html};

use super::away::{AwayPlan, seconds_from};
use super::words::{PlanWords, capital, clock};

/// A person, or what goes on by itself.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Lane {
    Person(usize),
    ByItself,
}

pub(super) fn lanes(plan: &AwayPlan) -> Vec<Lane> {
    let by_itself = (0..plan.spans.len()).any(|i| plan.people(i).is_empty());
    (0..plan.work.hands.len()).map(Lane::Person).chain(by_itself.then_some(Lane::ByItself)).collect()
}

pub(super) fn in_lane(plan: &AwayPlan, i: usize, lane: Lane) -> bool {
    match lane {
        Lane::Person(person) => plan.people(i).contains(&person),
        Lane::ByItself => plan.people(i).is_empty(),
    }
}

pub(super) fn lane_name(plan: &AwayPlan, words: &PlanWords, lane: Lane) -> String {
    match lane {
        Lane::Person(person) => plan.work.hands[person].clone(),
        Lane::ByItself => capital(&words.page("hands-free", &[])),
    }
}

/// From moments to places in the picture.
struct Scale {
    from: Timestamp,
    until: Timestamp,
    per_second: f64,
    lane_wide: f64,
}

impl Scale {
    fn of(plan: &AwayPlan, words: &PlanWords, lanes: &[Lane]) -> Self {
        let (from, until) = (plan.begin(), plan.usual_end().max(plan.wanted.by));
        let lasts = seconds_from(from, until).max(60.0);
        // As much room as the lane with the most names needs, and no more than fits on a sheet of paper.
        let names = |lane: &Lane| blocks(plan, words, *lane).len();
        let most = lanes.iter().map(names).max().unwrap_or(0) as f64;
        let high = (lasts / 60.0 * A_MINUTE).clamp(LEAST_HIGH, MOST_HIGH).max((most + 1.0) * LINE);
        let lane_wide = ((WIDTH - LEFT - RIGHT) / lanes.len().max(1) as f64).min(WIDEST_LANE);
        Self { from, until, per_second: high / lasts, lane_wide }
    }

    fn y(&self, moment: Timestamp) -> f64 {
        TOP + seconds_from(self.from, moment) * self.per_second
    }

    fn x(&self, lane: usize) -> f64 {
        LEFT + lane as f64 * self.lane_wide
    }

    fn right(&self, lanes: usize) -> f64 {
        self.x(lanes)
    }
}

/// `alone`: as a file of its own, with the paper under it.
pub(super) fn drawing(plan: &AwayPlan, words: &PlanWords, alone: bool) -> Markup {
    let lanes = lanes(plan);
    let scale = Scale::of(plan, words, &lanes);
    let labels: Vec<Vec<Label>> = lanes.iter().map(|&lane| labels(plan, words, &scale, lane)).collect();
    let marks = marks(plan, words, &scale);
    let lowest =
        labels.iter().flatten().map(|label| label.y).chain(marks.iter().map(|mark| mark.y)).fold(0.0, f64::max);
    let height = (scale.y(scale.until) + BOTTOM).max(lowest + LINE);
    let width = scale.right(lanes.len()) + RIGHT;
    let by = clock(&plan.wanted, plan.wanted.by);
    html! {
        svg xmlns=(SVG_NAME) viewBox=(format!("0 0 {width} {height:.0}")) width=(width) height=(format!("{height:.0}")) role="img" {
            title { (words.page("title", &[("by", &by)])) }
            @if alone {
                style { (PreEscaped(STYLE)) }
                rect.paper width=(width) height=(format!("{height:.0}")) {}
            }
            (dark(plan, words, &scale))
            (axis(plan, &scale, lanes.len()))
            (lines(&marks, &scale, lanes.len()))
            @for (column, (&lane, labels)) in lanes.iter().zip(&labels).enumerate() {
                (lane_drawing(plan, words, &scale, lane, scale.x(column), labels))
            }
            (mark_names(&marks, &scale, lanes.len()))
        }
    }
}

/// Lines at round times, so many that their labels have room.
fn axis(plan: &AwayPlan, scale: &Scale, lanes: usize) -> Markup {
    let step =
        [5, 10, 15, 30, 60, 120, 240].into_iter().find(|&minutes| f64::from(minutes) * 60.0 * scale.per_second >= 40.0);
    let step = i64::from(step.unwrap_or(480)) * 60;
    // Round on the wall clock, which may be off the hour from universal time.
    let offset = i64::from(plan.wanted.local(scale.from).offset().seconds());
    let first = (scale.from.as_second() + offset).div_euclid(step) * step - offset;
    let times: Vec<Timestamp> = (0..200)
        .filter_map(|n| Timestamp::from_second(first + n * step).ok())
        .filter(|t| *t >= scale.from && *t <= scale.until)
        .collect();
    html! {
        @for time in times {
            @let y = scale.y(time);
            line.grid x1=(at(LEFT - 6.0)) x2=(at(scale.right(lanes))) y1=(at(y)) y2=(at(y)) {}
            text.tick x=(at(LEFT - 12.0)) y=(at(y + 4.0)) text-anchor="end" { (clock(&plan.wanted, time)) }
        }
    }
}

/// A strip beside the hours for the time before first and after last light.
fn dark(plan: &AwayPlan, words: &PlanWords, scale: &Scale) -> Markup {
    let mut bands = Vec::new();
    if let Some(light) = plan.wanted.light_from.filter(|light| *light > scale.from) {
        bands.push((scale.from, light.min(scale.until)));
    }
    if let Some(dark) = plan.wanted.light_until.filter(|dark| *dark < scale.until) {
        bands.push((dark.max(scale.from), scale.until));
    }
    html! {
        @for (from, until) in bands {
            @let (y, high) = (scale.y(from), seconds_from(from, until) * scale.per_second);
            rect.dark x="0" y=(at(y)) width=(at(LEFT - 6.0)) height=(at(high)) {}
            @if high >= LINE { text.tick x="4" y=(at(y + 12.0)) { (words.page("dark", &[])) } }
        }
    }
}

/// Chores of one section that follow each other, to be named once.
struct Block {
    chores: Vec<usize>,
    name: String,
    /// Without its routine, for where there is little room.
    short: String,
}

fn blocks(plan: &AwayPlan, words: &PlanWords, lane: Lane) -> Vec<Block> {
    let mut chores: Vec<usize> = (0..plan.spans.len()).filter(|&i| in_lane(plan, i, lane)).collect();
    chores.sort_by_key(|&i| (plan.spans[i].0, i));
    let several = plan.work.chores.iter().any(|chore| chore.part != plan.work.chores[0].part);
    // Of several routines each is named where it comes up, and then its sections alone.
    let name = |i: usize, before: Option<usize>| {
        let chore = &plan.work.chores[i];
        let same = before.is_some_and(|before| plan.work.chores[before].part == chore.part);
        match (several && !same, chore.section.is_empty()) {
            (false, true) => capital(&chore.name),
            (false, false) => capital(&chore.section),
            (true, true) => capital(&words.part(chore)),
            (true, false) => format!("{}: {}", capital(&words.part(chore)), chore.section),
        }
    };
    let mut blocks: Vec<Block> = Vec::new();
    for i in chores {
        let before = blocks.last().and_then(|block| block.chores.last()).copied();
        let goes_on = before.is_some_and(|before| {
            let (one, other) = (&plan.work.chores[before], &plan.work.chores[i]);
            let same = one.part == other.part && one.section == other.section;
            same && seconds_from(plan.spans[before].1, plan.spans[i].0) < APART_S
        });
        match blocks.last_mut().filter(|_| goes_on) {
            Some(block) => block.chores.push(i),
            None => {
                let name = name(i, before);
                let section = capital(&plan.work.chores[i].section);
                let short = if section.is_empty() { name.clone() } else { section };
                blocks.push(Block { chores: vec![i], name, short });
            }
        }
    }
    blocks
}

/// A name beside its bar.
struct Label {
    y: f64,
    /// Where the bar begins.
    from: f64,
    text: String,
}

/// Each where its bar begins, or as little below as keeps them apart.
fn labels(plan: &AwayPlan, words: &PlanWords, scale: &Scale, lane: Lane) -> Vec<Label> {
    let mut free_from = 0.0_f64;
    let blocks = blocks(plan, words, lane);
    let label = |block: &Block| {
        let (from, until) = span(plan, block);
        let (y, time) = (scale.y(from), clock(&plan.wanted, from));
        let lasts = words.short_span(seconds_from(from, until));
        let room = ((scale.lane_wide - BAR - LEAD - 4.0) / LETTER).floor().max(0.0) as usize;
        // The first that fits; of the shortest as much as does.
        let texts =
            [&block.name, &block.short].map(|name| [format!("{time} {name}, {lasts}"), format!("{time} {name}")]);
        let [[full, _], [part_left_out, shortest]] = &texts;
        let fits = [full, part_left_out].into_iter().find(|text| text.chars().count() <= room);
        let text = fits.map_or_else(|| shortened(shortest, room), String::clone);
        let placed = y.max(free_from);
        free_from = placed + LINE;
        Label { y: placed, from: y, text }
    };
    blocks.iter().map(label).collect()
}

fn span(plan: &AwayPlan, block: &Block) -> (Timestamp, Timestamp) {
    let until = block.chores.iter().map(|&i| plan.spans[i].1).max();
    let from = block.chores.iter().map(|&i| plan.spans[i].0).min();
    (from.unwrap_or_else(|| plan.begin()), until.unwrap_or_else(|| plan.begin()))
}

fn lane_drawing(plan: &AwayPlan, words: &PlanWords, scale: &Scale, lane: Lane, x: f64, labels: &[Label]) -> Markup {
    let room = ((scale.lane_wide - 8.0) / WIDE_LETTER).floor().max(0.0) as usize;
    html! {
        text.lane x=(at(x)) y=(at(TOP - 14.0)) { (shortened(&lane_name(plan, words, lane), room)) }
        @for i in (0..plan.spans.len()).filter(|&i| in_lane(plan, i, lane)) {
            @let (y, until) = (scale.y(plan.spans[i].0), scale.y(plan.spans[i].1));
            g {
                title { (clock(&plan.wanted, plan.spans[i].0)) " " (plan.work.chores[i].name) }
                rect class=(class_of(plan, i)) x=(at(x + 5.0)) y=(at(y)) width=(at(wide(plan, i))) height=(at((until - y).max(1.0))) {}
                @if plan.critical.contains(&i) {
                    line.chain x1=(at(x + 1.5)) x2=(at(x + 1.5)) y1=(at(y)) y2=(at(until)) {}
                }
            }
        }
        @for label in labels {
            polyline.lead points=(lead(x, label)) {}
            text.name x=(at(x + BAR + LEAD)) y=(at(label.y + 13.0)) { (label.text) }
        }
    }
}

/// From the beginning of the bar to its name.
fn lead(x: f64, label: &Label) -> String {
    let (from, to) = (x + BAR, x + BAR + LEAD - 3.0);
    let middle = (from + to) / 2.0;
    let (bar, name) = (label.from + 0.5, label.y + 9.0);
    format!("{from:.1},{bar:.1} {middle:.1},{bar:.1} {middle:.1},{name:.1} {to:.1},{name:.1}")
}

/// What is critical shows by its width too.
fn wide(plan: &AwayPlan, i: usize) -> f64 {
    if plan.work.chores[i].critical { BAR - 5.0 } else { BAR - 14.0 }
}

fn class_of(plan: &AwayPlan, i: usize) -> &'static str {
    match plan.people(i).len() {
        0 => "by-itself",
        1 if plan.work.chores[i].critical => "bar critical",
        1 => "bar",
        _ => "bar together",
    }
}

/// A moment that is named at the right.
struct Mark {
    y: f64,
    from: f64,
    class: &'static str,
    text: String,
}

fn marks(plan: &AwayPlan, words: &PlanWords, scale: &Scale) -> Vec<Mark> {
    let light = plan.wanted.light_from.filter(|light| *light > scale.from && *light < scale.until);
    let dark = plan.wanted.light_until.filter(|dark| *dark > scale.from && *dark < scale.until);
    let named =
        |moment: Timestamp, class, key| (moment, class, words.page(key, &[("time", &clock(&plan.wanted, moment))]));
    let mut all = vec![named(plan.begin(), "mark", "start"), named(plan.usual_end(), "mark usual", "usual-end")];
    all.extend(light.map(|light| named(light, "mark usual", "light")));
    all.extend(dark.map(|dark| named(dark, "mark usual", "dark-from")));
    all.push(named(plan.wanted.by, "mark by", "by"));
    all.sort_by_key(|(moment, ..)| *moment);
    let mut free_from = 0.0_f64;
    let mark = |(moment, class, text): (Timestamp, &'static str, String)| {
        let from = scale.y(moment);
        let y = from.max(free_from);
        free_from = y + LINE;
        Mark { y, from, class, text }
    };
    all.into_iter().map(mark).collect()
}

fn lines(marks: &[Mark], scale: &Scale, lanes: usize) -> Markup {
    html! {
        @for mark in marks {
            line class=(mark.class) x1=(at(LEFT - 6.0)) x2=(at(scale.right(lanes))) y1=(at(mark.from)) y2=(at(mark.from)) {}
        }
    }
}

fn mark_names(marks: &[Mark], scale: &Scale, lanes: usize) -> Markup {
    let right = scale.right(lanes);
    html! {
        @for mark in marks {
            line.lead x1=(at(right)) x2=(at(right + 12.0)) y1=(at(mark.from)) y2=(at(mark.y)) {}
            text.mark-label x=(at(right + 16.0)) y=(at(mark.y + 4.0)) { (mark.text) }
        }
    }
}

/// As much of a text as so many letters are, with an ellipsis; at least three of them.
fn shortened(text: &str, letters: usize) -> String {
    if text.chars().count() <= letters {
        return text.to_owned();
    }
    let mut short: String = text.chars().take(letters.saturating_sub(1).max(3)).collect();
    short.truncate(short.trim_end().len());
    short + "\u{2026}"
}

fn at(place: f64) -> String {
    format!("{place:.1}")
}

const WIDTH: f64 = 1120.0;
/// Room for the word "dark", and then for the hours.
const LEFT: f64 = 100.0;
/// Room for the names of moments.
const RIGHT: f64 = 172.0;
const TOP: f64 = 40.0;
const BOTTOM: f64 = 16.0;
/// A column alone need not be as wide as the paper.
const WIDEST_LANE: f64 = 520.0;
const BAR: f64 = 34.0;
/// From a bar to its name.
const LEAD: f64 = 16.0;
/// From one name to the next below.
const LINE: f64 = 16.0;
/// Height of a minute, of a short morning and of a long one.
const A_MINUTE: f64 = 5.0;
const LEAST_HIGH: f64 = 300.0;
const MOST_HIGH: f64 = 900.0;
/// A shorter pause in a section does not part it.
const APART_S: f64 = 120.0;
/// Width of a letter, by a generous mean: of names in 13 and in 15 pixels.
const LETTER: f64 = 7.3;
const WIDE_LETTER: f64 = 9.2;

/// The name that an SVG file carries; nothing is fetched from it. In two halves, for no address is to stand in a source.
const SVG_NAME: &str = concat!("http:", "//www.w3.org/2000/svg");

/// Contrast of text is 7:1 or more in both, of bars against the paper 3:1 (WCAG 2.2, 1.4.6 and 1.4.11).
pub(super) const STYLE: &str = "
svg { font-family: system-ui, 'DejaVu Sans', sans-serif; }
svg text { fill: var(--ink); font-size: 13px; }
svg .paper { fill: var(--paper); }
svg text.tick { fill: var(--soft); font-size: 12px; }
svg text.lane { font-size: 15px; font-weight: 600; }
svg text.name { stroke: var(--paper); stroke-width: 3px; paint-order: stroke; }
svg .grid { stroke: var(--grid); }
svg .lead { fill: none; stroke: var(--soft); }
svg .bar { fill: var(--bar); stroke: var(--edge); stroke-width: .6; }
svg .bar.critical { fill: var(--crit); stroke: var(--crit-edge); }
svg .bar.together { stroke-width: 3; }
svg .by-itself { fill: none; stroke: var(--soft); stroke-dasharray: 4 3; }
svg .chain { stroke: var(--ink); stroke-width: 3; }
svg .dark { fill: var(--dark); }
svg .mark { stroke: var(--ink); stroke-width: 1.5; }
svg .mark.usual { stroke-width: 1; stroke-dasharray: 2 3; }
svg .mark.by { stroke-width: 3; }
svg text.mark-label { font-weight: 600; }
";
