//! The shortest schedule: bounds and quick schedules first, and what they leave open settled by a constraint solver.
//!
//! The solver is Pumpkin (lazy clause generation). It is given a budget of work and not of time, so that the same project gives
//! the same plan on every machine.

use std::ops::ControlFlow;

use pumpkin_conflict_resolvers::resolvers::ResolutionResolver;
use pumpkin_constraints::{cumulative, equals, less_than_or_equals};
use pumpkin_core::optimisation::OptimisationDirection;
use pumpkin_core::optimisation::linear_sat_unsat::LinearSatUnsat;
use pumpkin_core::results::{OptimisationResult, ProblemSolution, Solution, SolutionReference};
use pumpkin_core::termination::TerminationCondition;
use pumpkin_core::variables::{AffineView, DomainId, Literal, TransformableVariable};
use pumpkin_core::{DefaultBrancher, Solver};

use super::bounds::{Reach, least_length, reach};
use super::list_schedule::{best_of, pushed_forward};
use super::project::{MOST_TICKS, Project, ProjectError, Schedule};

/// A schedule, and how much shorter one could be at most.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Solved {
    pub schedule: Schedule,
    /// No schedule of the project is shorter than this, in ticks.
    pub bound: u32,
}

impl Solved {
    /// Whether it is proven that none is shorter.
    pub fn is_shortest(&self) -> bool {
        self.bound == self.schedule.length
    }
}

/// How much work is spent on one project.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Effort {
    /// Quick schedules that are tried first.
    pub tries: u32,
    /// Steps of the solver's search; about ten thousand a second on 60 activities. 0: it is not asked.
    pub search: u64,
}

impl Default for Effort {
    fn default() -> Self {
        Self { tries: 12_000, search: 10_000 }
    }
}

/// Finds a shortest schedule, or the shortest that the effort allows, with the bound that is proven.
///
/// # Errors
/// The project is faulty, or nothing keeps its earliest starts and latest ends.
pub fn solve(project: &Project, effort: Effort) -> Result<Solved, ProjectError> {
    let order = project.order()?;
    if order.is_empty() {
        return Ok(Solved { schedule: Schedule { starts: vec![], modes: vec![], length: 0 }, bound: 0 });
    }
    let reach = reach(project, &order);
    let least = least_length(project, &reach);
    let quick = best_of(project, &reach, least, effort.tries);
    if let Some(schedule) = quick.as_ref().filter(|quick| quick.length <= least) {
        return Ok(Solved { bound: schedule.length, schedule: schedule.clone() });
    }
    if effort.search == 0 {
        return quick.map(|schedule| Solved { schedule, bound: least }).ok_or(ProjectError::NoneFound);
    }
    // Only what is shorter than the quick one is of use.
    let below = quick.as_ref().map(|quick| quick.length - 1);
    let tidy = |found: &Schedule| pushed_forward(project, found);
    match (search(project, &reach, least, below, effort.search), quick) {
        (Outcome::Shortest(found), _) => {
            let schedule = tidy(&found);
            Ok(Solved { bound: schedule.length, schedule })
        }
        (Outcome::Found(found), _) => Ok(Solved { schedule: tidy(&found), bound: least }),
        (Outcome::Nothing, Some(quick)) => Ok(Solved { bound: quick.length, schedule: quick }),
        (Outcome::GaveUp, Some(quick)) => Ok(Solved { schedule: quick, bound: least }),
        (Outcome::Nothing, None) => Err(ProjectError::NoFit),
        (Outcome::GaveUp, None) => Err(ProjectError::NoneFound),
    }
}

enum Outcome {
    Shortest(Schedule),
    Found(Schedule),
    /// Proven that there is none within the length allowed.
    Nothing,
    GaveUp,
}

fn search(project: &Project, reach: &Reach, least: u32, below: Option<u32>, steps: u64) -> Outcome {
    let longest = below.unwrap_or_else(|| longest_length(project));
    let Some(mut model) = Model::of(project, reach, least, longest) else { return Outcome::Nothing };
    let mut brancher = model.solver.default_brancher();
    let mut resolver = ResolutionResolver::default();
    let go_on =
        |_: &Solver, _: SolutionReference<'_>, _: &DefaultBrancher, _: &ResolutionResolver| -> ControlFlow<()> {
            ControlFlow::Continue(())
        };
    let aim = LinearSatUnsat::new(OptimisationDirection::Minimise, model.length, go_on);
    let result = model.solver.optimise(&mut brancher, &mut Steps(steps), &mut resolver, aim);
    match result {
        OptimisationResult::Optimal(solution) => Outcome::Shortest(model.read(&solution)),
        OptimisationResult::Satisfiable(solution) | OptimisationResult::Stopped(solution, ()) => {
            Outcome::Found(model.read(&solution))
        }
        OptimisationResult::Unsatisfiable => Outcome::Nothing,
        OptimisationResult::Unknown => Outcome::GaveUp,
    }
}

