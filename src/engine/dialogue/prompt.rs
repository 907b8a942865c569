//! What asks for a step once it has been put: turns of a signal, the state that was not named, reminders, explanations.

use super::super::alarm::Alarm;
use super::super::alarm::due::ORDER_GAP;
use super::super::answer::kind;
use super::super::core::{Engine, Timeliness};
use super::super::event::Event;
use super::super::output::{Audience, Priority};
use super::super::people::PersonIndex;
use super::super::phrasebook::Line;
use super::super::state::RunningClock;
use super::capital;
use super::person::Reminder;
use crate::routine::{Answer, StepIndex};

impl Engine {
    /// The question for a step that was settled before.
    pub(in crate::engine) fn once_more(&self, index: StepIndex) -> String {
        kind(&self.job.step(index).answer).once_more(&self.step_now(self.state.focus, index))
    }

    pub(in crate::engine) fn turn_call(&self, index: StepIndex) -> String {
        kind(&self.job.step(index).answer).call(&self.step_now(self.state.focus, index))
    }

    /// The turn in full, or in short for somebody who knows their part.
    pub(in crate::engine) fn turn_text(&self, person: PersonIndex, index: StepIndex) -> String {
        let short = self.state.turn_now(&self.job, index).map(|(_, turn, _)| turn.short.as_str());
        match short.filter(|short| !short.is_empty() && self.is_told_briefly_in_turn(person, index)) {
            Some(short) => short.to_owned(),
            None => self.turn_call(index),
        }
    }

    fn is_told_briefly_in_turn(&self, person: PersonIndex, index: StepIndex) -> bool {
        self.state.turn_now(&self.job, index).is_some_and(|(_, turn, _)| self.state.people[person].knows(turn.role))
    }

    /// The next turn of a signal, to whom it belongs.
    pub(in crate::engine) fn say_turn(&mut self, index: StepIndex) {
        let person = self.asked_first(self.state.focus, index);
        for other in self.state.here().collect::<Vec<_>>() {
            self.ask(other);
        }
        let call = self.turn_text(person, index);
        let mut text = std::mem::take(&mut self.talk_of_mut(person).lead_in);
        text.push(self.to_person(person, call.clone()));
        self.say_prompt_to(person, Priority::Prompt, text.join(" "));
        self.say_beside(person, index, &call);
        if self.state.is_announced(&self.job, index) {
            self.pass_turn(index);
        }
    }

    /// The answer that was given in a step for all is said back before the next turn, wherever that is heard.
    pub(in crate::engine) fn signal_given(&mut self, index: StepIndex, answer: &str) {
        let next = self.asked_first(self.state.focus, index);
        if !answer.is_empty() {
            self.lead_in(next, self.book.line(Line::Answered, &[("answer", &capital(answer))]));
        }
        self.say_turn(index);
    }

    pub(in crate::engine) fn signal_halted(&mut self, index: StepIndex, answer: &str) {
        let reply = kind(&self.job.step(index).answer).put_right(answer);
        if let Some(reply) = reply {
            self.say(Audience::All, Priority::Caution, reply);
        }
        self.say_turn(index);
    }

    /// One has answered; now the other.
    pub(in crate::engine) fn agreed(&mut self, index: StepIndex, person: &str, answer: &str) {
        let next = self.asked_first(self.state.focus, index);
        self.ask(next);
        let words = self.answer_words(index);
        let (_, ask) = split_answer(&self.job.step(index).call, &words);
        let ask = if ask.is_empty() { self.job.step(index).call.clone() } else { ask.to_owned() };
        let ask = self.to_person(next, ask);
        let text = self.book.line(Line::AndYou, &[("name", person), ("answer", answer), ("ask", &ask)]);
        self.say_prompt_to(next, Priority::Prompt, text);
    }

    /// Another state was named, or a reading was no good: what is to be done, and the step is asked for anew.
    pub(in crate::engine) fn put_right(&mut self, step: StepIndex, text: String) {
        let person = self.state.holder(step).unwrap_or(self.state.focus);
        self.ask(person);
        let text = self.to_person(person, text);
        self.say_prompt_to(person, Priority::Caution, text);
    }

    /// The step was answered without naming what it asks for.
    pub(in crate::engine) fn ask_which(&mut self, step: StepIndex) {
        let person = self.state.holder(step).unwrap_or(self.state.focus);
        let which = kind(&self.job.step(step).answer).which(&self.step_now(person, step));
        let text = self.to_person(person, which.unwrap_or_else(|| self.asking_text(step)));
        self.say_prompt_to(person, Priority::Prompt, text);
    }

    pub(in crate::engine) fn explain(&mut self) {
        let Some(step) = self.current() else { return };
        self.commit(Event::Explained { step: self.step_id(step) });
        let asked = self.job.step(step);
        let call = self.asking_text(step);
        let parts = [asked.how.as_str(), asked.check.as_str(), call.as_str()];
        let text = parts.into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join(" ");
        let text = self.to_person(self.focus(), text);
        self.say_prompt(text);
    }

    pub(in crate::engine) fn say_clock(&mut self, step: StepIndex, clock: &RunningClock) {
        if let Answer::Clock(answer) = &self.job.step(step).answer {
            let text = self.clock_text(&answer.name, clock);
            self.say_useful(self.here(), Priority::Prompt, text);
        }
    }

