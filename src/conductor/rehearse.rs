//! A rehearsal: the whole program on WAV endpoints with a simulated person, at real or virtual pace.
//!
//! One loop of 10 ms frames: what the voice plays, what the room makes of it, what the ear hears, what the engine decides.

use std::path::{Path, PathBuf};
use std::time::Duration;

use hound::{SampleFormat, WavSpec, WavWriter};

use crate::audio::FRAME_LEN;
use crate::audio::SAMPLE_RATE;
use crate::audio::playback::Decimator;
use crate::cli::AppError;
use crate::conductor::courtesy::Courtesy;
use crate::conductor::notes::Notes;
use crate::conductor::person::{Doing, Noticed, Person};
use crate::conductor::room::Room;
use crate::conductor::script::{Script, Sound};
use crate::conductor::session::{Command, Session};
use crate::conductor::summary::{Mishearing, Summary};
use crate::conductor::talk::Talk;
use crate::engine::input::{Away, Input};
use crate::engine::output::VoiceSettings;
use crate::engine::phrasebook::Line;
use crate::hear::ear::{HearEvent, OwnVoiceState};
use crate::journal::{Journal, NewRun, Purpose, Rehearsals, Stamp};
use crate::say::mixer::{CutStyle, Speaker, SpeakerEvent};
use crate::setup::clock::{Clock, wall};
use crate::setup::practised::Practice;
use crate::setup::prompts;
use crate::setup::sayable;
use crate::setup::sound::{SoundError, Sounds};
use crate::speech::listener::Listener;
use crate::speech::own_words::{OwnWords, plain};
use crate::speech::voice::model::Voice;
use crate::units::{SessionTime, StationId};

/// What to rehearse.
#[derive(Clone, Debug)]
pub struct Rehearsal {
    pub routine: String,
    pub rig: Option<PathBuf>,
    /// Names of those who take part; nobody in particular where there are none.
    pub with: Vec<String>,
    pub script: Option<PathBuf>,
    pub out: PathBuf,
    pub pace: Pace,
}

/// How fast time passes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum Pace {
    /// As on the day.
    Real,
    /// As fast as the computing goes.
    Virtual,
}

/// Rehearses, printing the talk as it happens. Leaves `session.wav`, `talk.txt`, the journal and `summary.json` in
/// `rehearsal.out`. A rehearsal that was broken off in the same folder is gone on with.
///
/// # Errors
/// Something that is needed is missing or cannot be written. What was recorded until then is kept.
pub fn rehearse(rehearsal: &Rehearsal, sounds: &Sounds, config: &Path) -> Result<Summary, AppError> {
    let began = Clock::start();
    let rig = prompts::rig(rehearsal.rig.as_deref(), config)?;
    let book = prompts::phrasebook(config)?;
    // What was done on other days is in the real journal; a rehearsal goes by the rig file alone.
    let past = Practice::default();
    let mut engine =
        prompts::engine(&rehearsal.routine, &rig, &rehearsal.with, VoiceSettings::default(), &past, config)?;
    sayable::check(&engine, &book, &sayable::people(&rig, &rehearsal.with), sounds.vosk.as_ref())?;
    let steps: Vec<String> = engine.routine().steps.iter().map(|step| step.id.clone()).collect();
    let script = match &rehearsal.script {
        Some(path) => Script::read(path, &steps)?,
        None => Script::none(),
    };
    let say_again = book.line(Line::Unclear, &[]);
    std::fs::create_dir_all(&rehearsal.out)
        .map_err(|source| AppError::Folder { path: rehearsal.out.clone(), source })?;
    let mut journal = Journal::open(&rehearsal.out.join("journal.sqlite"))?;
    let broken_off = journal
        .unfinished(&rehearsal.routine, Rehearsals::Included)?
        .filter(|run| run.run.fingerprint == engine.routine().fingerprint);
    let (run, mut now) = match &broken_off {
        Some(run) => {
            let events = journal.events(run.id)?;
            events.iter().for_each(|record| engine.replay(record.at, &record.event));
            (run.id, events.last().map_or(SessionTime::ZERO, |record| record.at))
        }
        None => {
            let new = NewRun {
                routine: rehearsal.routine.clone(),
                fingerprint: engine.routine().fingerprint.clone(),
                settings: serde_json::json!({ "rehearsal": true }).to_string(),
                started: wall(),
                purpose: Purpose::Rehearsal,
            };
            (journal.begin_run(&new)?, SessionTime::ZERO)
        }
    };
    let stamp = |at: SessionTime| Stamp { boot_id: "rehearsal".to_owned(), boottime_ms: at.as_millis(), wall: wall() };
    let mut stage = Stage {
        session: Session::new(engine, journal, run, Box::new(stamp)),
        listener: sounds.listener()?,
        speaker: sounds.speaker()?,
        person_voice: sounds.voice()?,
        room: Room::new(),
        person: Person::new(script),
        talk: Talk::new(Some(&rehearsal.out.join("talk.txt")), true).map_err(AppError::Talk)?,
        recording: new_recording(&rehearsal.out)?,
        summary: Summary::default(),
        own_voice: OwnWords::default(),
        courtesy: Courtesy::default(),
        say_again,
        saying: None,
        decimator: sounds.decimator()?,
        notes: Notes::beside(&rehearsal.out.join("journal.sqlite"), run),
        over: false,
        idle: Duration::ZERO,
    };
    let commands =
        if broken_off.is_some() { stage.session.resume(now, Away::Unknown) } else { stage.session.start(now) };
    stage.carry_out(now, commands)?;
    while !stage.over && stage.idle < PATIENCE {
        now += FRAME;
        stage.frame(now)?;
        if rehearsal.pace == Pace::Real {
            began.sleep_until(now);
        }
    }
    let took_s = began.now().as_millis() as f64 / 1e3;
    let mut summary = stage.summary;
    summary.finish(stage.session.engine(), now, took_s);
    stage
        .recording
        .finalize()
        .map_err(|source| AppError::Recording { path: rehearsal.out.join("session.wav"), source })?;
    let path = rehearsal.out.join("summary.json");
    let json = serde_json::to_string_pretty(&summary)
        .map_err(|source| AppError::Folder { path: path.clone(), source: source.into() })?;
    std::fs::write(&path, json + "\n").map_err(|source| AppError::Folder { path, source })?;
    Ok(summary)
}

