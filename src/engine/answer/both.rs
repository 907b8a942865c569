//! A signal that goes from one person to the other, turn after turn.

use super::{AnswerKind, AskedFor, HeardReply, Means, Reply, Settling, Spoken, StepNow, answered_line, settle_plainly};
use crate::engine::event::Event;
use crate::engine::output::PhraseClass;
use crate::routine::{BothAnswer, Turn};
use crate::units::SessionTime;

pub(super) struct BothKind<'a>(pub &'a BothAnswer);

impl BothKind<'_> {
    fn place(&self, now: &StepNow<'_>) -> usize {
        now.state.turns.get(&now.index).copied().unwrap_or(0).min(self.0.turns.len() - 1)
    }

    fn turn(&self, now: &StepNow<'_>) -> &Turn {
        &self.0.turns[self.place(now)]
    }
}

impl AnswerKind for BothKind<'_> {
    fn may_be_said(&self, now: &StepNow<'_>) -> Vec<Spoken> {
        let say = &self.turn(now).say;
        let mut spoken = vec![Spoken::new(say, Reply::Wanted(say[0].clone()), now.class())];
        for halt in self.0.turns.iter().map(|turn| &turn.halt).filter(|halt| !halt.is_empty()) {
            spoken.push(Spoken::new(halt, Reply::Halt(halt[0].clone()), PhraseClass::Emergency));
        }
        spoken.push(now.no_state());
        spoken
    }

    fn confirm_key(&self, now: &StepNow<'_>) -> Option<Means> {
        Some(Means::Reply(Reply::Wanted(self.turn(now).say[0].clone())))
    }

    fn other_key(&self, _now: &StepNow<'_>) -> Option<Means> {
        let halt = self.0.turns.iter().find_map(|turn| turn.halt.first())?;
        Some(Means::Reply(Reply::Halt(halt.clone())))
    }

    fn asked_for(&self, now: &StepNow<'_>, _at: SessionTime) -> AskedFor {
        AskedFor::Answer(self.turn(now).say.clone())
    }

    fn settle(&self, now: &StepNow<'_>, reply: Reply, how: &HeardReply) -> Settling {
        let Reply::Wanted(answer) = reply else { return settle_plainly(now, reply, how) };
        let (step, heard, turn) = (now.id(), how.by.clone(), now.state.turns.get(&now.index).copied().unwrap_or(0));
        Settling::Record(if turn + 1 < self.0.turns.len() {
            Event::SignalGiven { step, turn, person: how.person.clone(), answer, heard }
        } else {
            Event::StepAnswered { step, answer, heard }
        })
    }

    fn said_back(&self, now: &StepNow<'_>, answer: &str) -> Vec<String> {
        vec![answered_line(now.book, answer)]
    }

    /// What to do once the signal was halted.
    fn put_right(&self, answer: &str) -> Option<String> {
        let halted = |turn: &&Turn| turn.halt.iter().any(|halt| halt == answer);
        self.0.turns.iter().find(halted).map(|turn| turn.halt_reply.clone())
    }

    fn call(&self, now: &StepNow<'_>) -> String {
        let (place, step) = (self.place(now), &now.step().call);
        match self.0.turns[place].call.as_str() {
            "" => step.clone(),
            call if place == 0 => format!("{step} {call}"),
            call => call.to_owned(),
        }
    }
}
