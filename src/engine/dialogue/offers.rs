//! How a step is put to a person: by name where there are several, in full for a beginner, the call alone for the practised.

use super::super::alarm::Telling;
use super::super::answer::kind;
use super::super::core::{Engine, Timeliness};
use super::super::event::{Event, HeardAs};
use super::super::output::{Audience, Priority, SpeechId};
use super::super::people::PersonIndex;
use super::super::phrasebook::{Line, Word};
use super::person::{Reminder, Waiting};
use super::speech::longest_saying;
use super::vocabulary::Asking;
use super::{capital, prompt::split_answer};
use crate::routine::{Answer, StepIndex};

impl Engine {
    /// Offers the next step to one person, if it is another one than now. `offered` goes on with the next person.
    pub(in crate::engine) fn advance(&mut self) {
        let under_way = |event: &Event| {
            matches!(
                event,
                Event::StepOffered { .. }
                    | Event::StretchOffered { .. }
                    | Event::StepAnswered { .. }
                    | Event::CrewSet { .. }
                    | Event::RemarksRecalled { .. }
                    | Event::RigRecalled { .. }
                    | Event::RigAgreed { .. }
                    | Event::RunCompleted { .. }
                    | Event::CardEnded { .. }
                    | Event::CardStarted { .. }
            )
        };
        if self.state.ended.is_some() || self.is_pending(under_way) || self.records.holds_up() {
            return;
        }
        if self.state.started && self.set_crew() {
            return;
        }
        for (person, cannot) in std::mem::take(&mut self.records.limits) {
            self.commit(Event::LimitTold { person, cannot, heard: HeardAs::Key });
        }
        if self.is_pending(|event| matches!(event, Event::LimitTold { .. })) {
            return;
        }
        let remarks = std::mem::take(&mut self.records.remarks);
        if !remarks.is_empty() {
            return self.commit(Event::RemarksRecalled { remarks });
        }
        if let Some(things) = self.records.rig.take() {
            return self.commit(Event::RigRecalled { things });
        }
        if self.asks_how_it_stands() {
            return;
        }
        if !self.state.overridden.is_empty() {
            let skipped = self.state.skipped(&self.job).map(|step| self.step_id(step)).collect();
            return self.commit(Event::RunCompleted { skipped });
        }
        if let Some(card) = self.state.card.filter(|&card| self.state.part_done(&self.job, card)) {
            return self.commit(Event::CardEnded { card: self.job.parts[card].id.clone() });
        }
        let mut order: Vec<PersonIndex> = self.state.here().collect();
        order.sort_by_key(|&person| person != self.state.focus);
        for person in order {
            match self.state.next_for(&self.job, person) {
                Some(next) if self.state.people[person].current != Some(next) => return self.offer(person, next),
                Some(_) => {}
                None => self.nothing_for(person),
            }
        }
        // Nothing follows that it could be put before.
        if self.records.are_written() && !self.state.standing_by {
            self.say_lead_ins();
        }
    }

    pub(in crate::engine) fn offer(&mut self, person: PersonIndex, step: StepIndex) {
        self.briefed[person].waiting = Waiting::Untold;
        let stretch = self.state.stretch_from(&self.job, person, step);
        if stretch.len() > 1 {
            return self.offer_stretch(person, &stretch);
        }
        let step = self.step_id(step);
        if !self.state.alone() {
            let name = self.state.people[person].name.clone();
            self.commit(Event::StepAssigned { step: step.clone(), person: name });
        }
        self.commit(Event::StepOffered { step });
    }

