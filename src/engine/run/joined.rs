//! What a run carries: one routine, or several as one move, and the emergency cards beside them, flattened into one list of
//! steps with everything that must come before each of them.

use std::ops::Range;

use thiserror::Error;

use crate::routine::{Answer, Routine, RoutineKind, Section, Step, StepIndex, StepRef};

/// A routine of a move, and the routines (by id) that must be complete before it may begin.
#[derive(Clone, Debug, PartialEq)]
pub struct Leg {
    /// The routine.
    pub routine: Routine,
    /// Those that must be complete before it may begin.
    pub after: Vec<String>,
}

/// The routines of a run as one.
#[derive(Clone, Debug, PartialEq)]
pub struct Move {
    /// All steps in one list, those of the cards last. Where there is more than one routine, ids are `routine/step`.
    pub routine: Routine,
    /// The routines, and after them the cards.
    pub parts: Vec<Part>,
    /// For each step all steps that must be settled before it, of its own routine and of others.
    pub before: Vec<Vec<StepIndex>>,
    /// Asked once more in the last look.
    pub again: Vec<StepIndex>,
}

/// One routine among the steps of a [`Move`].
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Part {
    /// Id of the routine.
    pub id: String,
    /// As it is said in a sentence.
    pub title: String,
    /// Said before its first step; may be empty.
    pub intro: String,
    /// Said once its gate is passed.
    pub complete: String,
    /// Its steps in the list of all.
    pub steps: Range<StepIndex>,
    /// An emergency card has none.
    pub gate: Option<StepIndex>,
    /// Places in [`Move::parts`].
    pub after: Vec<usize>,
    /// Phrases that start it at once; empty for all but the cards.
    pub start: Vec<String>,
}

impl Part {
    /// Whether it is an emergency card.
    pub fn is_card(&self) -> bool {
        self.gate.is_none()
    }
}

/// Why routines cannot be run as one.
#[derive(Debug, Error, PartialEq, Eq)]
#[expect(missing_docs, reason = "the error texts say what each is")]
pub enum MoveError {
    #[error("move '{0}': found no routine, expected at least one")]
    Empty(String),
    #[error("move '{movement}': found routine '{routine}' twice, expected each once")]
    Twice { movement: String, routine: String },
    #[error("move '{movement}': routine '{routine}' comes after '{after}', expected a routine of this move")]
    Unknown { movement: String, routine: String, after: String },
    #[error(
        "move '{movement}': found steps that wait for each other ({steps}), expected an order in which all can be done"
    )]
    /// Steps that wait for each other.
    Cycle { movement: String, steps: String },
}

impl Move {
    /// A run of one routine. Its steps keep their ids.
    pub fn single(routine: Routine) -> Self {
        let part = part_of(&routine, 0, Vec::new());
        let before = routine.steps.iter().map(|step| step.after.clone()).collect();
        Self { routine, parts: vec![part], before, again: Vec::new() }
    }

    /// Several routines as one run. `title` is said in a sentence ("breaking camp"), `complete` is the last thing said.
    ///
    /// # Errors
    /// No routine, one twice, an unknown one after which another is to come, or steps that wait for each other.
    pub fn join(id: &str, title: &str, complete: &str, legs: Vec<Leg>) -> Result<Self, MoveError> {
        let movement = || id.to_owned();
        if legs.is_empty() {
            return Err(MoveError::Empty(movement()));
        }
        let place = |name: &str| legs.iter().position(|leg| leg.routine.id == name);
        let mut parts = Vec::new();
        let mut whole = Routine {
            id: id.to_owned(),
            title: title.to_owned(),
            intro: String::new(),
            complete: complete.to_owned(),
            ..emptied(&legs[0].routine)
        };
        let mut prints = String::new();
        for (index, leg) in legs.iter().enumerate() {
            if place(&leg.routine.id) != Some(index) {
                return Err(MoveError::Twice { movement: movement(), routine: leg.routine.id.clone() });
            }
            let mut after = Vec::new();
            for name in &leg.after {
                after.push(place(name).ok_or_else(|| MoveError::Unknown {
                    movement: movement(),
                    routine: leg.routine.id.clone(),
                    after: name.clone(),
                })?);
            }
            prints += &format!("{} after {after:?};", leg.routine.fingerprint);
            parts.push(part_of(&leg.routine, whole.steps.len(), after));
            append(&mut whole, &leg.routine, true);
        }
        whole.fingerprint = fingerprint(&prints);
        let before: Vec<Vec<StepIndex>> = whole
            .steps
            .iter()
            .map(|step| {
                let mut before = step.after.clone();
                before.extend(step.after_elsewhere.iter().flat_map(|other| find(&whole, &parts, other)));
                before.sort_unstable();
                before.dedup();
                before
            })
            .collect();
        let looked_at: Vec<StepIndex> =
            whole.steps.iter().flat_map(|step| &step.verifies).flat_map(|other| find(&whole, &parts, other)).collect();
        let again = (0..whole.steps.len()).filter(|i| whole.steps[*i].again && !looked_at.contains(i)).collect();
        let joined = Self { routine: whole, parts, before, again };
        match joined.waiting_for_each_other() {
            steps if steps.is_empty() => Ok(joined),
            steps => Err(MoveError::Cycle { movement: movement(), steps: steps.join(", ") }),
        }
    }

