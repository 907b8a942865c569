//! What is written down. The run is rebuilt by replaying these in order; they are never changed once recorded.

use serde::{Deserialize, Serialize};

use crate::rig::{Demand, RigState, Stands};

/// One thing that happened in a run. Step and clock ids are those of the routine's file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Event {
    /// First event of every run.
    RunStarted {
        /// Id of the routine or move.
        routine: String,
        /// Of the routine's text, by which a later version is told.
        fingerprint: String,
    },
    /// The step was read out, or became the one that is asked for.
    StepOffered {
        /// Id of the step.
        step: String,
    },
    /// The person gave the answer that the step asks for.
    StepAnswered {
        /// Id of the step.
        step: String,
        /// As it is said back.
        answer: String,
        /// How it came in.
        heard: HeardAs,
    },
    /// The person named another state than the one wanted; the step stays open.
    OtherStateHeard {
        /// Id of the step.
        step: String,
        /// As it is said back.
        answer: String,
        /// How it came in.
        heard: HeardAs,
    },
    /// A question was answered "no": the steps from `back_to` on are open again.
    LoopedBack {
        /// Id of the step.
        step: String,
        /// Id of the step that it went back to.
        back_to: String,
        /// How often it was answered "no", from 1.
        round: u32,
        /// How it came in.
        heard: HeardAs,
    },
    /// The "no" was a mistake: the question is open again, and nothing else.
    LoopUndone {
        /// Id of the step.
        step: String,
    },
    /// A question was answered "no" for the last time allowed; the run goes on.
    LoopLimitReached {
        /// Id of the step.
        step: String,
        /// How often it was answered "no", from 1.
        round: u32,
        /// How it came in.
        heard: HeardAs,
    },
    /// A clock began to run.
    ClockStarted {
        /// Id of the step.
        step: String,
        /// How long it runs, in milliseconds.
        length_ms: u64,
        /// How it came in.
        heard: HeardAs,
    },
    /// The clock ran out. The hazard goes on until somebody ends it.
    ClockRanOut {
        /// Id of the step.
        step: String,
    },
    /// A person said that the hazard is over, or (where none) the clock did its work.
    ClockEnded {
        /// Id of the step.
        step: String,
        /// How long it ran, in milliseconds.
        ran_ms: u64,
        /// How it came in.
        heard: HeardAs,
    },
    /// A step was left out.
    StepSkipped {
        /// Id of the step.
        step: String,
        /// In the words of the phrase file.
        reason: String,
    },
    /// Put off: it comes back before the gate.
    StepDeferred {
        /// Id of the step.
        step: String,
    },
    /// Open again, with everything that hung on it.
    StepsReopened {
        /// Ids of the steps.
        steps: Vec<String>,
        /// Why, as one of a few fixed words.
        because: String,
    },
    /// A clock that had been ended runs again from its old start: its end was a mistake.
    ClockReinstated {
        /// Id of the step.
        step: String,
    },
    /// Everybody waits until somebody says to go on.
    StandingBy,
    /// The run goes on after a pause.
    WentAhead,
    /// Speech that fitted nothing.
    SpeechUnclear,
    /// The voice speaks differently from now on.
    VoiceChanged {
        /// 1.0 is the usual pace.
        speed: f32,
        /// Gain in decibels.
        volume_db: f32,
    },
    /// An ear was lost: that of the rig, or that of somebody with a station of their own.
    HearingLost,
    /// An ear that was lost hears again.
    HearingBack,
    /// The program went on after it had been away; `away_ms` is absent when nobody can know.
    Resumed {
        /// Milliseconds away, absent when nobody can know.
        away_ms: Option<u64>,
    },
    /// The gate lets nobody pass.
    GateHeld {
        /// Ids of the steps that are open.
        open: Vec<String>,
    },
    /// A routine of a move is through its gate.
    PartCompleted {
        /// Id of the routine.
        part: String,
        /// Ids of the steps that were left out.
        skipped: Vec<String>,
    },
    /// The person takes it on themselves that these are open. `RunCompleted` follows.
    Overridden {
        /// Ids of the steps that are open.
        open: Vec<String>,
        /// By name.
        person: String,
        /// How it came in.
        heard: HeardAs,
    },
    /// The run is through its last gate, or was overridden.
    RunCompleted {
        /// Ids of the steps that were left out.
        skipped: Vec<String>,
    },
    /// The person ended the run before its gate.
    RunAbandoned,
    /// Who takes part; follows `RunStarted` where people are named.
    CrewSet {
        /// In the order in which they are named.
        people: Vec<Present>,
    },
    /// Whose step it is; comes before `StepOffered` where more than one person takes part.
    StepAssigned {
        /// Id of the step.
        step: String,
        /// By name.
        person: String,
    },
    /// Roles, steps in hand and clocks went from one person to another.
    HandedOver {
        /// By name.
        from: String,
        /// By name.
        to: String,
    },
    /// A turn of a signal that is given and answered, counted from 0. The last turn is a `StepAnswered`.
    SignalGiven {
        /// Id of the step.
        step: String,
        /// Counted from 0.
        turn: usize,
        /// By name.
        person: String,
        /// As it is said back.
        answer: String,
        /// How it came in.
        heard: HeardAs,
    },
    /// It must not go on: the turns begin again.
    SignalHalted {
        /// Id of the step.
        step: String,
        /// As it is said back.
        answer: String,
        /// How it came in.
        heard: HeardAs,
    },
    /// One of those who must all answer has. The last answer is a `StepAnswered`.
    Agreed {
        /// Id of the step.
        step: String,
        /// By name.
        person: String,
        /// As it is said back.
        answer: String,
        /// How it came in.
        heard: HeardAs,
    },
    /// A number was read off. Value and bounds are whole counts of `10^-decimals` of the unit.
    ReadingTaken {
        /// Id of the step.
        step: String,
        /// As it is said.
        name: String,
        /// In whole counts of `10^-decimals` of the unit.
        value: i64,
        /// Places behind the point.
        decimals: u8,
        /// As it is said after the number.
        unit: String,
        /// Where the reading should lie at least, as `value`.
        least: i64,
        /// Where the reading should lie at most, as `value`.
        most: i64,
        /// Whether the step is settled by it, or stays open until the reading is put right.
        settles: bool,
        /// How it came in.
        heard: HeardAs,
    },
    /// The countdown of a held time began.
    HoldBegun {
        /// Id of the step.
        step: String,
        /// How it came in.
        heard: HeardAs,
    },
    /// Settled steps that are to be asked once more: the last look, or a section after a long pause.
    CheckAsked {
        /// Ids of the steps.
        steps: Vec<String>,
        /// Why, as one of a few fixed words.
        because: String,
    },
    /// Asked once more, it was still so.
    StepChecked {
        /// Id of the step.
        step: String,
        /// As it is said back.
        answer: String,
        /// How it came in.
        heard: HeardAs,
    },
    /// What was said after "note", as far as it was understood, and the file with its sound.
    NoteKept {
        /// Id of the step.
        step: String,
        /// As far as it was understood.
        text: String,
        /// The file with its sound.
        wav: Option<String>,
    },
    /// A clock that a person set, named by its length.
    TimerStarted {
        /// As it is said.
        name: String,
        /// How long it runs, in milliseconds.
        length_ms: u64,
        /// How it came in.
        heard: HeardAs,
    },
    /// A clock that a person set ran out.
    TimerRanOut {
        /// As it is said.
        name: String,
    },
    /// A clock that a person set was ended, or rang long enough.
    TimerEnded {
        /// As it is said.
        name: String,
        /// How long it ran, in milliseconds.
        ran_ms: u64,
        /// How it came in.
        heard: HeardAs,
    },
    /// An emergency card began; everything else is held.
    CardStarted {
        /// Id of the card.
        card: String,
        /// How it came in.
        heard: HeardAs,
    },
    /// An emergency card has been gone through.
    CardEnded {
        /// Id of the card.
        card: String,
    },
    /// Who speaks, where no answer tells: somebody at a station of their own.
    TurnedTo {
        /// By name.
        person: String,
    },
    /// A station of somebody's own is there from now on, a phone.
    StationJoined {
        /// Its number; the rig's is 0.
        station: u16,
        /// Whose it is, by name.
        people: Vec<String>,
    },
    /// A station of somebody's own is gone: its people are asked at the rig's.
    StationLeft {
        /// Its number.
        station: u16,
        /// Whose it is, by name.
        people: Vec<String>,
    },
    /// The person asked for the step to be explained.
    Explained {
        /// Id of the step.
        step: String,
    },
    /// What past runs leave to be said at steps, where there is anything.
    RemarksRecalled {
        /// The oldest first.
        remarks: Vec<Remark>,
    },
    /// A note need not come back any more.
    NoteDone {
        /// The step that it was pinned to, as it was recalled.
        step: String,
        /// As far as it was understood.
        text: String,
        /// How it came in.
        heard: HeardAs,
    },
    /// What a person cannot do today.
    LimitTold {
        /// By name.
        person: String,
        /// What they cannot do.
        cannot: Demand,
        /// How it came in.
        heard: HeardAs,
    },
    /// What a person said that they cannot do holds no longer.
    LimitsLifted {
        /// By name.
        person: String,
        /// How it came in.
        heard: HeardAs,
    },
    /// A person cannot do this step: it goes to somebody who can, or waits for help.
    CannotDo {
        /// Id of the step.
        step: String,
        /// By name.
        person: String,
        /// How it came in.
        heard: HeardAs,
    },
    /// Several steps that cannot hurt are asked for in one call, each of which is answered by itself; comes in place of `StepOffered`.
    StretchOffered {
        /// Ids of the steps, two or more.
        steps: Vec<String>,
    },
    /// How the rig stands as past runs left it; follows who takes part, where anything is known.
    RigRecalled {
        /// By the ids of the things.
        things: RigState,
    },
    /// A person says that the rig stands as it was recalled, and told since.
    RigAgreed {
        /// How it came in.
        heard: HeardAs,
    },
    /// A person says how one thing stands, or an answer has shown that what was recalled is not so.
    ThingTold {
        /// Id of the thing.
        thing: String,
        /// How it stands.
        stands: Stands,
        /// How it came in.
        heard: HeardAs,
    },
    /// Nothing is to be done at the step today: not in use, not fitted, done by somebody else. It is settled, and not skipped.
    NotHere {
        /// Id of the step.
        step: String,
        /// As it was said.
        answer: String,
        /// How it came in.
        heard: HeardAs,
    },
    /// It was only practised: nothing was done.
    Rehearsed {
        /// What would have happened.
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
            | Self::NotHere { step, .. }
            | Self::CannotDo { step, .. }
            | Self::Explained { step } => Some(step),
            Self::Rehearsed { event } => event.step(),
            _ => None,
        }
    }

    /// The id of the step that nobody is asked for any more after it, where there is one. A question that goes round once more settles none, nor does
    /// what was only practised.
    pub fn settles(&self) -> Option<&str> {
        match self {
            Self::StepAnswered { step, .. }
            | Self::ReadingTaken { step, settles: true, .. }
            | Self::ClockEnded { step, .. }
            | Self::LoopLimitReached { step, .. }
            | Self::StepSkipped { step, .. }
            | Self::NotHere { step, .. } => Some(step),
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
                | Self::RigAgreed { .. }
                | Self::ThingTold { .. }
                | Self::NotHere { .. }
        )
    }
}

