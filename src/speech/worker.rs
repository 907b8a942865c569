//! The recogniser of all stations: one thread, one model in memory.
//!
//! Whoever asks never waits: requests go into a bounded [`RecogniserSchedule`], answers come by a callback. A recogniser that panics or fails takes one
//! answer with it, and nothing else: what was under way is answered with [`Found::Failed`], the failure is reported, and until the owner
//! has it made anew ([`RecogniserWorker::restart`]; when, is the owner's to say) everything is answered so.

use std::collections::BTreeMap;
use std::error::Error;
use std::io;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;

use crate::engine::output::{ListeningSet, ListeningSetId};
use crate::hear::ear::EarOutput;
use crate::hear::look::{Found, Look, LookId, LookRequest, WriteRequest};
use crate::speech::acoustic::SHORTEST;
use crate::speech::listener::prepare;
use crate::speech::recogniser::{Ready, Recogniser, RecogniserError};
use crate::speech::schedule::{Job, JobKind, RecogniserSchedule};
use crate::units::StationId;

/// Something to be done for a station; an ear's outputs, without its events.
#[derive(Debug)]
pub enum Request {
    /// Looks will name this set.
    Prepare(Arc<ListeningSet>),
    /// Answered by [`RecogniserAnswer::Looked`].
    Look(LookRequest),
    /// Answered by [`RecogniserAnswer::WrittenDown`].
    WriteDown(WriteRequest),
    /// The recogniser works for nothing on this sound where it has nothing else to do.
    WarmUp(Vec<f32>),
}

impl TryFrom<EarOutput> for Request {
    type Error = crate::hear::ear::HearEvent;

    /// What the recogniser is asked for; an event is none of its business, and comes back.
    fn try_from(output: EarOutput) -> Result<Self, Self::Error> {
        match output {
            EarOutput::Prepare(set) => Ok(Self::Prepare(set)),
            EarOutput::Look(request) => Ok(Self::Look(request)),
            EarOutput::WriteDown(request) => Ok(Self::WriteDown(request)),
            EarOutput::WarmUp(samples) => Ok(Self::WarmUp(samples)),
            EarOutput::Event(event) => Err(event),
        }
    }
}

/// What the worker tells, from its own thread or from the one that asks. Whoever takes it must not wait for the worker.
#[derive(Debug)]
pub enum WorkerReport {
    /// An answer for a station.
    Answered(StationId, RecogniserAnswer),
    /// A recogniser was made, and works.
    Ready,
    /// There is none any more: nothing will be heard before [`RecogniserWorker::restart`].
    Failed(String),
}

/// What came of a request.
#[derive(Debug)]
pub enum RecogniserAnswer {
    /// For [`crate::hear::ear::Ear::looked`].
    Looked(LookId, Found),
    /// For [`crate::hear::ear::Ear::written_down`]; empty where nothing could be made of it.
    WrittenDown(LookId, String),
    /// The set is ready: a look that names it takes no longer than another.
    Prepared(ListeningSetId),
    /// The recogniser cannot hear a phrase of the set: what is said while it is in force comes to nothing.
    NotPrepared(ListeningSetId, String),
}

/// The thread and what waits for it.
pub struct RecogniserWorker {
    shared: Arc<Shared>,
    thread: Option<JoinHandle<()>>,
}

impl RecogniserWorker {
    /// Starts the thread, which makes its recogniser by `make`, anew after each failure, and tells everything to `report`.
    ///
    /// # Errors
    /// The system gives no thread.
    pub fn spawn<E: Error + 'static>(
        make: impl FnMut() -> Result<Box<dyn Recogniser>, E> + Send + 'static,
        report: impl Fn(WorkerReport) + Send + Sync + 'static,
    ) -> io::Result<Self> {
        let shared = Arc::new(Shared {
            state: Mutex::new(State { schedule: RecogniserSchedule::default(), phase: WorkerPhase::Starting }),
            changed: Condvar::new(),
            report: Box::new(report),
        });
        let own = Arc::clone(&shared);
        let thread = std::thread::Builder::new().name("recogniser".to_owned()).spawn(move || own.run(make))?;
        Ok(Self { shared, thread: Some(thread) })
    }

    /// Takes a request in, and returns at once.
    pub fn ask(&self, station: StationId, request: Request) {
        let job = Job { station, kind: kind_of(&request), work: request };
        let dropped = {
            let mut state = self.shared.lock();
            match state.phase {
                WorkerPhase::Down | WorkerPhase::Stopping => vec![job],
                WorkerPhase::Starting | WorkerPhase::Working => state.schedule.push(job),
            }
        };
        self.shared.changed.notify_one();
        dropped.into_iter().for_each(|job| self.shared.turn_away(job));
    }

    /// The station has left: nothing that it asked for is done any more.
    pub fn forget(&self, station: StationId) {
        self.shared.lock().schedule.forget(station);
    }

    /// Has a recogniser made anew, after a failure was reported; without one nothing happens.
    pub fn restart(&self) {
        let mut state = self.shared.lock();
        if state.phase == WorkerPhase::Down {
            state.phase = WorkerPhase::Starting;
            self.shared.changed.notify_one();
        }
    }

    /// Partial looks that were dropped so far.
    pub fn dropped(&self) -> u64 {
        self.shared.lock().schedule.dropped()
    }
}

