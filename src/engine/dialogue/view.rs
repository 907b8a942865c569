//! What there is to see at a station. Derived at any moment from the state; nothing is decided here.

use std::time::Duration;

use super::super::answer::{AskedFor, Reply, kind, numbers};
use super::super::core::Engine;
use super::super::event::HeardAs;
use super::super::output::{Audience, ClockView, KeyGroup, Output, Priority, View};
use super::super::people::PersonIndex;
use super::super::phrasebook::{Command, Common, Line, Reason};
use super::super::records::Journalling;
use super::super::state::RunningClock;
use super::Availability;
use super::capital;
use super::vocabulary::{Asking, ListenedPhrase, PhraseMeaning};
use crate::routine::{Answer, ClockAnswer, StepIndex};
use crate::units::{SessionTime, StationId};

/// What somebody is being asked for at the moment.
#[derive(Clone, Debug, PartialEq)]
pub struct Asked {
    /// The id of the step; empty where none is asked for.
    pub step: String,
    /// Another number is another question, even of the same step.
    pub question: u64,
    /// What would answer it.
    pub kind: AskedFor,
    /// What the step usually takes.
    pub usual: Duration,
}

impl Engine {
    /// What whoever was spoken with last at the station is being asked for at `now`.
    pub fn asked(&self, now: SessionTime, station: StationId) -> Asked {
        let person = self.asked_at(station).map_or_else(|| self.focus_at(station), |(person, _)| person);
        self.asked_of(person, now)
    }

    /// What each of those who take part is being asked for at `now`, by name; who has nothing to answer is left out.
    pub fn asked_by_all(&self, now: SessionTime) -> Vec<(String, Asked)> {
        if self.asks_how_it_stands() {
            let focus = self.state.focus;
            return vec![(self.state.people[focus].name.clone(), self.asked_of(focus, now))];
        }
        let asked = self.state.here().filter(|&person| {
            let step = self.state.people[person].current;
            step.is_some_and(|step| self.state.is_asked(&self.job, person, step))
        });
        asked.map(|person| (self.state.people[person].name.clone(), self.asked_of(person, now))).collect()
    }

    fn asked_of(&self, person: PersonIndex, now: SessionTime) -> Asked {
        let station = self.station_of(person);
        let talk = self.talks.get(station);
        let first = |common: Common| self.book.common(common)[0].clone();
        let current = self.state.people[person].current;
        let held = self.alarms.holding.as_ref().is_some_and(|holding| Some(holding.step) == current);
        let kind = match (&talk.asking, current) {
            (Asking::Thin { heard, .. }, _) => {
                let phrase = match heard {
                    HeardAs::Voice { phrase, .. } => phrase.clone(),
                    _ => String::new(),
                };
                AskedFor::HeardRight { phrase, yes: first(Common::Yes), no: first(Common::No) }
            }
            _ if held => AskedFor::Other(Vec::new()),
            _ if self.state.standing_by => AskedFor::Other(self.book.command(Command::GoAhead).to_vec()),
            (Asking::Step, None) if self.asks_how_it_stands() => {
                AskedFor::Answer(self.book.common(Common::Yes).to_vec())
            }
            (Asking::Step | Asking::Gate, Some(_)) if !self.state.stretch_of(person).is_empty() => {
                AskedFor::Answer(self.book.common(Common::AllDone).to_vec())
            }
            (Asking::Step | Asking::Gate, Some(step)) => {
                kind(&self.job.step(step).answer).asked_for(&self.step_now(person, step), now)
            }
            _ => AskedFor::Other(self.answers_at(station)),
        };
        let step = current.map(|step| self.job.step(step));
        Asked {
            step: step.map(|step| step.id.clone()).unwrap_or_default(),
            question: talk.question,
            kind,
            usual: step.map(|step| step.usual).unwrap_or_default(),
        }
    }

