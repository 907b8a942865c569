//! Answers to "how long", "what is left", "where are we" and their like, and the names that they are put together from.

use std::time::Duration;

use super::super::answer::untested;
use super::super::core::Engine;
use super::super::output::Priority;
use super::super::phrasebook::{Line, Word};
use super::super::state::RunningClock;
use super::capital;
use super::handover::FEW;
use crate::routine::{Answer, StepIndex};

impl Engine {
    /// Every clock by its name; without one what is left of the work.
    pub(in crate::engine) fn say_how_long(&mut self) {
        let clocks = self.running_text();
        let text = if clocks.is_empty() {
            let open: Vec<StepIndex> = self.state.open(&self.job).collect();
            let usual: Duration = open.iter().map(|step| self.job.step(*step).usual).sum();
            let minutes = usual.as_secs().div_ceil(60).max(1).to_string();
            self.book.line(Line::NoClock, &[("count", &self.steps_text(open.len())), ("minutes", &minutes)])
        } else {
            clocks.join(" ")
        };
        self.say_useful(self.here(), Priority::Prompt, text);
    }

    pub(in crate::engine) fn say_what_is_left(&mut self) {
        // What is asked for now comes first, and then what comes next in the order of the file.
        let current = self.current();
        let mut open: Vec<StepIndex> = self.state.not_done(&self.job).collect();
        open.sort_by_key(|&step| (Some(step) != current, step));
        let count = self.steps_text(open.len());
        let text = match open.len() {
            0 => self.book.line(Line::LeftNone, &[]),
            1..=FEW => self.book.line(Line::Left, &[("count", &count), ("names", &self.names(&open))]),
            _ => self.book.line(Line::LeftMore, &[("count", &count), ("names", &self.names(&open[..FEW]))]),
        };
        self.say_useful(self.here(), Priority::Prompt, text);
    }

    pub(in crate::engine) fn say_where(&mut self) {
        let step = self.current().unwrap_or(0);
        let (number, count) = self.place_of(step);
        let part = &self.job.parts[self.job.part_of(step)];
        let text = self.book.line(
            Line::Where,
            &[
                ("title", &capital(&part.title)),
                ("section", &self.job.routine.sections[self.job.step(step).section].title),
                ("step", &number.to_string()),
                ("steps", &count.to_string()),
                ("last", &self.last_name()),
                ("call", &self.asking_text(step)),
            ],
        );
        self.say_prompt(text);
    }

    /// Which step of how many it is, within its routine, both from 1.
    pub(in crate::engine) fn place_of(&self, step: StepIndex) -> (usize, usize) {
        let steps = &self.job.parts[self.job.part_of(step)].steps;
        (step - steps.start + 1, steps.len())
    }

    pub(in crate::engine) fn say_what_can_be_answered(&mut self) {
        let text = if self.state.standing_by {
            self.book.line(Line::CanSayStanding, &[])
        } else {
            let step = self.current().map(|step| self.step_now(self.focus(), step));
            let way_out = step.and_then(|now| untested(&now)).map(|spoken| spoken.phrases[0].clone());
            let or = format!(", {} ", self.book.word(Word::Or));
            let answers = std::iter::once(self.answers_text()).chain(way_out).collect::<Vec<_>>().join(&or);
            self.book.line(Line::CanSay, &[("answers", &answers)])
        };
        self.say_useful(self.here(), Priority::Prompt, text);
    }

    pub(in crate::engine) fn standing_by_text(&self) -> String {
        match self.state.clocks.keys().next().map(|step| &self.job.step(*step).answer) {
            Some(Answer::Clock(clock)) => self.book.line(Line::StandingByClock, &[("clock", &clock.name)]),
            _ => self.book.line(Line::StandingBy, &[]),
        }
    }

    /// What "stop" is answered with: of water that still runs it is only the voice that waits.
    pub(in crate::engine) fn held_text(&self) -> String {
        let hazard = self.state.clocks.keys().find_map(|step| match &self.job.step(*step).answer {
            Answer::Clock(clock) if clock.hazard() => Some(clock),
            _ => None,
        });
        match hazard {
            Some(clock) => {
                let end = clock.end.first().map_or("", String::as_str);
                self.book.line(Line::HeldClock, &[("clock", &clock.name), ("end", end)])
            }
            None => self.book.line(Line::Held, &[]),
        }
    }

    /// What is said when one goes on: after a long pause also the section and the last confirmed step.
    pub(in crate::engine) fn went_ahead_text(&self, long: bool) -> String {
        let step = self.current().or_else(|| self.state.next_for(&self.job, self.focus())).unwrap_or(0);
        let call = match self.state.clocks.get(&step) {
            Some(clock) => self.clock_goes_on(step, clock),
            None => self.to_person(self.focus(), self.asking_text(step)),
        };
        if !long {
            return call;
        }
        let section = self.section_title(step);
        self.book
            .line(Line::WentAhead, &[("section", &capital(&section)), ("last", &self.last_name()), ("call", &call)])
    }

