//! How short a schedule cannot be: bounds that hold whatever anybody chooses.

use super::project::{Activity, Mode, Project};

/// Earliest start of each activity, and the least time from its start to the end of all: by the orders, and by the work that must
/// be done before it, or after it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Reach {
    pub(super) heads: Vec<u32>,
    pub(super) tails: Vec<u32>,
}

/// `order` is that of [`Project::order`].
///
/// Of what comes before an activity, all that cannot begin before some moment must be worked off between that moment and its start
/// (the bound of Carlier 1982, European Journal of Operational Research 11: 42-47, for one machine with heads and tails; here each
/// person weighs so much, see [`weightings`]). The same holds for what comes after it, backwards from the end.
pub(super) fn reach(project: &Project, order: &[usize]) -> Reach {
    let activities = &project.activities;
    let shares = shares(project);
    let before = ancestors(project, order);
    let mut heads: Vec<u32> = activities.iter().map(|a| a.not_before).collect();
    for &i in order {
        let chain = activities[i].after.iter().map(|&b| heads[b] + activities[b].least()).max().unwrap_or(0);
        heads[i] = heads[i].max(chain).max(worked_off(&before[i], &heads, &shares));
    }
    let mut after = vec![Vec::new(); activities.len()];
    for (i, before) in before.iter().enumerate() {
        before.iter().for_each(|&b| after[b].push(i));
    }
    // From an activity's end to the end of all.
    let mut rest = vec![0_u32; activities.len()];
    for &i in order.iter().rev() {
        rest[i] = rest[i].max(worked_off(&after[i], &rest, &shares));
        for &before in &activities[i].after {
            rest[before] = rest[before].max(activities[i].least() + rest[i]);
        }
    }
    Reach { heads, tails: rest.iter().zip(activities).map(|(rest, a)| rest + a.least()).collect() }
}

/// Everything that comes before each activity, directly or not.
fn ancestors(project: &Project, order: &[usize]) -> Vec<Vec<usize>> {
    let count = project.activities.len();
    let mut before = vec![vec![false; count]; count];
    for &i in order {
        for &earlier in &project.activities[i].after {
            let of_earlier = before[earlier].clone();
            before[i].iter_mut().zip(of_earlier).for_each(|(mine, theirs)| *mine |= theirs);
            before[i][earlier] = true;
        }
    }
    before.iter().map(|row| (0..count).filter(|&i| row[i]).collect()).collect()
}

/// The least moment by which these activities can have been worked off, each not begun before its own of `heads`.
fn worked_off(list: &[usize], heads: &[u32], shares: &[Vec<f64>]) -> u32 {
    let mut late_first = list.to_vec();
    late_first.sort_by_key(|&i| std::cmp::Reverse(heads[i]));
    let of = |share: &Vec<f64>| {
        let mut work = 0.0;
        let ends = late_first.iter().filter(|&&i| share[i] > 0.0).map(|&i| {
            work += share[i];
            heads[i] + whole(work)
        });
        ends.max().unwrap_or(0)
    };
    shares.iter().map(of).max().unwrap_or(0)
}

/// A length that no schedule can be below: the longest chain, and the work shared out as well as it can be.
pub(super) fn least_length(project: &Project, reach: &Reach) -> u32 {
    let chain = (0..project.activities.len()).map(|i| reach.heads[i] + reach.tails[i]).max().unwrap_or(0);
    let work = shares(project).iter().map(|share| of_work(project, reach, share)).max().unwrap_or(0);
    let shared = (0..project.shared.len()).map(|s| of_shared(project, s)).max().unwrap_or(0);
    chain.max(work).max(shared)
}

/// For each weighting the least work of each activity, in weighted ticks.
fn shares(project: &Project) -> Vec<Vec<f64>> {
    let least = |weights: &[f64], activity: &Activity| {
        let of = |m: &Mode| m.people.iter().map(|&p| weights[p]).sum::<f64>() * f64::from(m.ticks);
        activity.modes.iter().map(of).fold(f64::INFINITY, f64::min)
    };
    weightings(project).iter().map(|w| project.activities.iter().map(|a| least(w, a)).collect()).collect()
}

/// Any weights of the people that add up to one give a bound: nobody works longer than the whole. For two people these hold
/// the best one (the bound is linear between them); for more, every group alike.
fn weightings(project: &Project) -> Vec<Vec<f64>> {
    if project.people == 2 {
        let mut shares = vec![0.0, 0.5, 1.0];
        for activity in &project.activities {
            let alone = |p: usize| activity.modes.iter().find(|m| m.people == [p]).map(|m| f64::from(m.ticks));
            if let (Some(first), Some(second)) = (alone(0), alone(1))
                && first + second > 0.0
            {
                shares.push(second / (first + second));
            }
        }
        return shares.into_iter().map(|share| vec![share, 1.0 - share]).collect();
    }
    let grouped = u32::try_from(project.people.min(MOST_GROUPED)).unwrap_or(0);
    let everybody = (project.people > MOST_GROUPED).then(|| vec![1.0 / project.people as f64; project.people]);
    (1_u32..1 << grouped)
        .map(|bits| {
            let share = 1.0 / f64::from(bits.count_ones());
            (0..project.people).map(|p| if p < MOST_GROUPED && bits >> p & 1 == 1 { share } else { 0.0 }).collect()
        })
        .chain(everybody)
        .collect()
}

/// Of all that cannot begin before some moment and has at least so long to go from its end, the work lies between the two.
fn of_work(project: &Project, reach: &Reach, share: &[f64]) -> u32 {
    let rest = |i: usize| reach.tails[i] - project.activities[i].least();
    let mut long_first: Vec<usize> = (0..share.len()).filter(|&i| share[i] > 0.0).collect();
    long_first.sort_by_key(|&i| std::cmp::Reverse(rest(i)));
    let from = |&first: &usize| {
        let mut work = 0.0;
        let late = long_first.iter().filter(|&&i| reach.heads[i] >= reach.heads[first]);
        let lengths = late.map(|&i| {
            work += share[i];
            reach.heads[first] + whole(work) + rest(i)
        });
        lengths.max().unwrap_or(0)
    };
    long_first.iter().map(from).max().unwrap_or(0)
}

/// Sums of shares are not exact: a bound a hair too high would be none.
fn whole(work: f64) -> u32 {
    (work - 1e-6).ceil().max(0.0) as u32
}

fn of_shared(project: &Project, shared: usize) -> u32 {
    let capacity = u64::from(project.shared[shared]);
    let of = |a: &super::project::Activity| u64::from(a.uses.get(shared).copied().unwrap_or(0)) * u64::from(a.least());
    let work: u64 = project.activities.iter().map(of).sum();
    u32::try_from(work.div_ceil(capacity.max(1))).unwrap_or(u32::MAX)
}

/// Groups are listed one by one up to this many people.
const MOST_GROUPED: usize = 6;
