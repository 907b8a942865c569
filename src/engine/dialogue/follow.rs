//! What follows once an event is on record: what is said, and what is asked next.

use super::super::answer::{kind, numbers};
use super::super::apply::is_untested;
use super::super::core::Engine;
use super::super::event::Event;
use super::super::output::{Audience, Output, Priority};
use super::super::phrasebook::Line;
use super::super::practice::Opening;
use super::super::records::Remarks;
use super::capital;
use crate::routine::{Answer, Loop, StepIndex};

impl Engine {
    pub(in crate::engine) fn follow(&mut self, event: &Event, remarks: Remarks) {
        match event {
            Event::StepOffered { .. }
            | Event::StepAnswered { .. }
            | Event::OtherStateHeard { .. }
            | Event::LoopedBack { .. }
            | Event::LoopLimitReached { .. }
            | Event::SignalGiven { .. }
            | Event::SignalHalted { .. }
            | Event::Agreed { .. }
            | Event::ReadingTaken { .. }
            | Event::HoldBegun { .. }
            | Event::StepChecked { .. } => self.follow_answer(event),
            Event::ClockStarted { .. }
            | Event::ClockRanOut { .. }
            | Event::ClockEnded { .. }
            | Event::ClockReinstated { .. }
            | Event::TimerStarted { .. }
            | Event::TimerEnded { .. } => self.follow_clock(event, remarks),
            Event::LoopUndone { .. }
            | Event::StepsReopened { .. }
            | Event::StepSkipped { .. }
            | Event::NotHere { .. }
            | Event::StepDeferred { .. }
            | Event::CheckAsked { .. } => self.follow_order(event),
            _ => self.follow_run(event, remarks),
        }
    }

    /// What follows an answer to a step.
    fn follow_answer(&mut self, event: &Event) {
        let Some(step) = event.step().and_then(|id| self.job.index_of(id)) else { return };
        if matches!(event, Event::StepAnswered { .. } | Event::ReadingTaken { .. } | Event::StepChecked { .. }) {
            self.just_answered = Some(self.state.focus);
        }
        match event {
            Event::StepOffered { .. } => self.offered(step),
            Event::StepAnswered { answer, .. } | Event::StepChecked { answer, .. } => {
                let person = self.state.focus;
                let said = kind(&self.job.step(step).answer).said_back(&self.step_now(person, step), answer);
                // Where no harm can come of it the practised need not hear their answer back, unless nobody had asked.
                let answer_back = self.book.line(Line::Answered, &[("answer", &capital(answer))]);
                let unasked = self.briefed[person].reported.take_if(|reported| *reported == step).is_some();
                let plain = self.is_told_briefly(person, step) && !self.job.step(step).critical();
                let said = said.into_iter().filter(|text| !unasked && (!plain || *text != answer_back));
                said.for_each(|text| self.lead_in_here(text));
                if unasked {
                    self.lead_in_here(answer_back);
                }
                self.advance();
            }
            Event::OtherStateHeard { answer, .. } if is_untested(&self.job, step, answer) => {
                let asked = self.job.step(step);
                let text = match asked.tested_by.as_str() {
                    "" => self.book.line(Line::Untested, &[("name", &asked.name)]),
                    who => self.book.line(Line::UntestedWho, &[("name", &asked.name), ("who", who)]),
                };
                self.lead_in_here(capital(&text));
                self.advance();
            }
            Event::OtherStateHeard { answer, heard, .. } => {
                let text = kind(&self.job.step(step).answer).put_right(answer);
                if self.is_contradicted(step) {
                    // First what is to be done about it now.
                    text.into_iter().for_each(|text| self.lead_in_here(text));
                    self.doubt_what_was_recalled(step, heard);
                } else if let Some(text) = text {
                    self.put_right(step, text);
                    let again = kind(&self.job.step(step).answer).again(answer);
                    self.order(step, again);
                }
            }
            Event::ReadingTaken { .. } => self.reading_taken(step, event),
            Event::SignalGiven { answer, .. } => self.signal_given(step, answer),
            Event::SignalHalted { answer, .. } => self.signal_halted(step, answer),
            Event::Agreed { person, answer, .. } => self.agreed(step, person, answer),
            Event::HoldBegun { heard, .. } => self.hold_begun(step, heard),
            Event::LoopedBack { .. } => {
                let reply = self.loop_of(step).map(|back| back.back_reply.clone());
                reply.into_iter().for_each(|text| self.lead_in_here(text));
                self.advance();
            }
            Event::LoopLimitReached { .. } => {
                let reply = self.loop_of(step).map(|back| back.limit_reply.clone());
                reply.into_iter().for_each(|text| self.lead_in_here(text));
                self.advance();
            }
            _ => {}
        }
    }

    fn loop_of(&self, step: StepIndex) -> Option<&Loop> {
        match &self.job.step(step).answer {
            Answer::YesNo(question) => question.back.as_ref(),
            _ => None,
        }
    }

