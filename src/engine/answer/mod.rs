//! What counts as an answer to a step: one file for each kind, with its phrases, its keys, how it is asked for and how it
//! settles. A kind that is added is a file of its own and a line in [`kind`].

mod both;
mod choice;
mod clock;
mod done;
mod gate;
mod hold;
mod number;
pub mod numbers;
mod state;
mod told;
mod yes_no;

use std::time::Duration;

use super::apply::UNTESTED;
use super::dialogue::capital;
use super::event::{Event, HeardAs};
use super::joined::Move;
use super::output::PhraseClass;
use super::phrasebook::{Common, Line, Phrasebook};
use super::state::{RunState, StepState};
use crate::routine::{Answer, Step, StepIndex};
use crate::units::SessionTime;

/// A kind of answer. What a kind does not say is what holds for most.
pub(super) trait AnswerKind {
    /// Everything that may be said to it, in the order in which it is asked for.
    fn may_be_said(&self, now: &StepNow<'_>) -> Vec<Spoken>;

    /// What the confirm key gives; nothing where only words will do.
    fn confirm_key(&self, _now: &StepNow<'_>) -> Option<Means> {
        None
    }

    /// What the other key gives.
    fn other_key(&self, _now: &StepNow<'_>) -> Option<Means> {
        None
    }

    /// What the key of the number `n` gives.
    fn number_key(&self, _n: u8) -> Option<Means> {
        None
    }

    /// What is picked from, as it is shown beside the number keys.
    fn choices(&self) -> Vec<String> {
        Vec::new()
    }

    /// What it asks for, as somebody needs to know it who answers in another's place.
    fn asked_for(&self, now: &StepNow<'_>, at: SessionTime) -> AskedFor;

    /// What becomes of a reply to the open step.
    fn settle(&self, now: &StepNow<'_>, reply: Reply, how: &HeardReply) -> Settling {
        settle_plainly(now, reply, how)
    }

    /// What is said once it has been answered.
    fn said_back(&self, _now: &StepNow<'_>, _answer: &str) -> Vec<String> {
        Vec::new()
    }

    /// What is to be done where the answer was another one than was wanted.
    fn put_right(&self, _answer: &str) -> Option<String> {
        None
    }

    /// What is said over and over after it was answered so, until another answer is given.
    fn again(&self, _answer: &str) -> Option<String> {
        None
    }

    /// The call for the step at this moment.
    fn call(&self, now: &StepNow<'_>) -> String {
        now.step().call.clone()
    }

    /// What is said to somebody who answered without naming what was asked for; `None` where the call says it.
    fn which(&self, _now: &StepNow<'_>) -> Option<String> {
        None
    }

    /// The words of the phrasebook that may stand in a call beside its own phrases.
    fn common_words(&self, _book: &Phrasebook) -> Vec<String> {
        Vec::new()
    }

    /// The question whether it is still so.
    fn once_more(&self, now: &StepNow<'_>) -> String {
        now.book.line(Line::StillSo, &[("name", &now.step().name)])
    }

    /// Sentences that are said of it besides its own texts, and can be spoken ahead of time.
    fn ahead(&self, _book: &Phrasebook) -> Vec<String> {
        Vec::new()
    }
}

/// The kind of an answer: the one place that knows them all.
pub(super) fn kind(answer: &Answer) -> Box<dyn AnswerKind + '_> {
    match answer {
        Answer::Done { also } => Box::new(done::DoneKind(also)),
        Answer::State(state) => Box::new(state::StateKind(state)),
        Answer::Clock(clock) => Box::new(clock::ClockKind(clock)),
        Answer::YesNo(question) => Box::new(yes_no::YesNoKind(question)),
        Answer::Number(number) => Box::new(number::NumberKind(number)),
        Answer::Choice(choice) => Box::new(choice::ChoiceKind(choice)),
        Answer::Both(both) => Box::new(both::BothKind(both)),
        Answer::Hold(hold) => Box::new(hold::HoldKind(hold)),
        Answer::Told { .. } => Box::new(told::ToldKind),
        Answer::Gate => Box::new(gate::GateKind),
    }
}

/// A step as it stands while it is asked for.
pub(super) struct StepNow<'a> {
    pub job: &'a Move,
    pub book: &'a Phrasebook,
    pub state: &'a RunState,
    pub index: StepIndex,
    /// What has been said of a number digit by digit.
    pub digits: &'a str,
}

