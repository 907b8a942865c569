//! What follows once an event is on record: what is said, and what is asked next.

use super::core::Engine;
use super::event::{Event, HeardAs};
use super::output::{AlarmSignal, Output, Priority};
use super::phrasebook::Line;
use super::reckon::Measured;
use super::state::RunningClock;
use super::ticking::{ClockVoice, new_voice};
use super::vocabulary::Asking;
use crate::routine::{Answer, StepIndex};

impl Engine {
    pub(super) fn follow(&mut self, event: &Event) {
        let step = step_of(event).and_then(|id| self.job.index_of(id));
        match (event, step) {
            (Event::RunStarted { .. } | Event::CrewSet { .. }, _) => {
                let intro = self.job.routine.intro.clone();
                if !self.job.is_move() {
                    self.introduced[0] = true;
                }
                self.say(Priority::Caution, intro);
                self.advance();
            }
            (Event::StepOffered { .. }, Some(step)) => self.offered(step),
            (Event::StepAnswered { answer, .. }, Some(step)) => {
                self.said_back(step, answer);
                self.advance();
            }
            (Event::OtherStateHeard { answer, .. }, Some(step)) => {
                if let Some(text) = self.other_reply(step, answer) {
                    let person = self.state.holder(step).unwrap_or(self.state.focus);
                    self.ask(person);
                    let text = self.to_person(person, text);
                    self.prompt = Some((self.say_useful(Priority::Caution, text), person));
                }
            }
            (Event::ReadingTaken { .. }, Some(step)) => self.reading_taken(step, event),
            (Event::SignalGiven { answer, .. }, Some(step)) => {
                self.lead_in.push(self.book.line(Line::Answered, &[("answer", &capital(answer))]));
                self.say_turn(step);
            }
            (Event::SignalHalted { .. }, Some(step)) => self.signal_halted(step, event),
            (Event::Agreed { person, answer, .. }, Some(step)) => self.agreed(step, person, answer),
            (Event::HoldBegun { heard, .. }, Some(step)) => self.hold_begun(step, heard),
            (Event::LoopedBack { .. }, Some(step)) => {
                self.let_go_of_what_lost_its_ground();
                if let Answer::YesNo(question) = &self.job.step(step).answer
                    && let Some(back) = &question.back
                {
                    self.lead_in.push(back.back_reply.clone());
                }
                self.advance();
            }
            (Event::LoopLimitReached { .. }, Some(step)) => {
                if let Answer::YesNo(question) = &self.job.step(step).answer
                    && let Some(back) = &question.back
                {
                    self.lead_in.push(back.limit_reply.clone());
                }
                self.advance();
            }
            (Event::StepsReopened { because, .. }, _) if because == super::apply::SKIPPED => {
                self.let_go_of_what_lost_its_ground();
                self.lead_in.push(self.book.line(Line::CameBack, &[]));
                self.advance();
            }
            (Event::LoopUndone { .. } | Event::StepsReopened { .. }, _) => {
                self.let_go_of_what_lost_its_ground();
                self.lead_in.push(self.book.line(Line::Reopened, &[]));
                self.advance();
            }
            (Event::ClockStarted { .. }, Some(step)) => self.clock_started(step),
            (Event::ClockRanOut { .. }, Some(step)) => self.clock_ran_out(step),
            (Event::ClockEnded { ran_ms, heard, .. }, Some(step)) => self.clock_ended(step, *ran_ms, heard),
            (Event::ClockReinstated { .. }, Some(step)) => self.clock_reinstated(step),
            (Event::TimerStarted { name, .. }, _) => {
                self.question += 1;
                let text = self.book.line(Line::TimerStarted, &[("name", &capital(name))]);
                self.say_useful(Priority::Prompt, text);
            }
            (Event::TimerEnded { name, ran_ms, heard }, _) => self.timer_ended(name, *ran_ms, heard),
            (Event::StepSkipped { reason, .. }, _) => {
                self.lead_in.push(self.book.line(Line::Skipped, &[("reason", reason)]));
                self.advance();
            }
            (Event::StepDeferred { .. }, _) => {
                self.lead_in.push(self.book.line(Line::Deferred, &[]));
                self.advance();
            }
            (Event::CheckAsked { because, .. }, _) => {
                if because == super::apply::LAST_LOOK {
                    self.lead_in.push(self.book.line(Line::LastLook, &[]));
                }
                self.advance();
            }
            (Event::StepChecked { answer, .. }, Some(step)) => {
                self.said_back(step, answer);
                self.advance();
            }
            (Event::StandingBy | Event::VoiceChanged { .. }, _) => {
                if let Event::VoiceChanged { .. } = event {
                    self.send(Output::SetVoice(self.state.voice));
                } else {
                    self.telling = None;
                    self.holding = None;
                }
                if let Some(reply) = self.reply.take() {
                    self.say(Priority::Chat, reply);
                }
            }
            (Event::WentAhead, _) => self.went_ahead(),
            (Event::HandedOver { to, .. }, _) => self.handed_over(to),
            (Event::CardStarted { .. }, _) => self.card_started(),
            (Event::CardEnded { card }, _) => self.card_ended(card),
            (Event::NoteKept { .. }, _) => {
                self.say_line(Priority::Chat, Line::NoteKept);
                // A gate has waited for it.
                self.pass_gate();
            }
            (Event::SpeechUnclear, _) => self.say_unclear(),
            (Event::HearingLost, _) => self.say_line(Priority::Caution, Line::HearingLost),
            (Event::HearingBack, _) => self.say_line(Priority::Chat, Line::HearingBack),
            (Event::Resumed { away_ms }, _) => self.resumed(*away_ms),
            (Event::GateHeld { open }, _) => self.gate_held(open),
            (Event::PartCompleted { part, skipped }, _) => self.part_completed(part, skipped),
            (Event::Overridden { .. }, _) => self.advance(),
            (Event::RunCompleted { skipped }, _) => self.completed(skipped),
            (Event::RunAbandoned, _) => {
                let open = self.state.open(&self.job).count();
                let text = self.book.line(Line::Ended, &[("count", &self.steps_text(open))]);
                self.say_last_words(&[], text);
            }
            _ => {}
        }
    }

