//! How long each person takes for each step, learned from past runs and from what the routine's file says.
//!
//! Everything is reckoned on logarithms. A time is the product of what the file says, how fast the person is on the whole, how
//! long this step takes them beyond that, how the morning goes (wind, mud, a bad night: it stretches all steps alike), and
//! chance. Each of these is estimated and shrunk towards the one before it, by as much as the data cannot tell better
//! (empirical Bayes; Efron and Morris 1975, Journal of the American Statistical Association 70: 311-319). What lies three robust
//! deviations (median and MAD, Huber) beyond its kind is a delay (a call taken in the middle of a step): it is left out of what is
//! believed of the step, and counted among the [`Delays`], which the simulation draws apart.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::belief::{Belief, ThreePoint};
use super::luck::{Delays, Luck};
use super::practice::{Practice, Slowness, assumed_after};

/// A step that was done once.
#[derive(Clone, Debug, PartialEq)]
pub struct Observation {
    /// Number of the run; a later run has a larger one.
    pub run: i64,
    /// Who did it.
    pub person: String,
    /// `routine/step`.
    pub step: String,
    /// What practice counts for: a role, or the routine where the step is anybody's.
    pub skill: String,
    /// It goes on by itself, whoever waits for it.
    pub waits: bool,
    /// The person needs no practice in it, whatever past runs say (the rig file says so).
    pub practised: bool,
    /// What the routine's file says, in seconds, above 0.
    pub usual_s: f64,
    /// What it took, in seconds.
    pub took_s: f64,
}

/// What is assumed where nothing is known yet. Common practice, no source: kept in a file that its owner can change.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Assumptions {
    /// How many times as long the first run in a new role takes.
    #[serde(alias = "unpractised")]
    pub unpracticed: f64,
    /// Spread of that factor among people (logarithm).
    #[serde(alias = "unpractised-spread")]
    pub unpracticed_spread: f64,
    /// After so many runs in a role a person is practiced.
    #[serde(alias = "practised-after")]
    pub practiced_after: u32,
    /// Spread of one step of one person from run to run (logarithm).
    pub step_spread: f64,
    /// Spread of what steps take beyond what the file says (logarithm).
    pub file_spread: f64,
    /// Spread of people (logarithm).
    pub person_spread: f64,
    /// Spread of mornings, which stretches all steps of one alike (logarithm).
    pub morning_spread: f64,
    /// So many runs outweigh the spreads above.
    pub weight: f64,
    /// Chance that a loop ("was the water clear?") goes round once more, and the weight of that guess in questions asked.
    pub once_more: f64,
    pub once_more_weight: f64,
    /// Chance that a step is delayed, how many times as long it takes then, and the weight of that guess in steps.
    pub delay: f64,
    pub delay_times: f64,
    pub delay_weight: f64,
}

/// What is said beforehand about how long a step takes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Usual {
    /// By the routine's file, in seconds.
    File(f64),
    /// By somebody who knows, in seconds; counts as it is until the step has been seen.
    Guess(ThreePoint),
}

impl Usual {
    fn seconds(self) -> f64 {
        match self {
            Self::File(seconds) => seconds,
            Self::Guess(guess) => guess.usual,
        }
    }
}

/// How often a loop was asked about, and how often it went round once more.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct LoopCount {
    pub asked: u32,
    pub once_more: u32,
}

/// What was learned.
#[derive(Clone, Debug, PartialEq)]
pub struct Durations {
    assumed: Assumptions,
    /// By person (nobody for waits) and step: the mean logarithm beyond the file, how many observations, their squares.
    groups: BTreeMap<(String, String), Group>,
    /// By person: how much slower than the file on the whole, and the variance of that estimate.
    people: BTreeMap<String, (f64, f64)>,
    practice: Practice,
    /// By person: how much want of practice there was in what was seen of them.
    green: BTreeMap<String, f64>,
    step_variance: f64,
    file_variance: f64,
    /// What part of a group's freedom is left once the mornings are reckoned from the same times.
    free_share: f64,
    luck: Luck,
}

#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Group {
    mean: f64,
    /// Mean want of practice of what was seen: an error in what is known of it moves `mean` by so much of it.
    green: f64,
    count: f64,
    squares: f64,
}

/// A person's time beyond the file, as a logarithm, cleaned.
struct Point {
    run: i64,
    group: usize,
    beyond: f64,
    green: f64,
}

