//! Says things, and knows what has been said: prompts, reminders, alarms, apologies.

use super::clocks::Mark;
use super::consequences::capital;
use super::core::Engine;
use super::output::{AlarmSignal, Output, Priority, SpeechId, Utterance};
use super::people::PersonIndex;
use super::phrasebook::{Common, Line};
use super::state::RunningClock;
use super::vocabulary::Asking;
use crate::routine::{Answer, ClockAnswer, StepIndex};
use crate::units::SessionTime;
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
        self.say_prompt_to(self.state.focus, text);
    }

    pub(super) fn say_prompt_to(&mut self, person: PersonIndex, text: String) {
        self.prompt = Some((self.say_useful(Priority::Prompt, text), person));
    }

    /// Says `before` and then `last`, and the run is over.
    pub(super) fn say_last_words(&mut self, before: &[String], last: String) {
        let before = before.join(" ");
        // Twice as long: the voice may be slow, and something else in the air.
        let longest = 2 * (longest_saying(&before) + longest_saying(&last));
        self.say(Priority::Caution, before);
        self.last_words = Some((self.say(Priority::Caution, last), self.now + longest));
    }

    /// Ends the run where its last words are `over`.
    pub(super) fn end_after_last_words(&mut self, over: impl FnOnce(SpeechId, SessionTime) -> bool) {
        if self.last_words.take_if(|(last, until)| over(*last, *until)).is_some() {
            self.send(Output::Ended);
        }
    }

    pub(super) fn speech_finished(&mut self, id: SpeechId) {
        if self.alarm_speech == Some(id) {
            self.alarm_speech = None;
        }
        self.end_after_last_words(|last, _| last == id);
        if let Some((_, person)) = self.prompt.take_if(|(prompt, _)| *prompt == id) {
            self.arm_reminder(person);
        }
        if self.state.ended.is_none() {
            self.told_once(id);
        }
    }

    /// One soft reminder a step, well over its usual time: a person at work is silent for minutes.
    pub(super) fn arm_reminder(&mut self, person: PersonIndex) {
        let Some(step) = self.reminds_of(person).filter(|_| !self.reminded[person]) else {
            return;
        };
        let usual = self.job.step(step).usual;
        self.remind_at[person] = Some(self.now + (usual * 2 + REMINDER_SLACK).max(REMINDER_LEAST));
    }

    pub(super) fn remind(&mut self, person: PersonIndex) {
        if let Some(step) = self.reminds_of(person).filter(|_| !self.is_late()) {
            self.reminded[person] = true;
            let call = self.to_person(person, self.asking_text(step));
            let text = self.book.line(Line::Reminder, &[("call", &call)]);
            self.say(Priority::Chat, text);
        }
    }

    fn reminds_of(&self, person: PersonIndex) -> Option<StepIndex> {
        let clock_runs = self.state.clocks.values().any(|clock| clock.by == person || self.state.alone());
        let step = self.state.people[person].current;
        step.filter(|&step| !self.state.standing_by && !clock_runs && !self.job.is_gate(step))
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

    /// A mark on the way; by name where more than one clock runs.
    pub(super) fn say_mark(&mut self, name: &str, clock: &RunningClock, mark: Mark) {
        let left = self.book.span(clock.ends().since(self.now));
        let text = match mark {
            Mark::Half => self.book.line(Line::ClockHalf, &[("left", &left)]),
            Mark::Minute => self.book.line(Line::ClockMinute, &[]),
            Mark::TenSeconds => self.book.line(Line::ClockTen, &[]),
        };
        let several = self.state.clocks.len() + self.state.timers.len() > 1;
        let text =
            if several { self.book.line(Line::ToPerson, &[("name", &capital(name)), ("text", &text)]) } else { text };
        self.say(Priority::Caution, text);
    }

    /// A missed word costs a "say again"; talk that is not for the program must not cost one each time.
    pub(super) fn say_unclear(&mut self) {
        let quiet = self.unclear_at.is_some_and(|at| self.now.since(at) < UNCLEAR_PAUSE);
        if self.unclear_at.is_some_and(|at| self.now.since(at) > UNCLEAR_FORGET) {
            self.unclear_streak = 0;
        }
        if quiet || self.state.standing_by || self.alarm_speech.is_some() || self.state.muted {
            return;
        }
        self.unclear_at = Some(self.now);
        self.unclear_streak += 1;
        let step = self.state.current().map(|step| &self.job.step(step).answer);
        match self.unclear_streak {
            // One short word is what noise hides first: longer ones are told at once.
            1 if matches!(self.asking, Asking::Thin { .. }) => self.say_line(Priority::Chat, Line::UnclearRight),
            1 if matches!(self.asking, Asking::Step) && matches!(step, Some(Answer::YesNo(_))) => {
                self.say_line(Priority::Chat, Line::UnclearYesNo);
            }
            streak if streak < UNCLEAR_HELP => self.say_line(Priority::Chat, Line::Unclear),
            UNCLEAR_HELP => {
                let text = self.book.line(Line::UnclearHelp, &[("answer", &self.answers_in_all_words())]);
                self.say(Priority::Chat, text);
            }
            _ => {}
        }
    }

    pub(super) fn ask_for_the_state(&mut self, step: StepIndex) {
        let person = self.state.holder(step).unwrap_or(self.state.focus);
        let text = match &self.job.step(step).answer {
            Answer::State(state) => {
                self.book.line(Line::NameTheState, &[("want", &state.want[0]), ("other", &state.other[0])])
            }
            Answer::Number(number) => self.book.line(Line::NotTaken, &[("name", &number.name)]),
            _ => self.asking_text(step),
        };
        let text = self.to_person(person, text);
        self.say_prompt_to(person, text);
    }

    pub(super) fn say_again(&mut self) {
        let text = self.last_useful.clone();
        self.prompt = Some((self.say(Priority::Prompt, text), self.state.focus));
    }

    pub(super) fn explain(&mut self) {
        let Some(step) = self.state.current() else {
            return;
        };
        self.commit(super::event::Event::Explained { step: self.step_id(step) });
        let asked = self.job.step(step);
        let call = self.asking_text(step);
        let parts = [asked.how.as_str(), asked.check.as_str(), call.as_str()];
        let text = parts.into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join(" ");
        let text = self.to_person(self.state.focus, text);
        self.say_prompt(text);
    }

    pub(super) fn say_clock(&mut self, step: StepIndex, clock: &RunningClock) {
        if let Answer::Clock(answer) = &self.job.step(step).answer {
            let text = self.clock_text(&answer.name, clock);
            self.say_useful(Priority::Prompt, text);
        }
    }

    pub(super) fn done_word(&self) -> String {
        self.book.common(Common::Done)[0].clone()
    }

    /// Every sentence of the routine and of the program that can be spoken ahead of time.
    pub fn fixed_prompts(&self) -> Vec<String> {
        let routine = &self.job.routine;
        let mut all: Vec<String> = vec![routine.intro.clone()];
        all.extend(self.job.parts.iter().map(|part| part.intro.clone()));
        for step in &routine.steps {
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

/// How long `text` takes to say at most, or to read.
pub(super) fn longest_saying(text: &str) -> Duration {
    Duration::from_millis(120 * u64::try_from(text.len()).unwrap_or(u64::MAX / 120)) + SAYING_SLACK
}

const SAYING_SLACK: Duration = Duration::from_secs(10);
const REMINDER_SLACK: Duration = Duration::from_secs(60);
const REMINDER_LEAST: Duration = Duration::from_secs(180);
/// Who was asked to say it again answers within three seconds, and is to hear that it was not understood.
const UNCLEAR_PAUSE: Duration = Duration::from_millis(1_500);
const UNCLEAR_FORGET: Duration = Duration::from_secs(60);
const UNCLEAR_HELP: u32 = 3;
