//! A run in progress: the engine, its journal, and what the edges have to do next. The same for a live run and a rehearsal.

use crate::engine::event::Event;
use crate::engine::input::{Away, Input};
use crate::engine::output::{ListeningSet, Output, Priority, Utterance, VoiceSettings};
use crate::engine::{Asked, Ending, Engine};
use crate::journal::{Journal, JournalError, NewRun, Record, RunId, Stamp};
use crate::units::{SessionTime, StationId};

/// What the edges of the program have to do.
#[derive(Clone, Debug, PartialEq)]
pub enum Command {
    Say(Utterance),
    Hush(Priority),
    Listen(ListeningSet),
    SetVoice(VoiceSettings),
    /// Keep the sound of the next thing that is said, and tell it as `Input::NoteTaken`.
    KeepNote,
    /// No note is waited for any more.
    DropNote,
    /// Reckon how the move stands against its plan, and tell it as `Input::OnTimeTold`.
    AskOnTime,
    /// An event has been written down (or could not be): for the talk that is printed.
    Written {
        at: SessionTime,
        event: Event,
        kept: bool,
    },
    Ended,
}

/// A run with its journal.
pub struct Session {
    engine: Engine,
    journal: Journal,
    run: RunId,
    stamp: Box<dyn Fn(SessionTime) -> Stamp>,
    deadline: Option<SessionTime>,
    write_error: Option<JournalError>,
}

impl Session {
    /// A session over a run that the journal has begun (see [`Session::begin`]) or is going on with.
    pub fn new(engine: Engine, journal: Journal, run: RunId, stamp: Box<dyn Fn(SessionTime) -> Stamp>) -> Self {
        Self { engine, journal, run, stamp, deadline: None, write_error: None }
    }

    /// Writes a new run into the journal.
    ///
    /// # Errors
    /// The journal cannot be written.
    pub fn begin(journal: &mut Journal, run: &NewRun) -> Result<RunId, JournalError> {
        journal.begin_run(run)
    }

    /// Begins a new run.
    pub fn start(&mut self, now: SessionTime) -> Vec<Command> {
        self.tell(now, Input::Woke)
    }

    /// Goes on with a run whose events the engine has replayed.
    pub fn resume(&mut self, now: SessionTime, away: Away) -> Vec<Command> {
        self.tell(now, Input::Resumed(away))
    }

    /// Tells the engine one fact, and keeps its records as they come. Gives what is to be done, in order.
    pub fn tell(&mut self, now: SessionTime, input: Input) -> Vec<Command> {
        let mut commands = Vec::new();
        self.engine.handle(now, StationId::RIG, input);
        loop {
            match self.engine.poll().1 {
                Output::Record { seq, at, event } => {
                    let kept = self.keep(seq, at, &event);
                    commands.push(Command::Written { at, event, kept });
                    let written = if kept { Input::Recorded(seq) } else { Input::RecordFailed(seq) };
                    self.engine.handle(now, StationId::RIG, written);
                }
                Output::Say(utterance) => commands.push(Command::Say(utterance)),
                Output::Hush(priority) => commands.push(Command::Hush(priority)),
                Output::Listen(set) => commands.push(Command::Listen(set)),
                Output::SetVoice(voice) => commands.push(Command::SetVoice(voice)),
                Output::KeepNote => commands.push(Command::KeepNote),
                Output::DropNote => commands.push(Command::DropNote),
                Output::AskOnTime => commands.push(Command::AskOnTime),
                Output::Ended => commands.push(Command::Ended),
                Output::Wait(deadline) => {
                    self.deadline = deadline;
                    return commands;
                }
            }
        }
    }

    /// When the engine wants to be woken.
    pub fn deadline(&self) -> Option<SessionTime> {
        self.deadline
    }

    /// What the person is being asked for.
    pub fn asked(&self, now: SessionTime) -> Asked {
        self.engine.asked(now, StationId::RIG)
    }

    pub fn engine(&self) -> &Engine {
        &self.engine
    }

    pub fn ending(&self) -> Option<Ending> {
        self.engine.state().ended
    }

    pub fn run(&self) -> RunId {
        self.run
    }

    /// The first write that failed, if any did.
    pub fn write_error(&self) -> Option<&JournalError> {
        self.write_error.as_ref()
    }

    fn keep(&mut self, seq: u64, at: SessionTime, event: &Event) -> bool {
        let stamp = (self.stamp)(at);
        let wall = stamp.wall.clone();
        let record = Record { seq, at, stamp, event: event.clone() };
        let mut written = self.journal.append(self.run, &record);
        if let (Ok(()), Event::VoiceChanged { speed, volume_db }) = (&written, event) {
            written = self
                .journal
                .set_preference(VOICE_SPEED, &speed.to_string(), &wall)
                .and_then(|()| self.journal.set_preference(VOICE_VOLUME, &volume_db.to_string(), &wall));
        }
        match written {
            Ok(()) => true,
            Err(error) => {
                tracing::warn!(%error, "a record could not be written");
                self.write_error.get_or_insert(error);
                false
            }
        }
    }
}

/// The voice as it was last set; what cannot be read back is the usual voice.
pub fn remembered_voice(speed: Option<String>, volume_db: Option<String>) -> VoiceSettings {
    let usual = VoiceSettings::default();
    let number = |text: Option<String>, least: f32, most: f32| {
        text.and_then(|text| text.parse::<f32>().ok()).filter(|value| (least..=most).contains(value))
    };
    VoiceSettings {
        speed: number(speed, 0.6, 1.5).unwrap_or(usual.speed),
        volume_db: number(volume_db, -18.0, 6.0).unwrap_or(usual.volume_db),
    }
}

pub const VOICE_SPEED: &str = "voice speed";
pub const VOICE_VOLUME: &str = "voice volume, dB";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_voice_that_cannot_be_read_back_is_the_usual_one() {
        let voice = remembered_voice(Some("9".to_owned()), Some("-3".to_owned()));
        assert_eq!(voice, VoiceSettings { speed: 1.0, volume_db: -3.0 });
        assert_eq!(remembered_voice(None, Some("nan".to_owned())), VoiceSettings::default());
    }
}