impl Durations {
    /// Learns from observations in any order. Times that are no positive numbers are passed over.
    pub fn learn(observations: &[Observation], assumed: Assumptions) -> Self {
        let Cleaned { practice, points, keys, delays } = cleaned(observations, &assumed);
        let weight = assumed.weight;
        let mut groups = vec![Group::default(); keys.len()];
        let mut mornings: BTreeMap<i64, f64> = points.iter().map(|p| (p.run, 0.0)).collect();
        // Means of groups and of mornings depend on each other; a few rounds settle both.
        for _ in 0..ROUNDS {
            groups = group_means(&points, &mornings, keys.len());
            mornings = morning_means(&points, &groups, &mornings, assumed);
        }
        let residual: f64 = groups.iter().map(|g| g.squares).sum();
        let within: f64 = groups.iter().map(|g| (g.count - 1.0).max(0.0)).sum();
        let free = (within - (mornings.len() as f64 - 1.0).max(0.0)).max(0.0);
        let step_variance = (weight * assumed.step_spread.powi(2) + residual) / (weight + free);
        let whole = morning_belief(&points, &mornings, step_variance, &assumed);
        let (people, green) = people_of(&keys, &groups, step_variance, &assumed);
        let file_variance = file_variance(&keys, &groups, &people, step_variance, &assumed);
        let paces = people.iter().map(|(name, (_, variance))| (name.clone(), variance.sqrt())).collect();
        Self {
            assumed,
            groups: keys.into_iter().zip(groups).collect(),
            people,
            practice,
            green,
            step_variance,
            file_variance,
            free_share: if within > 0.0 { free / within } else { 1.0 },
            luck: Luck { whole, paces, unseen_pace: assumed.person_spread, delays },
        }
    }

    /// What to expect of this person with this step, slowed by what want of practice they have in this skill.
    pub fn in_practice(&self, person: &str, skill: &str, step: &str, usual: Usual, practised: bool) -> Belief {
        let belief = self.of(person, step, false, usual);
        let now = if practised { 0.0 } else { assumed_after(self.practice(person, skill), &self.assumed) };
        let Slowness { times, spread } = self.slowness(person, skill);
        let group = self.groups.get(&(person.to_owned(), step.to_owned())).copied().unwrap_or_default();
        let pace = self.green.get(person).copied().unwrap_or(0.0);
        let before = if group.count > 0.0 { (1.0 - belief.lean) * group.green } else { 0.0 } + belief.lean * pace;
        Belief { unlearned: spread * (now - before), ..belief.times((times * now).exp()) }
    }

    /// What to expect of this person with this step once practised, were their pace known exactly ([`Luck`] has what is not
    /// known of it).
    pub fn of(&self, person: &str, step: &str, waits: bool, usual: Usual) -> Belief {
        let known_as = if waits { "" } else { person };
        let pace = self.people.get(known_as).map_or(0.0, |(pace, _)| *pace);
        let group = self.groups.get(&(known_as.to_owned(), step.to_owned())).copied().unwrap_or_default();
        if let (Usual::Guess(guess), 0.0) = (usual, group.count) {
            return guess.belief(self.assumed.weight);
        }
        // The file's word on a step, at the person's pace, is worth so many observations of it.
        let worth = self.step_variance / self.file_variance;
        let centre = (worth * pace + group.count * group.mean) / (worth + group.count);
        let weight = self.assumed.weight;
        let free = (group.count - 1.0).max(0.0) * self.free_share;
        // The common spread is the mean over steps; of the spreads that this allows a single step, that is (weight - 2) / weight.
        let variance = ((weight - 2.0) * self.step_variance + group.squares) / (weight + free);
        Belief {
            median_s: usual.seconds().max(1.0) * centre.exp(),
            spread: (variance * (1.0 + 1.0 / (worth + group.count))).sqrt(),
            freedom: weight + free,
            lean: worth / (worth + group.count),
            unlearned: 0.0,
        }
    }

    /// What makes mornings differ.
    pub fn morning(&self) -> Luck {
        self.luck.clone()
    }

    /// In how many past runs the person did steps of this skill.
    pub fn practice(&self, person: &str, skill: &str) -> u32 {
        self.practice.count(person, skill)
    }

    /// How many times as long a person takes the next time who is not yet practised.
    pub fn practice_factor(&self, person: &str, skill: &str) -> f64 {
        let now = assumed_after(self.practice(person, skill), &self.assumed);
        (self.slowness(person, skill).times * now).exp()
    }

    /// How much want of practice in this skill slows the person, in units of what is assumed.
    pub fn slowness(&self, person: &str, skill: &str) -> Slowness {
        self.practice.of(person, skill, &self.assumed)
    }

    /// How many observations of this person and step there are.
    pub fn seen(&self, person: &str, step: &str) -> u32 {
        self.groups.get(&(person.to_owned(), step.to_owned())).map_or(0, |group| group.count as u32)
    }

    /// What it was told to assume.
    pub fn assumed(&self) -> &Assumptions {
        &self.assumed
    }
}

/// One time as it was seen.
struct Seen {
    run: i64,
    /// Logarithm beyond the file, and beyond want of practice.
    beyond: f64,
    green: f64,
    practised: bool,
}

