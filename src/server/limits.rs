//! How much anybody may ask of the server. Pure: time is passed in, and whoever is over a limit is told so, never waited for.

use std::time::Duration;

use crate::units::SessionTime;

/// Bytes of a request's head, at most.
pub const MOST_HEAD: usize = 8 * 1024;
/// A head that is not there by then never comes.
pub const HEAD_WITHIN: Duration = Duration::from_secs(5);
/// A handshake that is not done by then never is.
pub const HANDSHAKE_WITHIN: Duration = Duration::from_secs(5);
/// Handshakes at once: each costs a millisecond of the processor and some memory.
pub const HANDSHAKES: usize = 16;
/// Handshakes at once from one address; a browser that opens more has them wait.
pub const HANDSHAKES_OF_ONE: usize = 4;
/// Connections at once; a page takes two at most.
pub const CONNECTIONS: usize = 64;
/// Connections at once from one address.
pub const CONNECTIONS_OF_ONE: usize = 16;
/// Pages that may be connected at once.
pub const PAGES: usize = 8;
/// A connection that asks for nothing is closed after so long.
pub const IDLE: Duration = Duration::from_secs(30);
/// Messages of a page: 50 frames of sound a second, and as many again for a moment after a stall.
pub const MESSAGES: Rate = Rate { most: 240, each: Duration::from_nanos(8_333_333) };
/// Attempts to pair: five a minute.
pub const PAIRINGS: Rate = Rate { most: 5, each: Duration::from_secs(12) };

/// So many at once, and one more after each span.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Rate {
    /// At once.
    pub most: u32,
    /// Until one more is allowed.
    pub each: Duration,
}

/// What is left of a rate.
#[derive(Clone, Copy, Debug)]
pub struct Allowance {
    rate: Rate,
    left: u32,
    /// From when on the next one is counted.
    since: SessionTime,
}

impl Allowance {
    /// All of it.
    pub fn full(rate: Rate, now: SessionTime) -> Self {
        Self { rate, left: rate.most, since: now }
    }

    /// Takes one; says whether there was one.
    pub fn take(&mut self, now: SessionTime) -> bool {
        let was = self.left(now);
        self.left = was.saturating_sub(1);
        was > 0
    }

    /// How many are left.
    pub fn left(&mut self, now: SessionTime) -> u32 {
        let earned = now.since(self.since).as_nanos() / self.rate.each.as_nanos().max(1);
        if earned >= u128::from(self.rate.most - self.left) {
            (self.left, self.since) = (self.rate.most, now);
        } else if let Ok(earned) = u32::try_from(earned) {
            self.left += earned;
            // Whole milliseconds: what is lost by that is made up by the next look.
            self.since += self.rate.each * earned;
        }
        self.left
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn taken(rate: Rate, times: impl Iterator<Item = u64>) -> usize {
        let mut allowance = Allowance::full(rate, SessionTime::ZERO);
        times.filter(|ms| allowance.take(SessionTime::from_millis(*ms))).count()
    }

    #[test]
    fn five_pairings_a_minute_and_no_more() {
        assert_eq!(taken(PAIRINGS, (0..1_000).map(|_| 0)), 5);
        assert_eq!(taken(PAIRINGS, (0..60_000).step_by(10)), 9, "five at once, and one every twelve seconds after");
        assert_eq!(taken(PAIRINGS, (0..3_600_000).step_by(60_000)), 60);
    }

    #[test]
    fn sound_in_time_and_after_a_stall_of_two_seconds_is_within_its_rate_and_a_flood_is_not() {
        assert_eq!(taken(MESSAGES, (0..600_000).step_by(20)), 30_000);
        let stalls =
            (0..3_000_u64).map(|n| n * 20).map(|ms| if ms % 10_000 < 2_000 { ms - ms % 10_000 + 2_000 } else { ms });
        assert_eq!(taken(MESSAGES, stalls), 3_000);
        let flood = taken(MESSAGES, (0..100_000).map(|n| n / 10));
        assert!((1_200..=1_500).contains(&flood), "{flood} of 100,000 in ten seconds");
    }
}
