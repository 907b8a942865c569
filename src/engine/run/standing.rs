//! How the rig stands, within a run: what steps set, what is left out because it is away already, and what is looked at all the same.

use super::joined::Move;
use super::state::{Recall, RunState, Settled, StepState};
use crate::engine::event::Event;
use crate::engine::output::VoiceSettings;
use crate::rig::{RigState, Stands};
use crate::routine::{Answer, StepIndex};
use crate::units::SessionTime;

impl RunState {
    pub(super) fn apply_rig(&mut self, job: &Move, event: &Event) {
        self.before_loop = None;
        match event {
            Event::RigRecalled { things } => {
                self.rig = things.clone();
                let matters = self.recalled(job).next().is_some();
                self.recall = if matters { Recall::Asked } else { Recall::Agreed };
            }
            Event::RigAgreed { .. } => {
                self.recall = Recall::Agreed;
                self.leave_out_what_is_away(job);
            }
            Event::ThingTold { thing, stands, .. } => {
                self.rig.tell(thing, *stands);
                if self.recall != Recall::Asked {
                    self.leave_out_what_is_away(job);
                }
            }
            _ => {}
        }
    }

    /// The things that this run could put away, in the order of its steps, each once.
    pub fn things(&self, job: &Move) -> Vec<String> {
        let mut things: Vec<String> = Vec::new();
        for thing in job.work().flat_map(|step| &job.step(step).undoes) {
            if !things.contains(thing) {
                things.push(thing.clone());
            }
        }
        things
    }

    /// Those of them of which it is known how they stand.
    pub fn recalled(&self, job: &Move) -> impl Iterator<Item = (String, Stands)> {
        let things = self.things(job).into_iter().map(|thing| (self.rig.of(&thing), thing)).collect::<Vec<_>>();
        things.into_iter().filter(|(stands, _)| *stands != Stands::Unknown).map(|(stands, thing)| (thing, stands))
    }

    /// The things of which nobody knows how they stand: those that were doubted, and those of this run that nobody has said anything of.
    pub fn unknown(&self, job: &Move) -> Vec<String> {
        let doubted =
            self.rig.iter().filter(|(_, stands)| *stands == Stands::Unknown).map(|(thing, _)| thing.to_owned());
        let mut unknown: Vec<String> = doubted.collect();
        for thing in self.things(job) {
            if self.rig.of(&thing) == Stands::Unknown && !unknown.contains(&thing) {
                unknown.push(thing);
            }
        }
        unknown
    }

    /// The things that a step is for and that may still be told to be away: nothing has been done at any of their steps, nor is a
    /// clock of theirs running.
    pub fn may_be_away(&self, job: &Move, step: StepIndex) -> Vec<String> {
        let things = &job.step(step).undoes;
        if things.iter().any(|thing| self.is_begun(job, thing)) { Vec::new() } else { things.clone() }
    }

    /// Whether any step that puts the thing away was done, could not be tested, or has its clock running: then none of them is left out any
    /// more.
    fn is_begun(&self, job: &Move, thing: &str) -> bool {
        steps_of(job, thing).any(|step| {
            matches!(self.steps[step], StepState::Answered(_)) || self.untested[step] || self.clocks.contains_key(&step)
        })
    }

    /// Whether harm can come of any step that puts the thing away.
    pub fn can_hurt(&self, job: &Move, thing: &str) -> bool {
        steps_of(job, thing).any(|step| job.step(step).critical())
    }

    /// The things that were taken to be away, and are not, by an answer that names another state than the one that this step wants.
    pub fn contradicted(&self, job: &Move, step: StepIndex) -> Vec<String> {
        // A look says itself of which things it tells: a valve that is open says nothing of the hose that is not there.
        let tells_of = |thing: &String| {
            job.step(step).sets.iter().any(|(other, stands)| other == thing && *stands == Stands::Away)
                || self.steps[step] == StepState::Away && look_at(job, thing) == Some(step)
        };
        let left_out = |thing: &String| steps_of(job, thing).any(|other| self.steps[other] == StepState::Away);
        self.things(job).into_iter().filter(|thing| tells_of(thing) && left_out(thing)).collect()
    }

    /// What a recorded state has left out, and must still be looked at: each thing that can hurt, unless a step of this run looks at it, or it
    /// was seen to be away.
    pub(super) fn unseen(&self, job: &Move) -> Vec<StepIndex> {
        let left_out = |step: StepIndex| self.steps[step] == StepState::Away;
        // A look that was skipped is none.
        let looks = |look: StepIndex| matches!(self.steps[look], StepState::Open | StepState::Answered(_));
        let looks: Vec<StepIndex> =
            job.work().filter(|&look| looks(look)).flat_map(|look| job.looked_at_by(look)).collect();
        let unseen = self.things(job).into_iter().filter(|thing| {
            let mut steps = steps_of(job, thing);
            self.can_hurt(job, thing) && steps.clone().any(left_out) && !steps.any(|step| looks.contains(&step))
        });
        unseen.filter_map(|thing| look_at(job, &thing)).filter(|&step| !self.seen_away[step]).collect()
    }

