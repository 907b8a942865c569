//! What is done when an alarm is due, and whom it is told.

use std::time::Duration;

use super::super::core::Engine;
use super::super::dialogue::capital;
use super::super::dialogue::person::Reminder;
use super::super::event::{Event, HeardAs};
use super::super::output::{AlarmSignal, Audience, Output, Priority};
use super::super::people::PersonIndex;
use super::super::phrasebook::Line;
use super::super::state::RunningClock;
use super::marks::{self, Mark};
use super::{Alarm, ClockId, ClockVoice, EndOfClock, Holding, Watched};
use crate::routine::{Answer, ClockAnswer, StepIndex};

impl Engine {
    /// Clocks come before everything else that happens at the same moment: an alarm waits for nobody's record.
    pub(in crate::engine) fn run_clocks(&mut self) {
        if self.alarms.watched == Watched::OnceResumed {
            return;
        }
        let mut last = None;
        while let Some(alarm) = self.next_due(last.as_ref()) {
            self.alarms.armed.remove(&alarm);
            match &alarm {
                Alarm::Clock(ClockId::Step(step)) => self.run_clock(*step),
                Alarm::Clock(ClockId::Timer(name)) => self.run_timer(name),
                Alarm::Count => self.count_down(),
                Alarm::Told => self.told_by_now(),
                Alarm::NotePatience(station) => self.note_never_came(*station),
                Alarm::LastWords => self.end_after_last_words(),
                Alarm::Reminder(person) => self.remind(*person),
                Alarm::Order(person) => self.order_again(*person),
            }
            last = Some(alarm);
        }
    }

    fn run_clock(&mut self, step: StepIndex) {
        let Some(clock) = self.state.clocks.get(&step).copied() else { return };
        let Answer::Clock(answer) = self.job.step(step).answer.clone() else { return };
        self.turn_to(clock.by);
        let now = self.now;
        let voice = self.voice_of(ClockId::Step(step), &clock);
        let due = voice.due_mark(now);
        let ended = clock.ends() <= now;
        if ended && voice.end == EndOfClock::Ahead {
            voice.end = EndOfClock::Told;
            voice.next_ring = Some(now);
            if !clock.ran_out {
                self.commit(Event::ClockRanOut { step: self.step_id(step) });
            }
        }
        let ringing = ended || clock.ran_out;
        if let Some(mark) = due.filter(|_| !ringing && !self.state.muted) {
            self.say_mark(&answer.name, &clock, mark);
        }
        if ringing && answer.hazard() {
            self.ring(step, &answer);
        }
    }

    fn voice_of(&mut self, id: ClockId, clock: &RunningClock) -> &mut ClockVoice {
        let now = self.now;
        self.alarms.voices.entry(id).or_insert_with(|| ClockVoice::of(clock, now))
    }

    fn ring(&mut self, step: StepIndex, answer: &ClockAnswer) {
        let now = self.now;
        let busy = self.alarms.sounding.is_some();
        // Where everybody was sent out nothing may call them back.
        if self.state.muted {
            return;
        }
        let Some(voice) = self.alarms.voices.get_mut(&ClockId::Step(step)) else { return };
        let Some(due) = voice.next_ring.filter(|at| *at <= now) else { return };
        if busy && now.since(due) < marks::LONGEST_ALARM {
            // The last one is still being said: two on top of each other are understood by nobody.
            return;
        }
        let repeat = voice.repeat;
        voice.rang(now);
        self.say_alarm(answer, repeat);
    }

    /// A hazard is everybody's business.
    fn say_alarm(&mut self, clock: &ClockAnswer, repeat: u32) {
        let ends = self.book.line(Line::AlarmAnswer, &[("end", &clock.end[0])]);
        self.remember(Audience::All, &format!("{} {ends}", clock.alarm));
        let text = match repeat {
            0 => clock.alarm.clone(),
            // Now and then with the words that end it, for who has forgotten them.
            n if n % 3 == 0 => ends,
            _ => clock.alarm_short.clone(),
        };
        self.sound_hazard(text, repeat);
    }

    pub(in crate::engine) fn sound_hazard(&mut self, text: String, repeat: u32) {
        let signal = Some(AlarmSignal::Hazard { repeat });
        self.alarms.sounding = Some(self.say_with_signal(Audience::All, Priority::Alarm, text, signal));
    }

    /// Clocks that a person set guard nothing: they ring a few times, for whoever set them, and then rest.
    fn run_timer(&mut self, name: &str) {
        let Some(timer) = self.state.timers.get(name).copied() else { return };
        self.turn_to(timer.by);
        let (now, muted) = (self.now, self.state.muted);
        let id = ClockId::Timer(name.to_owned());
        let voice = self.voice_of(id.clone(), &timer);
        let due = voice.due_mark(now);
        let ended = timer.ends() <= now || timer.ran_out;
        if ended && voice.end == EndOfClock::Ahead {
            voice.end = EndOfClock::Told;
            voice.next_ring = Some(now);
            if !timer.ran_out {
                self.commit(Event::TimerRanOut { name: name.to_owned() });
            }
        }
        if let Some(mark) = due.filter(|_| !ended && !muted) {
            self.say_mark(name, &timer, mark);
        }
        let Some(voice) = self.alarms.voices.get_mut(&id).filter(|_| ended && !muted) else { return };
        if voice.next_ring.is_none_or(|at| at > now) {
            return;
        }
        voice.repeat += 1;
        voice.next_ring = (voice.repeat <= marks::TIMER_RINGS).then(|| now + marks::TIMER_GAP);
        if voice.next_ring.is_none() {
            self.end_timer(name, HeardAs::Clock);
        } else {
            let text = self.book.line(Line::TimerUp, &[("name", name)]);
            self.say_with_signal(Audience::Person(timer.by), Priority::Alarm, text, Some(AlarmSignal::Time));
        }
    }

