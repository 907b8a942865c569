//! Several steps as one call: a stretch of what cannot hurt, in one place, for somebody who knows it. Flight crews do a flow and then verify it
//! (NASA CR-177549); that one answer stands for several things is a step of our own beyond that, and so it is for nothing that can hurt.

use super::joined::Move;
use super::people::PersonIndex;
use super::state::RunState;
use crate::routine::{Answer, StepIndex, Touches};

impl RunState {
    /// The steps that this person is asked for in one call, the one that is asked for first; none where they are asked one by one.
    pub fn stretch_of(&self, person: PersonIndex) -> &[StepIndex] {
        let hand = &self.people[person];
        match hand.current {
            Some(step) if hand.stretch.len() > 1 && hand.stretch.contains(&step) && self.is_open(step) => &hand.stretch,
            _ => &[],
        }
    }

    /// Whether the person is asked for the step, by itself or in a stretch.
    pub fn asks_for(&self, person: PersonIndex, step: StepIndex) -> bool {
        self.people[person].current == Some(step) || self.stretch_of(person).contains(&step)
    }

    /// The stretch that begins with `first`: what follows it in the same place, and could be offered to this person once what comes
    /// before it in the stretch is done.
    pub(in crate::engine) fn stretch_from(&self, job: &Move, person: PersonIndex, first: StepIndex) -> Vec<StepIndex> {
        let mut stretch = vec![first];
        if !self.may_be_in_a_stretch(job, person, first) {
            return stretch;
        }
        let place = &job.step(first).place;
        let part = job.part_of(first);
        for step in job.parts[part].steps.clone().skip_while(|&step| step <= first) {
            let free = self.here().all(|other| other == person || !self.asks_for(other, step));
            // One slide is another place than the next, whatever both are called.
            let follows = job.step(step).place == *place
                && job.step(step).each == job.step(first).each
                && self.may_be_in_a_stretch(job, person, step)
                && free
                && job.before[step].iter().all(|before| !self.is_open(*before) || stretch.contains(before))
                && self.nothing_comes_first(job, person, step, &stretch);
            if follows {
                stretch.push(step);
            }
            if stretch.len() == MOST {
                break;
            }
        }
        stretch
    }

    fn may_be_in_a_stretch(&self, job: &Move, person: PersonIndex, step: StepIndex) -> bool {
        let asked = job.step(step);
        let carried = self.carriers.get(&asked.section).is_some_and(|&carrier| carrier != person);
        self.is_open(step)
            && self.to_check.is_empty()
            && !asked.critical()
            && matches!(asked.answer, Answer::Done { .. } | Answer::State(_))
            && asked.touches == Touches::Nothing
            && !asked.single
            && asked.whole.is_empty()
            && !asked.sets.iter().any(|(thing, _)| self.can_hurt(job, thing))
            && !asked.place.is_empty()
            && !asked.wait
            && asked.during.is_none()
            && self.people[person].knows(asked.role)
            && self.can_do(job, person, step)
            && !carried
            && !self.takes_all(job, step)
            && !(self.singly[step] || self.deferred[step] || self.reopened[step])
    }

    /// Nobody is led past a step of an earlier section that they could do now, and that is not of the stretch.
    fn nothing_comes_first(&self, job: &Move, person: PersonIndex, step: StepIndex, stretch: &[StepIndex]) -> bool {
        let section = job.step(step).section;
        let mut earlier = job.parts[job.part_of(step)].steps.clone().filter(|&other| job.step(other).section < section);
        !earlier.any(|other| {
            self.is_open(other)
                && !self.deferred[other]
                && !stretch.contains(&other)
                && self.can_do(job, person, other)
                && (self.ready(job, other) || !self.waits_elsewhere(job, other))
        })
    }
}

/// More at once nobody keeps in mind (common practice, no source).
const MOST: usize = 5;
