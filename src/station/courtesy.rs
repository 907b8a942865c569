//! Lowers the program's voice for somebody who speaks over it; but not again and again for what comes to nothing: talk beside it, or what is
//! left of its own echo, would leave half of a sentence unheard.

use std::time::Duration;

use crate::units::SessionTime;

/// Whether to give way.
#[derive(Clone, Copy, Debug, Default)]
pub struct Courtesy {
    /// When it gave way last, and nothing has come of that.
    gave_way: Option<SessionTime>,
}

impl Courtesy {
    /// Somebody, or something like it, begins to speak. Gives whether the voice is to be lowered.
    pub fn speech_started(&mut self, now: SessionTime) -> bool {
        let gives_way = self.gave_way.is_none_or(|then| now.since(then) >= AGAIN_AFTER);
        if gives_way {
            self.gave_way = Some(now);
        }
        gives_way
    }

    /// Something that may be said was heard.
    pub fn heard(&mut self) {
        self.gave_way = None;
    }
}

/// A word that was not understood is said again sooner, and mostly gets through the voice as it is.
const AGAIN_AFTER: Duration = Duration::from_secs(10);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_voice_gives_way_once_and_again_soon_only_when_something_came_of_it() {
        let mut courtesy = Courtesy::default();
        let at = SessionTime::from_millis;
        assert!(courtesy.speech_started(at(1_000)));
        assert!(!courtesy.speech_started(at(3_000)));
        assert!(!courtesy.speech_started(at(10_900)));
        assert!(courtesy.speech_started(at(11_000)));
        courtesy.heard();
        assert!(courtesy.speech_started(at(12_000)));
    }
}
