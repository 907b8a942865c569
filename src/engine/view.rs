//! What there is to see. Derived at any moment from the state; nothing is decided here.

use super::core::Engine;
use super::output::{ClockView, View};
use super::phrasebook::{Command, Common, Line, Reason};
use super::vocabulary::{Asking, Meaning};
use crate::routine::Answer;
use crate::units::SessionTime;

impl Engine {
    /// What the screen shows at `now`.
    pub fn view(&self, now: SessionTime) -> View {
        let now = now.max(self.now);
        let mut view = View {
            routine: self.routine.title.clone(),
            last_heard: self.last_heard.clone(),
            ..View::default()
        };
        if let Some(index) = self.state.current {
            let step = &self.routine.steps[index];
            view.section
                .clone_from(&self.routine.sections[step.section].title);
            view.step = (index + 1, self.routine.steps.len());
            view.call.clone_from(&step.short);
            view.caution.clone_from(&step.caution);
            let running = self.state.clocks.contains_key(&index);
            (view.confirm_key, view.other_key) = match (&self.asking, &step.answer) {
                (Asking::Thin { .. } | Asking::EndRun, _) | (Asking::Step, Answer::YesNo(_)) => (
                    self.book.common(Common::Yes)[0].clone(),
                    self.book.common(Common::No)[0].clone(),
                ),
                (Asking::SkipReason, _) => (
                    String::new(),
                    self.book.command(Command::NeverMind)[0].clone(),
                ),
                (Asking::Step, Answer::Done { also }) => (
                    also.first().cloned().unwrap_or_else(|| self.done_word()),
                    String::new(),
                ),
                (Asking::Step, Answer::State(state)) => {
                    (state.want[0].clone(), state.other[0].clone())
                }
                (Asking::Step, Answer::Clock(clock)) if running => (
                    clock.end.first().cloned().unwrap_or_default(),
                    String::new(),
                ),
                (Asking::Step, Answer::Clock(clock)) => (clock.start[0].clone(), String::new()),
                (Asking::Step, Answer::Gate) => (String::new(), String::new()),
            };
        }
        if self.asking == Asking::SkipReason {
            view.choices = Reason::ALL
                .iter()
                .map(|&reason| self.book.reason(reason)[0].clone())
                .collect();
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
        view.can_say.extend(
            SHOWN
                .iter()
                .map(|&command| self.book.command(command)[0].clone()),
        );
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