    fn reading_taken(&mut self, step: StepIndex, event: &Event) {
        let Event::ReadingTaken { value, least, most, decimals, unit, settles, .. } = event else { return };
        let shown = self.state.readings.get(&step).cloned().unwrap_or_default();
        let mut text = self.book.line(Line::ReadingKept, &[("number", &shown)]);
        if let Some(moved) = self.moved_text(step, *value, *decimals) {
            text = format!("{text} {moved}");
        }
        let inside = (*least..=*most).contains(value);
        if !inside {
            let low = numbers::shown(*least, *decimals, "");
            let high = numbers::shown(*most, *decimals, unit);
            text = format!("{text} {}", self.book.line(Line::OutOfBounds, &[("least", &low), ("most", &high)]));
        }
        if *settles {
            self.lead_in_here(text);
            return self.advance();
        }
        if let Answer::Number(number) = &self.job.step(step).answer {
            let reply = if value < least { &number.low_reply } else { &number.high_reply };
            text = format!("{text} {reply}");
        }
        self.put_right(step, text);
    }

    /// What follows when the order of things was changed.
    fn follow_order(&mut self, event: &Event) {
        use super::super::apply::{LAST_LOOK, SKIPPED};
        let line = match event {
            Event::StepsReopened { because, .. } if because == SKIPPED => Some(Line::CameBack),
            Event::LoopUndone { .. } | Event::StepsReopened { .. } => Some(Line::Reopened),
            Event::StepSkipped { .. } => Some(Line::Skipped),
            Event::NotHere { .. } => Some(Line::NotHere),
            Event::StepDeferred { .. } => Some(Line::Deferred),
            Event::CheckAsked { because, .. } if because == LAST_LOOK => Some(Line::LastLook),
            _ => None,
        };
        let reason = if let Event::StepSkipped { reason, .. } = event { reason.as_str() } else { "" };
        if let Some(line) = line {
            self.lead_in_here(self.book.line(line, &[("reason", reason)]));
        }
        self.advance();
    }

    /// What follows for the run as a whole.
    fn follow_run(&mut self, event: &Event, remarks: Remarks) {
        match event {
            Event::RunStarted { .. } | Event::CrewSet { .. } => {
                let first = match self.records.opening {
                    Opening::InFull => self.book.line(Line::WhatComesFirst, &[]),
                    Opening::HeardToday => String::new(),
                };
                let intro = self.job.routine.intro.clone();
                if !self.job.is_move() {
                    self.introduced[0] = true;
                }
                let opened = format!("{first} {intro}").trim().to_owned();
                if !opened.is_empty() {
                    self.say(Audience::All, Priority::Caution, opened);
                }
                self.advance();
            }
            Event::StandingBy => {
                self.alarms.let_go();
                self.say_reply(Audience::All, remarks);
            }
            Event::VoiceChanged { .. } => {
                self.send(Audience::All, Output::SetVoice(self.state.voice));
                self.say_reply(self.here(), remarks);
                // Whoever could not hear what was asked hears it in the new voice.
                if self.talk().asking.is_asked_back() {
                    self.say_again();
                }
            }
            Event::WentAhead => {
                self.work.since = Some(self.now);
                self.went_ahead();
            }
            Event::HandedOver { to, .. } => self.handed_over(to),
            Event::CardStarted { .. } => self.card_started(),
            Event::CardEnded { card } => self.card_ended(card),
            Event::NoteKept { .. } => {
                self.say_line(self.here(), Priority::Chat, Line::NoteKept);
                // A gate has waited for it.
                self.pass_gate();
            }
            Event::SpeechUnclear => self.say_unclear(),
            Event::HearingLost => self.hearing_is(Line::HearingLost, Priority::Caution),
            Event::HearingBack => self.hearing_is(Line::HearingBack, Priority::Chat),
            Event::Resumed { away_ms } => self.resumed(*away_ms),
            Event::GateHeld { open } => self.gate_held(open),
            Event::PartCompleted { part, skipped } => self.part_completed(part, skipped),
            Event::Overridden { .. } => self.advance(),
            Event::RemarksRecalled { .. } => self.advance(),
            Event::NoteDone { .. } => self.say_line(self.here(), Priority::Chat, Line::NoteDone),
            Event::LimitTold { person, cannot, .. } => self.limit_told(person, *cannot),
            Event::LimitsLifted { person, .. } => self.limits_lifted(person),
            Event::CannotDo { step, .. } => {
                if let Some(step) = self.job.index_of(step) {
                    self.cannot_do_told(step);
                }
            }
            Event::StretchOffered { steps } => {
                if let Some(first) = steps.first().and_then(|id| self.job.index_of(id)) {
                    self.offered(first);
                }
            }
            Event::RigRecalled { .. } if self.asks_how_it_stands() => self.ask_how_it_stands(),
            Event::RigRecalled { .. } | Event::RigAgreed { .. } => self.advance(),
            Event::ThingTold { thing, stands, .. } => self.thing_told(thing, *stands),
            Event::RunCompleted { skipped } => self.completed(skipped),
            Event::RunAbandoned => {
                let open = self.state.open(&self.job).count();
                let text = self.book.line(Line::Ended, &[("count", &self.steps_text(open))]);
                self.say_last_words(&[], text);
            }
            _ => {}
        }
    }

    fn say_reply(&mut self, to: Audience, remarks: Remarks) {
        if let Some(reply) = remarks.reply {
            self.say(to, Priority::Chat, reply);
        }
    }
}
