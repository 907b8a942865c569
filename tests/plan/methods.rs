//! The textbook methods under the plan against published values: PERT, the critical path, shortest schedules.

use proptest::prelude::*;
use rstest::rstest;
use sparehand::plan::belief::{ThreePoint, chance_within};
use sparehand::plan::critical_path::{CriticalPath, Link};
use sparehand::plan::project::{Activity, Mode, Project, ProjectError};
use sparehand::plan::solve::{Effort, solve};

/// Worked means and deviations of the PERT formulas as textbooks of operations research give them (PMBOK's three-point
/// estimate): te = (a + 4 m + b) / 6, s = (b - a) / 6.
#[rstest]
#[case(1.0, 10.0, 17.0, 9.667, 2.667)]
#[case(4.0, 8.0, 13.0, 8.167, 1.500)]
#[case(2.0, 6.0, 9.0, 5.833, 1.167)]
fn a_three_point_guess_has_the_mean_and_deviation_of_pert(
    #[case] best: f64,
    #[case] usual: f64,
    #[case] worst: f64,
    #[case] mean: f64,
    #[case] deviation: f64,
) {
    let guess = ThreePoint { best, usual, worst };
    assert!((guess.mean() - mean).abs() < 5e-4 && (guess.deviation() - deviation).abs() < 5e-4);
}

/// A published textbook exercise with fourteen tasks: critical chain A-C-E-H-I-K-M-N of 50.833 weeks, variance 11.194, deviation
/// 3.346, chance of 55 weeks or less 0.8935; slack of B 8.00 and of D 1.83.
#[test]
fn the_published_network_of_fourteen_tasks_has_its_chain_and_its_chance() {
    let tasks: [(f64, f64, f64, &[usize]); 14] = [
        (5.0, 5.0, 7.0, &[]),
        (1.0, 2.0, 5.0, &[]),
        (5.0, 5.0, 5.0, &[0]),
        (4.0, 8.0, 13.0, &[0]),
        (1.0, 10.0, 17.0, &[1, 2]),
        (1.0, 5.0, 7.0, &[3]),
        (2.0, 6.0, 9.0, &[3]),
        (4.0, 4.0, 6.0, &[4, 5]),
        (2.0, 7.0, 10.0, &[6, 7]),
        (2.0, 4.0, 7.0, &[8]),
        (6.0, 10.0, 13.0, &[8]),
        (2.0, 6.0, 6.0, &[9]),
        (2.0, 2.0, 3.0, &[10]),
        (7.0, 7.0, 12.0, &[11, 12]),
    ];
    let guesses: Vec<ThreePoint> =
        tasks.iter().map(|&(best, usual, worst, _)| ThreePoint { best, usual, worst }).collect();
    let links: Vec<Link> =
        guesses.iter().zip(tasks).map(|(g, (.., after))| Link { lasts: g.mean(), after: after.to_vec() }).collect();
    let path = CriticalPath::of(&links).unwrap();
    let critical = path.critical();
    assert_eq!(critical.iter().map(|&i| char::from(b'A' + i as u8)).collect::<String>(), "ACEHIKMN");
    assert!((path.length - 50.833).abs() < 5e-4, "{}", path.length);
    let variance: f64 = critical.iter().map(|&i| guesses[i].variance()).sum();
    assert!((variance - 11.194).abs() < 5e-4 && (variance.sqrt() - 3.346).abs() < 5e-4, "{variance}");
    let chance = chance_within(55.0, path.length, variance.sqrt());
    assert!((chance - 0.8935).abs() < 5e-5, "{chance}");
    assert!((path.times[1].slack() - 8.0).abs() < 5e-3 && (path.times[3].slack() - 1.83).abs() < 5e-3);
}

