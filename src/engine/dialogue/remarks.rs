//! What past runs leave to be said: a note, what had to be put right, a reading that moved.

use super::super::answer::numbers;
use super::super::core::Engine;
use super::super::event::{Event, HeardAs, Remark};
use super::super::output::Priority;
use super::super::phrasebook::Line;
use crate::routine::StepIndex;

impl Engine {
    /// In one clause each.
    pub(in crate::engine) fn remarks_text(&self, step: StepIndex) -> Vec<String> {
        let text = |remark: &Remark| match remark {
            Remark::Noted { text, .. } if !text.is_empty() => Some(self.book.line(Line::NotedLast, &[("text", text)])),
            Remark::PutRight { answer, .. } => Some(self.book.line(Line::PutRightLast, &[("answer", answer)])),
            Remark::Noted { .. } | Remark::Read { .. } => None,
        };
        self.state.remarks_at(step).filter_map(text).collect()
    }

    /// How far a reading lies from the last one, where it moved.
    pub(in crate::engine) fn moved_text(&self, step: StepIndex, value: i64, decimals: u8) -> Option<String> {
        let last = self.state.remarks_at(step).find_map(|remark| match remark {
            Remark::Read { value, decimals: places, on, .. } if *places == decimals => Some((*value, on.clone())),
            _ => None,
        });
        let (before, on) = last.filter(|(before, _)| *before != value)?;
        let by = numbers::shown((value - before).abs(), decimals, "");
        let line = if value < before { Line::ReadingDown } else { Line::ReadingUp };
        Some(self.book.line(line, &[("by", &by), ("on", &on)]))
    }

    /// "Done with that": the notes of the step that is asked for here do not come back.
    pub(in crate::engine) fn done_with_notes(&mut self, heard: &HeardAs) {
        let step = self.current();
        let noted = |remark: &Remark| match remark {
            Remark::Noted { step, text } => Some((step.clone(), text.clone())),
            _ => None,
        };
        let notes: Vec<(String, String)> =
            step.into_iter().flat_map(|step| self.state.remarks_at(step)).filter_map(noted).collect();
        if notes.is_empty() {
            return self.say_line(self.here(), Priority::Chat, Line::NoNoteHere);
        }
        for (step, text) in notes {
            self.commit(Event::NoteDone { step, text, heard: heard.clone() });
        }
    }
}