/// One after the other, from the last earliest start.
fn longest_length(project: &Project) -> u32 {
    let all: u64 = project.activities.iter().filter_map(|a| a.modes.iter().map(|m| u64::from(m.ticks)).max()).sum();
    let last = project.activities.iter().map(|a| u64::from(a.not_before)).max().unwrap_or(0);
    u32::try_from(all + last).unwrap_or(u32::MAX)
}

/// Counts the solver's own steps: a limit in time would make the plan depend on how busy the machine is.
struct Steps(u64);

impl TerminationCondition for Steps {
    fn should_stop(&mut self) -> bool {
        self.0 = self.0.saturating_sub(1);
        self.0 == 0
    }
}

/// The project in the solver's terms.
struct Model {
    solver: Solver,
    starts: Vec<DomainId>,
    ends: Vec<AffineView<DomainId>>,
    /// For each activity one literal a mode; none where there is only one mode.
    chosen: Vec<Vec<Literal>>,
    length: DomainId,
}

impl Model {
    /// None where the bounds leave an activity no place.
    fn of(project: &Project, reach: &Reach, least: u32, longest: u32) -> Option<Self> {
        if least > longest {
            return None;
        }
        let mut solver = Solver::default();
        let length = solver.new_bounded_integer(int(least), int(longest));
        let mut model = Self { solver, starts: vec![], ends: vec![], chosen: vec![], length };
        for (index, activity) in project.activities.iter().enumerate() {
            let by = activity.done_by.map_or(longest, |by| by.min(longest));
            let latest = by.min(longest).checked_sub(activity.least())?.min(longest.checked_sub(reach.tails[index])?);
            if reach.heads[index] > latest {
                return None;
            }
            let start = model.solver.new_bounded_integer(int(reach.heads[index]), int(latest));
            model.starts.push(start);
            let chosen = model.choose_mode(activity.modes.len());
            let end = model.end_of(start, activity, &chosen, reach.heads[index] + activity.least(), by);
            model.ends.push(end);
            model.chosen.push(chosen);
            model.at_most(&[end, length.scaled(-1)], 0);
        }
        for (index, activity) in project.activities.iter().enumerate() {
            for &before in &activity.after {
                model.at_most(&[model.ends[before], model.starts[index].scaled(-1)], 0);
            }
        }
        model.keep_people_apart(project);
        model.share_out(project);
        model.keep_to_capacity(project);
        Some(model)
    }

    fn choose_mode(&mut self, modes: usize) -> Vec<Literal> {
        if modes < 2 {
            return vec![];
        }
        let first = self.solver.new_literal();
        if modes == 2 {
            return vec![first, !first];
        }
        let chosen: Vec<Literal> =
            std::iter::once(first).chain((1..modes).map(|_| self.solver.new_literal())).collect();
        self.clause(chosen.iter().copied());
        for (place, &one) in chosen.iter().enumerate() {
            for &other in &chosen[place + 1..] {
                self.clause([!one, !other]);
            }
        }
        chosen
    }

    fn end_of(
        &mut self,
        start: DomainId,
        activity: &super::project::Activity,
        chosen: &[Literal],
        soonest: u32,
        latest: u32,
    ) -> AffineView<DomainId> {
        let fixed = activity.modes[0].ticks;
        if activity.modes.iter().all(|mode| mode.ticks == fixed) {
            return start.scaled(1).offset(int(fixed));
        }
        let end = self.solver.new_bounded_integer(int(soonest), int(latest)).scaled(1);
        let mut sum = vec![start.scaled(1), end.scaled(-1)];
        sum.extend(
            chosen.iter().zip(&activity.modes).map(|(choice, m)| choice.get_integer_variable().scaled(int(m.ticks))),
        );
        let tag = self.solver.new_constraint_tag();
        self.solver.add_constraint(equals(sum, 0, tag)).post();
        end
    }

    /// Of two activities that take the same person, one ends before the other begins.
    fn keep_people_apart(&mut self, project: &Project) {
        let far = Ordered::of(project);
        for one in 0..project.activities.len() {
            for other in one + 1..project.activities.len() {
                if far.ordered(one, other) {
                    continue;
                }
                let mut either: Option<[Literal; 2]> = None;
                for (m, mode) in project.activities[one].modes.iter().enumerate() {
                    for (n, with) in project.activities[other].modes.iter().enumerate() {
                        if mode.ticks == 0 || with.ticks == 0 || !mode.people.iter().any(|p| with.people.contains(p)) {
                            continue;
                        }
                        let [first, second] = *either.get_or_insert_with(|| self.before_or_after(one, other));
                        let mut clause = vec![first, second];
                        clause.extend(self.chosen[one].get(m).map(|&choice| !choice));
                        clause.extend(self.chosen[other].get(n).map(|&choice| !choice));
                        self.clause(clause);
                    }
                }
            }
        }
    }

