//! The plan: when to begin to be away by a wanted time, who does what when, and how sure that is.

use jiff::tz::TimeZone;
use jiff::{Timestamp, ZonedDateTime};
use serde::Serialize;

use super::arrange::{Arranged, arrange};
use super::luck::Luck;
use super::project::ProjectError;
use super::simulate::{Light, Mornings, simulate};
use super::sky::Sky;
use super::solve::Effort;
use super::work::{TICK_S, Work};

/// What is wanted.
#[derive(Clone, Debug, PartialEq)]
pub struct Wanted {
    /// Away by then.
    pub by: Timestamp,
    /// Times are shown in this zone.
    pub zone: TimeZone,
    /// First and last light of the day, for steps that need it; absent where it does not matter or nobody said.
    pub light_from: Option<Timestamp>,
    pub light_until: Option<Timestamp>,
    pub sky: Sky,
}

impl Wanted {
    /// The light on the plan's clock: seconds before (negative) and after the wanted time.
    pub fn light(&self) -> Light {
        let on_clock = |t: Option<Timestamp>| t.map(|t| seconds_from(self.by, t));
        Light { from: on_clock(self.light_from), until: on_clock(self.light_until) }
    }

    /// A moment of the plan's clock.
    pub fn moment(&self, seconds: f64) -> Timestamp {
        let whole = seconds.clamp(-FARTHEST, FARTHEST).floor() as i64;
        self.by.checked_add(jiff::SignedDuration::from_secs(whole)).unwrap_or(self.by)
    }

    /// A moment as its clock on the wall shows it.
    pub fn local(&self, moment: Timestamp) -> ZonedDateTime {
        moment.to_zoned_datetime(self.zone.clone())
    }
}

/// Seconds from one moment to another, negative when it comes before.
pub fn seconds_from(from: Timestamp, to: Timestamp) -> f64 {
    to.duration_since(from).as_secs_f64()
}

/// A finished plan.
#[derive(Clone, Debug, PartialEq)]
pub struct AwayPlan {
    pub work: Work,
    pub arranged: Arranged,
    pub mornings: Mornings,
    pub wanted: Wanted,
    /// The latest starts that are in time in 50, 80 and 95 of 100 mornings, to the whole minute; none where no start is.
    pub even: Option<Timestamp>,
    pub start: Option<Timestamp>,
    pub sure: Option<Timestamp>,
    /// When each chore begins and ends in a usual morning, begun at `start`, or without one at `soonest_start`. Half of the mornings
    /// that begin then have ended by the last of these ends.
    pub spans: Vec<(Timestamp, Timestamp)>,
    /// By when 80 of 100 mornings end, begun as early as one likes, and the latest start that costs them hardly more.
    pub soonest_end: Timestamp,
    pub soonest_start: Timestamp,
    /// Chores on the longest chain.
    pub critical: Vec<usize>,
}

/// How the simulation is done.
#[derive(Clone, Debug, PartialEq)]
pub struct Dice {
    /// What makes mornings differ.
    pub morning: Luck,
    pub mornings: usize,
    pub seed: u64,
}

