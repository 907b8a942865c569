//! Keeps a device open: opens it without keeping anybody waiting, notices when it is lost, and opens it anew, at intervals that grow.
//!
//! The same for both directions ([`Device`]). Pure but for the threads that open, watch and close: time is an argument, and
//! [`Keeper::poll`] never waits.

use std::sync::mpsc::{Receiver, TryRecvError, channel};
use std::time::Duration;

use crate::audio::capture::Capture;
use crate::audio::device::{DeviceError, DeviceWatch, Direction, Watched};
use crate::audio::playback::{Playback, Reference};
use crate::audio::wake::Waker;
use crate::units::SessionTime;

/// What a keeper keeps.
pub trait Device: Sized + Send + 'static {
    /// Which way its sound goes.
    const DIRECTION: Direction;
    /// Samples that a device has to move before one that was lost counts as back: one that opens and takes no more than its buffers hold is not.
    const PROOF: u64;
    /// A device that moves nothing for so long is dead, even where it reports nothing.
    const STALLED: Duration;

    /// Opens the device with this id or name, or the system's default one. May take seconds.
    ///
    /// # Errors
    /// It is not there, or cannot be opened.
    fn open(wanted: Option<&str>, waker: &Waker) -> Result<Self, DeviceError>;

    /// Samples that it has moved so far.
    fn moved(&self) -> u64;

    /// Why it is gone, if it has reported that.
    fn failed(&self) -> Option<DeviceError>;

    /// Its name, for people.
    fn name(&self) -> &str;

    /// What watches over it, where anything has to, and `wanted` was asked for.
    ///
    /// # Errors
    /// It has to be watched and cannot be.
    fn watch(&self, wanted: Option<&str>) -> Result<Option<DeviceWatch>, DeviceError>;
}

impl Device for Capture {
    const DIRECTION: Direction = Direction::Input;
    const PROOF: u64 = 1;
    const STALLED: Duration = Duration::from_millis(700);

    fn open(wanted: Option<&str>, waker: &Waker) -> Result<Self, DeviceError> {
        Self::open(wanted, waker)
    }

    fn moved(&self) -> u64 {
        self.delivered()
    }

    fn failed(&self) -> Option<DeviceError> {
        self.failed()
    }

    fn name(&self) -> &str {
        self.name()
    }

    fn watch(&self, wanted: Option<&str>) -> Result<Option<DeviceWatch>, DeviceError> {
        // One that was not asked for by name is watched for as long as it is the system's own.
        wanted.or(self.id()).map(|id| DeviceWatch::begin(Watched::Microphone(id.to_owned()))).transpose()
    }
}

/// A loudspeaker, and what it was given for the echo canceller.
pub struct Loudspeaker {
    /// To be filled.
    pub playback: Playback,
    /// To be read, frame by frame.
    pub reference: Reference,
}

impl Device for Loudspeaker {
    const DIRECTION: Direction = Direction::Output;
    /// A third of a second.
    const PROOF: u64 = 16_000;
    const STALLED: Duration = Duration::from_millis(1_500);

    fn open(wanted: Option<&str>, waker: &Waker) -> Result<Self, DeviceError> {
        Playback::open(wanted, waker).map(|(playback, reference)| Self { playback, reference })
    }

    fn moved(&self) -> u64 {
        self.playback.taken()
    }

    fn failed(&self) -> Option<DeviceError> {
        self.playback.failed()
    }

    fn name(&self) -> &str {
        self.playback.name()
    }

    fn watch(&self, _wanted: Option<&str>) -> Result<Option<DeviceWatch>, DeviceError> {
        DeviceWatch::begin(Watched::AnyLoudspeaker).map(Some)
    }
}

/// Keeps one device.
pub struct Keeper<D> {
    wanted: Option<String>,
    waker: Waker,
    state: State<D>,
    /// Whether its loss was told and its return was not.
    lost: bool,
    backoff: Backoff,
}

enum State<D> {
    Closed { until: SessionTime },
    Opening { opened: Receiver<Result<D, DeviceError>>, since: SessionTime },
    Open { device: D, stall: Stall, watch: Option<DeviceWatch> },
}

/// What a keeper tells.
#[derive(Debug)]
pub enum DeviceChange {
    /// There is none to be used, from now on.
    Lost(DeviceError),
    /// One is open again, and works.
    Back,
}

