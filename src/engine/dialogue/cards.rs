//! From the run to an emergency card and back: a card is everybody's.

use super::super::core::Engine;
use super::super::event::{Event, HeardAs};
use super::super::output::{Audience, Output, Priority};
use super::super::phrasebook::Line;
use super::vocabulary::Asking;

impl Engine {
    pub(in crate::engine) fn start_card(&mut self, card: usize, heard: HeardAs) {
        if self.state.card == Some(card) {
            return self.say_again();
        }
        if self.is_pending(|event| matches!(event, Event::CardStarted { .. })) {
            return;
        }
        for station in self.talks.ids() {
            self.talks.get_mut(station).asking = Asking::Step;
            self.drop_note_at(station);
        }
        self.send(Audience::All, Output::Hush(Priority::Alarm));
        self.note_who_speaks();
        self.commit(Event::CardStarted { card: self.job.parts[card].id.clone(), heard });
    }

    pub(in crate::engine) fn card_started(&mut self) {
        self.alarms.let_go();
        self.alarms.sounding = None;
        self.alarms.disarm_reminders();
        self.briefed.iter_mut().for_each(|briefing| briefing.order = None);
        self.talks.all_mut().for_each(|talk| talk.lead_in.clear());
        if let Some(card) = self.state.card {
            // Its first words come at once, as every time.
            self.introduced[card] = true;
            let section = self.job.parts[card].steps.clone().next().map(|step| self.job.step(step).section);
            self.briefed.iter_mut().for_each(|briefing| briefing.section = section);
            let intro = self.job.parts[card].intro.clone();
            self.say(Audience::All, Priority::Alarm, intro);
        }
        self.advance();
    }

    /// The card has been gone through. The run is held until somebody says to go on; no clock was stopped by it.
    pub(in crate::engine) fn card_ended(&mut self, card: &str) {
        let complete = self.job.parts.iter().find(|part| part.id == card).map(|part| part.complete.clone());
        let mut text = std::mem::take(&mut self.talk_mut().lead_in);
        text.extend(complete.filter(|text| !text.is_empty()));
        text.push(self.book.line(Line::CardOver, &[]));
        let priority = if self.state.muted { Priority::Alarm } else { Priority::Caution };
        self.say_useful(Audience::All, priority, text.join(" "));
        self.briefed.iter_mut().for_each(|briefing| briefing.section = None);
        self.advance();
    }

    /// Whoever comes while a card is in force hears at once what it is about, and what is to be done now.
    pub(in crate::engine) fn say_the_card(&mut self) {
        let Some(card) = self.state.card else { return };
        let part = &self.job.parts[card];
        let step = part.steps.clone().find(|&step| self.state.is_open(step));
        let mut text = vec![part.intro.clone()];
        text.extend(step.map(|step| self.call_of(step)));
        text.retain(|text| !text.is_empty());
        self.say_useful(self.here(), Priority::Alarm, text.join(" "));
    }
}
