//! What can be said at any step.

use super::super::answer::untested;
use super::super::core::Engine;
use super::super::event::{Event, HeardAs};
use super::super::output::{Audience, Output, Priority, VoiceSettings};
use super::super::phrasebook::{Command, Line, Reason};
use super::super::state::{StepState, guards};
use super::person::Reminder;
use super::vocabulary::Asking;
use crate::rig::Stands;
use crate::routine::{Answer, StepIndex};

impl Engine {
    pub(in crate::engine) fn obey(&mut self, command: Command, heard: HeardAs) {
        let focus = self.focus();
        self.forget_reminder(focus);
        match command {
            Command::Stop => self.send(Audience::All, Output::Hush(Priority::Caution)),
            Command::Louder | Command::Quieter | Command::Slower | Command::Faster => {}
            _ => self.hush_prompts(),
        }
        // They have gone on; what they only want to hear better, or to take back, is asked still.
        let of_it = matches!(
            command,
            Command::SayAgain
                | Command::NeverMind
                | Command::Louder
                | Command::Quieter
                | Command::Slower
                | Command::Faster
        );
        if !of_it && self.talk().asking.is_asked_back() {
            self.talk_mut().asking = Asking::Step;
        }
        match command {
            Command::SayAgain => self.say_again(),
            Command::Explain => self.explain(),
            Command::HowLong => self.say_how_long(),
            Command::WhatIsLeft => self.say_what_is_left(),
            Command::WhereAreWe => self.say_where(),
            Command::WhatCanIAnswer => self.say_what_can_be_answered(),
            Command::StandBy => self.stand_by(self.standing_by_text()),
            Command::Rest => self.stand_by(self.rest_text()),
            Command::Stop => {
                let held = self.alarms.holding.is_some();
                self.stand_by(if held { self.book.line(Line::HoldStopped, &[]) } else { self.held_text() });
            }
            // Said to somebody else, or once too often: there was no pause.
            Command::GoAhead if !self.state.standing_by && self.stands_at_a_gate() && self.state.keeps_back() => {
                self.talk_mut().asking = Asking::Step;
                self.test_after_all();
            }
            Command::GoAhead if !self.state.standing_by => self.back_to_step(Line::WentOn),
            Command::GoAhead => {
                self.talk_mut().asking = Asking::Step;
                self.commit(Event::WentAhead);
            }
            Command::NotYet => {
                self.say_line(self.here(), Priority::Chat, Line::NotYet);
                self.briefed[focus].reminder = Reminder::Due;
                self.arm_reminder(focus);
            }
            Command::Correction => self.correct(&heard),
            Command::Skip => self.ask_why_skip(),
            Command::EndRun => self.ask_end(),
            Command::NeverMind => self.never_mind(),
            Command::Note => self.ask_note(),
            Command::DoneWithThat => self.done_with_notes(&heard),
            Command::WhatIsOut => self.say_what_is_out(),
            Command::AreWeReady => self.say_gate(),
            Command::AreWeOnTime => self.ask_on_time(),
            Command::ClockOff => self.clock_off(heard),
            Command::Louder => self.change_voice(0.0, VOLUME_STEP_DB, Line::Louder),
            Command::Quieter => self.change_voice(0.0, -VOLUME_STEP_DB, Line::Quieter),
            Command::Slower => self.change_voice(-SPEED_STEP, 0.0, Line::Slower),
            Command::Faster => self.change_voice(SPEED_STEP, 0.0, Line::Faster),
        }
    }

    /// Everybody stops; what was being asked anywhere besides the steps is dropped.
    fn stand_by(&mut self, reply: String) {
        for talk in self.talks.all_mut() {
            // A note is heard out.
            if !matches!(talk.asking, Asking::Note { .. }) {
                talk.asking = Asking::Step;
            }
        }
        self.talk_mut().asking = Asking::Step;
        // What was pressed on a screen that does not show the pause yet neither ends it nor answers anything.
        for station in self.talks.ids() {
            self.ask_at(station);
        }
        self.commit_and_say(Event::StandingBy, Some(reply));
    }

