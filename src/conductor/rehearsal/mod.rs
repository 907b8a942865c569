//! A rehearsal: the whole program on WAV endpoints with a simulated person, at real or virtual pace.
//!
//! The second caller of the conductor. In a loop of 10 ms frames the station is given what a simulated room makes of its own sound, and whatever it asks
//! of the workers is done at once.

mod desk;
pub mod person;
pub mod room;
pub mod script;
pub mod summary;

use std::path::{Path, PathBuf};
use std::time::Duration;

use hound::{SampleFormat, WavSpec, WavWriter};

use crate::audio::resample::Decimator;
use crate::audio::{FRAME_LEN, SAMPLE_RATE};
use crate::conductor::core::{Conductor, Means, Plan};
use crate::conductor::error::ConductorError;
use crate::conductor::news::{News, Task};
use crate::conductor::notes::Notes;
use crate::conductor::scribe::Scribe;
use crate::conductor::talk::{Printing, Talk, TalkLine};
use crate::decide::own_words::plain;
use crate::engine::Engine;
use crate::engine::input::Away;
use crate::engine::output::VoiceSettings;
use crate::engine::phrasebook::Line;
use crate::journal::{Journal, NewRun, Purpose, Rehearsals, RunId, Stamp};
use crate::say::mixer::FRAME as PLAYED_FRAME;
use crate::setup::causes::with_causes;
use crate::setup::clock::{Clock, wall};
use crate::setup::practised::Practice;
use crate::setup::prompts;
use crate::setup::sayable;
use crate::setup::sound::{SoundError, Sounds};
use crate::speech::voice::model::Voice;
use crate::station::Station;
use crate::units::{SessionTime, StationId};

use self::desk::{RehearsalDesk, Served};
use self::person::{Doing, Noticed, SimulatedPerson};
use self::room::Room;
use self::script::{Script, Sound};
use self::summary::{Mishearing, Summary};

/// What to rehearse.
#[derive(Clone, Debug)]
pub struct Rehearsal {
    /// Name of the routine or move.
    pub routine: String,
    /// Its file; without it, the one in the configuration folder, or common practice.
    pub rig: Option<PathBuf>,
    /// Names of those who take part; nobody in particular where there are none.
    pub with: Vec<String>,
    /// What the simulated person says; without it, what is asked for.
    pub script: Option<PathBuf>,
    /// Folder for sound, talk, journal and summary.
    pub out: PathBuf,
    /// How fast time passes.
    pub pace: Pace,
}

/// How fast time passes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
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
pub fn rehearse(rehearsal: &Rehearsal, sounds: &Sounds, config: &Path) -> Result<Summary, ConductorError> {
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
        .map_err(|source| ConductorError::Folder { path: rehearsal.out.clone(), source })?;
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
    let resumed = broken_off.is_some().then_some(Away::Unknown);
    let mut stage = Stage::set(rehearsal, sounds, engine, journal, run, script, say_again)?;
    stage.conductor.begin(now, resumed);
    stage.carry_out(now)?;
    while !stage.over && stage.idle < PATIENCE {
        now += FRAME;
        stage.frame(now)?;
        if rehearsal.pace == Pace::Real {
            began.sleep_until(now);
        }
    }
    let took_s = began.now().as_millis() as f64 / 1e3;
    let mut summary = stage.summary;
    summary.finish(stage.conductor.engine(), now, took_s);
    stage
        .recording
        .finalize()
        .map_err(|source| ConductorError::Recording { path: rehearsal.out.join("session.wav"), source })?;
    let path = rehearsal.out.join("summary.json");
    let json = serde_json::to_string_pretty(&summary)
        .map_err(|source| ConductorError::Folder { path: path.clone(), source: source.into() })?;
    std::fs::write(&path, json + "\n").map_err(|source| ConductorError::Folder { path, source })?;
    Ok(summary)
}

