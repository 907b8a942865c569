//! The only place that reads clocks.
//!
//! Session time runs on the clock since boot that counts suspend too. Wall time is read for the record and for people only;
//! nothing is reckoned from it, since it may be wrong and may jump.

use std::time::Duration;

use rustix::time::{ClockId, clock_gettime};

use crate::engine::input::Away;
use crate::journal::{Stamp, away_since};
use crate::units::SessionTime;

/// Tells the session time of one run, and stamps its records.
#[derive(Clone, Debug)]
pub struct Clock {
    boot_id: String,
    /// Time since boot at which the run was, or would have been, at zero. May lie before boot in a resumed run.
    zero: Zero,
}

impl Clock {
    /// A clock for a run that begins now.
    pub fn start() -> Self {
        Self { boot_id: boot_id(), zero: Zero::at(since_boot(), SessionTime::ZERO) }
    }

    /// A clock for a run that goes on after its last record, made at session time `last` with `stamp`.
    ///
    /// Gives how long the program was away as well. Where nobody can know, session time goes on from `last` itself.
    pub fn resume(last: SessionTime, stamp: &Stamp) -> (Self, Away) {
        let (boot_id, now) = (boot_id(), since_boot());
        let stamp_now = Stamp { boot_id: boot_id.clone(), boottime_ms: millis(now), wall: String::new() };
        let away = away_since(stamp, &stamp_now);
        let here = match away {
            Away::Known(span) => last + span,
            Away::Unknown => last,
        };
        (Self { boot_id, zero: Zero::at(now, here) }, away)
    }

    /// Session time now. Never goes back.
    pub fn now(&self) -> SessionTime {
        self.zero.session(since_boot())
    }

    /// A stamp for a record that is made now.
    pub fn stamp(&self) -> Stamp {
        Stamp { boot_id: self.boot_id.clone(), boottime_ms: millis(since_boot()), wall: wall() }
    }

    /// A stamp for a record of what happened at this session time, which the disk may have held up since.
    pub fn stamp_at(&self, at: SessionTime) -> Stamp {
        let (now, then) = (since_boot(), self.zero.since_boot(at));
        let boottime_ms = millis(then);
        Stamp { boot_id: self.boot_id.clone(), boottime_ms, wall: wall_before(now.saturating_sub(then)) }
    }

    /// Time since the clock was started.
    pub fn since_start(&self) -> Duration {
        self.now() - SessionTime::ZERO
    }

    /// Waits until `then`; returns at once when that has passed.
    pub fn sleep_until(&self, then: SessionTime) {
        let span = self.until(then);
        if !span.is_zero() {
            pause(span);
        }
    }

    /// Time from now until `then`; zero when that has passed. Trust the clock and not a timer that was set with this: a
    /// sleeping machine can hold it up, and waking too early is harmless.
    pub fn until(&self, then: SessionTime) -> Duration {
        then - self.now()
    }
}

/// Lets the other threads work for a while. Only for threads that feed devices and have nothing to wait on.
#[allow(clippy::disallowed_methods, reason = "a device's ring cannot wake anybody: its callback may not wait")]
pub fn pause(span: Duration) {
    std::thread::sleep(span);
}

/// Wall time now, RFC 3339 in UTC to the millisecond.
pub fn wall() -> String {
    wall_before(Duration::ZERO)
}

/// Wall time so long ago; now where the clock stands so early that there was none.
#[allow(clippy::disallowed_methods, reason = "this is the place that reads the wall clock")]
fn wall_before(span: Duration) -> String {
    let now = jiff::Timestamp::now();
    format!("{:.3}", now.checked_sub(span).unwrap_or(now))
}

/// Today, by the machine's calendar.
#[allow(clippy::disallowed_methods, reason = "this is the only place that reads clocks")]
pub fn today() -> jiff::civil::Date {
    jiff::Timestamp::now().to_zoned_datetime(jiff::tz::TimeZone::system()).date()
}

/// Where session time zero lies on the clock since boot.
#[derive(Clone, Copy, Debug)]
enum Zero {
    AfterBoot(Duration),
    BeforeBoot(Duration),
}

impl Zero {
    fn at(now: Duration, session: SessionTime) -> Self {
        let session = session.since(SessionTime::ZERO);
        match now.checked_sub(session) {
            Some(after) => Self::AfterBoot(after),
            None => Self::BeforeBoot(session - now),
        }
    }

    /// The same the other way round: where a moment of the session lies on the clock since boot.
    fn since_boot(self, session: SessionTime) -> Duration {
        let session = session.since(SessionTime::ZERO);
        match self {
            Self::AfterBoot(zero) => zero.saturating_add(session),
            Self::BeforeBoot(zero) => session.saturating_sub(zero),
        }
    }

