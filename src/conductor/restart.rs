//! When something that fell over is begun anew: after a second, and after twice as long each time that it falls over again soon.

use std::time::Duration;

use crate::units::SessionTime;

/// The pauses of one worker. Time is an argument.
#[derive(Clone, Copy, Debug, Default)]
pub struct Restart {
    pause: Duration,
    at: Option<SessionTime>,
    works_since: Option<SessionTime>,
}

impl Restart {
    /// It fell over.
    pub fn fell(&mut self, now: SessionTime) {
        let steady = self.works_since.is_some_and(|since| now.since(since) >= STEADY);
        let before = if steady { Duration::ZERO } else { self.pause };
        let pause = (before * 2).clamp(FIRST_PAUSE, LONGEST_PAUSE);
        *self = Self { pause, at: Some(now + pause), works_since: None };
    }

    /// It works.
    pub fn works(&mut self, now: SessionTime) {
        self.works_since = Some(now);
    }

    /// When it is to be begun anew, if it is.
    pub fn at(&self) -> Option<SessionTime> {
        self.at
    }

    /// Whether it is time to begin it anew; told once.
    pub fn is_due(&mut self, now: SessionTime) -> bool {
        self.at.take_if(|at| *at <= now).is_some()
    }
}

const FIRST_PAUSE: Duration = Duration::from_secs(1);
const LONGEST_PAUSE: Duration = Duration::from_secs(30);
/// What worked for so long is as good as any.
const STEADY: Duration = Duration::from_secs(60);
