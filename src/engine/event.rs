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
    RunCompleted {
        skipped: Vec<String>,
    },
    /// The person ended the run before its gate.
    RunAbandoned,
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