    fn session(self, now: Duration) -> SessionTime {
        SessionTime::ZERO
            + match self {
                Self::AfterBoot(zero) => now.saturating_sub(zero),
                Self::BeforeBoot(zero) => now.saturating_add(zero),
            }
    }
}

#[allow(clippy::disallowed_methods, reason = "this is the place that reads the clock since boot")]
fn since_boot() -> Duration {
    let time = clock_gettime(ClockId::Boottime);
    // The clock since boot is never negative, and its nanoseconds are below one second (clock_gettime(2)).
    Duration::new(u64::try_from(time.tv_sec).unwrap_or(0), u32::try_from(time.tv_nsec).unwrap_or(0))
}

fn millis(span: Duration) -> u64 {
    u64::try_from(span.as_millis()).unwrap_or(u64::MAX)
}

/// Names this boot of the machine. Empty where the system does not tell, and then no time away is ever taken as known.
fn boot_id() -> String {
    match std::fs::read_to_string(BOOT_ID) {
        Ok(id) => id.trim().to_owned(),
        Err(error) => {
            tracing::warn!("'{BOOT_ID}': {error}; after a restart of the program no time away will be known");
            String::new()
        }
    }
}

/// A random id that the kernel draws at each boot (random(4)).
const BOOT_ID: &str = "/proc/sys/kernel/random/boot_id";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn session_time_begins_at_zero_and_runs_with_the_clock_since_boot() {
        let (clock, before) = (Clock::start(), since_boot());
        while since_boot() - before < Duration::from_millis(5) {
            std::hint::spin_loop();
        }
        let now = clock.now();
        assert!((5..1_000).contains(&now.as_millis()), "{now}");
        assert_eq!(clock.until(SessionTime::ZERO), Duration::ZERO);
    }

    #[test]
    fn the_clock_since_boot_is_that_of_the_kernel() {
        // /proc/uptime counts suspend too (proc_uptime(5)); it has hundredths of a second.
        let text = std::fs::read_to_string("/proc/uptime").expect("a Linux machine");
        let uptime: f64 = text.split(' ').next().and_then(|word| word.parse().ok()).expect("a number first");
        assert!((since_boot().as_secs_f64() - uptime).abs() < 1.0);
    }

    #[test]
    fn a_run_resumed_on_the_same_boot_goes_on_with_the_time_away() {
        let mut stamp = Clock::start().stamp();
        stamp.boottime_ms -= 1_000;
        let (clock, away) = Clock::resume(SessionTime::from_millis(u64::from(u32::MAX)), &stamp);
        let Away::Known(span) = away else { panic!("same boot") };
        assert!((1_000..3_000).contains(&millis(span)), "{span:?}");
        let went_on = clock.now() - SessionTime::from_millis(u64::from(u32::MAX));
        assert!((1_000..3_000).contains(&millis(went_on)), "{went_on:?}");
    }

    #[test]
    fn a_record_that_the_disk_held_up_makes_no_clock_of_the_resumed_run_late() {
        let mut begun = Clock::start().stamp();
        begun.boottime_ms -= 40_000;
        let (clock, _) = Clock::resume(SessionTime::from_millis(90_000), &begun);
        // What happened 30 s ago is written now.
        let happened = SessionTime::from_millis(clock.now().as_millis() - 30_000);
        let (held_up, now) = (clock.stamp_at(happened), clock.stamp());
        assert!((30_000..30_500).contains(&(now.boottime_ms - held_up.boottime_ms)), "{held_up:?}, now {now:?}");
        let moment = |stamp: &Stamp| stamp.wall.parse::<jiff::Timestamp>().unwrap().as_millisecond();
        assert!((30_000..30_500).contains(&(moment(&now) - moment(&held_up))), "{held_up:?}, now {now:?}");
        let (resumed, _) = Clock::resume(happened, &held_up);
        let apart = resumed.now().as_millis().abs_diff(clock.now().as_millis());
        assert!(apart < 500, "{apart} ms between a run that goes on and the same that was resumed");
    }

    #[test]
    fn a_run_resumed_after_a_reboot_goes_on_from_its_last_record() {
        let mut stamp = Clock::start().stamp();
        stamp.boot_id = "another boot".to_owned();
        let (clock, away) = Clock::resume(SessionTime::from_millis(9_000), &stamp);
        assert_eq!(away, Away::Unknown);
        assert!((9_000..11_000).contains(&clock.now().as_millis()));
    }

    #[test]
    fn a_stamp_carries_the_boot_and_a_wall_time_that_others_can_read() {
        let stamp = Clock::start().stamp();
        assert_eq!(stamp.boot_id.len(), 36, "a UUID: {}", stamp.boot_id);
        stamp.wall.parse::<jiff::Timestamp>().expect("RFC 3339");
        assert!(stamp.wall.ends_with('Z'), "{}", stamp.wall);
    }
}
