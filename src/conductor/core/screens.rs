//! Screens of people's own: what they show, and their buttons, which somebody else's answer may have overtaken.

use crate::conductor::core::{Conductor, Sight};
use crate::conductor::news::Pressed;
use crate::conductor::talk::TalkLine;
use crate::engine::input::{Input, Key};
use crate::units::SessionTime;

impl Conductor {
    /// What the person of this name sees, wherever they are asked.
    pub fn sight_of(&self, now: SessionTime, name: &str) -> Sight {
        self.sight(now, self.engine.asked_where(name))
    }

    /// A button of a screen that may be behind: an answer counts only to the question that is being asked, with the words that it would give now.
    pub(super) fn pressed(&mut self, now: SessionTime, pressed: &Pressed) {
        let station = self.engine.asked_where(&pressed.name);
        let view = self.engine.view(now, station);
        let asked = view.question == pressed.question;
        let fits = match pressed.key {
            Key::Confirm => asked && view.confirm_key == pressed.words,
            Key::Other => asked && view.other_key == pressed.words,
            Key::Choice(_) => asked,
            Key::ClockOver => view.clocks.iter().any(|clock| clock.hazard && clock.name == pressed.words),
            _ => true,
        };
        if !fits {
            return self.talk(TalkLine::Stale { at: now, key: pressed.key });
        }
        self.talk(TalkLine::Key { at: now, key: pressed.key });
        self.tell(now, station, Input::KeyPressed(pressed.key));
    }
}
