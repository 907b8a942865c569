//! What there is to see. Derived at any moment from the state; nothing is decided here.

use super::core::Engine;
use super::output::{ClockView, View};
use super::people::PersonIndex;
use super::phrasebook::{Command, Common, Line, Reason};
use super::state::RunningClock;
use super::vocabulary::{Asking, Entry, Meaning, Reply, is_asked};
use crate::routine::Answer;
use crate::units::SessionTime;

/// What the person is being asked for at the moment.
#[derive(Clone, Debug, PartialEq)]
pub struct Asked {
    pub step: String,
    /// Another number is another question, even of the same step.
    pub question: u64,
    pub kind: AskedFor,
    /// What the step usually takes.
    pub usual: std::time::Duration,
}

#[derive(Clone, Debug, PartialEq)]
pub enum AskedFor {
    /// Any of these answers the step; the first is the one that is asked for. For a reading it is one within the bounds.
    Answer(Vec<String>),
    /// A yes or a no; asked for the n-th time in this run, from 0.
    YesOrNo {
        round: u32,
        yes: String,
        no: String,
    },
    /// Whether this phrase was heard right.
    HeardRight {
        phrase: String,
        yes: String,
        no: String,
    },
    ClockStart(String),
    /// A clock runs: what ends it, unless it ends by itself, and whether its time is up.
    ClockEnd {
        end: Option<String>,
        ringing: bool,
    },
    /// A choice, a way to go on, or nothing: whatever may be said.
    Other(Vec<String>),
}

impl Engine {
    /// What whoever was spoken with last is being asked for at `now`.
    pub fn asked(&self, now: SessionTime) -> Asked {
        let person = self.asked_now().map_or(self.state.focus, |(person, _)| person);
        self.asked_of(person, now)
    }

    /// What each of those who take part is being asked for at `now`, by name; who has nothing to answer is left out.
    pub fn asked_by_all(&self, now: SessionTime) -> Vec<(String, Asked)> {
        let asked = self.state.here().filter(|&person| {
            let step = self.state.people[person].current;
            step.is_some_and(|step| is_asked(&self.job, &self.state, person, step))
        });
        asked.map(|person| (self.state.people[person].name.clone(), self.asked_of(person, now))).collect()
    }

    fn asked_of(&self, person: PersonIndex, now: SessionTime) -> Asked {
        let first = |common: Common| self.book.common(common)[0].clone();
        let current = self.state.people[person].current;
        let step = current.map(|index| self.job.step(index));
        let clock = current.and_then(|index| self.state.clocks.get(&index));
        let checking = current.is_some_and(|index| !self.state.is_open(index));
        let kind = match (&self.asking, step.map(|step| &step.answer)) {
            (Asking::Thin { heard, .. }, _) => {
                let phrase = match heard {
                    super::event::HeardAs::Voice { phrase, .. } => phrase.clone(),
                    _ => String::new(),
                };
                AskedFor::HeardRight { phrase, yes: first(Common::Yes), no: first(Common::No) }
            }
            _ if self.holding.as_ref().is_some_and(|holding| Some(holding.step) == current) => {
                AskedFor::Other(Vec::new())
            }
            _ if self.state.standing_by => AskedFor::Other(self.book.command(Command::GoAhead).to_vec()),
            (Asking::Step | Asking::Gate, Some(answer)) => match answer {
                Answer::Done { .. } if checking => AskedFor::Answer(vec![first(Common::Yes)]),
                Answer::Done { also } => {
                    AskedFor::Answer(also.iter().chain(self.book.common(Common::Done)).cloned().collect())
                }
                Answer::State(state) => AskedFor::Answer(state.want.clone()),
                Answer::Clock(answer) => match clock {
                    Some(clock) => AskedFor::ClockEnd {
                        end: answer.end.first().cloned(),
                        ringing: clock.ran_out || clock.ends() <= now,
                    },
                    None => AskedFor::ClockStart(answer.start[0].clone()),
                },
                Answer::YesNo(question) if question.back.is_some() => AskedFor::YesOrNo {
                    round: current.and_then(|index| self.state.rounds.get(&index)).copied().unwrap_or(0),
                    yes: first(Common::Yes),
                    no: first(Common::No),
                },
                // There is nothing to be gone back to: whoever answers at random says that all is well.
                Answer::YesNo(_) => AskedFor::Answer(vec![first(Common::Yes)]),
                Answer::Hold(hold) => AskedFor::Answer(hold.ready.clone()),
                Answer::Choice(choice) => {
                    let good = choice.options.iter().filter(|option| option.settles);
                    AskedFor::Answer(good.flat_map(|option| option.say.clone()).collect())
                }
                Answer::Both(both) => {
                    let turn = current.and_then(|index| self.state.turns.get(&index)).copied().unwrap_or(0);
                    AskedFor::Answer(both.turns[turn.min(both.turns.len() - 1)].say.clone())
                }
                Answer::Number(number) => {
                    let middle = number.least + (number.most - number.least) / 2;
                    let middle = middle - (middle - number.gauge.0).rem_euclid(number.resolution.max(1));
                    AskedFor::Answer(super::numbers::spoken(
                        middle.clamp(number.gauge.0, number.gauge.1),
                        number.decimals,
                        self.book.numbers(),
                    ))
                }
                Answer::Told { .. } | Answer::Gate => AskedFor::Other(Vec::new()),
            },
            _ => AskedFor::Other(self.answers_now()),
        };
        Asked {
            step: step.map(|step| step.id.clone()).unwrap_or_default(),
            question: self.question,
            kind,
            usual: step.map(|step| step.usual).unwrap_or_default(),
        }
    }

