//! What there is to see. Derived at any moment from the state; nothing is decided here.

use super::core::Engine;
use super::output::{ClockView, View};
use super::phrasebook::{Command, Common, Line, Reason};
use super::vocabulary::{Asking, Meaning};
use crate::routine::Answer;
use crate::units::SessionTime;

/// What the person is being asked for at the moment.
#[derive(Clone, Debug, PartialEq)]
pub struct Asked {
    pub step: String,
    /// Another number is another question, even of the same step.
    pub question: u64,
    pub kind: AskedFor,
    /// What the step usually takes.
    pub usual: std::time::Duration,
}

#[derive(Clone, Debug, PartialEq)]
pub enum AskedFor {
    /// Any of these answers the step; the first is the one that is asked for.
    Answer(Vec<String>),
    /// A yes or a no; asked for the n-th time in this run, from 0.
    YesOrNo {
        round: u32,
        yes: String,
        no: String,
    },
    /// Whether this phrase was heard right.
    HeardRight {
        phrase: String,
        yes: String,
        no: String,
    },
    ClockStart(String),
    /// A clock runs: what ends it, unless it ends by itself, and whether its time is up.
    ClockEnd {
        end: Option<String>,
        ringing: bool,
    },
    /// A choice, a way to go on, or nothing: whatever may be said.
    Other(Vec<String>),
}

impl Engine {
    /// What the person is being asked for at `now`.
    pub fn asked(&self, now: SessionTime) -> Asked {
        let first = |common: Common| self.book.common(common)[0].clone();
        let step = self.state.current.map(|index| &self.routine.steps[index]);
        let clock = self.state.current.and_then(|index| self.state.clocks.get(&index));
        let kind = match (&self.asking, step.map(|step| &step.answer)) {
            (Asking::Thin { heard, .. }, _) => {
                let phrase = match heard {
                    super::event::HeardAs::Voice { phrase, .. } => phrase.clone(),
                    _ => String::new(),
                };
                AskedFor::HeardRight { phrase, yes: first(Common::Yes), no: first(Common::No) }
            }
            _ if self.state.standing_by => AskedFor::Other(self.book.command(Command::GoAhead).to_vec()),
            (Asking::Step, Some(Answer::Done { also })) => {
                AskedFor::Answer(also.iter().chain(self.book.common(Common::Done)).cloned().collect())
            }
            (Asking::Step, Some(Answer::State(state))) => AskedFor::Answer(state.want.clone()),
            (Asking::Step, Some(Answer::Clock(answer))) => match clock {
                Some(clock) => AskedFor::ClockEnd {
                    end: answer.end.first().cloned(),
                    ringing: clock.ran_out || clock.ends() <= now,
                },
                None => AskedFor::ClockStart(answer.start[0].clone()),
            },
            (Asking::Step, Some(Answer::YesNo(_))) => AskedFor::YesOrNo {
                round: self.state.current.and_then(|i| self.state.rounds.get(&i)).copied().unwrap_or(0),
                yes: first(Common::Yes),
                no: first(Common::No),
            },
            _ => AskedFor::Other(self.answers_now()),
        };
        Asked {
            step: step.map(|step| step.id.clone()).unwrap_or_default(),
            question: self.question,
            kind,
            usual: step.map(|step| step.usual).unwrap_or_default(),
        }
    }

    /// What the screen shows at `now`.
    pub fn view(&self, now: SessionTime) -> View {
        let now = now.max(self.now);
        let mut view =
            View { routine: self.routine.title.clone(), last_heard: self.last_heard.clone(), ..View::default() };
        if let Some(index) = self.state.current {
            let step = &self.routine.steps[index];
            view.section.clone_from(&self.routine.sections[step.section].title);
            view.step = (index + 1, self.routine.steps.len());
            view.call.clone_from(&step.short);
            view.caution.clone_from(&step.caution);
            let running = self.state.clocks.contains_key(&index);
            (view.confirm_key, view.other_key) = match (&self.asking, &step.answer) {
                (Asking::Thin { .. } | Asking::EndRun, _) | (Asking::Step, Answer::YesNo(_)) => {
                    (self.book.common(Common::Yes)[0].clone(), self.book.common(Common::No)[0].clone())
                }
                (Asking::SkipReason, _) => (String::new(), self.book.command(Command::NeverMind)[0].clone()),
                (Asking::Step, Answer::Done { also }) => {
                    (also.first().cloned().unwrap_or_else(|| self.done_word()), String::new())
                }
                (Asking::Step, Answer::State(state)) => (state.want[0].clone(), state.other[0].clone()),
                (Asking::Step, Answer::Clock(clock)) if running => {
                    (clock.end.first().cloned().unwrap_or_default(), String::new())
                }
                (Asking::Step, Answer::Clock(clock)) => (clock.start[0].clone(), String::new()),
                (Asking::Step, _) => (String::new(), String::new()),
            };
        }
        if self.asking == Asking::SkipReason {
            view.choices = Reason::ALL.iter().map(|&reason| self.book.reason(reason)[0].clone()).collect();
        }
        for (step, clock) in &self.state.clocks {
            if let Answer::Clock(answer) = &self.routine.steps[*step].answer {
                let ended = clock.ran_out || clock.ends() <= now;
                view.clocks.push(ClockView {
                    name: answer.name.clone(),
                    left: clock.ends().since(now),
                    length: clock.length,
                    over: now.since(clock.ends()),
                    hazard: answer.hazard(),
                    alarming: ended && answer.hazard(),
                });
            }
        }
        view.can_say = self.answers_now();
        view.can_say.extend(SHOWN.iter().map(|&command| self.book.command(command)[0].clone()));
        let mut notice = |shown: bool, line: Line| {
            if shown {
                view.notices.push(self.book.line(line, &[]));
            }
        };
        notice(self.state.standing_by, Line::Standing);
        notice(self.journal_failed, Line::JournalFailed);
        notice(self.hearing_lost, Line::HearingLost);
        view
    }

    /// The notice that belongs on the screen while nothing can be said aloud.
    pub fn loudspeaker_lost(&self) -> String {
        self.book.line(Line::VoiceLost, &[])
    }

    /// The first phrase of each answer that is being asked for, in the order of the listening set.
    pub(super) fn answers_now(&self) -> Vec<String> {
        let mut groups = Vec::new();
        let mut answers = Vec::new();
        for entry in &self.entries {
            let answer = match entry.meaning {
                // While a clock runs, its start is no answer to anything.
                Meaning::ClockStart(step) => !self.state.clocks.contains_key(&step),
                Meaning::ClockEnd(step) => self.state.clocks.contains_key(&step),
                Meaning::Command(_) | Meaning::NoState => false,
                _ => true,
            };
            if answer && !groups.contains(&entry.phrase.group) {
                groups.push(entry.phrase.group);
                answers.push(entry.phrase.text.clone());
            }
        }
        answers
    }
}

/// Commands worth a place on the screen, most used first.
const SHOWN: [Command; 10] = [
    Command::SayAgain,
    Command::Explain,
    Command::HowLong,
    Command::WhatIsLeft,
    Command::WhereAreWe,
    Command::StandBy,
    Command::Correction,
    Command::Skip,
    Command::Stop,
    Command::WhatCanISay,
];
