//! How a step is put to a person: by name where there are several, in full for a beginner, the call alone for the practised.

use std::time::Duration;

use super::consequences::{VERY_LONG, capital};
use super::core::Engine;
use super::event::{Event, HeardAs};
use super::output::{Priority, SpeechId};
use super::people::PersonIndex;
use super::phrasebook::{Line, Word};
use super::speech::longest_saying;
use super::ticking::Telling;
use super::vocabulary::{Asking, is_asked};
use crate::routine::{Answer, StepIndex};

impl Engine {
    pub(super) fn offered(&mut self, step: StepIndex) {
        let person = self.state.focus;
        self.digits.clear();
        if matches!(self.asking, Asking::Gate | Asking::SkipReason { .. }) {
            self.asking = Asking::Step;
        }
        for other in self.state.here().collect::<Vec<_>>() {
            if self.state.people[other].current == Some(step) {
                self.ask(other);
                self.reminded[other] = false;
                self.remind_at[other] = None;
            }
        }
        if self.job.is_gate(step) {
            return self.gate(step);
        }
        // Whoever stands by hears the step when they go ahead.
        if !self.state.standing_by {
            self.say_step(person, step);
        }
        self.advance();
    }

    /// The answer said back, a new section's name, the caution, the call: in this order, one thing to do at a time.
    pub(super) fn say_step(&mut self, person: PersonIndex, index: StepIndex) {
        let step = self.job.step(index).clone();
        if let Answer::Told { times } = step.answer {
            return self.tell(index, times);
        }
        let mut before = std::mem::take(&mut self.lead_in);
        if let Some(clock) = self.state.clocks.get(&index).copied() {
            if !clock.ran_out && clock.ends() > self.now {
                before.push(self.clock_goes_on(index, &clock));
                self.say_prompt_to(person, before.join(" "));
            }
            return;
        }
        if !self.state.is_open(index) {
            before.push(self.to_person(person, self.once_more(index)));
            return self.say_prompt_to(person, before.join(" "));
        }
        self.introduce(person, index, &mut before);
        let both = matches!(step.answer, Answer::Both(_));
        if step.together && self.state.alone() || both && self.state.alone() {
            before.push(self.book.line(Line::NeedsTwo, &[]));
        }
        let mut call = if both { self.turn_call(index) } else { self.call_for(person, index) };
        if matches!(&step.answer, Answer::Number(number) if super::numbers::by_digits(number)) {
            call = format!("{call} {}", self.book.line(Line::DigitFirst, &[]));
        }
        let call = self.to_person(self.asked_first(person, index), call);
        let asked = self.asked_first(person, index);
        if step.caution.is_empty() {
            before.push(call.clone());
            self.prompt = Some((self.say(Priority::Prompt, before.join(" ")), asked));
            self.last_useful = call;
        } else {
            before.push(step.caution.clone());
            self.say(Priority::Caution, before.join(" "));
            self.prompt = Some((self.say(Priority::Prompt, call.clone()), asked));
            self.last_useful = format!("{} {call}", step.caution);
        }
    }

    /// What a routine, and then a section, is called when its first step comes.
    fn introduce(&mut self, person: PersonIndex, index: StepIndex, before: &mut Vec<String>) {
        let part = self.job.part_of(index);
        let section = self.job.step(index).section;
        if !self.introduced[part] {
            self.introduced[part] = true;
            before.push(self.job.parts[part].intro.clone());
            // The first section is named by the introduction.
            self.last_section[person] = Some(section);
        }
        let last = self.last_section[person].replace(section);
        if last.is_some_and(|last| last != section) {
            before.push(format!("{}.", capital(&self.job.routine.sections[section].title)));
        }
        before.retain(|text| !text.is_empty());
    }

    /// The call alone for the practised; for a beginner also how it is done and how one knows that it is right, and the words
    /// to answer last.
    fn call_for(&self, person: PersonIndex, index: StepIndex) -> String {
        let step = self.job.step(index);
        if self.state.people[person].knows(step.role) || self.is_late() && !step.critical {
            return step.call.clone();
        }
        let (action, words) = split_answer(&step.call, &self.answer_words(index));
        let check = match step.check.as_str() {
            "" => String::new(),
            check => self.book.line(Line::Checked, &[("check", check)]),
        };
        let parts = [action, step.how.as_str(), check.as_str(), words];
        parts.into_iter().map(str::trim).filter(|part| !part.is_empty()).collect::<Vec<_>>().join(" ")
    }

    /// Every phrase that may stand in the part of a call that says what to answer.
    fn answer_words(&self, index: StepIndex) -> Vec<String> {
        let answer = &self.job.step(index).answer;
        let mut words: Vec<String> = answer.phrases().into_iter().flatten().cloned().collect();
        if let Answer::YesNo(_) = answer {
            words.extend(self.book.common(super::phrasebook::Common::Yes).first().cloned());
        }
        if let Answer::Done { .. } = answer {
            words.push(self.done_word());
        }
        words
    }

