//! The workers that all stations share, and the way of their answers back to the stations.

use std::collections::BTreeMap;
use std::sync::mpsc::{SyncSender, TrySendError};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use crate::audio::wake::Waker;
use crate::conductor::edges::{Sent, Stop, ToLoop};
use crate::conductor::error::ConductorError;
use crate::conductor::fault::{Worker, WorkerNews};
use crate::conductor::news::News;
use crate::memory::{load_alone, tidy_up};
use crate::say::mixer::SentenceError;
use crate::setup::causes::with_causes;
use crate::setup::clock::Clock;
use crate::setup::sound::Sounds;
use crate::speech::synthesiser::{Synthesised, Synthesiser};
use crate::speech::worker::{RecogniserAnswer, RecogniserWorker, Request, WorkerReport};
use crate::station::{StationInput, StationOutput};
use crate::units::StationId;

/// One recogniser and one synthesiser for all stations. Cheap to copy; dropping the last copy ends both.
#[derive(Clone)]
pub struct Workers {
    recogniser: Arc<RecogniserWorker>,
    synthesiser: Arc<Synthesiser>,
}

/// Where the stations are reached, by whoever has something for them. Cheap to copy.
#[derive(Clone, Default)]
pub struct Directory(Arc<Mutex<BTreeMap<StationId, Address>>>);

/// What every station of a run works with. Cheap to copy.
#[derive(Clone)]
pub struct StationMeans {
    /// Where ear and voice come from.
    pub sounds: Sounds,
    /// Shared by all stations.
    pub workers: Workers,
    /// Where stations are reached.
    pub stations: Directory,
    /// The way to the loop.
    pub news: ToLoop,
    /// Of the run.
    pub clock: Clock,
    /// Set when the program ends.
    pub stop: Stop,
}

/// A bounded way to a station's thread, and what wakes it.
#[derive(Clone)]
struct Address {
    inbox: SyncSender<StationInput>,
    waker: Waker,
}

impl Directory {
    /// From now on this station is reached so.
    pub fn enter(&self, station: StationId, inbox: SyncSender<StationInput>, waker: Waker) {
        self.addresses().insert(station, Address { inbox, waker });
    }

    /// What wakes the station's thread; nothing where there is no such station.
    pub fn waker(&self, station: StationId) -> Waker {
        self.addresses().get(&station).map_or_else(Waker::of_nobody, |address| address.waker.clone())
    }

    /// Hands something to a station, and wakes it. Waits for nobody: what a station that hangs does not take is lost.
    pub fn send(&self, station: StationId, input: StationInput) -> Sent {
        let Some(address) = self.addresses().get(&station).cloned() else { return Sent::Gone };
        match address.inbox.try_send(input) {
            Ok(()) => {
                address.waker.wake();
                Sent::Through
            }
            Err(TrySendError::Full(_)) => Sent::Lost,
            Err(TrySendError::Disconnected(_)) => Sent::Gone,
        }
    }

    /// Hands something to every station but one.
    pub fn send_to_others(&self, than: StationId, input: impl Fn() -> StationInput) {
        let others: Vec<StationId> = self.addresses().keys().copied().filter(|&id| id != than).collect();
        for id in others {
            self.send(id, input());
        }
    }

    /// Wakes every station, as at the end.
    pub fn wake_all(&self) {
        self.addresses().values().for_each(|address| address.waker.wake());
    }

    /// A thread that panicked with the lock held left the addresses whole.
    fn addresses(&self) -> MutexGuard<'_, BTreeMap<StationId, Address>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Workers {
    /// Begins both threads. They load their models by themselves, and tell by `news` what becomes of them.
    ///
    /// # Errors
    /// The system gives no thread.
    pub fn begin(sounds: &Sounds, stations: &Directory, news: &ToLoop) -> Result<Self, ConductorError> {
        // The voice first: it is needed first.
        let synthesiser = synthesiser(sounds.clone(), stations.clone(), news.clone())?;
        let recogniser = recogniser(sounds.clone(), stations.clone(), news.clone())?;
        Ok(Self { recogniser: Arc::new(recogniser), synthesiser: Arc::new(synthesiser) })
    }

    /// Passes on what a station asks for; what it tells comes back.
    pub fn serve(&self, station: StationId, output: StationOutput) -> Option<StationOutput> {
        match output {
            StationOutput::Prepare(set) => self.recogniser.ask(station, Request::Prepare(set)),
            StationOutput::Look(look) => self.recogniser.ask(station, Request::Look(look)),
            StationOutput::WriteDown(request) => self.recogniser.ask(station, Request::WriteDown(request)),
            StationOutput::WarmUp(samples) => self.recogniser.ask(station, Request::WarmUp(samples)),
            StationOutput::Synthesise(request) => self.synthesiser.ask(station, request),
            StationOutput::Forget(sentence) => self.synthesiser.forget(station, sentence),
            StationOutput::WarmUpVoice => self.synthesiser.warm_up(),
            told => return Some(told),
        }
        None
    }

