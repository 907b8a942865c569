//! What an ear asks of the recogniser that all ears share, and what comes back.
//!
//! A look is one scoring of an utterance, or of a part of it. Frames go on while it is under way; an answer is told apart from others by its
//! id, and one that comes for sound that has gone on since is of no use to anybody.

use std::sync::Arc;

use crate::decide::PhraseVerdict;
use crate::decide::ranking::Ranking;
use crate::engine::output::ListeningSet;

/// Names a request of one ear: numbers that grow, never used twice.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct LookId(pub u64);

/// How much hangs on a look.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Look {
    /// The utterance may not have ended yet: it will be looked at again if nothing comes of this.
    Partial,
    /// It has ended, and its end waits for this.
    Final,
}

/// A stretch of sound to be scored against a set.
#[derive(Clone, Debug)]
pub struct LookRequest {
    pub id: LookId,
    /// The set that was in force when the utterance began; it was named by a `Prepare` before.
    pub set: Arc<ListeningSet>,
    /// 16 kHz mono, full scale 1.0, with the sound around the words.
    pub samples: Vec<f32>,
    pub kind: Look,
}

/// What came of a look.
#[derive(Clone, Debug)]
pub enum Found {
    Ranked(Box<(Ranking, PhraseVerdict)>),
    /// There was too much to do. Of partial looks only.
    Dropped,
    /// The recogniser failed.
    Failed,
}

/// A piece of a note to be written down as it was said.
#[derive(Clone, Debug)]
pub struct WriteRequest {
    pub id: LookId,
    /// 16 kHz mono, full scale 1.0, 0.1 to 10 s.
    pub samples: Vec<f32>,
}