    /// The answer said back where it names something.
    fn said_back(&mut self, step: StepIndex, answer: &str) {
        let names_a_state =
            matches!(self.job.step(step).answer, Answer::State(_) | Answer::Choice(_) | Answer::Both(_));
        if names_a_state {
            self.lead_in.push(self.book.line(Line::Answered, &[("answer", &capital(answer))]));
        }
        if let Answer::Choice(choice) = &self.job.step(step).answer
            && let Some(option) = choice.options.iter().find(|option| option.say[0] == answer)
            && !option.reply.is_empty()
        {
            self.lead_in.push(option.reply.clone());
        }
    }

    fn other_reply(&self, step: StepIndex, answer: &str) -> Option<String> {
        match &self.job.step(step).answer {
            Answer::State(state) => Some(state.other_reply.clone()),
            Answer::YesNo(question) => Some(question.no_reply.clone()),
            Answer::Choice(choice) => {
                choice.options.iter().find(|option| option.say[0] == answer).map(|option| option.reply.clone())
            }
            _ => None,
        }
    }

    fn reading_taken(&mut self, step: StepIndex, event: &Event) {
        let Event::ReadingTaken { value, least, most, decimals, unit, settles, .. } = event else { return };
        let shown = self.state.readings.get(&step).cloned().unwrap_or_default();
        let mut text = self.book.line(Line::ReadingKept, &[("number", &shown)]);
        let inside = (*least..=*most).contains(value);
        if !inside {
            let low = super::numbers::shown(*least, *decimals, "");
            let high = super::numbers::shown(*most, *decimals, unit);
            text = format!("{text} {}", self.book.line(Line::OutOfBounds, &[("least", &low), ("most", &high)]));
        }
        if *settles {
            self.lead_in.push(text);
            return self.advance();
        }
        if let Answer::Number(number) = &self.job.step(step).answer {
            let reply = if value < least { &number.low_reply } else { &number.high_reply };
            text = format!("{text} {reply}");
        }
        let person = self.state.holder(step).unwrap_or(self.state.focus);
        self.ask(person);
        let text = self.to_person(person, text);
        self.prompt = Some((self.say_useful(Priority::Caution, text), person));
    }

