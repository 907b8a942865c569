//! What follows once an event is on record: what is said, and what is asked next.

use super::core::{Engine, new_voice};
use super::event::{Event, HeardAs};
use super::output::{AlarmSignal, Output, Priority};
use super::phrasebook::Line;
use super::state::{RunningClock, StepState};
use crate::routine::{Answer, StepIndex};

impl Engine {
    pub(super) fn follow(&mut self, event: &Event) {
        let index = |engine: &Self, id: &String| engine.routine.index_of(id);
        match event {
            Event::RunStarted { .. } => {
                let intro = self.routine.intro.clone();
                self.say(Priority::Caution, intro);
                self.advance();
            }
            Event::StepOffered { step } => {
                if let Some(step) = index(self, step) {
                    self.offered(step);
                }
            }
            Event::StepAnswered { step, answer, .. } => {
                if let Some(step) = index(self, step)
                    && matches!(self.routine.steps[step].answer, Answer::State(_))
                {
                    self.lead_in.push(self.book.line(Line::Answered, &[("answer", &capital(answer))]));
                }
                self.advance();
            }
            Event::OtherStateHeard { step, .. } => {
                let text = index(self, step).and_then(|step| match &self.routine.steps[step].answer {
                    Answer::State(state) => Some(state.other_reply.clone()),
                    Answer::YesNo(question) => Some(question.no_reply.clone()),
                    _ => None,
                });
                if let Some(text) = text {
                    self.question += 1;
                    self.prompt = Some(self.say_useful(Priority::Caution, text));
                }
            }
            Event::LoopedBack { step, .. } => {
                if let Some(step) = index(self, step)
                    && let Answer::YesNo(question) = &self.routine.steps[step].answer
                    && let Some(question) = &question.back
                {
                    self.lead_in.push(question.back_reply.clone());
                }
                self.advance();
            }
            Event::LoopLimitReached { step, .. } => {
                if let Some(step) = index(self, step)
                    && let Answer::YesNo(question) = &self.routine.steps[step].answer
                    && let Some(question) = &question.back
                {
                    self.lead_in.push(question.limit_reply.clone());
                }
                self.advance();
            }
            Event::LoopUndone { .. } | Event::StepsReopened { .. } => {
                self.lead_in.push(self.book.line(Line::Reopened, &[]));
                self.advance();
            }
            Event::ClockStarted { step, .. } => {
                if let Some(step) = index(self, step) {
                    self.clock_started(step);
                }
            }
            Event::ClockRanOut { step } => {
                if let Some(step) = index(self, step) {
                    self.clock_ran_out(step);
                }
            }
            Event::ClockEnded { step, ran_ms, heard } => {
                if let Some(step) = index(self, step) {
                    self.clock_ended(step, *ran_ms, heard);
                }
            }
            Event::ClockReinstated { step } => {
                if let Some(step) = index(self, step) {
                    self.clock_reinstated(step);
                }
            }
            Event::StepSkipped { reason, .. } => {
                self.lead_in.push(self.book.line(Line::Skipped, &[("reason", reason)]));
                self.advance();
            }
            Event::StepDeferred { .. } => {
                self.lead_in.push(self.book.line(Line::Deferred, &[]));
                self.advance();
            }
            Event::StandingBy | Event::VoiceChanged { .. } => {
                if let Event::VoiceChanged { .. } = event {
                    self.send(Output::SetVoice(self.state.voice));
                }
                if let Some(reply) = self.reply.take() {
                    self.say(Priority::Chat, reply);
                }
            }
            Event::WentAhead => {
                self.question += 1;
                self.reminded = false;
                let text = self.went_ahead_text();
                self.say_prompt(text);
                self.advance();
            }
            Event::SpeechUnclear => self.say_unclear(),
            Event::HearingLost => self.say_line(Priority::Caution, Line::HearingLost),
            Event::HearingBack => self.say_line(Priority::Chat, Line::HearingBack),
            Event::Resumed { away_ms } => self.resumed(away_ms.is_some()),
            Event::GateHeld { open } => {
                let open: Vec<StepIndex> = open.iter().filter_map(|id| self.routine.index_of(id)).collect();
                let held = self.book.line(Line::GateHeld, &[("names", &self.names(&open))]);
                let last = self.book.line(Line::SkipLast, &[]);
                self.question += 1;
                self.say_useful(Priority::Caution, format!("{held} {last}"));
            }
            Event::RunCompleted { skipped } => self.completed(skipped),
            Event::RunAbandoned => {
                let open = self.state.open(&self.routine).count();
                let text = self.book.line(Line::Ended, &[("count", &self.steps_text(open))]);
                self.last_words = Some(self.say(Priority::Caution, text));
            }
        }
    }

    fn offered(&mut self, step: StepIndex) {
        self.question += 1;
        self.reminded = false;
        self.remind_at = None;
        if self.routine.steps[step].answer == Answer::Gate {
            return self.gate();
        }
        if self.state.standing_by {
            // Whoever stands by hears the step when they go ahead.
            return;
        }
        self.say_step(step);
    }

    /// The gate lists what is open and passes only when nothing is; the engine offers it only then, and looks all the same.
    fn gate(&mut self) {
        let open: Vec<StepIndex> = self.state.open(&self.routine).collect();
        if !open.is_empty() || !self.state.clocks.is_empty() {
            let open = open.into_iter().map(|step| self.step_id(step)).collect();
            return self.commit(Event::GateHeld { open });
        }
        let skipped = |(step, state): (StepIndex, &StepState)| match state {
            StepState::Skipped(_) => Some(self.routine.steps[step].id.clone()),
            _ => None,
        };
        let skipped = self.state.steps.iter().enumerate().filter_map(skipped).collect();
        self.commit(Event::RunCompleted { skipped });
    }

