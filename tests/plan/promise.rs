//! What the plan promises holds: from simulated past runs whose true times are known, 80 of 100 mornings are in time.

use std::thread;

use crate::plan_support::{assumptions, at, by_ten, planned, routine, rowan_and_imre, seen, ten, unknown, work_of};
use rand::rngs::Xoshiro256PlusPlus;
use rand::{RngExt, SeedableRng};
use rand_distr::{Beta, ChiSquared, Distribution, Gamma, Normal};
use sparehand::plan::arrange::arrange;
use sparehand::plan::away::Wanted;
use sparehand::plan::durations::{Assumptions, Durations, Observation};
use sparehand::plan::simulate::{Light, simulate};
use sparehand::plan::solve::Effort;
use sparehand::routine::Routine;

/// How true times come about, which the plan does not know.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Kind {
    /// As the plan takes it to be where nothing is known: spreads and delays drawn from what it assumes.
    Assumed,
    /// Logarithms normal, spreads anywhere in a range, no delays.
    Normal,
    /// Gamma instead: no logarithm, a thinner tail.
    Gamma,
    /// One step in thirty takes twice to six times as long.
    RareDelays,
    /// One step in fifty takes five to fifteen minutes more, however short it is.
    Calls,
}

impl Kind {
    /// The chance that a step is delayed, where it is not drawn.
    fn delay(self) -> Option<f64> {
        match self {
            Self::Assumed => None,
            Self::RareDelays => Some(0.03),
            Self::Calls => Some(0.02),
            Self::Normal | Self::Gamma => Some(0.0),
        }
    }
}

/// People as they are: each has a pace, each step takes each of them what it takes, mornings differ, and so does every time.
struct Truth {
    kind: Kind,
    /// By person and step: the middle of the logarithm, and the spread.
    middle: Vec<Vec<f64>>,
    spread: Vec<Vec<f64>>,
    morning_spread: f64,
    delay: f64,
}

type Dice = Xoshiro256PlusPlus;

const PEOPLE: [&str; 2] = ["Rowan", "Imre"];

impl Truth {
    fn drawn(kind: Kind, usual_s: &[f64], dice: &mut Dice) -> Self {
        let assumed = assumptions();
        // Scaled inverse chi-square: `mean` of the variance, or `half` of the spreads below it.
        let chi = |dice: &mut Dice| ChiSquared::new(assumed.weight).unwrap().sample(dice);
        let mean = |spread: f64, dice: &mut Dice| spread * ((assumed.weight - 2.0) / chi(dice)).sqrt();
        let half = |spread: f64, dice: &mut Dice| spread * ((assumed.weight - 2.0 / 3.0) / chi(dice)).sqrt();
        let range = |from: f64, to: f64, dice: &mut Dice| dice.random_range(from..to);
        let by_the_model = kind == Kind::Assumed;
        let common = range(0.15, 0.4, dice);
        let morning_spread = if by_the_model { half(assumed.morning_spread, dice) } else { range(0.03, 0.15, dice) };
        let weight = assumed.delay_weight;
        let delays = Beta::new(assumed.delay * weight, (1.0 - assumed.delay) * weight).unwrap();
        let delay = kind.delay().unwrap_or_else(|| delays.sample(dice));
        let middle = PEOPLE.map(|_| {
            let pace = normal(assumed.person_spread, dice);
            usual_s.iter().map(|usual| usual.ln() + pace + normal(assumed.file_spread, dice)).collect()
        });
        let spread = PEOPLE.map(|_| {
            let spread = |_| if by_the_model { mean(assumed.step_spread, dice) } else { common };
            usual_s.iter().map(spread).collect()
        });
        Self { kind, middle: middle.to_vec(), spread: spread.to_vec(), morning_spread, delay }
    }

    fn took(&self, person: usize, step: usize, morning: f64, dice: &mut Dice) -> f64 {
        let spread = self.spread[person][step];
        let middle = (self.middle[person][step] + morning).exp();
        let usual = match self.kind {
            Kind::Gamma => Gamma::new(spread.powi(-2), spread.powi(2)).unwrap().sample(dice),
            _ => normal(spread, dice).exp(),
        };
        if dice.random::<f64>() >= self.delay {
            return middle * usual;
        }
        match self.kind {
            Kind::Calls => middle * usual + dice.random_range(300.0..900.0),
            Kind::RareDelays => middle * usual * dice.random_range(2.0..6.0),
            _ => middle * assumptions().delay_times,
        }
    }
}

