//! Who does what in which order: the solved schedule, made to follow the order of the routines wherever that costs nothing.

use std::collections::{BTreeMap, BTreeSet};

use super::bounds::{least_length, reach};
use super::critical_path::{CriticalPath, Link};
use super::project::{Project, ProjectError, Schedule};
use super::solve::{Effort, solve};
use super::work::Work;

/// The chores of a move, dealt out. Everybody does theirs one after the other in this order.
#[derive(Clone, Debug, PartialEq)]
pub struct Arranged {
    /// For each chore the place of the way that was chosen.
    pub way: Vec<usize>,
    /// For each person their chores in order.
    pub turns: Vec<Vec<usize>>,
    /// What each chore waits for: by its routine, and because its person is busy before.
    pub after: Vec<Vec<usize>>,
    /// Every chore after what it waits for.
    pub order: Vec<usize>,
    /// First tick of each chore, by the usual times.
    pub starts: Vec<u32>,
    /// From the first start to the last end, in ticks.
    pub length: u32,
    /// No schedule is shorter, in ticks.
    pub bound: u32,
}

/// Deals the chores out so that the move takes the shortest time, by usual times. `not_before` holds a chore back (ticks).
///
/// # Errors
/// The orders lead round in a circle.
pub fn arrange(work: &Work, not_before: &[u32], effort: Effort) -> Result<Arranged, ProjectError> {
    let mut project = work.project();
    for (activity, &tick) in project.activities.iter_mut().zip(not_before) {
        activity.not_before = tick;
    }
    let (found, bound) = dealt_out(work, &project, effort)?;
    let mut in_order = found.clone();
    in_file_order(&project, &mut in_order);
    with_clean_hands(work, &project, &mut in_order);
    let arranged = if in_order.length <= found.length { in_order } else { found };
    Ok(Arranged { bound, ..arranged })
}

/// The shortest way of dealing out that is found, in which one person carries what is anybody's in a routine, and what none is below.
fn dealt_out(work: &Work, project: &Project, effort: Effort) -> Result<(Arranged, u32), ProjectError> {
    let mut carried: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    for (chore, it) in work.chores.iter().enumerate().filter(|(_, it)| it.ways.len() > 1) {
        if let Some(routine) = it.carried {
            carried.entry(routine).or_default().push(chore);
        }
    }
    let groups: Vec<Vec<usize>> = carried.into_values().collect();
    let people = project.people.max(1);
    let all = u32::try_from(groups.len()).ok().and_then(|n| people.checked_pow(n)).filter(|&all| all <= MOST_CHOICES);
    let mut search = Search { work, project, groups, order: project.order()?, best: None };
    let bound = match all {
        Some(count) => search.every_choice(count, effort)?,
        None => search.one_after_the_other(effort)?,
    };
    search.best.map(|best| (best, bound)).ok_or(ProjectError::NoneFound)
}

/// Looks for who is best to carry which routine.
struct Search<'a> {
    work: &'a Work,
    project: &'a Project,
    groups: Vec<Vec<usize>>,
    /// That of [`Project::order`].
    order: Vec<usize>,
    best: Option<Arranged>,
}

/// Who carries each routine, and what no schedule of that choice is below.
struct Choice {
    carriers: Vec<usize>,
    bound: u32,
}

