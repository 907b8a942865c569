//! Brings what was played beside what the microphone heard meanwhile, frame by frame.
//!
//! The two streams share no clock and come in pieces of their own. A frame that is used early or late shifts the echo, and the canceller
//! has to learn the room anew: so a frame of the microphone waits a little for its partner, and partners are given up or made up only
//! when one stream has got ahead of the other for seconds. What was played must never come after its echo.

use std::collections::VecDeque;

use crate::hear::FRAME_LEN;

type Frame = [f32; FRAME_LEN];

/// Waiting frames of both streams.
#[derive(Debug, Default)]
pub struct Pairing {
    heard: VecDeque<Frame>,
    played: VecDeque<Frame>,
    /// The fewest spare frames of what was played since the last look, and how many pairs ago that was.
    fewest_spare: Option<usize>,
    pairs: usize,
    begun: bool,
}

impl Pairing {
    /// A frame of the microphone.
    pub fn heard(&mut self, frame: Frame) {
        self.heard.push_back(frame);
    }

    /// A frame that the loudspeaker took.
    pub fn played(&mut self, frame: Frame) {
        self.played.push_back(frame);
    }

    /// A stream was opened anew: what waits belongs together no longer.
    pub fn begin_anew(&mut self) {
        *self = Self::default();
    }

    /// The next frame of the microphone with what was played meanwhile; `None` when there is none yet. To be called until then each
    /// time that both streams were emptied into this.
    pub fn next_pair(&mut self) -> Option<(Frame, Frame)> {
        if self.heard.is_empty() {
            self.look_at_spare();
            return None;
        }
        if !self.begun && !self.played.is_empty() {
            self.begun = true;
            self.drop_played(self.heard.len() + SPARE_FRAMES);
        }
        let played = match self.played.pop_front() {
            Some(played) => played,
            // Nothing is played, or the loudspeaker's stream stands still.
            None if !self.begun || self.heard.len() > PATIENCE_FRAMES => [0.0; FRAME_LEN],
            None => return None,
        };
        self.pairs += 1;
        Some((self.heard.pop_front()?, played))
    }

    /// What was played for longer than the microphone listened is too late for its echo.
    fn look_at_spare(&mut self) {
        let spare = self.played.len();
        self.fewest_spare = Some(self.fewest_spare.map_or(spare, |fewest| fewest.min(spare)));
        if self.pairs < LOOK_EVERY_PAIRS {
            return;
        }
        self.pairs = 0;
        if let Some(fewest) = self.fewest_spare.take()
            && fewest > 2 * SPARE_FRAMES
        {
            self.drop_played(spare - (fewest - SPARE_FRAMES));
        }
    }

    fn drop_played(&mut self, kept: usize) {
        let surplus = self.played.len().saturating_sub(kept);
        self.played.drain(..surplus);
    }
}

/// 20 ms: the loudspeaker takes its sound in pieces of that order.
const SPARE_FRAMES: usize = 2;
/// 150 ms: a piece of a loudspeaker's stream is shorter.
const PATIENCE_FRAMES: usize = 15;
/// 3 s.
const LOOK_EVERY_PAIRS: usize = 300;

#[cfg(test)]
mod tests {
    use super::*;

    fn numbered(number: usize) -> Frame {
        [number as f32; FRAME_LEN]
    }

    /// Pairs by number: those of the microphone, and how much later (in frames) what was played is than it.
    fn offsets(pairing: &mut Pairing) -> Vec<(usize, f32)> {
        std::iter::from_fn(|| pairing.next_pair())
            .map(|(heard, played)| (heard[0] as usize, played[0] - heard[0]))
            .collect()
    }

    #[test]
    fn pieces_that_come_at_odd_times_are_paired_in_step() {
        let mut pairing = Pairing::default();
        let (mut heard, mut played) = (0, 0);
        let mut found = Vec::new();
        for turn in 0..400 {
            // The microphone gives two frames each time; the loudspeaker four every other time, now and then late.
            for _ in 0..2 {
                pairing.heard(numbered(heard));
                heard += 1;
            }
            let due = (turn / 2 + 1) * 4 - if turn % 7 == 0 { 4 } else { 0 };
            while played < due {
                pairing.played(numbered(played));
                played += 1;
            }
            found.extend(offsets(&mut pairing));
        }
        assert!(found.len() > 780, "nothing is held back for long");
        // Nothing was played at first.
        let offset = found[20].1;
        assert!((-6.0..=0.0).contains(&offset), "{offset}");
        assert!(found[20..].iter().all(|&(_, other)| other == offset), "the echo never moves");
        assert!(found.iter().map(|&(at, _)| at).eq(0..found.len()), "no frame of the microphone is lost");
    }

    #[test]
    fn what_was_played_before_the_microphone_listened_is_dropped() {
        let mut pairing = Pairing::default();
        (0..100).for_each(|number| pairing.played(numbered(number)));
        pairing.heard(numbered(100));
        let (_, played) = pairing.next_pair().unwrap();
        assert!(100.0 - played[0] <= 3.0, "{}", played[0]);
    }

    #[test]
    fn a_microphone_that_lost_sound_gets_in_step_again_within_seconds() {
        let mut pairing = Pairing::default();
        let mut offset = 0.0;
        for number in 0..1_500 {
            // A tenth of a second is lost on the way.
            if !(500..510).contains(&number) {
                pairing.heard(numbered(number));
            }
            pairing.played(numbered(number));
            for (_, late) in offsets(&mut pairing) {
                offset = late;
            }
        }
        assert!((-3.0..=0.0).contains(&offset), "{offset}");
    }

    #[test]
    fn a_loudspeaker_that_stands_still_holds_nobody_up() {
        let mut pairing = Pairing::default();
        pairing.played(numbered(0));
        let mut last = 0;
        for number in 0..200 {
            pairing.heard(numbered(number));
            for (heard, _) in offsets(&mut pairing) {
                last = heard;
            }
        }
        assert!(last >= 199 - PATIENCE_FRAMES, "{last}");
        let mut silent = Pairing::default();
        silent.heard(numbered(1));
        assert!(silent.next_pair().is_some(), "nothing was ever played");
    }
}
