//! Whether the echo canceller knows the room: judged by what it takes out of the microphone's sound, for an echo that comes later than its
//! filters reach, jumps about or is clipped is never learned, however long it has been listened to.

use std::collections::VecDeque;

/// Follows the canceller frame by frame.
#[derive(Clone, Debug, Default)]
pub(super) struct Convergence {
    /// Frames in which the program's own voice was played.
    loud_frames: usize,
    /// Frames since the last of them.
    since_loud: usize,
    /// The half second that is being filled.
    filling: Vec<FramePowers>,
    /// The newest full ones.
    full: VecDeque<Vec<FramePowers>>,
    /// What these amount to.
    takes_out: bool,
}

/// Mean power of a frame.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct FramePowers {
    /// As it came.
    pub(super) before: f32,
    /// Without the echo.
    pub(super) after: f32,
}

impl Convergence {
    /// Takes a frame; `is_loud` where the program's own voice was played in it. Gives whether the room is known.
    pub(super) fn take(&mut self, is_loud: bool, powers: FramePowers) -> bool {
        self.loud_frames += usize::from(is_loud);
        self.since_loud = if is_loud { 0 } else { self.since_loud.saturating_add(1) };
        if self.loud_frames > 0 && self.since_loud <= ECHO_FRAMES {
            self.filling.push(powers);
        }
        if self.filling.len() == PIECE_FRAMES {
            if self.full.len() == PIECES {
                self.full.pop_front();
            }
            self.full.push_back(std::mem::take(&mut self.filling));
            self.takes_out = self.judge();
        }
        self.loud_frames >= LEAST_LOUD_FRAMES && self.takes_out
    }

    /// Whether a good part of the half seconds that held an echo hold little of it afterwards (the others may hold somebody's words); where
    /// hardly any held one, there is nothing to be taken out.
    /// Noise that goes on all the time is in both, and stays.
    fn judge(&self) -> bool {
        let mut before: Vec<f32> = self.full.iter().flatten().map(|frame| frame.before).collect();
        before.sort_by(f32::total_cmp);
        let noise = before.get(before.len() / 10).copied().unwrap_or(0.0);
        let mut shares: Vec<f32> = Vec::new();
        for piece in &self.full {
            let mean = |of: fn(&FramePowers) -> f32| piece.iter().map(of).sum::<f32>() / piece.len() as f32;
            let (before, after) = (mean(|frame| frame.before), mean(|frame| frame.after));
            if before > AUDIBLE * noise && before > LEAST_POWER {
                shares.push((after - noise).max(0.0) / (before - noise));
            }
        }
        if shares.len() < LEAST_PIECES {
            return true;
        }
        shares.sort_by(f32::total_cmp);
        shares[(shares.len() as f32 * GOOD_PART) as usize] <= MOST_LEFT
    }
}

/// 5 s of voice.
const LEAST_LOUD_FRAMES: usize = 500;
/// An echo comes back within half a second.
const ECHO_FRAMES: usize = 50;
/// 0.5 s, of which the newest 5 s count: somebody who says a word meanwhile is in one or two.
const PIECE_FRAMES: usize = 50;
const PIECES: usize = 10;
const LEAST_PIECES: usize = 3;
const GOOD_PART: f32 = 0.3;
/// An echo is 5 dB over the noise, and no softer than -70 dB below full scale.
const AUDIBLE: f32 = 3.0;
const LEAST_POWER: f32 = 1e-7;
/// -5 dB; a room that is known leaves -15 to -25 dB, over a sound server whose delay drifts -7 to -16.
const MOST_LEFT: f32 = 0.3;

#[cfg(test)]
mod tests {
    use super::*;

    /// Seconds of voice with pauses, `echo` times as loud in the microphone, of which `left` stays, over `noise`.
    fn hear(room: &mut Convergence, seconds: usize, echo: f32, left: f32, noise: f32) -> bool {
        let mut known = false;
        for frame in 0..seconds * 100 {
            let speaks = frame % 40 < 30;
            let voice = if speaks { echo } else { 0.0 };
            known = room.take(speaks, FramePowers { before: voice + noise, after: voice * left + noise });
        }
        known
    }

    #[test]
    fn a_room_is_known_after_seconds_of_an_echo_that_is_taken_out() {
        let mut room = Convergence::default();
        assert!(!hear(&mut room, 5, 0.01, 0.03, 1e-6), "not yet");
        assert!(hear(&mut room, 3, 0.01, 0.03, 1e-6));
    }

    #[test]
    fn an_echo_that_stays_makes_the_room_unknown_until_it_is_taken_out_again() {
        let mut room = Convergence::default();
        assert!(!hear(&mut room, 20, 0.01, 1.0, 1e-6));
        assert!(hear(&mut room, 6, 0.01, 0.03, 1e-6));
        assert!(!hear(&mut room, 6, 0.01, 0.5, 1e-6), "somebody moved the loudspeaker");
    }

    #[test]
    fn where_the_loudspeaker_is_not_heard_there_is_nothing_to_know() {
        assert!(hear(&mut Convergence::default(), 10, 0.0, 0.0, 1e-6), "a headset");
        assert!(hear(&mut Convergence::default(), 10, 0.001, 1.0, 0.01), "the noise drowns it");
    }

    #[test]
    fn steady_noise_is_not_what_is_left_of_an_echo() {
        assert!(hear(&mut Convergence::default(), 10, 0.02, 0.03, 0.003));
    }

    #[test]
    fn a_word_that_somebody_says_meanwhile_makes_no_room_unknown() {
        let mut room = Convergence::default();
        hear(&mut room, 10, 0.01, 0.03, 1e-6);
        for _ in 0..80 {
            assert!(room.take(true, FramePowers { before: 0.03, after: 0.02 }));
        }
    }
}