/// Taylor, Introduction to Management Science, chapter 8, with seven arcs: critical 1-3-4-5-6, length 20; slack of 1-2 and 2-4
/// is 2, of 3-5 is 4, of all others 0; 3-5 starts at 14 and ends at 18 at the latest.
#[test]
fn the_published_network_of_seven_arcs_has_length_twenty() {
    let arcs = [(1, 2, 7.0), (1, 3, 10.0), (2, 4, 6.0), (3, 4, 5.0), (3, 5, 4.0), (4, 5, 3.0), (5, 6, 2.0)];
    let into = |node: u32| arcs.iter().enumerate().filter(|(_, a)| a.1 == node).map(|(i, _)| i).collect::<Vec<_>>();
    let links: Vec<Link> = arcs.iter().map(|&(from, _, lasts)| Link { lasts, after: into(from) }).collect();
    let path = CriticalPath::of(&links).unwrap();
    assert_eq!(path.length, 20.0);
    let slacks: Vec<f64> = path.times.iter().map(|t| t.slack()).collect();
    assert_eq!(slacks, [2.0, 0.0, 2.0, 0.0, 4.0, 0.0, 0.0]);
    assert_eq!((path.times[4].latest_start, path.times[4].latest_end), (14.0, 18.0));
    assert_eq!(path.critical(), [1, 3, 5, 6]);
}

#[test]
fn links_in_a_circle_have_no_path() {
    let round = [Link { lasts: 1.0, after: vec![1] }, Link { lasts: 1.0, after: vec![0] }];
    assert_eq!(CriticalPath::of(&round), None);
    assert_eq!(CriticalPath::of(&[Link { lasts: 1.0, after: vec![7] }]), None);
}

/// Graham 1969 (SIAM Journal on Applied Mathematics 17: 416-429; numbers from memory): jobs of 3, 3, 2, 2, 2 for two workers, the
/// longest first gives 7, the shortest is 6.
#[test]
fn five_jobs_for_two_workers_take_six() {
    let jobs = [3, 3, 2, 2, 2].map(|ticks| either(ticks, ticks, &[]));
    let solved = solve(&Project { people: 2, shared: vec![], activities: jobs.to_vec() }, Effort::default()).unwrap();
    assert_eq!((solved.schedule.length, solved.bound), (6, 6));
    // The same as one shared thing with room for two.
    let shared = [3, 3, 2, 2, 2].map(|ticks| Activity {
        modes: vec![Mode { people: vec![], ticks }],
        uses: vec![1],
        ..Activity::default()
    });
    let project = Project { people: 0, shared: vec![2], activities: shared.to_vec() };
    assert_eq!(solve(&project, Effort::default()).unwrap().schedule.length, 6);
}

/// Three jobs of two that any two of three people do together: one after the other, which no bound sees, only a proof.
#[test]
fn the_solver_proves_what_the_bounds_do_not_see() {
    let pair = |a: usize, b: usize| Mode { people: vec![a, b], ticks: 2 };
    let job = Activity { modes: vec![pair(0, 1), pair(0, 2), pair(1, 2)], ..Activity::default() };
    let solved = solve(&Project { people: 3, shared: vec![], activities: vec![job; 3] }, Effort::default()).unwrap();
    assert_eq!((solved.schedule.length, solved.bound), (6, 6));
    // Quick schedules alone leave it open.
    let job = Activity { modes: vec![pair(0, 1), pair(0, 2), pair(1, 2)], ..Activity::default() };
    let unproven = Effort { tries: 50, search: 1 };
    let solved = solve(&Project { people: 3, shared: vec![], activities: vec![job; 3] }, unproven).unwrap();
    assert_eq!((solved.schedule.length, solved.bound), (6, 4));
}

#[test]
fn work_outside_goes_on_while_the_tank_drains() {
    let wait = Activity { modes: vec![Mode { people: vec![], ticks: 16 }], after: vec![0], ..Activity::default() };
    let activities = vec![alone(0, 2, &[]), wait, alone(0, 10, &[]), alone(0, 1, &[1])];
    let solved = solve(&Project { people: 1, shared: vec![], activities }, Effort::default()).unwrap();
    assert_eq!((solved.schedule.length, solved.bound), (19, 19), "not 29: the wait leaves hands free");
}

#[test]
fn what_needs_light_waits_for_it_and_the_rest_goes_first() {
    let mut lit = alone(0, 4, &[]);
    lit.not_before = 10;
    let activities = vec![lit, alone(0, 8, &[]), alone(0, 3, &[])];
    let solved = solve(&Project { people: 1, shared: vec![], activities }, Effort::default()).unwrap();
    assert_eq!((solved.schedule.length, solved.bound), (15, 15));
    assert_eq!(solved.schedule.starts[0], 11, "8 and 3 first: begun with first light at 10 it would be 17");
}

