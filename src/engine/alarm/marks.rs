//! When a clock speaks: on the way, at its end, and again until somebody ends the hazard.

use std::collections::VecDeque;
use std::time::Duration;

use super::super::state::RunningClock;
use crate::units::SessionTime;

/// What a clock says on the way.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mark {
    Half,
    Minute,
    TenSeconds,
}

/// The marks of a clock, in the order they come. Marks too close to the start, to each other or to the end are left out, for
/// nobody can use two of them in one breath; the later, more exact one stays.
pub fn marks(clock: &RunningClock) -> Vec<(SessionTime, Mark)> {
    let before_end = |left: Duration| clock.started + clock.length.saturating_sub(left);
    let mut all = vec![
        (before_end(clock.length / 2), clock.length / 2, Mark::Half),
        (before_end(MINUTE), MINUTE, Mark::Minute),
        (before_end(TEN), TEN, Mark::TenSeconds),
    ];
    all.retain(|(_, left, _)| *left < clock.length && clock.length - *left >= APART && *left >= APART);
    all.sort_by_key(|(at, ..)| *at);
    let mut kept: Vec<(SessionTime, Mark)> = Vec::new();
    for (at, _, mark) in all {
        if kept.last().is_some_and(|(before, _)| at.since(*before) < APART) {
            kept.pop();
        }
        kept.push((at, mark));
    }
    kept
}

/// How long after the n-th alarm (from 0) the next one comes: it grows more pressing, down to a pause in which one can answer.
pub fn alarm_gap(repeat: u32) -> Duration {
    let shortened = LONGEST_GAP.saturating_sub(Duration::from_millis(1_500) * repeat);
    shortened.max(SHORTEST_GAP)
}

/// The seconds that are said while something is held: every ten, and the last three.
pub fn hold_counts(length: Duration) -> VecDeque<u64> {
    let seconds = length.as_secs();
    (1..seconds).rev().filter(|count| *count <= 3 || (count % 10 == 0 && seconds - count >= 5)).collect()
}

/// A mark that comes later than this (the machine slept) would say a wrong time.
pub const STALE_MARK: Duration = Duration::from_secs(3);
/// An alarm whose end was never reported is taken as over after this.
pub const LONGEST_ALARM: Duration = Duration::from_secs(20);
/// How often a due alarm is tried again while the last one is still being said.
pub const POLL_WHILE_BUSY: Duration = Duration::from_millis(100);
/// Clocks that a person set ring so often, with this pause, and then rest.
pub const TIMER_GAP: Duration = Duration::from_secs(30);
pub const TIMER_RINGS: u32 = 5;
const MINUTE: Duration = Duration::from_secs(60);
const TEN: Duration = Duration::from_secs(10);
/// A sentence and the breath after it.
const APART: Duration = Duration::from_secs(6);
/// Counted from the start of one alarm to the start of the next: signal and words take about 4 s of it.
const LONGEST_GAP: Duration = Duration::from_secs(12);
const SHORTEST_GAP: Duration = Duration::from_secs(7);

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    #[rstest]
    #[case::five_minutes(300, &[(150, Mark::Half), (240, Mark::Minute), (290, Mark::TenSeconds)])]
    #[case::two_minutes(120, &[(60, Mark::Minute), (110, Mark::TenSeconds)])]
    // Five seconds lie between half way and ten seconds: only the later one is said.
    #[case::half_a_minute(30, &[(20, Mark::TenSeconds)])]
    #[case::twenty_seconds(20, &[(10, Mark::TenSeconds)])]
    #[case::ten_seconds(10, &[])]
    fn marks_are_said_where_they_can_be_used(#[case] length_s: u64, #[case] expected: &[(u64, Mark)]) {
        let clock = RunningClock {
            started: SessionTime::from_millis(7_000),
            length: Duration::from_secs(length_s),
            ran_out: false,
            by: 0,
        };
        let found = marks(&clock);
        let expected: Vec<_> =
            expected.iter().map(|(s, m)| (SessionTime::from_millis(7_000 + s * 1_000), *m)).collect();
        assert_eq!(found, expected);
    }

    #[test]
    fn alarms_come_sooner_each_time_but_leave_a_pause_to_answer() {
        let gaps: Vec<u64> = (0..6).map(|n| alarm_gap(n).as_secs()).collect();
        assert_eq!(gaps[0], 12);
        assert!(gaps.windows(2).all(|pair| pair[1] <= pair[0]) && gaps[5] == 7, "{gaps:?}");
    }
}
