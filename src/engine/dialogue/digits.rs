//! A number that is said digit by digit.

use super::super::answer::{Reply, numbers};
use super::super::core::Engine;
use super::super::event::HeardAs;
use super::super::output::Priority;
use super::super::people::PersonIndex;
use super::super::phrasebook::Line;
use super::vocabulary::PhraseMeaning;
use crate::routine::{Answer, StepIndex};
use crate::units::StationId;

impl Engine {
    /// A digit is said back, so that a wrong one is heard at once.
    pub(in crate::engine) fn digit(&mut self, digit: char) {
        let digits = &mut self.talk_mut().digits;
        if digits.len() < MOST_DIGITS {
            digits.push(digit);
        }
        self.say_digits();
    }

    /// The last digit is taken back.
    pub(in crate::engine) fn drop_digit(&mut self) {
        self.talk_mut().digits.pop();
        self.say_digits();
    }

    fn say_digits(&mut self) {
        let point = &self.book.numbers().point[0];
        let said = self.talk().digits.chars().map(|c| if c == '.' { point.clone() } else { c.to_string() });
        let said = said.collect::<Vec<_>>().join(" ");
        if said.is_empty() {
            return;
        }
        let text = self.book.line(Line::DigitNext, &[("digits", &said)]);
        self.say_useful(self.here(), Priority::Chat, text);
    }

    /// Who at the station is asked for a number, and at which step: of several whoever was spoken with last.
    pub(in crate::engine) fn number_asked_at(&self, station: StationId) -> Option<(PersonIndex, StepIndex)> {
        let mut people = self.people_at(station);
        people.sort_by_key(|&person| person != self.state.focus);
        let asked = |person: PersonIndex| {
            let step = self.state.people[person].current?;
            let number = matches!(self.job.step(step).answer, Answer::Number(_)) && self.state.is_open(step);
            (number && self.state.is_asked(&self.job, person, step)).then_some((person, step))
        };
        people.into_iter().find_map(asked)
    }

    pub(in crate::engine) fn digits_end(&mut self, heard: HeardAs) {
        let typed = std::mem::take(&mut self.talk_mut().digits);
        let Some((person, step)) = self.number_asked_at(self.at) else { return };
        let Answer::Number(number) = self.job.step(step).answer.clone() else { return };
        let read = if heard == HeardAs::Key { numbers::from_keys } else { numbers::from_digits };
        let value = read(&typed, &number);
        match value {
            Some(value) => {
                let question = self.briefed[person].question;
                let meaning = PhraseMeaning::To { person, step, question, answer: Reply::Number(value) };
                self.ask_about(meaning, heard, "");
            }
            None => {
                self.ask_here();
                self.say_line(self.here(), Priority::Prompt, Line::DigitsWrong);
            }
        }
    }
}

const MOST_DIGITS: usize = 8;
