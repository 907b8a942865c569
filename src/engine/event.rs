//! What is written down. The run is rebuilt by replaying these in order; they are never changed once recorded.

use serde::{Deserialize, Serialize};

/// One thing that happened in a run. Step and clock ids are those of the routine's file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Event {
    /// First event of every run.
    RunStarted {
        routine: String,
        fingerprint: String,
    },
    /// The step was read out, or became the one that is asked for.
    StepOffered {
        step: String,
    },
    /// The person gave the answer that the step asks for.
    StepAnswered {
        step: String,
        answer: String,
        heard: HeardAs,
    },
    /// The person named another state than the one wanted; the step stays open.
    OtherStateHeard {
        step: String,
        answer: String,
        heard: HeardAs,
    },
    /// A question was answered "no": the steps from `back_to` on are open again.
    LoopedBack {
        step: String,
        back_to: String,
        round: u32,
        heard: HeardAs,
    },
    /// The "no" was a mistake: the question is open again, and nothing else.
    LoopUndone {
        step: String,
    },
    /// A question was answered "no" for the last time allowed; the run goes on.
    LoopLimitReached {
        step: String,
        round: u32,
        heard: HeardAs,
    },
    ClockStarted {
        step: String,
        length_ms: u64,
        heard: HeardAs,
    },
    /// The clock ran out. The hazard goes on until somebody ends it.
    ClockRanOut {
        step: String,
    },
    /// A person said that the hazard is over, or (where none) the clock did its work.
    ClockEnded {
        step: String,
        ran_ms: u64,
        heard: HeardAs,
    },
    StepSkipped {
        step: String,
        reason: String,
    },
    /// Put off: it comes back before the gate.
    StepDeferred {
        step: String,
    },
    /// Open again, with everything that hung on it.
    StepsReopened {
        steps: Vec<String>,
        because: String,
    },
    /// A clock that had been ended runs again from its old start: its end was a mistake.
    ClockReinstated {
        step: String,
    },
    StandingBy,
    WentAhead,
    /// Speech that fitted nothing.
    SpeechUnclear,
    VoiceChanged {
        speed: f32,
        volume_db: f32,
    },
    HearingLost,
    HearingBack,
    /// The program went on after it had been away; `away_ms` is absent when nobody can know.
    Resumed {
        away_ms: Option<u64>,
    },
    GateHeld {
        open: Vec<String>,
    },
    /// A routine of a move is through its gate.
    PartCompleted {
        part: String,
        skipped: Vec<String>,
    },
    /// The person takes it on themselves that these are open. `RunCompleted` follows.
    Overridden {
        open: Vec<String>,
        person: String,
        heard: HeardAs,
    },
    RunCompleted {
        skipped: Vec<String>,
    },
    /// The person ended the run before its gate.
    RunAbandoned,
    /// Who takes part; follows `RunStarted` where people are named.
    CrewSet {
        people: Vec<Present>,
    },
    /// Whose step it is; comes before `StepOffered` where more than one person takes part.
    StepAssigned {
        step: String,
        person: String,
    },
    /// Roles, steps in hand and clocks went from one person to another.
    HandedOver {
        from: String,
        to: String,
    },
    /// A turn of a signal that is given and answered, counted from 0. The last turn is a `StepAnswered`.
    SignalGiven {
        step: String,
        turn: usize,
        person: String,
        answer: String,
        heard: HeardAs,
    },
    /// It must not go on: the turns begin again.
    SignalHalted {
        step: String,
        answer: String,
        heard: HeardAs,
    },
    /// One of those who must all answer has. The last answer is a `StepAnswered`.
    Agreed {
        step: String,
        person: String,
        answer: String,
        heard: HeardAs,
    },
    /// A number was read off. Value and bounds are whole counts of `10^-decimals` of the unit.
    ReadingTaken {
        step: String,
        name: String,
        value: i64,
        decimals: u8,
        unit: String,
        least: i64,
        most: i64,
        /// Whether the step is settled by it, or stays open until the reading is put right.
        settles: bool,
        heard: HeardAs,
    },
    /// The countdown of a held time began.
    HoldBegun {
        step: String,
        heard: HeardAs,
    },
    /// Settled steps that are to be asked once more: the last look, or a section after a long pause.
    CheckAsked {
        steps: Vec<String>,
        because: String,
    },
    /// Asked once more, it was still so.
    StepChecked {
        step: String,
        answer: String,
        heard: HeardAs,
    },
    /// What was said after "note", as far as it was understood, and the file with its sound.
    NoteKept {
        step: String,
        text: String,
        wav: Option<String>,
    },
    /// A clock that a person set, named by its length.
    TimerStarted {
        name: String,
        length_ms: u64,
        heard: HeardAs,
    },
    TimerRanOut {
        name: String,
    },
    TimerEnded {
        name: String,
        ran_ms: u64,
        heard: HeardAs,
    },
    /// An emergency card began; everything else is held.
    CardStarted {
        card: String,
        heard: HeardAs,
    },
    CardEnded {
        card: String,
    },
    /// Who speaks, where no answer tells: somebody at a station of their own.
    TurnedTo {
        person: String,
    },
    /// The person asked for the step to be explained.
    Explained {
        step: String,
    },
    /// It was only practised: nothing was done.
    Rehearsed {
        event: Box<Event>,
    },
}