    /// What the screen of a station shows at `now`.
    pub fn view(&self, now: SessionTime, station: StationId) -> View {
        let now = now.max(self.now);
        let talk = self.talks.get(station);
        let said = talk.said.iter().cloned().collect();
        let cards = self.cards().map(|card| self.job.parts[card].title.clone()).collect();
        let (question, last_heard) = (talk.question, talk.last_heard.clone());
        let mut view = View { question, last_heard, said, cards, ..View::default() };
        self.show_step(station, &mut view);
        self.show_what_is_asked_back(station, &mut view);
        view.emergency = self.state.card.is_some();
        view.choices = self.choices(station);
        view.typed = self.typed(station);
        if let (Some(typed), Some((_, step))) = (&view.typed, self.asked_at(station))
            && let Answer::Number(number) = &self.job.step(step).answer
        {
            view.enters = numbers::entered(typed, number);
        }
        if view.critical && view.typed.is_none() && !view.choices.is_empty() {
            view.hold.push(KeyGroup::Choices);
        }
        for (&step, clock) in &self.state.clocks {
            if let Answer::Clock(answer) = &self.job.step(step).answer {
                let end = answer.end.first().cloned().unwrap_or_default();
                let hazard = answer.hazard();
                let alarming = hazard && (clock.ran_out || clock.ends() <= now);
                let plain = clock_view(&answer.name, clock, now);
                view.clocks.push(ClockView { step: Some(step), end, hazard, alarming, ..plain });
            }
        }
        view.clocks.extend(self.state.timers.iter().map(|(name, timer)| clock_view(name, timer, now)));
        view.can_say = self.answers_shown(station);
        view.can_say.extend(SHOWN.iter().map(|&command| self.book.command(command)[0].clone()));
        let mut notice = |shown: bool, line: Line| {
            if shown {
                view.notices.push(self.book.line(line, &[]));
            }
        };
        notice(self.state.standing_by, Line::Standing);
        notice(self.records.journal == Journalling::Failed, Line::JournalFailed);
        notice(talk.ear == Availability::Down, Line::HearingLost);
        notice(talk.mouth == Availability::Down, Line::VoiceLost);
        view
    }

    /// What a screen of one person's own shows at `now`: their own step, wherever they are asked. Where somebody else who shares the place is being
    /// asked there, it shows nothing that would answer for them.
    pub fn view_of(&self, now: SessionTime, name: &str) -> View {
        let station = self.asked_where(name);
        let mut view = self.view(now, station);
        let Some(person) = self.state.person(name).filter(|_| !self.is_asked_for(station, name)) else { return view };
        let View { question, clocks, last_heard, notices, said, cards, .. } = view;
        let routine = self.job.routine.title.clone();
        view = View { question, clocks, last_heard, notices, said, cards, routine, ..View::default() };
        match self.state.people[person].current {
            Some(step) => self.show_call(person, step, &mut view),
            None => view.call = capital(&self.waits_text(person)),
        }
        self.show_people(person, &mut view);
        view.can_say = SHOWN.iter().map(|&command| self.book.command(command)[0].clone()).collect();
        view
    }

    /// Whether what is being asked at the station is put to the person of this name; where nobody is named it is put to whoever is there.
    pub fn is_asked_for(&self, station: StationId, name: &str) -> bool {
        let person = self.asked_at(station).map_or_else(|| self.focus_at(station), |(person, _)| person);
        self.state.person(name).is_none_or(|own| own == person)
    }

    /// Where something else than the step is asked, it stands in place of the step's call: a key answers it.
    fn show_what_is_asked_back(&self, station: StationId, view: &mut View) {
        let talk = self.talks.get(station);
        if self.state.ended.is_some() {
            // Nothing is asked any more.
            (view.confirm_key, view.other_key) = (String::new(), String::new());
        }
        let call = match &talk.asking {
            _ if self.state.ended.is_some() => talk.said.back().cloned().unwrap_or_default(),
            Asking::Gate => self.gate_text().join(" "),
            asking if asking.is_asked_back() || matches!(asking, Asking::SkipReason { .. }) => talk.last_useful.clone(),
            _ => return,
        };
        view.call = call;
        view.caution.clear();
    }

    /// Answers that are worth a place on the screen, of whoever the keys answer for; of a reading what it should be.
    fn answers_shown(&self, station: StationId) -> Vec<String> {
        if let Some((_, step)) = self.asked_at(station)
            && let (Asking::Step, Answer::Number(number)) =
                (&self.talks.get(station).asking, &self.job.step(step).answer)
        {
            return vec![numbers::bounds(number)];
        }
        let mut answers = self.answers_at(station);
        answers.truncate(MOST_SHOWN);
        answers
    }

    /// What has been typed of the reading that is asked for at the station.
    fn typed(&self, station: StationId) -> Option<String> {
        let talk = self.talks.get(station);
        let (person, step) = self.asked_at(station)?;
        let reads = talk.asking == Asking::Step && !self.state.standing_by && !self.asks_how_it_stands();
        let number = matches!(self.job.step(step).answer, Answer::Number(_));
        (reads && number && self.state.stretch_of(person).is_empty()).then(|| talk.digits.clone())
    }

