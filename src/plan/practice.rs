//! How much a person is slowed by want of practice in a role, learned from what their first runs in it took.
//!
//! Before anything is known the first run in a role is taken to last some times as long ([`Assumptions::unpracticed`]), and each run
//! after it less, until the person is practised. That curve is one number for each person and role: 0 is no slower, 1 as assumed,
//! 2 twice as much (in logarithms). It is estimated together with how quick the person is in that role once practised, by Bayesian
//! linear regression with two unknowns (Gelman et al., Bayesian Data Analysis, 3rd edition, section 14.8): the guess of 1 with its
//! spread is what is believed beforehand, and each past run is one reading, the steadier the more steps it had. A single run tells
//! mostly what a person takes now; three tell whether they got quicker from one to the next.

use std::collections::{BTreeMap, BTreeSet};

use super::durations::{Assumptions, Observation, median};

/// Person and what practice counts for.
type Skill = (String, String);

/// What is known of want of practice.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Practice {
    runs: BTreeMap<Skill, BTreeSet<i64>>,
    learned: BTreeMap<Skill, Slowness>,
}

/// How much a person is slowed in a role.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Slowness {
    /// 0 is not at all, 1 as assumed.
    pub times: f64,
    /// Spread of what is not known of it.
    pub spread: f64,
}

impl Practice {
    /// Learns from sound observations.
    pub(super) fn learn(observations: &[&Observation], assumed: &Assumptions) -> Self {
        let mut practice = Self::default();
        for o in observations.iter().filter(|o| !o.waits) {
            practice.runs.entry(skill_of(o)).or_default().insert(o.run);
        }
        let skills: Vec<Skill> = practice.runs.keys().cloned().collect();
        for skill in skills {
            let (own, other): (Vec<&Observation>, Vec<&Observation>) =
                observations.iter().filter(|o| !o.waits && o.person == skill.0).partition(|o| o.skill == skill.1);
            if own.iter().any(|o| practice.greenness(o, assumed) > 0.0) {
                let known: Vec<&Observation> =
                    other.into_iter().filter(|o| practice.greenness(o, assumed) == 0.0).collect();
                let learned = practice.slowness(&own, pace_of(&known, assumed), assumed);
                practice.learned.insert(skill, learned);
            }
        }
        practice
    }

    /// In how many runs the person did steps of this skill.
    pub(super) fn count(&self, person: &str, skill: &str) -> u32 {
        let runs = self.runs.get(&(person.to_owned(), skill.to_owned())).map_or(0, BTreeSet::len);
        u32::try_from(runs).unwrap_or(u32::MAX)
    }

    /// Runs in the same role before that one.
    fn before(&self, o: &Observation) -> u32 {
        let runs = self.runs.get(&skill_of(o)).map_or(0, |runs| runs.range(..o.run).count());
        u32::try_from(runs).unwrap_or(u32::MAX)
    }

    /// Whether the person was practised by then.
    pub(super) fn was_practised(&self, o: &Observation, assumed: &Assumptions) -> bool {
        o.waits || o.practised || self.before(o) >= assumed.practiced_after
    }

    /// Logarithm by which a person slowed as assumed would have been slowed.
    pub(super) fn greenness(&self, o: &Observation, assumed: &Assumptions) -> f64 {
        if self.was_practised(o, assumed) { 0.0 } else { assumed_after(self.before(o), assumed) }
    }

    /// How much the person is slowed by want of practice in this skill; the guess where nothing is known.
    pub(super) fn of(&self, person: &str, skill: &str, assumed: &Assumptions) -> Slowness {
        let guess = Slowness { times: 1.0, spread: guessed_spread(assumed) };
        self.learned.get(&(person.to_owned(), skill.to_owned())).copied().unwrap_or(guess)
    }

