//! What is learned of past runs: how long each step takes each person.

use crate::plan_support::{assumptions, seen, unknown};
use rand::SeedableRng;
use rand::rngs::Xoshiro256PlusPlus;
use rand_distr::{Distribution, Normal};
use sparehand::plan::belief::Belief;
use sparehand::plan::durations::{Durations, Observation, Usual, median};

#[test]
fn a_step_of_known_time_is_believed_after_a_dozen_runs_and_the_file_before() {
    let usual = Usual::File(60.0);
    assert_eq!(unknown().of("Rowan", "r/s", false, usual).median_s, 60.0);
    let spread = [0.9, 1.1, 1.0, 0.95, 1.05, 1.0, 0.92, 1.08, 1.0, 0.97, 1.03, 1.0];
    let past: Vec<Observation> = (1..).zip(spread).map(|(run, f)| seen(run, "Rowan", "r/s", 60.0, 120.0 * f)).collect();
    let belief = Durations::learn(&past, assumptions()).of("Rowan", "r/s", false, usual);
    assert!((110.0..=121.0).contains(&belief.median_s), "{belief:?}");
    assert!(belief.spread < unknown().of("Rowan", "r/s", false, usual).spread, "{belief:?}");
}

#[test]
fn one_call_taken_in_the_middle_of_a_step_changes_little() {
    let past = |last: f64| -> Vec<Observation> {
        (1..=10).map(|run| seen(run, "Rowan", "r/s", 60.0, if run == 10 { last } else { 55.0 + run as f64 })).collect()
    };
    let median_s =
        |last: f64| Durations::learn(&past(last), assumptions()).of("Rowan", "r/s", false, Usual::File(60.0)).median_s;
    let (without, with) = (median_s(60.0), median_s(3_600.0));
    assert!(with < without * 1.06, "{without} -> {with}");
    let plain = (9.0 * 60.0 + 3_600.0) / 10.0;
    assert!(with < plain / 5.0, "a plain mean would say {plain}");
}

#[test]
fn a_slow_person_is_expected_to_be_slow_at_a_step_not_seen_yet() {
    let past: Vec<Observation> =
        (1..=6).flat_map(|run| (0..8).map(move |step| seen(run, "Imre", &format!("r/s{step}"), 60.0, 90.0))).collect();
    let durations = Durations::learn(&past, assumptions());
    let new = durations.of("Imre", "r/new", false, Usual::File(60.0));
    assert!((78.0..=92.0).contains(&new.median_s), "{new:?}");
    assert_eq!(durations.of("Rowan", "r/new", false, Usual::File(60.0)).median_s, 60.0, "others are not");
}

#[test]
fn a_new_role_is_slower_until_it_is_practised() {
    let factors: Vec<f64> = (0..=4)
        .map(|runs| {
            let took = [90.0, 80.0, 70.0, 60.0];
            let past: Vec<Observation> =
                (1..=runs).zip(took).map(|(run, took)| seen(run, "Imre", "r/s", 60.0, took)).collect();
            Durations::learn(&past, assumptions()).practice_factor("Imre", "outside")
        })
        .collect();
    // Nothing known: the guess. What is seen is as assumed, so little moves it; what one run cannot tell it lays to pace.
    let expected = [1.5, 1.0 + 1.0 / 3.0, 1.0 + 0.5 / 3.0, 1.0, 1.0];
    assert!(factors.iter().zip(expected).all(|(f, e)| (f / e - 1.0).abs() < 0.12), "{factors:?}");
    assert_eq!((factors[0], factors[3], factors[4]), (1.5, 1.0, 1.0));
}

#[test]
fn mornings_that_differ_as_a_whole_are_seen_as_such() {
    let of = |spread: f64| {
        let mut random = Xoshiro256PlusPlus::seed_from_u64(4);
        let past: Vec<Observation> = (1..=30)
            .flat_map(|run| {
                let morning = Normal::new(0.0, spread).unwrap().sample(&mut random);
                let took: Vec<f64> = (0..20).map(|_| Normal::new(morning, 0.2).unwrap().sample(&mut random)).collect();
                took.into_iter()
                    .enumerate()
                    .map(move |(n, t)| seen(run, "Rowan", &format!("r/s{n}"), 60.0, 60.0 * t.exp()))
            })
            .collect();
        Durations::learn(&past, assumptions()).morning().whole.spread
    };
    assert!((0.15..=0.26).contains(&of(0.2)), "{}", of(0.2));
    assert!(of(0.01) < 0.06, "{}", of(0.01));
}

#[test]
fn draws_have_the_median_and_the_spread_that_is_believed() {
    let belief = Belief { median_s: 100.0, spread: 0.3, freedom: 200.0, lean: 0.0, unlearned: 0.0 };
    let mut random = Xoshiro256PlusPlus::seed_from_u64(9);
    let drawn: Vec<f64> = (0..20_001).map(|_| belief.draw(&mut random)).collect();
    assert!((median(&drawn) - 100.0).abs() < 1.0);
    let below = drawn.iter().filter(|&&d| d < 100.0 * (-0.3_f64).exp()).count() as f64 / drawn.len() as f64;
    assert!((below - 0.1587).abs() < 0.01, "one deviation below: {below}");
}

#[test]
fn a_delay_is_counted_apart_and_leaves_what_is_believed_of_the_step() {
    let past = |last: f64| -> Vec<Observation> {
        (1..=10).map(|run| seen(run, "Rowan", "r/s", 60.0, if run == 10 { last } else { 55.0 + run as f64 })).collect()
    };
    let learned = |last: f64| Durations::learn(&past(last), assumptions());
    let (without, with) = (learned(60.0), learned(600.0));
    assert_eq!(without.morning().delays.seen, [0.0; 0]);
    let delays = with.morning().delays;
    // The first three runs, not yet practised, do not count.
    assert_eq!((delays.seen.len(), delays.seen_of), (1, 7.0));
    assert!((delays.seen[0].exp() - 10.0).abs() < 0.5, "ten times as long: {:?}", delays.seen);
    assert!(delays.chance() > without.morning().delays.chance());
    let spread = |d: &Durations| d.of("Rowan", "r/s", false, Usual::File(60.0)).spread;
    assert!((spread(&with) / spread(&without) - 1.0).abs() < 0.1);
}

#[test]
fn what_is_not_known_of_a_pace_shrinks_with_what_was_seen_of_the_person() {
    let past: Vec<Observation> =
        (1..=6).flat_map(|run| (0..8).map(move |step| seen(run, "Imre", &format!("r/s{step}"), 60.0, 90.0))).collect();
    let luck = Durations::learn(&past, assumptions()).morning();
    assert!(luck.paces["Imre"] < 0.6 * luck.unseen_pace, "{:?}", luck.paces);
    assert_eq!(luck.unseen_pace, assumptions().person_spread);
    let lean = |step: &str| Durations::learn(&past, assumptions()).of("Imre", step, false, Usual::File(60.0)).lean;
    assert!(lean("r/s1") < 0.25 && lean("r/new") == 1.0);
}