    fn before_or_after(&mut self, one: usize, other: usize) -> [Literal; 2] {
        [(one, other), (other, one)].map(|(first, second)| {
            let literal = self.solver.new_literal();
            let tag = self.solver.new_constraint_tag();
            let terms = vec![self.ends[first], self.starts[second].scaled(-1)];
            self.solver.add_constraint(less_than_or_equals(terms, 0, tag)).implied_by(literal);
            literal
        })
    }

    /// What follows from the rest, and lets the solver see sooner that a length cannot be reached: nobody works longer than
    /// the whole, and no more people are busy at once than there are.
    fn share_out(&mut self, project: &Project) {
        for person in 0..project.people {
            let mut terms = vec![self.length.scaled(-1)];
            let mut fixed = 0_u32;
            for (activity, chosen) in project.activities.iter().zip(&self.chosen) {
                for (place, mode) in activity.modes.iter().enumerate().filter(|(_, m)| m.people.contains(&person)) {
                    match chosen.get(place) {
                        Some(choice) => terms.push(choice.get_integer_variable().scaled(int(mode.ticks))),
                        None => fixed += mode.ticks,
                    }
                }
            }
            self.at_most(&terms, -int(fixed));
        }
        let all = project.activities.iter().enumerate();
        let busy: Vec<(usize, i32, i32)> = all
            .map(|(i, a)| {
                let people = a.modes.iter().map(|m| m.people.len()).min().unwrap_or(0);
                (i, int(a.least()), i32::try_from(people).unwrap_or(0))
            })
            .collect();
        self.at_once(&busy, i32::try_from(project.people).unwrap_or(i32::MAX));
    }

    fn keep_to_capacity(&mut self, project: &Project) {
        for (shared, &capacity) in project.shared.iter().enumerate() {
            let all = project.activities.iter().enumerate();
            let users: Vec<(usize, i32, i32)> =
                all.map(|(i, a)| (i, int(a.least()), int(a.uses.get(shared).copied().unwrap_or(0)))).collect();
            self.at_once(&users, int(capacity));
        }
    }

    /// At no time the weights of the activities under way (with these lengths) are more than `most`.
    fn at_once(&mut self, users: &[(usize, i32, i32)], most: i32) {
        let users: Vec<_> = users.iter().filter(|(_, ticks, weight)| *ticks > 0 && *weight > 0).collect();
        if users.len() < 2 {
            return;
        }
        let tag = self.solver.new_constraint_tag();
        let starts: Vec<DomainId> = users.iter().map(|(i, ..)| self.starts[*i]).collect();
        let ticks: Vec<i32> = users.iter().map(|(_, ticks, _)| *ticks).collect();
        let weights: Vec<i32> = users.iter().map(|(.., weight)| *weight).collect();
        self.solver.add_constraint(cumulative(starts, ticks, weights, most, tag)).post();
    }

    fn at_most(&mut self, terms: &[AffineView<DomainId>], most: i32) {
        let tag = self.solver.new_constraint_tag();
        self.solver.add_constraint(less_than_or_equals(terms.to_vec(), most, tag)).post();
    }

    fn clause(&mut self, literals: impl IntoIterator<Item = Literal>) {
        let tag = self.solver.new_constraint_tag();
        let predicates: Vec<_> = literals.into_iter().map(|literal| literal.get_true_predicate()).collect();
        self.solver.add_clause(predicates, tag);
    }

    fn read(&self, solution: &Solution) -> Schedule {
        let value = |variable: DomainId| u32::try_from(solution.get_integer_value(variable)).unwrap_or(0);
        let modes = self
            .chosen
            .iter()
            .map(|chosen| chosen.iter().position(|&choice| solution.get_literal_value(choice)).unwrap_or(0))
            .collect();
        Schedule { starts: self.starts.iter().map(|&s| value(s)).collect(), modes, length: value(self.length) }
    }
}

/// Which activities are kept apart by the orders already.
struct Ordered(Vec<Vec<bool>>);

impl Ordered {
    fn of(project: &Project) -> Self {
        let count = project.activities.len();
        let mut before = vec![vec![false; count]; count];
        // `solve` has checked that there is an order.
        for i in project.order().unwrap_or_default() {
            for &earlier in &project.activities[i].after {
                let of_earlier = before[earlier].clone();
                before[i].iter_mut().zip(of_earlier).for_each(|(mine, theirs)| *mine |= theirs);
                before[i][earlier] = true;
            }
        }
        Self(before)
    }

    fn ordered(&self, one: usize, other: usize) -> bool {
        self.0[one][other] || self.0[other][one]
    }
}

/// [`Project::order`] has refused what would not fit.
fn int(ticks: u32) -> i32 {
    const { assert!(MOST_TICKS < (1 << 30)) };
    i32::try_from(ticks).unwrap_or(i32::MAX)
}
