//! What goes and comes back at the edges of a run.

use crate::units::StationId;

/// Which side of a station.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DeviceSide {
    /// What hears.
    Microphone,
    /// What speaks.
    Loudspeaker,
}

/// What became of a device.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum DeviceNews {
    /// Why.
    Lost(String),
    /// It works again.
    Back,
    /// So many samples came too late to be heard, or were never delivered, since this was told last.
    Overrun(u64),
}

/// Which worker.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Worker {
    /// What scores phrases, for all stations.
    Recogniser,
    /// The voice, for all stations.
    Synthesiser,
    /// What writes the run down.
    Journal,
}

/// What became of a worker.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum WorkerNews {
    /// Why.
    Lost(String),
    /// It works again.
    Back,
    /// So many looks were dropped because there was no time for them.
    Overloaded(u64),
    /// What a station had asked it for did not get through: that station takes nothing.
    AnswerLost(StationId),
    /// It cannot hear a phrase that may be said now; why.
    CannotHear(String),
}