    /// Reopens the last step that was settled by somebody who is spoken with here, with all that hung on it. A clock that was
    /// ended by mistake runs again from its old start; one that runs is ended by its own words only.
    fn correct(&mut self, heard: &HeardAs) {
        self.talk_mut().asking = Asking::Step;
        let last = self.state.trail.iter().rfind(|settled| self.is_at(settled.by, self.at)).cloned();
        if let Some(step) = self.state.hazard(&self.job)
            && self.state.alone()
            && let Answer::Clock(clock) = &self.job.step(step).answer
            && last.as_ref().is_none_or(|last| self.job.step(last.step).during != Some(step))
        {
            let text = self.book.line(Line::CorrectionClock, &[("name", &clock.name), ("end", &clock.end[0])]);
            self.say_useful(self.here(), Priority::Prompt, text);
            return;
        }
        if let Some(before) = self.state.before_loop.as_ref().filter(|before| self.is_at(before.by, self.at)) {
            let step = self.step_id(before.question);
            return self.commit(Event::LoopUndone { step });
        }
        let Some(last) = last else {
            return self.say_line(self.here(), Priority::Prompt, Line::NothingToCorrect);
        };
        if guards(&self.job, last.step) && last.clock.is_some() {
            return self.commit(Event::ClockReinstated { step: self.step_id(last.step) });
        }
        if self.state.steps[last.step] == StepState::Away {
            let things = self.job.step(last.step).undoes.clone();
            let told = |thing| Event::ThingTold { thing, stands: Stands::Unknown, heard: heard.clone() };
            return things.into_iter().map(told).for_each(|event| self.commit(event));
        }
        let mut steps = vec![last.step];
        steps.extend(self.state.hangs_on(&self.job, last.step));
        // What hangs on a step and guards a hazard was ended long ago: it is begun anew when its turn comes.
        let steps = steps.into_iter().map(|step| self.step_id(step)).collect();
        self.commit(Event::StepsReopened { steps, because: "correction".to_owned() });
    }

    fn ask_why_skip(&mut self) {
        let Some((_, step)) = self.asked_at(self.at) else {
            return;
        };
        if self.state.standing_by {
            self.say_line(self.here(), Priority::Prompt, Line::Standing);
            return;
        }
        let step_of_a_card = self.state.card.is_some();
        let settled = !self.state.is_open(step) || self.job.is_gate(step);
        let kept = !self.job.step(step).may_be_skipped();
        if kept || self.state.clocks.contains_key(&step) || step_of_a_card || settled {
            self.refuse_to_skip(step);
            return;
        }
        self.talk_mut().asking = Asking::SkipReason { step };
        self.ask_here();
        // What is to be skipped is not held on to meanwhile, and not taken for done when its count ends.
        let held = self.alarms.holding.as_ref().is_some_and(|holding| holding.step == step);
        let mut text: Vec<String> = held.then(|| self.let_go()).flatten().into_iter().collect();
        text.push(self.to_person(self.focus(), self.book.line(Line::SkipWhy, &[])));
        self.say_useful(self.here(), Priority::Prompt, text.join(" "));
    }

    /// With the way on that there is: whoever cannot test what can hurt says so. Cards, what is settled and running clocks know no such answer.
    pub(in crate::engine) fn refuse_to_skip(&mut self, step: StepIndex) {
        let way_out = untested(&self.step_now(self.focus(), step)).is_some();
        let line = if way_out { Line::SkipRefused } else { Line::SkipNotNow };
        let text = self.book.line(line, &[("call", &self.call_of(step))]);
        self.say_useful(self.here(), Priority::Caution, text);
    }

