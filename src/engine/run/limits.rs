//! What people cannot do today: whose step it is then, and what nobody here can do.

use super::joined::Move;
use super::people::PersonIndex;
use super::state::{RunState, Settled, StepState};
use crate::engine::event::Event;
use crate::rig::Demand;
use crate::routine::{Answer, StepIndex, Turn};

impl RunState {
    pub(super) fn apply_limit(&mut self, job: &Move, event: &Event) {
        match event {
            Event::LimitTold { person, cannot, .. } => {
                if let Some(person) = self.person(person) {
                    self.people[person].cannot.insert(*cannot);
                }
            }
            Event::LimitsLifted { person, .. } => {
                if let Some(person) = self.person(person) {
                    self.people[person].cannot.clear();
                    self.people[person].unable.clear();
                }
            }
            Event::CannotDo { step, person, .. } => {
                if let Some((person, step)) = self.person(person).zip(job.index_of(step)) {
                    // Taken back like an answer.
                    self.trail.retain(|before| before.step != step);
                    self.trail.push(Settled { step, by: person, clock: None });
                    self.before_loop = None;
                    self.people[person].unable.insert(step);
                    // Somebody may have helped before; they do not now.
                    self.helped[step] = false;
                }
            }
            _ => {}
        }
        self.keep_back_what_is_beyond(job);
    }

    /// Whether the step is within what this person can do today, or help for it is there. What is done as one is within it only as a whole,
    /// until it is begun.
    pub fn is_able(&self, job: &Move, person: PersonIndex, step: StepIndex) -> bool {
        let unable = |other: StepIndex| !self.helped[other] && self.is_unable(job, person, other);
        !unable(step) && !self.not_begun(job, step).any(unable)
    }

    /// Whether this very step is beyond the person.
    pub fn is_unable(&self, job: &Move, person: PersonIndex, step: StepIndex) -> bool {
        let hand = &self.people[person];
        let demanded = |demand: &Demand| hand.cannot.contains(demand);
        hand.unable.contains(&step) || job.step(step).demands.iter().any(demanded)
    }

    /// Open steps that nobody who is here can do.
    pub fn needing_help<'a>(&'a self, job: &'a Move) -> impl Iterator<Item = StepIndex> + 'a {
        // What has a clock running was begun by somebody, and is to be ended.
        self.open(job).filter(|step| !self.clocks.contains_key(step)).filter(|&step| {
            self.here().all(|person| !self.is_able(job, person, step)) || !self.turns_can_be_given(job, step)
        })
    }

    /// Whether each turn of a signal falls to somebody who can give it, or help for it is there.
    fn turns_can_be_given(&self, job: &Move, step: StepIndex) -> bool {
        let Answer::Both(both) = &job.step(step).answer else { return true };
        self.helped[step]
            || (0..both.turns.len())
                .all(|turn| self.can_give(self.turn_of(step, &both.turns, turn), step, &both.turns[turn]))
    }

    /// Whether the person can give this turn of the step's signal.
    pub(super) fn can_give(&self, person: PersonIndex, step: StepIndex, turn: &Turn) -> bool {
        let hand = &self.people[person];
        !hand.unable.contains(&step) && turn.demands.iter().all(|demand| !hand.cannot.contains(demand))
    }

    /// Nobody is asked for what they cannot do.
    pub(super) fn keep_back_what_is_beyond(&mut self, job: &Move) {
        let mut beyond = vec![false; self.steps.len()];
        self.needing_help(job).for_each(|step| beyond[step] = true);
        self.beyond = beyond;
        for person in 0..self.people.len() {
            let kept =
                |step: StepIndex| self.beyond[step] || (!self.takes_all(job, step) && !self.can_do(job, person, step));
            let mine = |step: StepIndex| self.is_open(step) && !self.clocks.contains_key(&step);
            let current = self.people[person].current;
            self.people[person].current = current.filter(|&step| job.is_gate(step) || !(mine(step) && kept(step)));
        }
    }

    /// What is still to be done of what is done as one and has been begun, in order: none of it is to be left as it is.
    pub fn half_done<'a>(&'a self, job: &'a Move) -> impl Iterator<Item = StepIndex> + 'a {
        let whole = |step: StepIndex| (job.part_of(step), &job.step(step).whole);
        let begun = |step: StepIndex| matches!(self.steps[step], StepState::Answered(_));
        let of_begun = move |&step: &StepIndex| {
            !job.step(step).whole.is_empty()
                && job.parts[job.part_of(step)].steps.clone().any(|other| whole(other) == whole(step) && begun(other))
        };
        self.open(job).filter(of_begun)
    }

    /// The steps of this role that are done as one with this, as long as none of all of them is done or has its clock running.
    fn not_begun<'a>(&'a self, job: &'a Move, step: StepIndex) -> impl Iterator<Item = StepIndex> + 'a {
        let (whole, role) = (&job.step(step).whole, job.step(step).role);
        let of_whole = move |other: &StepIndex| !whole.is_empty() && job.step(*other).whole == *whole;
        let group = job.parts[job.part_of(step)].steps.clone().filter(of_whole);
        let begun = group
            .clone()
            .any(|other| matches!(self.steps[other], StepState::Answered(_)) || self.clocks.contains_key(&other));
        group.filter(move |&other| !begun && self.is_open(other) && job.step(other).role == role)
    }
}
