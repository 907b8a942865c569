//! Brings what was played beside what the microphone heard meanwhile, frame by frame.
//!
//! The two streams share no clock and come in pieces of their own. A frame that is used early or late shifts the echo, and the canceller
//! has to learn the room anew: so a frame of the microphone waits a little for its partner, and partners are given up or made up only
//! when one stream has got ahead of the other for seconds. What was played must never come after its echo; and whoever answers waits
//! as long for the reply as the microphone's frames wait here.

use std::collections::VecDeque;

use crate::audio::FRAME_LEN;

type Frame = [f32; FRAME_LEN];

/// Waiting frames of both streams.
#[derive(Debug, Default)]
pub struct Alignment {
    heard: VecDeque<Frame>,
    played: VecDeque<Frame>,
    /// The fewest spare frames of what was played since the last look, and how many pairs ago that was.
    fewest_spare: Option<usize>,
    pairs: usize,
    begun: bool,
    /// The fewest frames of the microphone that waited for a partner since the last look.
    fewest_waiting: Option<usize>,
    /// So many of them are to get a made-up partner, in the next pause of what is played.
    to_make_up: usize,
    /// Silent frames in a row of what was played.
    silent: usize,
    moved: bool,
}

impl Alignment {
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
            self.to_make_up = 0;
            self.look();
            return None;
        }
        if !self.begun && !self.played.is_empty() {
            self.begun = true;
            // The newest frames of both belong together.
            self.to_make_up = self.heard.len().saturating_sub(self.played.len());
            self.silent = PAUSE_FRAMES;
            self.drop_played(self.heard.len() + SPARE_FRAMES);
        }
        let played = if self.to_make_up > 0 && self.silent >= PAUSE_FRAMES {
            self.to_make_up -= 1;
            self.moved = true;
            [0.0; FRAME_LEN]
        } else {
            match self.played.pop_front() {
                Some(played) => played,
                // Nothing is played, or the loudspeaker's stream stands still.
                None if !self.begun || self.heard.len() > PATIENCE_FRAMES => [0.0; FRAME_LEN],
                None => {
                    self.look();
                    return None;
                }
            }
        };
        self.silent = if played.iter().all(|sample| sample.abs() < SILENCE) { self.silent + 1 } else { 0 };
        self.pairs += 1;
        Some((self.heard.pop_front()?, played))
    }

    /// Whether the echo comes sooner after what was played than it did, since this was asked last.
    pub fn take_moved(&mut self) -> bool {
        std::mem::take(&mut self.moved)
    }

    /// One stream is used up. What was played for longer than the microphone listened is too late for its echo; where frames of the
    /// microphone always wait for their partners, whoever answers waits with them.
    fn look(&mut self) {
        let least = |fewest: Option<usize>, now: usize| Some(fewest.map_or(now, |fewest| fewest.min(now)));
        self.fewest_spare = least(self.fewest_spare, self.played.len());
        self.fewest_waiting = least(self.fewest_waiting, self.heard.len());
        if self.pairs < LOOK_EVERY_PAIRS {
            return;
        }
        self.pairs = 0;
        let (spare, waiting) = (self.fewest_spare.take().unwrap_or(0), self.fewest_waiting.take().unwrap_or(0));
        if spare > 2 * SPARE_FRAMES {
            self.drop_played(self.played.len() - (spare - SPARE_FRAMES));
        }
        self.to_make_up = if waiting >= MOST_WAITING_FRAMES { waiting } else { 0 };
    }

    fn drop_played(&mut self, kept: usize) {
        let surplus = self.played.len().saturating_sub(kept);
        self.played.drain(..surplus);
    }
}

