//! The one voice of all stations: a thread that makes sentences, the most urgent first, keeps them in the cache, and answers each request.
//!
//! Takes requests of mixers; gives sound at 48 kHz, all of it equally loud. What fails, were it by a panic, is an answer and a report, and never
//! the end of a run: the voice is loaded anew for the next sentence. Nothing that asks is ever kept waiting.
#![warn(missing_docs)]

mod queue;

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

use crate::say::mixer::{SentenceError, SentenceId, SentenceRequest};
use crate::speech::synthesiser::queue::{Job, Queue, Rank};
use crate::speech::voice::prepare::{Preparation, Workbench};
use crate::units::StationId;

/// The thread that makes sentences. Dropping it ends the thread after the step that it is at, some 20 ms.
pub struct Synthesiser {
    shared: Arc<Shared>,
    thread: Option<JoinHandle<()>>,
}

/// What the thread tells.
#[derive(Debug)]
pub enum Synthesised {
    /// The answer to a request; every request gets one that is not forgotten before.
    Sentence {
        /// Who has asked.
        station: StationId,
        /// What for.
        id: SentenceId,
        /// Samples at 48 kHz, or why there are none.
        sound: Result<Arc<[f32]>, SentenceError>,
    },
    /// A sentence that was to be made ahead of time cannot be made.
    NotStored {
        /// The sentence, in words.
        text: String,
        /// Why.
        error: SentenceError,
    },
    /// The voice has failed; it is loaded anew for the next sentence.
    Failed {
        /// How.
        error: SentenceError,
    },
    /// Nothing was to be made for a while: time to tidy up. Told once until the next request.
    Idle,
}

impl Synthesiser {
    /// Begins the thread, which loads the voice with `make`, now and whenever it has failed, and tells what becomes of requests by `tell`. That
    /// is called on the thread and must not wait.
    ///
    /// # Errors
    /// The system has no thread for it.
    pub fn spawn(
        make: impl FnMut() -> Result<Workbench, SentenceError> + Send + 'static,
        tell: impl FnMut(Synthesised) + Send + 'static,
    ) -> std::io::Result<Self> {
        let shared = Arc::new(Shared::default());
        let mut worker = Worker {
            shared: Arc::clone(&shared),
            make: Box::new(make),
            tell: Box::new(tell),
            bench: None,
            under_way: Vec::new(),
            told_idle: false,
        };
        let thread = std::thread::Builder::new().name("synthesiser".to_owned()).spawn(move || worker.run())?;
        Ok(Self { shared, thread: Some(thread) })
    }

    /// A station needs a sentence, or needs it sooner than it has said before.
    pub fn ask(&self, station: StationId, request: SentenceRequest) {
        self.with_state(|state| {
            if let Some(dropped) = state.queue.ask(station, request) {
                state.dropped.push((station, dropped.id));
            }
        });
    }

    /// A sentence is wanted no more. An answer to it may still come.
    pub fn forget(&self, station: StationId, id: SentenceId) {
        self.with_state(|state| state.queue.forget(station, id));
    }

    /// A station is gone.
    pub fn forget_station(&self, station: StationId) {
        self.with_state(|state| state.queue.forget_station(station));
    }

    /// Makes what is not in the cache yet of these texts, when nothing else is to be made; instead of what there was. At most
    /// 1,024 texts; what is over is left to be made when it is asked for.
    pub fn store(&self, texts: Vec<String>, speed: f32) {
        self.with_state(|state| {
            let left_out = state.queue.store(texts.into_iter().map(|text| (text, speed)));
            if left_out > 0 {
                tracing::warn!(left_out, "more texts than are made ahead of time");
            }
        });
    }

    /// Makes the newest sentence once more, if nothing else is to be made: an answer may be due soon, and after seconds of quiet what it takes has
    /// left the processor's caches.
    pub fn warm_up(&self) {
        self.with_state(|state| {
            if let Some((text, speed)) = state.newest.clone() {
                state.queue.warm_up(text, speed);
            }
        });
    }

    fn with_state(&self, change: impl FnOnce(&mut State)) {
        change(&mut self.shared.state());
        self.shared.changed.notify_one();
    }
}

impl Drop for Synthesiser {
    fn drop(&mut self) {
        self.with_state(|state| state.stopped = true);
        if let Some(thread) = self.thread.take() {
            // It has caught every panic itself.
            drop(thread.join());
        }
    }
}

#[derive(Default)]
struct Shared {
    state: Mutex<State>,
    changed: Condvar,
}

#[derive(Default)]
struct State {
    queue: Queue,
    /// Requests that there was no room for.
    dropped: Vec<(StationId, SentenceId)>,
    newest: Option<(String, f32)>,
    stopped: bool,
}

