//! `sparehand log --stats`: what past runs add up to, as text. The page with pictures is in `stats_page.rs`.

use std::collections::{BTreeMap, BTreeSet};
use std::io::{self, Write};

use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde::Serialize;

use crate::plan::durations::median;
use crate::plan::words::PlanWords;
use crate::setup::past_runs::{PastReading, PastRuns};

/// Times of one step by one person.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct StepTimes {
    /// `routine/step`.
    pub step: String,
    /// Empty where the journal names nobody.
    pub person: String,
    /// In seconds, in the order of the runs.
    pub took_s: Vec<f64>,
    pub middle_s: f64,
    /// First and third quarter.
    pub half_s: (f64, f64),
    /// What the routine's file says, where the routine is still there.
    pub file_s: Option<f64>,
    pub trend: Trend,
}

/// Whether it gets quicker.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Trend {
    TooFew,
    Steady,
    /// Per cent a run, above 0.
    Quicker(f64),
    Slower(f64),
}

/// How often a step was skipped.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct SkipCount {
    pub step: String,
    pub skipped: usize,
    /// Runs in which it was asked for or skipped.
    pub runs: usize,
    /// By how often they were given.
    pub reasons: Vec<(String, usize)>,
}

/// Readings of one thing in one unit.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ReadingSeries {
    pub name: String,
    pub unit: String,
    /// When (RFC 3339) and what.
    pub points: Vec<(String, f64)>,
    /// The last bounds it had.
    pub bounds: Option<(f64, f64)>,
}

/// What past runs add up to.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Stats {
    pub runs: usize,
    pub finished: usize,
    pub steps: Vec<StepTimes>,
    pub skips: Vec<SkipCount>,
    pub readings: Vec<ReadingSeries>,
}

impl Stats {
    /// `file_s` gives what the routines' files say, by `routine/step`.
    pub fn of(past: &PastRuns, file_s: &BTreeMap<String, f64>) -> Self {
        let mut by_step: BTreeMap<(String, String), Vec<(i64, f64)>> = BTreeMap::new();
        for deed in &past.deeds {
            by_step.entry((deed.step.clone(), deed.person.clone())).or_default().push((deed.run, deed.took_s));
        }
        let steps = by_step.into_iter().map(|((step, person), times)| {
            let took_s: Vec<f64> = times.iter().map(|&(_, took)| took).collect();
            StepTimes {
                middle_s: median(&took_s),
                half_s: (quantile(&took_s, 0.25), quantile(&took_s, 0.75)),
                file_s: file_s.get(&step).copied(),
                trend: trend(&times),
                took_s,
                step,
                person,
            }
        });
        Self {
            runs: past.runs.len(),
            finished: past.runs.iter().filter(|run| run.finished).count(),
            steps: steps.collect(),
            skips: skips(past),
            readings: readings(&past.readings),
        }
    }
}

/// The account as text.
///
/// # Errors
/// `out` does not take it.
pub fn write(
    out: &mut impl Write,
    past: &PastRuns,
    stats: &Stats,
    words: &PlanWords,
    zone: &TimeZone,
) -> io::Result<()> {
    let word = |key: &str| words.stats(key, &[]);
    if stats.runs == 0 {
        return writeln!(out, "{}", word("none"));
    }
    line(out, &counted_runs(stats, words))?;
    line(out, "")?;
    table(out, &[word("began"), word("lasted"), word("routine"), word("ended")], &whole_runs(past, words, zone))?;
    heading(out, &word("steps"))?;
    let names = ["step", "person", "times", "middle", "half", "file", "trend"].map(word);
    let rows: Vec<Vec<String>> = stats.steps.iter().map(|times| step_row(times, words)).collect();
    table(out, &names, &rows)?;
    heading(out, &word("skipped"))?;
    if stats.skips.is_empty() {
        line(out, &word("no-skips"))?;
    }
    let rows: Vec<Vec<String>> = stats.skips.iter().map(skip_row).collect();
    table(out, &["step", "skips", "reasons"].map(word), &rows)?;
    heading(out, &word("readings"))?;
    if stats.readings.is_empty() {
        line(out, &word("no-readings"))?;
    }
    let rows: Vec<Vec<String>> = stats.readings.iter().map(|series| reading_row(series, words)).collect();
    table(
        out,
        &["reading", "times", "middle", "last", "bounds"].map(
            |key| {
                if key == "bounds" { String::new() } else { word(key) }
            },
        ),
        &rows,
    )
}

/// "1 run, 0 finished", "7 runs, 5 finished".
pub(super) fn counted_runs(stats: &Stats, words: &PlanWords) -> String {
    let n = stats.runs.to_string();
    let runs = words.stats(if stats.runs == 1 { "run-one" } else { "runs-many" }, &[("n", &n)]);
    words.stats("runs", &[("runs", &runs), ("finished", &stats.finished.to_string())])
}