    fn show_call(&self, person: PersonIndex, index: StepIndex, view: &mut View) {
        let step = self.job.step(index);
        view.routine.clone_from(&self.job.parts[self.job.part_of(index)].title);
        view.section.clone_from(&self.job.routine.sections[step.section].title);
        view.step = self.place_of(index);
        view.critical = step.critical();
        view.call.clone_from(&step.short);
        view.caution.clone_from(&step.caution);
        match &step.answer {
            Answer::Number(number) => view.bounds = numbers::bounds(number),
            // Begun, it is to be ended, and not to be begun once more.
            Answer::Clock(answer) if self.state.clocks.contains_key(&index) => {
                view.call = self.clock_call(index, answer);
            }
            _ => {}
        }
        if !self.state.stretch_of(person).is_empty() {
            view.call = self.stretch_text(person);
        }
    }

    /// What is to be done about a clock that runs: to end it once it is over.
    fn clock_call(&self, step: StepIndex, answer: &ClockAnswer) -> String {
        let Some(end) = answer.end.first() else { return capital(&answer.name) };
        if self.state.clocks.get(&step).is_some_and(|clock| clock.ran_out || clock.ends() <= self.now) {
            let ends = self.book.line(Line::AlarmAnswer, &[("end", end)]);
            return format!("{} {ends}", answer.alarm_short);
        }
        self.book.line(Line::ClockFirst, &[("name", &answer.name), ("end", end)])
    }

    /// Whose step it is, and what the others are at.
    fn show_people(&self, person: PersonIndex, view: &mut View) {
        if self.state.alone() {
            return;
        }
        view.who.clone_from(&self.state.people[person].name);
        for other in self.state.here().filter(|&other| other != person) {
            let step = self.state.people[other].current;
            let call = step.map(|step| self.job.step(step).short.clone()).unwrap_or_default();
            view.beside.push((self.state.people[other].name.clone(), call));
        }
    }

    fn show_step(&self, station: StationId, view: &mut View) {
        view.routine.clone_from(&self.job.routine.title);
        if self.asks_how_it_stands() {
            view.call = self.how_it_stands_text();
            view.confirm_key = self.book.common(Common::Yes)[0].clone();
            view.other_key = self.book.common(Common::No)[0].clone();
        }
        let asked = self.asked_at(station);
        let current = self.state.people[self.focus_at(station)].current;
        let person = asked.map_or_else(|| self.focus_at(station), |(person, _)| person);
        if let Some(index) = asked.map(|(_, step)| step).or(current) {
            self.show_call(person, index, view);
            let (confirm, other) = (self.confirm(station), self.other(station));
            let words =
                |meaning: &Option<PhraseMeaning>| meaning.as_ref().map_or_else(String::new, |it| self.words_of(it));
            (view.confirm_key, view.other_key) = (words(&confirm), words(&other));
            let hurts = |meaning: Option<PhraseMeaning>| meaning.is_some_and(|it| self.can_hurt(station, &it));
            view.hold.extend(hurts(confirm).then_some(KeyGroup::Confirm));
            view.hold.extend(hurts(other).then_some(KeyGroup::Other));
        }
        self.show_people(person, view);
    }

    /// What a key answers, as one would say it.
    fn words_of(&self, meaning: &PhraseMeaning) -> String {
        let first = |phrases: &[String]| phrases.first().cloned().unwrap_or_default();
        match meaning {
            PhraseMeaning::Yes | PhraseMeaning::To { answer: Reply::Yes, .. } => first(self.book.common(Common::Yes)),
            PhraseMeaning::To { answer: Reply::Untested, .. } => first(self.book.common(Common::Untested)),
            PhraseMeaning::No | PhraseMeaning::To { answer: Reply::No, .. } => first(self.book.common(Common::No)),
            PhraseMeaning::To { answer: Reply::Wanted(text) | Reply::Other(text) | Reply::Halt(text), .. } => {
                text.clone()
            }
            PhraseMeaning::To { step, answer: Reply::ClockStart, .. } => match &self.job.step(*step).answer {
                Answer::Clock(clock) => first(&clock.start),
                _ => String::new(),
            },
            PhraseMeaning::ClockEnd(step) => match &self.job.step(*step).answer {
                Answer::Clock(clock) => first(&clock.end),
                _ => String::new(),
            },
            PhraseMeaning::NumberEnds => first(&self.book.numbers().end),
            PhraseMeaning::Thing(thing, stands) => self.book.thing(thing).said(*stands),
            PhraseMeaning::Stretch { .. } => first(self.book.common(Common::AllDone)),
            PhraseMeaning::Override => first(self.book.common(Common::Override)),
            PhraseMeaning::Command(command) => first(self.book.command(*command)),
            _ => String::new(),
        }
    }