struct Stage {
    session: Session,
    listener: Listener,
    speaker: Speaker,
    person_voice: Voice,
    room: Room,
    person: Person,
    talk: Talk,
    recording: WavWriter<std::io::BufWriter<std::fs::File>>,
    summary: Summary,
    own_voice: OwnWords,
    courtesy: Courtesy,
    say_again: String,
    /// What the person is saying or has just said, and until when the ear may still answer to it.
    saying: Option<(String, SessionTime)>,
    decimator: Decimator,
    notes: Notes,
    over: bool,
    /// Time in which nothing happened and nobody had anything left to say.
    idle: Duration,
}

impl Stage {
    fn frame(&mut self, now: SessionTime) -> Result<(), AppError> {
        let mut played = [0.0; 480];
        let events = self.speaker.render(&mut played);
        for event in events {
            self.spoke(now, event)?;
        }
        let reference: [f32; FRAME_LEN] = self.decimator.decimate(&played).map_err(SoundError::from)?;
        let mic = self.room.frame(&reference);
        for (left, right) in mic.iter().zip(&reference) {
            for sample in [left, right] {
                let full = (sample.clamp(-1.0, 1.0) * f32::from(i16::MAX)) as i16;
                self.recording.write_sample(full).map_err(AppError::RecordingWrite)?;
            }
        }
        let speaking = self.speaker.is_speaking();
        let heard = self.listener.push_frame(&mic, Some(&reference), OwnVoiceState::of(speaking))?;
        if let Some(event) = heard {
            self.heard(now, event)?;
        }
        if self.session.deadline().is_some_and(|at| at <= now) {
            self.tell(now, Input::Woke)?;
        }
        self.person_attends(now, speaking)
    }

    fn person_attends(&mut self, now: SessionTime, speaking: bool) -> Result<(), AppError> {
        let asked = self.session.asked(now);
        let noticed = Noticed { now, asked: &asked, speaking, say_agains: self.summary.say_agains };
        // A clock that runs is waited for, were it hours: bleach stands in a tank as long.
        let clock_runs = self.session.engine().state().clocks.values().any(|clock| clock.ends() > now);
        let somebody_acts = self.person.has_turns() || self.person.is_at_work() || self.saying.is_some();
        let waits = !clock_runs && !somebody_acts && !speaking;
        self.idle = if waits { self.idle + FRAME } else { Duration::ZERO };
        if let Some(doing) = self.person.attend(&noticed) {
            let sounding = self.room.begin(&doing, &mut self.person_voice)?;
            self.person.spoke(now, &doing, sounding, &noticed);
            let text = words_of(&doing);
            self.talk.person(now, &text).map_err(AppError::Talk)?;
            self.summary.person_said += 1;
            self.saying = Some((text, now + sounding + STILL_COUNTS));
        }
        if self.saying.as_ref().is_some_and(|(_, until)| *until <= now) {
            self.saying = None;
        }
        Ok(())
    }

