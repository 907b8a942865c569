//! What was put to somebody who is asked elsewhere before it was said: it is said there, in full, and here no more.

use super::super::core::Engine;
use super::super::output::{Audience, Output, SpeechId};
use super::super::people::PersonIndex;
use crate::routine::StepIndex;
use crate::units::StationId;

/// How much of what is said once somebody had been told when a step was put to them.
#[derive(Clone, Debug)]
pub(in crate::engine) struct ToldBefore {
    told: usize,
    kinds: usize,
    section: Option<usize>,
    /// The part that is introduced with the step.
    introduces: Option<usize>,
    lead_in: Vec<String>,
}

/// A prompt that has not been said to its end.
#[derive(Clone, Debug)]
pub(in crate::engine) struct Unsaid {
    /// A caution may come before it.
    pub speeches: Vec<SpeechId>,
    pub before: Option<ToldBefore>,
}

impl Engine {
    /// Remembers what everybody has been told before the step is put to one of them.
    pub(in crate::engine) fn mark_what_was_told(&mut self, person: PersonIndex, index: StepIndex) {
        let part = self.job.part_of(index);
        let introduces = (!self.introduced[part]).then_some(part);
        let lead_in = self.talk_of(person).lead_in.clone();
        for briefing in &mut self.briefed {
            let (told, kinds, section) = (briefing.told.len(), briefing.kinds.len(), briefing.section);
            briefing.before = Some(ToldBefore { told, kinds, section, introduces, lead_in: lead_in.clone() });
        }
    }

    /// The prompt is handed to the voice; it is unsaid until it has been said to its end.
    pub(in crate::engine) fn is_unsaid(&mut self, person: PersonIndex, speeches: Vec<SpeechId>) {
        let before = self.briefed[person].before.take();
        self.briefed[person].unsaid = Some(Unsaid { speeches, before });
    }

    /// What was not said yet at the stations where this person was asked is not said there any more, and counts as not told.
    pub(in crate::engine) fn withdraw(&mut self, person: PersonIndex, from: &[StationId]) {
        let Some(Unsaid { speeches, before }) = self.briefed[person].unsaid.take() else { return };
        for &station in from {
            for &speech in &speeches {
                self.send(Audience::Station(station), Output::Withdraw(speech));
            }
            self.talks.get_mut(station).prompt.take_if(|(speech, _)| speeches.contains(speech));
        }
        let Some(ToldBefore { told, kinds, section, introduces, lead_in }) = before else { return };
        let briefing = &mut self.briefed[person];
        briefing.section = section;
        let texts = briefing.told.split_off(told.min(briefing.told.len()));
        let kinds = briefing.kinds.split_off(kinds.min(briefing.kinds.len()));
        // Whoever shared the station has not heard it either.
        for other in &mut self.briefed {
            other.told.retain(|text| !texts.contains(text));
            other.kinds.retain(|kind| !kinds.contains(kind));
        }
        if let Some(part) = introduces {
            self.introduced[part] = false;
        }
        let talk = self.talk_of_mut(person);
        talk.lead_in.splice(0..0, lead_in);
    }
}
