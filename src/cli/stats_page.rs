//! The account of past runs as a page (HTML) with pictures (SVG). It stands alone: no script, no font, nothing that is loaded.

use jiff::Timestamp;
use jiff::tz::TimeZone;
use maud::{DOCTYPE, Markup, PreEscaped, html};

use crate::cli::stats::{
    ReadingSeries, Stats, StepTimes, counted_runs, local, minutes, named, number, told_bounds, told_trend,
};
use crate::plan::words::PlanWords;
use crate::setup::past_runs::PastRuns;

/// The whole page.
pub fn page(past: &PastRuns, stats: &Stats, words: &PlanWords, zone: &TimeZone) -> String {
    let word = |key: &str| words.stats(key, &[]);
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (word("title")) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                h1 { (word("title")) }
                @if stats.runs == 0 {
                    p { (word("none")) }
                } @else {
                    p { (counted_runs(stats, words)) }
                    (whole_runs(past, words, zone))
                    h2 { (word("steps")) }
                    p.quiet { (word("legend")) }
                    (steps(stats, words))
                    h2 { (word("skipped")) }
                    (skips(stats, words))
                    h2 { (word("readings")) }
                    @if stats.readings.is_empty() { p { (word("no-readings")) } }
                    @for series in &stats.readings { (reading(series, words, zone)) }
                }
            }
        }
    }
    .into_string()
}

fn whole_runs(past: &PastRuns, words: &PlanWords, zone: &TimeZone) -> Markup {
    let word = |key: &str| words.stats(key, &[]);
    let longest = past.runs.iter().map(|run| run.lasted_s).fold(1.0, f64::max);
    html! {
        h2 { (word("whole-runs")) }
        table {
            thead { tr { @for key in ["began", "routine", "lasted", "ended"] { th { (word(key)) } } } }
            tbody {
                @for run in &past.runs {
                    tr {
                        td { (local(&run.started, zone)) }
                        td { (run.routine) }
                        td {
                            svg width="160" height="14" aria-hidden="true" {
                                rect.length x="0" y="2" width=(at(156.0 * run.lasted_s / longest)) height="10" {}
                            }
                            " " (minutes(run.lasted_s))
                        }
                        td { (word(if run.finished { "finished" } else { "stopped" })) }
                    }
                }
            }
        }
    }
}

fn steps(stats: &Stats, words: &PlanWords) -> Markup {
    let word = |key: &str| words.stats(key, &[]);
    html! {
        table {
            thead { tr {
                th { (word("step")) } th { (word("person")) } th.number { (word("times")) } th.number { (word("middle")) }
                th.number { (word("file")) } th { (word("half")) } th { (word("trend")) }
            } }
            tbody {
                @for times in &stats.steps {
                    tr {
                        td { (times.step) }
                        td { (named(&times.person, words)) }
                        td.number { (times.took_s.len()) }
                        td.number { (minutes(times.middle_s)) }
                        td.number { (times.file_s.map(minutes).unwrap_or_default()) }
                        td { (spread(times)) }
                        td { (over_runs(times)) " " (told_trend(times.trend, words)) }
                    }
                }
            }
        }
    }
}

/// All times of a step on one line, from nothing to its longest.
fn spread(times: &StepTimes) -> Markup {
    let longest = times.took_s.iter().copied().chain(times.file_s).fold(1.0, f64::max);
    let x = |seconds: f64| 5.0 + 210.0 * seconds / longest;
    html! {
        svg width="220" height="20" role="img" {
            title { (minutes(times.half_s.0)) " - " (minutes(times.half_s.1)) }
            line.base x1="5" x2="215" y1="10" y2="10" {}
            rect.half x=(at(x(times.half_s.0))) y="4" width=(at((x(times.half_s.1) - x(times.half_s.0)).max(1.0))) height="12" {}
            @for &took in &times.took_s { circle.dot cx=(at(x(took))) cy="10" r="2.4" {} }
            line.middle x1=(at(x(times.middle_s))) x2=(at(x(times.middle_s))) y1="2" y2="18" {}
            @if let Some(file) = times.file_s { circle.file cx=(at(x(file))) cy="10" r="4" {} }
        }
    }
}

/// The times of a step from run to run.
fn over_runs(times: &StepTimes) -> Markup {
    let longest = times.took_s.iter().copied().fold(1.0, f64::max);
    let step = 110.0 / (times.took_s.len().saturating_sub(1)).max(1) as f64;
    let points: Vec<(f64, f64)> = times
        .took_s
        .iter()
        .enumerate()
        .map(|(n, took)| (5.0 + step * n as f64, 22.0 - 18.0 * took / longest))
        .collect();
    html! {
        svg width="120" height="24" aria-hidden="true" {
            polyline.course points=(polyline(&points)) {}
            @for (x, y) in &points { circle.dot cx=(at(*x)) cy=(at(*y)) r="1.8" {} }
        }
    }
}