fn normal(spread: f64, dice: &mut Dice) -> f64 {
    Normal::new(0.0, spread).unwrap().sample(dice)
}

/// Eighteen steps: six outside, six inside, six that either can do, with a few orders.
fn morning_routine() -> Routine {
    let steps: Vec<(String, f64, String)> = (0..18)
        .map(|n| {
            let minutes = [1.0, 2.5, 4.0, 0.75, 6.0, 1.5][n % 6];
            let role = ["role = 'outside'", "role = 'inside'", ""][n / 6];
            let after = if n % 3 == 0 { String::new() } else { format!("after = ['s{}']", n - 1) };
            (format!("s{n}"), minutes, format!("{role}\n{after}"))
        })
        .collect();
    let steps: Vec<(&str, f64, &str)> = steps.iter().map(|(id, m, more)| (id.as_str(), *m, more.as_str())).collect();
    routine("morning", &steps)
}

/// So many pairs of people, each with so many past runs, a plan from those alone, and one further morning: how many of those were
/// in time with the starts of 50, 80 and 95 of 100.
fn in_time(kind: Kind, told: Assumptions, runs: impl Fn(u64) -> i64 + Sync, rounds: u64, seed: u64) -> [u32; 3] {
    let routine = morning_routine();
    let some = |first: u64| {
        let mut counts = [0; 3];
        for round in (first..rounds).step_by(2) {
            let mut dice = Dice::seed_from_u64(seed + round);
            let kept = one_morning(&routine, kind, told, runs(round), &mut dice);
            counts.iter_mut().zip(kept).for_each(|(count, kept)| *count += u32::from(kept));
        }
        counts
    };
    thread::scope(|scope| {
        let other = scope.spawn(|| some(1));
        let (one, other) = (some(0), other.join().unwrap());
        [0, 1, 2].map(|n| one[n] + other[n])
    })
}

fn one_morning(routine: &Routine, kind: Kind, told: Assumptions, runs: i64, dice: &mut Dice) -> [bool; 3] {
    let usual: Vec<f64> = routine.steps.iter().map(|step| step.usual.as_secs_f64()).collect();
    let truth = Truth::drawn(kind, &usual, dice);
    let past = past_runs(routine, &truth, runs, dice);
    // They are old hands: no first run is slower for want of practice.
    let durations = Durations::learn(&past, Assumptions { practiced_after: 0, ..told });
    let work = work_of(&[vec![routine]], &rowan_and_imre(), &durations);
    // Whether a schedule is the shortest makes no difference to what is promised of it.
    let arranged = arrange(&work, &vec![0; work.chores.len()], Effort { tries: 20, search: 10 }).unwrap();
    let mornings = simulate(&work, &arranged, &durations.morning(), 1_500, dice.random());
    let morning = normal(truth.morning_spread, dice);
    let took: Vec<f64> = (0..work.chores.len())
        .map(|chore| truth.took(arranged.people(&work, chore)[0], chore, morning, dice))
        .collect();
    let length = walked(&arranged.order, &arranged.after, &took);
    let dark = Light { from: None, until: None };
    [0.5, 0.8, 0.95].map(|share| mornings.latest_start(share, 0.0, &dark).unwrap() + length <= 0.0)
}

fn past_runs(routine: &Routine, truth: &Truth, runs: i64, dice: &mut Dice) -> Vec<Observation> {
    let mut past = Vec::new();
    for run in 1..=runs {
        let morning = normal(truth.morning_spread, dice);
        for (step, it) in routine.steps.iter().enumerate() {
            let person = match step / 6 {
                0 => 0,
                1 => 1,
                _ => dice.random_range(0..2),
            };
            let took_s = truth.took(person, step, morning, dice);
            let key = format!("morning/{}", it.id);
            past.push(seen(run, PEOPLE[person], &key, it.usual.as_secs_f64(), took_s));
        }
    }
    past
}

fn walked(order: &[usize], after: &[Vec<usize>], took: &[f64]) -> f64 {
    let mut ends = vec![0.0_f64; took.len()];
    for &i in order {
        ends[i] = after[i].iter().map(|&before| ends[before]).fold(0.0, f64::max) + took[i];
    }
    ends.into_iter().fold(0.0, f64::max)
}

/// Whether a count is one that a true chance of `share` gives: within 3.29 deviations of the binomial distribution, outside which
/// it falls once in a thousand.
fn is_binomial(count: u32, of: u64, share: f64) -> bool {
    let of = of as f64;
    (f64::from(count) - of * share).abs() <= 3.29 * (of * share * (1.0 - share)).sqrt()
}

