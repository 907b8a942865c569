//! Whether the move will be over in time: asked of the world, which knows the plan, and what follows for the talk.

use super::core::Engine;
use super::output::{Output, Priority};
use super::phrasebook::Line;

impl Engine {
    pub(super) fn ask_on_time(&mut self) {
        self.send(Output::AskOnTime);
    }

    /// Late shortens the talk: explanations of what cannot hurt and reminders are left out. Every step is asked for as ever,
    /// with its caution, and what is critical is explained to a beginner as ever. Said unasked once, when it becomes late.
    pub(super) fn on_time_told(&mut self, said: Option<String>, late: bool, asked: bool) {
        let became_late = late && !self.late;
        self.late = late;
        let text = match said {
            None if asked => self.book.line(Line::OnTimeUnknown, &[]),
            Some(said) if asked => said,
            // Who stands by has chosen to wait, and next to a hazard nothing else is talked about.
            Some(said) if became_late && !self.state.standing_by && self.state.hazard(&self.job).is_none() => {
                format!("{said} {}", self.book.line(Line::KeptShort, &[]))
            }
            _ => return,
        };
        if asked {
            self.say_useful(Priority::Prompt, text);
        } else {
            self.say(Priority::Chat, text);
        }
    }

    pub(super) fn is_late(&self) -> bool {
        self.late
    }
}