    /// Makes these sentences ready when there is nothing else to do.
    pub fn store(&self, texts: &[String]) {
        self.synthesiser.store(texts.to_vec(), USUAL_PACE);
    }

    /// Has a recogniser made anew, after one failed.
    pub fn restart_recogniser(&self) {
        self.recogniser.restart();
    }

    /// Partial looks that were dropped so far for want of time.
    pub fn dropped_looks(&self) -> u64 {
        self.recogniser.dropped()
    }
}

fn recogniser(sounds: Sounds, stations: Directory, news: ToLoop) -> Result<RecogniserWorker, ConductorError> {
    let report = move |report| match report {
        WorkerReport::Answered(station, RecogniserAnswer::Looked(look, found)) => {
            hand(&stations, &news, Worker::Recogniser, station, StationInput::Looked { look, found });
        }
        WorkerReport::Answered(station, RecogniserAnswer::WrittenDown(look, text)) => {
            hand(&stations, &news, Worker::Recogniser, station, StationInput::WrittenDown { look, text });
        }
        WorkerReport::Answered(_, RecogniserAnswer::NotPrepared(_, why)) => {
            news.tell(News::Worker(Worker::Recogniser, WorkerNews::CannotHear(why)));
        }
        WorkerReport::Answered(_, RecogniserAnswer::Prepared(_)) => {}
        WorkerReport::Ready => news.tell(News::Worker(Worker::Recogniser, WorkerNews::Back)),
        WorkerReport::Failed(why) => news.tell(News::Worker(Worker::Recogniser, WorkerNews::Lost(why))),
    };
    RecogniserWorker::spawn(move || load_alone(|| sounds.recogniser()), report).map_err(ConductorError::Thread)
}

fn synthesiser(sounds: Sounds, stations: Directory, news: ToLoop) -> Result<Synthesiser, ConductorError> {
    let make = move || load_alone(|| sounds.workbench().map_err(SentenceError::new));
    let tell = move |told| match told {
        Synthesised::Sentence { station, id, sound } => {
            hand(&stations, &news, Worker::Synthesiser, station, StationInput::Synthesised { sentence: id, sound });
        }
        Synthesised::NotStored { text, error } => {
            tracing::warn!(text, error = with_causes(&error), "a sentence cannot be made ahead of time");
        }
        Synthesised::Failed { error } => {
            news.tell(News::Worker(Worker::Synthesiser, WorkerNews::Lost(with_causes(&error))));
        }
        Synthesised::Idle => tidy_up(),
    };
    Synthesiser::spawn(make, tell).map_err(ConductorError::Thread)
}

/// Hands an answer to whoever asked; where it is lost, that is told.
fn hand(stations: &Directory, news: &ToLoop, worker: Worker, station: StationId, answer: StationInput) {
    if stations.send(station, answer) == Sent::Lost {
        news.tell(News::Worker(worker, WorkerNews::AnswerLost(station)));
    }
}

/// What is made ahead of time is made at the usual pace; another is made when it is needed.
const USUAL_PACE: f32 = 1.0;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::say::mixer::SentenceId;
    use std::sync::mpsc::sync_channel;

    #[test]
    fn an_answer_that_a_station_does_not_take_is_told() {
        let (stations, (inbox, orders)) = (Directory::default(), sync_channel(1));
        stations.enter(StationId::RIG, inbox, Waker::of_nobody());
        let (news, mut told) = tokio::sync::mpsc::channel(4);
        let news = ToLoop::new(news);
        let answer = || StationInput::Synthesised { sentence: SentenceId(1), sound: Ok(Arc::from([0.0])) };
        hand(&stations, &news, Worker::Synthesiser, StationId::RIG, answer());
        assert!(told.try_recv().is_err(), "it got through");
        hand(&stations, &news, Worker::Synthesiser, StationId::RIG, answer());
        let lost = told.try_recv();
        let expected = WorkerNews::AnswerLost(StationId::RIG);
        assert!(matches!(&lost, Ok(News::Worker(Worker::Synthesiser, what)) if *what == expected), "{lost:?}");
        drop(orders);
        hand(&stations, &news, Worker::Synthesiser, StationId::RIG, answer());
        assert!(told.try_recv().is_err(), "a station that is gone waits for nothing");
    }
}
