//! What an answer to a step does, by the kind of step.

use super::core::Engine;
use super::event::{Event, HeardAs};
use super::output::Priority;
use super::people::PersonIndex;
use super::phrasebook::{Common, Line};
use super::ticking::{Holding, hold_counts};
use super::vocabulary::{Meaning, Reply};
use crate::routine::{Answer, NumberAnswer, StepIndex};

impl Engine {
    pub(super) fn answered(
        &mut self,
        person: PersonIndex,
        step: StepIndex,
        answer: Reply,
        heard: HeardAs,
        confirmed: bool,
    ) {
        if !self.state.is_open(step) {
            return self.checked(step, answer, heard);
        }
        let id = self.step_id(step);
        match (answer, self.job.step(step).answer.clone()) {
            (Reply::NoState, _) => self.ask_for_the_state(step),
            (Reply::Wanted(said), Answer::Both(both)) => {
                let turn = self.state.turns.get(&step).copied().unwrap_or(0);
                if turn + 1 < both.turns.len() {
                    let person = self.state.people[person].name.clone();
                    self.commit(Event::SignalGiven { step: id, turn, person, answer: said, heard });
                } else {
                    self.commit(Event::StepAnswered { step: id, answer: said, heard });
                }
            }
            (Reply::Wanted(_), Answer::Hold(_)) if self.holding.is_some() => {}
            (Reply::Wanted(_), Answer::Hold(_)) => self.commit(Event::HoldBegun { step: id, heard }),
            (Reply::Wanted(said), _) => self.agree(person, step, said, heard),
            (Reply::Other(answer), _) => self.commit(Event::OtherStateHeard { step: id, answer, heard }),
            (Reply::Halt(answer), _) => self.commit(Event::SignalHalted { step: id, answer, heard }),
            (Reply::ClockStart, Answer::Clock(clock)) => {
                if let Some(clock) = self.state.clocks.get(&step).copied() {
                    return self.say_clock(step, &clock);
                }
                let length_ms = u64::try_from(clock.length.as_millis()).unwrap_or(u64::MAX);
                self.commit(Event::ClockStarted { step: id, length_ms, heard });
            }
            (Reply::Yes, _) => {
                let answer = self.book.common(Common::Yes)[0].clone();
                self.commit(Event::StepAnswered { step: id, answer, heard });
            }
            (Reply::No, Answer::YesNo(question)) => self.no(step, question, heard),
            (Reply::Number(value), Answer::Number(number)) => {
                self.reading(person, step, &number, value, heard, confirmed);
            }
            (Reply::Choice(place), Answer::Choice(choice)) => {
                let option = &choice.options[place];
                let answer = option.say[0].clone();
                if option.settles {
                    self.agree(person, step, answer, heard);
                } else {
                    self.commit(Event::OtherStateHeard { step: id, answer, heard });
                }
            }
            _ => {}
        }
    }

    /// Asked once more: the state is named again, or it was not so.
    fn checked(&mut self, step: StepIndex, answer: Reply, heard: HeardAs) {
        let id = self.step_id(step);
        match answer {
            Reply::Wanted(answer) => self.commit(Event::StepChecked { step: id, answer, heard }),
            Reply::Yes => {
                let answer = self.book.common(Common::Yes)[0].clone();
                self.commit(Event::StepChecked { step: id, answer, heard });
            }
            Reply::Other(answer) => self.commit(Event::OtherStateHeard { step: id, answer, heard }),
            Reply::No => {
                let mut steps = vec![step];
                steps.extend(self.state.hangs_on(&self.job, step));
                let steps = steps.into_iter().map(|step| self.step_id(step)).collect();
                self.commit(Event::StepsReopened { steps, because: CHECK.to_owned() });
            }
            Reply::NoState => self.ask_for_the_state(step),
            _ => {}
        }
    }