impl Search<'_> {
    /// Branch and bound: the choice that promises most first, and none that cannot beat what is found already. First quick schedules of
    /// all of them, then all the effort for what may still hide something shorter; the solver for a few of them, as it takes longest.
    fn every_choice(&mut self, count: usize, effort: Effort) -> Result<u32, ProjectError> {
        let people = self.project.people.max(1);
        let digits =
            |choice: usize| (0..self.groups.len() as u32).map(move |place| choice / people.pow(place) % people);
        let mut choices: Vec<Choice> = Vec::new();
        for carriers in (0..count).map(|choice| digits(choice).collect::<Vec<usize>>()) {
            let narrowed = self.narrowed(&carriers).0;
            let bound = least_length(&narrowed, &reach(&narrowed, &self.order));
            choices.push(Choice { carriers, bound });
        }
        for searched in [0, MOST_SEARCHED] {
            choices.sort_by_key(|choice| choice.bound);
            let open = choices.iter().filter(|choice| self.may_beat(choice.bound)).count().max(1);
            let tries = (effort.tries / open as u32).max(1);
            let search = (effort.search / open.min(MOST_SEARCHED) as u64).max(1);
            let mut left = searched;
            for choice in &mut choices {
                if self.may_beat(choice.bound) {
                    let share = Effort { tries, search: if left > 0 { search } else { 0 } };
                    left = left.saturating_sub(1);
                    choice.bound = choice.bound.max(self.tried(&choice.carriers, share)?.1);
                }
            }
        }
        let found = self.best.as_ref().map_or(u32::MAX, |best| best.length);
        Ok(choices.iter().map(|choice| choice.bound).min().unwrap_or(0).min(found))
    }

    /// Too many to try: one routine's carrier after the other's, each kept that makes it shorter.
    fn one_after_the_other(&mut self, effort: Effort) -> Result<u32, ProjectError> {
        let people = self.project.people.max(1);
        let count = self.groups.len() * people;
        let share =
            Effort { tries: (effort.tries / count as u32).max(1), search: (effort.search / count as u64).max(1) };
        let mut carriers = vec![0; self.groups.len()];
        self.tried(&carriers, share)?;
        for group in 0..self.groups.len() {
            for person in 1..people {
                let kept = std::mem::replace(&mut carriers[group], person);
                if !self.tried(&carriers, share)?.0 {
                    carriers[group] = kept;
                }
            }
        }
        // What was not tried could be shorter than all that was.
        Ok(least_length(self.project, &reach(self.project, &self.order)))
    }

    fn may_beat(&self, bound: u32) -> bool {
        self.best.as_ref().is_none_or(|best| bound < best.length || touches_else(self.work, best))
    }

    /// Whether this choice beats what was found, with clean hands and all, and what no schedule of it is below.
    fn tried(&mut self, carriers: &[usize], effort: Effort) -> Result<(bool, u32), ProjectError> {
        let (narrowed, kept) = self.narrowed(carriers);
        let (mut arranged, least, bound) = self.cleanly(&narrowed, &kept, effort)?;
        // Clean hands cost less where it is known from the start what comes before the gloves, and what after the soap.
        if arranged.length > least && self.may_beat(least) {
            let (again, ..) = self.cleanly(&self.apart(&narrowed, &arranged), &kept, effort)?;
            if self.rank(&again) < self.rank(&arranged) {
                arranged = again;
            }
        }
        let better = self.best.as_ref().is_none_or(|best| self.rank(&arranged) < self.rank(best));
        if better {
            self.best = Some(arranged);
        }
        Ok((better, bound))
    }

    /// The less the better: of two the one who has touched sewage does nothing else if the other can, and then the length.
    fn rank(&self, arranged: &Arranged) -> (bool, u32) {
        (touches_else(self.work, arranged), arranged.length)
    }

    /// A schedule with clean hands, how long it was without them, and what no schedule is below.
    fn cleanly(
        &self,
        narrowed: &Project,
        kept: &BTreeMap<usize, usize>,
        effort: Effort,
    ) -> Result<(Arranged, u32, u32), ProjectError> {
        let mut solved = solve(narrowed, effort)?;
        for (&chore, &place) in kept {
            solved.schedule.modes[chore] = place;
        }
        let turns = turns(self.project, &solved.schedule);
        let mut arranged = timed(self.project, solved.schedule.modes, turns);
        let mut in_order = arranged.clone();
        with_clean_hands(self.work, self.project, &mut arranged);
        // Clean hands often cost nothing where the turns follow the files.
        if arranged.length > solved.schedule.length && self.may_beat(solved.schedule.length) {
            in_file_order(self.project, &mut in_order);
            with_clean_hands(self.work, self.project, &mut in_order);
            if in_order.length < arranged.length {
                arranged = in_order;
            }
        }
        Ok((arranged, solved.schedule.length, solved.bound))
    }

    /// The project with what each did before the first sewage on their hands before it, and what they did after the soap after it.
    fn apart(&self, narrowed: &Project, arranged: &Arranged) -> Project {
        let mut apart = narrowed.clone();
        for turns in &arranged.turns {
            for span in turns.iter().filter_map(|&chore| self.work.chores[chore].soiled).collect::<BTreeSet<_>>() {
                let soiled = |&chore: &usize| self.work.chores[chore].soiled == Some(span);
                let spell: Vec<usize> = turns.iter().copied().filter(soiled).collect();
                let begin = turns.iter().position(soiled).unwrap_or_default();
                for (place, &chore) in turns.iter().enumerate().filter(|(_, chore)| !soiled(chore)) {
                    if place < begin {
                        spell.iter().for_each(|&dirty| apart.activities[dirty].after.push(chore));
                    } else {
                        apart.activities[chore].after.extend(&spell);
                    }
                }
            }
        }
        apart
    }

    /// The project with one way left for what these carry, and the places of those ways.
    fn narrowed(&self, carriers: &[usize]) -> (Project, BTreeMap<usize, usize>) {
        let mut narrowed = self.project.clone();
        let mut kept: BTreeMap<usize, usize> = BTreeMap::new();
        for (group, &carrier) in self.groups.iter().zip(carriers) {
            for &chore in group {
                let modes = &self.project.activities[chore].modes;
                if let Some(place) = modes.iter().position(|mode| mode.people == [carrier]) {
                    narrowed.activities[chore].modes = vec![modes[place].clone()];
                    kept.insert(chore, place);
                }
            }
        }
        (narrowed, kept)
    }
}

