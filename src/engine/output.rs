//! What the engine tells the world to do: commands.

use std::time::Duration;

use serde::Serialize;

use crate::engine::event::Event;
use crate::engine::people::PersonIndex;
use crate::routine::StepIndex;
use crate::units::{SessionTime, StationId};

/// Whom an output is for. [`Engine::stations_of`](crate::engine::Engine::stations_of) tells the stations.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Audience {
    /// Everybody: every station that can speak, and the rig's.
    All,
    /// One person, wherever they can be reached at the moment.
    Person(PersonIndex),
    /// Whoever shares this station.
    Station(StationId),
}

/// One command. Commands are to be carried out in the order given.
#[derive(Clone, Debug, PartialEq)]
pub enum Output {
    /// Write the event, then answer `Recorded(seq)` or `RecordFailed(seq)`.
    Record {
        /// Its number, by which it is answered.
        seq: u64,
        /// When it happened.
        at: SessionTime,
        /// What happened.
        event: Event,
    },
    /// Speak. Answered by `SpeechFinished` unless it is cut off by `Hush` or by a higher priority.
    Say(Utterance),
    /// Stop speaking at once and forget what waits at this priority or below.
    Hush(Priority),
    /// Forget this utterance where it has not begun; what is being said already is said to its end.
    Withdraw(SpeechId),
    /// From now on only these phrases may be heard.
    Listen(ListeningSet),
    /// Speak at this speed and volume from now on.
    SetVoice(VoiceSettings),
    /// Keep the sound of the next thing that is said, whatever it is, and tell it as `Input::NoteTaken`. While a note is
    /// waited for nothing else is an answer, but phrases of the listening set still count.
    KeepNote,
    /// No note is waited for any more; one that is being said already is heard out and told.
    DropNote,
    /// Tell how the move stands against its plan, as `Input::OnTimeTold { asked: true, .. }`.
    AskOnTime,
    /// Nothing to do before this moment. Always the last output of a drain; `None` means only an input can wake it.
    Wait(Option<SessionTime>),
    /// The run is over and everything has been said: the program may end.
    Ended,
}

/// Names an utterance within a run.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct SpeechId(pub u64);

/// Names a listening set within a run.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct ListeningSetId(pub u64);

/// Something to say, of one or more sentences.
#[derive(Clone, Debug, PartialEq)]
pub struct Utterance {
    /// Names it within the run.
    pub id: SpeechId,
    /// Who it may interrupt.
    pub priority: Priority,
    /// Plain text as a person would read it; numbers and units are put into words by `say/`.
    pub text: String,
    /// An alarm signal that comes before the words.
    pub alarm: Option<AlarmSignal>,
}

/// Who may cut whom off: a higher one interrupts a lower one, equals queue.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Priority {
    /// Answers to questions, reminders.
    Chat,
    /// The next step.
    Prompt,
    /// What can hurt.
    Caution,
    /// A clock that guards a hazard has ended.
    Alarm,
}

/// The alarm signals. At most four may exist, or nobody can tell them apart (MIL-STD-1472E 5.3.3-5.3.6).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum AlarmSignal {
    /// A hazard clock has ended. `repeat` counts from 0; each repeat is louder and comes sooner, up to a limit.
    Hazard {
        /// How often it has rung before.
        repeat: u32,
    },
    /// A clock that guards nothing has ended.
    Time,
}

/// The phrases that may be heard now.
#[derive(Clone, Debug, PartialEq)]
pub struct ListeningSet {
    /// Names it within the run.
    pub id: ListeningSetId,
    /// Each text once.
    pub phrases: Vec<AllowedPhrase>,
}

/// One phrase that may be heard.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AllowedPhrase {
    /// In plain words, lower case ("valve closed"), numbers in words ("eighty two").
    pub text: String,
    /// How much hangs on it.
    pub class: PhraseClass,
    /// Phrases of one group mean the same: the runner-up that the margin is measured to comes from another group.
    pub group: u32,
    /// Whether it may be heard while the program itself speaks.
    pub while_speaking: bool,
    /// How likely it is before anything is heard.
    pub prior: Prior,
}