    pub(in crate::engine) fn skip_because(&mut self, step: StepIndex, reason: Reason) {
        self.talk_mut().asking = Asking::Step;
        if !self.state.is_open(step) {
            return;
        }
        let id = self.step_id(step);
        if reason != Reason::Later {
            let reason = self.book.reason(reason)[0].clone();
            return self.commit(Event::StepSkipped { step: id, reason });
        }
        let others = self.state.open(&self.job).filter(|&other| other != step).count();
        if others > 0 {
            self.commit(Event::StepDeferred { step: id });
        } else {
            let open = self.state.open(&self.job).map(|open| self.step_id(open)).collect();
            self.commit(Event::GateHeld { open });
        }
    }

    fn ask_end(&mut self) {
        if let Some(text) = self.hazard_first() {
            self.say_useful(self.here(), Priority::Caution, text);
            return;
        }
        self.ask_here();
        let count = self.steps_text(self.state.not_done(&self.job).count());
        let text = self.book.line(Line::EndSure, &[("count", &count)]);
        self.say_useful(self.here(), Priority::Prompt, text);
        self.talk_mut().asking = Asking::EndRun;
    }

    /// What must be said before the run may end, where a clock guards a hazard.
    pub(in crate::engine) fn hazard_first(&self) -> Option<String> {
        match &self.job.step(self.state.hazard(&self.job)?).answer {
            Answer::Clock(clock) => {
                Some(self.book.line(Line::ClockFirst, &[("name", &clock.name), ("end", &clock.end[0])]))
            }
            _ => None,
        }
    }

    pub(in crate::engine) fn ask_timer(&mut self, clock: usize) {
        let words = self.book.clocks()[clock].clone();
        if let Some(timer) = self.state.timers.get(&words.name) {
            let left = self.book.span(timer.ends().since(self.now));
            let text = self.book.line(Line::TimerRuns, &[("name", &words.name), ("left", &left)]);
            self.say_useful(self.here(), Priority::Prompt, text);
            return;
        }
        self.ask_here();
        let text = self.book.line(Line::TimerAsk, &[("name", &words.name)]);
        self.say_useful(self.here(), Priority::Prompt, text);
        self.talk_mut().asking = Asking::Timer(clock);
    }

    pub(in crate::engine) fn start_timer(&mut self, clock: usize, heard: HeardAs) {
        self.talk_mut().asking = Asking::Step;
        let words = self.book.clocks()[clock].clone();
        self.note_who_speaks();
        self.commit(Event::TimerStarted { name: words.name, length_ms: words.seconds * 1_000, heard });
    }

    fn clock_off(&mut self, heard: HeardAs) {
        let names: Vec<String> = self.state.timers.keys().cloned().collect();
        match names.as_slice() {
            [] => {
                let text = self.book.line(Line::TimerNone, &[]);
                self.say_useful(self.here(), Priority::Prompt, text);
            }
            [name] => self.end_timer(name, heard),
            several => {
                let text = self.book.line(Line::TimerWhich, &[("names", &several.join(", "))]);
                self.say_useful(self.here(), Priority::Prompt, text);
            }
        }
    }

    fn change_voice(&mut self, speed: f32, volume_db: f32, line: Line) {
        let old = self.state.voice;
        let new = VoiceSettings {
            // Rounded, or ten steps of a tenth would not come back to where they began.
            speed: ((old.speed + speed) * 10.0).round().clamp(SLOWEST, FASTEST) / 10.0,
            volume_db: (old.volume_db + volume_db).clamp(QUIETEST_DB, LOUDEST_DB),
        };
        let line = if new == old { Line::VoiceLimit } else { line };
        let reply = Some(self.book.line(line, &[]));
        self.commit_and_say(Event::VoiceChanged { speed: new.speed, volume_db: new.volume_db }, reply);
    }
}

const VOLUME_STEP_DB: f32 = 3.0;
const SPEED_STEP: f32 = 0.1;
/// Tenths of the usual pace.
const SLOWEST: f32 = 6.0;
const FASTEST: f32 = 15.0;
const QUIETEST_DB: f32 = -18.0;
const LOUDEST_DB: f32 = 6.0;