fn skips(stats: &Stats, words: &PlanWords) -> Markup {
    let word = |key: &str| words.stats(key, &[]);
    html! {
        @if stats.skips.is_empty() {
            p { (word("no-skips")) }
        } @else {
            table {
                thead { tr { @for key in ["step", "skips", "reasons"] { th { (word(key)) } } } }
                tbody {
                    @for skip in &stats.skips {
                        tr {
                            td { (skip.step) }
                            td {
                                svg width="90" height="14" aria-hidden="true" {
                                    rect.frame x="1" y="2" width="86" height="10" {}
                                    rect.length x="1" y="2" width=(at(86.0 * skip.skipped as f64 / skip.runs.max(1) as f64)) height="10" {}
                                }
                                " " (skip.skipped) " / " (skip.runs)
                            }
                            td {
                                @for (n, (reason, count)) in skip.reasons.iter().enumerate() {
                                    @if n > 0 { ", " }
                                    (reason) " (" (count) ")"
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn reading(series: &ReadingSeries, words: &PlanWords, zone: &TimeZone) -> Markup {
    let values = || series.points.iter().map(|(_, value)| *value);
    let all = || values().chain(series.bounds.into_iter().flat_map(|(least, most)| [least, most]));
    let (low, high) = (all().fold(f64::INFINITY, f64::min), all().fold(f64::NEG_INFINITY, f64::max));
    let room = ((high - low) * 0.08).max(1e-9);
    let y = |value: f64| 20.0 + 120.0 * (high + room - value) / (high - low + 2.0 * room);
    // By time where the journal's wall times can be read, else one after the other.
    let moments: Option<Vec<f64>> =
        series.points.iter().map(|(wall, _)| wall.parse::<Timestamp>().ok().map(|t| t.as_second() as f64)).collect();
    // A clock that was put back would draw the line back too.
    let moments = moments.filter(|all| all.is_sorted());
    let moments = moments.unwrap_or_else(|| (0..series.points.len()).map(|n| n as f64).collect());
    let (first, last) = (
        moments.iter().copied().fold(f64::INFINITY, f64::min),
        moments.iter().copied().fold(f64::NEG_INFINITY, f64::max),
    );
    let x = |moment: f64| 60.0 + 540.0 * (moment - first) / (last - first).max(1.0);
    let points: Vec<(f64, f64)> = moments.iter().zip(values()).map(|(&moment, value)| (x(moment), y(value))).collect();
    let outside = |value: f64| series.bounds.is_some_and(|(least, most)| value < least || value > most);
    let day = |n: Option<&(String, f64)>| n.map(|(wall, _)| local(wall, zone)).unwrap_or_default();
    html! {
        h3 { (series.name) }
        p.quiet { (told_bounds(series, words)) }
        svg width="640" height="170" viewBox="0 0 640 170" role="img" {
            title { (series.name) }
            @if let Some((least, most)) = series.bounds {
                rect.half x="60" width="540" y=(at(y(most))) height=(at((y(least) - y(most)).max(1.0))) {}
                text.scale x="54" y=(at(y(most) + 4.0)) text-anchor="end" { (number(most)) }
                text.scale x="54" y=(at(y(least) + 4.0)) text-anchor="end" { (number(least)) }
            } @else {
                text.scale x="54" y=(at(y(high) + 4.0)) text-anchor="end" { (number(high)) }
                text.scale x="54" y=(at(y(low) + 4.0)) text-anchor="end" { (number(low)) }
            }
            polyline.course points=(polyline(&points)) {}
            @for ((px, py), value) in points.iter().zip(values()) {
                @if outside(value) {
                    path.outside d=(format!("M{:.1} {:.1}l5 9h-10z", px, py - 6.0)) {}
                    text.scale x=(at(px.clamp(120.0, 540.0))) y=(at(py + 16.0)) text-anchor="middle" { (number(value)) " " (words.stats("outside", &[])) }
                } @else {
                    circle.dot cx=(at(*px)) cy=(at(*py)) r="3" {}
                }
            }
            text.scale x="60" y="162" { (day(series.points.first())) }
            text.scale x="600" y="162" text-anchor="end" { (day(series.points.last())) }
        }
    }
}

fn polyline(points: &[(f64, f64)]) -> String {
    points.iter().map(|(x, y)| format!("{x:.1},{y:.1}")).collect::<Vec<_>>().join(" ")
}

fn at(place: f64) -> String {
    format!("{place:.1}")
}

/// Contrast of text is 7:1 or more in both, of marks 3:1 or more (WCAG 2.2, 1.4.6 and 1.4.11).
const STYLE: &str = "
:root { color-scheme: light dark; --page: #ffffff; --text: #1a1a1a; --quiet: #595959; --rule: #d0d0d0; --half: #cfe3f5;
  --mark: #1f5f99; --out: #a34a00; }
@media (prefers-color-scheme: dark) { :root { --page: #161616; --text: #f2f2f2; --quiet: #b8b8b8; --rule: #444444;
  --half: #1d3a55; --mark: #7db8ee; --out: #f0a35e; } }
body { background: var(--page); color: var(--text); font: 15px/1.4 system-ui, 'DejaVu Sans', sans-serif; max-width: 1180px;
  margin: 1.5rem auto; padding: 0 1rem; }
h1 { font-size: 1.5rem; } h2 { font-size: 1.15rem; margin: 1.6rem 0 .3rem; } h3 { font-size: 1rem; margin: 1rem 0 0; }
.quiet { color: var(--quiet); font-size: .88rem; margin: .2rem 0; }
table { border-collapse: collapse; display: block; overflow-x: auto; }
th, td { text-align: left; padding: .2rem .8rem .2rem 0; border-bottom: 1px solid var(--rule); vertical-align: middle; }
.number { text-align: right; font-variant-numeric: tabular-nums; }
svg { vertical-align: middle; }
.base { stroke: var(--rule); } .half { fill: var(--half); } .dot { fill: var(--mark); }
.middle { stroke: var(--text); stroke-width: 2; } .file { fill: none; stroke: var(--text); stroke-width: 1.4; }
.course { fill: none; stroke: var(--mark); stroke-width: 1.2; } .length { fill: var(--mark); }
.frame { fill: none; stroke: var(--rule); } .outside { fill: var(--out); } .scale { fill: var(--quiet); font-size: 11px; }
@media print { body { max-width: none; margin: 0; font-size: 9pt; } tr, svg { break-inside: avoid; } }
";
