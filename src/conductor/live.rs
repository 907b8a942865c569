//! A live run: the ear and the mouth on threads of their own, and one loop that joins them with the engine and the screen.
//!
//! The loop waits on one channel, never longer than 50 ms: a timer would sleep on while the machine does, and
//! a clock that guards a hazard must ring when it wakes.

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{self, RecvTimeoutError, Sender};
use std::time::Duration;

use crate::cli::AppError;
use crate::cli::plan_command::PlanError;
use crate::conductor::courtesy::Courtesy;
use crate::conductor::kept_sound::KeptSound;
use crate::conductor::live_ear::{Ear, ToEar};
use crate::conductor::live_mouth::{Mouth, ToMouth};
use crate::conductor::memory::hand_back_what_was_read;
use crate::conductor::notes::Notes;
use crate::conductor::on_time::{OnTime, Told};
use crate::conductor::session::{Command, Session};
use crate::conductor::talk::Talk;
use crate::engine::input::Input;
use crate::engine::output::Priority;
use crate::hear::align::Alignment;
use crate::hear::ear::HearEvent;
use crate::hear::level::SoundLevel;
use crate::say::loud_enough::{InNoise, LoudEnough};
use crate::say::mixer::SpeakerEvent;
use crate::screen::{Activity, Meters, Screen, ScreenKey};
use crate::setup::clock::Clock;
use crate::setup::sound::Sounds;
use crate::speech::own_words::OwnWords;
use crate::units::StationId;

/// The devices to use, by id or name; the system's own choice where none is given.
#[derive(Clone, Debug, Default)]
pub struct Devices {
    pub microphone: Option<String>,
    pub loudspeaker: Option<String>,
    /// Where all sound is kept.
    pub keep_sound: Option<PathBuf>,
}

/// Makes what tells how the move stands against its plan.
pub type Planner = Box<dyn FnOnce() -> Result<OnTime, PlanError> + Send>;

/// What a live run works with.
pub struct Around {
    pub sounds: Sounds,
    pub devices: Devices,
    pub notes: Notes,
    /// The screen, where there is a terminal.
    pub screen: Option<Screen>,
    pub talk: Talk,
    /// Where a time to be away by was set.
    pub planner: Option<Planner>,
}

/// What the edges tell the loop.
pub(crate) enum News {
    Heard(HearEvent),
    Level(SoundLevel),
    EarLost(String),
    EarBack,
    EarFailed(AppError),
    Spoke(SpeakerEvent),
    MouthLost(String),
    MouthBack,
    MouthFailed(AppError),
    /// How the move stands against its plan; whether it was asked for.
    OnTime(Told, bool),
    NoPlan(PlanError),
}

/// How a live run came to its end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Parted {
    /// The run is over.
    RunEnded,
    /// The person closed the program; the run is kept and can be gone on with.
    Closed,
}

