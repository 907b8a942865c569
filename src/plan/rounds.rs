//! Loops of a routine ("was the water clear?"), and how many rounds of each are planned for.

use super::work::{Known, key_of};
use crate::routine::{Answer, Routine, StepIndex};

/// The loops of a routine.
pub(super) struct Rounds(Vec<Round>);

pub(super) struct Round {
    pub back_to: StepIndex,
    pub question: StepIndex,
    /// How many rounds are planned: so many or fewer come in half of the runs.
    pub planned: u32,
    pub most: u32,
    pub again: f64,
    pub enough: f64,
}

impl Rounds {
    pub fn of(routine: &Routine, known: &Known<'_>) -> Self {
        let assumed = known.durations.assumed();
        let loops = routine.steps.iter().enumerate().filter_map(|(question, step)| {
            let Answer::YesNo(asked) = &step.answer else { return None };
            let back = asked.back.as_ref()?;
            let seen = known.loops.get(&key_of(&routine.id, &step.id)).copied().unwrap_or_default();
            let again = assumed.once_more * assumed.once_more_weight + f64::from(seen.once_more);
            let enough = (1.0 - assumed.once_more) * assumed.once_more_weight
                + f64::from(seen.asked.saturating_sub(seen.once_more));
            let chance = again / (again + enough);
            // Rounds are geometric: more than n come with chance^n.
            let planned = (1..back.most.max(1)).find(|&n| chance.powi(i32::try_from(n).unwrap_or(1)) <= 0.5);
            let most = back.most.max(1);
            Some(Round { back_to: back.back_to, question, planned: planned.unwrap_or(most), most, again, enough })
        });
        Self(loops.collect())
    }

    /// The loop that begins at this step; one inside another is not gone round on its own.
    pub fn around(&self, at: StepIndex) -> Option<&Round> {
        self.0.iter().filter(|round| round.back_to == at).max_by_key(|round| round.question)
    }
}