fn turns(project: &Project, schedule: &Schedule) -> Vec<Vec<usize>> {
    let mut turns = vec![Vec::new(); project.people];
    let mut order: Vec<usize> = (0..project.activities.len()).collect();
    order.sort_by_key(|&i| (schedule.starts[i], i));
    for i in order {
        for &person in &project.activities[i].modes[schedule.modes[i]].people {
            turns[person].push(i);
        }
    }
    turns
}

fn links(project: &Project, way: &[usize], turns: &[Vec<usize>]) -> Vec<Link> {
    let mut links: Vec<Link> = project
        .activities
        .iter()
        .zip(way)
        .map(|(activity, &mode)| Link { lasts: f64::from(activity.modes[mode].ticks), after: activity.after.clone() })
        .collect();
    for pair in turns.iter().flat_map(|list| list.windows(2)) {
        if !links[pair[1]].after.contains(&pair[0]) {
            links[pair[1]].after.push(pair[0]);
        }
    }
    links
}

/// Each as early as it can be in these turns.
fn timed(project: &Project, way: Vec<usize>, turns: Vec<Vec<usize>>) -> Arranged {
    let links = links(project, &way, &turns);
    let order = super::critical_path::order(&links).unwrap_or_else(|| (0..links.len()).collect());
    let (starts, length) = starts(project, &links, &order);
    Arranged { way, turns, after: links.into_iter().map(|link| link.after).collect(), order, starts, length, bound: 0 }
}

fn starts(project: &Project, links: &[Link], order: &[usize]) -> (Vec<u32>, u32) {
    let mut starts: Vec<u32> = project.activities.iter().map(|a| a.not_before).collect();
    let end = |starts: &[u32], i: usize| starts[i] + links[i].lasts as u32;
    for &i in order {
        starts[i] = links[i].after.iter().map(|&before| end(&starts, before)).fold(starts[i], u32::max);
    }
    let length = (0..starts.len()).map(|i| end(&starts, i)).max().unwrap_or(0);
    (starts, length)
}