    pub(in crate::engine) fn remind(&mut self, person: PersonIndex) {
        if let Some(step) = self.reminds_of(person).filter(|_| self.pace == Timeliness::OnTime) {
            self.briefed[person].reminder = Reminder::Given;
            let call = self.to_person(person, self.asking_text(step));
            let text = self.book.line(Line::Reminder, &[("call", &call)]);
            if self.talk_of(person).asking.is_asked_back() {
                self.remember(Audience::Person(person), &call);
            }
            self.say(Audience::Person(person), Priority::Chat, text);
        }
    }

    /// What has to be gone on with at a step is said over and over from now on; or nothing is any more.
    pub(in crate::engine) fn order(&mut self, step: StepIndex, text: Option<String>) {
        let person = self.state.holder(step).unwrap_or(self.state.focus);
        self.briefed[person].order = text.map(|text| (step, text));
        if self.order_of(person).is_some() {
            self.alarms.arm(Alarm::Order(person), self.now + ORDER_GAP);
        }
    }

    /// What a person has to go on doing, as long as the step that it belongs to is theirs and open.
    pub(in crate::engine) fn order_of(&self, person: PersonIndex) -> Option<&str> {
        let (step, text) = self.briefed[person].order.as_ref()?;
        (self.state.people[person].current == Some(*step) && self.state.is_open(*step)).then_some(text)
    }

    pub(in crate::engine) fn order_again(&mut self, person: PersonIndex) {
        let Some(text) = self.order_of(person).map(str::to_owned) else { return };
        self.alarms.arm(Alarm::Order(person), self.now + ORDER_GAP);
        if !self.state.standing_by && !self.state.muted {
            let text = self.to_person(person, text);
            self.say_useful(Audience::Person(person), Priority::Caution, text);
        }
    }

    pub(in crate::engine) fn forget_reminder(&mut self, person: PersonIndex) {
        self.alarms.disarm(&Alarm::Reminder(person));
    }

    pub(in crate::engine) fn reminds_of(&self, person: PersonIndex) -> Option<StepIndex> {
        let clock_runs = self.state.clocks.values().any(|clock| clock.by == person || self.state.alone());
        let step = self.state.people[person].current;
        let ordered = self.order_of(person).is_some();
        step.filter(|&step| !self.state.standing_by && !clock_runs && !ordered && !self.job.is_gate(step))
    }

    pub(in crate::engine) fn back_to_step(&mut self, line: Line) {
        self.talk_mut().asking = super::vocabulary::Asking::Step;
        self.ask_here();
        let call = self.current().map(|step| self.asking_text(step)).unwrap_or_default();
        let text = self.book.line(line, &[("call", &call)]);
        self.say_prompt(text);
        // What was asked at a gate held it up.
        if self.stands_at_a_gate() {
            self.pass_gate();
        }
    }

    /// Every sentence of the routine and of the program that can be spoken ahead of time.
    pub fn fixed_prompts(&self) -> Vec<String> {
        let routine = &self.job.routine;
        let mut all: Vec<String> = vec![routine.intro.clone()];
        all.extend(self.job.parts.iter().map(|part| part.intro.clone()));
        for step in &routine.steps {
            all.extend([&step.caution, &step.call, &step.short].map(Clone::clone));
            all.extend(step.answer.texts().into_iter().map(str::to_owned));
            all.extend(kind(&step.answer).ahead(&self.book));
        }
        all.extend(routine.sections.iter().skip(1).map(|section| format!("{}.", capital(&section.title))));
        all.extend(self.job.parts.iter().map(|part| part.complete.clone()));
        all.push(routine.complete.clone());
        all.extend(self.book.fixed_lines().map(str::to_owned));
        all.extend(routine.steps.iter().flat_map(|step| [step.how.clone(), step.check.clone()]));
        all.retain(|text| !text.is_empty());
        let mut seen = std::collections::BTreeSet::new();
        all.retain(|text| seen.insert(text.clone()));
        all
    }
}

/// Splits off the last sentence of a call where it holds words to answer with.
pub(in crate::engine) fn split_answer<'a>(call: &'a str, words: &[String]) -> (&'a str, &'a str) {
    let ends = call.char_indices().filter(|(_, c)| matches!(c, '.' | '?' | '!')).map(|(at, _)| at + 1);
    let begin = ends.filter(|&at| at < call.trim_end().len()).max().unwrap_or(0);
    let (action, last) = call.split_at(begin);
    let lower = last.to_lowercase();
    match words.iter().any(|word| lower.contains(word.as_str())) && begin > 0 {
        true => (action, last.trim()),
        false => (call, ""),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_words_to_answer_are_split_off_the_call_and_nothing_else_is() {
        let words = ["water on".to_owned(), "yes".to_owned()];
        assert_eq!(split_answer("Turn it on. Say: water on.", &words), ("Turn it on.", "Say: water on."));
        assert_eq!(split_answer("Clear at the end? Yes or no.", &words), ("Clear at the end?", "Yes or no."));
        assert_eq!(split_answer("Is it clear, yes or no?", &words), ("Is it clear, yes or no?", ""));
        assert_eq!(split_answer("Turn it on. Stay there.", &words), ("Turn it on. Stay there.", ""));
    }
}