    /// `pace` is what other, practised work tells of the person: middle and variance.
    fn slowness(&self, own: &[&Observation], pace: (f64, f64), assumed: &Assumptions) -> Slowness {
        let steps: BTreeSet<&str> = own.iter().map(|o| o.step.as_str()).collect();
        let mut runs: BTreeMap<i64, (f64, Vec<f64>)> = BTreeMap::new();
        for o in own {
            let run = runs.entry(o.run).or_insert_with(|| (self.greenness(o, assumed), Vec::new()));
            run.1.push(beyond(o));
        }
        let [file, step, morning] =
            [assumed.file_spread, assumed.step_spread, assumed.morning_spread].map(|spread| spread.powi(2));
        let level = 1.0 / (pace.1 + file / steps.len() as f64).max(SMALLEST);
        let guess = 1.0 / guessed_spread(assumed).powi(2).max(SMALLEST);
        // Sums of the normal equations for level and slowness, with what is believed beforehand.
        let (mut ll, mut ls, mut ss) = (level, 0.0, guess);
        let (mut l, mut s) = (level * pace.0, guess);
        for (green, times) in runs.values() {
            let count = times.len() as f64;
            // A run without some of the steps differs by what those take beyond the file.
            let apart = file * (1.0 / count - 1.0 / steps.len() as f64).max(0.0);
            let weight = 1.0 / (morning + step / count + apart).max(SMALLEST);
            let middle = pulled_in_mean(times, (file + step).sqrt());
            ll += weight;
            ls += weight * green;
            ss += weight * green * green;
            l += weight * middle;
            s += weight * green * middle;
        }
        let determinant = (ll * ss - ls * ls).max(SMALLEST);
        let times = (ll * s - ls * l) / determinant;
        Slowness { times: times.clamp(-1.0, MOST), spread: (ll / determinant).sqrt() }
    }
}

fn skill_of(o: &Observation) -> Skill {
    (o.person.clone(), o.skill.clone())
}

fn beyond(o: &Observation) -> f64 {
    (o.took_s / o.usual_s.max(1.0)).ln()
}

/// Logarithm by which somebody is slowed as assumed after so many runs.
pub(super) fn assumed_after(runs: u32, assumed: &Assumptions) -> f64 {
    if runs >= assumed.practiced_after {
        return 0.0;
    }
    let left = 1.0 - f64::from(runs) / f64::from(assumed.practiced_after);
    (1.0 + (assumed.unpracticed - 1.0) * left).ln()
}

/// The guess's spread in units of the guess.
fn guessed_spread(assumed: &Assumptions) -> f64 {
    let first = assumed.unpracticed.ln();
    if first > 0.0 { assumed.unpracticed_spread / first } else { 0.0 }
}

/// How quick a person is on the whole by these observations, as a logarithm, with its variance.
fn pace_of(known: &[&Observation], assumed: &Assumptions) -> (f64, f64) {
    let mut by_step: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
    for o in known {
        by_step.entry(o.step.as_str()).or_default().push(beyond(o));
    }
    let mut precision = 1.0 / assumed.person_spread.powi(2).max(SMALLEST);
    let mut sum = 0.0;
    for times in by_step.values() {
        let weight = 1.0 / (assumed.file_spread.powi(2) + assumed.step_spread.powi(2) / times.len() as f64);
        sum += weight * median(times);
        precision += weight;
    }
    (sum / precision, 1.0 / precision)
}

/// Mean of what lies near the middle; what lies farther than so many deviations counts as lying there (Huber).
fn pulled_in_mean(times: &[f64], deviation: f64) -> f64 {
    let middle = median(times);
    let reach = PULL_IN * deviation;
    times.iter().map(|time| time.clamp(middle - reach, middle + reach)).sum::<f64>() / times.len().max(1) as f64
}

/// Deviations from the middle beyond which a step counts no more for a run: Huber's 1.5 (Robust Statistics, section 1.7).
const PULL_IN: f64 = 1.5;
/// Nobody is slowed by more than this many times what is assumed.
const MOST: f64 = 4.0;
const SMALLEST: f64 = 1e-9;
