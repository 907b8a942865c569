//! A stretch in words: one call for several steps, one answer for all of them or for all but some, each recorded by itself.

use std::collections::{BTreeMap, BTreeSet};

use super::super::core::Engine;
use super::super::event::{Event, HeardAs};
use super::super::output::{Audience, Priority};
use super::super::people::PersonIndex;
use super::super::phrasebook::{Common, Line, Phrasebook};
use super::capital;
use crate::routine::{Answer, Step, StepIndex};

impl Engine {
    /// Offers a stretch to one person.
    pub(in crate::engine) fn offer_stretch(&mut self, person: PersonIndex, stretch: &[StepIndex]) {
        let steps: Vec<String> = stretch.iter().map(|&step| self.step_id(step)).collect();
        if !self.state.alone() {
            let name = self.state.people[person].name.clone();
            self.commit(Event::StepAssigned { step: steps[0].clone(), person: name });
        }
        self.commit(Event::StretchOffered { steps });
    }

    /// "Worktops clear? Drawers shut? All done?"
    pub(in crate::engine) fn stretch_text(&self, person: PersonIndex) -> String {
        let calls = self.state.stretch_of(person).iter().map(|&step| capital(&self.job.step(step).short));
        self.book.line(Line::Stretch, &[("calls", &calls.collect::<Vec<_>>().join(" "))])
    }

    /// Says what comes before the first of its steps, every caution that was not heard yet, and the calls.
    pub(in crate::engine) fn say_stretch(
        &mut self,
        person: PersonIndex,
        before: Vec<String>,
        cautions: &str,
        named: bool,
    ) {
        let text = self.stretch_text(person);
        let call = if named { self.to_person(person, text.clone()) } else { text.clone() };
        let first = !self.briefed[person].told.contains(&STRETCH.to_owned());
        let words = if first { self.book.line(Line::StretchWords, &[]) } else { String::new() };
        for other in self.people_at(self.station_of(person)).into_iter().filter(|_| first) {
            self.briefed[other].told.push(STRETCH.to_owned());
        }
        let parts = before.iter().map(String::as_str).chain([cautions, &call, &words]);
        let whole = parts.filter(|part| !part.is_empty()).collect::<Vec<_>>().join(" ");
        let priority = if cautions.is_empty() { Priority::Prompt } else { Priority::Caution };
        self.say_prompt_to(person, priority, whole);
        let again = format!("{text} {}", self.book.line(Line::StretchWords, &[]));
        self.remember(Audience::Person(person), &again);
    }

    /// Whatever may be said of the stretches of this run, as far as it can be known before it begins.
    pub fn said_of_stretches(&self) -> BTreeSet<String> {
        let mut places: BTreeMap<(usize, &str), Vec<(StepIndex, &str)>> = BTreeMap::new();
        for (step, asked) in self.job.routine.steps.iter().enumerate() {
            let place = (self.job.part_of(step), asked.place.as_str());
            places.entry(place).or_default().push((step, asked.name.as_str()));
        }
        let said = |names: &Vec<(StepIndex, &str)>| phrases(&self.book, names).into_iter().flat_map(|(said, _)| said);
        places.values().flat_map(said).collect()
    }

    /// All of a stretch is done, but these: each goes on record by itself, and those are asked for one by one.
    pub(in crate::engine) fn stretch_done(&mut self, person: PersonIndex, but: &[StepIndex], heard: &HeardAs) {
        let stretch = self.state.stretch_of(person).to_vec();
        if stretch.is_empty() {
            return;
        }
        self.forget_reminder(person);
        // What hangs on a step that is not done is not done either, whatever was said.
        let mut left: Vec<StepIndex> = Vec::new();
        for &step in &stretch {
            if but.contains(&step) || self.job.before[step].iter().any(|before| left.contains(before)) {
                left.push(step);
            }
        }
        for &step in stretch.iter().filter(|step| !left.contains(step)) {
            let answer = wanted(&self.book, self.job.step(step));
            self.commit(Event::StepAnswered { step: self.step_id(step), answer, heard: heard.clone() });
        }
        let Some(&left) = left.first() else { return };
        let names = self.names(but);
        self.lead_in(person, self.book.line(Line::StretchBut, &[("names", &names)]));
        if !self.state.alone() {
            let name = self.state.people[person].name.clone();
            self.commit(Event::StepAssigned { step: self.step_id(left), person: name });
        }
        self.commit(Event::StepOffered { step: self.step_id(left) });
    }
}

/// What may be said of a stretch as a whole, with the steps that it leaves out.
pub(super) fn phrases(book: &Phrasebook, names: &[(StepIndex, &str)]) -> Vec<(Vec<String>, Vec<StepIndex>)> {
    let spoken = |name: &str| {
        let kept: String =
            name.to_lowercase().chars().filter(|c| c.is_alphanumeric() || matches!(c, ' ' | '\'')).collect();
        kept.split_whitespace().collect::<Vec<_>>().join(" ")
    };
    let mut found = vec![(book.common(Common::AllDone).to_vec(), Vec::new())];
    for (place, &(step, name)) in names.iter().enumerate() {
        found.push((book.all_but(&spoken(name)), vec![step]));
        for &(other, other_name) in &names[place + 1..] {
            let both = book.both_names(&spoken(name), &spoken(other_name));
            found.push((both.iter().flat_map(|names| book.all_but(names)).collect(), vec![step, other]));
        }
    }
    found
}

/// The answer that a step asks for, as it is said back.
fn wanted(book: &Phrasebook, step: &Step) -> String {
    match &step.answer {
        Answer::State(state) => state.want[0].clone(),
        Answer::Done { also } => also.first().cloned().unwrap_or_else(|| book.common(Common::Done)[0].clone()),
        _ => String::new(),
    }
}

/// Stands for the words to answer a stretch among what somebody has been told.
const STRETCH: &str = "{stretch}";
