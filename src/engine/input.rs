//! What the world tells the engine: facts, in the past tense.

use std::time::Duration;

use crate::engine::output::{ListeningSetId, SpeechId};
use crate::routine::StepIndex;

/// One fact from the world. The moment it became known and the station that it came from are passed beside it.
#[derive(Clone, Debug, PartialEq)]
pub enum Input {
    /// A phrase of the listening set was recognised.
    PhraseHeard(PhraseHeard),
    /// Somebody spoke, and it fitted nothing that may be said now.
    SpeechUnclear,
    /// A key was pressed.
    KeyPressed(Key),
    /// An utterance was played to its end.
    SpeechFinished(SpeechId),
    /// The journal has the record on disk.
    Recorded(u64),
    /// The journal could not write the record.
    RecordFailed(u64),
    /// A run was rebuilt from the journal.
    Resumed(Away),
    /// A station is there from now on. `people` are those whose own it is, by name; with none it serves everybody who has no
    /// station of their own. A station that joins again begins a fresh conversation.
    StationJoined {
        /// By name, as the crew has them.
        people: Vec<String>,
    },
    /// A station is gone, without a word. Its people are asked at the rig's station. The rig's own station cannot go: for it
    /// this is the loss of ear and mouth.
    StationLeft,
    /// The microphone of the station stopped delivering sound.
    HearingLost,
    /// The microphone of the station delivers sound again.
    HearingBack,
    /// The loudspeaker of the station takes no sound any more.
    VoiceLost,
    /// The loudspeaker of the station takes sound again.
    VoiceBack,
    /// What was said after `Output::KeepNote`: the words as far as they were understood, and the file with the sound.
    NoteTaken {
        /// As far as it was understood.
        text: String,
        /// The file with the sound.
        wav: Option<String>,
    },
    /// How the move stands against its plan.
    OnTimeTold {
        /// As it is to be said; `None` where there is no plan.
        said: Option<String>,
        /// Whether it will not be over in time.
        late: bool,
        /// Whether `Output::AskOnTime` asked for it; otherwise time went on.
        asked: bool,
    },
    /// Something about the program's surroundings that whoever is at the rig has to know; said there once.
    Noticed(String),
    /// The program is about to be closed by the system: a hazard that nobody keeps then is to be named while there is time.
    Closing,
    /// The wake-up time that the engine named has come. Early, late or repeated wake-ups are harmless.
    Woke,
}

/// A recognised phrase.
#[derive(Clone, Debug, PartialEq)]
pub struct PhraseHeard {
    /// The set that was allowed when the phrase was scored. A phrase from an older set is no answer to a newer question.
    pub set: ListeningSetId,
    /// Place of the phrase in that set.
    pub index: usize,
    /// The phrase as the set spells it.
    pub text: String,
    /// Corrected log score of the phrase, in nats; higher is surer.
    pub score: f32,
    /// Distance to the best phrase of another meaning, in nats, 0 and up.
    pub margin: f32,
    /// Whether the scores are good enough to act on.
    pub certainty: Certainty,
    /// Whether it was said while the program itself was speaking.
    pub over_speech: bool,
}

/// How sure the recogniser is, by the thresholds of the phrase's class.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Certainty {
    /// Act on it.
    Sure,
    /// Likely, but to be asked about before anything that matters hangs on it.
    Thin,
    /// It may have been said: to be asked about, never acted on unasked, and no confirmation of anything.
    Doubtful,
}

/// Keys mean the same at every step; which answer they give depends on the step.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Key {
    /// Gives the answer that the step waits for (also "yes").
    Confirm,
    /// Gives the other state, or "no".
    Other,
    /// Says the last thing worth hearing once more.
    SayAgain,
    /// Says how the step is done, and how one knows that it is right.
    Explain,
    /// Says how long every clock still runs.
    HowLong,
    /// Says what is still to be done.
    WhatIsLeft,
    /// Says where in the routine one is.
    WhereAreWe,
    /// Says what may be answered now.
    WhatCanIAnswer,
    /// Holds the run.
    StandBy,
    /// Says what must not be left as it is, and holds the run.
    Rest,
    /// Goes on after a pause.
    GoAhead,
    /// The step is under way.
    NotYet,
    /// Opens the last settled step again.
    Correction,
    /// Leaves the step out, for a reason that is asked for.
    Skip,
    /// Silences the voice and holds the run.
    Stop,
    /// Ends the run before its gate.
    EndRun,
    /// Raises the volume.
    Louder,
    /// Lowers the volume.
    Quieter,
    /// Slows the voice down.
    Slower,
    /// Speeds the voice up.
    Faster,
    /// Says that the hazard of the running clock is over, also while another step is asked for beside it.
    ClockOver,
    /// The same of the clock of this step, where several may run.
    ClockOverOf(StepIndex),
    /// Keeps what is said next.
    Note,
    /// Says what stands between here and the end.
    AreWeReady,
    /// Says how the move stands against its plan.
    AreWeOnTime,
    /// Says that nothing is to be done today at the step that is asked for.
    NotHere,
    /// Says what is still out, connected, or down.
    WhatIsOut,
    /// Picks the n-th choice that is being offered, counted from 1.
    Choice(u8),
    /// Takes the last digit of what is being typed back.
    DropDigit,
    /// Starts the n-th emergency card, counted from 1.
    Card(u8),
    /// Says that what is asked for cannot be tested here.
    Untested,
    /// Turns to the next of several people who share the station: their step is shown, and the keys are theirs.
    NextPerson,
}

impl Key {
    /// Whether it answers what is asked, or is about what was answered last: pressed to one question it means nothing to the next.
    pub fn answers(self) -> bool {
        matches!(
            self,
            Self::Confirm
                | Self::Other
                | Self::Choice(_)
                | Self::NotHere
                | Self::Untested
                | Self::GoAhead
                | Self::NotYet
                | Self::Correction
                | Self::Skip
        )
    }
}

/// How long the program was away before it went on with a run.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Away {
    /// By a clock that runs through suspend, on the same boot of the machine.
    Known(Duration),
    /// The machine was restarted: its wall clock is not trusted.
    Unknown,
}
