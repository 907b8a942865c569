//! What is said of clocks besides their alarms: that they run, that they are over, and what that tells.

use std::time::Duration;

use super::super::alarm::{ClockId, ClockVoice, Holding, marks};
use super::super::core::Engine;
use super::super::event::{Event, HeardAs};
use super::super::output::{AlarmSignal, Audience, Output, Priority};
use super::super::phrasebook::Line;
use super::super::reckon::TapMeasured;
use super::super::records::Remarks;
use super::capital;
use super::vocabulary::Asking;
use crate::routine::{Answer, StepIndex};

impl Engine {
    pub(in crate::engine) fn follow_clock(&mut self, event: &Event, remarks: Remarks) {
        match event {
            Event::TimerStarted { name, .. } => {
                self.ask_here();
                let text = self.book.line(Line::TimerStarted, &[("name", &capital(name))]);
                self.say_useful(self.here(), Priority::Prompt, text);
                return;
            }
            Event::TimerEnded { name, ran_ms, heard } => return self.timer_ended(name, *ran_ms, heard),
            _ => {}
        }
        let Some(step) = event.step().and_then(|id| self.job.index_of(id)) else { return };
        match event {
            Event::ClockStarted { .. } => self.clock_started(step),
            Event::ClockRanOut { .. } => self.clock_ran_out(step),
            Event::ClockEnded { ran_ms, heard, .. } => self.clock_ended(step, *ran_ms, heard, remarks.measured),
            Event::ClockReinstated { .. } => self.clock_reinstated(step),
            _ => {}
        }
    }

    fn clock_started(&mut self, step: StepIndex) {
        let Some(clock) = self.state.clocks.get(&step).copied() else { return };
        self.alarms.give_voice(ClockId::Step(step), ClockVoice::of(&clock, self.now));
        self.ask(clock.by);
        if let Answer::Clock(answer) = &self.job.step(step).answer {
            let text = answer.started.clone();
            self.say_prompt_to(clock.by, Priority::Prompt, text);
        }
        self.advance();
    }

    fn clock_ran_out(&mut self, step: StepIndex) {
        let Answer::Clock(answer) = self.job.step(step).answer.clone() else { return };
        let Some(clock) = self.state.clocks.get(&step).copied() else { return };
        if answer.hazard() {
            // The alarm itself has already begun; the clock's own step is what counts now.
            let talk = self.talk_of_mut(clock.by);
            if !matches!(talk.asking, Asking::Note { .. }) {
                talk.asking = Asking::Step;
            }
            self.ask(clock.by);
            self.advance();
        } else {
            if !self.state.muted {
                let to = Audience::Person(clock.by);
                self.say_with_signal(to, Priority::Alarm, answer.alarm.clone(), Some(AlarmSignal::Time));
            }
            self.end_clock(step, HeardAs::Clock);
        }
    }

    fn clock_ended(&mut self, step: StepIndex, ran_ms: u64, heard: &HeardAs, measured: Option<TapMeasured>) {
        self.alarms.silence(&ClockId::Step(step));
        if let Answer::Clock(answer) = &self.job.step(step).answer
            && *heard != HeardAs::Clock
        {
            let ran = self.book.span(Duration::from_millis(ran_ms));
            let text = self.book.line(Line::ClockEnded, &[("name", &capital(&answer.name)), ("ran", &ran)]);
            let told = measured.map(|measured| match measured {
                TapMeasured::Flow(flow) => self.book.line(Line::FlowMeasured, &[("flow", &flow)]),
                TapMeasured::Unusable => self.book.line(Line::FlowUnusable, &[]),
            });
            // Whoever started it hears of it, and whoever ended it.
            for text in [Some(text), told].into_iter().flatten() {
                if !self.is_at(self.state.focus, self.at) {
                    self.lead_in(self.state.focus, text.clone());
                }
                self.lead_in_here(text);
            }
            // An alarm in the air is about this clock, and it is over; another one that rings comes again by itself.
            self.send(Audience::All, Output::Hush(Priority::Alarm));
            self.alarms.sounding = None;
        }
        let person = self.state.focus;
        self.ask_at(self.station_of(person));
        // A step that was asked for beside the clock is still asked for: it is said again, for the person was busy.
        if let Some(step) = self.state.current().filter(|&step| self.state.next_for(&self.job, person) == Some(step)) {
            self.say_step(person, step);
        }
        self.advance();
    }

    fn clock_reinstated(&mut self, step: StepIndex) {
        let Some(clock) = self.state.clocks.get(&step).copied() else { return };
        self.alarms.give_voice(ClockId::Step(step), ClockVoice::of(&clock, self.now));
        if let Answer::Clock(answer) = &self.job.step(step).answer {
            let text = self.book.line(Line::Reinstated, &[("name", &answer.name), ("end", &answer.end[0])]);
            self.say_useful(Audience::Person(clock.by), Priority::Caution, text);
        }
        self.advance();
    }

    fn timer_ended(&mut self, name: &str, ran_ms: u64, heard: &HeardAs) {
        self.alarms.silence(&ClockId::Timer(name.to_owned()));
        if *heard != HeardAs::Clock {
            let ran = self.book.span(Duration::from_millis(ran_ms));
            self.send(Audience::All, Output::Hush(Priority::Alarm));
            // What was in the air may have been the alarm of another clock.
            self.alarms.sounding = None;
            let text = self.book.line(Line::TimerEnded, &[("name", &capital(name)), ("ran", &ran)]);
            self.say(self.here(), Priority::Prompt, text);
        }
        // The gate may have been waiting for it.
        self.pass_gate();
    }

    pub(in crate::engine) fn hold_begun(&mut self, step: StepIndex, heard: &HeardAs) {
        let Answer::Hold(hold) = self.job.step(step).answer.clone() else { return };
        let person = self.state.holder(step).unwrap_or(self.state.focus);
        let (ends, counts) = (self.now + hold.length, marks::hold_counts(hold.length));
        self.alarms.holding = Some(Holding { step, person, ends, counts, heard: heard.clone() });
        self.say(Audience::Person(person), Priority::Caution, hold.hold);
    }
}