#[test]
fn a_start_with_eighty_of_hundred_is_in_time_in_eighty_of_hundred_new_mornings() {
    let rounds = 4_000;
    let counts = in_time(Kind::Assumed, assumptions(), |round| 3 + (round % 12) as i64, rounds, 500_000);
    println!("in time with 50, 80, 95 of 100: {counts:?} of {rounds}");
    for (count, share) in counts.into_iter().zip([0.5, 0.8, 0.95]) {
        assert!(is_binomial(count, rounds, share), "{count} of {rounds} in time where {share} is promised");
    }
}

/// Times of other shapes than the plan takes them to have, delays of other lengths; what it is told is how often a step is delayed.
#[test]
fn the_promise_holds_for_times_of_other_shapes_where_the_share_of_delays_is_known() {
    let rounds = 1_000;
    for (n, kind) in (0..).zip([Kind::Normal, Kind::Gamma, Kind::RareDelays, Kind::Calls]) {
        let told = Assumptions { delay: kind.delay().unwrap(), ..assumptions() };
        for runs in [3, 8, 30] {
            let [even, start, sure] = in_time(kind, told, |_| runs, rounds, 700_000 + 50_000 * n + 5_000 * runs as u64);
            println!("{kind:?}, {runs} past runs: {even}, {start}, {sure} of {rounds}");
            assert!(
                is_binomial(start, rounds, 0.8),
                "{kind:?}, {runs} past runs: {start} of {rounds} where 80 are promised"
            );
        }
    }
}

/// Told nothing, the plan takes one step in a hundred to be delayed. Where it is one in fifty, a chain of twelve steps has a delay
/// in 22 of 100 mornings and not in 11 (1 - 0.98^12, 1 - 0.99^12); three runs show about one, so half of that is not known yet, and
/// five or six mornings fewer are in time. That truth is outside the model until the delays were seen; from then on the promise holds.
#[test]
fn delays_twice_as_frequent_as_assumed_cost_a_few_mornings_until_they_were_seen() {
    let rounds = 1_000;
    let count = |runs: i64| in_time(Kind::Calls, assumptions(), |_| runs, rounds, 850_000 + 5_000 * runs as u64)[1];
    let (few, many) = (count(3), count(30));
    println!("told nothing: {few} after 3, {many} after 30 past runs, of {rounds}");
    assert!((745 - 42..=842).contains(&few), "{few}: 80 less 5.5, and 3.29 deviations");
    assert!(is_binomial(many, rounds, 0.8), "{many} of {rounds}");
}

#[test]
fn the_first_morning_of_strangers_is_promised_no_more_than_is_kept() {
    let rounds = 2_000;
    let [_, start, sure] = in_time(Kind::Assumed, assumptions(), |_| 0, rounds, 900_000);
    println!("no past runs: {start}, {sure} of {rounds}");
    assert!(
        f64::from(start) >= 0.8 * rounds as f64 - 60.0 && f64::from(sure) >= 0.95 * rounds as f64 - 33.0,
        "{start}, {sure}"
    );
}

#[test]
fn more_certainty_takes_an_earlier_start_and_light_can_make_it_impossible() {
    let routine = routine("out", &[("a", 10.0, ""), ("b", 20.0, "after = ['a']\ndaylight = true")]);
    let work = || work_of(&[vec![&routine]], &rowan_and_imre()[..1], &unknown());
    let plan = planned(work(), by_ten(), &unknown(), 4_000);
    let (even, start, sure) = (plan.even.unwrap(), plan.start.unwrap(), plan.sure.unwrap());
    assert!(sure < start && start < even && even < ten());
    assert!(plan.chance(start) >= 0.8 && plan.chance(even) < 0.8);
    let light = |from: &str| Wanted { light_from: Some(at(from)), ..by_ten() };
    // First light long before changes nothing; just in time it makes nothing wait but limits how early helps.
    assert_eq!(planned(work(), light("05:00"), &unknown(), 4_000).start, Some(start));
    let late = planned(work(), light("09:50"), &unknown(), 4_000);
    assert_eq!((late.start, late.sure), (None, None));
    assert!(late.soonest_end > ten());
    assert!(late.spans[1].0 >= at("09:50"), "what needs light waits for it");
}

#[test]
fn the_same_past_gives_the_same_plan() {
    let routine = morning_routine();
    let plan = || planned(work_of(&[vec![&routine]], &rowan_and_imre(), &unknown()), by_ten(), &unknown(), 500);
    assert_eq!(plan().data(), plan().data());
}
