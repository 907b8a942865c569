//! Several ears that share one recogniser, each with a recording of its own; and what becomes of them when it fails.

use std::sync::mpsc::{self, Receiver};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use crate::hear_support::{ALLOWED, Voice, in_noise, models, set, spoken};
use sparehand::audio::{FRAME_LEN, SAMPLE_RATE};
use sparehand::decide::ranking::{FreeDecode, Ranking};
use sparehand::decide::{PhraseVerdict, Reason};
use sparehand::engine::input::{Certainty, PhraseHeard};
use sparehand::engine::output::AllowedPhrase;
use sparehand::hear::detector::SpeechDetector;
use sparehand::hear::ear::{Ear, EarOutput, HearEvent, OwnVoiceState, Unclear};
use sparehand::onnx::environment;
use sparehand::setup::clock::Clock;
use sparehand::speech::recogniser::{PhraseScoring, Ready, Recogniser, RecogniserError};
use sparehand::speech::score::{Prepared, ScoreSettings};
use sparehand::speech::worker::{RecogniserAnswer, RecogniserWorker, Request, WorkerReport};
use sparehand::units::{SessionTime, StationId};

fn ear() -> Ear {
    let environment = environment(&models()).expect("run `sparehand fetch`");
    Ear::new(SpeechDetector::in_folder(&environment, &models()).expect("run `sparehand fetch`"))
}

/// One ear with its recording.
struct Station {
    id: StationId,
    ear: Ear,
    sound: Vec<f32>,
    frames: usize,
    events: Vec<(SessionTime, HearEvent)>,
}

impl Station {
    fn new(id: u16, sound: Vec<f32>) -> Self {
        Self { id: StationId(id), ear: ear(), sound, frames: 0, events: Vec::new() }
    }

    /// The next frame; false after the last one.
    fn push(&mut self) -> bool {
        let frames = self.sound.as_chunks::<FRAME_LEN>().0;
        let Some(frame) = frames.get(self.frames) else { return false };
        self.ear.push_frame(frame, None, OwnVoiceState::Silent).expect("the speech detector runs");
        self.frames += 1;
        true
    }

    fn serve(&mut self, now: SessionTime, worker: &RecogniserWorker) {
        while let Some(output) = self.ear.poll() {
            match Request::try_from(output) {
                Ok(request) => worker.ask(self.id, request),
                Err(event) => self.events.push((now, event)),
            }
        }
    }

    fn take(&mut self, answer: RecogniserAnswer) {
        match answer {
            RecogniserAnswer::Looked(look, found) => self.ear.looked(look, found),
            RecogniserAnswer::WrittenDown(id, text) => self.ear.written_down(id, &text),
            RecogniserAnswer::NotPrepared(set, why) => panic!("{set:?}: {why}"),
            RecogniserAnswer::Prepared(_) => {}
        }
    }

    fn heard(&self) -> Option<(SessionTime, &PhraseHeard)> {
        self.events.iter().find_map(|(at, event)| match event {
            HearEvent::Heard(heard) => Some((*at, heard)),
            _ => None,
        })
    }
}

/// A worker whose reports come by a channel.
fn worker(
    make: impl FnMut() -> Result<Box<dyn Recogniser>, RecogniserError> + Send + 'static,
) -> (RecogniserWorker, Receiver<WorkerReport>) {
    let (reports, reported) = mpsc::channel();
    let worker = RecogniserWorker::spawn(make, move |report| drop(reports.send(report))).expect("a thread");
    (worker, reported)
}

fn scoring() -> Result<Box<dyn Recogniser>, RecogniserError> {
    let environment = environment(&models()).expect("run `sparehand fetch`");
    Ok(Box::new(PhraseScoring::load(&environment, &models(), ScoreSettings::default())?))
}