    /// The completion call is the last thing said (NASA CR-177549).
    fn completed(&mut self, skipped: &[String]) {
        let mut text = std::mem::take(&mut self.lead_in);
        if skipped.is_empty() {
            text.push(self.book.line(Line::GateClear, &[]));
        } else {
            let skipped: Vec<StepIndex> = skipped.iter().filter_map(|id| self.routine.index_of(id)).collect();
            text.push(self.book.line(Line::GateSkipped, &[("names", &self.names(&skipped))]));
        }
        self.say(Priority::Caution, text.join(" "));
        let complete = self.routine.complete.clone();
        self.last_words = Some(self.say(Priority::Caution, complete));
    }

    fn clock_started(&mut self, step: StepIndex) {
        let Some(clock) = self.state.clocks.get(&step).copied() else {
            return;
        };
        self.voices.insert(step, new_voice(&clock, self.now));
        self.question += 1;
        if let Answer::Clock(answer) = &self.routine.steps[step].answer {
            let text = answer.started.clone();
            self.prompt = Some(self.say_useful(Priority::Prompt, text));
        }
        self.advance();
    }

    fn clock_ran_out(&mut self, step: StepIndex) {
        let Answer::Clock(answer) = self.routine.steps[step].answer.clone() else {
            return;
        };
        if answer.hazard() {
            // The alarm itself has already begun; the clock's own step is what counts now.
            self.asking = super::vocabulary::Asking::Step;
            self.question += 1;
            self.advance();
        } else {
            self.say_with_signal(Priority::Alarm, answer.alarm.clone(), Some(AlarmSignal::Time));
            self.end_clock(step, HeardAs::Clock);
        }
    }

    fn clock_ended(&mut self, step: StepIndex, ran_ms: u64, heard: &HeardAs) {
        self.voices.remove(&step);
        if let Answer::Clock(answer) = &self.routine.steps[step].answer
            && *heard != HeardAs::Clock
        {
            let ran = self.book.span(std::time::Duration::from_millis(ran_ms));
            let text = self.book.line(Line::ClockEnded, &[("name", &capital(&answer.name)), ("ran", &ran)]);
            self.lead_in.push(text);
            // An alarm in the air is about this clock, and it is over.
            self.send(Output::Hush(Priority::Alarm));
            self.alarm_speech = None;
        }
        self.question += 1;
        match self.state.current {
            // A step that was asked for beside the clock is still asked for: it is said again, for the person was busy.
            Some(step) if self.state.next_step(&self.routine) == Some(step) => self.say_step(step),
            _ => self.advance(),
        }
    }

    fn clock_reinstated(&mut self, step: StepIndex) {
        let Some(clock) = self.state.clocks.get(&step).copied() else {
            return;
        };
        self.voices.insert(step, new_voice(&clock, self.now));
        if let Answer::Clock(answer) = &self.routine.steps[step].answer {
            let text = self.book.line(Line::Reinstated, &[("name", &answer.name), ("end", &answer.end[0])]);
            self.say_useful(Priority::Caution, text);
        }
        self.advance();
    }

    /// Where we were; and whatever could not be watched while the program was away is alarming now.
    fn resumed(&mut self, away_is_known: bool) {
        self.resuming = false;
        self.send(Output::SetVoice(self.state.voice));
        let running: Vec<(StepIndex, RunningClock)> = self.state.clocks.iter().map(|(s, c)| (*s, *c)).collect();
        let mut guarding = false;
        for (step, clock) in running {
            let Answer::Clock(answer) = self.routine.steps[step].answer.clone() else {
                continue;
            };
            let over = clock.ran_out || clock.ends() <= self.now;
            if !answer.hazard() {
                // A washing that nobody timed to its end is begun again.
                if !away_is_known || over {
                    let steps = vec![self.step_id(step)];
                    self.commit(Event::StepsReopened { steps, because: "away".to_owned() });
                }
                continue;
            }
            guarding = true;
            if away_is_known && !over {
                continue;
            }
            let line = if away_is_known { Line::AlarmPast } else { Line::AlarmUnknown };
            let text = self.book.line(line, &[("alarm", &answer.alarm)]);
            let said = self.say_with_signal(Priority::Alarm, text, Some(AlarmSignal::Hazard { repeat: 0 }));
            self.alarm_speech = Some(said);
            let mut voice = new_voice(&clock, self.now);
            voice.marks.clear();
            voice.told = true;
            voice.repeat = 1;
            voice.next_alarm = Some(self.now + super::clocks::alarm_gap(0));
            self.voices.insert(step, voice);
            if !clock.ran_out {
                self.commit(Event::ClockRanOut { step: self.step_id(step) });
            }
        }
        self.question += 1;
        if self.state.ended.is_some() {
            return;
        }
        if let Some(step) = self.state.current.filter(|_| !guarding) {
            let lead = self.resumed_text();
            self.lead_in.push(lead);
            self.say_step(step);
        } else if guarding {
            if let Some((&step, clock)) = self.state.clocks.first_key_value() {
                let clock = *clock;
                self.say_clock(step, &clock);
            }
            self.advance();
        } else {
            let lead = self.resumed_text();
            self.lead_in.push(lead);
            self.advance();
        }
    }
}

/// With a capital first letter, as a sentence begins.
pub(super) fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().collect::<String>() + letters.as_str())
}
