//! What there is to do in a move: the steps of its routines as chores, with who can do each, how long it takes them, and what
//! waits for what.

use std::collections::{BTreeMap, BTreeSet};

use thiserror::Error;

use super::belief::Belief;
use super::durations::{Durations, LoopCount, Usual};
use super::project::{Activity, Mode, Project, ProjectError};
use super::rounds::{Round, Rounds};
use super::steps::{dirty_before, name_of, part_of, takes_all};
use crate::routine::{Answer, Role, Routine, RoutineKind, Step, StepIndex, Touches};

/// Somebody who takes part.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PlannedPerson {
    pub name: String,
    /// What they do. Nobody with a role: anybody does it.
    pub roles: Vec<Role>,
    /// What they need no practice in, whatever the journal knows.
    pub practised: Vec<Role>,
}

impl PlannedPerson {
    /// Whether the person needs no practice in a role; in what is anybody's, if they need none in any.
    pub fn is_practised(&self, role: Role) -> bool {
        match role {
            Role::Either => !self.practised.is_empty(),
            role => self.practised.contains(&role),
        }
    }
}

/// One step, or one round of it where a loop goes round more than once.
#[derive(Clone, Debug, PartialEq)]
pub struct Chore {
    /// `routine/step`, as durations are learned by it.
    pub key: String,
    /// Title of the routine, and of its section.
    pub routine: String,
    /// What it is a part of, as it is said: the routine, or the one that this has it from.
    pub part: String,
    pub section: String,
    pub name: String,
    /// Counted from 1.
    pub round: u32,
    pub critical: bool,
    pub daylight: bool,
    /// It goes on by itself, as long whoever waits for it.
    pub wait: bool,
    /// A clock tells when it is over, however the morning goes.
    pub by_clock: bool,
    /// Who can do it and how long it takes them. What leaves everybody's hands free ([`Step::frees_hands`]) has one way, without
    /// anybody, unless there is sewage on them: then nothing else is touched meanwhile.
    pub ways: Vec<Way>,
    pub after: Vec<usize>,
    /// What is done by the same person while it lasts (steps during a clock). It lasts at least as long as they.
    pub meanwhile: Vec<(String, Belief)>,
    /// Between the first sewage on somebody's hands and the soap, both included: the number of that spell.
    pub soiled: Option<usize>,
    /// Steps of one routine that are anybody's go to one person, who carries them to its end: the number of that routine.
    pub carried: Option<usize>,
    /// Further rounds that may come after this one, where it is a loop's last question that is planned for.
    pub once_more: Option<OnceMore>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Way {
    /// Numbers of the people it takes; nobody: hands are free.
    pub people: Vec<usize>,
    pub belief: Belief,
}

/// A loop that may go round again.
#[derive(Clone, Debug, PartialEq)]
pub struct OnceMore {
    /// Chores of the round that ends here, this one among them.
    pub round: Vec<usize>,
    /// Which of them belong to rounds planned before the last one, by round from the second on.
    pub planned: Vec<Vec<usize>>,
    /// At most so many rounds in all.
    pub most: u32,
    /// Weight of the yes and of the no to "once more?", as of a Beta distribution.
    pub again: f64,
    pub enough: f64,
}

/// A whole move.
#[derive(Clone, Debug, PartialEq)]
pub struct Work {
    pub hands: Vec<String>,
    pub chores: Vec<Chore>,
}

/// Why a move cannot be planned.
#[derive(Clone, Debug, Error, PartialEq, Eq)]
pub enum WorkError {
    #[error("nobody takes part; name at least one person")]
    Nobody,
    #[error("no routine is named; name at least one")]
    NoRoutine,
    #[error("'{0}' is a card for an emergency, and is not planned for; name a routine that is worked through")]
    Emergency(String),
    #[error("'{0}' is named twice; name each routine once")]
    Twice(String),
    #[error("'{step}' waits for '{other}', which stands in a later part; name the other routine before or beside it")]
    Backwards { step: String, other: String },
}

/// What is known beforehand about a move's times.
pub struct Known<'a> {
    pub durations: &'a Durations,
    /// Questions of loops by `routine/step`.
    pub loops: &'a BTreeMap<String, LoopCount>,
    /// Somebody's own times by `routine/step`; they take the place of what the file says.
    pub own: &'a BTreeMap<String, Usual>,
}

