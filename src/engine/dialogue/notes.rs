//! Notes: whatever is said after "note" is kept.

use std::time::Duration;

use super::super::alarm::Alarm;
use super::super::core::Engine;
use super::super::event::Event;
use super::super::output::{Audience, Output, Priority};
use super::super::phrasebook::Line;
use super::vocabulary::Asking;
use crate::units::StationId;

impl Engine {
    pub(in crate::engine) fn ask_note(&mut self) {
        self.talk_mut().asking = Asking::Note { step: self.current() };
        self.ask_here();
        self.alarms.arm(Alarm::NotePatience(self.at), self.now + NOTE_PATIENCE);
        self.say_line(self.here(), Priority::Prompt, Line::NoteAsk);
        self.send(self.here(), Output::KeepNote);
    }

    /// The ear here need not wait for a note any more.
    pub(in crate::engine) fn drop_note(&mut self) {
        self.drop_note_at(self.at);
    }

    pub(in crate::engine) fn drop_note_at(&mut self, station: StationId) {
        if self.alarms.disarm(&Alarm::NotePatience(station)).is_some() {
            self.send(Audience::Station(station), Output::DropNote);
        }
    }

    /// Nobody said it.
    pub(in crate::engine) fn note_never_came(&mut self, station: StationId) {
        self.at = station;
        self.send(self.here(), Output::DropNote);
        // After the completion call nothing more is said.
        if matches!(self.talk().asking, Asking::Note { .. }) && self.state.ended.is_none() {
            self.talk_mut().asking = Asking::Step;
            self.say_line(self.here(), Priority::Chat, Line::NoteLost);
        }
        self.pass_gate();
    }

    /// A note that comes late is kept all the same: nothing that was said is lost.
    pub(in crate::engine) fn note_taken(&mut self, text: String, wav: Option<String>) {
        let step = match self.talk().asking {
            Asking::Note { step } => {
                self.talk_mut().asking = Asking::Step;
                step
            }
            _ => self.current(),
        };
        self.drop_note();
        let step = step.map(|step| self.step_id(step)).unwrap_or_default();
        self.commit(Event::NoteKept { step, text, wav });
    }

    pub(in crate::engine) fn never_mind(&mut self) {
        let note = matches!(self.talk().asking, Asking::Note { .. });
        self.drop_note();
        self.talk_mut().digits.clear();
        if note {
            self.talk_mut().asking = Asking::Step;
            return self.say_line(self.here(), Priority::Chat, Line::NoteLost);
        }
        self.back_to_step(Line::WentOn);
    }
}

const NOTE_PATIENCE: Duration = Duration::from_secs(90);
