//! Time inside a run, and the names of its stations. Wall-clock time never enters here: it rides along as data in the journal only.

use std::fmt;
use std::ops::{Add, AddAssign, Sub};
use std::time::Duration;

use serde::{Deserialize, Serialize};

/// A moment, in whole milliseconds since the run began (range 0 to about 584 million years).
///
/// It only ever grows while a run lives, also over a restart: a resumed run goes on from the last recorded moment plus the
/// time away. Taking a later moment from an earlier one gives a zero span, never a panic.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct SessionTime(u64);

impl SessionTime {
    /// The beginning of a run.
    pub const ZERO: Self = Self(0);

    /// The moment `ms` milliseconds after the run began.
    pub const fn from_millis(ms: u64) -> Self {
        Self(ms)
    }

    /// Milliseconds since the run began.
    pub const fn as_millis(self) -> u64 {
        self.0
    }

    /// The span from `earlier` to here; zero when `earlier` is later.
    pub const fn since(self, earlier: Self) -> Duration {
        Duration::from_millis(self.0.saturating_sub(earlier.0))
    }
}

impl Add<Duration> for SessionTime {
    type Output = Self;
    fn add(self, span: Duration) -> Self {
        Self(self.0.saturating_add(u64::try_from(span.as_millis()).unwrap_or(u64::MAX)))
    }
}

impl AddAssign<Duration> for SessionTime {
    fn add_assign(&mut self, span: Duration) {
        *self = *self + span;
    }
}

impl Sub for SessionTime {
    type Output = Duration;
    fn sub(self, earlier: Self) -> Duration {
        self.since(earlier)
    }
}

impl fmt::Display for SessionTime {
    /// `minutes:seconds.tenths`, as the talk is printed.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let tenths = self.0 / 100;
        write!(f, "{}:{:02}.{}", tenths / 600, tenths / 10 % 60, tenths % 10)
    }
}

/// Names a station of a run: an ear and a mouth that belong together, and whoever shares them.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct StationId(pub u16);

impl StationId {
    /// The station of the rig itself. It is always there, and serves everybody who has no station of their own.
    pub const RIG: Self = Self(0);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_earlier_moment_minus_a_later_one_is_no_time() {
        let (early, late) = (SessionTime::from_millis(10), SessionTime::from_millis(15));
        assert_eq!(early - late, Duration::ZERO);
        assert_eq!(late - early, Duration::from_millis(5));
    }

    #[test]
    fn a_moment_is_printed_in_minutes_seconds_and_tenths() {
        assert_eq!(SessionTime::from_millis(61_250).to_string(), "1:01.2");
    }
}