    pub(in crate::engine) fn offered(&mut self, step: StepIndex) {
        let person = self.state.focus;
        self.turn_to(person);
        for other in self.state.here().collect::<Vec<_>>() {
            if self.state.people[other].current == Some(step) {
                // Digits that somebody else here is in the middle of are theirs.
                let reads = self.number_asked_at(self.station_of(other)).is_some_and(|(reader, _)| reader != other);
                let talk = self.talk_of_mut(other);
                if !reads {
                    talk.digits.clear();
                }
                // A question supersedes what was asked before it.
                if !matches!(talk.asking, Asking::Note { .. }) {
                    talk.asking = Asking::Step;
                }
                self.ask(other);
                self.briefed[other].reminder = Reminder::Due;
                self.forget_reminder(other);
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

    /// A turn of a signal that nobody answers counts once it is on record, and the next turn follows.
    pub(in crate::engine) fn pass_turn(&mut self, index: StepIndex) {
        let Some((turn, _, person)) = self.state.turn_now(&self.job, index) else { return };
        let person = self.state.people[person].name.clone();
        let step = self.step_id(index);
        self.commit(Event::SignalGiven { step, turn, person, answer: String::new(), heard: HeardAs::Clock });
    }

    /// Puts the step to the person who has it.
    pub(in crate::engine) fn say_step(&mut self, person: PersonIndex, index: StepIndex) {
        self.mark_what_was_told(person, index);
        self.put_step(person, index);
        self.briefed.iter_mut().for_each(|briefing| briefing.before = None);
    }

    /// The answer said back, a new section's name, the caution, the call: in this order, one thing to do at a time.
    fn put_step(&mut self, person: PersonIndex, index: StepIndex) {
        let step = self.job.step(index).clone();
        if let Answer::Told { times } = step.answer {
            return self.tell(person, index, times);
        }
        let mut before = std::mem::take(&mut self.talk_of_mut(person).lead_in);
        if let Some(clock) = self.state.clocks.get(&index).copied() {
            if !clock.ran_out && clock.ends() > self.now {
                before.push(self.clock_goes_on(index, &clock));
                self.say_prompt_to(person, Priority::Prompt, before.join(" "));
            }
            return;
        }
        if !self.state.is_open(index) {
            before.push(self.to_person(person, self.once_more(index)));
            return self.say_prompt_to(person, Priority::Prompt, before.join(" "));
        }
        self.work_goes_on();
        if self.introduce(person, index, &mut before) {
            before.extend(self.rest_offered(person, index));
        }
        let stretch = self.state.stretch_of(person).to_vec();
        if !stretch.is_empty() {
            let cautions: Vec<String> =
                stretch.iter().map(|&step| self.once_for(person, &self.job.step(step).caution.clone())).collect();
            let named = std::mem::take(&mut self.just_answered) != Some(person);
            return self.say_stretch(
                person,
                before,
                joined(&cautions.iter().map(String::as_str).collect::<Vec<_>>()).as_str(),
                named,
            );
        }
        let asked = self.asked_first(person, index);
        // Asked in the same breath what they have just said, nobody would say it again.
        let given = self.just_answered.is_some_and(|by| self.state.was_given(&self.job, index, by));
        for text in self.remarks_text(index) {
            before.push(self.once_for(asked, &text));
        }
        before.retain(|text| !text.is_empty());
        let caution = self.once_for(asked, &step.caution);
        let call = if given { String::new() } else { self.call_for(asked, index) };
        // Whoever has just answered is still being spoken with.
        let named = match std::mem::take(&mut self.just_answered) {
            Some(other) if other == asked => call.clone(),
            _ => self.to_person(asked, call.clone()),
        };
        if call.is_empty() {
            before.push(caution);
            before.retain(|text| !text.is_empty());
            self.say(Audience::Person(asked), Priority::Caution, before.join(" "));
            if !step.caution.is_empty() {
                self.say_beside(asked, index, &step.caution);
            }
            return self.pass_turn(index);
        }
        self.say_call(asked, &before, &caution, &named);
        if self.is_told_briefly(asked, index) {
            // Whoever has it said again did not know by the short form what to answer.
            let whole = format!("{} {}", step.caution, self.to_person(asked, self.asking_text(index)));
            self.remember(Audience::Person(asked), whole.trim());
        }
        self.say_beside(asked, index, format!("{caution} {call}").trim());
        if self.state.is_announced(&self.job, index) {
            self.pass_turn(index);
        }
    }

    /// The text, unless this person has heard it in this run. Whoever is at their station hears it too.
    fn once_for(&mut self, person: PersonIndex, text: &str) -> String {
        // A card may be called for twice, and what can hurt there is said each time.
        if self.state.card.is_some() {
            return text.to_owned();
        }
        if text.is_empty() || self.briefed[person].told.iter().any(|heard| heard == text) {
            return String::new();
        }
        for other in self.people_at(self.station_of(person)) {
            self.briefed[other].told.push(text.to_owned());
        }
        text.to_owned()
    }

    /// What one is asked for in a step for all is heard by the others wherever they are, with the name of who is asked.
    pub(in crate::engine) fn say_beside(&mut self, asked: PersonIndex, index: StepIndex, text: &str) {
        let mut told = vec![self.station_of(asked)];
        for other in self.state.here().collect::<Vec<_>>() {
            let station = self.station_of(other);
            if self.state.people[other].current == Some(index) && !told.contains(&station) {
                told.push(station);
                let name = &self.state.people[asked].name;
                let text = self.book.line(Line::ToPerson, &[("name", name), ("text", text)]);
                self.say_useful(Audience::Station(station), Priority::Prompt, text);
            }
        }
    }

    fn say_call(&mut self, person: PersonIndex, before: &[String], caution: &str, call: &str) {
        let to = Audience::Person(person);
        let mut text = before.to_vec();
        let speeches = if caution.is_empty() {
            text.push(call.to_owned());
            vec![self.say(to, Priority::Prompt, text.join(" "))]
        } else {
            text.push(caution.to_owned());
            vec![self.say(to, Priority::Caution, text.join(" ")), self.say(to, Priority::Prompt, call.to_owned())]
        };
        self.prompted(speeches, person);
        let useful = if caution.is_empty() { call.to_owned() } else { format!("{caution} {call}") };
        self.remember(to, &useful);
    }

    /// What a routine, and then a section, is called when its first step comes. Whether another section begins.
    fn introduce(&mut self, person: PersonIndex, index: StepIndex, before: &mut Vec<String>) -> bool {
        let part = self.job.part_of(index);
        let section = self.job.step(index).section;
        if !self.introduced[part] {
            self.introduced[part] = true;
            before.push(self.job.parts[part].intro.clone());
            // The first section is named by the introduction.
            self.briefed[person].section = Some(section);
        }
        let last = self.briefed[person].section.replace(section);
        let begins = last.is_some_and(|last| last != section);
        // Whoever knows their part knows where they are in it.
        if begins && !self.is_told_briefly(person, index) {
            let title = format!("{}.", capital(&self.job.routine.sections[section].title));
            before.push(self.once_for(person, &title));
        }
        before.retain(|text| !text.is_empty());
        begins
    }

    /// For the practised the short form, and the words to answer the first time that a kind of answer comes. For a beginner what to do
    /// and how; where they have heard how, and harm can come of it, how one knows that it is right; and the question last.
    fn call_for(&mut self, person: PersonIndex, index: StepIndex) -> String {
        let step = self.job.step(index).clone();
        let brief = self.is_told_briefly(person, index);
        let how = if brief { String::new() } else { self.once_for(person, &step.how) };
        let kind_of = std::mem::discriminant(&step.answer);
        let first = !self.briefed[person].kinds.contains(&kind_of);
        if first {
            for other in self.people_at(self.station_of(person)) {
                self.briefed[other].kinds.push(kind_of);
            }
        }
        if let Answer::Both(both) = &step.answer {
            let begins = !self.state.turns.contains_key(&index) && both.turns[0].short.is_empty();
            let short = brief && !first && begins && step.short != step.call;
            return if short { capital(&step.short) } else { joined(&[&how, &self.turn_text(person, index)]) };
        }
        let (action, words) = split_answer(&step.call, &self.answer_words(index));
        let digits = match &step.answer {
            Answer::Number(number) if super::super::answer::numbers::by_digits(number) => {
                self.book.line(Line::DigitFirst, &[])
            }
            _ => String::new(),
        };
        let (words, digits) = match &step.answer {
            // On an emergency card nobody is left to remember what to say.
            _ if self.state.card.is_some() => (words, digits.as_str()),
            Answer::Choice(_) if brief => ("", ""),
            Answer::Done { .. } if !first => ("", ""),
            _ if brief && !first => ("", ""),
            _ => (words, digits.as_str()),
        };
        if brief && step.short != step.call {
            return joined(&[&capital(&step.short), words, digits]);
        }
        if brief {
            return joined(&[&step.call, digits]);
        }
        let check = if step.critical() && how.is_empty() { self.once_for(person, &step.check) } else { String::new() };
        let check = match check.as_str() {
            "" => check,
            check => self.book.line(Line::Checked, &[("check", &small(check))]),
        };
        joined(&[action, &how, &check, words, digits])
    }

    /// Whether the person gets the short form of a step: they know their part, or time is short and no harm can come of it.
    pub(in crate::engine) fn is_told_briefly(&self, person: PersonIndex, index: StepIndex) -> bool {
        let step = self.job.step(index);
        self.state.people[person].knows(step.role) || self.pace == Timeliness::Late && !step.critical()
    }

    /// Every phrase that may stand in the part of a call that says what to answer.
    pub(in crate::engine) fn answer_words(&self, index: StepIndex) -> Vec<String> {
        let answer = &self.job.step(index).answer;
        let own = answer.phrases().into_iter().flatten().cloned();
        own.chain(kind(answer).common_words(&self.book)).collect()
    }

    /// Who is asked first for a step that several hold.
    pub(in crate::engine) fn asked_first(&self, person: PersonIndex, index: StepIndex) -> PersonIndex {
        let asked = |&other: &PersonIndex| {
            self.state.people[other].current == Some(index) && self.state.is_asked(&self.job, other, index)
        };
        std::iter::once(person).chain(self.state.here()).find(asked).unwrap_or(person)
    }

    fn tell(&mut self, person: PersonIndex, step: StepIndex, times: u32) {
        let mut text = std::mem::take(&mut self.talk_of_mut(person).lead_in);
        self.introduce(person, step, &mut text);
        let asked = self.job.step(step);
        text.extend([&asked.caution, &asked.call].into_iter().filter(|text| !text.is_empty()).cloned());
        if !self.is_told_briefly(person, step) {
            text.push(asked.how.clone());
        }
        text.retain(|text| !text.is_empty());
        let useful = format!("{} {}", asked.caution, asked.call);
        self.remember(self.told_to(person), useful.trim());
        self.tell_text(person, step, text.join(" "), times);
    }

    /// What a card tells concerns everybody.
    fn told_to(&self, person: PersonIndex) -> Audience {
        if self.state.card.is_some() { Audience::All } else { Audience::Person(person) }
    }

    fn tell_text(&mut self, person: PersonIndex, step: StepIndex, text: String, left: u32) {
        let priority = if self.state.card.is_some() { Priority::Alarm } else { Priority::Prompt };
        let until = self.now + longest_saying(&text);
        let speech = self.say(self.told_to(person), priority, text);
        self.alarms.tell(Telling { step, person, speech, left }, until);
    }

    /// It has been said once; it counts when it has been said as often as it must be.
    pub(in crate::engine) fn told_once(&mut self, speech: SpeechId) {
        let Some(telling) = self.alarms.told(speech) else { return };
        if telling.left > 1 {
            let text = self.job.step(telling.step).call.clone();
            self.tell_text(telling.person, telling.step, text, telling.left - 1);
        } else {
            self.turn_to(telling.person);
            let step = self.step_id(telling.step);
            self.commit(Event::StepAnswered { step, answer: String::new(), heard: HeardAs::Clock });
        }
    }

    /// There is nothing that this person could do now; said once.
    fn nothing_for(&mut self, person: PersonIndex) {
        let told = std::mem::replace(&mut self.briefed[person].waiting, Waiting::Told);
        let silent = self.state.alone() || self.state.standing_by || self.state.card.is_some();
        if told == Waiting::Told || silent || self.state.people[person].current.is_some() {
            return;
        }
        let waits = self.waits_text(person);
        if !waits.is_empty() {
            let mut text = std::mem::take(&mut self.talk_of_mut(person).lead_in);
            text.push(if self.has_own_ear(person) { capital(&waits) } else { self.to_person(person, waits) });
            self.say(Audience::Person(person), Priority::Prompt, text.join(" "));
        }
    }

    /// For whom somebody waits who has nothing; empty where nobody has anything.
    pub(in crate::engine) fn waits_text(&self, person: PersonIndex) -> String {
        let busy = self.state.here().filter(|&other| other != person && self.state.people[other].current.is_some());
        let and = format!(" {} ", self.book.word(Word::And));
        let names = busy.map(|other| self.state.people[other].name.clone()).collect::<Vec<_>>().join(&and);
        if names.is_empty() { String::new() } else { self.book.line(Line::Waits, &[("other", &names)]) }
    }

    /// Everybody's step once more, after the program was away.
    pub(in crate::engine) fn say_steps_again(&mut self) {
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
}

/// The parts that say something, one after the other.
fn joined(parts: &[&str]) -> String {
    parts.iter().map(|part| part.trim()).filter(|part| !part.is_empty()).collect::<Vec<_>>().join(" ")
}

/// With a small first letter, for a sentence that becomes part of another. "I" stays as it is.
fn small(text: &str) -> String {
    let mut letters = text.chars();
    match letters.next() {
        Some(first) if !text.starts_with("I ") => first.to_lowercase().chain(letters).collect(),
        _ => text.to_owned(),
    }
}
