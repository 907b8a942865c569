//! Why a run or a rehearsal cannot go on.

use std::io;
use std::path::PathBuf;

use thiserror::Error;

use crate::conductor::kept_sound::KeptSoundError;
use crate::conductor::rehearsal::room::RoomError;
use crate::conductor::rehearsal::script::ScriptError;
use crate::journal::JournalError;
use crate::screen::ScreenError;
use crate::server::ServerError;
use crate::setup::prompts::PromptError;
use crate::setup::sound::SoundError;
use crate::speech::listener::ListenError;
use crate::speech::recogniser::RecogniserError;

/// What a run or a rehearsal needs is missing or fails. What was recorded until then is kept.
#[derive(Debug, Error)]
#[allow(missing_docs, reason = "the message of each says it")]
pub enum ConductorError {
    #[error(transparent)]
    Prompts(#[from] PromptError),
    #[error(transparent)]
    Script(#[from] ScriptError),
    #[error(transparent)]
    Room(#[from] RoomError),
    #[error(transparent)]
    Journal(#[from] JournalError),
    #[error(transparent)]
    Listen(#[from] ListenError),
    #[error(transparent)]
    Sound(#[from] SoundError),
    #[error(transparent)]
    Recogniser(#[from] RecogniserError),
    #[error(transparent)]
    KeptSound(#[from] KeptSoundError),
    #[error(transparent)]
    Screen(#[from] ScreenError),
    #[error(transparent)]
    Phones(#[from] ServerError),
    #[error("{path}: cannot be made or written; check that the disk has room and that you may write there")]
    Folder { path: PathBuf, source: io::Error },
    #[error("{path}: the session's sound cannot be kept; check that the disk has room and that you may write there")]
    Recording { path: PathBuf, source: hound::Error },
    #[error("the session's sound cannot be kept; check that the disk has room")]
    RecordingWrite(#[source] hound::Error),
    #[error("{path}: the talk cannot be kept; check that the disk has room and that you may write there")]
    Talk { path: PathBuf, source: io::Error },
    #[error("the system gives no timer or no signals; is it out of file descriptors?")]
    System(#[source] io::Error),
    #[error("a thread cannot be started; the machine is out of memory or of threads")]
    Thread(#[source] io::Error),
}