/// Puts a move together. Routines of one part are worked side by side; a part begins when the one before is done.
///
/// # Errors
/// Nobody, no routine, one named twice, an emergency card, or an order that runs against the parts.
pub fn put_together(parts: &[Vec<&Routine>], hands: &[PlannedPerson], known: &Known<'_>) -> Result<Work, WorkError> {
    let work = build(parts, hands, known, true)?;
    // Orders between routines can run against the order of a file; then only what is written as an order holds.
    if matches!(work.project().order(), Err(ProjectError::Cycle(_))) {
        return build(parts, hands, known, false);
    }
    Ok(work)
}

fn build(
    parts: &[Vec<&Routine>],
    hands: &[PlannedPerson],
    known: &Known<'_>,
    keep_file_order: bool,
) -> Result<Work, WorkError> {
    if hands.is_empty() {
        return Err(WorkError::Nobody);
    }
    if parts.iter().all(Vec::is_empty) {
        return Err(WorkError::NoRoutine);
    }
    let planned = parts.iter().flatten().map(|routine| routine.id.as_str()).collect();
    let mut builder =
        Builder { hands, known, keep_file_order, planned, chores: Vec::new(), begun: 0, last: BTreeMap::new() };
    let mut seen = BTreeSet::new();
    let mut gates: Vec<usize> = Vec::new();
    for part in parts {
        let mut of_part = Vec::new();
        for routine in part {
            if routine.kind == RoutineKind::Emergency {
                return Err(WorkError::Emergency(routine.id.clone()));
            }
            if !seen.insert(routine.id.as_str()) {
                return Err(WorkError::Twice(routine.id.clone()));
            }
            of_part.push(builder.add(routine, &gates));
        }
        for routine in part {
            builder.tie(routine, parts)?;
        }
        gates = of_part;
    }
    Ok(Work { hands: hands.iter().map(|hand| hand.name.clone()).collect(), chores: builder.chores })
}

/// `routine/step` of a step; one of an included routine has that form already.
pub fn key_of(routine: &str, step: &str) -> String {
    if step.contains('/') { step.to_owned() } else { format!("{routine}/{step}") }
}

/// What practice counts for.
pub fn skill_of(routine: &str, role: Role) -> String {
    match role {
        Role::Outside => "outside",
        Role::Inside => "inside",
        Role::Driver => "driver",
        Role::Spotter => "spotter",
        Role::Either => routine,
    }
    .to_owned()
}

struct Builder<'a> {
    hands: &'a [PlannedPerson],
    known: &'a Known<'a>,
    /// Steps come in the order in which a run asks for them, beyond what is written as an order: a critical step after what stands
    /// before it in its section; one that names nothing that it comes after, and one that is anybody's, after earlier sections.
    keep_file_order: bool,
    /// Routines of the move.
    planned: BTreeSet<&'a str>,
    chores: Vec<Chore>,
    /// How many routines have been begun.
    begun: usize,
    /// The last chore of each step, by key.
    last: BTreeMap<String, usize>,
}

