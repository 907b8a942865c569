//! What goes and comes back at the edges of a run.

/// Which side of a station.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DeviceSide {
    Microphone,
    Loudspeaker,
}

/// What became of a device.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum DeviceNews {
    /// Why.
    Lost(String),
    Back,
    /// So many samples came too late to be heard, or were never delivered, since this was told last.
    Overrun(u64),
}

/// Which worker.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Worker {
    Recogniser,
    Synthesiser,
    Journal,
}

/// What became of a worker.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum WorkerNews {
    /// Why.
    Lost(String),
    Back,
    /// So many looks were dropped because there was no time for them.
    Overloaded(u64),
    /// It cannot hear a phrase that may be said now; why.
    CannotHear(String),
}
