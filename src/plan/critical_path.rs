//! The longest chain: earliest and latest times of activities that wait for each other, by the critical path method.

use serde::Serialize;

/// An activity as the method sees it: how long it lasts, and what must have ended before it.
#[derive(Clone, Debug, PartialEq)]
pub struct Link {
    pub lasts: f64,
    pub after: Vec<usize>,
}

/// When an activity can begin and end, and by when it must.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Times {
    pub earliest_start: f64,
    pub earliest_end: f64,
    pub latest_start: f64,
    pub latest_end: f64,
}

impl Times {
    /// How much later it may begin without making the whole longer.
    pub fn slack(&self) -> f64 {
        self.latest_start - self.earliest_start
    }
}

/// The times of all activities.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct CriticalPath {
    pub times: Vec<Times>,
    /// From the first start to the last end.
    pub length: f64,
}

impl CriticalPath {
    /// Reckons forward and backward. None where activities wait for each other in a circle, or for one that is not there.
    pub fn of(links: &[Link]) -> Option<Self> {
        let order = order(links)?;
        let mut starts = vec![0.0_f64; links.len()];
        for &i in &order {
            starts[i] = links[i].after.iter().map(|&b| starts[b] + links[b].lasts).fold(0.0, f64::max);
        }
        let length = (0..links.len()).map(|i| starts[i] + links[i].lasts).fold(0.0, f64::max);
        let mut latest_ends = vec![length; links.len()];
        for &i in order.iter().rev() {
            let begins = latest_ends[i] - links[i].lasts;
            for &before in &links[i].after {
                latest_ends[before] = latest_ends[before].min(begins);
            }
        }
        let times = (0..links.len())
            .map(|i| Times {
                earliest_start: starts[i],
                earliest_end: starts[i] + links[i].lasts,
                latest_start: latest_ends[i] - links[i].lasts,
                latest_end: latest_ends[i],
            })
            .collect();
        Some(Self { times, length })
    }

    /// Activities without slack, in the order of their starts.
    pub fn critical(&self) -> Vec<usize> {
        let mut critical: Vec<usize> = (0..self.times.len()).filter(|&i| self.times[i].slack() < HAIR).collect();
        critical.sort_by(|&a, &b| self.times[a].earliest_start.total_cmp(&self.times[b].earliest_start));
        critical
    }
}

/// Every activity after what it waits for; none where they wait for each other in a circle, or for one that is not there.
pub(super) fn order(links: &[Link]) -> Option<Vec<usize>> {
    order_of(&links.iter().map(|link| link.after.as_slice()).collect::<Vec<_>>()).ok()
}

/// Every activity after those that it waits for, the smallest first where there is a choice.
///
/// # Errors
/// The smallest that cannot be put in order: it waits for one that is not there, or in a circle.
pub(super) fn order_of(after: &[&[usize]]) -> Result<Vec<usize>, usize> {
    let count = after.len();
    let mut waits_for: Vec<usize> = after.iter().map(|before| before.len()).collect();
    let mut followers = vec![Vec::new(); count];
    for (i, all) in after.iter().enumerate() {
        for &before in *all {
            followers.get_mut(before).ok_or(i)?.push(i);
        }
    }
    let mut ready: std::collections::BTreeSet<usize> = (0..count).filter(|&i| waits_for[i] == 0).collect();
    let mut order = Vec::with_capacity(count);
    while let Some(next) = ready.pop_first() {
        order.push(next);
        for &follower in &followers[next] {
            waits_for[follower] -= 1;
            if waits_for[follower] == 0 {
                ready.insert(follower);
            }
        }
    }
    (0..count).find(|&i| waits_for[i] > 0).map_or(Ok(order), Err)
}

/// Sums in another order differ by less than this.
const HAIR: f64 = 1e-6;
