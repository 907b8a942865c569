//! The plan in sentences, and the words of its picture: all from a file, none from here.

use std::collections::BTreeMap;

use jiff::Timestamp;
use serde::Deserialize;
use thiserror::Error;

use super::away::{AwayPlan, Wanted};
use super::calendar_duration;
use super::durations::Assumptions;
use super::outlook::{Outlook, OutlookTalk};
use super::sky::Sky;
use super::work::Chore;

/// Everything that the plan says, shows and assumes.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlanWords {
    pub assumptions: Assumptions,
    pub settings: Settings,
    lines: BTreeMap<String, String>,
    words: BTreeMap<String, String>,
    page: BTreeMap<String, String>,
    stats: BTreeMap<String, String>,
}

#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Settings {
    pub mornings: usize,
    pub seed: u64,
    pub late_below: f64,
    pub alarms: Vec<String>,
    /// Minutes of having nothing to do from which on it is said.
    pub free_from: u32,
}

/// Why a file of the plan's words is refused.
#[derive(Debug, Error, PartialEq, Eq)]
pub enum PlanWordsError {
    #[error("{file}: not a file of the plan's words: {why}")]
    Unreadable { file: String, why: String },
    #[error("{file}: nothing under '{missing}', expected words for it")]
    Missing { file: String, missing: String },
    #[error("{file}: {field} is {found}, expected {expected}; change it in the file")]
    OutOfBounds { file: String, field: String, found: String, expected: &'static str },
}

impl PlanWords {
    /// Reads the words (TOML); `file` is only used in errors.
    ///
    /// # Errors
    /// Unreadable text, a missing or unknown key, or a number out of bounds.
    pub fn parse(file: &str, text: &str) -> Result<Self, PlanWordsError> {
        let words: Self = toml::from_str(text)
            .map_err(|why| PlanWordsError::Unreadable { file: file.to_owned(), why: why.to_string() })?;
        for (table, name, wanted) in [
            (&words.lines, "lines", LINES),
            (&words.words, "words", WORDS),
            (&words.page, "page", PAGE),
            (&words.stats, "stats", STATS),
        ] {
            if let Some(missing) = wanted.iter().find(|key| !table.contains_key(**key)) {
                return Err(PlanWordsError::Missing { file: file.to_owned(), missing: format!("{name}.{missing}") });
            }
            if let Some(unknown) = table.keys().find(|key| !wanted.contains(&key.as_str())) {
                let why = format!("unknown key '{name}.{unknown}'");
                return Err(PlanWordsError::Unreadable { file: file.to_owned(), why });
            }
        }
        words.check_numbers(file)?;
        Ok(words)
    }

    fn check_numbers(&self, file: &str) -> Result<(), PlanWordsError> {
        let a = &self.assumptions;
        let spread = "0.01 to 2";
        let bounds = [
            ("assumptions.unpracticed", a.unpracticed, 1.0, 10.0, "1 to 10"),
            ("assumptions.unpracticed-spread", a.unpracticed_spread, 0.01, 2.0, spread),
            ("assumptions.step-spread", a.step_spread, 0.01, 2.0, spread),
            ("assumptions.file-spread", a.file_spread, 0.01, 2.0, spread),
            ("assumptions.person-spread", a.person_spread, 0.01, 2.0, spread),
            ("assumptions.morning-spread", a.morning_spread, 0.01, 2.0, spread),
            ("assumptions.weight", a.weight, 2.5, 1000.0, "2.5 to 1000"),
            ("assumptions.once-more", a.once_more, 0.01, 0.95, "0.01 to 0.95"),
            ("assumptions.once-more-weight", a.once_more_weight, 0.1, 1000.0, "0.1 to 1000"),
            ("assumptions.delay", a.delay, 0.0, 0.5, "0 to 0.5"),
            ("assumptions.delay-times", a.delay_times, 1.0, 10.0, "1 to 10"),
            ("assumptions.delay-weight", a.delay_weight, 1.0, 10_000.0, "1 to 10000"),
            ("settings.late-below", self.settings.late_below, 0.0, 1.0, "0 to 1"),
            ("settings.mornings", self.settings.mornings as f64, 100.0, 1e6, "100 to 1000000"),
        ];
        let out_of_bounds = |field: &str, found: String, expected| {
            Err(PlanWordsError::OutOfBounds { file: file.to_owned(), field: field.to_owned(), found, expected })
        };
        for (field, found, least, most, expected) in bounds {
            if !(least..=most).contains(&found) {
                return out_of_bounds(field, found.to_string(), expected);
            }
        }
        for alarm in &self.settings.alarms {
            if calendar_duration::seconds(alarm).is_err() {
                return out_of_bounds("settings.alarms", format!("'{alarm}'"), "durations like -PT15M");
            }
        }
        Ok(())
    }