    /// What the screen shows at `now`.
    pub fn view(&self, now: SessionTime) -> View {
        let now = now.max(self.now);
        let mut view = View { last_heard: self.last_heard.clone(), ..View::default() };
        view.routine.clone_from(&self.job.routine.title);
        let asked = self.asked_now();
        if let Some(index) = asked.map(|(_, step)| step).or_else(|| self.state.current()) {
            let step = self.job.step(index);
            view.routine.clone_from(&self.job.parts[self.job.part_of(index)].title);
            view.section.clone_from(&self.job.routine.sections[step.section].title);
            view.step = self.place_of(index);
            view.call.clone_from(&step.short);
            view.caution.clone_from(&step.caution);
            (view.confirm_key, view.other_key) = self.key_words(index);
        }
        if !self.state.alone() {
            let person = asked.map_or(self.state.focus, |(person, _)| person);
            view.who.clone_from(&self.state.people[person].name);
            for other in self.state.here().filter(|&other| other != person) {
                let step = self.state.people[other].current;
                let call = step.map(|step| self.job.step(step).short.clone()).unwrap_or_default();
                view.beside.push((self.state.people[other].name.clone(), call));
            }
        }
        view.choices = self.choices();
        for (step, clock) in &self.state.clocks {
            if let Answer::Clock(answer) = &self.job.step(*step).answer {
                view.clocks.push(clock_view(&answer.name, clock, answer.hazard(), now));
            }
        }
        view.clocks.extend(self.state.timers.iter().map(|(name, timer)| clock_view(name, timer, false, now)));
        view.can_say = self.answers_now();
        view.can_say.truncate(MOST_SHOWN);
        view.can_say.extend(SHOWN.iter().map(|&command| self.book.command(command)[0].clone()));
        let mut notice = |shown: bool, line: Line| {
            if shown {
                view.notices.push(self.book.line(line, &[]));
            }
        };
        notice(self.state.standing_by, Line::Standing);
        notice(self.journal_failed, Line::JournalFailed);
        notice(self.hearing_lost, Line::HearingLost);
        view
    }