impl StepNow<'_> {
    pub fn step(&self) -> &Step {
        self.job.step(self.index)
    }

    pub fn id(&self) -> String {
        self.step().id.clone()
    }

    /// It was settled before, and is asked for once more.
    pub fn is_settled(&self) -> bool {
        !self.state.is_open(self.index)
    }

    /// How much hangs on its answer.
    pub fn class(&self) -> PhraseClass {
        if self.step().critical() { PhraseClass::Critical } else { PhraseClass::Ordinary }
    }

    fn common(&self, common: Common) -> &[String] {
        self.book.common(common)
    }

    fn first(&self, common: Common) -> String {
        self.book.common(common)[0].clone()
    }

    /// Words that acknowledge and name nothing.
    fn no_state(&self) -> Spoken {
        Spoken::new(self.common(Common::NoState), Reply::NoState, PhraseClass::Chat)
    }

    /// "Yes" and "no".
    fn yes_and_no(&self) -> [Spoken; 2] {
        [
            Spoken::new(self.common(Common::Yes), Reply::Yes, self.class()),
            Spoken::new(self.common(Common::No), Reply::No, self.class()),
        ]
    }
}

/// Phrases that may be said, and what each of them means.
pub(super) struct Spoken {
    pub phrases: Vec<String>,
    pub means: Means,
    pub class: PhraseClass,
}

impl Spoken {
    fn new(phrases: &[String], reply: Reply, class: PhraseClass) -> Self {
        Self { phrases: phrases.to_vec(), means: Means::Reply(reply), class }
    }
}

/// What a phrase or a key gives at a step.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Means {
    Reply(Reply),
    /// The end of the step's clock.
    ClockEnd,
    Digit(char),
    NumberEnds,
    NeverMind,
}

/// An answer to a step.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Reply {
    /// The answer that the step asks for, as it is said back.
    Wanted(String),
    /// The other state.
    Other(String),
    /// An acknowledgement that names no state, on a step that needs one.
    NoState,
    /// It cannot be tested here: the step stays open, for somebody who can.
    Untested,
    /// Nothing is to be done at the step today.
    NotHere,
    /// Whoever is asked cannot do it.
    CannotDo,
    ClockStart,
    Yes,
    No,
    Number(i64),
    /// Place among the options.
    Choice(usize),
    Halt(String),
}

/// How a reply came in, and from whom.
pub(super) struct HeardReply {
    pub by: HeardAs,
    pub person: String,
    pub read_back: ReadBack,
}

/// Whether a reply was asked about and confirmed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum ReadBack {
    NotYet,
    Confirmed,
}

/// What becomes of a reply.
pub(super) enum Settling {
    Record(Event),
    /// It settles the step, or waits for the others where all must answer.
    Agree(String),
    /// It named nothing: what was asked for is asked for once more.
    AskWhich,
    /// The clock runs already: how long it still does is told.
    TellClock,
    /// A number that is kept only once it was read back.
    AskNumber(i64),
    Nothing,
}

/// What a person is asked for, as [`Asked`](super::Asked) tells it.
#[derive(Clone, Debug, PartialEq)]
pub enum AskedFor {
    /// Any of these answers the step; the first is the one that is asked for. For a reading it is one within the bounds.
    Answer(Vec<String>),
    /// A yes or a no.
    YesOrNo {
        /// How often it was answered "no" in this run, from 0.
        round: u32,
        /// The word for yes.
        yes: String,
        /// The word for no.
        no: String,
    },
    /// Whether this phrase was heard right.
    HeardRight {
        /// What was heard.
        phrase: String,
        /// The word for yes.
        yes: String,
        /// The word for no.
        no: String,
    },
    /// A clock is to be started with these words.
    ClockStart(String),
    /// A clock runs.
    ClockEnd {
        /// What ends it, unless it ends by itself.
        end: Option<String>,
        /// Whether its time is up.
        ringing: bool,
    },
    /// A choice, a way to go on, or nothing: whatever may be said.
    Other(Vec<String>),
}

