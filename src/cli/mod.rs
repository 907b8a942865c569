//! The command line: thin commands over the rest.

pub mod args;
pub mod by_ear;
pub mod fetch;
pub mod figure_command;
pub mod hear_command;
pub mod learn_command;
pub mod learn_ends;
pub mod learned_files;
pub mod lesson;
pub mod lint_command;
pub mod log_command;
pub mod mic_command;
pub mod paper_command;
pub mod paper_files;
pub mod paper_routines;
pub mod pip;
pub mod plan_command;
pub mod prompts_command;
pub mod rig_command;
pub mod run_command;
pub mod run_page;
pub mod say_command;
pub mod stats;
pub mod stats_command;
pub mod stats_page;

use std::io;
use std::path::PathBuf;

use thiserror::Error;

/// Why a command of the program could not do its work.
#[derive(Debug, Error)]
pub enum AppError {
    #[error(transparent)]
    KeptSound(#[from] crate::conductor::kept_sound::KeptSoundError),
    #[error(transparent)]
    Prompts(#[from] crate::setup::prompts::PromptError),
    #[error(transparent)]
    Script(#[from] crate::conductor::script::ScriptError),
    #[error(transparent)]
    Journal(#[from] crate::journal::JournalError),
    #[error(transparent)]
    Models(#[from] crate::setup::models::ModelsError),
    #[error(transparent)]
    Fetch(#[from] fetch::FetchError),
    #[error(transparent)]
    Listen(#[from] crate::speech::listener::ListenError),
    #[error(transparent)]
    Sound(#[from] crate::setup::sound::SoundError),
    #[error(transparent)]
    Rig(#[from] rig_command::RigCommandError),
    #[error(transparent)]
    Paper(#[from] paper_command::PaperError),
    #[error(transparent)]
    Learned(#[from] learned_files::LearnedError),
    #[error("{path}: no folder with recordings, expected files like water-off.wav in it")]
    NoRecordings { path: PathBuf },
    #[error(
        "whose voice? Give a name: sparehand learn-voice NAME{}", if known.is_empty() { String::new() } else { format!("; the rig file names {known}") }
    )]
    WhoseVoice { known: String },
    #[error(transparent)]
    Room(#[from] crate::conductor::room::RoomError),
    #[error(transparent)]
    Log(#[from] log_command::LogError),
    #[error(transparent)]
    Say(#[from] say_command::SayCommandError),
    #[error(transparent)]
    Figure(#[from] figure_command::FigureCommandError),
    #[error(transparent)]
    Hear(#[from] hear_command::HearCommandError),
    #[error(transparent)]
    Clip(#[from] crate::hear::clip::ClipError),
    #[error("no usable microphone")]
    Microphone(#[source] crate::audio::capture::CaptureError),
    #[error("the microphone '{name}' gives no sound; plug it in again, or choose another with --microphone")]
    MicrophoneSilent { name: String },
    #[error("{file}: not the words that are expected: {why}")]
    Words { file: &'static str, why: String },
    #[error(transparent)]
    Screen(#[from] crate::screen::ScreenError),
    #[error(transparent)]
    Labels(#[from] crate::screen::LabelsError),
    #[error(transparent)]
    Plan(#[from] plan_command::PlanError),
    #[error("{path}: cannot be made or written; check that the disk has room and that you may write there")]
    Folder { path: PathBuf, source: io::Error },
    #[error("{path}: the session's sound cannot be kept; check that the disk has room and that you may write there")]
    Recording { path: PathBuf, source: hound::Error },
    #[error("the session's sound cannot be kept; check that the disk has room")]
    RecordingWrite(#[source] hound::Error),
    #[error("the talk cannot be printed or kept")]
    Talk(#[source] io::Error),
    #[error("a thread cannot be started; the machine is out of memory or of threads")]
    Thread(#[source] io::Error),
    #[error("no home folder for {what}, expected HOME or XDG folders to be set")]
    NoHome { what: &'static str },
}