    fn line(&self, key: &str, blanks: &[(&str, &str)]) -> String {
        filled(self.lines.get(key), blanks)
    }

    fn word(&self, key: &str) -> &str {
        self.words.get(key).map_or("", String::as_str)
    }

    /// What a single person without a name is called.
    pub fn you(&self) -> &str {
        self.word("you")
    }

    /// Words of the picture.
    pub(super) fn page(&self, key: &str, blanks: &[(&str, &str)]) -> String {
        filled(self.page.get(key), blanks)
    }

    /// Words of the account of past runs.
    pub fn stats(&self, key: &str, blanks: &[(&str, &str)]) -> String {
        filled(self.stats.get(key), blanks)
    }

    /// "1 hour and 5 minutes", "40 minutes"; to the whole minute, at least one.
    pub fn span(&self, seconds: f64) -> String {
        let all = (seconds / 60.0).round().max(1.0) as u64;
        let counted = |n: u64, one: &str, many: &str| format!("{n} {}", self.word(if n == 1 { one } else { many }));
        match (all / 60, all % 60) {
            (0, m) => counted(m, "minute", "minutes"),
            (h, 0) => counted(h, "hour", "hours"),
            (h, m) => {
                format!("{} {} {}", counted(h, "hour", "hours"), self.word("and"), counted(m, "minute", "minutes"))
            }
        }
    }

    /// The plan as it is said. `runs` is how many past runs it rests on; `now` tells whether its start is past.
    pub fn sentences(&self, plan: &AwayPlan, runs: usize, now: Option<Timestamp>) -> Vec<String> {
        let wanted = &plan.wanted;
        let at = |moment| clock(wanted, moment);
        let by = at(wanted.by);
        let mut said = Vec::new();
        let waits_for_light = plan.work.chores.iter().any(|chore| chore.daylight);
        let mut odds = Vec::new();
        match (plan.start, plan.even) {
            (Some(start), Some(even)) => {
                said.push(self.line("start", &[("by", &by), ("start", &at(start))]));
                if let Some(now) = now.filter(|&now| now > start) {
                    let end = |share| at(plan.end(share, now));
                    said.push(self.line("past", &[("even", &end(0.5)), ("end", &end(0.8))]));
                } else {
                    said.push(self.line("usual", &[("end", &at(plan.usual_end()))]));
                    odds.push(self.line("odds", &[]));
                    odds.push(match plan.sure {
                        Some(sure) => self.line("surer", &[("sure", &at(sure)), ("even", &at(even))]),
                        None => self.line("surer-earlier", &[("even", &at(even))]),
                    });
                }
            }
            _ if wanted.light_from.is_some() && plan.soonest_end > wanted.by => {
                let start = now.map_or(plan.soonest_start, |now| now.max(plan.soonest_start));
                let end = plan.end(0.8, start);
                said.push(self.line("too-early", &[("by", &by), ("start", &at(start)), ("end", &at(end))]));
            }
            _ => {
                let dark = wanted.light_until.map(at).unwrap_or_default();
                said.push(self.line("too-late", &[("by", &by), ("dark", &dark)]));
            }
        }
        if waits_for_light {
            let near = |from: &Timestamp| super::away::seconds_from(*from, plan.begin()) < NEAR_DAWN_S;
            let from = wanted.light_from.filter(near);
            said.extend(from.map(|t| self.line("light", &[("light", &at(t))])));
            // On an ordinary morning the evening's dusk is of no use.
            let near = |until: &Timestamp| super::away::seconds_from(plan.usual_end(), *until) < NEAR_DUSK_S;
            let until = wanted.light_until.filter(near);
            said.extend(until.map(|t| self.line("light-until", &[("dark", &at(t))])));
            said.extend(self.held_by_light(plan));
            said.extend(match wanted.sky {
                Sky::Ordinary => None,
                Sky::NeverDark => Some(self.line("never-dark", &[])),
                Sky::NeverLight => Some(self.line("never-light", &[])),
            });
        }
        said.extend(self.long_part(plan));
        said.extend(self.who_is_free(plan));
        said.extend(odds);
        said.push(match runs {
            0 => self.line("unknown", &[]),
            n => self.line("some-runs", &[("runs", &self.counted(n, "past-run", "past-runs"))]),
        });
        // A smaller gap is less than anybody can tell of how long things take.
        let open = plan.arranged.length.saturating_sub(plan.arranged.bound);
        if open > 0 && f64::from(open) >= WORTH_SAYING * f64::from(plan.arranged.length) {
            said.push(self.line("bound", &[("minutes", &self.span(f64::from(open * super::work::TICK_S)))]));
        }
        said
    }

