//! Who sleeps between pieces of sound is woken, and wakes by itself.
#![allow(clippy::disallowed_methods, reason = "sleep is measured in real time")]

use std::thread;
use std::time::{Duration, Instant};

use sparehand::audio::wake::Sleeper;

const LONG: Duration = Duration::from_secs(20);

#[test]
fn who_is_woken_before_the_sleep_does_not_sleep() {
    let mut sleeper = Sleeper::new();
    let began = Instant::now();
    sleeper.waker().wake();
    sleeper.sleep(LONG);
    assert!(began.elapsed() < LONG / 2);
}

#[test]
fn another_thread_ends_a_sleep_however_often() {
    let mut sleeper = Sleeper::new();
    let waker = sleeper.waker();
    let (ask, asked) = std::sync::mpsc::channel::<()>();
    let other = thread::spawn(move || asked.iter().for_each(|()| waker.wake()));
    let began = Instant::now();
    for _ in 0..1_000 {
        ask.send(()).unwrap();
        sleeper.sleep(LONG);
    }
    drop(ask);
    other.join().unwrap();
    assert!(began.elapsed() < LONG, "{:?}", began.elapsed());
}

#[test]
fn a_sleep_that_nobody_ends_ends_by_itself() {
    let mut sleeper = Sleeper::new();
    let began = Instant::now();
    // A sleep may end early for no reason, but not again and again.
    (0..3).for_each(|_| sleeper.sleep(Duration::from_millis(30)));
    assert!(began.elapsed() >= Duration::from_millis(30), "{:?}", began.elapsed());
}
