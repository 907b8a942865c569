//! Schedules made by putting one activity after the other where it fits first, in many orders: quick, and mostly good.
//!
//! The scheme is the serial one of Kolisch (1996, European Journal of Operational Research 90: 320-333), with modes.

use rand::rngs::Xoshiro256PlusPlus;
use rand::{RngExt, SeedableRng};

use super::bounds::Reach;
use super::project::{Project, Schedule};

/// What a schedule is made from: who goes first, and where that is settled, in which mode.
#[derive(Clone, Debug)]
struct Recipe {
    urgency: Vec<f64>,
    /// None takes the mode that ends first.
    mode: Vec<Option<usize>>,
}

/// The best of `tries` schedules, each made from the recipe of a good one with a few changes (simulated annealing). None
/// where no try keeps the latest ends. Stops at one of length `least`.
pub(super) fn best_of(project: &Project, reach: &Reach, least: u32, tries: u32) -> Option<Schedule> {
    let mut random = Xoshiro256PlusPlus::seed_from_u64(SEED);
    let longest = f64::from(reach.tails.iter().copied().max().unwrap_or(0)).max(1.0);
    let urgency: Vec<f64> = reach
        .tails
        .iter()
        .zip(&project.activities)
        .map(|(&tail, a)| f64::from(tail).max(a.done_by.map_or(0.0, |by| longest - f64::from(by).min(longest))))
        .collect();
    let mut recipe = Recipe { mode: vec![None; urgency.len()], urgency };
    let mut now = made(project, &recipe);
    let mut now_cost = cost(project, &now);
    let mut best: Option<Schedule> = None;
    for attempt in 0..tries {
        let keeps_ends = now_cost < FAULT;
        if keeps_ends && best.as_ref().is_none_or(|best| now.length < best.length) {
            best = Some(now.clone());
            if now.length <= least {
                return best;
            }
        }
        let mut changed = recipe.clone();
        for _ in 0..random.random_range(1..=3) {
            let one = random.random_range(0..changed.urgency.len());
            match random.random_range(0..3) {
                0 => changed.urgency[one] = f64::from(reach.tails[one]) + longest * (random.random::<f64>() - 0.5),
                1 => {
                    let other = random.random_range(0..changed.urgency.len());
                    changed.urgency.swap(one, other);
                }
                _ => {
                    let modes = project.activities[one].modes.len();
                    let drawn = random.random_range(0..=modes);
                    changed.mode[one] = (drawn < modes).then_some(drawn);
                }
            }
        }
        let then = made(project, &changed);
        let then_cost = cost(project, &then);
        let warmth = WARMTH * longest * (1.0 - f64::from(attempt) / f64::from(tries));
        if then_cost <= now_cost || random.random::<f64>() < ((now_cost - then_cost) / warmth.max(1e-9)).exp() {
            (recipe, now, now_cost) = (changed, then, then_cost);
        }
    }
    best
}

/// Mostly the length; of two equal ones that is better in which people end sooner, for it is nearer to a shorter one.
fn cost(project: &Project, schedule: &Schedule) -> f64 {
    let end = |i: usize| schedule.starts[i] + ticks(project, i, schedule.modes[i]);
    let mut last = vec![0_u32; project.people];
    let mut late = 0.0;
    for (i, activity) in project.activities.iter().enumerate() {
        for &person in &activity.modes[schedule.modes[i]].people {
            last[person] = last[person].max(end(i));
        }
        late += f64::from(activity.done_by.map_or(0, |by| end(i).saturating_sub(by)));
    }
    let ends =
        last.iter().map(|&l| f64::from(l)).sum::<f64>() / f64::from(schedule.length.max(1)) / last.len().max(1) as f64;
    f64::from(schedule.length) + 0.5 * ends + if late > 0.0 { FAULT + late } else { 0.0 }
}

/// More than any length.
const FAULT: f64 = 1e12;

/// Share of the length by which a step back is taken easily at the beginning. Tried on random projects of 60 activities.
const WARMTH: f64 = 0.004;

/// The same activities in the same modes and order, each as early as it can be.
pub(super) fn pushed_forward(project: &Project, schedule: &Schedule) -> Schedule {
    let mut order: Vec<usize> = (0..project.activities.len()).collect();
    // Of two that begin at once, one may last no time at all and must come first where the other waits for it.
    order.sort_by_key(|&i| (schedule.starts[i], schedule.starts[i] + ticks(project, i, schedule.modes[i])));
    let mut board = Board::new(project);
    let mut done = vec![false; order.len()];
    while let Some(place) =
        order.iter().position(|&i| !done[i] && project.activities[i].after.iter().all(|&before| done[before]))
    {
        let next = order.remove(place);
        board.put(next, schedule.modes[next]..schedule.modes[next] + 1);
        done[next] = true;
    }
    board.into_schedule()
}

