//! A reading: one phrase for each number, or digit by digit where those would be too many.

use super::numbers;
use super::{AnswerKind, AskedFor, HeardReply, Means, ReadBack, Reply, Settling, Spoken, StepNow, settle_plainly};
use crate::engine::event::Event;
use crate::engine::phrasebook::Line;
use crate::routine::NumberAnswer;
use crate::units::SessionTime;

pub(super) struct NumberKind<'a>(pub &'a NumberAnswer);

impl NumberKind<'_> {
    fn digits(&self, now: &StepNow<'_>) -> Vec<Spoken> {
        let words = now.book.numbers();
        let spoken = |phrases: Vec<String>, means: Means| Spoken { phrases, means, class: now.class() };
        let mut all = Vec::new();
        for (digit, name) in ('0'..='9').zip(&words.digits) {
            let also = words.digits_also.get(name).into_iter().flatten();
            all.push(spoken(std::iter::once(name).chain(also).cloned().collect(), Means::Digit(digit)));
        }
        if !now.digits.is_empty() {
            if !now.digits.contains('.') {
                all.push(spoken(words.point.clone(), Means::Digit('.')));
            }
            all.push(spoken(words.end.clone(), Means::NumberEnds));
            all.push(spoken(Vec::new(), Means::NeverMind));
        }
        all
    }
}

impl AnswerKind for NumberKind<'_> {
    fn may_be_said(&self, now: &StepNow<'_>) -> Vec<Spoken> {
        let Some(phrases) = numbers::phrases(self.0, now.book.numbers()) else { return self.digits(now) };
        let number = |(text, value): (String, i64)| Spoken::new(&[text], Reply::Number(value), now.class());
        phrases.into_iter().map(number).chain([now.no_state()]).collect()
    }

    fn confirm_key(&self, now: &StepNow<'_>) -> Option<Means> {
        (!now.digits.is_empty()).then_some(Means::NumberEnds)
    }

    fn other_key(&self, now: &StepNow<'_>) -> Option<Means> {
        (!now.digits.is_empty()).then_some(Means::NeverMind)
    }

    fn number_key(&self, n: u8) -> Option<Means> {
        char::from_digit(n.into(), 10).map(Means::Digit)
    }

    fn asked_for(&self, now: &StepNow<'_>, _at: SessionTime) -> AskedFor {
        let number = self.0;
        let middle = number.least + (number.most - number.least) / 2;
        let middle = middle - (middle - number.gauge.0).rem_euclid(number.resolution.max(1));
        let middle = middle.clamp(number.gauge.0, number.gauge.1);
        AskedFor::Answer(numbers::spoken(middle, number.decimals, now.book.numbers()))
    }

    /// A reading outside its bounds is read back before it counts, however clear it was.
    fn settle(&self, now: &StepNow<'_>, reply: Reply, how: &HeardReply) -> Settling {
        let Reply::Number(value) = reply else { return settle_plainly(now, reply, how) };
        let number = self.0;
        let inside = (number.least..=number.most).contains(&value);
        if !inside && how.read_back == ReadBack::NotYet {
            return Settling::AskNumber(value);
        }
        let reply = if value < number.least { &number.low_reply } else { &number.high_reply };
        Settling::Record(Event::ReadingTaken {
            step: now.id(),
            name: number.name.clone(),
            value,
            decimals: number.decimals,
            unit: number.unit.clone(),
            least: number.least,
            most: number.most,
            settles: inside || reply.is_empty(),
            heard: how.by.clone(),
        })
    }

    fn which(&self, now: &StepNow<'_>) -> Option<String> {
        Some(now.book.line(Line::NotTaken, &[("name", &self.0.name)]))
    }
}