impl<D: Device> Keeper<D> {
    /// Keeps the device with this id or name, or whatever is the system's default. `waker` is woken by the device, and when it is open.
    pub fn new(wanted: Option<String>, waker: Waker, now: SessionTime) -> Self {
        Self { wanted, waker, state: State::Closed { until: now }, lost: false, backoff: Backoff::default() }
    }

    /// The device, where there is one to be used.
    pub fn device(&mut self) -> Option<&mut D> {
        match &mut self.state {
            State::Open { device, .. } if !self.lost => Some(device),
            _ => None,
        }
    }

    /// Whether the device is being opened for the first time: neither there nor lost.
    pub fn is_awaited(&self) -> bool {
        !self.lost && !matches!(self.state, State::Open { .. })
    }

    /// Looks after the device. To be called whenever the thread is awake, and every [`LOOK_EVERY`] at least.
    pub fn poll(&mut self, now: SessionTime) -> Option<DeviceChange> {
        match &mut self.state {
            State::Closed { until } => {
                if now < *until {
                    return None;
                }
                match self.begin_opening(now) {
                    Ok(opening) => self.state = opening,
                    Err(why) => return self.lose(now, why),
                }
                None
            }
            State::Opening { opened, since } => match opened.try_recv() {
                Ok(Ok(device)) => match device.watch(self.wanted.as_deref()) {
                    Ok(watch) => {
                        self.state = State::Open { device, stall: Stall::new(D::STALLED, now), watch };
                        None
                    }
                    Err(why) => self.lose(now, why),
                },
                Ok(Err(why)) => self.lose(now, why),
                Err(TryRecvError::Empty) if now.since(*since) < OPENS_WITHIN => None,
                Err(_) => {
                    let why = DeviceError::DoesNotAnswer { direction: D::DIRECTION };
                    self.lose(now, why)
                }
            },
            State::Open { device, stall, watch } => {
                let loss = match device.failed() {
                    Some(why) => Some(why),
                    None if watch.as_ref().is_some_and(DeviceWatch::is_gone) => {
                        Some(DeviceError::NotListed { direction: D::DIRECTION })
                    }
                    None => stall
                        .has_stopped(now, device.moved())
                        .then(|| DeviceError::StandsStill { direction: D::DIRECTION, name: device.name().to_owned() }),
                };
                match loss {
                    Some(loss) => self.lose(now, loss),
                    None if self.lost && device.moved() >= D::PROOF => {
                        self.lost = false;
                        self.backoff = Backoff::default();
                        Some(DeviceChange::Back)
                    }
                    None => None,
                }
            }
        }
    }

    fn begin_opening(&self, now: SessionTime) -> Result<State<D>, DeviceError> {
        let (tell, opened) = channel();
        let (wanted, waker) = (self.wanted.clone(), self.waker.clone());
        let open = move || {
            // Nobody waits any more for one that took too long: it is closed again.
            drop(tell.send(D::open(wanted.as_deref(), &waker)));
            waker.wake();
        };
        let name = format!("open {}", D::DIRECTION);
        match std::thread::Builder::new().name(name).spawn(open) {
            Ok(_) => Ok(State::Opening { opened, since: now }),
            Err(source) => Err(DeviceError::NoThread { direction: D::DIRECTION, source }),
        }
    }

    /// The device is closed, to be opened anew later. Told once.
    fn lose(&mut self, now: SessionTime, loss: DeviceError) -> Option<DeviceChange> {
        tracing::debug!(%loss, "{}", D::DIRECTION);
        self.state = State::Closed { until: now + self.backoff.next_wait() };
        (!std::mem::replace(&mut self.lost, true)).then_some(DeviceChange::Lost(loss))
    }
}

/// How long to wait before the next try, longer from try to try.
#[derive(Clone, Copy, Debug, Default)]
pub struct Backoff {
    tries: usize,
}

impl Backoff {
    /// The wait before the next try.
    pub fn next_wait(&mut self) -> Duration {
        let wait = WAITS[self.tries.min(WAITS.len() - 1)];
        self.tries += 1;
        wait
    }
}

/// Whether a device still moves sound, from its count of samples: one that stands still holds up everything that is to be said, or hears nothing.
#[derive(Clone, Copy, Debug)]
pub struct Stall {
    patience: Duration,
    moved: u64,
    /// How long it has stood still, as far as it was looked at.
    stood: Duration,
    looked: SessionTime,
}