fn whole_runs(past: &PastRuns, words: &PlanWords, zone: &TimeZone) -> Vec<Vec<String>> {
    let row = |run: &crate::setup::past_runs::RunTold| {
        let ended = words.stats(if run.finished { "finished" } else { "stopped" }, &[]);
        vec![local(&run.started, zone), minutes(run.lasted_s), run.routine.clone(), ended]
    };
    past.runs.iter().map(row).collect()
}

fn step_row(times: &StepTimes, words: &PlanWords) -> Vec<String> {
    let half = format!("{} - {}", minutes(times.half_s.0), minutes(times.half_s.1));
    vec![
        times.step.clone(),
        named(&times.person, words),
        times.took_s.len().to_string(),
        minutes(times.middle_s),
        half,
        times.file_s.map(minutes).unwrap_or_default(),
        told_trend(times.trend, words),
    ]
}

fn skip_row(skip: &SkipCount) -> Vec<String> {
    let reasons: Vec<String> = skip.reasons.iter().map(|(reason, n)| format!("{reason} ({n})")).collect();
    vec![skip.step.clone(), format!("{} / {}", skip.skipped, skip.runs), reasons.join(", ")]
}

fn reading_row(series: &ReadingSeries, words: &PlanWords) -> Vec<String> {
    let values: Vec<f64> = series.points.iter().map(|(_, value)| *value).collect();
    let shown = |value: f64| format!("{} {}", number(value), series.unit);
    vec![
        series.name.clone(),
        values.len().to_string(),
        shown(median(&values)),
        values.last().map(|&last| shown(last)).unwrap_or_default(),
        told_bounds(series, words),
    ]
}

pub(super) fn told_bounds(series: &ReadingSeries, words: &PlanWords) -> String {
    series.bounds.map_or_else(String::new, |(least, most)| {
        words.stats("bounds", &[("least", &number(least)), ("most", &number(most)), ("unit", &series.unit)])
    })
}

pub(super) fn named(person: &str, words: &PlanWords) -> String {
    if person.is_empty() { words.stats("somebody", &[]) } else { person.to_owned() }
}

pub(super) fn told_trend(trend: Trend, words: &PlanWords) -> String {
    match trend {
        Trend::TooFew => words.stats("too-few", &[]),
        Trend::Steady => words.stats("steady", &[]),
        Trend::Quicker(percent) => words.stats("quicker", &[("percent", &format!("{percent:.0}"))]),
        Trend::Slower(percent) => words.stats("slower", &[("percent", &format!("{percent:.0}"))]),
    }
}

/// The middle of all slopes between two runs (Theil 1950, Sen 1968), on logarithms; it counts when Kendall's test is surer
/// than 19 in 20.
fn trend(times: &[(i64, f64)]) -> Trend {
    let points: Vec<(f64, f64)> = {
        // Several rounds in a run count as one.
        let mut by_run: BTreeMap<i64, Vec<f64>> = BTreeMap::new();
        for &(run, took) in times.iter().filter(|(_, took)| *took > 0.0) {
            by_run.entry(run).or_default().push(took);
        }
        by_run.into_values().enumerate().map(|(n, took)| (n as f64, median(&took).ln())).collect()
    };
    let n = points.len() as f64;
    if points.len() < FEWEST {
        return Trend::TooFew;
    }
    let (mut slopes, mut score) = (Vec::new(), 0.0);
    for (i, one) in points.iter().enumerate() {
        for other in &points[i + 1..] {
            slopes.push((other.1 - one.1) / (other.0 - one.0));
            score += (other.1 - one.1).total_cmp(&0.0) as i8 as f64;
        }
    }
    let deviation = (n * (n - 1.0) * (2.0 * n + 5.0) / 18.0).sqrt();
    let slope = median(&slopes);
    if (score.abs() - 1.0) / deviation < NINETEEN_IN_TWENTY {
        Trend::Steady
    } else if slope < 0.0 {
        Trend::Quicker(100.0 * (1.0 - slope.exp()))
    } else {
        Trend::Slower(100.0 * (slope.exp() - 1.0))
    }
}

/// Linear between neighbours (type 7 of Hyndman and Fan 1996); 0 of nothing.
fn quantile(values: &[f64], share: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let Some(last) = sorted.len().checked_sub(1) else { return 0.0 };
    let place = share * last as f64;
    let below = place.floor() as usize;
    sorted[below] + (place - below as f64) * (sorted[(below + 1).min(last)] - sorted[below])
}

