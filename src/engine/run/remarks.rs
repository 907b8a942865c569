//! What past runs leave to be said at the steps of this one.

use super::joined::Move;
use super::state::RunState;
use crate::engine::event::{Event, Remark};
use crate::routine::StepIndex;

impl RunState {
    pub(super) fn apply_remarks(&mut self, job: &Move, event: &Event) {
        match event {
            Event::RemarksRecalled { remarks } => {
                for remark in remarks {
                    for step in steps_of(job, remark.step()) {
                        // What went wrong, or was worth a note, is looked at by itself.
                        self.singly[step] |= !matches!(remark, Remark::Read { .. });
                        self.remarks.push((step, remark.clone()));
                    }
                }
            }
            Event::NoteDone { step, text, .. } => {
                let done = Remark::Noted { step: step.clone(), text: text.clone() };
                self.remarks.retain(|(_, remark)| *remark != done);
            }
            _ => {}
        }
    }

    /// What is to be said at a step.
    pub fn remarks_at(&self, step: StepIndex) -> impl Iterator<Item = &Remark> {
        self.remarks.iter().filter(move |(at, _)| *at == step).map(|(_, remark)| remark)
    }
}

/// The steps of this run that are the same as one of a past run, whichever routine or move each was run in.
fn steps_of(job: &Move, key: &str) -> Vec<StepIndex> {
    let alone = if job.is_move() { String::new() } else { format!("{}/", job.routine.id) };
    let same = |id: &str| {
        let own = if id.starts_with(&alone) { id.to_owned() } else { format!("{alone}{id}") };
        let ends = |long: &str, short: &str| {
            long.strip_suffix(short).is_some_and(|rest| rest.is_empty() || rest.ends_with('/'))
        };
        ends(&own, key) || ends(key, &own)
    };
    job.work().filter(|&step| same(&job.step(step).id)).collect()
}
