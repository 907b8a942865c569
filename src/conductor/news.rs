//! What the conductor is told, and what it asks for.

use std::sync::Arc;

use crate::conductor::fault::{DeviceNews, DeviceSide, Worker, WorkerNews};
use crate::conductor::notes::SpokenNoteKept;
use crate::conductor::on_time::Told;
use crate::conductor::talk::TalkLine;
use crate::engine::event::Event;
use crate::hear::note::SpokenNote;
use crate::screen::ScreenKey;
use crate::server::protocol::Button;
use crate::station::{StationInput, StationOutput};
use crate::units::{SessionTime, StationId};

/// One fact from an edge of the program.
#[derive(Debug)]
pub enum News {
    /// A station heard, said or measured something.
    Station(StationId, StationOutput),
    /// A station is there from now on, for these people; with nobody named, for everybody who has none of their own.
    Joined(StationId, Vec<String>),
    /// A station is gone: its people are asked at the rig's.
    Left(StationId),
    /// A device of a station went or came back.
    Device(StationId, DeviceSide, DeviceNews),
    /// A worker that stations share fell over, or works again.
    Worker(Worker, WorkerNews),
    /// The journal has the record on disk.
    Recorded(u64),
    /// The journal could not write the record; why.
    RecordFailed(u64, String),
    /// The sound of a note that was spoken there is kept, or is not.
    NoteKept(StationId, SpokenNoteKept),
    /// A key was pressed at the screen.
    Key(ScreenKey),
    /// Somebody pressed a button of a screen of their own.
    Pressed(Pressed),
    /// The terminal went away or takes nothing any more; why.
    ScreenLost(String),
    /// How the move stands against its plan; whether it was asked for.
    OnTime(Told, Prompted),
    /// There is no plan, or none any more; why.
    NoPlan(String),
    /// What whoever is at the rig has to know of the program's surroundings.
    Notice(String),
    /// The sound of the run is kept no longer; why.
    SoundNotKept(String),
    /// The system asks the program to end.
    Terminate,
    /// The moment named by [`Conductor::deadline`](crate::conductor::core::Conductor::deadline) has come. Early or repeated ones are harmless.
    Woke,
}

/// A button on a screen that may be behind.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Pressed {
    /// Whose screen it is.
    pub of: ScreenOf,
    /// What it stands for.
    pub button: Button,
    /// The number of the question that was shown.
    pub question: u64,
    /// What stood on it.
    pub words: String,
}

/// Whose a screen is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ScreenOf {
    /// Of one person, wherever they are asked; the name is empty where nobody is named.
    Person(String),
    /// Of those who share a station: it shows what whoever was spoken with there last is asked for.
    Shared {
        /// Where they are asked.
        station: StationId,
        /// Who they are, by name. Where nobody is asked there any more it is the screen of the first.
        people: Vec<String>,
    },
}

/// Whether somebody asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Prompted {
    /// Somebody did.
    Asked,
    /// Time went on.
    Unasked,
}

/// One thing to do. To be carried out in the order given.
#[derive(Debug)]
pub enum Task {
    /// An order for a station.
    Station(StationId, StationInput),
    /// Write the event down, then tell [`News::Recorded`] or [`News::RecordFailed`].
    Record {
        /// To be named in the answer.
        seq: u64,
        /// When it happened.
        at: SessionTime,
        /// What happened.
        event: Event,
    },
    /// Write nothing more, were it asked for already: what is on its way was refused aloud.
    GiveJournalUp,
    /// Keep the sound of a note, then tell [`News::NoteKept`].
    KeepNote {
        /// Where it was spoken.
        of: StationId,
        /// When it happened.
        at: SessionTime,
        /// With its sound.
        note: SpokenNote,
    },
    /// A line of the talk.
    Talk(TalkLine),
    /// Reckon how the move stands against its plan, then tell [`News::OnTime`] or [`News::NoPlan`].
    AskOnTime,
    /// Have a recogniser made anew.
    RestartRecogniser,
    /// Make these sentences ready, when there is nothing else to do.
    PrepareSpeech(Arc<[String]>),
    /// The run is over, or the program is to be closed.
    Part(Parted),
}

/// How a run came to its end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Parted {
    /// The run is over.
    RunEnded,
    /// The person, or the system, closed the program; the run is kept and can be gone on with.
    Closed,
}
