//! What those who know their part are not asked for: turns of a signal that are only announced, or that say what the same person has said in the
//! same breath. No signal ends without an answer.

use super::joined::Move;
use super::people::PersonIndex;
use super::state::{RunState, StepState};
use crate::routine::{Answer, StepIndex, Turn};

impl RunState {
    /// The turn that a signal is at, and whose it is; nothing where the step is no signal.
    pub(in crate::engine) fn turn_now<'a>(
        &self,
        job: &'a Move,
        step: StepIndex,
    ) -> Option<(usize, &'a Turn, PersonIndex)> {
        let Answer::Both(both) = &job.step(step).answer else { return None };
        let place = self.turns.get(&step).copied().unwrap_or(0).min(both.turns.len() - 1);
        Some((place, &both.turns[place], self.turn_of(step, &both.turns, place)))
    }

    /// Whether the turn is one that a person who knows it is told, and does not answer.
    pub(in crate::engine) fn is_announced(&self, job: &Move, step: StepIndex) -> bool {
        self.turn_now(job, step).is_some_and(|(_, turn, person)| turn.announced && self.people[person].knows(turn.role))
    }

    /// Whether the turn says what this person, who knows it, has settled last.
    pub(in crate::engine) fn was_given(&self, job: &Move, step: StepIndex, by: PersonIndex) -> bool {
        let answered = |at: StepIndex| matches!(self.steps[at], StepState::Answered(_));
        let last = self
            .trail
            .last()
            .filter(|last| last.by == by && answered(last.step) && job.part_of(last.step) == job.part_of(step));
        self.turn_now(job, step).is_some_and(|(_, turn, person)| {
            let same = |id: &str| last.is_some_and(|last| job.step(last.step).is_called(id));
            person == by && !turn.given_by.is_empty() && self.people[by].knows(turn.role) && same(&turn.given_by)
        })
    }
}
