//! What a key means. Everything can be done by keys alone, with the microphone off (EN 301 549, 5.1.7).

use super::core::Engine;
use super::event::HeardAs;
use super::input::Key;
use super::phrasebook::{Command, Reason};
use super::vocabulary::{Asking, Meaning, Reply};
use crate::routine::Answer;

impl Engine {
    pub(super) fn key_pressed(&mut self, key: Key) {
        if key == Key::Confirm {
            // A key held down repeats: it must not run through the steps that follow.
            let held = self.last_confirm.is_some_and(|at| self.now.since(at) < KEY_REPEATS);
            self.last_confirm = Some(self.now);
            if held {
                return;
            }
        }
        if let Some(meaning) = self.meaning_of(key) {
            self.unclear_streak = 0;
            self.mean(meaning, HeardAs::Key);
        }
    }

    fn meaning_of(&self, key: Key) -> Option<Meaning> {
        let clock_over = self.state.hazard(&self.job).map(Meaning::ClockEnd);
        let asked = self.asked_now();
        let running = asked.is_some_and(|(_, step)| self.state.clocks.contains_key(&step));
        let command = |command: Command| Some(Meaning::Command(command));
        match key {
            Key::Confirm if self.state.standing_by && self.asking == Asking::Step => match clock_over {
                // With a hazard running the one key that confirms must not do anything less urgent than ending it.
                Some(end) if running => Some(end),
                _ => command(Command::GoAhead),
            },
            Key::Confirm => self.confirm(),
            Key::Other => self.other(),
            Key::ClockOver => clock_over,
            Key::Choice(n) => self.chosen(n),
            Key::SayAgain => command(Command::SayAgain),
            Key::Explain => command(Command::Explain),
            Key::HowLong => command(Command::HowLong),
            Key::WhatIsLeft => command(Command::WhatIsLeft),
            Key::WhereAreWe => command(Command::WhereAreWe),
            Key::WhatCanISay => command(Command::WhatCanISay),
            Key::StandBy => command(Command::StandBy),
            Key::GoAhead => command(Command::GoAhead),
            Key::NotYet => command(Command::NotYet),
            Key::Correction => command(Command::Correction),
            Key::Skip => command(Command::Skip),
            Key::Stop => command(Command::Stop),
            Key::EndRun => command(Command::EndRun),
            Key::Louder => command(Command::Louder),
            Key::Quieter => command(Command::Quieter),
            Key::Slower => command(Command::Slower),
            Key::Faster => command(Command::Faster),
            Key::Note => command(Command::Note),
            Key::AreWeReady => command(Command::AreWeReady),
            Key::AreWeOnTime => command(Command::AreWeOnTime),
        }
    }

    fn to_step(&self, answer: Reply) -> Option<Meaning> {
        let (person, step) = self.asked_now()?;
        Some(Meaning::To { person, step, question: self.questions[person], answer })
    }

    fn confirm(&self) -> Option<Meaning> {
        match &self.asking {
            Asking::Thin { .. } | Asking::EndRun | Asking::Timer(_) | Asking::CheckAgain => return Some(Meaning::Yes),
            Asking::SkipReason { .. } | Asking::Who { .. } | Asking::Note { .. } => return None,
            Asking::Step | Asking::Gate => {}
        }
        let (_, step) = self.asked_now()?;
        match &self.job.step(step).answer {
            Answer::Done { .. } if !self.state.is_open(step) => self.to_step(Reply::Yes),
            Answer::Done { also } => {
                self.to_step(Reply::Wanted(also.first().cloned().unwrap_or_else(|| self.done_word())))
            }
            Answer::State(state) => self.to_step(Reply::Wanted(state.want[0].clone())),
            Answer::Clock(clock) => match (self.state.clocks.contains_key(&step), clock.hazard()) {
                (true, true) => Some(Meaning::ClockEnd(step)),
                (true, false) => None,
                (false, _) => self.to_step(Reply::ClockStart),
            },
            Answer::YesNo(_) => self.to_step(Reply::Yes),
            Answer::Hold(hold) => self.to_step(Reply::Wanted(hold.ready[0].clone())),
            Answer::Both(both) => {
                let turn = self.state.turns.get(&step).copied().unwrap_or(0).min(both.turns.len() - 1);
                self.to_step(Reply::Wanted(both.turns[turn].say[0].clone()))
            }
            Answer::Number(_) => (!self.digits.is_empty()).then_some(Meaning::NumberEnds),
            Answer::Choice(_) | Answer::Told { .. } | Answer::Gate => None,
        }
    }

    fn other(&self) -> Option<Meaning> {
        match &self.asking {
            Asking::Thin { .. } | Asking::EndRun | Asking::Timer(_) | Asking::CheckAgain => return Some(Meaning::No),
            Asking::SkipReason { .. } | Asking::Who { .. } | Asking::Note { .. } => {
                return Some(Meaning::Command(Command::NeverMind));
            }
            Asking::Gate => return Some(Meaning::Override),
            Asking::Step => {}
        }
        let (_, step) = self.asked_now()?;
        match &self.job.step(step).answer {
            Answer::Done { .. } if !self.state.is_open(step) => self.to_step(Reply::No),
            Answer::State(state) => self.to_step(Reply::Other(state.other[0].clone())),
            Answer::YesNo(_) => self.to_step(Reply::No),
            Answer::Both(both) => {
                let halt = both.turns.iter().find_map(|turn| turn.halt.first())?;
                self.to_step(Reply::Halt(halt.clone()))
            }
            Answer::Number(_) => (!self.digits.is_empty()).then_some(Meaning::Command(Command::NeverMind)),
            _ => None,
        }
    }

    /// The n-th of what is being picked from, counted from 1; for a reading, the digit itself.
    fn chosen(&self, n: u8) -> Option<Meaning> {
        let place = usize::from(n).checked_sub(1);
        match &self.asking {
            Asking::SkipReason { .. } => return place.and_then(|p| Reason::ALL.get(p)).map(|&r| Meaning::Reason(r)),
            Asking::Who { .. } => return place.and_then(|place| self.state.here().nth(place)).map(Meaning::Person),
            _ => {}
        }
        let (_, step) = self.asked_now()?;
        match &self.job.step(step).answer {
            Answer::Choice(choice) => {
                place.filter(|&p| p < choice.options.len()).and_then(|p| self.to_step(Reply::Choice(p)))
            }
            Answer::Number(_) => char::from_digit(n.into(), 10).map(Meaning::Digit),
            _ => None,
        }
    }
}

/// Keyboards repeat after a quarter to three quarters of a second.
const KEY_REPEATS: std::time::Duration = std::time::Duration::from_millis(800);