    fn clock_started(&mut self, step: StepIndex) {
        let Some(clock) = self.state.clocks.get(&step).copied() else {
            return;
        };
        self.voices.insert(step, new_voice(&clock, self.now));
        self.ask(clock.by);
        if let Answer::Clock(answer) = &self.job.step(step).answer {
            let text = answer.started.clone();
            self.prompt = Some((self.say_useful(Priority::Prompt, text), clock.by));
        }
        self.advance();
    }

    fn clock_ran_out(&mut self, step: StepIndex) {
        let Answer::Clock(answer) = self.job.step(step).answer.clone() else {
            return;
        };
        if !self.state.clocks.contains_key(&step) {
            return;
        }
        if answer.hazard() {
            // The alarm itself has already begun; the clock's own step is what counts now.
            if !matches!(self.asking, Asking::Note { .. }) {
                self.asking = Asking::Step;
            }
            if let Some(clock) = self.state.clocks.get(&step) {
                self.ask(clock.by);
            }
            self.advance();
        } else {
            if !self.state.muted {
                self.say_with_signal(Priority::Alarm, answer.alarm.clone(), Some(AlarmSignal::Time));
            }
            self.end_clock(step, HeardAs::Clock);
        }
    }

    fn clock_ended(&mut self, step: StepIndex, ran_ms: u64, heard: &HeardAs) {
        self.voices.remove(&step);
        if let Answer::Clock(answer) = &self.job.step(step).answer
            && *heard != HeardAs::Clock
        {
            let ran = self.book.span(std::time::Duration::from_millis(ran_ms));
            let text = self.book.line(Line::ClockEnded, &[("name", &capital(&answer.name)), ("ran", &ran)]);
            self.lead_in.push(text);
            match self.measured.take() {
                Some(Measured::Flow(flow)) => {
                    let text = self.book.line(Line::FlowMeasured, &[("flow", &flow)]);
                    self.lead_in.push(text);
                }
                Some(Measured::Unusable) => {
                    let text = self.book.line(Line::FlowUnusable, &[]);
                    self.lead_in.push(text);
                }
                None => {}
            }
            // An alarm in the air is about this clock, and it is over; another one that rings comes again by itself.
            self.send(Output::Hush(Priority::Alarm));
            self.alarm_speech = None;
        }
        self.question += 1;
        let focus = self.state.focus;
        match self.state.current() {
            // A step that was asked for beside the clock is still asked for: it is said again, for the person was busy.
            Some(step) if self.state.next_for(&self.job, focus) == Some(step) => {
                self.say_step(focus, step);
                self.advance();
            }
            _ => self.advance(),
        }
    }

    fn clock_reinstated(&mut self, step: StepIndex) {
        let Some(clock) = self.state.clocks.get(&step).copied() else {
            return;
        };
        self.let_go_of_what_lost_its_ground();
        self.voices.insert(step, new_voice(&clock, self.now));
        if let Answer::Clock(answer) = &self.job.step(step).answer {
            let text = self.book.line(Line::Reinstated, &[("name", &answer.name), ("end", &answer.end[0])]);
            self.say_useful(Priority::Caution, text);
        }
        self.advance();
    }

    fn timer_ended(&mut self, name: &str, ran_ms: u64, heard: &HeardAs) {
        self.timer_voices.remove(name);
        if *heard != HeardAs::Clock {
            let ran = self.book.span(std::time::Duration::from_millis(ran_ms));
            self.send(Output::Hush(Priority::Alarm));
            // What was in the air may have been the alarm of another clock.
            self.alarm_speech = None;
            let text = self.book.line(Line::TimerEnded, &[("name", &capital(name)), ("ran", &ran)]);
            self.say(Priority::Prompt, text);
        }
        // The gate may have been waiting for it.
        self.pass_gate();
    }