impl Stall {
    /// A device that opens now. `patience` is how long one may stand still that has moved anything.
    pub fn new(patience: Duration, now: SessionTime) -> Self {
        Self { patience, moved: 0, stood: Duration::ZERO, looked: now }
    }

    /// Whether it has stopped: its count, `moved`, stands still for longer than a device may. Of the time between two looks no more than
    /// [`LOOK_EVERY`] counts, for then it was this thread that was held up.
    pub fn has_stopped(&mut self, now: SessionTime, moved: u64) -> bool {
        let since = now.since(self.looked);
        self.looked = now;
        if moved != self.moved {
            (self.moved, self.stood) = (moved, Duration::ZERO);
            return false;
        }
        self.stood += since.min(LOOK_EVERY);
        // What it takes at first goes into its buffers, and a device that is asleep may take seconds to begin.
        let patience = if self.moved <= BUFFERS { self.patience.max(ASLEEP) } else { self.patience };
        self.stood > patience
    }
}

/// A keeper is to be polled this often.
pub const LOOK_EVERY: Duration = Duration::from_millis(100);
/// Whoever plugs a device in hears within a second or two that it is there.
const WAITS: [Duration; 5] = [
    Duration::from_millis(500),
    Duration::from_millis(1_000),
    Duration::from_millis(1_000),
    Duration::from_millis(1_500),
    Duration::from_millis(2_000),
];
/// A device that is asleep opens within two seconds.
const OPENS_WITHIN: Duration = Duration::from_secs(8);
/// Samples that a device may take before anything sounds: a third of a second at 48 kHz.
const BUFFERS: u64 = 16_000;
const ASLEEP: Duration = Duration::from_secs(5);

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::atomic::{AtomicU64, Ordering};
    use std::sync::{Arc, Mutex};

    use rstest::rstest;

    /// What a device is told to do, for the tests of this thread's keeper: each try to open takes the next.
    type Script = Arc<Mutex<Vec<Option<Arc<AtomicU64>>>>>;

    static SCRIPTS: Mutex<Vec<(String, Script)>> = Mutex::new(Vec::new());

    struct Scripted {
        moved: Arc<AtomicU64>,
        failed: Arc<AtomicU64>,
    }

    impl Device for Scripted {
        const DIRECTION: Direction = Direction::Output;
        const PROOF: u64 = 100;
        const STALLED: Duration = Duration::from_millis(1_500);

        fn open(wanted: Option<&str>, _waker: &Waker) -> Result<Self, DeviceError> {
            let wanted = wanted.expect("each test has its own");
            let scripts = SCRIPTS.lock().unwrap();
            let script = &scripts.iter().find(|(name, _)| name == wanted).expect("the test has one").1;
            let next = script.lock().unwrap().pop().flatten();
            let moved = next.ok_or(DeviceError::NoDefault { direction: Direction::Output })?;
            Ok(Self { failed: Arc::new(AtomicU64::new(0)), moved })
        }

        fn moved(&self) -> u64 {
            self.moved.load(Ordering::Relaxed)
        }

        fn failed(&self) -> Option<DeviceError> {
            let gone = || DeviceError::Gone { direction: Direction::Output, name: String::new() };
            (self.failed.load(Ordering::Relaxed) > 0).then(gone)
        }

        fn name(&self) -> &str {
            "scripted"
        }

        fn watch(&self, wanted: Option<&str>) -> Result<Option<DeviceWatch>, DeviceError> {
            let source = || std::io::Error::from(std::io::ErrorKind::WouldBlock);
            let fails = wanted == Some("unwatched");
            if fails { Err(DeviceError::NoThread { direction: Self::DIRECTION, source: source() }) } else { Ok(None) }
        }
    }

    /// A keeper whose tries to open give these devices, or none; and time, at which it is polled every 100 ms.
    struct Bench {
        keeper: Keeper<Scripted>,
        now: SessionTime,
    }

    impl Bench {
        fn new(name: &str, tries: &[Option<&Arc<AtomicU64>>]) -> Self {
            let script = tries.iter().rev().map(|moved| moved.cloned()).collect();
            SCRIPTS.lock().unwrap().push((name.to_owned(), Arc::new(Mutex::new(script))));
            let now = SessionTime::ZERO;
            Self { keeper: Keeper::new(Some(name.to_owned()), Waker::of_nobody(), now), now }
        }

        /// What it tells within so long.
        fn watch(&mut self, span: Duration) -> Vec<(u64, String)> {
            let until = self.now + span;
            let mut told = Vec::new();
            while self.now < until {
                if let Some(change) = self.poll() {
                    let name = if matches!(change, DeviceChange::Back) { "back" } else { "lost" };
                    told.push((self.now.as_millis(), name.to_owned()));
                }
                self.now += LOOK_EVERY;
            }
            told
        }

        fn poll(&mut self) -> Option<DeviceChange> {
            let change = self.keeper.poll(self.now);
            // The thread that opens takes real time, of which the bench has none.
            if change.is_none() && matches!(self.keeper.state, State::Opening { .. }) {
                loop {
                    std::thread::yield_now();
                    let change = self.keeper.poll(self.now);
                    if change.is_some() || !matches!(self.keeper.state, State::Opening { .. }) {
                        return change;
                    }
                }
            }
            change
        }
    }

    #[test]
    fn the_first_is_there_at_once_and_one_that_was_lost_only_when_it_has_moved_sound() {
        let (first, second) = (Arc::new(AtomicU64::new(0)), Arc::new(AtomicU64::new(0)));
        let mut bench = Bench::new("first", &[Some(&first), Some(&second)]);
        assert!(bench.keeper.is_awaited());
        assert!(bench.watch(LOOK_EVERY).is_empty());
        assert!(bench.keeper.device().is_some());
        bench.keeper.device().unwrap().failed.store(1, Ordering::Relaxed);
        let told = bench.watch(Duration::from_secs(1));
        assert_eq!(told.len(), 1, "{told:?}");
        assert!(bench.keeper.device().is_none(), "open again, and unproven");
        second.store(100, Ordering::Relaxed);
        assert_eq!(bench.watch(LOOK_EVERY)[0].1, "back");
        assert!(bench.keeper.device().is_some());
    }

    #[test]
    fn a_device_that_is_not_there_is_told_once_and_looked_for_at_intervals_that_grow_up_to_two_seconds() {
        let moved = Arc::new(AtomicU64::new(100));
        let mut tries = vec![None; 9];
        tries.push(Some(&moved));
        let mut bench = Bench::new("absent", &tries);
        // It stands still, so it would be lost again five seconds after it is back.
        let told = bench.watch(Duration::from_secs(18));
        let names: Vec<&str> = told.iter().map(|(_, name)| name.as_str()).collect();
        assert_eq!(names, ["lost", "back"]);
        let waits: Duration = WAITS.iter().sum::<Duration>() + WAITS[4] * 4;
        let back = Duration::from_millis(told[1].0);
        assert!(back >= waits && back < waits + LOOK_EVERY * 15, "{back:?}, waited for {waits:?}");
    }

    #[test]
    fn one_that_nobody_can_watch_is_lost_and_tried_again() {
        let moved = Arc::new(AtomicU64::new(0));
        let mut bench = Bench::new("unwatched", &[Some(&moved), Some(&moved), Some(&moved)]);
        let told = bench.watch(Duration::from_secs(2));
        assert_eq!(told.iter().map(|(_, name)| name.as_str()).collect::<Vec<_>>(), ["lost"]);
        assert!(bench.keeper.device().is_none());
        let left =
            SCRIPTS.lock().unwrap().iter().find(|(name, _)| name == "unwatched").unwrap().1.lock().unwrap().len();
        assert!(left < 2, "it was opened again");
    }

    #[rstest]
    #[case::never_moved(0, 5_100)]
    #[case::has_moved(48_000, 1_600)]
    fn one_that_stands_still_is_lost(#[case] moved: u64, #[case] at_ms: u64) {
        let count = Arc::new(AtomicU64::new(moved));
        let mut bench = Bench::new(&format!("still {moved}"), &[Some(&count)]);
        let told = bench.watch(Duration::from_secs(6));
        assert_eq!(told[0].1, "lost");
        assert!(told[0].0.abs_diff(at_ms) <= 200, "{told:?}");
    }

    #[test]
    fn a_thread_that_was_held_up_takes_no_device_for_dead() {
        let mut stall = Stall::new(Duration::from_millis(1_500), SessionTime::ZERO);
        assert!(!stall.has_stopped(SessionTime::from_millis(100), 50_000));
        assert!(!stall.has_stopped(SessionTime::from_millis(60_000), 50_000), "looked at once in a minute");
        assert!(!stall.has_stopped(SessionTime::from_millis(60_100), 50_960));
    }
}
