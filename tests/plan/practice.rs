//! Want of practice is learned from a person's own first runs: simulated journals of people who are slowed as assumed, not at all
//! or far more, and what is estimated and promised of them after 1, 3 and 8 past runs.

use crate::plan_support::{assumptions, hand, routine, work_of};
use rand::rngs::Xoshiro256PlusPlus;
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, Normal};
use rstest::rstest;
use sparehand::plan::arrange::arrange;
use sparehand::plan::belief::chance_within;
use sparehand::plan::durations::{Durations, Observation};
use sparehand::plan::simulate::{Light, simulate};
use sparehand::plan::solve::Effort;
use sparehand::plan::work::PlannedPerson;
use sparehand::rig::Role;
use sparehand::routine::Routine;

type Dice = Xoshiro256PlusPlus;

/// Twelve steps outside, one after the other.
fn outside() -> Routine {
    let steps: Vec<(String, f64)> =
        (0..12).map(|n| (format!("s{n}"), [1.0, 2.5, 4.0, 0.75, 6.0, 1.5][n % 6])).collect();
    let steps: Vec<(&str, f64, &str)> = steps.iter().map(|(id, m)| (id.as_str(), *m, "role = 'outside'")).collect();
    routine("morning", &steps)
}

fn nobody_says_practised() -> Vec<PlannedPerson> {
    vec![PlannedPerson { practised: vec![], ..hand("Imre", &[Role::Outside]) }]
}

/// Somebody whose first run in the role takes `first` times as long as it will once practised; it falls as the plan assumes,
/// only from there. The rest is drawn from what the plan assumes.
struct Person {
    first: f64,
    middle: Vec<f64>,
}

impl Person {
    fn drawn(first: f64, usual_s: &[f64], dice: &mut Dice) -> Self {
        let assumed = assumptions();
        let pace = normal(assumed.person_spread, dice);
        let middle = usual_s.iter().map(|usual| usual.ln() + pace + normal(assumed.file_spread, dice)).collect();
        Self { first, middle }
    }

    /// Logarithm by which they are slowed after so many runs: in the ratio of the assumed 1.5, 1.33, 1.17, 1.
    fn slowed(&self, runs: i64) -> f64 {
        let assumed = [1.5_f64, 4.0 / 3.0, 7.0 / 6.0];
        let share = assumed.get(runs as usize).map_or(0.0, |factor| factor.ln() / assumed[0].ln());
        self.first.ln() * share
    }

    fn run(&self, runs_before: i64, dice: &mut Dice) -> Vec<f64> {
        let assumed = assumptions();
        let morning = normal(assumed.morning_spread, dice);
        let time = |middle: &f64| {
            let usual = (middle + self.slowed(runs_before) + morning + normal(assumed.step_spread, dice)).exp();
            if dice.random::<f64>() < assumed.delay { usual * assumed.delay_times } else { usual }
        };
        self.middle.iter().map(time).collect()
    }

    fn journal(&self, routine: &Routine, runs: i64, dice: &mut Dice) -> Vec<Observation> {
        let seen = (0..runs).flat_map(|before| {
            let times = self.run(before, dice);
            let steps = routine.steps.iter().zip(times);
            steps.map(move |(step, took_s)| Observation {
                run: before + 1,
                person: "Imre".to_owned(),
                step: format!("morning/{}", step.id),
                skill: "outside".to_owned(),
                waits: false,
                practised: false,
                usual_s: step.usual.as_secs_f64(),
                took_s,
            })
        });
        seen.collect::<Vec<_>>()
    }
}

fn normal(spread: f64, dice: &mut Dice) -> f64 {
    Normal::new(0.0, spread).unwrap().sample(dice)
}