/// 20 ms: the loudspeaker takes its sound in pieces of that order.
const SPARE_FRAMES: usize = 2;
/// 20 ms: a piece of the microphone's sound.
const MOST_WAITING_FRAMES: usize = 2;
/// 200 ms: the echo of what was played before has died away, or nearly.
const PAUSE_FRAMES: usize = 20;
/// -80 dB below full scale.
const SILENCE: f32 = 1e-4;
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
    fn offsets(alignment: &mut Alignment) -> Vec<(usize, f32)> {
        std::iter::from_fn(|| alignment.next_pair())
            .map(|(heard, played)| (heard[0] as usize, played[0] - heard[0]))
            .collect()
    }

    #[test]
    fn pieces_that_come_at_odd_times_are_paired_in_step() {
        let mut alignment = Alignment::default();
        let (mut heard, mut played) = (0, 0);
        let mut found = Vec::new();
        for turn in 0..400 {
            // The microphone gives two frames each time; the loudspeaker four every other time, now and then late.
            for _ in 0..2 {
                alignment.heard(numbered(heard));
                heard += 1;
            }
            let due = (turn / 2 + 1) * 4 - if turn % 7 == 0 { 4 } else { 0 };
            while played < due {
                alignment.played(numbered(played));
                played += 1;
            }
            found.extend(offsets(&mut alignment));
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
        let mut alignment = Alignment::default();
        (0..100).for_each(|number| alignment.played(numbered(number)));
        alignment.heard(numbered(100));
        let (_, played) = alignment.next_pair().unwrap();
        assert!(100.0 - played[0] <= 3.0, "{}", played[0]);
    }

    #[test]
    fn a_microphone_that_lost_sound_gets_in_step_again_within_seconds() {
        let mut alignment = Alignment::default();
        let mut offset = 0.0;
        for number in 0..1_500 {
            // A tenth of a second is lost on the way.
            if !(500..510).contains(&number) {
                alignment.heard(numbered(number));
            }
            alignment.played(numbered(number));
            for (_, late) in offsets(&mut alignment) {
                offset = late;
            }
        }
        assert!((-3.0..=0.0).contains(&offset), "{offset}");
    }

    /// A second of voice and a quarter of a second of silence by turns.
    fn spoken(number: usize) -> Frame {
        if number % 125 < 100 { numbered(number) } else { [0.0; FRAME_LEN] }
    }

    #[test]
    fn frames_that_always_wait_for_their_partners_get_made_up_ones_in_the_next_pause_and_wait_no_more() {
        let mut alignment = Alignment::default();
        let (mut played, mut moved_at) = (0, None);
        let mut waiting = Vec::new();
        for number in 0..1_500 {
            // The loudspeaker stops for 70 ms once.
            if !(40..47).contains(&number) {
                alignment.played(spoken(played));
                played += 1;
            }
            alignment.heard(numbered(number));
            let pairs: Vec<_> = std::iter::from_fn(|| alignment.next_pair()).collect();
            if alignment.take_moved() {
                assert!(moved_at.replace(number).is_none(), "once");
                let silent = pairs.iter().filter(|(_, played)| played[0] == 0.0).count();
                assert!(silent >= 7, "made up in a pause: {silent}");
            }
            waiting.push(alignment.heard.len());
        }
        assert!(waiting[50..600].iter().all(|&frames| frames == 7), "it had a cause");
        // The first look still knows of a time when none waited.
        assert!((600..750).contains(&moved_at.unwrap()), "{moved_at:?}");
        assert!(waiting[750..].iter().all(|&frames| frames == 0), "nobody waits any more");
    }

    #[test]
    fn where_the_microphone_listened_first_nothing_waits() {
        let mut alignment = Alignment::default();
        // Read together after the ear was busy for a while.
        (0..12).for_each(|number| alignment.heard(numbered(number)));
        (0..3).for_each(|number| alignment.played(numbered(number)));
        let partners: Vec<f32> = std::iter::from_fn(|| alignment.next_pair()).map(|(_, played)| played[0]).collect();
        assert_eq!(partners.len(), 12);
        assert_eq!(partners[9..], [0.0, 1.0, 2.0]);
        assert!(alignment.take_moved());
        assert!(!alignment.take_moved());
    }

    #[test]
    fn pieces_of_the_microphone_that_wait_for_a_moment_move_nothing() {
        let mut alignment = Alignment::default();
        for number in 0..2_000 {
            alignment.heard(numbered(number));
            // Three frames at a time.
            if number % 3 == 2 {
                (number - 2..=number).for_each(|number| alignment.played(numbered(number)));
            }
            while let Some((heard, played)) = alignment.next_pair() {
                assert!(number < 10 || heard[0] - played[0] <= 3.0, "{} and {}", heard[0], played[0]);
            }
            assert!(!alignment.take_moved() || number < 10);
        }
    }

    #[test]
    fn a_loudspeaker_that_stands_still_holds_nobody_up() {
        let mut alignment = Alignment::default();
        alignment.played(numbered(0));
        let mut last = 0;
        for number in 0..200 {
            alignment.heard(numbered(number));
            for (heard, _) in offsets(&mut alignment) {
                last = heard;
            }
        }
        assert!(last >= 199 - PATIENCE_FRAMES, "{last}");
        let mut silent = Alignment::default();
        silent.heard(numbered(1));
        assert!(silent.next_pair().is_some(), "nothing was ever played");
    }
}