    pub(in crate::engine) fn resumed_text(&self) -> String {
        let step = self.current().or_else(|| self.state.next_for(&self.job, self.focus())).unwrap_or(0);
        let title = &self.job.parts[self.job.part_of(step)].title;
        if self.state.trail.is_empty() {
            return self.book.line(Line::ResumedFresh, &[("title", title)]);
        }
        let section = &self.job.routine.sections[self.job.step(step).section].title;
        self.book.line(Line::Resumed, &[("title", title), ("section", section), ("last", &self.last_name())])
    }

    /// The section; in a move the routine before it.
    fn section_title(&self, step: StepIndex) -> String {
        let section = &self.job.routine.sections[self.job.step(step).section].title;
        match self.job.is_move() {
            true => format!("{}, {section}", self.job.parts[self.job.part_of(step)].title),
            false => section.clone(),
        }
    }

    pub(in crate::engine) fn call_of(&self, step: StepIndex) -> String {
        self.job.step(step).call.clone()
    }

    /// What asks for the step at this moment: its call, the turn of a signal that has come, or that it is asked once more.
    pub(in crate::engine) fn asking_text(&self, step: StepIndex) -> String {
        if self.job.is_gate(step) {
            return String::new();
        }
        if !self.state.is_open(step) {
            return self.once_more(step);
        }
        let stretch = self.state.holder(step).filter(|&person| !self.state.stretch_of(person).is_empty());
        if let Some(person) = stretch {
            return self.stretch_text(person);
        }
        match self.job.step(step).answer {
            Answer::Both(_) => self.turn_call(step),
            _ => self.call_of(step),
        }
    }

    pub(in crate::engine) fn names(&self, steps: &[StepIndex]) -> String {
        steps.iter().map(|step| self.job.step(*step).name.as_str()).collect::<Vec<_>>().join(", ")
    }

    pub(in crate::engine) fn steps_text(&self, count: usize) -> String {
        format!("{count} {}", self.book.word(if count == 1 { Word::Step } else { Word::Steps }))
    }

    /// The answers that are asked for, joined by "or".
    pub(in crate::engine) fn answers_text(&self) -> String {
        let or = format!(", {} ", self.book.word(Word::Or));
        let answers = self.answers_at(self.at);
        match answers.len() {
            0..=MOST_ANSWERS => answers.join(&or),
            // Readings: nobody wants to hear every number.
            _ => self.number_text(),
        }
    }

    /// The same with another wording of each answer, where it has one that shares no word with the first: in noise "water off" is hard to
    /// tell from "water on", and "tap shut" from nothing.
    pub(in crate::engine) fn answers_in_all_words(&self) -> String {
        let answers = self.answers_at(self.at);
        if answers.len() > MOST_ANSWERS {
            return self.answers_text();
        }
        let words = |text: &str| text.split(' ').map(str::to_owned).collect::<Vec<_>>();
        let all = answers.iter().flat_map(|answer| {
            let first = words(answer);
            let is_other = |wording: &&str| words(wording).iter().all(|word| !first.contains(word));
            [Some(answer.as_str()), self.wordings(answer).find(is_other)]
        });
        all.flatten().collect::<Vec<_>>().join(&format!(", {} ", self.book.word(Word::Or)))
    }

    fn number_text(&self) -> String {
        match self.current().map(|step| &self.job.step(step).answer) {
            Some(Answer::Number(number)) => self.book.line(Line::NotTaken, &[("name", &number.name)]),
            _ => self.answers_at(self.at).into_iter().take(MOST_ANSWERS).collect::<Vec<_>>().join(", "),
        }
    }

    pub(in crate::engine) fn last_name(&self) -> String {
        let last = self.state.trail.last().map(|settled| settled.step);
        last.map_or_else(|| self.book.line(Line::NothingYet, &[]), |step| self.job.step(step).name.clone())
    }

    pub(in crate::engine) fn clock_text(&self, name: &str, clock: &RunningClock) -> String {
        let name = capital(name);
        if clock.ends() > self.now && !clock.ran_out {
            let left = self.book.span(clock.ends().since(self.now));
            self.book.line(Line::ClockLeft, &[("name", &name), ("left", &left)])
        } else {
            let over = self.book.span(self.now.since(clock.ends()));
            self.book.line(Line::ClockOver, &[("name", &name), ("over", &over)])
        }
    }

    pub(in crate::engine) fn clock_goes_on(&self, step: StepIndex, clock: &RunningClock) -> String {
        let Answer::Clock(answer) = &self.job.step(step).answer else {
            return String::new();
        };
        let left = self.book.span(clock.ends().since(self.now));
        self.book.line(Line::ClockGoesOn, &[("name", &answer.name), ("left", &left)])
    }
}

/// More answers than this are not read out one by one.
const MOST_ANSWERS: usize = 12;
