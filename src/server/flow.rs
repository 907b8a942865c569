//! Follows the sound that comes from a page: frames that are missing, sound that slipped, and a page that has fallen silent. Pure.
//!
//! A browser that is held up loses sound without a gap in the numbers of its frames, so the sound is counted against two clocks: that of the page, and
//! the run's own. After a slip the echo of what is played comes sooner or later than it did.

use std::time::Duration;

use crate::server::protocol::HeardFrame;
use crate::units::SessionTime;

/// The sound of one connection.
#[derive(Clone, Debug, Default)]
pub struct Flow {
    next: Option<u32>,
    newest: Option<SessionTime>,
    /// The page's clock at which the next frame should begin, in microseconds.
    page_clock: u64,
    /// Microseconds of sound taken since `began`.
    sound_us: u64,
    began: SessionTime,
    lag: Lag,
    counts: FlowCounts,
    /// How many in a row were stale.
    stale: u32,
}

/// What was lost so far on a connection.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct FlowCounts {
    /// Frames taken.
    pub frames: u64,
    /// Frames that never came, by their numbers.
    pub missing: u64,
    /// How often sound slipped.
    pub slips: u64,
}

/// What is to be done with a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Arrival {
    /// It goes on where the last one ended.
    InOrder,
    /// Something between this and the last one is lost: the echo may come at another time from now on.
    Slipped,
    /// It is older than what was taken already: it is not to be used.
    Stale,
}

/// How far the sound is behind the run's clock, at the least: a link delays a frame, but never hurries one.
#[derive(Clone, Copy, Debug, Default)]
struct Lag {
    /// The least of the window that goes on, and when that began.
    now_us: Option<i64>,
    since_us: u64,
    /// Of the window before, and of the one before that.
    before_us: [Option<i64>; 2],
}

impl Flow {
    /// Takes a frame that came at `now`.
    pub fn arrived(&mut self, now: SessionTime, frame: &HeardFrame) -> Arrival {
        let ahead = self.next.map_or(0, |next| frame.number.wrapping_sub(next));
        if ahead > u32::MAX / 2 {
            self.stale += 1;
            if self.stale < MOST_STALE {
                return Arrival::Stale;
            }
            // A link hands on no such row of old frames: the page counts anew.
            self.next = Some(frame.number);
            return self.arrived(now, frame);
        }
        self.stale = 0;
        let first = self.next.is_none();
        self.next = Some(frame.number.wrapping_add(1));
        self.newest = Some(now);
        self.counts.frames += 1;
        self.counts.missing += u64::from(ahead);
        let length = frame.mic.len() as u64 * US_PER_SAMPLE_X2 / 2;
        let off = frame.clock_us.abs_diff(self.page_clock);
        self.page_clock = frame.clock_us.saturating_add(length);
        if first || ahead > 0 || off > MOST_OFF_US {
            self.count_anew(now);
            if !first {
                self.counts.slips += 1;
            }
            return if first { Arrival::InOrder } else { Arrival::Slipped };
        }
        self.sound_us += length;
        let run_us = i64::try_from(now.since(self.began).as_micros()).unwrap_or(i64::MAX);
        let lag = run_us - i64::try_from(self.sound_us).unwrap_or(i64::MAX);
        if self.lag.moved(lag, self.sound_us) {
            self.counts.slips += 1;
            return Arrival::Slipped;
        }
        Arrival::InOrder
    }

    /// Whether no sound has come for so long that the person is away. A connection without a frame so far is not there yet.
    pub fn is_silent(&self, now: SessionTime) -> bool {
        self.newest.is_some_and(|newest| now.since(newest) >= SILENT_AFTER)
    }

    /// When [`Self::is_silent`] becomes true if nothing comes.
    pub fn silent_at(&self) -> Option<SessionTime> {
        self.newest.map(|newest| newest + SILENT_AFTER)
    }

    /// What was lost so far.
    pub fn counts(&self) -> FlowCounts {
        self.counts
    }

    fn count_anew(&mut self, now: SessionTime) {
        (self.began, self.sound_us, self.lag) = (now, 0, Lag::default());
    }
}

impl Lag {
    /// Takes the newest lag; says whether the least one has become larger for good, which no link does: for two windows, since a machine that is busy
    /// delays every frame of one.
    fn moved(&mut self, lag_us: i64, sound_us: u64) -> bool {
        self.now_us = Some(self.now_us.map_or(lag_us, |least| least.min(lag_us)));
        if sound_us - self.since_us < WINDOW_US {
            return false;
        }
        self.since_us = sound_us;
        let now = self.now_us.take();
        let [before, first] = self.before_us;
        self.before_us = [now, before];
        matches!((first, before, now), (Some(first), Some(before), Some(now)) if before.min(now) - first > SLIP_US)
    }
}