    /// The question for a step that was settled before.
    pub(super) fn once_more(&self, index: StepIndex) -> String {
        let step = self.job.step(index);
        match &step.answer {
            Answer::State(state) => self
                .book
                .line(Line::OnceMore, &[("name", &step.name), ("want", &state.want[0]), ("other", &state.other[0])]),
            _ => self.book.line(Line::StillSo, &[("name", &step.name)]),
        }
    }

    /// Who is asked first for a step that several hold.
    fn asked_first(&self, person: PersonIndex, index: StepIndex) -> PersonIndex {
        let asked = |&other: &PersonIndex| {
            self.state.people[other].current == Some(index) && is_asked(&self.job, &self.state, other, index)
        };
        std::iter::once(person).chain(self.state.here()).find(asked).unwrap_or(person)
    }

    pub(super) fn turn_call(&self, index: StepIndex) -> String {
        let step = self.job.step(index);
        let Answer::Both(both) = &step.answer else { return step.call.clone() };
        let turn = self.state.turns.get(&index).copied().unwrap_or(0).min(both.turns.len() - 1);
        match both.turns[turn].call.as_str() {
            "" => step.call.clone(),
            call if turn == 0 => format!("{} {call}", step.call),
            call => call.to_owned(),
        }
    }

    /// The next turn of a signal, to whom it belongs.
    pub(super) fn say_turn(&mut self, index: StepIndex) {
        let person = self.asked_first(self.state.focus, index);
        for other in self.state.here().collect::<Vec<_>>() {
            self.ask(other);
        }
        let call = self.turn_call(index);
        let mut text = std::mem::take(&mut self.lead_in);
        text.push(self.to_person(person, call));
        self.say_prompt_to(person, text.join(" "));
    }

    pub(super) fn signal_halted(&mut self, index: StepIndex, event: &Event) {
        let Event::SignalHalted { answer, .. } = event else { return };
        if let Answer::Both(both) = &self.job.step(index).answer
            && let Some(turn) = both.turns.iter().find(|turn| turn.halt.contains(answer))
        {
            let reply = turn.halt_reply.clone();
            self.say(Priority::Caution, reply);
        }
        self.say_turn(index);
    }

    /// One has answered; now the other.
    pub(super) fn agreed(&mut self, index: StepIndex, person: &str, answer: &str) {
        let next = self.asked_first(self.state.focus, index);
        self.ask(next);
        let words = self.answer_words(index);
        let (_, ask) = split_answer(&self.job.step(index).call, &words);
        let ask = if ask.is_empty() { self.job.step(index).call.clone() } else { ask.to_owned() };
        let next_name = self.state.people[next].name.clone();
        let text =
            self.book.line(Line::AndYou, &[("name", person), ("answer", answer), ("next", &next_name), ("ask", &ask)]);
        self.say_prompt_to(next, text);
    }

    fn tell(&mut self, step: StepIndex, times: u32) {
        let mut text = std::mem::take(&mut self.lead_in);
        self.introduce(self.state.focus, step, &mut text);
        let asked = self.job.step(step);
        text.extend([&asked.caution, &asked.call].into_iter().filter(|text| !text.is_empty()).cloned());
        let text = text.join(" ");
        let useful = format!("{} {}", self.job.step(step).caution, self.job.step(step).call);
        self.last_useful = useful.trim().to_owned();
        self.tell_text(step, text, times);
    }

    fn tell_text(&mut self, step: StepIndex, text: String, left: u32) {
        let priority = if self.state.card.is_some() { Priority::Alarm } else { Priority::Prompt };
        let longest = longest_saying(&text);
        let speech = self.say(priority, text);
        self.telling = Some(Telling { step, speech, left, until: self.now + longest });
    }

    /// It has been said once; it counts when it has been said as often as it must be.
    pub(super) fn told_once(&mut self, speech: SpeechId) {
        let Some(telling) = self.telling.take_if(|telling| telling.speech == speech) else { return };
        if telling.left > 1 {
            let text = self.job.step(telling.step).call.clone();
            self.tell_text(telling.step, text, telling.left - 1);
        } else {
            let step = self.step_id(telling.step);
            self.commit(Event::StepAnswered { step, answer: String::new(), heard: HeardAs::Clock });
        }
    }

    /// With the name before it, where more than one person is there to hear it.
    pub(super) fn to_person(&self, person: PersonIndex, text: String) -> String {
        let name = &self.state.people[person].name;
        if self.state.alone() || name.is_empty() || text.is_empty() {
            return text;
        }
        self.book.line(Line::ToPerson, &[("name", name), ("text", &text)])
    }