    /// A mark on the way, for whoever holds the clock; by name where more than one runs.
    fn say_mark(&mut self, name: &str, clock: &RunningClock, mark: Mark) {
        let left = self.book.span(clock.ends().since(self.now));
        let text = match mark {
            Mark::Half => self.book.line(Line::ClockHalf, &[("left", &left)]),
            Mark::Minute => self.book.line(Line::ClockMinute, &[]),
            Mark::TenSeconds => self.book.line(Line::ClockTen, &[]),
        };
        let several = self.state.clocks.len() + self.state.timers.len() > 1;
        let text =
            if several { self.book.line(Line::ToPerson, &[("name", &capital(name)), ("text", &text)]) } else { text };
        self.say(Audience::Person(clock.by), Priority::Caution, text);
    }

    fn count_down(&mut self) {
        let Some(holding) = &mut self.alarms.holding else { return };
        let left = holding.ends.since(self.now);
        let mut due = None;
        while let Some(&count) = holding.counts.front().filter(|count| left <= Duration::from_secs(**count)) {
            due = Some(count);
            holding.counts.pop_front();
        }
        let (person, over) = (holding.person, holding.ends <= self.now);
        if over {
            let Some(holding) = self.alarms.holding.take() else { return };
            if let Answer::Hold(hold) = self.job.step(holding.step).answer.clone() {
                self.turn_to(person);
                self.say(Audience::Person(person), Priority::Caution, hold.release);
                let (step, answer) = (self.step_id(holding.step), hold.ready[0].clone());
                self.commit(Event::StepAnswered { step, answer, heard: holding.heard });
            }
        } else if let Some(count) = due {
            let text = self.book.line(Line::HoldCount, &[("count", &count.to_string())]);
            self.say(Audience::Person(person), Priority::Caution, text);
        }
    }

    /// What is being held while it is counted counts for nothing once a step before it is open again, or whoever holds it is asked for it no more:
    /// it is let go of.
    pub(in crate::engine) fn let_go_of_what_lost_its_ground(&mut self) {
        let ground = |step: StepIndex| self.job.before[step].iter().all(|&before| !self.state.is_open(before));
        let stands = |holding: &Holding| ground(holding.step) && self.state.asks_for(holding.person, holding.step);
        if let Some(holding) = self.alarms.holding.as_ref().filter(|holding| !stands(holding)) {
            let person = holding.person;
            if let Some(release) = self.let_go() {
                self.lead_in(person, release);
            }
        }
    }

    /// Nothing is held and counted any more; gives what tells whoever held it.
    pub(in crate::engine) fn let_go(&mut self) -> Option<String> {
        let holding = self.alarms.holding.take()?;
        match &self.job.step(holding.step).answer {
            Answer::Hold(hold) => Some(hold.release.clone()),
            _ => None,
        }
    }

    fn told_by_now(&mut self) {
        if let Some(telling) = &self.alarms.telling {
            self.told_once(telling.speech);
        }
    }

    /// Ends the program where the last words of the run are over.
    pub(in crate::engine) fn end_after_last_words(&mut self) {
        self.alarms.disarm(&Alarm::LastWords);
        if self.alarms.last_words.take().is_some() {
            self.send(Audience::All, Output::Ended);
        }
    }

    /// Ends the clock of a step, by a person or, where nothing is guarded, by itself.
    pub(in crate::engine) fn end_clock(&mut self, step: StepIndex, heard: HeardAs) {
        if let Some(clock) = self.state.clocks.get(&step) {
            let ran_ms = u64::try_from(self.now.since(clock.started).as_millis()).unwrap_or(u64::MAX);
            self.commit(Event::ClockEnded { step: self.step_id(step), ran_ms, heard });
        }
    }

    pub(in crate::engine) fn end_timer(&mut self, name: &str, heard: HeardAs) {
        if let Some(timer) = self.state.timers.get(name) {
            let ran_ms = u64::try_from(self.now.since(timer.started).as_millis()).unwrap_or(u64::MAX);
            self.commit(Event::TimerEnded { name: name.to_owned(), ran_ms, heard });
        }
    }

    /// One soft reminder a step, well over its usual time: a person at work is silent for minutes.
    pub(in crate::engine) fn arm_reminder(&mut self, person: PersonIndex) {
        let due = self.briefed[person].reminder == Reminder::Due;
        let Some(step) = self.reminds_of(person).filter(|_| due) else { return };
        let usual = self.job.step(step).usual;
        self.alarms.arm(Alarm::Reminder(person), self.now + (usual * 2 + REMINDER_SLACK).max(REMINDER_LEAST));
    }
}

/// From one time to the next that it is said what to go on doing. Common practice, no source: short of losing the beat, and most of it left to the
/// voice on the phone.
pub(in crate::engine) const ORDER_GAP: Duration = Duration::from_secs(20);
const REMINDER_SLACK: Duration = Duration::from_secs(60);
const REMINDER_LEAST: Duration = Duration::from_secs(180);