    /// What an answered step says of the things.
    pub(super) fn set_things(&mut self, job: &Move, step: StepIndex, answer: &str) {
        for (thing, stands) in job.step(step).sets_by(answer) {
            self.rig.tell(thing, *stands);
        }
    }

    /// Another state was named, or the step is open again: what it had set nobody knows any more.
    pub(super) fn doubt(&mut self, job: &Move, step: StepIndex) {
        for (thing, stands) in job.step(step).may_set() {
            if self.rig.of(thing) == *stands {
                self.rig.tell(thing, Stands::Unknown);
            }
        }
    }

    /// Nothing is to be done at a step all of whose things are away; what was left out for a thing that is not is open.
    fn leave_out_what_is_away(&mut self, job: &Move) {
        let mut open_again = Vec::new();
        for step in job.work() {
            let things = &job.step(step).undoes;
            let may_be_left_out = |thing: &String| !self.can_hurt(job, thing) || look_at(job, thing).is_some();
            let is_away = |thing: &String| self.rig.of(thing) == Stands::Away && may_be_left_out(thing);
            let away = !things.is_empty() && things.iter().all(is_away);
            match self.steps[step] {
                StepState::Open if away && !things.iter().any(|thing| self.is_begun(job, thing)) => {
                    if let Some(by) = self.holder(step) {
                        // Told in answer to it: taken back like an answer.
                        self.trail.push(Settled { step, by, clock: None });
                    }
                    self.steps[step] = StepState::Away;
                    self.deferred[step] = false;
                    self.forget_current(step);
                }
                StepState::Away if !away => open_again.push(step),
                _ => {}
            }
        }
        self.reopen(job, open_again);
    }
}

/// How the rig stands after a run, as far as its events tell. What was only rehearsed tells nothing; a step that the job does not have (its
/// routine was changed since) may have put out whatever was away.
pub fn rig_state_after(job: &Move, events: &[Event]) -> RigState {
    let mut state = RunState::new(job, VoiceSettings::default());
    for event in events.iter().filter(|event| !matches!(event, Event::Rehearsed { .. })) {
        state.apply(job, SessionTime::ZERO, event);
        if event.is_deed() && event.step().is_some_and(|step| job.index_of(step).is_none()) {
            state.rig = in_doubt(&state.rig);
        }
    }
    state.rig
}

/// The same of a run whose routine is gone, with steps that nobody knows any more: what was recalled, and what people said.
pub fn rig_state_told(events: &[Event]) -> RigState {
    let mut told = RigState::default();
    for event in events {
        match event {
            Event::RigRecalled { things } => told = things.clone(),
            Event::ThingTold { thing, stands, .. } => told.tell(thing, *stands),
            event if event.is_deed() && event.step().is_some() => told = in_doubt(&told),
            _ => {}
        }
    }
    told
}

/// What was away may be out by now.
fn in_doubt(rig: &RigState) -> RigState {
    let doubted = |stands| if stands == Stands::Away { Stands::Unknown } else { stands };
    rig.iter().map(|(thing, stands)| (thing.to_owned(), doubted(stands))).collect()
}

/// The steps that are there to put a thing away.
fn steps_of<'a>(job: &'a Move, thing: &'a str) -> impl Iterator<Item = StepIndex> + Clone + 'a {
    let job = &job.routine;
    (0..job.steps.len()).filter(move |&step| job.steps[step].undoes.iter().any(|other| other == thing))
}

/// The step that tells by a state or by yes and no whether a thing is away: the last that sets it so, or else the last that can hurt. A thing that
/// has none is never left out.
fn look_at(job: &Move, thing: &str) -> Option<StepIndex> {
    let tells = |step: &StepIndex| matches!(job.step(*step).answer, Answer::Done { .. } | Answer::State(_));
    let sets =
        |step: &StepIndex| job.step(*step).sets.iter().any(|(other, stands)| other == thing && *stands == Stands::Away);
    let telling: Vec<StepIndex> = steps_of(job, thing).filter(tells).collect();
    let last = telling.iter().rfind(|step| sets(step));
    last.or_else(|| telling.iter().rfind(|step| job.step(**step).critical())).copied()
}