struct Cleaned {
    practice: Practice,
    points: Vec<Point>,
    keys: Vec<(String, String)>,
    delays: Delays,
}

/// Takes out what is known beforehand: what the file says, the want of practice, and delays. What is far too short (an answer
/// given at once) is pulled in.
fn cleaned(observations: &[Observation], assumed: &Assumptions) -> Cleaned {
    let sound: Vec<&Observation> =
        observations.iter().filter(|o| o.took_s.is_finite() && o.took_s > 0.0 && o.usual_s > 0.0).collect();
    let practice = Practice::learn(&sound, assumed);
    let mut by_group: BTreeMap<(String, String), Vec<Seen>> = BTreeMap::new();
    for o in &sound {
        let green = practice.greenness(o, assumed);
        let slowed = practice.of(&o.person, &o.skill, assumed).times * green;
        let person = if o.waits { String::new() } else { o.person.clone() };
        let beyond = (o.took_s / o.usual_s.max(1.0)).ln() - slowed;
        let practised = practice.was_practised(o, assumed);
        by_group.entry((person, o.step.clone())).or_default().push(Seen { run: o.run, beyond, green, practised });
    }
    for list in by_group.values_mut() {
        // How fast people learn is a guess; what they do once practised is not.
        if list.iter().filter(|seen| seen.practised).count() >= ENOUGH {
            list.retain(|seen| seen.practised);
        }
    }
    let common = common_deviation(by_group.values(), assumed);
    let mut delays = Delays {
        guessed: assumed.delay * assumed.delay_weight,
        guessed_of: assumed.delay_weight,
        size: assumed.delay_times.ln(),
        seen: Vec::new(),
        seen_of: 0.0,
    };
    let (mut points, mut keys) = (Vec::new(), Vec::new());
    for (key, list) in by_group {
        let (middle, own) = robust(&list);
        let reach = if list.len() < ENOUGH { f64::INFINITY } else { OUTLIER * common.max(own) };
        if reach.is_finite() {
            delays.seen_of += list.len() as f64;
        }
        for Seen { run, beyond, green, .. } in list {
            if beyond - middle > reach {
                delays.seen.push(beyond - middle);
            } else {
                points.push(Point { run, group: keys.len(), beyond: beyond.max(middle - reach), green });
            }
        }
        keys.push(key);
    }
    Cleaned { practice, points, keys, delays }
}

/// Median and scaled median absolute deviation.
fn robust(list: &[Seen]) -> (f64, f64) {
    let values: Vec<f64> = list.iter().map(|seen| seen.beyond).collect();
    let middle = median(&values);
    let distances: Vec<f64> = values.iter().map(|v| (v - middle).abs()).collect();
    (middle, MAD_TO_DEVIATION * median(&distances))
}

/// Robust deviation of single times around the middle of their group, over all groups: of a few times alone it is often far too
/// small. The assumed spread counts as ever.
fn common_deviation<'a>(groups: impl Iterator<Item = &'a Vec<Seen>>, assumed: &Assumptions) -> f64 {
    let mut distances = Vec::new();
    for list in groups.filter(|list| list.len() >= ENOUGH) {
        let (middle, _) = robust(list);
        // Times lie nearer to their own middle than to the true one.
        let nearer = (1.0 - 1.0 / list.len() as f64).sqrt();
        distances.extend(list.iter().map(|seen| (seen.beyond - middle).abs() / nearer));
    }
    let seen = distances.len() as f64;
    let variance = (MAD_TO_DEVIATION * median(&distances)).powi(2);
    ((assumed.weight * assumed.step_spread.powi(2) + seen * variance) / (assumed.weight + seen)).sqrt()
}

/// Middle value; of an even number the mean of the two middle ones; 0 of none.
pub fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    match sorted.len() {
        0 => 0.0,
        n if n % 2 == 1 => sorted[n / 2],
        n => f64::midpoint(sorted[n / 2 - 1], sorted[n / 2]),
    }
}

fn group_means(points: &[Point], mornings: &BTreeMap<i64, f64>, count: usize) -> Vec<Group> {
    let mut groups = vec![Group::default(); count];
    let rest = |p: &Point| p.beyond - mornings.get(&p.run).copied().unwrap_or(0.0);
    for p in points {
        groups[p.group].count += 1.0;
        groups[p.group].mean += rest(p);
        groups[p.group].green += p.green;
    }
    for g in &mut groups {
        g.mean /= g.count.max(1.0);
        g.green /= g.count.max(1.0);
    }
    for p in points {
        groups[p.group].squares += (rest(p) - groups[p.group].mean).powi(2);
    }
    groups
}