    /// The first chore that begins just at first light, though its person and what it waits for were ready before.
    fn held_by_light(&self, plan: &AwayPlan) -> Option<String> {
        let from = plan.wanted.light_from?;
        let ready = |i: usize| plan.arranged.after[i].iter().map(|&b| plan.spans[b].1).max().unwrap_or(plan.begin());
        let held = (0..plan.spans.len())
            .find(|&i| plan.work.chores[i].daylight && plan.spans[i].0 == from && ready(i) < from)?;
        Some(self.line("light-waits", &[("step", &plan.work.chores[held].name.replacen(": ", ", ", 1))]))
    }

    fn long_part(&self, plan: &AwayPlan) -> Option<String> {
        let several = plan.work.chores.iter().any(|chore| chore.part != plan.work.chores[0].part);
        let mut parts: Vec<(String, f64)> = Vec::new();
        for &i in &plan.critical {
            let chore = &plan.work.chores[i];
            let part = if several { self.part(chore) } else { chore.section.clone() };
            let lasts = super::away::seconds_from(plan.spans[i].0, plan.spans[i].1);
            match parts.iter_mut().find(|(name, _)| *name == part) {
                Some((_, sum)) => *sum += lasts,
                None => parts.push((part, lasts)),
            }
        }
        let (part, seconds) =
            parts.into_iter().max_by(|a, b| a.1.total_cmp(&b.1)).filter(|(name, _)| !name.is_empty())?;
        Some(self.line("long-part", &[("part", &capital(&part)), ("minutes", &self.span(seconds))]))
    }

    fn who_is_free(&self, plan: &AwayPlan) -> Vec<String> {
        let hands = &plan.work.hands;
        if hands.len() == 2
            && let Some(other) = (0..2).find(|&p| plan.free_from(p).is_none())
        {
            return vec![self.line("alone", &[("name", &hands[1 - other])])];
        }
        (0..hands.len())
            .filter_map(|person| {
                let (from, until) = self.longest_gap(plan, person)?;
                let (from, to) = (clock(&plan.wanted, from), until.map(|t| clock(&plan.wanted, t)));
                let mut blanks = vec![("name", hands[person].as_str()), ("time", from.as_str())];
                Some(match &to {
                    None => self.line("free", &blanks),
                    Some(to) => {
                        blanks.push(("until", to));
                        self.line("free-until", &blanks)
                    }
                })
            })
            .collect()
    }

    /// When a person has nothing to do for longest, at the end (until nothing) or between two chores; none where that is short.
    fn longest_gap(&self, plan: &AwayPlan, person: usize) -> Option<(Timestamp, Option<Timestamp>)> {
        let turns = &plan.arranged.turns[person];
        let free = plan.free_from(person).unwrap_or(plan.begin());
        let between = turns.windows(2).map(|pair| (plan.spans[pair[0]].1, Some(plan.spans[pair[1]].0)));
        let lasts =
            |gap: &(Timestamp, Option<Timestamp>)| super::away::seconds_from(gap.0, gap.1.unwrap_or(plan.usual_end()));
        between
            .chain([(free, None)])
            .filter(|gap| lasts(gap) >= f64::from(self.settings.free_from) * 60.0)
            .max_by(|a, b| lasts(a).total_cmp(&lasts(b)))
    }

    /// The answer to "are we on time?". `critical_left` is how many of the steps left are critical.
    pub fn on_time(&self, outlook: &Outlook, wanted: &Wanted, critical_left: usize) -> Vec<String> {
        if outlook.left.is_empty() {
            return vec![self.line("nothing-left", &[])];
        }
        let at = |seconds: f64| clock(wanted, wanted.moment((seconds / 60.0).ceil() * 60.0));
        let chance = format!("{:.0}", (100.0 * outlook.chance).floor());
        let key = if outlook.talk == OutlookTalk::Short { "late" } else { "on-time" };
        let by = clock(wanted, wanted.by);
        let blanks =
            [("chance", chance.as_str()), ("by", &by), ("even", &at(outlook.end_50)), ("end", &at(outlook.end_80))];
        let left = self.counted(outlook.left.len(), "step", "steps");
        let critical = critical_left.to_string();
        vec![self.line(key, &blanks), self.line("left", &[("left", &left), ("critical", &critical)])]
    }