    /// Looks anew whether a gate that somebody stands at lets pass; goes on where nobody does.
    pub(super) fn pass_gate(&mut self) {
        if self.state.ended.is_some() {
            return;
        }
        let mut asked = self.state.people.iter().filter_map(|hand| hand.current);
        let gate = asked.find(|&step| self.job.is_gate(step));
        match gate {
            Some(gate) => self.gate(gate),
            None => self.advance(),
        }
    }

    /// Where we were; and whatever could not be watched while the program was away is alarming now.
    fn resumed(&mut self, away_ms: Option<u64>) {
        self.resuming = false;
        self.send(Output::SetVoice(self.state.voice));
        let away_is_known = away_ms.is_some();
        let running: Vec<(StepIndex, RunningClock)> = self.state.clocks.iter().map(|(s, c)| (*s, *c)).collect();
        let mut guarding = false;
        for (step, clock) in running {
            let Answer::Clock(answer) = self.job.step(step).answer.clone() else {
                continue;
            };
            let over = clock.ran_out || clock.ends() <= self.now;
            if !answer.hazard() {
                // A washing that nobody timed to its end is begun again; what stands by itself has stood as long.
                if !away_is_known || (over && !answer.frees_hands(clock.length)) {
                    let steps = vec![self.step_id(step)];
                    self.commit(Event::StepsReopened { steps, because: "away".to_owned() });
                    let told = ClockVoice { told: true, ..ClockVoice::default() };
                    self.voices.insert(step, told);
                }
                continue;
            }
            guarding = true;
            if away_is_known && !over {
                continue;
            }
            if self.state.muted {
                // It is over for all that is known, and rings once it may.
                let due = ClockVoice { told: true, next_alarm: Some(self.now), ..ClockVoice::default() };
                self.voices.insert(step, due);
                if !clock.ran_out {
                    self.commit(Event::ClockRanOut { step: self.step_id(step) });
                }
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
        if !away_is_known {
            // Nobody knows how much of them is left: they are taken as over.
            for name in self.state.timers.iter().filter(|(_, t)| !t.ran_out).map(|(n, _)| n.clone()).collect::<Vec<_>>()
            {
                self.commit(Event::TimerRanOut { name });
            }
        }
        self.question += 1;
        if self.state.ended.is_some() {
            return;
        }
        if self.state.card.is_some() {
            // The card comes before everything; what rings beside it rings by itself.
            self.say_steps_again();
            return self.advance();
        }
        if guarding {
            if let Some((&step, clock)) = self.state.clocks.first_key_value() {
                let clock = *clock;
                self.say_clock(step, &clock);
            }
            return self.advance();
        }
        let lead = self.resumed_text();
        let long = away_ms.is_some_and(|ms| ms >= u64::try_from(VERY_LONG.as_millis()).unwrap_or(u64::MAX));
        if long && self.offer_check(&lead, std::time::Duration::from_millis(away_ms.unwrap_or(0))) {
            return;
        }
        self.lead_in.push(lead);
        self.say_steps_again();
        self.pass_gate();
    }
}

/// The step that an event is about.
fn step_of(event: &Event) -> Option<&String> {
    match event {
        Event::StepOffered { step }
        | Event::StepAnswered { step, .. }
        | Event::OtherStateHeard { step, .. }
        | Event::LoopedBack { step, .. }
        | Event::LoopLimitReached { step, .. }
        | Event::ClockStarted { step, .. }
        | Event::ClockRanOut { step }
        | Event::ClockEnded { step, .. }
        | Event::ClockReinstated { step }
        | Event::SignalGiven { step, .. }
        | Event::SignalHalted { step, .. }
        | Event::Agreed { step, .. }
        | Event::ReadingTaken { step, .. }
        | Event::HoldBegun { step, .. }
        | Event::StepChecked { step, .. } => Some(step),
        _ => None,
    }
}

/// With a capital first letter, as a sentence begins.
pub(super) fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().collect::<String>() + letters.as_str())
}

/// After a pause this long nobody is sure any more of what they did before it.
pub(super) const VERY_LONG: std::time::Duration = std::time::Duration::from_secs(30 * 60);
