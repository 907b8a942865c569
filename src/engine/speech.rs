//! Puts together what is said: prompts, alarms, and the answers to "how long", "where are we" and their like.

use super::clocks::Mark;
use super::consequences::capital;
use super::core::Engine;
use super::output::{AlarmSignal, Output, Priority, SpeechId, Utterance};
use super::phrasebook::{Common, Line, Word};
use super::state::{RunningClock, Settled};
use crate::routine::{Answer, ClockAnswer, StepIndex};
use std::time::Duration;

impl Engine {
    pub(super) fn say_with_signal(&mut self, priority: Priority, text: String, alarm: Option<AlarmSignal>) -> SpeechId {
        let id = SpeechId(self.next_speech);
        self.next_speech += 1;
        if !text.is_empty() {
            self.send(Output::Say(Utterance { id, priority, text, alarm }));
        }
        id
    }

    pub(super) fn say(&mut self, priority: Priority, text: String) -> SpeechId {
        self.say_with_signal(priority, text, None)
    }

    pub(super) fn say_line(&mut self, priority: Priority, line: Line) {
        let text = self.book.line(line, &[]);
        self.say(priority, text);
    }

    /// Says what "say again" is to repeat.
    pub(super) fn say_useful(&mut self, priority: Priority, text: String) -> SpeechId {
        self.last_useful.clone_from(&text);
        self.say(priority, text)
    }

    /// Says what asks for the step's answer: the reminder counts from its end.
    pub(super) fn say_prompt(&mut self, text: String) {
        self.prompt = Some(self.say_useful(Priority::Prompt, text));
    }

    /// The answer said back, a new section's name, the caution, the call: in this order, one thing to do at a time.
    pub(super) fn say_step(&mut self, index: StepIndex) {
        let step = self.routine.steps[index].clone();
        let mut before = std::mem::take(&mut self.lead_in);
        let running = self.state.clocks.get(&index).copied();
        if let Some(clock) = running {
            if !clock.ran_out && clock.ends() > self.now {
                let text = self.clock_goes_on(index, &clock);
                before.push(text);
                self.say_prompt(before.join(" "));
            }
            return;
        }
        if self.last_section != Some(step.section) {
            // The first section is named by the introduction.
            if self.last_section.is_some() {
                before.push(format!("{}.", capital(&self.routine.sections[step.section].title)));
            }
            self.last_section = Some(step.section);
        }
        if step.caution.is_empty() {
            before.push(step.call.clone());
            self.prompt = Some(self.say(Priority::Prompt, before.join(" ")));
            self.last_useful = step.call;
        } else {
            before.push(step.caution.clone());
            self.say(Priority::Caution, before.join(" "));
            self.prompt = Some(self.say(Priority::Prompt, step.call.clone()));
            self.last_useful = format!("{} {}", step.caution, step.call);
        }
    }

    pub(super) fn speech_finished(&mut self, id: SpeechId) {
        if self.alarm_speech == Some(id) {
            self.alarm_speech = None;
        }
        if self.last_words == Some(id) {
            self.send(Output::Ended);
        }
        if self.prompt == Some(id) {
            self.prompt = None;
            self.arm_reminder();
        }
    }

    /// One soft reminder a step, well over its usual time: a person at work is silent for minutes.
    pub(super) fn arm_reminder(&mut self) {
        let Some(step) = self.state.current.filter(|_| !self.reminded) else {
            return;
        };
        if self.state.standing_by || !self.state.clocks.is_empty() {
            return;
        }
        let usual = self.routine.steps[step].usual;
        self.remind_at = Some(self.now + (usual * 2 + REMINDER_SLACK).max(REMINDER_LEAST));
    }

    pub(super) fn remind(&mut self) {
        if let Some(step) = self.state.current.filter(|_| !self.state.standing_by && self.state.clocks.is_empty()) {
            self.reminded = true;
            let text = self.book.line(Line::Reminder, &[("call", &self.call_of(step))]);
            self.say(Priority::Chat, text);
        }
    }

    pub(super) fn say_alarm(&mut self, clock: &ClockAnswer, repeat: u32) {
        let text = match repeat {
            0 => clock.alarm.clone(),
            // Now and then with the words that end it, for who has forgotten them.
            n if n % 3 == 0 => self.book.line(Line::AlarmAnswer, &[("end", &clock.end[0])]),
            _ => clock.alarm_short.clone(),
        };
        self.last_useful = format!("{} {}", clock.alarm, self.book.line(Line::AlarmAnswer, &[("end", &clock.end[0])]));
        self.alarm_speech = Some(self.say_with_signal(Priority::Alarm, text, Some(AlarmSignal::Hazard { repeat })));
    }