impl Drop for RecogniserWorker {
    /// Ends the thread; what is under way is finished first, which takes a fraction of a second.
    fn drop(&mut self) {
        self.shared.lock().phase = WorkerPhase::Stopping;
        self.shared.changed.notify_one();
        if let Some(thread) = self.thread.take() {
            drop(thread.join());
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum WorkerPhase {
    /// A recogniser is to be made.
    Starting,
    Working,
    /// It failed.
    Down,
    Stopping,
}

struct State {
    schedule: RecogniserSchedule<Request>,
    phase: WorkerPhase,
}

struct Shared {
    state: Mutex<State>,
    changed: Condvar,
    report: Box<dyn Fn(WorkerReport) + Send + Sync>,
}

impl Shared {
    /// A thread that panicked with the lock held left a schedule that is whole: its methods do not stop half way.
    fn lock(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn run<E: Error>(&self, mut make: impl FnMut() -> Result<Box<dyn Recogniser>, E>) {
        while self.await_start() {
            let made = catch_unwind(AssertUnwindSafe(&mut make));
            match made {
                Ok(Ok(recogniser)) => {
                    self.begin();
                    if let Err(why) = self.serve(Serving::new(recogniser)) {
                        self.go_down(why);
                    }
                }
                Ok(Err(error)) => self.go_down(with_causes(&error)),
                Err(panic) => self.go_down(text_of(panic.as_ref())),
            }
        }
        self.lock().schedule.drain().into_iter().for_each(|job| self.turn_away(job));
    }

    /// Waits until a recogniser is to be made; false when the thread is to end.
    fn await_start(&self) -> bool {
        let down = |state: &mut State| state.phase == WorkerPhase::Down;
        let state = self.changed.wait_while(self.lock(), down).unwrap_or_else(PoisonError::into_inner);
        state.phase == WorkerPhase::Starting
    }

    fn begin(&self) {
        let mut state = self.lock();
        if state.phase == WorkerPhase::Starting {
            state.phase = WorkerPhase::Working;
        }
        drop(state);
        (self.report)(WorkerReport::Ready);
    }

    fn go_down(&self, why: String) {
        let waiting = {
            let mut state = self.lock();
            if state.phase != WorkerPhase::Stopping {
                state.phase = WorkerPhase::Down;
            }
            state.schedule.drain()
        };
        tracing::warn!(why, "the recogniser failed");
        waiting.into_iter().for_each(|job| self.turn_away(job));
        (self.report)(WorkerReport::Failed(why));
    }

    /// Serves jobs until the thread is to end.
    fn serve(&self, mut served: Serving) -> Result<(), String> {
        while let Some(Job { station, work, .. }) = self.next_job() {
            let unanswered = Unanswered::of(&work);
            let done = catch_unwind(AssertUnwindSafe(|| served.answer(station, work)));
            self.lock().schedule.done(station);
            let why = match done {
                Ok(Ok(answer)) => {
                    answer.into_iter().for_each(|answer| (self.report)(WorkerReport::Answered(station, answer)));
                    continue;
                }
                Ok(Err(error)) => with_causes(&error),
                Err(panic) => text_of(panic.as_ref()),
            };
            unanswered.fail().into_iter().for_each(|answer| (self.report)(WorkerReport::Answered(station, answer)));
            // What panicked may panic again while it is taken apart.
            drop(catch_unwind(AssertUnwindSafe(|| drop(served))));
            return Err(why);
        }
        Ok(())
    }

    /// Waits for the next job; `None` when the thread is to end.
    fn next_job(&self) -> Option<Job<Request>> {
        let mut state = self.lock();
        loop {
            if state.phase == WorkerPhase::Stopping {
                return None;
            }
            if let Some(job) = state.schedule.take() {
                return Some(job);
            }
            state = self.changed.wait(state).unwrap_or_else(PoisonError::into_inner);
        }
    }

    /// Answers a job that will not be done.
    fn turn_away(&self, job: Job<Request>) {
        if let Some(answer) = Unanswered::of(&job.work).turn_away() {
            (self.report)(WorkerReport::Answered(job.station, answer));
        }
    }
}

/// What is owed to whoever asked.
enum Unanswered {
    Look(LookId, Look),
    Writing(LookId),
    Nothing,
}

impl Unanswered {
    fn of(request: &Request) -> Self {
        match request {
            Request::Look(look) => Self::Look(look.id, look.kind),
            Request::WriteDown(write) => Self::Writing(write.id),
            Request::Prepare(_) | Request::WarmUp(_) => Self::Nothing,
        }
    }

    fn fail(self) -> Option<RecogniserAnswer> {
        match self {
            Self::Look(id, _) => Some(RecogniserAnswer::Looked(id, Found::Failed)),
            Self::Writing(id) => Some(RecogniserAnswer::WrittenDown(id, String::new())),
            Self::Nothing => None,
        }
    }

    fn turn_away(self) -> Option<RecogniserAnswer> {
        match self {
            Self::Look(id, Look::Partial) => Some(RecogniserAnswer::Looked(id, Found::Dropped)),
            other => other.fail(),
        }
    }
}

/// A recogniser with what it has made ready for each station. For whoever has time to wait; a live run has a thread for it.
pub struct Serving {
    recogniser: Box<dyn Recogniser>,
    /// The newest sets of each station, the newest last.
    ready: BTreeMap<StationId, Vec<(Arc<ListeningSet>, Ready)>>,
}

impl Serving {
    /// With nothing made ready.
    pub fn new(recogniser: Box<dyn Recogniser>) -> Self {
        Self { recogniser, ready: BTreeMap::new() }
    }

    /// Does what is asked for, and gives the answer where there is one.
    ///
    /// # Errors
    /// The recogniser fails.
    pub fn answer(
        &mut self,
        station: StationId,
        request: Request,
    ) -> Result<Option<RecogniserAnswer>, RecogniserError> {
        match request {
            Request::Prepare(set) => {
                let at = match self.make_ready(station, &set) {
                    Ok(at) => at,
                    Err(error @ RecogniserError::Vosk(_)) => {
                        return Ok(Some(RecogniserAnswer::NotPrepared(set.id, with_causes(&error))));
                    }
                    Err(error) => return Err(error),
                };
                self.recogniser.warm(&self.ready[&station][at].1)?;
                Ok(Some(RecogniserAnswer::Prepared(set.id)))
            }
            // Less than the model takes is no fault of it.
            Request::Look(look) if look.samples.len() < SHORTEST => {
                Ok(Some(RecogniserAnswer::Looked(look.id, Found::Failed)))
            }
            Request::Look(look) => {
                let at = self.make_ready(station, &look.set)?;
                let (set, ready) = &self.ready[&station][at];
                let found = self.recogniser.recognise(&look.samples, ready, &set.phrases)?;
                Ok(Some(RecogniserAnswer::Looked(look.id, Found::Ranked(Box::new(found)))))
            }
            Request::WriteDown(write) if write.samples.len() < SHORTEST => {
                Ok(Some(RecogniserAnswer::WrittenDown(write.id, String::new())))
            }
            Request::WriteDown(write) => {
                let text = match self.recogniser.write_down(&write.samples) {
                    Ok(text) => text,
                    // Its sound is kept, and phrases are heard by another network.
                    Err(error @ RecogniserError::Note(_)) => {
                        tracing::warn!(why = with_causes(&error), "a note cannot be written down");
                        String::new()
                    }
                    Err(error) => return Err(error),
                };
                Ok(Some(RecogniserAnswer::WrittenDown(write.id, text)))
            }
            Request::WarmUp(samples) => {
                if samples.len() >= SHORTEST {
                    self.recogniser.warm_up(&samples)?;
                }
                Ok(None)
            }
        }
    }

    /// The place of `set` among those that are ready for `station`; made ready where it is not.
    fn make_ready(&mut self, station: StationId, set: &Arc<ListeningSet>) -> Result<usize, RecogniserError> {
        let sets = self.ready.entry(station).or_default();
        if let Some(at) = sets.iter().position(|(other, _)| Arc::ptr_eq(other, set)) {
            return Ok(at);
        }
        let ready = prepare(self.recogniser.as_mut(), set)?;
        if sets.len() == KEPT_SETS {
            sets.remove(0);
        }
        sets.push((Arc::clone(set), ready));
        Ok(sets.len() - 1)
    }
}

fn kind_of(request: &Request) -> JobKind {
    match request {
        Request::Prepare(_) => JobKind::Prepare,
        Request::Look(look) if look.kind == Look::Final => JobKind::FinalLook,
        Request::Look(_) => JobKind::PartialLook,
        Request::WriteDown(_) => JobKind::WriteDown,
        Request::WarmUp(_) => JobKind::WarmUp,
    }
}

fn with_causes(error: &dyn Error) -> String {
    let mut text = error.to_string();
    let mut cause = error.source();
    while let Some(inner) = cause {
        text = format!("{text}: {inner}");
        cause = inner.source();
    }
    text
}

fn text_of(panic: &(dyn std::any::Any + Send)) -> String {
    let text = panic.downcast_ref::<&str>().map(|text| (*text).to_owned());
    text.or_else(|| panic.downcast_ref::<String>().cloned()).unwrap_or_else(|| "it panicked".to_owned())
}

/// What is said is judged by the set in which it began; sets do not change oftener than sentences.
/// Each takes a megabyte or so, and an older one is made ready again.
const KEPT_SETS: usize = 2;