struct Stage {
    conductor: Conductor,
    station: Station,
    desk: RehearsalDesk,
    scribe: Scribe,
    person_voice: Voice,
    room: Room,
    person: SimulatedPerson,
    talk: Talk,
    recording: WavWriter<std::io::BufWriter<std::fs::File>>,
    summary: Summary,
    say_again: String,
    /// What the person is saying or has just said, and until when the ear may still answer to it.
    saying: Option<(String, SessionTime)>,
    decimator: Decimator,
    over: bool,
    /// Time in which nothing happened and nobody had anything left to say.
    idle: Duration,
}

impl Stage {
    fn set(
        rehearsal: &Rehearsal,
        sounds: &Sounds,
        engine: Engine,
        journal: Journal,
        run: RunId,
        script: Script,
        say_again: String,
    ) -> Result<Self, ConductorError> {
        let stamp =
            |at: SessionTime| Stamp { boot_id: "rehearsal".to_owned(), boottime_ms: at.as_millis(), wall: wall() };
        let talk_file = rehearsal.out.join("talk.txt");
        let talk = Talk::new(Some(&talk_file), Printing::Printed)
            .map_err(|source| ConductorError::Talk { path: talk_file, source })?;
        let notes = Notes::beside(&rehearsal.out.join("journal.sqlite"), run);
        let desk = RehearsalDesk::new(sounds.recogniser()?, sounds.workbench()?);
        let mixer = sounds.mixer()?;
        Ok(Self {
            conductor: Conductor::new(engine, &[StationId::RIG], Means::Voice, Plan::None),
            station: Station::new(StationId::RIG, sounds.ear()?, mixer),
            desk,
            scribe: Scribe::new(journal, run, Box::new(stamp), notes),
            person_voice: sounds.voice()?,
            room: Room::new(),
            person: SimulatedPerson::new(script),
            talk,
            recording: new_recording(&rehearsal.out)?,
            summary: Summary::default(),
            say_again,
            saying: None,
            decimator: sounds.decimator()?,
            over: false,
            idle: Duration::ZERO,
        })
    }

    fn frame(&mut self, now: SessionTime) -> Result<(), ConductorError> {
        let mut played = [0.0; PLAYED_FRAME];
        self.station.render(now, &mut played);
        self.listen_to_station(now)?;
        let reference: [f32; FRAME_LEN] = self.decimator.decimate(&played).map_err(SoundError::from)?;
        let mic = self.room.frame(&reference);
        for (left, right) in mic.iter().zip(&reference) {
            for sample in [left, right] {
                let full = (sample.clamp(-1.0, 1.0) * f32::from(i16::MAX)) as i16;
                self.recording.write_sample(full).map_err(ConductorError::RecordingWrite)?;
            }
        }
        let speaking = self.station.is_speaking();
        self.station.hear(now, &mic, Some(&reference));
        self.listen_to_station(now)?;
        if self.conductor.deadline().is_some_and(|at| at <= now) {
            self.conductor.handle(now, News::Woke);
            self.carry_out(now)?;
        }
        self.person_attends(now, speaking)
    }

    /// Does what the station asks for, and tells the conductor the rest.
    fn listen_to_station(&mut self, now: SessionTime) -> Result<(), ConductorError> {
        while let Some(output) = self.station.poll() {
            match self.desk.serve(output)? {
                Served::Answered(input) => self.station.handle(now, input),
                Served::Done => {}
                Served::Told(output) => {
                    self.conductor.handle(now, News::Station(StationId::RIG, output));
                    self.carry_out(now)?;
                }
            }
        }
        Ok(())
    }

