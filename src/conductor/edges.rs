//! Threads at the edges: begun, watched, begun anew with growing pauses when they fall over, and joined at the end.
//!
//! Everything between threads is bounded. What may be lost when the loop is behind (levels) is; nothing else is.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, SyncSender, TrySendError, sync_channel};
use std::thread::JoinHandle;
use std::time::Duration;

use tokio::sync::mpsc::Sender;
use tokio::sync::mpsc::error::TrySendError as NewsError;

use crate::conductor::error::ConductorError;
use crate::conductor::news::News;
use crate::conductor::restart::Restart;
use crate::setup::clock::{Clock, pause};
use crate::station::StationOutput;

/// The way to the loop. Cheap to copy.
#[derive(Clone, Debug)]
pub struct ToLoop(Sender<News>);

impl ToLoop {
    /// A way that ends in this channel.
    pub fn new(news: Sender<News>) -> Self {
        Self(news)
    }

    /// Tells, where there is room; says whether it got through. For those that may not wait.
    pub fn offer(&self, news: News) -> Sent {
        match self.0.try_send(news) {
            Ok(()) => Sent::Through,
            Err(NewsError::Full(_)) => Sent::Lost,
            Err(NewsError::Closed(_)) => Sent::Gone,
        }
    }

    /// Tells; waits where the loop is behind, but not with a level, which is out of date soon. The loop is gone only when the program ends.
    pub fn tell(&self, news: News) {
        let news = match self.0.try_send(news) {
            Ok(()) | Err(NewsError::Closed(_)) => return,
            Err(NewsError::Full(News::Station(_, StationOutput::Level(_)))) => return,
            Err(NewsError::Full(news)) => news,
        };
        drop(self.0.blocking_send(news));
    }
}

/// Ends when the program does. Cheap to copy.
#[derive(Clone, Debug, Default)]
pub struct Stop(Arc<AtomicBool>);

impl Stop {
    /// Whether the thread is to end.
    pub fn is_set(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }

    /// From now on.
    pub fn set(&self) {
        self.0.store(true, Ordering::Relaxed);
    }
}

/// How a round of a thread's work ended.
#[derive(Debug)]
pub enum Round {
    /// Nothing is left to be done: the other side is gone, or the program ends.
    Over,
    /// It fell over; why. It is begun anew.
    Fell(String),
}

/// Begins a thread that does `work` until that is over; a round that falls over, by an error or by a panic, is told by `fell` and begun anew
/// after a pause, as [`Restart`] has it.
///
/// # Errors
/// The system gives no thread.
pub fn keep_going(
    name: &str,
    stop: Stop,
    mut work: impl FnMut() -> Round + Send + 'static,
    mut fell: impl FnMut(String) + Send + 'static,
) -> Result<JoinHandle<()>, ConductorError> {
    spawn(name, move || {
        let (clock, mut restart) = (Clock::start(), Restart::default());
        loop {
            restart.works(clock.now());
            let why = match catch_unwind(AssertUnwindSafe(&mut work)) {
                Ok(Round::Over) => return,
                Ok(Round::Fell(why)) => why,
                Err(panic) => said_by(panic.as_ref()),
            };
            fell(why);
            restart.fell(clock.now());
            let span = restart.at().map_or(Duration::ZERO, |at| clock.until(at));
            if rest(span, &stop) == Rested::Stopped {
                return;
            }
        }
    })
}

/// Begins a thread.
///
/// # Errors
/// The system gives none.
pub fn spawn(name: &str, work: impl FnOnce() + Send + 'static) -> Result<JoinHandle<()>, ConductorError> {
    std::thread::Builder::new().name(name.to_owned()).spawn(work).map_err(ConductorError::Thread)
}

/// What a panic said.
pub fn said_by(panic: &(dyn std::any::Any + Send)) -> String {
    let text = panic.downcast_ref::<&str>().map(|text| (*text).to_owned());
    text.or_else(|| panic.downcast_ref::<String>().cloned()).unwrap_or_else(|| "a fault of the program".to_owned())
}

/// A bounded way to a thread that is not waited on. What becomes of something that does not get through is the sender's to say.
#[derive(Debug)]
pub struct Outward<T>(SyncSender<T>);

impl<T> Outward<T> {
    /// A way for `most` that wait, and its other end.
    pub fn new(most: usize) -> (Self, Receiver<T>) {
        let (to, from) = sync_channel(most);
        (Self(to), from)
    }

    /// Sends, and says whether it got through.
    pub fn send(&self, item: T) -> Sent {
        match self.0.try_send(item) {
            Ok(()) => Sent::Through,
            Err(TrySendError::Full(_)) => Sent::Lost,
            Err(TrySendError::Disconnected(_)) => Sent::Gone,
        }
    }
}

/// What became of something that was sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sent {
    /// It waits for the other side.
    Through,
    /// The other side is behind.
    Lost,
    /// There is no other side any more.
    Gone,
}

#[derive(PartialEq, Eq)]
enum Rested {
    Enough,
    Stopped,
}

/// Rests in small pieces, so that the program's end is not waited for.
fn rest(span: Duration, stop: &Stop) -> Rested {
    let mut left = span;
    while !left.is_zero() {
        if stop.is_set() {
            return Rested::Stopped;
        }
        let piece = left.min(PIECE);
        pause(piece);
        left -= piece;
    }
    Rested::Enough
}

const PIECE: Duration = Duration::from_millis(100);

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::mpsc::channel;

    #[test]
    fn work_that_panics_is_told_and_begun_anew() {
        let (tell, told) = channel();
        let mut rounds = 0;
        let work = move || {
            rounds += 1;
            match rounds {
                1 => panic!("round {rounds}"),
                _ => Round::Over,
            }
        };
        keep_going("test", Stop::default(), work, move |why| tell.send(why).unwrap()).unwrap().join().unwrap();
        assert_eq!(told.iter().collect::<Vec<_>>(), ["round 1"]);
    }

    #[test]
    fn a_thread_that_rests_ends_with_the_program() {
        let stop = Stop::default();
        let thread = keep_going("test", stop.clone(), || Round::Fell("again".to_owned()), |_| {}).unwrap();
        stop.set();
        thread.join().unwrap();
    }

    #[test]
    fn a_level_is_lost_where_the_loop_is_behind_and_nothing_else_is() {
        let (news, mut inbox) = tokio::sync::mpsc::channel(1);
        let way = ToLoop::new(news);
        let level = crate::hear::level::SoundLevel { now: -60.0, floor: None, own: None };
        let level = || News::Station(crate::units::StationId::RIG, StationOutput::Level(level));
        way.tell(level());
        way.tell(level());
        let waiting = std::thread::spawn(move || way.tell(News::Recorded(7)));
        assert!(matches!(inbox.blocking_recv(), Some(News::Station(..))));
        assert!(matches!(inbox.blocking_recv(), Some(News::Recorded(7))));
        waiting.join().unwrap();
        assert!(inbox.blocking_recv().is_none());
    }
}