    /// Settles the step, or waits for the others where all must answer.
    fn agree(&mut self, person: PersonIndex, step: StepIndex, answer: String, heard: HeardAs) {
        let id = self.step_id(step);
        let agreed = self.state.agreed.get(&step).cloned().unwrap_or_default();
        let missing = self.state.here().any(|other| other != person && !agreed.contains(&other));
        if self.state.takes_all(&self.job, step) && missing {
            let person = self.state.people[person].name.clone();
            self.commit(Event::Agreed { step: id, person, answer, heard });
        } else {
            self.commit(Event::StepAnswered { step: id, answer, heard });
        }
    }

    fn no(&mut self, step: StepIndex, question: crate::routine::Question, heard: HeardAs) {
        let id = self.step_id(step);
        let answer = self.book.common(Common::No)[0].clone();
        let Some(back) = question.back else {
            return if question.no_reply.is_empty() {
                self.commit(Event::StepAnswered { step: id, answer, heard });
            } else {
                self.commit(Event::OtherStateHeard { step: id, answer, heard });
            };
        };
        let round = self.state.rounds.get(&step).copied().unwrap_or(0) + 1;
        if round >= back.most {
            self.commit(Event::LoopLimitReached { step: id, round, heard });
        } else {
            let back_to = self.step_id(back.back_to);
            self.commit(Event::LoopedBack { step: id, back_to, round, heard });
        }
    }

    /// A reading outside its bounds is read back before it counts, however clear it was.
    fn reading(
        &mut self,
        person: PersonIndex,
        step: StepIndex,
        number: &NumberAnswer,
        value: i64,
        heard: HeardAs,
        confirmed: bool,
    ) {
        let inside = (number.least..=number.most).contains(&value);
        if !inside && !confirmed {
            let question = self.questions[person];
            let meaning = Meaning::To { person, step, question, answer: Reply::Number(value) };
            return self.ask_about(meaning, heard, "");
        }
        let reply = if value < number.least { &number.low_reply } else { &number.high_reply };
        self.commit(Event::ReadingTaken {
            step: self.step_id(step),
            name: number.name.clone(),
            value,
            decimals: number.decimals,
            unit: number.unit.clone(),
            least: number.least,
            most: number.most,
            settles: inside || reply.is_empty(),
            heard,
        });
    }

    /// A digit is said back, so that a wrong one is heard at once.
    pub(super) fn digit(&mut self, digit: char) {
        if self.digits.len() < MOST_DIGITS {
            self.digits.push(digit);
        }
        self.question += 1;
        let said =
            self.digits.chars().map(|c| if c == '.' { self.book.numbers().point[0].clone() } else { c.to_string() });
        let said = said.collect::<Vec<_>>().join(" ");
        let text = self.book.line(Line::DigitNext, &[("digits", &said)]);
        self.say_useful(Priority::Chat, text);
    }

    pub(super) fn digits_end(&mut self, heard: HeardAs) {
        let typed = std::mem::take(&mut self.digits);
        let Some((person, step)) = self.asked_now() else { return };
        let Answer::Number(number) = self.job.step(step).answer.clone() else { return };
        // A keyboard has no point: its digits count the smallest places.
        let by_key = heard == HeardAs::Key && !typed.contains('.') && number.decimals > 0;
        let value = if by_key {
            let whole = NumberAnswer { decimals: 0, ..number.clone() };
            super::numbers::from_digits(&typed, &whole)
        } else {
            super::numbers::from_digits(&typed, &number)
        };
        match value {
            Some(value) => {
                let question = self.questions[person];
                let meaning = Meaning::To { person, step, question, answer: Reply::Number(value) };
                self.ask_about(meaning, heard, "");
            }
            None => {
                self.question += 1;
                self.say_line(Priority::Prompt, Line::DigitsWrong);
            }
        }
    }

    pub(super) fn hold_begun(&mut self, step: StepIndex, heard: &HeardAs) {
        if let Answer::Hold(hold) = self.job.step(step).answer.clone() {
            let counts = hold_counts(hold.length);
            self.holding = Some(Holding { step, ends: self.now + hold.length, counts, heard: heard.clone() });
            self.say(Priority::Caution, hold.hold);
        }
    }
}

pub(super) const CHECK: &str = "not so any more";
const MOST_DIGITS: usize = 8;
