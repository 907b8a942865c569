//! A timer that runs through suspend: a clock that guards a hazard rings as the machine wakes.

use std::io;
use std::os::fd::OwnedFd;
use std::time::Duration;

use rustix::time::{
    Itimerspec, Secs, TimerfdClockId, TimerfdFlags, TimerfdTimerFlags, Timespec, timerfd_create, timerfd_settime,
};
use tokio::io::unix::AsyncFd;

/// One timer, armed anew for each deadline.
pub struct Timer {
    descriptor: AsyncFd<OwnedFd>,
}

impl Timer {
    /// A timer that is not armed.
    ///
    /// # Errors
    /// The system has none to give.
    #[allow(unsafe_code, reason = "the library wants to be told that the descriptor stays the same")]
    pub fn new() -> io::Result<Self> {
        let descriptor = timerfd_create(TimerfdClockId::Boottime, TimerfdFlags::NONBLOCK | TimerfdFlags::CLOEXEC)?;
        // SAFETY: an `OwnedFd` gives the same descriptor always, and keeps it open until it is dropped, after the event queue has let go of it.
        Ok(Self { descriptor: unsafe { AsyncFd::register(descriptor)? } })
    }

    /// Rings once after `span` (at once where that is zero), or never with nothing. Whatever it was armed for before is forgotten.
    ///
    /// # Errors
    /// The system refuses.
    pub fn arm(&self, span: Option<Duration>) -> io::Result<()> {
        let off = Timespec { tv_sec: 0, tv_nsec: 0 };
        let value = match span {
            None => off,
            // Zero would switch it off.
            Some(span) => {
                let span = span.max(Duration::from_nanos(1));
                Timespec {
                    tv_sec: Secs::try_from(span.as_secs()).unwrap_or(Secs::MAX),
                    tv_nsec: i64::from(span.subsec_nanos()),
                }
            }
        };
        timerfd_settime(
            self.descriptor.get_ref(),
            TimerfdTimerFlags::empty(),
            &Itimerspec { it_interval: off, it_value: value },
        )?;
        Ok(())
    }

    /// Waits until it rings. Dropping the wait loses nothing.
    ///
    /// # Errors
    /// The system's event queue fails.
    pub async fn rings(&self) -> io::Result<()> {
        loop {
            let mut ready = self.descriptor.readable().await?;
            let mut count = [0; 8];
            match ready.try_io(|descriptor| Ok(rustix::io::read(descriptor.get_ref(), &mut count)?)) {
                Ok(read) => return read.map(drop),
                // It was armed anew meanwhile.
                Err(_would_block) => {}
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test(flavor = "current_thread")]
    async fn it_rings_when_armed_and_not_when_disarmed() {
        let timer = Timer::new().unwrap();
        timer.arm(Some(Duration::from_millis(5))).unwrap();
        timer.rings().await.unwrap();
        timer.arm(Some(Duration::ZERO)).unwrap();
        timer.rings().await.unwrap();
        timer.arm(Some(Duration::from_millis(5))).unwrap();
        timer.arm(None).unwrap();
        let waited = tokio::time::timeout(Duration::from_millis(40), timer.rings()).await;
        assert!(waited.is_err(), "it was disarmed");
    }
}