/// Makes the plan.
///
/// # Errors
/// The orders of the routines lead round in a circle.
pub fn plan(work: Work, wanted: Wanted, dice: Dice, effort: Effort) -> Result<AwayPlan, ProjectError> {
    let light = wanted.light();
    let free = vec![0; work.chores.len()];
    let mut arranged = arrange(&work, &free, effort)?;
    let mut mornings = simulate(&work, &arranged, &dice.morning, dice.mornings, dice.seed);
    // What waits for light may be better done in another order; from when on depends on the start, so it is tried.
    if let Some(from) = light.from.filter(|_| work.chores.iter().any(|chore| chore.daylight)) {
        let start = mornings.latest_start(0.8, 0.0, &light).unwrap_or(-f64::from(arranged.length * TICK_S));
        let held = ((from - start) / f64::from(TICK_S)).ceil().max(0.0) as u32;
        if held > 0 {
            let holds: Vec<u32> = work.chores.iter().map(|c| if c.daylight { held } else { 0 }).collect();
            let other = arrange(&work, &holds, effort)?;
            let with_other = simulate(&work, &other, &dice.morning, dice.mornings, dice.seed);
            let worth = |m: &Mornings| (m.latest_start(0.8, 0.0, &light), -m.end(0.8, EARLY, &light));
            if worth(&with_other) > worth(&mornings) {
                (arranged, mornings) = (other, with_other);
            }
        }
    }
    let minute = |seconds: f64| wanted.moment((seconds / 60.0).floor() * 60.0);
    let latest = |share: f64| mornings.latest_start(share, 0.0, &light).map(minute);
    let (even, start, sure) = (latest(0.5), latest(0.8), latest(0.95));
    let soonest = (mornings.end(0.8, EARLY, &light) / 60.0).ceil() * 60.0;
    let lasts = mornings.end(0.8, 0.0, &Light { from: None, until: None });
    let soonest_start = turning_point(soonest - 2.0 * lasts, soonest, |start| {
        mornings.end(0.8, start, &light) > soonest + WORTH_RISING_S
    });
    let soonest_start = minute(soonest_start);
    let begin = seconds_from(wanted.by, start.unwrap_or(soonest_start));
    let stretch = stretch(&work, &arranged, begin, &light, mornings.end(0.5, begin, &light));
    let spans = spans(&work, &arranged, begin, &light, stretch);
    let critical = critical(&arranged, &spans);
    let spans = spans.into_iter().map(|(from, to)| (wanted.moment(from), wanted.moment(to))).collect();
    let soonest_end = wanted.moment(soonest);
    Ok(AwayPlan { work, arranged, mornings, wanted, even, start, sure, spans, soonest_end, soonest_start, critical })
}

/// The largest number between `from` and `to` at which `beyond` is still false, to a hair; `beyond` turns true once at most.
fn turning_point(mut from: f64, mut to: f64, beyond: impl Fn(f64) -> bool) -> f64 {
    for _ in 0..HALVINGS {
        let middle = f64::midpoint(from, to);
        if beyond(middle) { to = middle } else { from = middle }
    }
    from
}

/// How many times as long as by the middles of their steps half of the mornings last. Steps are oftener far longer than their middle
/// than far shorter, so the middles of many together are less than the middle of the whole.
fn stretch(work: &Work, arranged: &Arranged, begin: f64, light: &Light, half_end: f64) -> f64 {
    let end = |stretch: f64| spans(work, arranged, begin, light, stretch).iter().map(|s| s.1).fold(begin, f64::max);
    turning_point(0.5, 4.0, |stretch| end(stretch) > half_end)
}

/// When each chore begins and ends from a start on, on the plan's clock: each lasts `stretch` times its middle, but for what goes on
/// by itself or by a clock.
pub fn spans(work: &Work, arranged: &Arranged, begin: f64, light: &Light, stretch: f64) -> Vec<(f64, f64)> {
    let mut spans = vec![(begin, begin); work.chores.len()];
    for &i in &arranged.order {
        let chore = &work.chores[i];
        let mut from = arranged.after[i].iter().map(|&before| spans[before].1).fold(begin, f64::max);
        if let Some(first) = light.from.filter(|_| chore.daylight) {
            from = from.max(first);
        }
        let meanwhile: f64 = chore.meanwhile.iter().map(|(_, belief)| belief.median_s).sum();
        let lasts = chore.ways[arranged.way[i]].belief.median_s.max(meanwhile);
        spans[i] = (from, from + if chore.wait || chore.by_clock { lasts } else { lasts * stretch });
    }
    spans
}

/// The chain that the end hangs on: back from the last end to whatever ended just when the next began.
fn critical(arranged: &Arranged, spans: &[(f64, f64)]) -> Vec<usize> {
    let mut chain = Vec::new();
    let mut at = (0..spans.len()).max_by(|&a, &b| spans[a].1.total_cmp(&spans[b].1));
    while let Some(chore) = at {
        chain.push(chore);
        at = arranged.after[chore].iter().copied().find(|&before| (spans[before].1 - spans[chore].0).abs() < 0.5);
    }
    chain.reverse();
    chain
}

impl AwayPlan {
    /// By when half of the mornings have ended that begin with the plan.
    pub fn usual_end(&self) -> Timestamp {
        self.spans.iter().map(|&(_, to)| to).max().unwrap_or(self.wanted.by)
    }

    /// When the first chore begins.
    pub fn begin(&self) -> Timestamp {
        self.spans.iter().map(|&(from, _)| from).min().unwrap_or(self.wanted.by)
    }

    /// Who does a chore.
    pub fn people(&self, chore: usize) -> &[usize] {
        self.arranged.people(&self.work, chore)
    }