/// What a past run leaves to be said at a step, which is named by `routine/step`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "about", rename_all = "snake_case")]
pub enum Remark {
    /// A note that nobody is done with.
    Noted {
        /// The step that it is pinned to.
        step: String,
        /// As far as it was understood.
        text: String,
    },
    /// Last time it had to be put right.
    PutRight {
        /// The step.
        step: String,
        /// What was named instead of the state that was wanted.
        answer: String,
    },
    /// The last reading, in whole counts of `10^-decimals` of the unit.
    Read {
        /// The step.
        step: String,
        /// In whole counts of `10^-decimals` of the unit.
        value: i64,
        /// Places behind the point.
        decimals: u8,
        /// When, as it is said ("October 4").
        on: String,
    },
}

impl Remark {
    /// The step that it is about.
    pub fn step(&self) -> &str {
        match self {
            Self::Noted { step, .. } | Self::PutRight { step, .. } | Self::Read { step, .. } => step,
        }
    }
}

/// Somebody who takes part, as it is written down. Roles are in the words of the rig's file.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Present {
    /// As it is said.
    pub name: String,
    /// What they do, in the words of the rig's file.
    pub roles: Vec<String>,
    /// The roles in which the call alone is enough.
    pub practised: Vec<String>,
    /// Takes part from the beginning; the others can be handed over to.
    pub here: bool,
}

/// How an answer came in.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "by", rename_all = "snake_case")]
pub enum HeardAs {
    /// It was said.
    Voice {
        /// As the listening set spells it.
        phrase: String,
        /// Corrected log score, in nats.
        score: f32,
        /// Distance to the best phrase of another meaning, in nats.
        margin: f32,
    },
    /// A thin one that was asked about and confirmed.
    VoiceConfirmed {
        /// As the listening set spells it.
        phrase: String,
        /// Corrected log score, in nats.
        score: f32,
        /// Distance to the best phrase of another meaning, in nats.
        margin: f32,
    },
    /// A key was pressed.
    Key,
    /// The program itself (a clock that guards nothing ran out).
    Clock,
}