    fn choices(&self, station: StationId) -> Vec<String> {
        match &self.talks.get(station).asking {
            Asking::SkipReason { .. } => {
                Reason::ALL.iter().map(|&reason| self.book.reason(reason)[0].clone()).collect()
            }
            Asking::Who { .. } => {
                self.people_at(station).iter().map(|&person| self.state.people[person].name.clone()).collect()
            }
            Asking::Step if self.asks_how_it_stands() => {
                self.state.recalled(&self.job).map(|(thing, stands)| self.book.thing(&thing).said(stands)).collect()
            }
            Asking::Step
                if self.asked_at(station).is_some_and(|(person, _)| !self.state.stretch_of(person).is_empty()) =>
            {
                let person = self.asked_at(station).map_or(0, |(person, _)| person);
                let name = |&step: &StepIndex| self.book.all_but(&self.job.step(step).name)[0].clone();
                self.state.stretch_of(person).iter().map(name).collect()
            }
            _ => self.asked_at(station).map_or_else(Vec::new, |(_, step)| kind(&self.job.step(step).answer).choices()),
        }
    }

    /// What is to be shown before the program is closed while a clock guards a hazard; `None` where none does.
    pub fn leaves_a_hazard(&self) -> Option<String> {
        match &self.job.step(self.state.hazard(&self.job)?).answer {
            Answer::Clock(clock) => Some(self.book.line(Line::LeavesHazard, &[("name", &clock.name)])),
            _ => None,
        }
    }

    /// Says aloud, everywhere and before anything else, which clock of a hazard runs; nothing where none does.
    pub(in crate::engine) fn name_what_is_left(&mut self) {
        let Some(step) = self.state.hazard(&self.job) else { return };
        if let Answer::Clock(clock) = &self.job.step(step).answer {
            let text = self.book.line(Line::Closing, &[("name", &capital(&clock.name))]);
            self.send(Audience::All, Output::Hush(Priority::Alarm));
            self.say(Audience::All, Priority::Alarm, text);
        }
    }

    /// The notice that belongs on the screen while nothing can be said aloud.
    pub fn loudspeaker_lost(&self) -> String {
        self.book.line(Line::VoiceLost, &[])
    }

    /// The notice of a station that hears nothing. A screen that hears nothing by its kind does without it.
    pub fn microphone_lost(&self) -> String {
        self.book.line(Line::HearingLost, &[])
    }

    /// What is said and shown when the sound of the run can be kept no longer.
    pub fn sound_is_not_kept(&self) -> String {
        self.book.line(Line::SoundNotKept, &[])
    }

    /// The notice that belongs on the screen while the machine does not keep up.
    pub fn machine_is_slow(&self) -> String {
        self.book.line(Line::Slow, &[])
    }

    /// The first phrase of each answer that is being asked for at a station, in the order of its listening set.
    pub(in crate::engine) fn answers_at(&self, station: StationId) -> Vec<String> {
        let mut groups = Vec::new();
        let mut answers = Vec::new();
        for entry in &self.talks.get(station).listening.entries {
            if self.is_answer(&entry.meanings[0]) && !groups.contains(&entry.phrase.group) {
                groups.push(entry.phrase.group);
                answers.push(entry.phrase.text.clone());
            }
        }
        answers
    }

    fn is_answer(&self, meaning: &PhraseMeaning) -> bool {
        match meaning {
            // While a clock runs, its start is no answer to anything.
            PhraseMeaning::ClockAgain(_) | PhraseMeaning::Card(_) | PhraseMeaning::Command(_) => false,
            PhraseMeaning::OverTo(_) | PhraseMeaning::TimerStart(_) => false,
            PhraseMeaning::ClockEnd(step) => self.state.clocks.contains_key(step),
            // The way out is told to whoever asks for it, not offered beside the answer.
            PhraseMeaning::To {
                answer: Reply::NoState | Reply::Untested | Reply::NotHere | Reply::CannotDo, ..
            } => false,
            PhraseMeaning::Thing(..)
            | PhraseMeaning::Limit { .. }
            | PhraseMeaning::NoLimits { .. }
            | PhraseMeaning::Report { .. } => false,
            _ => true,
        }
    }

    /// What may be said here now and means the same as this.
    pub(in crate::engine) fn wordings<'a>(&'a self, answer: &str) -> impl Iterator<Item = &'a str> {
        let listening = &self.talk().listening;
        let group = listening.find(answer).map(|entry| entry.phrase.group);
        let same = move |entry: &&ListenedPhrase| Some(entry.phrase.group) == group;
        listening.entries.iter().filter(same).map(|entry| entry.phrase.text.as_str())
    }
}

/// A clock that guards nothing.
fn clock_view(name: &str, clock: &RunningClock, now: SessionTime) -> ClockView {
    ClockView {
        step: None,
        name: name.to_owned(),
        end: String::new(),
        left: clock.ends().since(now),
        length: clock.length,
        over: now.since(clock.ends()),
        hazard: false,
        alarming: false,
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
    Command::WhatCanIAnswer,
];