/// Runs until the run is over or the person closes the program.
///
/// # Errors
/// A model fails, or the talk cannot be printed. What was recorded until then is kept.
pub fn run(mut session: Session, first: Vec<Command>, clock: &Clock, around: Around) -> Result<Parted, AppError> {
    let Around { sounds, devices, notes, mut screen, mut talk, planner } = around;
    let (news, from_edges) = mpsc::channel();
    let speaking = Arc::new(AtomicBool::new(false));
    let stop = Arc::new(AtomicBool::new(false));
    let (to_ear, ear_orders) = mpsc::channel();
    let (to_mouth, mouth_orders) = mpsc::channel();

    let mouth = {
        let (sounds, news, to_ear) = (sounds.clone(), news.clone(), to_ear.clone());
        let (device, speaking, stop) = (devices.loudspeaker.clone(), Arc::clone(&speaking), Arc::clone(&stop));
        spawn("mouth", move || {
            let failed = news.clone();
            let speaker = match sounds.speaker() {
                Ok(speaker) => speaker,
                Err(error) => return drop(failed.send(News::MouthFailed(error))),
            };
            // The dictionaries have been taken apart.
            if let Err(error) = hand_back_what_was_read() {
                tracing::warn!("memory that is not needed any more stays in use: {error}");
            }
            let (voice, in_noise) = (speaker.settings(), InNoise::default());
            Mouth { speaker, voice, in_noise, orders: mouth_orders, news, to_ear, device, speaking, stop }.run();
        })?
    };
    let ear = {
        let (sounds, news) = (sounds.clone(), news.clone());
        let (device, speaking, stop) = (devices.microphone.clone(), Arc::clone(&speaking), Arc::clone(&stop));
        let kept = devices.keep_sound.as_deref().map(KeptSound::create).transpose()?;
        spawn("ear", move || {
            let failed = news.clone();
            let listener = match sounds.listener() {
                Ok(listener) => listener,
                Err(error) => return drop(failed.send(News::EarFailed(error))),
            };
            let mut ear = Ear {
                listener,
                orders: ear_orders,
                news,
                device,
                speaking,
                stop,
                reference: None,
                reference_lost: 0,
                kept,
                alignment: Alignment::default(),
            };
            if let Err(error) = ear.run() {
                drop(failed.send(News::EarFailed(error)));
            }
        })?
    };

    let mut asks = planner.map(|planner| plan_on_time(planner, news)).transpose()?;

    let mut own_voice = OwnWords::default();
    let mut courtesy = Courtesy::default();
    let mut meters = Meters { level_dbfs: None, floor_dbfs: None, activity: Activity::Deaf };
    let mut hears = true;
    let mut loud = LoudEnough::default();
    let mut level: Option<SoundLevel> = None;
    let mut said_again = false;
    let mut notices: Vec<String> = Vec::new();
    let mut to_judge: Option<(crate::units::SessionTime, bool)> = None;
    // The person wanted to close the program over a clock that guards a hazard, and was asked.
    let mut leaving: Option<(crate::units::SessionTime, String)> = None;
    let mut unplanned = false;
    let mut awaits_plan = false;
    let mut todo = first;
    // Everything that can be known now is synthesised while the introduction is spoken.
    drop(to_mouth.send(ToMouth::Prepare(session.engine().fixed_prompts())));
    let parted = 'run: loop {
        for command in todo.drain(..) {
            match command {
                Command::Say(utterance) => {
                    own_voice.will_say(utterance.clone());
                    drop(to_mouth.send(ToMouth::Say(utterance)));
                }
                Command::Hush(priority) => drop(to_mouth.send(ToMouth::Hush(priority))),
                Command::Listen(set) => {
                    own_voice.will_hear(&set);
                    drop(to_ear.send(ToEar::Listen(set)));
                }
                Command::SetVoice(voice) => drop(to_mouth.send(ToMouth::SetVoice(voice))),
                Command::KeepNote => drop(to_ear.send(ToEar::TakeNote)),
                Command::DropNote => drop(to_ear.send(ToEar::DropNote)),
                Command::AskOnTime if asks.as_ref().is_some_and(|asks| asks.send(()).is_ok()) => awaits_plan = true,
                Command::AskOnTime => unplanned = true,
                Command::Written { at, event, kept } => talk.written(at, &event, kept).map_err(AppError::Talk)?,
                Command::Ended => break 'run Parted::RunEnded,
            }
        }
        let now = clock.now();
        if std::mem::take(&mut unplanned) {
            todo.extend(session.tell(now, Input::OnTimeTold { said: None, late: false, asked: true }));
            continue;
        }
        if let Some(screen) = &mut screen {
            let mut view = session.engine().view(now);
            view.notices.extend(notices.iter().cloned());
            let asked = leaving.iter().filter(|(at, _)| now.since(*at) <= ASKED_FOR);
            view.notices.extend(asked.map(|(_, warning)| warning.clone()));
            meters.activity = activity(speaking.load(Ordering::Relaxed), hears);
            screen.draw(&view, &meters)?;
            while let Some(key) = screen.poll_key()? {
                match key {
                    ScreenKey::Quit => match session.engine().leaves_a_hazard() {
                        Some(warning) if leaving.as_ref().is_none_or(|(at, _)| now.since(*at) > ASKED_FOR) => {
                            leaving = Some((now, warning));
                        }
                        _ => break 'run Parted::Closed,
                    },
                    ScreenKey::Engine(key) => {
                        talk.key(now, &format!("{key:?}")).map_err(AppError::Talk)?;
                        todo.extend(session.tell(now, Input::KeyPressed(key)));
                    }
                }
            }
            if !todo.is_empty() {
                continue;
            }
        }
        let patience = session.deadline().map_or(LONGEST_WAIT, |at| clock.until(at).min(LONGEST_WAIT));
        let news = match from_edges.recv_timeout(patience) {
            Ok(news) => news,
            Err(RecvTimeoutError::Timeout) => {
                let now = clock.now();
                if session.deadline().is_some_and(|at| at <= now) {
                    todo.extend(session.tell(now, Input::Woke));
                }
                continue;
            }
            Err(RecvTimeoutError::Disconnected) => break Parted::Closed,
        };
        let now = clock.now();
        match news {
            News::Heard(HearEvent::Heard(heard)) => {
                if let Some(reason) = own_voice.refuse(now, StationId::RIG, &heard) {
                    talk.refused(now, Some(&heard.text), reason).map_err(AppError::Talk)?;
                } else {
                    courtesy.heard();
                    // Whoever has spoken is to hear the reply.
                    drop(to_mouth.send(ToMouth::Duck(Duration::ZERO)));
                    talk.heard(now, &heard).map_err(AppError::Talk)?;
                    todo.extend(session.tell(now, Input::PhraseHeard(heard)));
                }
            }
            News::Heard(HearEvent::Unclear(unclear)) => {
                drop(to_mouth.send(ToMouth::Duck(Duration::ZERO)));
                talk.unclear(now, &unclear).map_err(AppError::Talk)?;
                todo.extend(session.tell(now, Input::SpeechUnclear));
            }
            News::Heard(HearEvent::Noted(note)) => {
                let taken = notes.keep(now, note, &mut talk)?;
                todo.extend(session.tell(now, taken));
            }
            News::Heard(HearEvent::SpeechStarted) => {
                if !speaking.load(Ordering::Relaxed) || courtesy.speech_started(now) {
                    drop(to_mouth.send(ToMouth::Duck(DUCKED)));
                }
            }
            News::Heard(HearEvent::Refused(refused)) => {
                talk.refused(now, refused.best.as_deref(), refused.reason).map_err(AppError::Talk)?;
            }
            News::Heard(HearEvent::UnusableSamples) => {
                talk.note(&format!("[{now}] microphone: samples that are no numbers")).map_err(AppError::Talk)?;
            }
            News::Heard(HearEvent::TalkedOn) => {}
            News::Level(found) => {
                meters.level_dbfs = Some(found.now);
                meters.floor_dbfs = found.floor;
                level = Some(found);
                if let Some((_, prompt)) = to_judge.take_if(|(at, _)| *at <= now) {
                    drop(to_mouth.send(ToMouth::InNoise(loud.ended(found.own, found.floor))));
                    // Said once more and no oftener: whoever hears nothing in such noise reads the screen.
                    said_again = prompt && loud.drowned(found.floor) && !said_again;
                    if said_again {
                        talk.note(&format!("[{now}] said again: the noise rose")).map_err(AppError::Talk)?;
                        todo.extend(session.tell(now, Input::KeyPressed(crate::engine::input::Key::SayAgain)));
                    }
                }
            }
            News::EarLost(why) => {
                hears = false;
                (meters.level_dbfs, meters.floor_dbfs) = (None, None);
                talk.note(&format!("[{now}] microphone lost: {why}")).map_err(AppError::Talk)?;
                todo.extend(session.tell(now, Input::HearingLost));
            }
            News::EarBack => {
                hears = true;
                talk.note(&format!("[{now}] microphone back")).map_err(AppError::Talk)?;
                todo.extend(session.tell(now, Input::HearingBack));
            }
            News::Spoke(event) => {
                match (&event, level) {
                    (SpeakerEvent::Started { .. }, Some(level)) => {
                        loud.begins(level.floor);
                        to_judge = None;
                    }
                    (SpeakerEvent::Finished(id), _) => {
                        let prompt = own_voice.utterance(*id).is_some_and(|said| said.priority == Priority::Prompt);
                        to_judge = Some((now + NOISE_KNOWN, prompt));
                    }
                    _ => {}
                }
                spoke(now, event, &mut own_voice, &mut talk, &mut session, &mut todo)?;
            }
            News::MouthLost(why) => {
                talk.note(&format!("[{now}] loudspeaker lost: {why}")).map_err(AppError::Talk)?;
                notices.push(session.engine().loudspeaker_lost());
            }
            News::MouthBack => {
                talk.note(&format!("[{now}] loudspeaker back")).map_err(AppError::Talk)?;
                notices.clear();
                // What was being said is lost: it is said again.
                todo.extend(session.tell(now, Input::KeyPressed(crate::engine::input::Key::SayAgain)));
            }
            News::OnTime(told, asked) => {
                awaits_plan &= !asked;
                let told = Input::OnTimeTold { said: Some(told.said), late: told.late, asked };
                todo.extend(session.tell(now, told));
            }
            News::NoPlan(error) => {
                talk.note(&format!("[{now}] no plan: {error}")).map_err(AppError::Talk)?;
                asks = None;
                unplanned = std::mem::take(&mut awaits_plan);
            }
            News::EarFailed(error) | News::MouthFailed(error) => {
                stop.store(true, Ordering::Relaxed);
                return Err(error);
            }
        }
    };
    stop.store(true, Ordering::Relaxed);
    drop((to_ear, to_mouth));
    // A dead device may keep its thread for ever; the process ends without it.
    for thread in [mouth, ear] {
        if thread.is_finished() {
            drop(thread.join());
        }
    }
    Ok(parted)
}