    pub(super) fn say_mark(&mut self, clock: &RunningClock, mark: Mark) {
        let left = self.book.span(clock.ends().since(self.now));
        let text = match mark {
            Mark::Half => self.book.line(Line::ClockHalf, &[("left", &left)]),
            Mark::Minute => self.book.line(Line::ClockMinute, &[]),
            Mark::TenSeconds => self.book.line(Line::ClockTen, &[]),
        };
        self.say(Priority::Caution, text);
    }

    pub(super) fn say_journal_failed(&mut self) {
        self.say_line(Priority::Caution, Line::JournalFailed);
    }

    pub(super) fn say_journal_refused(&mut self) {
        self.say_line(Priority::Caution, Line::JournalRefused);
    }

    /// A missed word costs a "say again"; talk that is not for the program must not cost one each time.
    pub(super) fn say_unclear(&mut self) {
        let quiet = self.unclear_at.is_some_and(|at| self.now.since(at) < UNCLEAR_PAUSE);
        if self.unclear_at.is_some_and(|at| self.now.since(at) > UNCLEAR_FORGET) {
            self.unclear_streak = 0;
        }
        if quiet || self.state.standing_by || self.alarm_speech.is_some() {
            return;
        }
        self.unclear_at = Some(self.now);
        self.unclear_streak += 1;
        if self.unclear_streak < UNCLEAR_HELP {
            self.say_line(Priority::Chat, Line::Unclear);
        } else if self.unclear_streak == UNCLEAR_HELP {
            let text = self.book.line(Line::UnclearHelp, &[("answer", &self.answers_text())]);
            self.say(Priority::Chat, text);
        }
    }

    pub(super) fn ask_for_the_state(&mut self) {
        let Some(step) = self.state.current else {
            return;
        };
        let text = match &self.routine.steps[step].answer {
            Answer::State(state) => {
                self.book.line(Line::NameTheState, &[("want", &state.want[0]), ("other", &state.other[0])])
            }
            _ => self.call_of(step),
        };
        self.say_prompt(text);
    }

    pub(super) fn say_again(&mut self) {
        let text = self.last_useful.clone();
        self.prompt = Some(self.say(Priority::Prompt, text));
    }

    pub(super) fn explain(&mut self) {
        let Some(step) = self.state.current else {
            return;
        };
        let step = &self.routine.steps[step];
        let text = format!("{} {} {}", step.how, step.check, step.call);
        self.say_prompt(text.trim().to_owned());
    }

    pub(super) fn say_clock(&mut self, step: StepIndex, clock: &RunningClock) {
        let text = self.clock_text(step, clock);
        self.say_useful(Priority::Prompt, text);
    }

    pub(super) fn say_how_long(&mut self) {
        let clocks: Vec<String> = self.state.clocks.iter().map(|(step, clock)| self.clock_text(*step, clock)).collect();
        let text = if clocks.is_empty() {
            let open: Vec<StepIndex> = self.state.open(&self.routine).collect();
            let usual: Duration = open.iter().map(|step| self.routine.steps[*step].usual).sum();
            let minutes = usual.as_secs().div_ceil(60).max(1).to_string();
            self.book.line(Line::NoClock, &[("count", &self.steps_text(open.len())), ("minutes", &minutes)])
        } else {
            clocks.join(" ")
        };
        self.say_useful(Priority::Prompt, text);
    }

    pub(super) fn say_what_is_left(&mut self) {
        let open: Vec<StepIndex> = self.state.open(&self.routine).collect();
        let count = self.steps_text(open.len());
        let text = match open.len() {
            0 => self.book.line(Line::LeftNone, &[]),
            1..=FEW => self.book.line(Line::Left, &[("count", &count), ("names", &self.names(&open))]),
            _ => self.book.line(Line::LeftMore, &[("count", &count), ("names", &self.names(&open[..FEW]))]),
        };
        self.say_useful(Priority::Prompt, text);
    }

    pub(super) fn say_where(&mut self) {
        let step = self.state.current.unwrap_or(0);
        let text = self.book.line(
            Line::Where,
            &[
                ("title", &capital(&self.routine.title)),
                ("section", &self.routine.sections[self.routine.steps[step].section].title),
                ("step", &(step + 1).to_string()),
                ("steps", &self.routine.steps.len().to_string()),
                ("last", &self.last_name()),
                ("call", &self.call_of(step)),
            ],
        );
        self.say_prompt(text);
    }

    pub(super) fn say_what_can_be_said(&mut self) {
        let text = if self.state.standing_by {
            self.book.line(Line::CanSayStanding, &[])
        } else {
            self.book.line(Line::CanSay, &[("answers", &self.answers_text())])
        };
        self.say_useful(Priority::Prompt, text);
    }

    pub(super) fn standing_by_text(&self) -> String {
        match self.state.clocks.keys().next().map(|step| &self.routine.steps[*step].answer) {
            Some(Answer::Clock(clock)) => self.book.line(Line::StandingByClock, &[("clock", &clock.name)]),
            _ => self.book.line(Line::StandingBy, &[]),
        }
    }