    fn person_attends(&mut self, now: SessionTime, speaking: bool) -> Result<(), ConductorError> {
        let asked = self.conductor.asked(now, StationId::RIG);
        let noticed = Noticed { now, asked: &asked, speaking, say_agains: self.summary.say_agains };
        // A clock that runs is waited for, were it hours: bleach stands in a tank as long.
        let clock_runs = self.conductor.engine().state().clocks.values().any(|clock| clock.ends() > now);
        let somebody_acts = self.person.has_turns() || self.person.is_at_work() || self.saying.is_some();
        let waits = !clock_runs && !somebody_acts && !speaking;
        self.idle = if waits { self.idle + FRAME } else { Duration::ZERO };
        if let Some(doing) = self.person.attend(&noticed) {
            let sounding = self.room.begin(&doing, &mut self.person_voice)?;
            self.person.spoke(now, &doing, sounding, &noticed);
            let text = words_of(&doing);
            self.talk.take(&TalkLine::Person { at: now, text: text.clone() });
            self.summary.person_said += 1;
            self.saying = Some((text, now + sounding + STILL_COUNTS));
        }
        if self.saying.as_ref().is_some_and(|(_, until)| *until <= now) {
            self.saying = None;
        }
        Ok(())
    }

    fn carry_out(&mut self, now: SessionTime) -> Result<(), ConductorError> {
        while let Some(task) = self.conductor.poll() {
            match task {
                Task::Station(_, order) => {
                    self.station.handle(now, order);
                    self.listen_to_station(now)?;
                }
                Task::Record { seq, at, event } => {
                    self.idle = Duration::ZERO;
                    let news = match self.scribe.record(seq, at, event) {
                        Ok(()) => News::Recorded(seq),
                        Err(error) => News::RecordFailed(seq, with_causes(&error)),
                    };
                    self.conductor.handle(now, news);
                }
                Task::KeepNote { of, at, note } => {
                    let kept = self.scribe.keep_note(at, note);
                    self.conductor.handle(now, News::NoteKept(of, kept));
                }
                Task::Talk(line) => {
                    self.count(&line);
                    self.talk.take(&line);
                }
                Task::Part(_) => self.over = true,
                // There is no plan on a day that is only rehearsed, and what a rehearsal says is made as it is said.
                Task::AskOnTime | Task::PrepareSpeech(_) | Task::RestartRecogniser | Task::GiveJournalUp => {}
            }
        }
        Ok(())
    }

    /// What a line of the talk means for the summary.
    fn count(&mut self, line: &TalkLine) {
        match line {
            TalkLine::Says { utterance, .. } => {
                self.summary.alarms += u32::from(utterance.alarm.is_some());
                self.summary.say_agains += u32::from(utterance.text == self.say_again);
            }
            TalkLine::Heard { at, heard, .. } => match self.saying.take() {
                Some((said, _)) if same_words(&said, &heard.text) => self.summary.heard_right += 1,
                Some((said, _)) => self.summary.heard_wrong.push(Mishearing {
                    at_s: at.as_millis() as f64 / 1e3,
                    said,
                    heard: heard.text.clone(),
                }),
                None => self.summary.heard_from_nobody.push(heard.text.clone()),
            },
            TalkLine::Unclear { .. } => self.summary.unclear += 1,
            TalkLine::Written { event, .. } => self.summary.note_event(event),
            _ => {}
        }
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
fn new_recording(out: &Path) -> Result<WavWriter<std::io::BufWriter<std::fs::File>>, ConductorError> {
    let path = out.join("session.wav");
    if path.exists() {
        let free = (1..).map(|n| out.join(format!("session-{n}.wav"))).find(|path| !path.exists());
        if let Some(free) = free {
            std::fs::rename(&path, &free).map_err(|source| ConductorError::Folder { path: path.clone(), source })?;
        }
    }
    let spec =
        WavSpec { channels: 2, sample_rate: SAMPLE_RATE as u32, bits_per_sample: 16, sample_format: SampleFormat::Int };
    WavWriter::create(&path, spec).map_err(|source| ConductorError::Recording { path, source })
}

const FRAME: Duration = Duration::from_millis(10);
/// A recognised phrase this long after somebody spoke is an answer to it.
const STILL_COUNTS: Duration = Duration::from_millis(2_500);
/// A rehearsal in which nobody has anything to say any more and nothing happens ends after this.
const PATIENCE: Duration = Duration::from_secs(6 * 60);