    /// The same with emergency cards at hand. A card does not count in the fingerprint: a run goes on when one was changed.
    #[must_use]
    pub fn with_cards(mut self, cards: &[Routine]) -> Self {
        for card in cards.iter().filter(|card| card.kind == RoutineKind::Emergency) {
            self.parts.push(part_of(card, self.routine.steps.len(), Vec::new()));
            append(&mut self.routine, card, true);
        }
        self.before = (0..self.routine.steps.len())
            .map(|i| self.before.get(i).cloned().unwrap_or_else(|| self.routine.steps[i].after.clone()))
            .collect();
        self
    }

    /// Place of the part that the step belongs to.
    pub fn part_of(&self, step: StepIndex) -> usize {
        self.parts.iter().position(|part| part.steps.contains(&step)).unwrap_or(0)
    }

    /// Place of the part that the section belongs to.
    pub fn part_of_section(&self, section: usize) -> Option<usize> {
        let steps = &self.routine.steps;
        self.parts.iter().position(|part| part.steps.clone().any(|step| steps[step].section == section))
    }

    /// The step at this place.
    pub fn step(&self, step: StepIndex) -> &Step {
        &self.routine.steps[step]
    }

    /// Place of the step with this id.
    pub fn index_of(&self, id: &str) -> Option<StepIndex> {
        self.routine.index_of(id)
    }

    /// Whether the step is a gate.
    pub fn is_gate(&self, step: StepIndex) -> bool {
        self.routine.steps[step].answer == Answer::Gate
    }

    /// Steps that count: those of the routines, the gates and cards left out.
    pub fn work(&self) -> impl Iterator<Item = StepIndex> + '_ {
        let parts = self.parts.iter().filter(|part| !part.is_card());
        parts.flat_map(|part| part.steps.clone()).filter(|&step| !self.is_gate(step))
    }

    /// The steps that this one looks at once more, as far as they are in the run.
    pub fn looked_at_by(&self, step: StepIndex) -> Vec<StepIndex> {
        self.step(step).verifies.iter().flat_map(|other| find(&self.routine, &self.parts, other)).collect()
    }

    /// Whether several routines are run as one.
    pub fn is_move(&self) -> bool {
        self.parts.iter().filter(|part| !part.is_card()).count() > 1
    }

    /// The part whose gate ends the run: the last one that no other part waits for.
    pub fn last_part(&self) -> usize {
        self.parts.iter().rposition(|part| !part.is_card()).unwrap_or(0)
    }

    /// Steps that can never be done, for they wait for each other. Empty when there is an order.
    fn waiting_for_each_other(&self) -> Vec<String> {
        let mut settled = vec![false; self.routine.steps.len()];
        loop {
            let part_done = |part: usize| self.parts[part].steps.clone().all(|step| settled[step]);
            let next = (0..settled.len()).find(|&step| {
                !settled[step]
                    && self.before[step].iter().all(|&before| settled[before])
                    && self.parts[self.part_of(step)].after.iter().all(|&part| part_done(part))
            });
            match next {
                Some(step) => settled[step] = true,
                None => break,
            }
        }
        (0..settled.len()).filter(|&i| !settled[i]).map(|i| self.routine.steps[i].id.clone()).collect()
    }
}

fn emptied(like: &Routine) -> Routine {
    Routine {
        kind: RoutineKind::Work,
        start: Vec::new(),
        sections: Vec::new(),
        steps: Vec::new(),
        fingerprint: String::new(),
        ..like.clone()
    }
}

fn part_of(routine: &Routine, first: StepIndex, after: Vec<usize>) -> Part {
    let gate = routine.steps.iter().rposition(|step| step.answer == Answer::Gate).map(|gate| first + gate);
    Part {
        id: routine.id.clone(),
        title: routine.title.clone(),
        intro: routine.intro.clone(),
        complete: routine.complete.clone(),
        steps: first..first + routine.steps.len(),
        gate: gate.filter(|_| routine.kind != RoutineKind::Emergency),
        after,
        start: if routine.kind == RoutineKind::Emergency { routine.start.clone() } else { Vec::new() },
    }
}

/// Adds the sections and steps of `routine`, with every reference moved to its new place.
fn append(whole: &mut Routine, routine: &Routine, prefixed: bool) {
    let (first, sections) = (whole.steps.len(), whole.sections.len());
    whole.sections.extend(routine.sections.iter().map(|section| Section { ..section.clone() }));
    whole.steps.extend(routine.steps.iter().cloned().map(|mut step| {
        if prefixed {
            step.id = format!("{}/{}", routine.id, step.id);
        }
        step.section += sections;
        step.after.iter_mut().for_each(|before| *before += first);
        step.during = step.during.map(|clock| clock + first);
        if let Answer::YesNo(question) = &mut step.answer
            && let Some(back) = &mut question.back
        {
            back.back_to += first;
        }
        step
    }));
}

/// The steps that a reference stands for: none where the rig or the move lacks it, several where it is repeated.
fn find(whole: &Routine, parts: &[Part], other: &StepRef) -> Vec<StepIndex> {
    let Some(part) = parts.iter().find(|part| part.id == other.routine) else { return Vec::new() };
    let id = format!("{}/{}", other.routine, other.step);
    let each = format!("{id}@");
    part.steps.clone().filter(|&step| whole.steps[step].id == id || whole.steps[step].id.starts_with(&each)).collect()
}

/// FNV-1a.
fn fingerprint(text: &str) -> String {
    let mut hash: u64 = 0xcbf2_9ce4_8422_2325;
    for byte in text.bytes() {
        hash = (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3);
    }
    format!("{hash:016x}")
}
