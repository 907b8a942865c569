//! One of several: each settles, or is put right.

use super::{AnswerKind, AskedFor, HeardReply, Means, Reply, Settling, Spoken, StepNow, answered_line, settle_plainly};
use crate::engine::event::Event;
use crate::routine::{ChoiceAnswer, ChoiceOption};
use crate::units::SessionTime;

pub(super) struct ChoiceKind<'a>(pub &'a ChoiceAnswer);

impl ChoiceKind<'_> {
    fn option(&self, answer: &str) -> Option<&ChoiceOption> {
        self.0.options.iter().find(|option| option.say[0] == answer)
    }
}

impl AnswerKind for ChoiceKind<'_> {
    fn may_be_said(&self, now: &StepNow<'_>) -> Vec<Spoken> {
        let options = self.0.options.iter().enumerate();
        let mut spoken: Vec<Spoken> =
            options.map(|(place, option)| Spoken::new(&option.say, Reply::Choice(place), now.class())).collect();
        spoken.push(now.no_state());
        spoken
    }

    fn number_key(&self, n: u8) -> Option<Means> {
        let place = usize::from(n).checked_sub(1).filter(|&place| place < self.0.options.len())?;
        Some(Means::Reply(Reply::Choice(place)))
    }

    fn choices(&self) -> Vec<String> {
        self.0.options.iter().map(|option| option.say[0].clone()).collect()
    }

    fn asked_for(&self, _now: &StepNow<'_>, _at: SessionTime) -> AskedFor {
        let good = self.0.options.iter().filter(|option| option.settles);
        AskedFor::Answer(good.flat_map(|option| option.say.clone()).collect())
    }

    fn settle(&self, now: &StepNow<'_>, reply: Reply, how: &HeardReply) -> Settling {
        let Reply::Choice(place) = reply else { return settle_plainly(now, reply, how) };
        let Some(option) = self.0.options.get(place) else { return Settling::Nothing };
        let answer = option.say[0].clone();
        if option.settles {
            Settling::Agree(answer)
        } else {
            Settling::Record(Event::OtherStateHeard { step: now.id(), answer, heard: how.by.clone() })
        }
    }

    fn said_back(&self, now: &StepNow<'_>, answer: &str) -> Vec<String> {
        let reply = self.option(answer).map(|option| option.reply.clone()).filter(|reply| !reply.is_empty());
        std::iter::once(answered_line(now.book, answer)).chain(reply).collect()
    }

    fn put_right(&self, answer: &str) -> Option<String> {
        self.option(answer).map(|option| option.reply.clone())
    }

    fn again(&self, answer: &str) -> Option<String> {
        self.option(answer).map(|option| option.again.clone()).filter(|text| !text.is_empty())
    }
}