impl Builder<'_> {
    /// Adds a routine's steps; what waits for nothing in it waits for `gates`. Gives its last chore.
    fn add(&mut self, routine: &Routine, gates: &[usize]) -> usize {
        let steps = &routine.steps;
        let begin = self.chores.len();
        // Chores of each step, one a round. A step during a clock is part of that clock's.
        let mut places: Vec<Vec<usize>> = vec![Vec::new(); steps.len()];
        let rounds = Rounds::of(routine, self.known);
        let number = self.begun;
        self.begun += 1;
        let waits_elsewhere = self.waits_elsewhere(routine);
        let mut index = 0;
        while index < steps.len() {
            let round_of = rounds.around(index);
            let (end, count) = round_of.map_or((index, 1), |r| (r.question, r.planned));
            for round in 1..=count {
                // A further round begins where the one before has ended.
                let before = if round > 1 { vec![self.chores.len() - 1] } else { gates.to_vec() };
                for (at, step) in steps.iter().enumerate().take(end + 1).skip(index) {
                    if round == 1 || !step.once {
                        let turn = Turn { at, round, of_loop: index, number };
                        self.add_step(routine, &turn, &mut places, &before, &waits_elsewhere);
                    }
                }
            }
            if let Some(r) = round_of {
                self.close_loop(r, &places, steps);
            }
            index = end + 1;
        }
        let gate = self.chores.len() - 1;
        if matches!(steps.last().map(|s| &s.answer), Some(Answer::Gate)) {
            // Where the rig has nothing of it but the gate, that waits for what comes before the routine.
            let own: Vec<usize> = (begin..gate).collect();
            self.chores[gate].after = if own.is_empty() { gates.to_vec() } else { own };
        }
        for (at, step) in steps.iter().enumerate() {
            if let Some(&last) = places[at].last() {
                self.last.insert(key_of(&routine.id, &step.id), last);
            }
        }
        gate
    }

    /// Steps that are held back by another routine of the move or go on with everybody's hands free, and all that come after such
    /// a step: nobody of this routine waits for them.
    fn waits_elsewhere(&self, routine: &Routine) -> Vec<bool> {
        let mut waits: Vec<bool> = Vec::with_capacity(routine.steps.len());
        for step in &routine.steps {
            waits.push(
                self.held_by_others(step)
                    || step.frees_hands()
                    || step.after.iter().any(|&before| waits.get(before).is_some_and(|w| *w)),
            );
        }
        waits
    }

    fn held_by_others(&self, step: &Step) -> bool {
        step.after_elsewhere.iter().any(|other| self.planned.contains(other.routine.as_str()))
    }

    fn add_step(
        &mut self,
        routine: &Routine,
        turn: &Turn,
        places: &mut [Vec<usize>],
        begin: &[usize],
        waits_elsewhere: &[bool],
    ) {
        let &Turn { at, round, of_loop, number } = turn;
        let step = &routine.steps[at];
        // Inside its loop a step follows those of its own round, after it the last round of all.
        let of_round = |before: StepIndex| {
            let own = places[before].get(round as usize - 1).filter(|_| before >= of_loop);
            own.or(places[before].last()).copied()
        };
        let names_nothing = step.after.is_empty() && !self.held_by_others(step) || step.role == Role::Either;
        let mut after: Vec<usize> = step.after.iter().filter_map(|&before| of_round(before)).collect();
        if let Some(clock) = step.during.and_then(of_round) {
            // Whatever it waits for, the clock's chore waits for too: it is part of that.
            let ways = self.ways(routine, at);
            let slowest = ways.iter().map(|w| w.belief).max_by(|a, b| a.median_s.total_cmp(&b.median_s));
            self.chores[clock].meanwhile.extend(slowest.map(|belief| (name_of(step), belief)));
            after.retain(|&b| b != clock);
            self.chores[clock].after.extend(after.into_iter().filter(|&b| b < clock));
            places[at].push(clock);
            return;
        }
        if round > 1 || after.is_empty() {
            after.extend(begin);
        }
        if self.keep_file_order {
            let first = |other: &Step| {
                let same = other.section == step.section && other.role == step.role;
                let earlier = other.section < step.section;
                step.critical() && same || names_nothing && earlier
            };
            let before = (0..at).filter(|&other| first(&routine.steps[other]) && !waits_elsewhere[other]);
            after.extend(before.filter_map(of_round));
        }
        after.sort_unstable();
        after.dedup();
        places[at].push(self.chores.len());
        self.chores.push(Chore {
            key: key_of(&routine.id, &step.id),
            routine: routine.title.clone(),
            section: routine.sections.get(step.section).map(|s| s.title.clone()).unwrap_or_default(),
            name: name_of(step),
            round,
            critical: step.critical(),
            daylight: step.daylight,
            wait: step.goes_on_by_itself(),
            by_clock: matches!(step.answer, Answer::Clock(_)),
            part: part_of(routine, step),
            ways: self.ways(routine, at),
            after,
            meanwhile: Vec::new(),
            soiled: self.spell(routine, at),
            carried: (step.role == Role::Either && !takes_all(step)).then_some(number),
            once_more: None,
        });
    }

    fn close_loop(&mut self, round: &Round, places: &[Vec<usize>], steps: &[Step]) {
        let Some(&question) = places[round.question].last() else { return };
        let of = |r: u32| -> Vec<usize> {
            (round.back_to..=round.question)
                .filter(|&at| !steps[at].once && steps[at].during.is_none())
                .filter_map(|at| places[at].get(r as usize - 1).copied())
                .collect()
        };
        self.chores[question].once_more = Some(OnceMore {
            round: of(round.planned),
            planned: (2..=round.planned).map(of).collect(),
            most: round.most,
            again: round.again,
            enough: round.enough,
        });
    }

    fn ways(&self, routine: &Routine, at: StepIndex) -> Vec<Way> {
        let step = &routine.steps[at];
        let key = key_of(&routine.id, &step.id);
        let usual = self.known.own.get(&key).copied().unwrap_or(Usual::File(step.usual.as_secs_f64()));
        if step.goes_on_by_itself() {
            let belief = self.known.durations.of("", &key, true, usual);
            // What is asked for while its clock runs is somebody's.
            let beside = routine.steps.iter().any(|other| other.during == Some(at));
            if step.frees_hands() && !beside && !dirty_before(routine, at) {
                return vec![Way { people: vec![], belief }];
            }
            return self.able(step).into_iter().map(|person| Way { people: vec![person], belief }).collect();
        }
        let skill = skill_of(&routine.id, step.role);
        let alone = |person: usize| {
            let hand = &self.hands[person];
            self.known.durations.in_practice(&hand.name, &skill, &key, usual, hand.is_practised(step.role))
        };
        let everybody: Vec<usize> = (0..self.hands.len()).collect();
        if takes_all(step) && self.hands.len() > 1 {
            let pairs = everybody.iter().flat_map(|&one| everybody[one + 1..].iter().map(move |&other| [one, other]));
            // Both wait for the slower of them.
            let slower = |pair: [usize; 2]| {
                let [one, other] = pair.map(alone);
                if one.median_s > other.median_s { one } else { other }
            };
            return pairs.map(|pair| Way { people: pair.to_vec(), belief: slower(pair) }).collect();
        }
        self.able(step).into_iter().map(|person| Way { people: vec![person], belief: alone(person) }).collect()
    }

    /// The spell of dirty hands that a step belongs to; a new one where none goes on. What somebody else does meanwhile belongs to none.
    fn spell(&self, routine: &Routine, at: StepIndex) -> Option<usize> {
        let step = &routine.steps[at];
        let before = dirty_before(routine, at);
        let touched = routine.steps[..at].iter().rev().find(|earlier| earlier.touches == Touches::Sewage);
        let same_hands = touched.is_none_or(|earlier| self.able(earlier) == self.able(step));
        let dirty = (before && same_hands) || step.touches == Touches::Sewage;
        let last = self.chores.iter().rev().find_map(|chore| chore.soiled).filter(|_| before);
        dirty.then(|| last.unwrap_or(self.chores.len()))
    }

    /// Who does a step of this role.
    fn able(&self, step: &Step) -> Vec<usize> {
        let everybody: Vec<usize> = (0..self.hands.len()).collect();
        let filled = |role: Role| self.hands.iter().any(|hand| hand.roles.contains(&role));
        // Who has no spotter sends whoever is outside, who has no driver whoever is inside.
        let role = match step.role {
            Role::Spotter if !filled(Role::Spotter) => Role::Outside,
            Role::Driver if !filled(Role::Driver) => Role::Inside,
            role => role,
        };
        let has_role = |&person: &usize| role != Role::Either && self.hands[person].roles.contains(&role);
        let mut able: Vec<usize> = everybody.iter().copied().filter(has_role).collect();
        if able.is_empty() {
            able = everybody;
        }
        able
    }

    /// Ties the routine's steps to steps of other routines that they wait for.
    fn tie(&mut self, routine: &Routine, parts: &[Vec<&Routine>]) -> Result<(), WorkError> {
        for step in &routine.steps {
            let key = key_of(&routine.id, &step.id);
            for other in &step.after_elsewhere {
                let wanted = key_of(&other.routine, &other.step);
                let repeated = format!("{wanted}@");
                let found: Vec<usize> = self
                    .last
                    .iter()
                    .filter(|(k, _)| **k == wanted || k.starts_with(&repeated))
                    .map(|(_, &chore)| chore)
                    .collect();
                let planned =
                    parts.iter().flatten().any(|r| r.id == other.routine && r.index_of(&other.step).is_some());
                if found.is_empty() && planned {
                    return Err(WorkError::Backwards { step: key, other: wanted });
                }
                for chore in self.chores.iter_mut().filter(|chore| chore.key == key && chore.round == 1) {
                    chore.after.extend(&found);
                }
            }
        }
        Ok(())
    }
}

/// Which step is added, in which round of the loop that begins at `of_loop`, of which routine.
struct Turn {
    at: StepIndex,
    round: u32,
    of_loop: StepIndex,
    number: usize,
}

impl Work {
    /// The scheduling problem. A tick is [`TICK_S`] seconds.
    pub fn project(&self) -> Project {
        let activities = self.chores.iter().map(|chore| {
            let meanwhile: f64 = chore.meanwhile.iter().map(|(_, belief)| belief.median_s).sum();
            let modes = chore
                .ways
                .iter()
                .map(|way| Mode { people: way.people.clone(), ticks: ticks(way.belief.median_s.max(meanwhile)) });
            Activity { modes: modes.collect(), after: chore.after.clone(), ..Activity::default() }
        });
        Project { people: self.hands.len(), shared: vec![], activities: activities.collect() }
    }
}

/// Whole ticks, at least one.
pub fn ticks(seconds: f64) -> u32 {
    (seconds / f64::from(TICK_S)).round().clamp(1.0, 1e6) as u32
}

/// Seconds in a tick. Nobody plans a morning finer, and the solver is quicker with small numbers.
pub const TICK_S: u32 = 15;
