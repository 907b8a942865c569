//! What may be said now, and what it means. The set changes with every question, and each question has a set of its own even
//! where the words are the same, so that "done" said to the last step is no answer to this one.

use super::output::{AllowedPhrase, PhraseClass};
use super::phrasebook::{Command, Common, Phrasebook, Reason};
use super::state::RunState;
use crate::routine::{Answer, Routine, StepIndex};

/// What a phrase means.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Meaning {
    /// The answer that the step asks for, as it is said back.
    Wanted(String),
    /// The other state.
    Other(String),
    /// An acknowledgement that names no state, on a step that needs one.
    NoState,
    ClockStart(StepIndex),
    ClockEnd(StepIndex),
    Yes,
    No,
    Reason(Reason),
    Command(Command),
}

/// What the person is being asked, besides the step itself.
#[derive(Clone, Debug, PartialEq)]
pub enum Asking {
    /// The step's own answer.
    Step,
    /// "I heard ... Is that right?", about a phrase that would mean this.
    Thin { meaning: Meaning, heard: super::event::HeardAs },
    /// Why the step is skipped.
    SkipReason,
    /// Whether the run is really to end.
    EndRun,
}

/// A phrase with its meaning.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    pub phrase: AllowedPhrase,
    pub meaning: Meaning,
}

/// Everything that may be said in this state. No phrase comes twice: the first meaning given stands, and answers are given
/// before commands.
pub fn vocabulary(routine: &Routine, book: &Phrasebook, state: &RunState, asking: &Asking) -> Vec<Entry> {
    let mut words = Collector::default();
    match asking {
        // One word is little to go by, but here it comes on top of what was heard already; a thin one does not count.
        Asking::Thin { .. } | Asking::EndRun => {
            words.add(book.common(Common::Yes), Meaning::Yes, PhraseClass::Ordinary, false);
            words.add(book.common(Common::No), Meaning::No, PhraseClass::Ordinary, false);
        }
        Asking::SkipReason => {
            for &reason in Reason::ALL {
                words.add(book.reason(reason), Meaning::Reason(reason), PhraseClass::Ordinary, false);
            }
            words.command(book, Command::NeverMind);
        }
        Asking::Step => {}
    }
    // The end of a hazard may be said at any time, over the alarm as well, whatever else is being asked.
    for (&step, clock) in &state.clocks {
        if let Answer::Clock(answer) = &routine.steps[step].answer {
            words.add(&answer.end, Meaning::ClockEnd(step), PhraseClass::Critical, clock.ran_out);
            words.add(&answer.start, Meaning::ClockStart(step), PhraseClass::Critical, false);
        }
    }
    let asks_the_step = matches!(asking, Asking::Step | Asking::Thin { .. });
    if let Some(step) = state.current.filter(|_| asks_the_step && !state.standing_by) {
        words.answers_of(routine, book, step);
    }
    for &command in Command::ALL {
        words.command(book, command);
    }
    words.entries
}

#[derive(Default)]
struct Collector {
    entries: Vec<Entry>,
    groups: u32,
}

impl Collector {
    fn add(&mut self, phrases: &[String], meaning: Meaning, class: PhraseClass, while_speaking: bool) {
        let group = self.groups;
        self.groups += 1;
        for text in phrases {
            if self.entries.iter().all(|entry| entry.phrase.text != *text) {
                let phrase = AllowedPhrase { text: text.clone(), class, group, while_speaking };
                self.entries.push(Entry { phrase, meaning: meaning.clone() });
            }
        }
    }

    fn command(&mut self, book: &Phrasebook, command: Command) {
        let class = match command {
            Command::Stop => PhraseClass::Emergency,
            Command::Skip | Command::Correction | Command::EndRun | Command::GoAhead => PhraseClass::Ordinary,
            _ => PhraseClass::Chat,
        };
        let over_speech = matches!(command, Command::Stop | Command::SayAgain);
        self.add(book.command(command), Meaning::Command(command), class, over_speech);
    }

    fn answers_of(&mut self, routine: &Routine, book: &Phrasebook, index: StepIndex) {
        let step = &routine.steps[index];
        let class = if step.critical { PhraseClass::Critical } else { PhraseClass::Ordinary };
        match &step.answer {
            Answer::Done { also } => {
                let said = also.first().cloned().unwrap_or_else(|| book.common(Common::Done)[0].clone());
                let all: Vec<String> = also.iter().chain(book.common(Common::Done)).cloned().collect();
                self.add(&all, Meaning::Wanted(said), class, false);
            }
            Answer::State(state) => {
                self.add(&state.want, Meaning::Wanted(state.want[0].clone()), class, false);
                self.add(&state.other, Meaning::Other(state.other[0].clone()), class, false);
                self.add(book.common(Common::NoState), Meaning::NoState, PhraseClass::Chat, false);
            }
            Answer::Clock(clock) => {
                self.add(&clock.start, Meaning::ClockStart(index), class, false);
                self.add(&clock.end, Meaning::ClockEnd(index), class, false);
                self.add(book.common(Common::NoState), Meaning::NoState, PhraseClass::Chat, false);
            }
            Answer::YesNo(_) => {
                self.add(book.common(Common::Yes), Meaning::Yes, class, false);
                self.add(book.common(Common::No), Meaning::No, class, false);
            }
            // Not carried out yet: `app::prompts` refuses routines with these.
            Answer::Number(_) | Answer::Choice(_) | Answer::Both(_) | Answer::Hold(_) | Answer::Told { .. } => {}
            Answer::Gate => {}
        }
    }
}
