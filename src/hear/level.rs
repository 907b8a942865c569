//! How loud it is: now, while nobody speaks, and as the program hears its own voice.

use std::collections::VecDeque;

use crate::audio::FRAME_LEN;
use crate::hear::measure::DEAD_DBFS;
use crate::hear::noise::rms;

/// Sound levels in decibels below full scale (0 and down; -120 for nothing).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SoundLevel {
    /// Of the last 100 ms or so.
    pub now: f32,
    /// Of the last quiet seconds; nothing before there were any.
    pub floor: Option<f32>,
    /// Of the last seconds in which the program's own voice was played, voice and noise together; nothing before that.
    pub own: Option<f32>,
}

impl SoundLevel {
    /// Whether nothing at all comes: the microphone is switched off or muted.
    pub fn gives_nothing(&self) -> bool {
        self.now <= DEAD_DBFS
    }
}

/// Measures levels frame by frame.
pub(super) struct Levels {
    level: SoundLevel,
    /// Power of the microphone's newest frames under the program's own voice, before the echo is taken out.
    own_power: VecDeque<f32>,
    /// The same of its newest frames while nobody spoke: the echo canceller makes noise softer for a while after it worked.
    quiet_power: VecDeque<f32>,
    /// Frames that were ever among them.
    quiet_frames: usize,
}

impl Levels {
    pub(super) fn new() -> Self {
        Self {
            level: SoundLevel { now: SILENCE_DB, floor: None, own: None },
            own_power: VecDeque::with_capacity(OWN_POWER_FRAMES),
            quiet_power: VecDeque::with_capacity(QUIET_FRAMES),
            quiet_frames: 0,
        }
    }

    pub(super) fn level(&self) -> SoundLevel {
        self.level
    }

    /// The newest samples are at the end of `recent`.
    pub(super) fn take_now(&mut self, recent: &VecDeque<f32>) {
        self.level.now = decibels(rms(&newest(recent, 10)));
    }

    /// How loud the program is in its own microphone. What is played comes back a little later, so single frames say nothing.
    pub(super) fn take_own_voice(&mut self, mic: &[f32; FRAME_LEN], reference: Option<&[f32; FRAME_LEN]>) {
        if reference.is_none_or(|reference| rms(reference) < OWN_VOICE_RMS) {
            return;
        }
        push_out(&mut self.own_power, rms(mic).powi(2), OWN_POWER_FRAMES);
        if self.own_power.len() == OWN_POWER_FRAMES {
            let mean = self.own_power.iter().sum::<f32>() / OWN_POWER_FRAMES as f32;
            self.level.own = Some(decibels(mean.sqrt()));
        }
    }

    /// A frame of the microphone while nobody speaks, the program neither.
    pub(super) fn take_quiet(&mut self, mic: &[f32; FRAME_LEN]) {
        push_out(&mut self.quiet_power, rms(mic).powi(2), QUIET_FRAMES);
        self.quiet_frames += 1;
        if self.quiet_frames.is_multiple_of(FLOOR_EVERY_FRAMES) {
            self.level.floor = Some(decibels(median(&self.quiet_power).sqrt()));
        }
    }

    /// Whether the last 50 ms of `recent` are louder than noise that goes on all the time would be; so they are where none was measured yet.
    pub(super) fn stands_out(&self, recent: &VecDeque<f32>) -> bool {
        self.level.floor.is_none_or(|floor| decibels(rms(&newest(recent, 5))) >= floor + STANDS_OUT_DB)
    }
}

fn newest(recent: &VecDeque<f32>, frames: usize) -> Vec<f32> {
    recent.iter().rev().take(frames * FRAME_LEN).copied().collect()
}

fn push_out(powers: &mut VecDeque<f32>, power: f32, most: usize) {
    if powers.len() == most {
        powers.pop_front();
    }
    powers.push_back(power);
}

/// The middle one; words that begin before they are noticed are among the quiet frames, and would raise a mean by tens of decibels.
fn median(powers: &VecDeque<f32>) -> f32 {
    let mut sorted: Vec<f32> = powers.iter().copied().collect();
    sorted.sort_by(f32::total_cmp);
    sorted.get(sorted.len() / 2).copied().unwrap_or(0.0)
}

fn decibels(rms: f32) -> f32 {
    (20.0 * rms.max(1e-6).log10()).max(SILENCE_DB)
}

const SILENCE_DB: f32 = -120.0;
/// 1 s of voice.
const OWN_POWER_FRAMES: usize = 100;
/// A frame of speech, and none of the pauses in it.
const OWN_VOICE_RMS: f32 = 0.02;
/// 3 s.
const QUIET_FRAMES: usize = 300;
/// 0.1 s.
const FLOOR_EVERY_FRAMES: usize = 10;
/// What is left of the echo in steady noise is that noise.
const STANDS_OUT_DB: f32 = 10.0;

#[cfg(test)]
mod tests {
    use super::*;

    /// A frame whose root mean square is `rms`.
    fn frame(rms: f32) -> [f32; FRAME_LEN] {
        std::array::from_fn(|at| if at % 2 == 0 { rms } else { -rms })
    }

    #[test]
    fn words_that_slip_into_the_quiet_do_not_raise_its_level() {
        let mut levels = Levels::new();
        assert_eq!(levels.level().floor, None);
        for number in 0..QUIET_FRAMES {
            levels.take_quiet(&frame(if number % 5 == 0 { 0.3 } else { 0.001 }));
        }
        let floor = levels.level().floor.expect("it was quiet for seconds");
        assert!((floor + 60.0).abs() < 0.1, "{floor} dB");
    }

    #[test]
    fn the_level_of_the_quiet_follows_within_seconds() {
        let mut levels = Levels::new();
        let mut after = |rms: f32| {
            for _ in 0..QUIET_FRAMES {
                levels.take_quiet(&frame(rms));
            }
            levels.level().floor.unwrap()
        };
        assert!((after(0.001) + 60.0).abs() < 0.1);
        assert!((after(0.01) + 40.0).abs() < 0.1);
    }

    #[test]
    fn its_own_voice_is_measured_over_a_second_of_it_and_not_in_its_pauses() {
        let mut levels = Levels::new();
        for _ in 0..OWN_POWER_FRAMES - 1 {
            levels.take_own_voice(&frame(0.1), Some(&frame(0.3)));
            levels.take_own_voice(&frame(0.001), Some(&frame(0.0)));
            levels.take_own_voice(&frame(0.001), None);
        }
        assert_eq!(levels.level().own, None);
        levels.take_own_voice(&frame(0.1), Some(&frame(0.3)));
        let own = levels.level().own.expect("a second of it");
        assert!((own + 20.0).abs() < 0.1, "{own} dB");
    }

    #[test]
    fn steady_noise_does_not_stand_out_and_a_voice_does() {
        let mut levels = Levels::new();
        let recent = |rms: f32| VecDeque::from(frame(rms).repeat(5));
        assert!(levels.stands_out(&recent(0.001)), "nothing is known yet");
        for _ in 0..QUIET_FRAMES {
            levels.take_quiet(&frame(0.01));
        }
        assert!(!levels.stands_out(&recent(0.02)));
        assert!(levels.stands_out(&recent(0.04)));
        levels.take_now(&recent(0.1));
        assert!((levels.level().now + 20.0).abs() < 0.1);
    }
}