/// What the screen shows of mouth and ear.
fn activity(speaks: bool, hears: bool) -> Activity {
    match (speaks, hears) {
        (true, true) => Activity::SpeakingAndListening,
        (true, false) => Activity::Speaking,
        (false, true) => Activity::Listening,
        (false, false) => Activity::Deaf,
    }
}

fn spoke(
    now: crate::units::SessionTime,
    event: SpeakerEvent,
    own_voice: &mut OwnWords,
    talk: &mut Talk,
    session: &mut Session,
    todo: &mut Vec<Command>,
) -> Result<(), AppError> {
    match event {
        SpeakerEvent::Started { id, sentence, words } => {
            own_voice.says(now, StationId::RIG, id, &words);
            if sentence == 0
                && let Some(utterance) = own_voice.utterance(id)
            {
                talk.says(now, utterance).map_err(AppError::Talk)?;
            }
        }
        SpeakerEvent::Finished(id) => {
            own_voice.is_over(now, id);
            todo.extend(session.tell(now, Input::SpeechFinished(id)));
        }
        SpeakerEvent::Cut(id) => own_voice.is_over(now, id),
        SpeakerEvent::Failed { id, error } => {
            talk.note(&format!("[{now}] could not be spoken ({id:?}): {error}")).map_err(AppError::Talk)?;
        }
    }
    Ok(())
}

