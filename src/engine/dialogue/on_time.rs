//! Whether the move will be over in time: asked of the world, which knows the plan, and what follows for the talk.

use super::super::core::{Engine, Timeliness};
use super::super::output::{Audience, Output, Priority};
use super::super::phrasebook::Line;

impl Engine {
    pub(in crate::engine) fn ask_on_time(&mut self) {
        self.send(self.here(), Output::AskOnTime);
    }

    /// Late shortens the talk: explanations of what cannot hurt and reminders are left out. Every step is asked for as ever,
    /// with its caution, and what is critical is explained to a beginner as ever. Said unasked once, when it becomes late.
    pub(in crate::engine) fn on_time_told(&mut self, said: Option<String>, late: bool, asked: bool) {
        let became_late = late && self.pace == Timeliness::OnTime;
        self.pace = if late { Timeliness::Late } else { Timeliness::OnTime };
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
            self.say_useful(self.here(), Priority::Prompt, text);
        } else {
            self.say(Audience::All, Priority::Chat, text);
        }
    }
}