#[test]
fn three_stations_that_hear_a_word_in_the_same_second_are_all_answered_within_700_ms_and_lose_no_frame() {
    let (worker, reported) = worker(scoring);
    let words = [("valve closed", "rms"), ("hose connected", "slt"), ("running clear", "awb")];
    let sounds = words.map(|(text, voice)| in_noise(&spoken(text, Voice::Flite(voice)), 2.0, 1.5, 25.0, 5));
    let ends = sounds.each_ref().map(|sound| (sound.len() - SAMPLE_RATE * 3 / 2) / (SAMPLE_RATE / 1_000));
    let mut stations: Vec<Station> = (0..).zip(sounds).map(|(id, sound)| Station::new(id, sound)).collect();
    assert!(matches!(reported.recv_timeout(Duration::from_secs(60)), Ok(WorkerReport::Ready)));
    let allowed = Arc::new(set(7, &ALLOWED));
    for station in &mut stations {
        station.ear.listen(Arc::clone(&allowed));
        station.serve(SessionTime::ZERO, &worker);
    }
    // What may be said is made ready before anybody speaks.
    for _ in &stations {
        let report = reported.recv_timeout(Duration::from_secs(60));
        assert!(matches!(report, Ok(WorkerReport::Answered(_, RecogniserAnswer::Prepared(_)))), "{report:?}");
    }
    let clock = Clock::start();
    let (mut frames, mut goes_on) = (0u64, true);
    while goes_on {
        frames += 1;
        let due = SessionTime::from_millis(frames * 10);
        goes_on = false;
        for station in &mut stations {
            goes_on |= station.push();
            station.serve(clock.now(), &worker);
        }
        // Answers come meanwhile.
        while let Ok(report) = reported.recv_timeout(clock.until(due)) {
            if let WorkerReport::Answered(id, answer) = report {
                let station = &mut stations[usize::from(id.0)];
                station.take(answer);
                station.serve(clock.now(), &worker);
            }
        }
    }
    for ((station, (text, _)), end) in stations.iter().zip(words).zip(ends) {
        let (at, heard) = station.heard().unwrap_or_else(|| panic!("{text}: {:?}", station.events));
        assert_eq!(heard.text, text);
        let late = at.as_millis() as i64 - end as i64;
        println!("{text}: {late} ms after its end");
        assert!(late < 700, "{text}: {late} ms after its end");
        assert_eq!(station.frames, station.sound.len() / FRAME_LEN, "every frame was heard");
    }
}

/// What the made-up recogniser is to do, next time.
#[derive(Clone, Copy, Debug)]
enum Fault {
    None,
    Panic,
    Error,
}

/// A recogniser of whatever comes first in the set, with faults.
struct Faulty(Arc<Mutex<Fault>>);

impl Recogniser for Faulty {
    fn prepare(&mut self, _: &[&str]) -> Result<Ready, RecogniserError> {
        Ok(Ready::Scored(Prepared::default()))
    }

    fn warm(&mut self, _: &Ready) -> Result<(), RecogniserError> {
        Ok(())
    }

    fn set_background(&mut self, _: &[f32]) -> Result<(), RecogniserError> {
        Ok(())
    }

    fn recognise(
        &mut self,
        _: &[f32],
        _: &Ready,
        _: &[AllowedPhrase],
    ) -> Result<(Ranking, PhraseVerdict), RecogniserError> {
        let fault = *self.0.lock().expect("nobody panics with it");
        match fault {
            Fault::None => {}
            Fault::Panic => panic!("a fault that a test asked for"),
            Fault::Error => return Err(RecogniserError::OfAnother),
        }
        let free = FreeDecode { text: String::new(), log_prob: 0.0, tokens: Vec::new(), complete: true };
        let verdict = PhraseVerdict {
            best: Some(0),
            score: 9.0,
            margin: 8.0,
            log_odds: 9.0,
            accepted: Some(Certainty::Sure),
            refused: None,
            ..PhraseVerdict::refused_for(Reason::NothingFits)
        };
        Ok((Ranking { phrases: Vec::new(), free }, verdict))
    }

    fn write_down(&mut self, _: &[f32]) -> Result<String, RecogniserError> {
        Ok(String::new())
    }
}

/// To write down where it panicked takes a program with line tables seconds, and the sound would be over before the worker could say that it failed.
fn without_the_trace_of_the_recogniser() {
    let usual = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |panic| {
        if std::thread::current().name() != Some("recogniser") {
            usual(panic);
        }
    }));
}

/// Feeds a word to a fresh station, with answers as they come.
fn say(worker: &RecogniserWorker, reported: &Receiver<WorkerReport>, failures: &mut Vec<String>) -> Vec<HearEvent> {
    let sound = in_noise(&spoken("valve closed", Voice::Flite("rms")), 1.5, 1.0, 25.0, 5);
    let mut station = Station::new(1, sound);
    station.ear.listen(Arc::new(set(1, &["valve closed", "valve open"])));
    while station.push() {
        station.serve(SessionTime::ZERO, worker);
        while let Ok(report) = reported.recv_timeout(Duration::from_millis(5)) {
            match report {
                WorkerReport::Answered(_, answer) => station.take(answer),
                WorkerReport::Failed(why) => failures.push(why),
                WorkerReport::Ready => {}
            }
            station.serve(SessionTime::ZERO, worker);
        }
    }
    station.events.into_iter().map(|(_, event)| event).collect()
}