/// What holds for every kind: the wanted answer settles, another one is put right, a halt halts.
fn settle_plainly(now: &StepNow<'_>, reply: Reply, how: &HeardReply) -> Settling {
    let (step, heard) = (now.id(), how.by.clone());
    match reply {
        Reply::NoState => Settling::AskWhich,
        Reply::Untested => Settling::Record(Event::OtherStateHeard { step, answer: UNTESTED.to_owned(), heard }),
        Reply::Wanted(said) => Settling::Agree(said),
        Reply::Other(answer) => Settling::Record(Event::OtherStateHeard { step, answer, heard }),
        Reply::Halt(answer) => Settling::Record(Event::SignalHalted { step, answer, heard }),
        Reply::Yes => Settling::Record(Event::StepAnswered { step, answer: now.first(Common::Yes), heard }),
        Reply::ClockStart | Reply::No | Reply::Number(_) | Reply::Choice(_) | Reply::NotHere | Reply::CannotDo => {
            Settling::Nothing
        }
    }
}

/// What becomes of a reply to a settled step that is asked for once more: the state is named again, or it was not so.
pub(super) fn check(now: &StepNow<'_>, reply: Reply, heard: HeardAs) -> Settling {
    let step = now.id();
    match reply {
        Reply::Wanted(answer) => Settling::Record(Event::StepChecked { step, answer, heard }),
        Reply::Yes => Settling::Record(Event::StepChecked { step, answer: now.first(Common::Yes), heard }),
        Reply::Other(answer) => Settling::Record(Event::OtherStateHeard { step, answer, heard }),
        // It was taken to be away, and is not.
        Reply::No if now.state.steps[now.index] == StepState::Away => {
            Settling::Record(Event::OtherStateHeard { step, answer: now.first(Common::No), heard })
        }
        Reply::No => {
            let hangs = now.state.hangs_on(now.job, now.index);
            let steps = std::iter::once(now.index).chain(hangs).map(|step| now.job.step(step).id.clone()).collect();
            Settling::Record(Event::StepsReopened { steps, because: CHECK.to_owned() })
        }
        Reply::NoState => Settling::AskWhich,
        Reply::ClockStart
        | Reply::Number(_)
        | Reply::Choice(_)
        | Reply::Halt(_)
        | Reply::Untested
        | Reply::NotHere
        | Reply::CannotDo => Settling::Nothing,
    }
}

/// The honest answer to a critical step that nobody here can test. An emergency card has none: there what counts is done.
pub(super) fn untested(now: &StepNow<'_>) -> Option<Spoken> {
    let tested =
        matches!(now.step().answer, Answer::State(_) | Answer::Number(_) | Answer::Choice(_) | Answer::Both(_));
    let on_a_card = now.job.parts[now.job.part_of(now.index)].is_card();
    let may = now.step().critical() && tested && !on_a_card && !now.is_settled();
    may.then(|| Spoken::new(now.common(Common::Untested), Reply::Untested, now.class()))
}

/// Nothing is to be done today, as it may be said of every step that asks for something; never on an emergency card.
pub(super) fn not_here(now: &StepNow<'_>) -> Option<Spoken> {
    asks_for_work(now).then(|| Spoken::new(now.common(Common::NotHere), Reply::NotHere, now.class()))
}

/// Whoever is asked cannot do it: not where its clock runs, for then it is done already.
pub(super) fn cannot_do(now: &StepNow<'_>) -> Option<Spoken> {
    let may = asks_for_work(now) && !now.state.clocks.contains_key(&now.index);
    may.then(|| Spoken::new(now.common(Common::CannotDo), Reply::CannotDo, now.class()))
}

fn asks_for_work(now: &StepNow<'_>) -> bool {
    let asks = !matches!(now.step().answer, Answer::Gate | Answer::Told { .. });
    let on_a_card = now.job.parts[now.job.part_of(now.index)].is_card();
    asks && !on_a_card && !now.is_settled()
}

fn answered_line(book: &Phrasebook, answer: &str) -> String {
    book.line(Line::Answered, &[("answer", &capital(answer))])
}

fn whole_milliseconds(span: Duration) -> u64 {
    u64::try_from(span.as_millis()).unwrap_or(u64::MAX)
}

/// Why settled steps are open again after a look at them, as it is written down.
const CHECK: &str = "not so any more";