impl Shared {
    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// The thread's own.
struct Worker {
    shared: Arc<Shared>,
    make: Box<dyn FnMut() -> Result<Workbench, SentenceError> + Send>,
    tell: Box<dyn FnMut(Synthesised) + Send>,
    bench: Option<Workbench>,
    /// What was begun, the most urgent last: each was put aside for the one after it.
    under_way: Vec<(Job, Preparation)>,
    told_idle: bool,
}

enum Next {
    Begin(Job),
    Step,
    Refuse(Vec<(StationId, SentenceId)>),
    Idle,
    Stop,
}

impl Worker {
    fn run(&mut self) {
        // Loaded before anybody asks.
        if let Err(error) = self.guarded(|worker| worker.ready().map(|_| ())) {
            (self.tell)(Synthesised::Failed { error });
        }
        loop {
            match self.next() {
                Next::Begin(job) => self.begin(job),
                Next::Step => self.step(),
                Next::Refuse(dropped) => {
                    for (station, id) in dropped {
                        (self.tell)(Synthesised::Sentence { station, id, sound: Err(SentenceError::new(Overloaded)) });
                    }
                }
                Next::Idle => {
                    if let Some(bench) = &mut self.bench {
                        bench.rest();
                    }
                    (self.tell)(Synthesised::Idle);
                }
                Next::Stop => return,
            }
        }
    }

    /// Waits until there is something to do.
    fn next(&mut self) -> Next {
        let shared = Arc::clone(&self.shared);
        let mut state = shared.state();
        loop {
            if state.stopped {
                return Next::Stop;
            }
            if !state.dropped.is_empty() {
                return Next::Refuse(std::mem::take(&mut state.dropped));
            }
            if state.queue.rank() > self.under_way.last().map(|(job, _)| job.rank())
                && let Some(job) = state.queue.next()
            {
                if job.rank() >= Rank::Ahead {
                    state.newest = Some((job.text().to_owned(), job.speed()));
                }
                self.told_idle = false;
                return Next::Begin(job);
            }
            if !self.under_way.is_empty() {
                return Next::Step;
            }
            if self.told_idle {
                state = shared.changed.wait(state).unwrap_or_else(PoisonError::into_inner);
                continue;
            }
            let (woken, waited) = shared.changed.wait_timeout(state, IDLE).unwrap_or_else(PoisonError::into_inner);
            state = woken;
            if waited.timed_out() {
                self.told_idle = true;
                return Next::Idle;
            }
        }
    }

    /// Takes a job up, over what is under way.
    fn begin(&mut self, job: Job) {
        let Job::Store { text, speed } = &job else {
            let preparation = Preparation::new(job.text(), job.speed());
            return self.under_way.push((job, preparation));
        };
        match self.guarded(|worker| Ok(worker.ready()?.voice().sentences(text))) {
            Ok(sentences) => self.under_way.extend(sentences.into_iter().rev().map(|text| {
                let preparation = Preparation::new(&text, *speed);
                (Job::Store { text, speed: *speed }, preparation)
            })),
            Err(error) => self.refuse(job, error),
        }
    }

    /// One step of the most urgent job: some 20 ms at most.
    fn step(&mut self) {
        let Some((job, mut preparation)) = self.under_way.pop() else { return };
        let stepped = self.guarded(|worker| {
            preparation.step(worker.ready()?)?;
            Ok(())
        });
        match stepped {
            Ok(()) => match preparation.into_ready() {
                Ok(samples) => {
                    if let Job::Sentence { station, request } = job {
                        (self.tell)(Synthesised::Sentence { station, id: request.id, sound: Ok(samples.into()) });
                    }
                }
                Err(unready) => self.under_way.push((job, unready)),
            },
            Err(error) => self.refuse(job, error),
        }
    }

    fn refuse(&mut self, job: Job, error: SentenceError) {
        match job {
            Job::Sentence { station, request } => {
                (self.tell)(Synthesised::Sentence { station, id: request.id, sound: Err(error) });
            }
            Job::Store { text, .. } => (self.tell)(Synthesised::NotStored { text, error }),
            Job::WarmUp { .. } => tracing::debug!(%error, "warmed up by a sentence that cannot be said"),
        }
    }

    /// The voice, loaded where it is not.
    fn ready(&mut self) -> Result<&mut Workbench, SentenceError> {
        match &mut self.bench {
            Some(bench) => Ok(bench),
            none => Ok(none.insert((self.make)()?)),
        }
    }

    /// Does something that may panic. Whatever the voice was at is in no known state then: it is loaded anew.
    fn guarded<T>(&mut self, work: impl FnOnce(&mut Self) -> Result<T, SentenceError>) -> Result<T, SentenceError> {
        catch_unwind(AssertUnwindSafe(|| work(self))).unwrap_or_else(|_| {
            self.bench = None;
            (self.tell)(Synthesised::Failed { error: SentenceError::new(Panicked) });
            Err(SentenceError::new(Panicked))
        })
    }
}

/// The voice broke off in the middle of a sentence.
#[derive(Debug, thiserror::Error)]
#[error("the voice failed in the middle of a sentence; it is loaded anew")]
struct Panicked;

/// A station has asked for more than it can need.
#[derive(Debug, thiserror::Error)]
#[error("too many sentences are waited for; this one is left out")]
struct Overloaded;

/// Quiet for so long is time to tidy up.
const IDLE: Duration = Duration::from_secs(4);
