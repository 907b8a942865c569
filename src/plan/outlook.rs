//! "Are we on time?", answered from what is left.

use std::collections::BTreeMap;

use serde::Serialize;

use super::arrange::Arranged;
use super::luck::Luck;
use super::simulate::{Light, Mornings, SoFar, simulate_rest};
use super::work::Work;

/// How a move that is under way will end, as far as one can tell. Times in seconds on the clock that the plan is reckoned on.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Outlook {
    pub chance: f64,
    /// By when half, four fifths and nineteen in twenty of all mornings like this one have ended.
    pub end_50: f64,
    pub end_80: f64,
    pub end_95: f64,
    /// What is still to be done, by place in [`Work::chores`]; nothing is ever left out to save time.
    pub left: Vec<usize>,
    pub talk: OutlookTalk,
}

/// How much is said.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum OutlookTalk {
    Full,
    /// Late: explanations and reminders are left out. Every step is asked as ever, and cautions are said.
    Short,
}

/// What the journal of a run under way says about one step.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct StepSoFar {
    /// How often it was settled (or skipped). A loop settles its steps once a round.
    pub settled: u32,
    /// It is under way since so many seconds.
    pub begun: Option<f64>,
    /// It asks whether to go round once more, and was told that it is enough.
    pub enough: bool,
}

/// Matches what was done with what was planned, by `routine/step`.
pub fn so_far(work: &Work, done: &BTreeMap<String, StepSoFar>) -> SoFar {
    let of = |chore: usize| done.get(&work.chores[chore].key).copied().unwrap_or_default();
    let mut settled: Vec<bool> = (0..work.chores.len()).map(|i| of(i).settled >= work.chores[i].round).collect();
    for (i, chore) in work.chores.iter().enumerate() {
        // Enough in an early round: the rounds that were planned beyond it are not needed.
        if let Some(once_more) = &chore.once_more
            && of(i).enough
        {
            once_more.planned.iter().flatten().for_each(|&unneeded| settled[unneeded] = true);
            settled[i] = true;
        }
        // More rounds than were planned: the last planned one stands for the one that goes on.
        if let Some(once_more) = chore.once_more.as_ref().filter(|_| !of(i).enough)
            && of(i).settled > once_more.planned.len() as u32
        {
            once_more.round.iter().for_each(|&again| settled[again] = of(again).settled > of(i).settled);
        }
    }
    let first_open = |i: &usize| {
        let earlier = (0..*i).any(|other| work.chores[other].key == work.chores[*i].key && !settled[other]);
        !settled[*i] && !earlier
    };
    let begun = (0..work.chores.len()).filter(first_open).filter_map(|i| Some((i, of(i).begun?))).collect();
    SoFar { settled, begun }
}

/// The same plan without what is settled; what has begun comes first in its person's turns.
pub fn what_is_left(work: &Work, arranged: &Arranged, so_far: &SoFar) -> Arranged {
    let settled = |i: usize| so_far.settled.get(i).copied().unwrap_or(false);
    let begun = |i: usize| so_far.begun.iter().any(|&(chore, _)| chore == i);
    let mut left = arranged.clone();
    for turns in &mut left.turns {
        turns.retain(|&i| !settled(i));
        turns.sort_by_key(|&i| !begun(i));
    }
    for (i, after) in left.after.iter_mut().enumerate() {
        after.clear();
        if !settled(i) && !begun(i) {
            after.extend(work.chores[i].after.iter().copied().filter(|&before| !settled(before)));
        }
    }
    for pair in left.turns.iter().flat_map(|turns| turns.windows(2)) {
        if !begun(pair[1]) && !left.after[pair[1]].contains(&pair[0]) {
            left.after[pair[1]].push(pair[0]);
        }
    }
    // A step done out of turn leaves an order all the same: the routine's own holds among what is left, and so do turns.
    let links: Vec<super::critical_path::Link> =
        left.after.iter().map(|after| super::critical_path::Link { lasts: 0.0, after: after.clone() }).collect();
    if let Some(order) = super::critical_path::order(&links) {
        left.order = order;
    }
    left
}

/// How the rest goes from `now`.
pub struct OutlookQuestion<'a> {
    pub work: &'a Work,
    pub arranged: &'a Arranged,
    pub morning: Luck,
    pub so_far: &'a SoFar,
    pub now: f64,
    pub by: f64,
    pub light: Light,
    /// The chance below which it is late, 0 to 1.
    pub late_below: f64,
    pub mornings: usize,
    pub seed: u64,
}

impl OutlookQuestion<'_> {
    /// Simulates what is left.
    pub fn answer(&self) -> Outlook {
        let left = what_is_left(self.work, self.arranged, self.so_far);
        let mornings: Mornings = simulate_rest(self.work, &left, &self.morning, self.so_far, self.mornings, self.seed);
        let end = |share: f64| mornings.end(share, self.now, &self.light);
        let chance = mornings.chance(self.now, self.by, &self.light);
        let open = |i: &usize| !self.so_far.settled.get(*i).copied().unwrap_or(false);
        Outlook {
            chance,
            end_50: end(0.5),
            end_80: end(0.8),
            end_95: end(0.95),
            left: (0..self.work.chores.len()).filter(open).collect(),
            talk: if chance < self.late_below { OutlookTalk::Short } else { OutlookTalk::Full },
        }
    }
}
