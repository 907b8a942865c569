//! The page of a plan: its sentences, its picture, and every step in its person's column; and the picture as a file of its own.
//!
//! It stands alone: no script, no font, nothing that is loaded. Colour never says anything alone.

use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::away::{AwayPlan, seconds_from};
use super::picture::{self, in_lane, lane_name, lanes};
use super::words::{PlanWords, clock};

/// The picture alone, as an SVG file.
pub fn svg(plan: &AwayPlan, words: &PlanWords) -> String {
    // Many viewers know neither variables nor dark mode: the file alone has its colours written out.
    let mut text = picture::drawing(plan, words, true).into_string();
    for (name, colour) in LIGHT {
        text = text.replace(&format!("var(--{name})"), colour);
    }
    format!("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n{text}\n")
}

/// A page (HTML) with the sentences, the picture and every step.
pub fn page(plan: &AwayPlan, words: &PlanWords, sentences: &[String]) -> String {
    let by = clock(&plan.wanted, plan.wanted.by);
    let day = plan.wanted.local(plan.wanted.by).strftime("%A, %-d %B %Y").to_string();
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (words.page("title", &[("by", &by)])) }
                style { (PreEscaped(colours())) (PreEscaped(PAGE_STYLE)) (PreEscaped(picture::STYLE)) }
            }
            body {
                h1 { (words.page("day", &[("day", &day), ("by", &by)])) }
                @for sentence in sentences { p.said { (sentence) } }
                div.picture { (picture::drawing(plan, words, false)) }
                p.legend {
                    (words.page("legend-chain", &[]))
                    @if lanes(plan).contains(&picture::Lane::ByItself) { " " (words.page("legend-waits", &[])) }
                }
                (table(plan, words))
                p.caution { (words.page("caution", &[])) }
            }
        }
    }
    .into_string()
}

/// Every step in the order of time, in its person's column.
fn table(plan: &AwayPlan, words: &PlanWords) -> Markup {
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

fn entry(plan: &AwayPlan, words: &PlanWords, i: usize) -> Markup {
    let chore = &plan.work.chores[i];
    let meanwhile: Vec<&str> = chore.meanwhile.iter().map(|(name, _)| name.as_str()).collect();
    html! {
        (chore.name)
        @if chore.once_more.as_ref().map_or(chore.round > 1, |o| !o.planned.is_empty()) {
            " (" (words.page("round", &[("round", &chore.round.to_string())])) ")"
        }
        @if plan.people(i).len() > 1 { " (" (words.page("together", &[])) ")" }
        span.lasts { " " (words.short_span(seconds_from(plan.spans[i].0, plan.spans[i].1))) }
        @if chore.critical { " " span.critical { (words.page("critical", &[])) } }
        @if !meanwhile.is_empty() {
            div.meanwhile { (words.page("meanwhile", &[("steps", &meanwhile.join(", "))])) }
        }
    }
}

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
.legend, .caution, .meanwhile, .lasts { color: var(--soft); font-size: .88rem; }
.lasts { white-space: nowrap; }
table { border-collapse: collapse; width: 100%; margin: 1rem 0; }
th, td { text-align: left; vertical-align: top; padding: .22rem .5rem; border-bottom: 1px solid var(--grid); }
thead th { position: sticky; top: 0; background: var(--paper); }
td.time { white-space: nowrap; font-variant-numeric: tabular-nums; }
tr.chain td.time { border-left: 5px solid var(--ink); }
tr:not(.chain) td.time { border-left: 5px solid transparent; }
.critical { border: 1px solid; border-radius: 3px; padding: 0 .3em; font-size: .8rem; }
@media print { body { max-width: none; margin: 0; font-size: 10pt; }
  .picture { break-inside: avoid; } .picture svg { max-width: 100%; max-height: 22cm; height: auto; } tr { break-inside: avoid; } thead th { position: static; } }
";