    /// There is nothing that this person could do now; said once.
    pub(super) fn nothing_for(&mut self, person: PersonIndex) {
        let told = std::mem::replace(&mut self.told_to_wait[person], true);
        let silent = self.state.alone() || self.state.standing_by || self.state.card.is_some();
        if told || silent || self.state.people[person].current.is_some() {
            return;
        }
        let busy = self.state.here().filter(|&other| other != person && self.state.people[other].current.is_some());
        let and = format!(" {} ", self.book.word(Word::And));
        let names = busy.map(|other| self.state.people[other].name.clone()).collect::<Vec<_>>().join(&and);
        if !names.is_empty() {
            let name = self.state.people[person].name.clone();
            let mut text = std::mem::take(&mut self.lead_in);
            text.push(self.book.line(Line::Waits, &[("name", &name), ("other", &names)]));
            self.say(Priority::Prompt, text.join(" "));
        }
    }

    /// Everybody's step once more, after the program was away.
    pub(super) fn say_steps_again(&mut self) {
        if self.state.standing_by {
            return;
        }
        let focus = self.state.focus;
        let mut said = Vec::new();
        let mut people: Vec<PersonIndex> = self.state.here().collect();
        people.sort_by_key(|&person| person != focus);
        for person in people {
            if let Some(step) = self.state.people[person].current.filter(|&step| !self.job.is_gate(step))
                && !said.contains(&step)
            {
                said.push(step);
                self.ask(person);
                self.say_step(person, step);
            }
        }
    }

    /// After a pause: the call after a short one; the routine, the last confirmed step and the next after a long one (NASA
    /// CR-177549); after a very long one the section is offered to be gone through again.
    pub(super) fn went_ahead(&mut self) {
        self.question += 1;
        self.reminded.fill(false);
        let pause = self.now.since(self.state.standing_since);
        let current = self.state.current();
        if let Some(step) = current.filter(|&step| matches!(self.job.step(step).answer, Answer::Told { .. })) {
            self.say_step(self.state.focus, step);
            return self.advance();
        }
        let text = self.went_ahead_text(pause >= LONG);
        if pause >= VERY_LONG && self.offer_check(&text, pause) {
            return;
        }
        self.say_prompt(text);
        let focus = self.state.focus;
        for person in self.state.here().filter(|&person| person != focus).collect::<Vec<_>>() {
            if let Some(step) = self.state.people[person].current.filter(|&step| current != Some(step)) {
                self.say_step(person, step);
            }
        }
        self.advance();
    }

    /// Offers to go through the section again; says so, and whether there is anything to go through.
    pub(super) fn offer_check(&mut self, lead: &str, pause: Duration) -> bool {
        let section = self.section_now();
        let steps = section.map(|section| self.state.still_so(&self.job, section)).unwrap_or_default();
        if steps.is_empty() || !self.state.clocks.is_empty() || self.state.card.is_some() {
            return false;
        }
        self.asking = Asking::CheckAgain;
        self.question += 1;
        let pause = self.book.span(Duration::from_secs(pause.as_secs() / 60 * 60));
        let text = self.book.line(Line::LongPause, &[("pause", &pause)]);
        self.say_useful(Priority::Prompt, format!("{lead} {text}"));
        true
    }

    pub(super) fn check_section_again(&mut self) {
        self.asking = Asking::Step;
        let Some(section) = self.section_now() else { return };
        let steps = self.state.still_so(&self.job, section).into_iter().map(|step| self.step_id(step)).collect();
        self.commit(Event::CheckAsked { steps, because: super::apply::LONG_PAUSE.to_owned() });
    }

    /// The section of the step that is asked for; between two, that of the last one settled.
    fn section_now(&self) -> Option<usize> {
        let last = self.state.trail.last().map(super::state::Settled::step);
        let current = self.state.current().map(|step| self.job.step(step).section);
        let section = current.filter(|&section| !self.state.still_so(&self.job, section).is_empty());
        section.or_else(|| last.map(|step| self.job.step(step).section))
    }
}

/// Splits off the last sentence of a call where it holds words to answer with.
fn split_answer<'a>(call: &'a str, words: &[String]) -> (&'a str, &'a str) {
    let ends = call.char_indices().filter(|(_, c)| matches!(c, '.' | '?' | '!')).map(|(at, _)| at + 1);
    let begin = ends.filter(|&at| at < call.trim_end().len()).max().unwrap_or(0);
    let (action, last) = call.split_at(begin);
    let lower = last.to_lowercase();
    match words.iter().any(|word| lower.contains(word.as_str())) && begin > 0 {
        true => (action, last.trim()),
        false => (call, ""),
    }
}

/// After less than this one has not left what one was doing.
const LONG: Duration = Duration::from_secs(60);

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