/// How each morning went, from the steps that were done in other mornings too; their mean is taken to be nothing.
fn morning_means(
    points: &[Point],
    groups: &[Group],
    before: &BTreeMap<i64, f64>,
    assumed: Assumptions,
) -> BTreeMap<i64, f64> {
    let mut sums: BTreeMap<i64, (f64, f64)> = before.keys().map(|&run| (run, (0.0, 0.0))).collect();
    for p in points.iter().filter(|p| groups[p.group].count > 1.0) {
        let sum = sums.entry(p.run).or_default();
        sum.0 += p.beyond - groups[p.group].mean;
        sum.1 += 1.0;
    }
    let worth = (assumed.step_spread / assumed.morning_spread.max(1e-3)).powi(2);
    let mut means: BTreeMap<i64, f64> = sums.into_iter().map(|(run, (sum, n))| (run, sum / (n + worth))).collect();
    let middle = means.values().sum::<f64>() / means.len().max(1) as f64;
    means.values_mut().for_each(|mean| *mean -= middle);
    means
}

fn morning_belief(
    points: &[Point],
    mornings: &BTreeMap<i64, f64>,
    step_variance: f64,
    assumed: &Assumptions,
) -> Belief {
    let count = mornings.len() as f64;
    let per_run = points.len() as f64 / count.max(1.0);
    let worth = (assumed.step_spread / assumed.morning_spread.max(1e-3)).powi(2);
    // The means were shrunk; what they were before says how far mornings lie apart, less what chance alone does.
    let unshrunk: f64 = mornings.values().map(|m| (m * (per_run + worth) / per_run.max(1.0)).powi(2)).sum();
    let free = (count - 1.0).max(0.0);
    let apart = (unshrunk - free * step_variance / per_run.max(1.0)).max(0.0);
    // Half of the spreads that are thought likely beforehand are below the assumed one: the median of chi-square with so many
    // degrees of freedom is about weight - 2/3.
    let guess = (assumed.weight - 2.0 / 3.0) * assumed.morning_spread.powi(2);
    let variance = (guess + apart) / (assumed.weight + free);
    // Everything learned rests on past mornings whose own mean is off by the spread over the root of their number.
    let spread = (variance * (1.0 + if count > 0.0 { 1.0 / count } else { 0.0 })).sqrt();
    Belief { median_s: 1.0, spread, freedom: assumed.weight + free, lean: 0.0, unlearned: 0.0 }
}

/// Spread of a group's mean around its person's pace.
fn of_mean(group: &Group, step_variance: f64, file_variance: f64) -> f64 {
    file_variance + step_variance / group.count.max(1.0)
}

fn people_of(
    keys: &[(String, String)],
    groups: &[Group],
    step_variance: f64,
    assumed: &Assumptions,
) -> (BTreeMap<String, (f64, f64)>, BTreeMap<String, f64>) {
    let mut sums: BTreeMap<String, (f64, f64, f64)> = BTreeMap::new();
    for ((person, _), group) in keys.iter().zip(groups) {
        let weight = 1.0 / of_mean(group, step_variance, assumed.file_spread.powi(2));
        let sum = sums.entry(person.clone()).or_default();
        sum.0 += weight * group.mean;
        sum.1 += weight;
        sum.2 += weight * group.green;
    }
    let prior = 1.0 / assumed.person_spread.powi(2).max(1e-6);
    let green = sums.iter().map(|(person, (_, weight, green))| (person.clone(), green / (weight + prior))).collect();
    let people = sums
        .into_iter()
        .map(|(person, (sum, weight, _))| (person, (sum / (weight + prior), 1.0 / (weight + prior))))
        .collect();
    (people, green)
}

fn file_variance(
    keys: &[(String, String)],
    groups: &[Group],
    people: &BTreeMap<String, (f64, f64)>,
    step_variance: f64,
    assumed: &Assumptions,
) -> f64 {
    let mut apart = 0.0;
    for ((person, _), group) in keys.iter().zip(groups) {
        let offset = people.get(person).map_or(0.0, |(offset, _)| *offset);
        apart += (group.mean - offset).powi(2) - step_variance / group.count.max(1.0);
    }
    let count = (groups.len() as f64 - people.len() as f64).max(0.0);
    let variance = (assumed.weight * assumed.file_spread.powi(2) + apart) / (assumed.weight + count);
    variance.max(SMALLEST)
}

/// Observations of a step from which on its own spread can be judged.
const ENOUGH: usize = 3;
/// Robust deviations beyond which a time is an outlier.
const OUTLIER: f64 = 3.0;
/// Makes the median absolute deviation of a normal distribution its standard deviation.
const MAD_TO_DEVIATION: f64 = 1.4826;
const ROUNDS: usize = 6;
/// Keeps the file's word from being taken as exact.
const SMALLEST: f64 = 1e-4;