/// 62.5 us are one sample of 16 kHz.
const US_PER_SAMPLE_X2: u64 = 125;
/// A page whose clock and sound are further apart than this lost some of it.
const MOST_OFF_US: u64 = 4_000;
/// Of the windows in which the least lag is looked for.
const WINDOW_US: u64 = 2_000_000;
/// What is lost in a browser is a piece of its sound card's buffer: 10 ms and more.
const SLIP_US: i64 = 8_000;
/// Half a second of old frames.
const MOST_STALE: u32 = 25;
/// Known within two seconds, with half a second to tell it.
const SILENT_AFTER: Duration = Duration::from_millis(1_500);

#[cfg(test)]
mod tests {
    use super::*;

    fn frame(number: u32) -> HeardFrame {
        let clock_us = u64::from(number) * 20_000;
        HeardFrame { number, clock_us, taken: 0, mic: vec![0; 320], played: Vec::new() }
    }

    fn at(ms: u64) -> SessionTime {
        SessionTime::from_millis(ms)
    }

    /// Frames of 20 ms, each so late.
    fn feed(flow: &mut Flow, frames: std::ops::Range<u32>, late: impl Fn(u32) -> u64) -> Vec<Arrival> {
        frames.map(|n| flow.arrived(at(u64::from(n) * 20 + late(n)), &frame(n))).collect()
    }

    #[test]
    fn a_link_that_delays_frames_by_up_to_200_ms_is_no_slip() {
        let mut flow = Flow::default();
        let arrivals = feed(&mut flow, 0..2_000, |n| if n % 97 == 5 { 200 } else { u64::from(n * 7 % 13) });
        assert!(arrivals.iter().all(|arrival| *arrival == Arrival::InOrder), "{:?}", flow.counts());
        assert_eq!(flow.counts(), FlowCounts { frames: 2_000, missing: 0, slips: 0 });
    }

    #[test]
    fn a_sound_card_that_runs_wrong_by_300_millionths_is_no_slip() {
        let mut flow = Flow::default();
        let arrivals = feed(&mut flow, 0..5_000, |n| u64::from(n) * 6 / 1_000);
        assert!(arrivals.iter().all(|arrival| *arrival == Arrival::InOrder));
    }

    #[test]
    fn sound_that_a_browser_lost_without_a_gap_is_noticed_by_the_run_s_clock() {
        let mut flow = Flow::default();
        feed(&mut flow, 0..300, |_| 30);
        let arrivals = feed(&mut flow, 300..700, |_| 40);
        assert_eq!(arrivals.iter().filter(|arrival| **arrival == Arrival::Slipped).count(), 1);
    }

    #[test]
    fn a_machine_that_is_busy_for_two_seconds_is_no_slip() {
        let mut flow = Flow::default();
        let busy = |n| if (400..500).contains(&n) { 60 } else { 30 };
        let arrivals = feed(&mut flow, 0..1_000, busy);
        assert!(arrivals.iter().all(|arrival| *arrival == Arrival::InOrder));
    }

    #[test]
    fn a_page_whose_own_clock_jumps_lost_sound() {
        let mut flow = Flow::default();
        feed(&mut flow, 0..10, |_| 0);
        let jumped = HeardFrame { clock_us: 10 * 20_000 + 21_000, ..frame(10) };
        assert_eq!(flow.arrived(at(200), &jumped), Arrival::Slipped);
        let after = HeardFrame { clock_us: 11 * 20_000 + 21_000, ..frame(11) };
        assert_eq!(flow.arrived(at(220), &after), Arrival::InOrder);
    }

    #[test]
    fn missing_frames_are_counted_and_old_ones_are_not_used() {
        let mut flow = Flow::default();
        flow.arrived(at(0), &frame(u32::MAX));
        let next = HeardFrame { number: 0, clock_us: frame(u32::MAX).clock_us + 20_000, ..frame(0) };
        assert_eq!(flow.arrived(at(20), &next), Arrival::InOrder, "numbers wrap");
        assert_eq!(flow.arrived(at(40), &HeardFrame { number: 4, ..next.clone() }), Arrival::Slipped);
        assert_eq!(flow.arrived(at(60), &HeardFrame { number: 3, ..next }), Arrival::Stale);
        assert_eq!(flow.counts(), FlowCounts { frames: 3, missing: 3, slips: 1 });
    }

    #[test]
    fn a_page_that_counts_anew_is_heard_again_within_half_a_second() {
        let mut flow = Flow::default();
        flow.arrived(at(0), &frame(90_000));
        let arrivals = feed(&mut flow, 0..100, |_| 100);
        assert_eq!(arrivals.iter().filter(|arrival| **arrival == Arrival::Stale).count(), 24);
        assert!(arrivals[25..].iter().all(|arrival| *arrival == Arrival::InOrder), "{arrivals:?}");
        assert!(!flow.is_silent(at(2_100)));
    }

    #[test]
    fn a_page_that_sends_nothing_for_a_second_and_a_half_is_silent_and_one_that_has_not_begun_is_not() {
        let mut flow = Flow::default();
        assert!(!flow.is_silent(at(60_000)));
        flow.arrived(at(1_000), &frame(0));
        assert!(!flow.is_silent(at(2_499)));
        assert!(flow.is_silent(at(2_500)));
        assert_eq!(flow.silent_at(), Some(at(2_500)));
    }
}