/// Swaps neighbours in a person's turns that stand against the order of the files, where that makes nothing longer: people
/// know their routine in its order, and it has its reasons.
fn in_file_order(project: &Project, arranged: &mut Arranged) {
    let count = project.activities.len();
    for _ in 0..count {
        let mut swapped = false;
        for person in 0..arranged.turns.len() {
            for place in 1..arranged.turns[person].len() {
                let (first, second) = (arranged.turns[person][place - 1], arranged.turns[person][place]);
                if first < second || project.activities[first].modes[arranged.way[first]].people.len() > 1 {
                    continue;
                }
                let mut turns = arranged.turns.clone();
                turns[person].swap(place - 1, place);
                let links = links(project, &arranged.way, &turns);
                // Without an order the swap runs against what waits for what.
                let Some(order) = super::critical_path::order(&links) else { continue };
                if starts(project, &links, &order).1 <= arranged.length {
                    *arranged = timed(project, arranged.way.clone(), turns);
                    swapped = true;
                }
            }
        }
        if !swapped {
            return;
        }
    }
}

/// Moves what somebody would do between the first sewage on their hands and the washing of them to before it, or else to after
/// it, even where that takes longer: a gas valve or a cupboard is not touched with those gloves.
fn with_clean_hands(work: &Work, project: &Project, arranged: &mut Arranged) {
    for person in 0..arranged.turns.len() {
        let spans: BTreeSet<usize> = arranged.turns[person].iter().filter_map(|&c| work.chores[c].soiled).collect();
        for span in spans {
            let soiled = |&chore: &usize| work.chores[chore].soiled == Some(span);
            let ends = |turns: &[usize]| Some((turns.iter().position(soiled)?, turns.iter().rposition(soiled)?));
            let Some((first, last)) = ends(&arranged.turns[person]) else { continue };
            let others = arranged.turns[person][first..=last].iter().copied().filter(|chore| !soiled(chore));
            let (mut earlier, mut later) = (others.clone().collect::<Vec<usize>>(), Vec::new());
            // From the back: what cannot come before the sewage comes after the soap, and so does all that waits for it.
            loop {
                let list = &arranged.turns[person];
                let mut turns = arranged.turns.clone();
                turns[person] = list[..first].iter().copied().chain(earlier.iter().copied()).collect();
                turns[person].extend(list[first..=last].iter().copied().filter(|chore| soiled(chore)));
                turns[person].extend(later.iter().copied().chain(list[last + 1..].iter().copied()));
                if super::critical_path::order(&links(project, &arranged.way, &turns)).is_some() {
                    *arranged = timed(project, arranged.way.clone(), turns);
                    break;
                }
                let Some(chore) = earlier.pop() else { break };
                later.insert(0, chore);
            }
        }
    }
}

/// Whether somebody does anything else between the first sewage on their hands and the washing of them.
fn touches_else(work: &Work, arranged: &Arranged) -> bool {
    arranged.turns.iter().any(|turns| {
        let spans: BTreeSet<usize> = turns.iter().filter_map(|&chore| work.chores[chore].soiled).collect();
        spans.into_iter().any(|span| {
            let soiled = |&chore: &usize| work.chores[chore].soiled == Some(span);
            let ends = turns.iter().position(soiled).zip(turns.iter().rposition(soiled));
            ends.is_some_and(|(first, last)| !turns[first..=last].iter().all(soiled))
        })
    })
}

impl Arranged {
    /// The chores on the longest chain, by usual times: a delay in any of them delays the end.
    pub fn critical(&self, work: &Work) -> Vec<usize> {
        let project = work.project();
        let links: Vec<Link> = self
            .after
            .iter()
            .enumerate()
            .map(|(i, after)| Link {
                lasts: f64::from(project.activities[i].modes[self.way[i]].ticks),
                after: after.clone(),
            })
            .collect();
        CriticalPath::of(&links).map(|path| path.critical()).unwrap_or_default()
    }

    /// Who does a chore.
    pub fn people<'a>(&self, work: &'a Work, chore: usize) -> &'a [usize] {
        &work.chores[chore].ways[self.way[chore]].people
    }
}

/// So many ways of sharing out whole routines are all looked at.
const MOST_CHOICES: usize = 64;
/// So many of them are given to the solver.
const MOST_SEARCHED: usize = 8;