fn skips(past: &PastRuns) -> Vec<SkipCount> {
    let mut by_step: BTreeMap<String, (BTreeSet<i64>, BTreeMap<String, usize>)> = BTreeMap::new();
    for skip in &past.skips {
        let (runs, reasons) = by_step.entry(skip.step.clone()).or_default();
        runs.insert(skip.run);
        *reasons.entry(skip.reason.clone()).or_default() += 1;
    }
    let count = |(step, (runs, reasons)): (String, (BTreeSet<i64>, BTreeMap<String, usize>))| {
        let asked = past.asked_in.get(&step).map_or(0, |asked| asked.union(&runs).count());
        let mut reasons: Vec<(String, usize)> = reasons.into_iter().collect();
        reasons.sort_by_key(|(_, n)| std::cmp::Reverse(*n));
        SkipCount { step, skipped: runs.len(), runs: asked.max(runs.len()), reasons }
    };
    let mut counted: Vec<SkipCount> = by_step.into_iter().map(count).collect();
    counted.sort_by(|a, b| b.skipped.cmp(&a.skipped).then_with(|| a.step.cmp(&b.step)));
    counted
}

fn readings(readings: &[PastReading]) -> Vec<ReadingSeries> {
    let mut by_name: BTreeMap<(String, String), ReadingSeries> = BTreeMap::new();
    for reading in readings {
        let name = if reading.name.is_empty() { &reading.step } else { &reading.name };
        let series = by_name.entry((name.clone(), reading.unit.clone())).or_insert_with(|| ReadingSeries {
            name: name.clone(),
            unit: reading.unit.clone(),
            points: Vec::new(),
            bounds: None,
        });
        series.points.push((reading.wall.clone(), reading.value));
        series.bounds = reading.bounds.or(series.bounds);
    }
    by_name.into_values().collect()
}

/// Columns as wide as their widest entry. What a file or a device brought in must not steer the terminal.
fn table(out: &mut impl Write, names: &[String], rows: &[Vec<String>]) -> io::Result<()> {
    if rows.is_empty() {
        return Ok(());
    }
    let width = |column: usize| {
        let cells = rows.iter().filter_map(|row| row.get(column)).chain(names.get(column));
        cells.map(|cell| cell.chars().count()).max().unwrap_or(0)
    };
    let widths: Vec<usize> = (0..names.len()).map(width).collect();
    for row in std::iter::once(&names.to_vec()).chain(rows) {
        let cells: Vec<String> = row.iter().zip(&widths).map(|(cell, width)| format!("{cell:<width$}")).collect();
        line(out, cells.join("  ").trim_end())?;
    }
    Ok(())
}

fn heading(out: &mut impl Write, text: &str) -> io::Result<()> {
    line(out, "")?;
    line(out, text)
}

fn line(out: &mut impl Write, text: &str) -> io::Result<()> {
    writeln!(out, "{}", text.replace(char::is_control, "\u{FFFD}"))
}

/// `minutes:seconds`.
pub(super) fn minutes(seconds: f64) -> String {
    let whole = seconds.round().max(0.0) as u64;
    format!("{}:{:02}", whole / 60, whole % 60)
}

pub(super) fn number(value: f64) -> String {
    let text = format!("{value:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// Wall time in `zone` to the minute; as it stands in the journal when it is no RFC 3339.
pub(super) fn local(wall: &str, zone: &TimeZone) -> String {
    match wall.parse::<Timestamp>() {
        Ok(time) => time.to_zoned_datetime(zone.clone()).strftime("%Y-%m-%d %H:%M").to_string(),
        Err(_) => wall.to_owned(),
    }
}

/// Runs from which on a trend can be told from chance: Kendall's test cannot reach 19 in 20 with fewer.
const FEWEST: usize = 5;
/// Two-sided, of a normal distribution.
const NINETEEN_IN_TWENTY: f64 = 1.96;

#[cfg(test)]
mod tests {
    use super::*;

    fn runs(took: &[f64]) -> Vec<(i64, f64)> {
        (1..).zip(took.iter().copied()).collect()
    }

    /// R 4.3, quantile(c(1,2,4,8), c(.25,.75)), type 7: 1.75 and 5 (from memory).
    #[test]
    fn quarters_are_those_of_type_seven() {
        assert_eq!((quantile(&[8.0, 1.0, 4.0, 2.0], 0.25), quantile(&[8.0, 1.0, 4.0, 2.0], 0.75)), (1.75, 5.0));
    }

    #[test]
    fn a_step_that_takes_a_tenth_less_each_time_gets_quicker_by_ten_per_cent() {
        let took: Vec<f64> = (0..8).map(|n| 100.0 * 0.9_f64.powi(n)).collect();
        let Trend::Quicker(percent) = trend(&runs(&took)) else { panic!("no trend in {took:?}") };
        assert!((percent - 10.0).abs() < 1e-9, "{percent}");
    }

    #[test]
    fn noise_is_steady_and_four_runs_are_too_few() {
        assert_eq!(trend(&runs(&[60.0, 75.0, 50.0, 66.0, 58.0, 71.0, 61.0])), Trend::Steady);
        assert_eq!(trend(&runs(&[100.0, 50.0, 25.0, 12.0])), Trend::TooFew);
    }
}