    /// What a chore is a part of, as it stands in a sentence: a routine has a title; of one that another has taken in, its name.
    pub(super) fn part(&self, chore: &Chore) -> String {
        if chore.part == chore.routine {
            return chore.part.clone();
        }
        filled(self.words.get("the-part"), &[("part", &chore.part)])
    }

    /// A short length of time as it stands beside a name, to the quarter of a minute: "45 s", "1½ min", "1 h 20 min".
    pub(super) fn short_span(&self, seconds: f64) -> String {
        let [second, minute, hour] = ["second-short", "minute-short", "hour-short"].map(|key| self.word(key));
        let quarters = (seconds / 15.0).round().max(1.0) as u64;
        let whole = (seconds / 60.0).round().max(1.0) as u64;
        match (quarters, whole / 60, whole % 60) {
            (1..4, ..) => format!("{} {second}", 15 * quarters),
            (4..40, ..) => format!("{}{} {minute}", quarters / 4, QUARTERS[quarters as usize % 4]),
            (_, 0, m) => format!("{m} {minute}"),
            (_, h, 0) => format!("{h} {hour}"),
            (_, h, m) => format!("{h} {hour} {m} {minute}"),
        }
    }

    fn counted(&self, n: usize, one: &str, many: &str) -> String {
        format!("{n} {}", self.word(if n == 1 { one } else { many }))
    }
}

/// "8:10", on the wall clock of the place.
pub(super) fn clock(wanted: &Wanted, moment: Timestamp) -> String {
    wanted.local(moment).strftime("%-H:%M").to_string()
}

pub(super) fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().collect::<String>() + letters.as_str())
}

fn filled(text: Option<&String>, blanks: &[(&str, &str)]) -> String {
    let mut text = text.cloned().unwrap_or_default();
    for (name, value) in blanks {
        text = text.replace(&format!("{{{name}}}"), value);
    }
    text
}

/// Nearer than this to the end, last light is said.
const NEAR_DUSK_S: f64 = 7_200.0;
/// Longer before the beginning than this, first light is no news.
const NEAR_DAWN_S: f64 = 14_400.0;
/// From this share of the schedule on it is said by how much a shorter one may beat it.
const WORTH_SAYING: f64 = 0.05;
const QUARTERS: [&str; 4] = ["", "¼", "½", "¾"];
const LINES: &[&str] = &[
    "start",
    "usual",
    "odds",
    "surer",
    "surer-earlier",
    "light",
    "light-until",
    "light-waits",
    "never-dark",
    "never-light",
    "long-part",
    "free",
    "free-until",
    "alone",
    "past",
    "too-early",
    "too-late",
    "unknown",
    "some-runs",
    "bound",
    "on-time",
    "late",
    "left",
    "nothing-left",
];
const WORDS: &[&str] = &[
    "minute",
    "minutes",
    "hour",
    "hours",
    "step",
    "steps",
    "past-run",
    "past-runs",
    "and",
    "you",
    "the-part",
    "second-short",
    "minute-short",
    "hour-short",
];
const PAGE: &[&str] = &[
    "title",
    "day",
    "hands-free",
    "dark",
    "start",
    "usual-end",
    "by",
    "light",
    "dark-from",
    "critical",
    "column-time",
    "legend-chain",
    "legend-waits",
    "together",
    "round",
    "meanwhile",
    "calendar-summary",
    "calendar-end",
    "caution",
];
const STATS: &[&str] = &[
    "title",
    "runs",
    "run-one",
    "runs-many",
    "none",
    "steps",
    "step",
    "person",
    "times",
    "middle",
    "half",
    "file",
    "trend",
    "quicker",
    "slower",
    "steady",
    "too-few",
    "skipped",
    "skips",
    "reasons",
    "readings",
    "reading",
    "last",
    "bounds",
    "whole-runs",
    "began",
    "lasted",
    "routine",
    "ended",
    "finished",
    "stopped",
    "minutes",
    "outside",
    "no-skips",
    "no-readings",
    "somebody",
    "legend",
];