fn made(project: &Project, recipe: &Recipe) -> Schedule {
    let followers = project.followers();
    let mut waits_for: Vec<usize> = project.activities.iter().map(|a| a.after.len()).collect();
    let mut ready: Vec<usize> = (0..waits_for.len()).filter(|&i| waits_for[i] == 0).collect();
    let mut board = Board::new(project);
    let urgency = &recipe.urgency;
    while let Some(place) = (0..ready.len()).max_by(|&a, &b| urgency[ready[a]].total_cmp(&urgency[ready[b]])) {
        let next = ready.swap_remove(place);
        match recipe.mode[next] {
            Some(mode) => board.put(next, mode..mode + 1),
            None => board.put(next, 0..project.activities[next].modes.len()),
        }
        for &follower in &followers[next] {
            waits_for[follower] -= 1;
            if waits_for[follower] == 0 {
                ready.push(follower);
            }
        }
    }
    board.into_schedule()
}

fn ticks(project: &Project, activity: usize, mode: usize) -> u32 {
    project.activities[activity].modes[mode].ticks
}

/// A schedule in the making.
struct Board<'a> {
    project: &'a Project,
    starts: Vec<u32>,
    modes: Vec<usize>,
    /// When each person is busy, in order.
    busy: Vec<Vec<(u32, u32)>>,
    placed: Vec<usize>,
}

impl<'a> Board<'a> {
    fn new(project: &'a Project) -> Self {
        let count = project.activities.len();
        let busy = vec![Vec::new(); project.people];
        Self { project, starts: vec![0; count], modes: vec![0; count], busy, placed: Vec::with_capacity(count) }
    }

    /// Puts an activity where it ends first in one of `modes`; what it waits for is there already.
    fn put(&mut self, index: usize, modes: std::ops::Range<usize>) {
        let activity = &self.project.activities[index];
        let ready = activity.after.iter().map(|&before| self.end(before)).max().unwrap_or(0).max(activity.not_before);
        let ends_first = modes
            .map(|mode| {
                let start = self.first_gap(index, mode, ready);
                (start + ticks(self.project, index, mode), ticks(self.project, index, mode), mode, start)
            })
            .min();
        let Some((end, _, mode, start)) = ends_first else { return };
        self.starts[index] = start;
        self.modes[index] = mode;
        if end > start {
            for &person in &activity.modes[mode].people {
                let busy = &mut self.busy[person];
                let at = busy.partition_point(|&(from, _)| from < start);
                busy.insert(at, (start, end));
            }
        }
        self.placed.push(index);
    }

    fn end(&self, index: usize) -> u32 {
        self.starts[index] + ticks(self.project, index, self.modes[index])
    }

    fn first_gap(&self, index: usize, mode: usize, ready: u32) -> u32 {
        let activity = &self.project.activities[index];
        let mode = &activity.modes[mode];
        let mut start = ready;
        loop {
            let end = start + mode.ticks;
            let clash = mode
                .people
                .iter()
                .flat_map(|&person| &self.busy[person])
                .filter(|&&(from, until)| from < end && start < until)
                .map(|&(_, until)| until)
                .max()
                .or_else(|| self.shared_clash(index, start, end));
            match clash {
                // No time at all fits between two others.
                Some(_) if mode.ticks == 0 => return start,
                Some(until) => start = until,
                None => return start,
            }
        }
    }

    /// When to try again where a shared thing is used up between `start` and `end`.
    fn shared_clash(&self, index: usize, start: u32, end: u32) -> Option<u32> {
        let wants = &self.project.activities[index].uses;
        let together: Vec<usize> =
            self.placed.iter().copied().filter(|&i| self.starts[i] < end && start < self.end(i)).collect();
        let moments = together.iter().map(|&i| self.starts[i].max(start));
        for moment in moments {
            for (shared, &want) in wants.iter().enumerate().filter(|(_, want)| **want > 0) {
                let at_once: Vec<usize> = together
                    .iter()
                    .copied()
                    .filter(|&i| self.starts[i] <= moment && moment < self.end(i))
                    .filter(|&i| self.project.activities[i].uses.get(shared).is_some_and(|&used| used > 0))
                    .collect();
                let used: u32 = at_once.iter().map(|&i| self.project.activities[i].uses[shared]).sum();
                if used + want > self.project.shared[shared] {
                    return at_once.iter().map(|&i| self.end(i)).min();
                }
            }
        }
        None
    }

    fn into_schedule(self) -> Schedule {
        let length = (0..self.starts.len()).map(|i| self.end(i)).max().unwrap_or(0);
        Schedule { starts: self.starts, modes: self.modes, length }
    }
}

/// Any would do; a fixed one makes the same plan from the same data.
const SEED: u64 = 0x5EED_CA3F;