/// How likely a phrase is before anything is heard; what it is worth stands in `models/hearing.toml`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Prior {
    /// It answers what is being asked.
    Asked,
    /// It may be said at any time.
    Allowed,
}

/// How much hangs on a phrase: each class has its own thresholds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum PhraseClass {
    /// "say again", "how long": a wrong one costs a sentence.
    Chat,
    /// "done" on an ordinary step.
    Ordinary,
    /// Confirms something that can hurt or cost.
    Critical,
    /// Stops or warns: better heard once too often.
    Emergency,
}

/// How the voice speaks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct VoiceSettings {
    /// 1.0 is the usual pace; range 0.6 to 1.5.
    pub speed: f32,
    /// Gain on normalised speech in decibels, range -18 to +6; never silence.
    pub volume_db: f32,
}

impl Default for VoiceSettings {
    fn default() -> Self {
        Self { speed: 1.0, volume_db: 0.0 }
    }
}

/// What there is to see at a moment; the screen draws it, and nothing else decides what it shows.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct View {
    /// The number of the question that the keys answer: another number is another question, even of the same step.
    pub question: u64,
    /// Harm can come of the answer.
    pub critical: bool,
    /// The keys that harm can come of: on a screen that a slip of the thumb reaches they have to be held.
    pub hold: Vec<KeyGroup>,
    /// Title of the routine.
    pub routine: String,
    /// Title of the section.
    pub section: String,
    /// Step number and count, both from 1; 0 of 0 before the first step.
    pub step: (usize, usize),
    /// The short call of the step, to be read from two metres.
    pub call: String,
    /// What is said before the call; may be empty.
    pub caution: String,
    /// Every clock that runs.
    pub clocks: Vec<ClockView>,
    /// What was heard last, with what was made of it.
    pub last_heard: String,
    /// Answers first, then what else can be said.
    pub can_say: Vec<String>,
    /// What the confirm key and the other key would answer now ("valve closed", "valve open").
    pub confirm_key: String,
    /// The same for the other key.
    pub other_key: String,
    /// What is being picked from, if anything (1, 2, 3 ... on the keyboard).
    pub choices: Vec<String>,
    /// What has been typed of a reading so far; nothing where no reading is asked for.
    pub typed: Option<String>,
    /// What the confirm key would enter of what has been typed ("110 psi"); empty where that makes no reading.
    pub enters: String,
    /// What the reading that is asked for should be ("90 - 110 psi"); may be empty.
    pub bounds: String,
    /// What was said here last, as it was said, the newest last: for whoever cannot hear it. At most [`View::MOST_SAID`].
    pub said: Vec<String>,
    /// Titles of the emergency cards, in the order of `Key::Card`.
    pub cards: Vec<String>,
    /// Whose step it is; empty where nobody is named.
    pub who: String,
    /// What the others are being asked for: name, and the short call.
    pub beside: Vec<(String, String)>,
    /// An emergency card is in force.
    pub emergency: bool,
    /// Conditions worth a line: "standing by", "journal cannot be written", "no microphone".
    pub notices: Vec<String>,
}

impl View {
    /// How much of what was said is kept for the screen.
    pub const MOST_SAID: usize = 3;
}

/// Keys that answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum KeyGroup {
    /// `Key::Confirm`.
    Confirm,
    /// `Key::Other`.
    Other,
    /// `Key::Choice`, whichever.
    Choices,
}

/// A clock on the screen.
#[derive(Clone, Debug, PartialEq)]
pub struct ClockView {
    /// Whose clock it is; nothing for a timer that somebody asked for.
    pub step: Option<StepIndex>,
    /// As it is said.
    pub name: String,
    /// The words that end it ("bucket full"); empty where it ends by itself.
    pub end: String,
    /// Time left; zero once it has ended.
    pub left: Duration,
    /// How long it runs in all.
    pub length: Duration,
    /// Time since it ended.
    pub over: Duration,
    /// It guards a hazard.
    pub hazard: bool,
    /// It guards a hazard, and its time is up.
    pub alarming: bool,
}