/// Reckons on a thread of its own, when asked and once a minute: it takes longer than an answer may wait.
fn plan_on_time(planner: Planner, news: Sender<News>) -> Result<Sender<()>, AppError> {
    let (asks, asked) = mpsc::channel();
    spawn("planner", move || {
        let on_time = match planner() {
            Ok(on_time) => on_time,
            Err(error) => return drop(news.send(News::NoPlan(error))),
        };
        loop {
            let asked = match asked.recv_timeout(LOOK_AGAIN) {
                Ok(()) => true,
                Err(RecvTimeoutError::Timeout) => false,
                Err(RecvTimeoutError::Disconnected) => return,
            };
            let told = match on_time.tell() {
                Ok(told) => News::OnTime(told, asked),
                Err(error) => News::NoPlan(error),
            };
            if news.send(told).is_err() {
                return;
            }
        }
    })?;
    Ok(asks)
}

fn spawn(name: &str, work: impl FnOnce() + Send + 'static) -> Result<std::thread::JoinHandle<()>, AppError> {
    std::thread::Builder::new().name(name.to_owned()).spawn(work).map_err(AppError::Thread)
}

/// So soon the program has to be told twice that it is to be closed over a clock that guards a hazard.
const ASKED_FOR: Duration = Duration::from_secs(5);
/// Somebody who begins to speak over the voice has said what may be said over it by then.
pub(crate) const DUCKED: Duration = Duration::from_millis(1_500);
/// The microphone knows the noise again so long after the voice has ended.
const NOISE_KNOWN: Duration = Duration::from_millis(1_500);
/// Keys and the screen are looked at this often, and a sleeping machine is noticed.
const LONGEST_WAIT: Duration = Duration::from_millis(50);
/// Both edges look for work this often; the device buffers are several times longer.
pub(crate) const NAP: Duration = Duration::from_millis(4);
/// A lost device is looked for about once a second.
pub(crate) const REOPEN_EVERY: u32 = 250;
/// Whether it has become late is looked at this often.
const LOOK_AGAIN: Duration = Duration::from_secs(60);