#[rstest]
#[case::too_early_an_end(Activity { done_by: Some(3), ..alone(0, 4, &[]) }, ProjectError::NoFit)]
#[case::no_mode(Activity::default(), ProjectError::NoMode(0))]
#[case::stranger(alone(5, 1, &[]), ProjectError::NoSuchPerson { activity: 0, found: 5, people: 1 })]
#[case::nowhere(alone(0, 1, &[9]), ProjectError::NoSuchActivity { activity: 0, found: 9, activities: 1 })]
#[case::itself(alone(0, 1, &[0]), ProjectError::Cycle(0))]
#[case::endless(alone(0, u32::MAX, &[]), ProjectError::TooLong(u64::from(u32::MAX)))]
fn a_faulty_project_is_refused(#[case] activity: Activity, #[case] expected: ProjectError) {
    let project = Project { people: 1, shared: vec![], activities: vec![activity] };
    assert_eq!(solve(&project, Effort::default()).unwrap_err(), expected);
}

fn alone(person: usize, ticks: u32, after: &[usize]) -> Activity {
    Activity { modes: vec![Mode { people: vec![person], ticks }], after: after.to_vec(), ..Activity::default() }
}

fn either(first: u32, second: u32, after: &[usize]) -> Activity {
    let modes = vec![Mode { people: vec![0], ticks: first }, Mode { people: vec![1], ticks: second }];
    Activity { modes, after: after.to_vec(), ..Activity::default() }
}

fn activity(place: usize) -> impl Strategy<Value = Activity> {
    let ways = prop_oneof![
        (1_u32..9).prop_map(|ticks| vec![Mode { people: vec![], ticks }]),
        (1_u32..9, 0_usize..2).prop_map(|(ticks, p)| vec![Mode { people: vec![p], ticks }]),
        (1_u32..9).prop_map(|ticks| vec![Mode { people: vec![0, 1], ticks }]),
        (1_u32..9, 1_u32..9)
            .prop_map(|(a, b)| vec![Mode { people: vec![0], ticks: a }, Mode { people: vec![1], ticks: b }]),
    ];
    let after = prop::collection::btree_set(0..place.max(1), 0..3);
    (ways, after, 0_u32..12).prop_map(move |(modes, after, hold)| Activity {
        modes,
        after: if place == 0 { vec![] } else { after.into_iter().collect() },
        not_before: hold.saturating_sub(7),
        ..Activity::default()
    })
}

fn project(most: usize) -> impl Strategy<Value = Project> {
    (1..=most).prop_flat_map(|count| (0..count).map(activity).collect::<Vec<_>>()).prop_map(|activities| Project {
        people: 2,
        shared: vec![],
        activities,
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    #[test]
    fn every_schedule_keeps_every_order_and_is_not_below_its_bound(project in project(12)) {
        let solved = solve(&project, Effort { tries: 200, search: 3_000 }).unwrap();
        prop_assert_eq!(project.faults(&solved.schedule), Vec::<String>::new());
        prop_assert!(solved.bound <= solved.schedule.length);
    }

    #[test]
    fn a_small_project_is_solved_as_well_as_by_trying_every_order(project in project(5)) {
        let solved = solve(&project, Effort::default()).unwrap();
        prop_assert!(solved.is_shortest());
        prop_assert_eq!(solved.schedule.length, shortest_by_trying(&project, &mut vec![], [0, 0], 0));
    }
}

/// Every order and every choice of people, one after the other: some such list gives a shortest schedule.
fn shortest_by_trying(project: &Project, done: &mut Vec<(usize, u32)>, free: [u32; 2], length: u32) -> u32 {
    if done.len() == project.activities.len() {
        return length;
    }
    let mut best = u32::MAX;
    for (i, activity) in project.activities.iter().enumerate() {
        let end = |j: usize| done.iter().find(|(k, _)| *k == j).map(|(_, end)| *end);
        if end(i).is_some() || activity.after.iter().any(|&b| end(b).is_none()) {
            continue;
        }
        let ready = activity.after.iter().filter_map(|&b| end(b)).fold(activity.not_before, u32::max);
        for mode in &activity.modes {
            let start = mode.people.iter().map(|&p| free[p]).fold(ready, u32::max);
            let mut then = free;
            mode.people.iter().for_each(|&p| then[p] = start + mode.ticks);
            done.push((i, start + mode.ticks));
            best = best.min(shortest_by_trying(project, done, then, length.max(start + mode.ticks)));
            done.pop();
        }
    }
    best
}
