//! Going on: after a pause, and after the program was away.

use std::time::Duration;

use super::super::alarm::{ClockId, ClockVoice};
use super::super::core::Engine;
use super::super::event::{Event, HeardAs};
use super::super::output::{Audience, Output, Priority};
use super::super::phrasebook::Line;
use super::super::state::RunningClock;
use super::person::Reminder;
use super::vocabulary::Asking;
use crate::routine::{Answer, ClockAnswer, StepIndex};

impl Engine {
    /// After a pause: the call after a short one; the routine, the last confirmed step and the next after a long one (NASA
    /// CR-177549); after a very long one the section is offered to be gone through again.
    pub(in crate::engine) fn went_ahead(&mut self) {
        for station in self.talks.ids() {
            self.ask_at(station);
        }
        self.briefed.iter_mut().for_each(|briefing| briefing.reminder = Reminder::Due);
        if self.asks_how_it_stands() {
            return self.ask_how_it_stands();
        }
        let pause = self.now.since(self.state.standing_since);
        let (focus, current) = (self.focus(), self.current());
        if let Some(step) = current.filter(|&step| matches!(self.job.step(step).answer, Answer::Told { .. })) {
            self.say_step(focus, step);
            return self.advance();
        }
        let text = self.went_ahead_text(pause >= LONG);
        if pause >= VERY_LONG && self.offer_check(&text, pause) {
            return;
        }
        self.say_prompt(text);
        for person in self.state.here().collect::<Vec<_>>() {
            let elsewhere = !self.is_at(person, self.at);
            if person == focus && !elsewhere {
                continue;
            }
            if let Some(step) = self.state.people[person].current.filter(|&step| elsewhere || current != Some(step)) {
                self.say_step(person, step);
            }
        }
        self.pass_gate();
    }

    /// Offers to go through the section again; says so, and whether there is anything to go through.
    fn offer_check(&mut self, lead: &str, pause: Duration) -> bool {
        let section = self.section_now();
        let steps = section.map(|section| self.state.still_so(&self.job, section)).unwrap_or_default();
        if steps.is_empty() || !self.state.clocks.is_empty() || self.state.card.is_some() {
            return false;
        }
        self.ask_here();
        let pause = self.book.span(Duration::from_secs(pause.as_secs() / 60 * 60));
        let text = self.book.line(Line::LongPause, &[("pause", &pause)]);
        self.say_useful(self.here(), Priority::Prompt, format!("{lead} {text}"));
        self.talk_mut().asking = Asking::CheckAgain;
        true
    }

    pub(in crate::engine) fn check_section_again(&mut self) {
        self.talk_mut().asking = Asking::Step;
        let Some(section) = self.section_now() else { return };
        let steps = self.state.still_so(&self.job, section).into_iter().map(|step| self.step_id(step)).collect();
        self.commit(Event::CheckAsked { steps, because: super::super::apply::LONG_PAUSE.to_owned() });
    }

    /// The section of the step that is asked for; between two, that of the last one settled.
    fn section_now(&self) -> Option<usize> {
        let last = self.state.trail.last().map(|settled| settled.step);
        let current = self.current().map(|step| self.job.step(step).section);
        let section = current.filter(|&section| !self.state.still_so(&self.job, section).is_empty());
        section.or_else(|| last.map(|step| self.job.step(step).section))
    }

    /// Where we were; and whatever could not be watched while the program was away is alarming now.
    pub(in crate::engine) fn resumed(&mut self, away_ms: Option<u64>) {
        self.alarms.watch();
        self.send(Audience::All, Output::SetVoice(self.state.voice));
        let running: Vec<(StepIndex, RunningClock)> = self.state.clocks.iter().map(|(s, c)| (*s, *c)).collect();
        let mut guarding = false;
        for (step, clock) in running {
            let Answer::Clock(answer) = self.job.step(step).answer.clone() else { continue };
            guarding |= answer.hazard();
            if answer.hazard() {
                self.resume_hazard(step, &clock, &answer, away_ms);
            } else {
                self.resume_clock(step, &clock, &answer, away_ms);
            }
        }
        if away_ms.is_none() {
            // Nobody knows how much of them is left: they are taken as over.
            let timers: Vec<String> =
                self.state.timers.iter().filter(|(_, t)| !t.ran_out).map(|(name, _)| name.clone()).collect();
            timers.into_iter().for_each(|name| self.commit(Event::TimerRanOut { name }));
        }
        self.ask_here();
        if self.state.ended.is_none() {
            self.go_on(away_ms, guarding);
        }
    }

    /// A washing that nobody timed to its end is begun again; what stands by itself has stood as long.
    fn resume_clock(&mut self, step: StepIndex, clock: &RunningClock, answer: &ClockAnswer, away_ms: Option<u64>) {
        let over = clock.ran_out || clock.ends() <= self.now;
        if away_ms.is_none() || (over && !answer.frees_hands(clock.length)) {
            let steps = vec![self.step_id(step)];
            self.commit(Event::StepsReopened { steps, because: "away".to_owned() });
            self.alarms.give_voice(ClockId::Step(step), ClockVoice::past());
        } else if clock.ran_out {
            // It was told before the program went away, and what follows that was not written any more.
            self.end_clock(step, HeardAs::Clock);
        }
    }

    /// A hazard that may be over rings at once; where alarms are muted, as soon as it may.
    fn resume_hazard(&mut self, step: StepIndex, clock: &RunningClock, answer: &ClockAnswer, away_ms: Option<u64>) {
        let over = clock.ran_out || clock.ends() <= self.now;
        if away_ms.is_some() && !over {
            return;
        }
        let mut voice = ClockVoice { next_ring: Some(self.now), ..ClockVoice::past() };
        if !self.state.muted {
            let line = if away_ms.is_some() { Line::AlarmPast } else { Line::AlarmUnknown };
            self.sound_hazard(self.book.line(line, &[("alarm", &answer.alarm)]), 0);
            voice.rang(self.now);
        }
        self.alarms.give_voice(ClockId::Step(step), voice);
        if !clock.ran_out {
            self.commit(Event::ClockRanOut { step: self.step_id(step) });
        }
    }

    fn go_on(&mut self, away_ms: Option<u64>, guarding: bool) {
        if self.state.card.is_some() {
            // The card comes before everything; what rings beside it rings by itself.
            self.say_steps_again();
            return self.advance();
        }
        if self.asks_how_it_stands() {
            return self.ask_how_it_stands();
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
        if long && self.offer_check(&lead, Duration::from_millis(away_ms.unwrap_or(0))) {
            return;
        }
        self.lead_in_here(lead);
        self.say_steps_again();
        self.pass_gate();
    }
}

/// After less than this one has not left what one was doing.
const LONG: Duration = Duration::from_secs(60);
/// After a pause this long nobody is sure any more of what they did before it.
const VERY_LONG: Duration = Duration::from_secs(30 * 60);