/// By how much (logarithm) what is expected of the next run differs from what it takes in the middle, and how many of the runs that
/// then came were in time with the start of 80 of 100.
fn tried(first: impl Fn(&mut Dice) -> f64, runs: i64, rounds: u64, seed: u64) -> (Vec<f64>, u64) {
    let routine = outside();
    let usual: Vec<f64> = routine.steps.iter().map(|step| step.usual.as_secs_f64()).collect();
    let (mut off, mut in_time) = (Vec::new(), 0);
    for round in 0..rounds {
        let mut dice = Dice::seed_from_u64(seed * 100_000 + round);
        let person = Person::drawn(first(&mut dice), &usual, &mut dice);
        let past = person.journal(&routine, runs, &mut dice);
        let durations = Durations::learn(&past, assumptions());
        let work = work_of(&[vec![&routine]], &nobody_says_practised(), &durations);
        let expected: f64 = work.chores.iter().map(|chore| chore.ways[0].belief.median_s).sum();
        let true_middle: f64 = person.middle.iter().map(|middle| (middle + person.slowed(runs)).exp()).sum();
        off.push((expected / true_middle).ln());
        let arranged = arrange(&work, &vec![0; work.chores.len()], Effort { tries: 1, search: 1 }).unwrap();
        let mornings = simulate(&work, &arranged, &durations.morning(), 1_000, dice.random());
        let start = mornings.latest_start(0.8, 0.0, &Light { from: None, until: None }).unwrap();
        let took: f64 = person.run(runs, &mut dice).iter().sum();
        in_time += u64::from(start + took <= 0.0);
    }
    (off, in_time)
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

/// The share of runs in time with the start of 80 of 100 that a person of this slowness can have, were every spread known exactly.
///
/// What is estimated is a linear model with two unknowns, the person's level once practised and their slowness, each with what is
/// believed beforehand; for normal errors its answer is exact (Gelman et al., Bayesian Data Analysis, 3rd edition, section 14.8). Over
/// people as different as is believed the share is 80 in 100. Of one person it is not: who is slower than the guess is drawn towards
/// it and taken for somebody who stays a little slow (too early a start), who is not slowed at all for somebody who still gets quicker
/// (too late a start).
fn expected_in_time(first: f64, runs: usize) -> f64 {
    let assumed = assumptions();
    let square = |spread: f64| spread * spread;
    let [person, file, step, morning] =
        [assumed.person_spread, assumed.file_spread, assumed.step_spread, assumed.morning_spread].map(square);
    let minutes: Vec<f64> = outside().steps.iter().map(|step| step.usual.as_secs_f64()).collect();
    let count = minutes.len() as f64;
    let level = person + file / count;
    let slowness = square(assumed.unpracticed_spread);
    let noise = morning + step / count;
    // The share of the first run's slowness that is left after so many runs.
    let green = |run: usize| Person { first: 1.0_f64.exp(), middle: vec![] }.slowed(run as i64);
    let (mut ll, mut ls, mut ss) = (1.0 / level, 0.0, 1.0 / slowness);
    for run in 0..runs {
        ll += 1.0 / noise;
        ls += green(run) / noise;
        ss += green(run).powi(2) / noise;
    }
    let determinant = ll * ss - ls * ls;
    let (level_left, both_left, slowness_left) = (ss / determinant, -ls / determinant, ll / determinant);
    let now = green(runs);
    let left = level_left + 2.0 * now * both_left + now * now * slowness_left;
    // How far an error in the guess of the slowness moves what is expected of the next run.
    let moved = (both_left + now * slowness_left) / slowness;
    let too_slow = -moved * (first.ln() - assumed.unpracticed.ln());
    let of_this_person = left - square(moved) * slowness;
    // The next run's own chance; long steps weigh more in its length. Of each step's own middle a part is not known yet.
    let weighing = square(minutes.iter().sum()) / minutes.iter().map(|m| square(*m)).sum::<f64>();
    let by_chance = morning + (step + file * step / (runs as f64 * file + step)) / weighing;
    let deviations = (EIGHTY * (left + by_chance).sqrt() + too_slow) / (of_this_person + by_chance).sqrt();
    chance_within(deviations, 0.0, 1.0)
}

/// Below this many deviations lie 80 of 100 of a normal distribution.
const EIGHTY: f64 = 0.841_621;

/// Bounds on what is expected of the next run. By how much it is off on the whole (logarithm): the guess pulls towards itself what a
/// few runs do not tell, so most after three, when all of the slowness is to be gone next time. Measured on 1,500 other journals of
/// each kind: at most 0.048 after one and three runs, 0.003 after eight; the assumed factor alone was off by 0.28 after three. By how
/// much a single estimate is off (root of the mean square): one morning of a few runs is 0.13 by itself.
///
/// How many runs are in time is held to [`expected_in_time`] from both sides, within 3.29 deviations of the binomial distribution
/// (outside which a count falls once in a thousand) and 23 in 1,000 more: the plan learns its spreads, the method above is told them,
/// and a spread that is believed a tenth too wide or too narrow makes 80 of 100 into 82.3 or 77.5 (the normal distribution at 0.84
/// times 1.1 or 0.9). Both were set before anything was counted.
///
/// The promise of 80 in 100 is one over people, and [`the_promise_holds_over_people_as_different_as_is_believed`] holds it to that. Of
/// one person it does not hold as long as their first runs count for what comes: by the method somebody who is not slowed at all is in
/// time in 76 of 100 fourth runs, somebody slowed far more than is believed in 85.
#[rstest]
fn slowness_is_learned_and_so_many_runs_are_in_time_as_the_method_can_have(
    #[values(1.0, 1.5, 2.2)] first: f64,
    #[values((1, 0.06, 0.2), (3, 0.06, 0.2), (8, 0.02, 0.1))] (runs, most_off, most_spread): (i64, f64, f64),
) {
    let rounds = 1_000;
    let (off, in_time) = tried(|_| first, runs, rounds, 407 + runs as u64 + (10.0 * first) as u64 * 10);
    let whole = mean(&off);
    let single = mean(&off.iter().map(|off| off * off).collect::<Vec<_>>()).sqrt();
    let expected = expected_in_time(first, runs as usize);
    println!(
        "first run {first} times as long, {runs} past: off {whole:.3}, single {single:.3}, in time {in_time} of {rounds}, \
         by the method {:.0}",
        1_000.0 * expected
    );
    assert!(whole.abs() <= most_off && single <= most_spread, "off {whole}, single ones {single}");
    let within = 3.29 * (rounds as f64 * expected * (1.0 - expected)).sqrt() + 0.023 * rounds as f64;
    let away = in_time as f64 - rounds as f64 * expected;
    assert!(away.abs() <= within, "{in_time} of {rounds} in time, expected {expected:.3}");
}

/// 3.29 deviations of the binomial distribution and nothing more.
#[rstest]
fn the_promise_holds_over_people_as_different_as_is_believed(#[values(1, 3, 8)] runs: i64) {
    let assumed = assumptions();
    let rounds = 2_000;
    let drawn = |dice: &mut Dice| (assumed.unpracticed.ln() + normal(assumed.unpracticed_spread, dice)).exp();
    let (_, in_time) = tried(drawn, runs, rounds, 600 + runs as u64);
    println!("people as believed, {runs} past: in time {in_time} of {rounds}");
    let away = in_time as f64 - 0.8 * rounds as f64;
    assert!(away.abs() <= 3.29 * (rounds as f64 * 0.16).sqrt(), "{in_time} of {rounds} in time");
}

/// Before the first run nobody can tell who is slow; over people as different as is assumed the promise holds all the same.
#[test]
fn a_first_run_in_a_role_is_in_time_in_at_least_eighty_of_hundred() {
    let assumed = assumptions();
    let rounds = 1_000;
    let drawn = |dice: &mut Dice| (assumed.unpracticed.ln() + normal(assumed.unpracticed_spread, dice)).exp();
    let (_, in_time) = tried(drawn, 0, rounds, 3);
    println!("no past runs: in time {in_time} of {rounds}");
    assert!(in_time as f64 >= 0.8 * rounds as f64 - 3.29 * (rounds as f64 * 0.16).sqrt(), "{in_time} of {rounds}");
}

#[test]
fn a_call_in_the_middle_of_a_step_hardly_changes_what_is_learned_of_practice() {
    let routine = outside();
    let usual: Vec<f64> = routine.steps.iter().map(|step| step.usual.as_secs_f64()).collect();
    let mut dice = Dice::seed_from_u64(11);
    let mut moved = Vec::new();
    for _ in 0..50 {
        let mut past = Person::drawn(1.5, &usual, &mut dice).journal(&routine, 3, &mut dice);
        let learned = |past: &[Observation]| Durations::learn(past, assumptions()).slowness("Imre", "outside").times;
        let before = learned(&past);
        past[3].took_s += 3_600.0;
        moved.push((learned(&past) - before).abs());
    }
    // An hour on a step of 45 seconds is 4.4 in logarithms; without being pulled in it would move the mean of its run by 0.36.
    assert!(mean(&moved) < 0.35, "{}", mean(&moved));
}

#[test]
fn a_person_of_whom_the_rig_says_that_they_are_practised_is_not_taken_to_get_quicker() {
    let past = |practised: bool| -> Vec<Observation> {
        let seen = (1..=2).flat_map(|run| (0..6).map(move |step| (run, step)));
        seen.map(|(run, step)| Observation {
            practised,
            ..crate::plan_support::seen(run, "Imre", &format!("r/s{step}"), 60.0, 60.0)
        })
        .collect()
    };
    let sum = |practised: bool| -> f64 {
        let durations = Durations::learn(&past(practised), assumptions());
        let usual = sparehand::plan::durations::Usual::File(60.0);
        (0..6).map(|n| durations.in_practice("Imre", "outside", &format!("r/s{n}"), usual, practised).median_s).sum()
    };
    assert!((sum(true) - 360.0).abs() < 1.0, "{}", sum(true));
    assert!(sum(false) < 360.0, "who is new to it gets a little quicker: {}", sum(false));
}