#[test]
fn a_recogniser_that_fails_costs_an_answer_and_is_made_anew_when_its_owner_says_so() {
    without_the_trace_of_the_recogniser();
    for fault in [Fault::Panic, Fault::Error] {
        let next = Arc::new(Mutex::new(Fault::None));
        let shared = Arc::clone(&next);
        let (worker, reported) = worker(move || Ok(Box::new(Faulty(Arc::clone(&shared))) as Box<dyn Recogniser>));
        let mut failures = Vec::new();
        let heard = |events: &[HearEvent]| events.iter().any(|event| matches!(event, HearEvent::Heard(_)));
        let asked_again = |events: &[HearEvent]| {
            matches!(events, [HearEvent::SpeechStarted, HearEvent::Unclear(Unclear { reason: Reason::NotScored, .. })])
        };
        assert!(heard(&say(&worker, &reported, &mut failures)), "{fault:?}");
        *next.lock().unwrap() = fault;
        let events = say(&worker, &reported, &mut failures);
        assert!(asked_again(&events), "{fault:?}: {events:?}");
        assert_eq!(failures.len(), 1, "{failures:?}");
        *next.lock().unwrap() = Fault::None;
        let events = say(&worker, &reported, &mut failures);
        assert!(asked_again(&events), "nobody has made it anew: {events:?}");
        worker.restart();
        assert!(heard(&say(&worker, &reported, &mut failures)), "{fault:?}");
        assert_eq!(failures.len(), 1, "{failures:?}");
    }
}

#[test]
fn a_recogniser_that_cannot_be_made_is_reported_and_asked_for_again() {
    let tries = Arc::new(Mutex::new(0));
    let count = Arc::clone(&tries);
    let (worker, reported) = worker(move || {
        *count.lock().unwrap() += 1;
        match *count.lock().unwrap() {
            1 => Err(RecogniserError::OfAnother),
            _ => Ok(Box::new(Faulty(Arc::new(Mutex::new(Fault::None)))) as Box<dyn Recogniser>),
        }
    });
    let next = || reported.recv_timeout(Duration::from_secs(10)).expect("it reports");
    assert!(matches!(next(), WorkerReport::Failed(_)));
    worker.restart();
    assert!(matches!(next(), WorkerReport::Ready));
    assert_eq!(*tries.lock().unwrap(), 2);
}

/// Answers that come late, or never.
#[test]
fn an_answer_for_words_that_have_gone_on_changes_nothing_and_one_that_never_comes_is_not_waited_for_for_ever() {
    let word = spoken("valve closed", Voice::Flite("rms"));
    let mut ear = ear();
    ear.listen(Arc::new(set(1, &["valve closed", "valve open"])));
    let (mut looks, mut unclear) = (0, 0);
    for number in 0..6 {
        let sound = in_noise(&word, if number == 0 { 1.5 } else { 0.2 }, 0.6, 25.0, number);
        for frame in sound.as_chunks::<FRAME_LEN>().0 {
            ear.push_frame(frame, None, OwnVoiceState::Silent).expect("the speech detector runs");
            while let Some(output) = ear.poll() {
                match output {
                    EarOutput::Look(_) => looks += 1,
                    EarOutput::Event(HearEvent::Unclear(why)) => {
                        assert_eq!(why.reason, Reason::NotScored);
                        unclear += 1;
                    }
                    EarOutput::Event(HearEvent::Heard(heard)) => panic!("nobody answered: {heard:?}"),
                    _ => {}
                }
            }
        }
    }
    assert!(looks >= 6, "{looks}");
    assert!((1..=2).contains(&unclear), "of six words all but four were given up: {unclear}");
}

#[test]
fn hearing_works_after_samples_that_are_no_numbers_and_they_are_told_of_once() {
    let (worker, reported) = worker(scoring);
    assert!(matches!(reported.recv_timeout(Duration::from_secs(60)), Ok(WorkerReport::Ready)));
    let mut station = Station::new(1, in_noise(&spoken("valve closed", Voice::Flite("rms")), 1.5, 1.0, 25.0, 5));
    station.ear.listen(Arc::new(set(1, &["valve closed", "valve open"])));
    // The canceller has filters of its own, and they remember longest.
    for (number, bad) in [f32::NAN, f32::INFINITY, f32::NEG_INFINITY, f32::NAN].into_iter().enumerate() {
        let mut frame = [0.001; FRAME_LEN];
        frame[number] = bad;
        let mut played = [0.001; FRAME_LEN];
        played[number] = bad;
        station.ear.push_frame(&frame, Some(&played), OwnVoiceState::Silent).expect("the speech detector runs");
    }
    station.serve(SessionTime::ZERO, &worker);
    let mut silent = 0;
    while station.push() || silent < 100 {
        silent += usize::from(station.frames * FRAME_LEN + FRAME_LEN > station.sound.len());
        station.serve(SessionTime::ZERO, &worker);
        while let Ok(report) = reported.recv_timeout(Duration::from_millis(2)) {
            if let WorkerReport::Answered(_, answer) = report {
                station.take(answer);
                station.serve(SessionTime::ZERO, &worker);
            }
        }
    }
    assert_eq!(station.ear.unusable_samples(), 4);
    let told = station.events.iter().filter(|(_, event)| *event == HearEvent::UnusableSamples).count();
    assert_eq!(told, 1);
    assert_eq!(station.heard().map(|(_, heard)| heard.text.as_str()), Some("valve closed"), "{:?}", station.events);
    assert!(station.ear.level().now.is_finite());
}