    /// When a person's last chore has ended; none for one who has nothing to do.
    pub fn free_from(&self, person: usize) -> Option<Timestamp> {
        self.arranged.turns.get(person)?.iter().map(|&chore| self.spans[chore].1).max()
    }

    /// Share of mornings that are in time, begun at `start`.
    pub fn chance(&self, start: Timestamp) -> f64 {
        self.mornings.chance(seconds_from(self.wanted.by, start), 0.0, &self.wanted.light())
    }

    /// By when a share of mornings have ended, begun at `start`.
    pub fn end(&self, share: f64, start: Timestamp) -> Timestamp {
        let seconds = self.mornings.end(share, seconds_from(self.wanted.by, start), &self.wanted.light());
        self.wanted.moment((seconds / 60.0).ceil() * 60.0)
    }

    /// The plan as data.
    pub fn data(&self) -> PlanData {
        let stamp = |t: Timestamp| self.wanted.local(t).strftime("%Y-%m-%dT%H:%M:%S%:z").to_string();
        let task = |i: usize| {
            let chore = &self.work.chores[i];
            TaskData {
                step: chore.key.clone(),
                round: chore.round,
                name: chore.name.clone(),
                people: self.people(i).iter().map(|&p| self.work.hands[p].clone()).collect(),
                from: stamp(self.spans[i].0),
                until: stamp(self.spans[i].1),
                usual_s: chore.ways[self.arranged.way[i]].belief.median_s,
                critical: chore.critical,
                daylight: chore.daylight,
                on_longest_chain: self.critical.contains(&i),
                meanwhile: chore.meanwhile.iter().map(|(name, _)| name.clone()).collect(),
            }
        };
        let mut order: Vec<usize> = (0..self.spans.len()).collect();
        order.sort_by_key(|&i| (self.spans[i].0, i));
        PlanData {
            away_by: stamp(self.wanted.by),
            start_50: self.even.map(stamp),
            start_80: self.start.map(stamp),
            start_95: self.sure.map(stamp),
            usual_end: stamp(self.usual_end()),
            soonest_end_80: self.wanted.light_from.map(|_| stamp(self.soonest_end)),
            soonest_start_80: self.wanted.light_from.map(|_| stamp(self.soonest_start)),
            length_s: self.arranged.length * TICK_S,
            bound_s: self.arranged.bound * TICK_S,
            shortest: self.arranged.length == self.arranged.bound,
            mornings: self.mornings.count(),
            free_from: (0..self.work.hands.len())
                .filter_map(|p| Some((self.work.hands[p].clone(), stamp(self.free_from(p)?))))
                .collect(),
            tasks: order.into_iter().map(task).collect(),
        }
    }
}

/// A plan as other programs read it. Times are RFC 3339, lengths whole seconds.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PlanData {
    pub away_by: String,
    /// Latest starts that are in time in 50, 80 and 95 of 100 mornings; absent where no start is.
    pub start_50: Option<String>,
    pub start_80: Option<String>,
    pub start_95: Option<String>,
    /// By when half of the mornings have ended, begun with the first of `tasks`.
    pub usual_end: String,
    /// By when 80 of 100 mornings end, begun as early as one likes, and the latest start that costs them at most ten minutes more;
    /// absent where no light is waited for.
    pub soonest_end_80: Option<String>,
    pub soonest_start_80: Option<String>,
    /// By the usual times, and what none is shorter than.
    pub length_s: u32,
    pub bound_s: u32,
    /// Whether it is proven that no schedule is shorter.
    pub shortest: bool,
    pub mornings: usize,
    pub free_from: std::collections::BTreeMap<String, String>,
    pub tasks: Vec<TaskData>,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TaskData {
    pub step: String,
    pub round: u32,
    pub name: String,
    /// Nobody: it goes on by itself.
    pub people: Vec<String>,
    /// In a usual morning; half of the times this step takes are above `usual_s`.
    pub from: String,
    pub until: String,
    pub usual_s: f64,
    pub critical: bool,
    pub daylight: bool,
    pub on_longest_chain: bool,
    pub meanwhile: Vec<String>,
}

/// Before anything: a start so early that only the light holds the end back.
const EARLY: f64 = -1e7;
/// Nobody gets up earlier for less than this.
const WORTH_RISING_S: f64 = 600.0;
/// Halves a day down to less than a second.
const HALVINGS: u32 = 40;
/// About 68 years.
const FARTHEST: f64 = 2e9;
