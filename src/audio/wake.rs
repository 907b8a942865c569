//! Wakes the thread that feeds and reads sound devices: when sound has come, when there is room for more, when it has orders.
//!
//! [`Waker::wake`] may be called in a device's callback: it sets a flag and, where the thread sleeps, unparks it. It takes no lock, allocates
//! nothing and does not wait: the only call to the system is the one that wakes a sleeping thread (`futex`, some microseconds, once for 10 to 20 ms
//! of sound), and none is made where the thread is awake.

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, OnceLock};
use std::thread::{self, Thread};
use std::time::Duration;

/// The side that sleeps. Belongs to one thread from its first [`sleep`](Self::sleep) on.
pub struct Sleeper(Arc<Flag>);

/// The side that wakes. Cheap to copy; any thread may have one.
#[derive(Clone)]
pub struct Waker(Arc<Flag>);

#[derive(Default)]
struct Flag {
    rung: AtomicBool,
    sleeper: OnceLock<Thread>,
}

impl Sleeper {
    /// A sleeper that nothing has woken yet.
    pub fn new() -> Self {
        Self(Arc::new(Flag::default()))
    }

    /// What wakes this one.
    pub fn waker(&self) -> Waker {
        Waker(Arc::clone(&self.0))
    }

    /// Sleeps until somebody has woken it since it slept last, and for `longest` at most. May come back a little early for no reason: look at
    /// what there is to do, and at the clock.
    ///
    /// All sleep of one `Sleeper` has to be on one thread; another thread that sleeps with it is not woken, and sleeps for `longest`.
    pub fn sleep(&mut self, longest: Duration) {
        self.0.sleeper.get_or_init(thread::current);
        if !self.0.rung.swap(false, Ordering::AcqRel) {
            thread::park_timeout(longest);
            // Whoever rang while it was falling asleep is answered by this return.
            self.0.rung.store(false, Ordering::Release);
        }
    }
}

impl Default for Sleeper {
    fn default() -> Self {
        Self::new()
    }
}

impl Waker {
    /// One that wakes nobody, for whoever looks by itself.
    pub fn of_nobody() -> Self {
        Self(Arc::new(Flag::default()))
    }

    /// Ends the present sleep, or the next one where the thread is awake. Allowed in a callback.
    pub fn wake(&self) {
        if !self.0.rung.swap(true, Ordering::AcqRel)
            && let Some(sleeper) = self.0.sleeper.get()
        {
            sleeper.unpark();
        }
    }
}