    /// What the confirm key and the other key would answer.
    fn key_words(&self, index: usize) -> (String, String) {
        let first = |common: Common| self.book.common(common)[0].clone();
        let running = self.state.clocks.contains_key(&index);
        match (&self.asking, &self.job.step(index).answer) {
            (Asking::Thin { .. } | Asking::EndRun | Asking::Timer(_) | Asking::CheckAgain, _)
            | (Asking::Step, Answer::YesNo(_)) => (first(Common::Yes), first(Common::No)),
            (Asking::SkipReason { .. } | Asking::Who { .. } | Asking::Note { .. }, _) => {
                (String::new(), self.book.command(Command::NeverMind)[0].clone())
            }
            (_, Answer::Done { .. }) if !self.state.is_open(index) => (first(Common::Yes), first(Common::No)),
            (_, Answer::Done { also }) => (also.first().cloned().unwrap_or_else(|| self.done_word()), String::new()),
            (_, Answer::State(state)) => (state.want[0].clone(), state.other[0].clone()),
            (_, Answer::Clock(clock)) if running => (clock.end.first().cloned().unwrap_or_default(), String::new()),
            (_, Answer::Clock(clock)) => (clock.start[0].clone(), String::new()),
            (_, Answer::Hold(hold)) => (hold.ready[0].clone(), String::new()),
            (_, Answer::Both(both)) => {
                let turn = self.state.turns.get(&index).copied().unwrap_or(0).min(both.turns.len() - 1);
                let halt = both.turns.iter().find_map(|turn| turn.halt.first()).cloned().unwrap_or_default();
                (both.turns[turn].say[0].clone(), halt)
            }
            (_, Answer::Number(_)) if !self.digits.is_empty() => {
                (self.book.numbers().end[0].clone(), self.book.command(Command::NeverMind)[0].clone())
            }
            _ => (String::new(), String::new()),
        }
    }

    fn choices(&self) -> Vec<String> {
        match &self.asking {
            Asking::SkipReason { .. } => {
                Reason::ALL.iter().map(|&reason| self.book.reason(reason)[0].clone()).collect()
            }
            Asking::Who { .. } => self.state.here().map(|person| self.state.people[person].name.clone()).collect(),
            _ => match self.asked_now().map(|(_, step)| &self.job.step(step).answer) {
                Some(Answer::Choice(choice)) => choice.options.iter().map(|option| option.say[0].clone()).collect(),
                _ => Vec::new(),
            },
        }
    }

    /// What is to be shown before the program is closed while a clock guards a hazard; `None` where none does.
    pub fn leaves_a_hazard(&self) -> Option<String> {
        match &self.job.step(self.state.hazard(&self.job)?).answer {
            Answer::Clock(clock) => Some(self.book.line(Line::LeavesHazard, &[("name", &clock.name)])),
            _ => None,
        }
    }

    /// The notice that belongs on the screen while nothing can be said aloud.
    pub fn loudspeaker_lost(&self) -> String {
        self.book.line(Line::VoiceLost, &[])
    }

    /// The first phrase of each answer that is being asked for, in the order of the listening set.
    pub(super) fn answers_now(&self) -> Vec<String> {
        let mut groups = Vec::new();
        let mut answers = Vec::new();
        for entry in &self.entries {
            let answer = match &entry.meanings[0] {
                // While a clock runs, its start is no answer to anything.
                Meaning::ClockAgain(_) | Meaning::Card(_) | Meaning::Command(_) => false,
                Meaning::OverTo(_) | Meaning::TimerStart(_) => false,
                Meaning::ClockEnd(step) => self.state.clocks.contains_key(step),
                Meaning::To { answer: Reply::NoState, .. } => false,
                _ => true,
            };
            if answer && !groups.contains(&entry.phrase.group) {
                groups.push(entry.phrase.group);
                answers.push(entry.phrase.text.clone());
            }
        }
        answers
    }

    /// What may be said now and means the same as this.
    pub(super) fn wordings<'a>(&'a self, answer: &str) -> impl Iterator<Item = &'a str> {
        let group = self.entries.iter().find(|entry| entry.phrase.text == answer).map(|entry| entry.phrase.group);
        let same = move |entry: &&Entry| Some(entry.phrase.group) == group;
        self.entries.iter().filter(same).map(|entry| entry.phrase.text.as_str())
    }
}

fn clock_view(name: &str, clock: &RunningClock, hazard: bool, now: SessionTime) -> ClockView {
    let ended = clock.ran_out || clock.ends() <= now;
    ClockView {
        name: name.to_owned(),
        left: clock.ends().since(now),
        length: clock.length,
        over: now.since(clock.ends()),
        hazard,
        alarming: ended && hazard,
    }
}

/// Answers worth a place on the screen; of a reading nobody needs them all.
const MOST_SHOWN: usize = 8;

/// Commands worth a place on the screen, most used first.
const SHOWN: [Command; 11] = [
    Command::SayAgain,
    Command::Explain,
    Command::HowLong,
    Command::WhatIsLeft,
    Command::WhereAreWe,
    Command::StandBy,
    Command::Correction,
    Command::Skip,
    Command::Stop,
    Command::Note,
    Command::WhatCanISay,
];