    /// After an interruption: the section, the last confirmed step, the next (NASA CR-177549).
    pub(super) fn went_ahead_text(&self) -> String {
        let step = self.state.current.or_else(|| self.state.next_step(&self.routine)).unwrap_or(0);
        let section = capital(&self.routine.sections[self.routine.steps[step].section].title);
        let call = match self.state.clocks.get(&step) {
            Some(clock) => self.clock_goes_on(step, clock),
            None => self.call_of(step),
        };
        self.book.line(Line::WentAhead, &[("section", &section), ("last", &self.last_name()), ("call", &call)])
    }

    pub(super) fn resumed_text(&self) -> String {
        if self.state.trail.is_empty() {
            return self.book.line(Line::ResumedFresh, &[("title", &self.routine.title)]);
        }
        let step = self.state.current.or_else(|| self.state.next_step(&self.routine)).unwrap_or(0);
        self.book.line(
            Line::Resumed,
            &[
                ("title", &self.routine.title),
                ("section", &self.routine.sections[self.routine.steps[step].section].title),
                ("last", &self.last_name()),
            ],
        )
    }

    pub(super) fn call_of(&self, step: StepIndex) -> String {
        self.routine.steps[step].call.clone()
    }

    pub(super) fn done_word(&self) -> String {
        self.book.common(Common::Done)[0].clone()
    }

    pub(super) fn names(&self, steps: &[StepIndex]) -> String {
        steps.iter().map(|step| self.routine.steps[*step].name.as_str()).collect::<Vec<_>>().join(", ")
    }

    pub(super) fn steps_text(&self, count: usize) -> String {
        format!("{count} {}", self.book.word(if count == 1 { Word::Step } else { Word::Steps }))
    }

    /// The answers that are asked for, joined by "or".
    pub(super) fn answers_text(&self) -> String {
        let or = format!(", {} ", self.book.word(Word::Or));
        self.answers_now().join(&or)
    }

    fn last_name(&self) -> String {
        let last = self.state.trail.last().map(Settled::step);
        last.map_or_else(|| self.book.line(Line::NothingYet, &[]), |step| self.routine.steps[step].name.clone())
    }

    fn clock_text(&self, step: StepIndex, clock: &RunningClock) -> String {
        let Answer::Clock(answer) = &self.routine.steps[step].answer else {
            return String::new();
        };
        let name = capital(&answer.name);
        if clock.ends() > self.now && !clock.ran_out {
            let left = self.book.span(clock.ends().since(self.now));
            self.book.line(Line::ClockLeft, &[("name", &name), ("left", &left)])
        } else {
            let over = self.book.span(self.now.since(clock.ends()));
            self.book.line(Line::ClockOver, &[("name", &name), ("over", &over)])
        }
    }

    fn clock_goes_on(&self, step: StepIndex, clock: &RunningClock) -> String {
        let Answer::Clock(answer) = &self.routine.steps[step].answer else {
            return String::new();
        };
        let left = self.book.span(clock.ends().since(self.now));
        self.book.line(Line::ClockGoesOn, &[("name", &answer.name), ("left", &left)])
    }

    /// Every sentence of the routine and of the program that can be spoken ahead of time.
    pub fn fixed_prompts(&self) -> Vec<String> {
        let mut all: Vec<String> = vec![self.routine.intro.clone()];
        for step in &self.routine.steps {
            all.extend([&step.caution, &step.call].map(Clone::clone));
            all.extend(step.answer.texts().into_iter().map(str::to_owned));
            match &step.answer {
                Answer::State(state) => {
                    all.push(self.book.line(Line::Answered, &[("answer", &capital(&state.want[0]))]));
                }
                Answer::Clock(clock) => {
                    if let Some(end) = clock.end.first() {
                        all.push(self.book.line(Line::AlarmAnswer, &[("end", end)]));
                    }
                }
                _ => {}
            }
        }
        all.extend(self.routine.sections.iter().skip(1).map(|section| format!("{}.", capital(&section.title))));
        all.push(self.routine.complete.clone());
        all.extend(self.book.fixed_lines().map(str::to_owned));
        all.extend(self.routine.steps.iter().flat_map(|step| [step.how.clone(), step.check.clone()]));
        all.retain(|text| !text.is_empty());
        let mut seen = std::collections::BTreeSet::new();
        all.retain(|text| seen.insert(text.clone()));
        all
    }
}

const REMINDER_SLACK: Duration = Duration::from_secs(60);
const REMINDER_LEAST: Duration = Duration::from_secs(180);
const UNCLEAR_PAUSE: Duration = Duration::from_secs(3);
const UNCLEAR_FORGET: Duration = Duration::from_secs(60);
const UNCLEAR_HELP: u32 = 3;
/// As many names as one remembers.
const FEW: usize = 3;