impl Event {
    /// What happened, rehearsed or not.
    pub fn inner(&self) -> &Self {
        match self {
            Self::Rehearsed { event } => event.inner(),
            other => other,
        }
    }

    /// The id of the step that it is about, where it is about one.
    pub fn step(&self) -> Option<&str> {
        match self {
            Self::StepOffered { step }
            | Self::StepAnswered { step, .. }
            | Self::OtherStateHeard { step, .. }
            | Self::LoopedBack { step, .. }
            | Self::LoopUndone { step }
            | Self::LoopLimitReached { step, .. }
            | Self::ClockStarted { step, .. }
            | Self::ClockRanOut { step }
            | Self::ClockEnded { step, .. }
            | Self::StepSkipped { step, .. }
            | Self::StepDeferred { step }
            | Self::ClockReinstated { step }
            | Self::StepAssigned { step, .. }
            | Self::SignalGiven { step, .. }
            | Self::SignalHalted { step, .. }
            | Self::Agreed { step, .. }
            | Self::ReadingTaken { step, .. }
            | Self::HoldBegun { step, .. }
            | Self::StepChecked { step, .. }
            | Self::NoteKept { step, .. }
            | Self::Explained { step } => Some(step),
            Self::Rehearsed { event } => event.step(),
            _ => None,
        }
    }

    /// Whether it says that something has been done.
    pub fn is_deed(&self) -> bool {
        matches!(
            self,
            Self::StepAnswered { .. }
                | Self::OtherStateHeard { .. }
                | Self::LoopLimitReached { .. }
                | Self::ClockStarted { .. }
                | Self::ClockEnded { .. }
                | Self::StepSkipped { .. }
                | Self::PartCompleted { .. }
                | Self::SignalGiven { .. }
                | Self::Agreed { .. }
                | Self::ReadingTaken { .. }
                | Self::StepChecked { .. }
        )
    }
}

/// Somebody who takes part, as it is written down. Roles are in the words of the rig's file.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Present {
    pub name: String,
    pub roles: Vec<String>,
    pub practised: Vec<String>,
    /// Takes part from the beginning; the others can be handed over to.
    pub here: bool,
}

/// How an answer came in.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "by", rename_all = "snake_case")]
pub enum HeardAs {
    Voice {
        phrase: String,
        score: f32,
        margin: f32,
    },
    /// A thin one that was asked about and confirmed.
    VoiceConfirmed {
        phrase: String,
        score: f32,
        margin: f32,
    },
    Key,
    /// The program itself (a clock that guards nothing ran out).
    Clock,
}
