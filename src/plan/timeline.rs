//! The picture of a plan: one lane a person, time from left to right, as SVG; and a page with it and the list of steps.
//!
//! It stands alone: no script, no font, nothing that is loaded. Colour never says anything alone.

use jiff::Timestamp;
use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::away::{AwayPlan, seconds_from};
use super::words::{Words, capital, clock};

/// The picture alone, as an SVG file.
pub fn svg(plan: &AwayPlan, words: &Words) -> String {
    // Many viewers know neither variables nor dark mode: the file alone has its colours written out.
    let mut text = drawing(plan, words, true).into_string();
    for (name, colour) in LIGHT {
        text = text.replace(&format!("var(--{name})"), colour);
    }
    format!("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n{text}\n")
}

/// A page (HTML) with the sentences, the picture and every step.
pub fn page(plan: &AwayPlan, words: &Words, sentences: &[String]) -> String {
    let by = clock(&plan.wanted, plan.wanted.by);
    let day = plan.wanted.local(plan.wanted.by).strftime("%Y-%m-%d").to_string();
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (words.page("title", &[("by", &by)])) }
                style { (PreEscaped(colours())) (PreEscaped(PAGE_STYLE)) (PreEscaped(PICTURE_STYLE)) }
            }
            body {
                h1 { (words.page("day", &[("day", &day), ("by", &by)])) }
                @for sentence in sentences { p.said { (sentence) } }
                div.picture { (drawing(plan, words, false)) }
                p.legend { (words.page("legend-chain", &[])) " " (words.page("legend-waits", &[])) }
                (table(plan, words))
                p.caution { (words.page("caution", &[])) }
            }
        }
    }
    .into_string()
}

