//! What a gate comes to, from the facts alone.

use super::apply::{LAST_LOOK, SKIPPED};
use super::joined::Move;
use super::state::{RunState, StepState};
use crate::engine::event::Event;
use crate::routine::StepIndex;

impl RunState {
    /// What happens at a gate: nobody passes until nothing is open, and no last gate while anything could not be tested. What could not be done (skipped for the reason `cannot`) comes
    /// back once, and what is worth asking twice is asked again before the last gate of a move.
    pub fn at_gate(&self, job: &Move, gate: StepIndex, cannot: &str) -> Event {
        let part = &job.parts[job.part_of(gate)];
        let last = job.part_of(gate) == job.last_part();
        let ids = |steps: Vec<StepIndex>| steps.into_iter().map(|step| job.step(step).id.clone()).collect();
        let comes_back = |&step: &StepIndex| {
            !self.came_back[step] && matches!(&self.steps[step], StepState::Skipped(reason) if reason == cannot)
        };
        let back: Vec<StepIndex> = part.steps.clone().filter(comes_back).collect();
        if !back.is_empty() {
            return Event::StepsReopened { steps: ids(back), because: SKIPPED.to_owned() };
        }
        let again = if last { self.still_to_look_at(job) } else { Vec::new() };
        if !again.is_empty() {
            return Event::CheckAsked { steps: ids(again), because: LAST_LOOK.to_owned() };
        }
        let open: Vec<StepIndex> = if last {
            self.open(job).collect()
        } else {
            // What cannot be tested here is named at the last gate; meanwhile the rest goes on.
            let held_up = self.held_up(job);
            part.steps.clone().filter(|&step| step != gate && self.is_open(step) && !held_up[step]).collect()
        };
        let running = if last {
            !self.clocks.is_empty() || !self.timers.is_empty()
        } else {
            self.clocks.keys().any(|clock| part.steps.contains(clock))
        };
        if !open.is_empty() || running {
            return Event::GateHeld { open: ids(open) };
        }
        if last {
            return Event::RunCompleted { skipped: ids(self.skipped(job).collect()) };
        }
        let skipped = part.steps.clone().filter(|&step| matches!(self.steps[step], StepState::Skipped(_)));
        Event::PartCompleted { part: part.id.clone(), skipped: ids(skipped.collect()) }
    }

    /// Once, of the steps that are worth asking twice, those that were done, and of several on the same thing the last; and what a recorded state
    /// has left out, where harm can come of it and nothing else looks at it.
    fn still_to_look_at(&self, job: &Move) -> Vec<StepIndex> {
        let mut again = self.unseen(job);
        if !self.last_look {
            let mut sections: Vec<usize> = job.again.iter().map(|&step| job.step(step).section).collect();
            sections.dedup();
            let still: Vec<StepIndex> = sections.into_iter().flat_map(|section| self.still_so(job, section)).collect();
            again.extend(job.again.iter().copied().filter(|step| still.contains(step)));
        }
        again.sort_unstable();
        again.dedup();
        again
    }
}
