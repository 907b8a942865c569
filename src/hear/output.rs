//! What goes in and out of an ear beside sound: what it wants done, what it has heard.

use std::sync::Arc;

use crate::decide::Reason;
use crate::engine::input::PhraseHeard;
use crate::engine::output::ListeningSet;
use crate::hear::look::{LookRequest, WriteRequest};
use crate::hear::note::SpokenNote;

/// When something was said, in frames of 10 ms since the ear began; the first frame is number 1.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FrameSpan {
    /// Of its first word, as soon as it was noticed.
    pub from: u64,
    /// Of its last word.
    pub to: u64,
}

/// What the ear wants done, and what it has heard. To be served in this order.
#[derive(Debug)]
pub enum EarOutput {
    /// Looks will name this set: the recogniser is to make it ready.
    Prepare(Arc<ListeningSet>),
    /// Answered by [`crate::hear::ear::Ear::looked`].
    Look(LookRequest),
    /// Answered by [`crate::hear::ear::Ear::written_down`].
    WriteDown(WriteRequest),
    /// The recogniser is to work for nothing on this sound, where it has nothing else to do: after seconds of quiet its models have left the
    /// processor's caches, and the first look takes several times as long as the next. Changes nothing that is heard.
    WarmUp(Vec<f32>),
    Event(HearEvent),
}

/// What came of the sound.
#[derive(Clone, Debug, PartialEq)]
pub enum HearEvent {
    /// Somebody, or something like it, began to speak: the program should stop talking.
    SpeechStarted,
    /// A phrase of the set was recognised.
    Heard(PhraseHeard),
    /// Somebody spoke, and nothing that may be said now fits well enough.
    Unclear(Unclear),
    /// What was heard is nobody's, as far as can be told: it is not to be asked about.
    Refused(Unclear),
    /// Speech went on for longer than an answer; it is left alone until it ends.
    TalkedOn,
    /// A note that was asked for with [`crate::hear::ear::Ear::take_note`] has been said.
    Noted(SpokenNote),
    /// The microphone gives samples that are no numbers; silence is heard in their place. Told once.
    UnusableSamples,
}

/// Speech that was not accepted, for the screen and the log.
#[derive(Clone, Debug, PartialEq)]
pub struct Unclear {
    /// The phrase that came nearest.
    pub best: Option<String>,
    /// Corrected score of that phrase, in nats; minus infinity where nothing could be scored.
    pub score: f32,
    /// Distance to the best phrase of another meaning, in nats, 0 and up.
    pub margin: f32,
    /// Natural logarithm of the odds that it was said; minus infinity where it was not worth weighing.
    pub log_odds: f32,
    /// What the model would have written; a hint for people, never a command.
    pub free_text: String,
    /// Why it does not count.
    pub reason: Reason,
}

/// Whether the program is speaking at this station.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum OwnVoiceState {
    Speaking,
    Silent,
}

impl OwnVoiceState {
    /// Of whether it speaks.
    pub fn of(speaks: bool) -> Self {
        if speaks { Self::Speaking } else { Self::Silent }
    }
}
