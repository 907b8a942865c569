//! How short a schedule cannot be: bounds that hold whatever anybody chooses.

use super::project::Project;

/// Earliest start of each activity, and the least time from its start to the end of all, by the orders alone.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Reach {
    pub(super) heads: Vec<u32>,
    pub(super) tails: Vec<u32>,
}

/// `order` is that of [`Project::order`].
pub(super) fn reach(project: &Project, order: &[usize]) -> Reach {
    let activities = &project.activities;
    let mut heads: Vec<u32> = activities.iter().map(|a| a.not_before).collect();
    for &i in order {
        for &before in &activities[i].after {
            heads[i] = heads[i].max(heads[before] + activities[before].least());
        }
    }
    let mut tails: Vec<u32> = activities.iter().map(|a| a.least()).collect();
    for &i in order.iter().rev() {
        for &before in &activities[i].after {
            tails[before] = tails[before].max(activities[before].least() + tails[i]);
        }
    }
    Reach { heads, tails }
}

/// A length that no schedule can be below: the longest chain, and the work shared out as well as it can be.
pub(super) fn least_length(project: &Project, reach: &Reach) -> u32 {
    let chain = (0..project.activities.len()).map(|i| reach.heads[i] + reach.tails[i]).max().unwrap_or(0);
    let work = weightings(project).iter().map(|weights| of_work(project, reach, weights)).max().unwrap_or(0);
    let shared = (0..project.shared.len()).map(|s| of_shared(project, s)).max().unwrap_or(0);
    chain.max(work).max(shared)
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

fn of_work(project: &Project, reach: &Reach, weights: &[f64]) -> u32 {
    let (mut work, mut first, mut last) = (0.0_f64, u32::MAX, u32::MAX);
    for (index, activity) in project.activities.iter().enumerate() {
        let share = |m: &super::project::Mode| m.people.iter().map(|&p| weights[p]).sum::<f64>() * f64::from(m.ticks);
        let least = activity.modes.iter().map(share).fold(f64::INFINITY, f64::min);
        if least > 0.0 {
            work += least;
            first = first.min(reach.heads[index]);
            last = last.min(reach.tails[index] - activity.least());
        }
    }
    if work == 0.0 {
        return 0;
    }
    // Sums of shares are not exact: a bound a hair too high would be none.
    first + last + (work - 1e-6).ceil().max(0.0) as u32
}

fn of_shared(project: &Project, shared: usize) -> u32 {
    let capacity = u64::from(project.shared[shared]);
    let of = |a: &super::project::Activity| u64::from(a.uses.get(shared).copied().unwrap_or(0)) * u64::from(a.least());
    let work: u64 = project.activities.iter().map(of).sum();
    u32::try_from(work.div_ceil(capacity.max(1))).unwrap_or(u32::MAX)
}

/// Groups are listed one by one up to this many people.
const MOST_GROUPED: usize = 6;