/// Every step in the order of time, in its person's column.
fn table(plan: &AwayPlan, words: &Words) -> Markup {
    let mut order: Vec<usize> = (0..plan.spans.len()).collect();
    order.sort_by_key(|&i| (plan.spans[i].0, i));
    let lanes = lanes(plan);
    html! {
        table {
            thead { tr {
                th { (words.page("column-time", &[])) }
                @for lane in &lanes { th { (lane_name(plan, words, *lane)) } }
            } }
            tbody {
                @for i in order {
                    tr.chain[plan.critical.contains(&i)] {
                        td.time { (clock(&plan.wanted, plan.spans[i].0)) }
                        @for lane in &lanes {
                            td {
                                @if in_lane(plan, i, *lane) { (entry(plan, words, i)) }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn entry(plan: &AwayPlan, words: &Words, i: usize) -> Markup {
    let chore = &plan.work.chores[i];
    let meanwhile: Vec<&str> = chore.meanwhile.iter().map(|(name, _)| name.as_str()).collect();
    html! {
        (chore.name)
        @if chore.once_more.as_ref().map_or(chore.round > 1, |o| !o.planned.is_empty()) {
            " (" (words.page("round", &[("round", &chore.round.to_string())])) ")"
        }
        @if plan.people(i).len() > 1 { " (" (words.page("together", &[])) ")" }
        span.lasts { " " (minutes(seconds_from(plan.spans[i].0, plan.spans[i].1))) }
        @if chore.critical { " " span.critical { (words.page("critical", &[])) } }
        @if !meanwhile.is_empty() {
            div.meanwhile { (words.page("meanwhile", &[("steps", &meanwhile.join(", "))])) }
        }
    }
}

/// A person, or what goes on by itself.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Lane {
    Person(usize),
    ByItself,
}

fn lanes(plan: &AwayPlan) -> Vec<Lane> {
    let by_itself = (0..plan.spans.len()).any(|i| plan.people(i).is_empty());
    (0..plan.work.hands.len()).map(Lane::Person).chain(by_itself.then_some(Lane::ByItself)).collect()
}

fn in_lane(plan: &AwayPlan, i: usize, lane: Lane) -> bool {
    match lane {
        Lane::Person(person) => plan.people(i).contains(&person),
        Lane::ByItself => plan.people(i).is_empty(),
    }
}

fn lane_name(plan: &AwayPlan, words: &Words, lane: Lane) -> String {
    match lane {
        Lane::Person(person) => plan.work.hands[person].clone(),
        Lane::ByItself => capital(&words.page("hands-free", &[])),
    }
}

/// From moments to places in the picture.
struct Scale {
    from: Timestamp,
    per_second: f64,
}

impl Scale {
    fn x(&self, moment: Timestamp) -> f64 {
        LEFT + seconds_from(self.from, moment) * self.per_second
    }
}

fn drawing(plan: &AwayPlan, words: &Words, alone: bool) -> Markup {
    let lanes = lanes(plan);
    let (begin, end) = (plan.begin(), plan.usual_end().max(plan.wanted.by));
    let scale = Scale { from: begin, per_second: (WIDTH - LEFT - RIGHT) / seconds_from(begin, end).max(60.0) };
    let height = TOP + lanes.len() as f64 * LANE + BOTTOM;
    let by = clock(&plan.wanted, plan.wanted.by);
    html! {
        svg xmlns=(SVG_NAME) viewBox=(format!("0 0 {WIDTH} {height}")) width=(WIDTH) height=(height) role="img" {
            title { (words.page("title", &[("by", &by)])) }
            @if alone {
                style { (PreEscaped(PICTURE_STYLE)) }
                rect.paper width=(WIDTH) height=(height) {}
            }
            (axis(plan, &scale, height))
            (dark(plan, words, &scale, height))
            @for (row, &lane) in lanes.iter().enumerate() {
                (lane_drawing(plan, words, &scale, lane, TOP + row as f64 * LANE))
            }
            (marks(plan, words, &scale, height))
        }
    }
}

/// Lines at round times, so many that their labels have room.
fn axis(plan: &AwayPlan, scale: &Scale, height: f64) -> Markup {
    let step =
        [5, 10, 15, 30, 60, 120, 240].into_iter().find(|&minutes| f64::from(minutes) * 60.0 * scale.per_second >= 52.0);
    let step = i64::from(step.unwrap_or(480)) * 60;
    let last = plan.usual_end().max(plan.wanted.by);
    // Round on the wall clock, which may be off the hour from universal time.
    let offset = i64::from(plan.wanted.local(scale.from).offset().seconds());
    let first = (scale.from.as_second() + offset).div_euclid(step) * step - offset;
    let times: Vec<Timestamp> = (0..200)
        .filter_map(|n| Timestamp::from_second(first + n * step).ok())
        .filter(|t| *t >= scale.from && *t <= last)
        .collect();
    html! {
        @for time in times {
            @let x = scale.x(time);
            line.grid x1=(at(x)) x2=(at(x)) y1=(at(TOP - 6.0)) y2=(at(height - BOTTOM)) {}
            text.tick x=(at(x)) y=(at(TOP - 12.0)) text-anchor="middle" { (clock(&plan.wanted, time)) }
        }
    }
}

fn dark(plan: &AwayPlan, words: &Words, scale: &Scale, height: f64) -> Markup {
    let (begin, end) = (plan.begin(), plan.usual_end().max(plan.wanted.by));
    let mut bands = Vec::new();
    if let Some(light) = plan.wanted.light_from.filter(|light| *light > begin) {
        bands.push((begin, light.min(end)));
    }
    if let Some(dark) = plan.wanted.light_until.filter(|dark| *dark < end) {
        bands.push((dark.max(begin), end));
    }
    html! {
        @for (from, until) in bands {
            @let (x, wide) = (scale.x(from), seconds_from(from, until) * scale.per_second);
            rect.dark x=(at(x)) y=(at(TOP)) width=(at(wide)) height=(at(height - BOTTOM - TOP)) {}
            text.dark-label x=(at(x + 4.0)) y=(at(height - BOTTOM - 5.0)) { (words.page("dark", &[])) }
        }
    }
}

fn lane_drawing(plan: &AwayPlan, words: &Words, scale: &Scale, lane: Lane, y: f64) -> Markup {
    let mut chores: Vec<usize> = (0..plan.spans.len()).filter(|&i| in_lane(plan, i, lane)).collect();
    chores.sort_by_key(|&i| (plan.spans[i].0, i));
    html! {
        text.lane x="10" y=(at(y + LANE / 2.0)) { (shortened(&lane_name(plan, words, lane), LEFT - 16.0, LETTER)) }
        line.lane-line x1=(at(LEFT)) x2=(at(WIDTH - RIGHT)) y1=(at(y + LANE - 6.0)) y2=(at(y + LANE - 6.0)) {}
        @for block in blocks(plan, &chores) {
            @let x = scale.x(plan.spans[block[0]].0);
            @let wide = scale.x(plan.spans[block[block.len() - 1]].1) - x;
            @let section = capital(&plan.work.chores[block[0]].section);
            @let part = shortened(&section, wide - 4.0, SMALL);
            @if part == section || part.chars().count() >= READABLE {
                text.part x=(at(x + 1.0)) y=(at(y + 15.0)) { (part) }
            }
        }
        @for &i in &chores {
            @let (x, until) = (scale.x(plan.spans[i].0), scale.x(plan.spans[i].1));
            @let class = class_of(plan, i);
            g {
                title { (clock(&plan.wanted, plan.spans[i].0)) " " (plan.work.chores[i].name) }
                rect class=(class) x=(at(x + 0.5)) y=(at(y + BAR)) width=(at((until - x - 1.0).max(1.5))) height=(at(LANE - BAR - 12.0)) rx="2" {}
                @if plan.critical.contains(&i) {
                    line.chain x1=(at(x + 0.5)) x2=(at((until - 0.5).max(x + 2.0))) y1=(at(y + LANE - 10.0)) y2=(at(y + LANE - 10.0)) {}
                }
                @let name = shortened(&plan.work.chores[i].name, until - x - 7.0, SMALL);
                @if name.chars().count() > 4 || name == plan.work.chores[i].name {
                    text.step x=(at(x + 4.0)) y=(at(y + BAR + (LANE - BAR - 12.0) / 2.0 + 4.0)) { (name) }
                }
            }
        }
    }
}

fn class_of(plan: &AwayPlan, i: usize) -> &'static str {
    match plan.people(i).len() {
        0 => "by-itself",
        1 if plan.work.chores[i].critical => "bar critical",
        1 => "bar",
        _ => "bar together",
    }
}

/// Chores of one section that follow each other, to be named once.
fn blocks(plan: &AwayPlan, chores: &[usize]) -> Vec<Vec<usize>> {
    let mut blocks: Vec<Vec<usize>> = Vec::new();
    for &i in chores {
        let goes_on = blocks.last().and_then(|b| b.last()).is_some_and(|&before| {
            let same = plan.work.chores[before].section == plan.work.chores[i].section;
            same && seconds_from(plan.spans[before].1, plan.spans[i].0) < 120.0
        });
        if goes_on {
            blocks.last_mut().into_iter().for_each(|block| block.push(i));
        } else {
            blocks.push(vec![i]);
        }
    }
    blocks
}

fn marks(plan: &AwayPlan, words: &Words, scale: &Scale, height: f64) -> Markup {
    let time = |moment| clock(&plan.wanted, moment);
    let (begin, done, by) = (plan.begin(), plan.usual_end(), plan.wanted.by);
    let (x_done, x_by) = (scale.x(done), scale.x(by));
    let bottom = height - BOTTOM;
    html! {
        line.mark x1=(at(scale.x(begin))) x2=(at(scale.x(begin))) y1=(at(TOP)) y2=(at(bottom + 8.0)) {}
        text.mark-label x=(at(scale.x(begin))) y=(at(bottom + 22.0)) { (words.page("start", &[("start", &time(begin))])) }
        line.mark.usual x1=(at(x_done)) x2=(at(x_done)) y1=(at(TOP)) y2=(at(bottom + 8.0)) {}
        text.mark-label x=(at(x_done - 4.0)) y=(at(bottom + 22.0)) text-anchor="end" {
            (words.page("usual-end", &[("time", &time(done))]))
        }
        line.mark.by x1=(at(x_by)) x2=(at(x_by)) y1=(at(TOP - 6.0)) y2=(at(bottom + 26.0)) {}
        text.mark-label x=(at(x_by)) y=(at(bottom + 40.0)) text-anchor="end" { (words.page("by", &[("by", &time(by))])) }
    }
}

/// As much of a text as fits, with an ellipsis; nothing where not even a few letters do.
fn shortened(text: &str, room: f64, letter: f64) -> String {
    let fits = (room / letter).floor().max(0.0) as usize;
    if text.chars().count() <= fits {
        return text.to_owned();
    }
    if fits < 4 {
        return String::new();
    }
    let mut short: String = text.chars().take(fits - 1).collect();
    short.truncate(short.trim_end().len());
    short + "\u{2026}"
}

/// "4:30", to the quarter of a minute: nobody knows it closer.
fn minutes(seconds: f64) -> String {
    let quarters = (seconds / 15.0).round().max(1.0) as u64;
    format!("{}:{:02}", quarters / 4, quarters % 4 * 15)
}

fn at(place: f64) -> String {
    format!("{place:.1}")
}

const WIDTH: f64 = 1120.0;
/// Of a section's name that does not fit, fewer letters than these tell nothing.
const READABLE: usize = 9;
const LEFT: f64 = 120.0;
const RIGHT: f64 = 24.0;
const TOP: f64 = 40.0;
const BOTTOM: f64 = 52.0;
const LANE: f64 = 84.0;
/// From the top of a lane to its bars.
const BAR: f64 = 22.0;
/// Width of a letter, by a generous mean, in the sizes below.
const LETTER: f64 = 8.4;
const SMALL: f64 = 6.5;

/// The name that an SVG file carries; nothing is fetched from it. In two halves, for no address is to stand in a source.
const SVG_NAME: &str = concat!("http:", "//www.w3.org/2000/svg");

/// Contrast of text is 7:1 or more in both, of bars against the paper 3:1 (WCAG 2.2, 1.4.6 and 1.4.11).
const PICTURE_STYLE: &str = "
svg { font-family: system-ui, 'DejaVu Sans', sans-serif; max-width: 100%; }
svg text { fill: var(--ink); font-size: 12px; }
svg .paper { fill: var(--paper); }
svg .tick { fill: var(--soft); }
svg .lane { font-size: 15px; font-weight: 600; dominant-baseline: middle; }
svg .grid { stroke: var(--grid); }
svg .lane-line { stroke: var(--grid); }
svg .part { fill: var(--soft); font-size: 12px; }
svg .step { font-size: 12px; }
svg .bar { fill: var(--bar); stroke: var(--edge); }
svg .bar.critical { fill: var(--crit); stroke: var(--crit-edge); }
svg .bar.together { stroke-width: 3; }
svg .by-itself { fill: none; stroke: var(--soft); stroke-dasharray: 4 3; }
svg .chain { stroke: var(--ink); stroke-width: 3.5; }
svg .dark { fill: var(--dark); }
svg .dark-label { fill: var(--soft); }
svg .mark { stroke: var(--ink); stroke-width: 1.5; }
svg .mark.usual { stroke-dasharray: 2 3; }
svg .mark.by { stroke-width: 3; }
svg .mark-label { font-weight: 600; }
";

const LIGHT: &[(&str, &str)] = &[
    ("paper", "#ffffff"),
    ("ink", "#1a1a1a"),
    ("soft", "#595959"),
    ("grid", "#d9d9d9"),
    ("bar", "#cfe3f5"),
    ("edge", "#1f5f99"),
    ("crit", "#f7ddc6"),
    ("crit-edge", "#a34a00"),
    ("dark", "#e6e6ee"),
];
const DARK: &[(&str, &str)] = &[
    ("paper", "#161616"),
    ("ink", "#f2f2f2"),
    ("soft", "#b8b8b8"),
    ("grid", "#3a3a3a"),
    ("bar", "#1d3a55"),
    ("edge", "#7db8ee"),
    ("crit", "#4d2c12"),
    ("crit-edge", "#f0a35e"),
    ("dark", "#26262f"),
];

/// The colours as variables of the page, for light and for dark.
fn colours() -> String {
    let list = |colours: &[(&str, &str)]| colours.iter().map(|(name, c)| format!("--{name}: {c};")).collect::<String>();
    format!(
        ":root {{ color-scheme: light dark; {} }} @media (prefers-color-scheme: dark) {{ :root {{ {} }} }}",
        list(LIGHT),
        list(DARK)
    )
}

const PAGE_STYLE: &str = "
body { background: var(--paper); color: var(--ink); font: 16px/1.45 system-ui, 'DejaVu Sans', sans-serif;
  max-width: 1120px; margin: 1.5rem auto; padding: 0 1rem; }
h1 { font-size: 1.5rem; margin: 0 0 .6rem; }
.said { margin: .1rem 0; }
.picture { margin: 1.2rem 0 .4rem; overflow-x: auto; }
.picture svg { max-width: none; }
.legend, .caution, .meanwhile, .lasts { color: var(--soft); font-size: .88rem; }
table { border-collapse: collapse; width: 100%; margin: 1rem 0; }
th, td { text-align: left; vertical-align: top; padding: .22rem .5rem; border-bottom: 1px solid var(--grid); }
thead th { position: sticky; top: 0; background: var(--paper); }
td.time { white-space: nowrap; font-variant-numeric: tabular-nums; }
tr.chain td.time { border-left: 5px solid var(--ink); }
tr:not(.chain) td.time { border-left: 5px solid transparent; }
.critical { border: 1px solid; border-radius: 3px; padding: 0 .3em; font-size: .8rem; }
@media print { @page { size: landscape; } body { max-width: none; margin: 0; font-size: 11pt; }
  .picture svg { max-width: 100%; height: auto; } tr { break-inside: avoid; } thead th { position: static; } }
";