    fn heard(&mut self, now: SessionTime, event: HearEvent) -> Result<(), AppError> {
        match event {
            HearEvent::Heard(heard) => {
                if let Some(reason) = self.own_voice.refuse(now, StationId::RIG, &heard) {
                    return self.talk.refused(now, Some(&heard.text), reason).map_err(AppError::Talk);
                }
                self.courtesy.heard();
                self.speaker.duck(Duration::ZERO);
                self.talk.heard(now, &heard).map_err(AppError::Talk)?;
                match self.saying.take() {
                    Some((said, _)) if same_words(&said, &heard.text) => self.summary.heard_right += 1,
                    Some((said, _)) => self.summary.heard_wrong.push(Mishearing {
                        at_s: now.as_millis() as f64 / 1e3,
                        said,
                        heard: heard.text.clone(),
                    }),
                    None => self.summary.heard_from_nobody.push(heard.text.clone()),
                }
                self.tell(now, Input::PhraseHeard(heard))
            }
            HearEvent::Unclear(unclear) => {
                self.speaker.duck(Duration::ZERO);
                self.talk.unclear(now, &unclear).map_err(AppError::Talk)?;
                self.summary.unclear += 1;
                self.tell(now, Input::SpeechUnclear)
            }
            HearEvent::Noted(note) => {
                let taken = self.notes.keep(now, note, &mut self.talk)?;
                self.tell(now, taken)
            }
            HearEvent::SpeechStarted => {
                if !self.speaker.is_speaking() || self.courtesy.speech_started(now) {
                    self.speaker.duck(crate::conductor::live::DUCKED);
                }
                Ok(())
            }
            HearEvent::Refused(refused) => {
                self.talk.refused(now, refused.best.as_deref(), refused.reason).map_err(AppError::Talk)
            }
            HearEvent::TalkedOn | HearEvent::UnusableSamples => Ok(()),
        }
    }

    fn spoke(&mut self, now: SessionTime, event: SpeakerEvent) -> Result<(), AppError> {
        match event {
            SpeakerEvent::Started { id, sentence, words } => {
                self.own_voice.says(now, StationId::RIG, id, &words);
                if sentence == 0
                    && let Some(utterance) = self.own_voice.utterance(id)
                {
                    self.talk.says(now, utterance).map_err(AppError::Talk)?;
                    self.summary.alarms += u32::from(utterance.alarm.is_some());
                    self.summary.say_agains += u32::from(utterance.text == self.say_again);
                }
                Ok(())
            }
            SpeakerEvent::Finished(id) => {
                self.own_voice.is_over(now, id);
                self.tell(now, Input::SpeechFinished(id))
            }
            SpeakerEvent::Cut(id) => {
                self.own_voice.is_over(now, id);
                Ok(())
            }
            SpeakerEvent::Failed { id, error } => {
                self.talk.note(&format!("[{now}] could not be spoken ({id:?}): {error}")).map_err(AppError::Talk)
            }
        }
    }

    fn tell(&mut self, now: SessionTime, input: Input) -> Result<(), AppError> {
        let commands = self.session.tell(now, input);
        self.carry_out(now, commands)
    }

    fn carry_out(&mut self, now: SessionTime, commands: Vec<Command>) -> Result<(), AppError> {
        for command in commands {
            match command {
                Command::Say(utterance) => {
                    self.own_voice.will_say(utterance.clone());
                    self.speaker.say(utterance);
                }
                Command::Hush(priority) => self.speaker.hush(priority, CutStyle::Fade),
                Command::Listen(set) => {
                    self.own_voice.will_hear(&set);
                    self.listener.allow(&set)?;
                }
                Command::SetVoice(voice) => self.speaker.set_voice(voice),
                Command::KeepNote => self.listener.take_note(),
                Command::DropNote => self.listener.drop_note(),
                // A rehearsal has no day on which anybody would have to be away.
                Command::AskOnTime => {
                    let unknown = Input::OnTimeTold { said: None, late: false, asked: true };
                    self.tell(now, unknown)?;
                }
                Command::Written { at, event, kept } => {
                    self.idle = Duration::ZERO;
                    self.talk.written(at.max(now), &event, kept).map_err(AppError::Talk)?;
                    self.summary.note_event(&event);
                }
                Command::Ended => self.over = true,
            }
        }
        Ok(())
    }
}

fn same_words(said: &str, heard: &str) -> bool {
    plain(said) == heard
}

fn words_of(doing: &Doing) -> String {
    match doing {
        Doing::Say(text) => text.clone(),
        Doing::Turn(turn) => match &turn.sound {
            Sound::Say(text) => text.clone(),
            Sound::Wav(path) => path.display().to_string(),
            Sound::Nothing => "...".to_owned(),
        },
    }
}

/// The session's sound: left what the microphone got, right what was said. An earlier one is kept under another name.
fn new_recording(out: &Path) -> Result<WavWriter<std::io::BufWriter<std::fs::File>>, AppError> {
    let path = out.join("session.wav");
    if path.exists() {
        let free = (1..).map(|n| out.join(format!("session-{n}.wav"))).find(|path| !path.exists());
        if let Some(free) = free {
            std::fs::rename(&path, &free).map_err(|source| AppError::Folder { path: path.clone(), source })?;
        }
    }
    let spec =
        WavSpec { channels: 2, sample_rate: SAMPLE_RATE as u32, bits_per_sample: 16, sample_format: SampleFormat::Int };
    WavWriter::create(&path, spec).map_err(|source| AppError::Recording { path, source })
}

const FRAME: Duration = Duration::from_millis(10);
/// A recognised phrase this long after somebody spoke is an answer to it.
const STILL_COUNTS: Duration = Duration::from_millis(2_500);
/// A rehearsal in which nobody has anything to say any more and nothing happens ends after this.
const PATIENCE: Duration = Duration::from_secs(6 * 60);
