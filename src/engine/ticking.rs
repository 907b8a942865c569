//! Everything that happens because time passes: clocks, alarms, countdowns, reminders.

use std::collections::VecDeque;
use std::time::Duration;

use super::clocks::{self, Mark};
use super::core::Engine;
use super::event::{Event, HeardAs};
use super::output::{AlarmSignal, Priority, SpeechId};
use super::phrasebook::Line;
use super::state::RunningClock;
use super::vocabulary::Asking;
use crate::routine::{Answer, StepIndex};
use crate::units::SessionTime;

/// What a running clock has still to say.
#[derive(Clone, Debug, Default)]
pub(super) struct ClockVoice {
    pub marks: VecDeque<(SessionTime, Mark)>,
    pub next_alarm: Option<SessionTime>,
    pub repeat: u32,
    /// Its end has been told, or is being recorded.
    pub told: bool,
}

/// A step that is said and not asked for.
#[derive(Clone, Debug)]
pub(super) struct Telling {
    pub step: StepIndex,
    pub speech: SpeechId,
    pub left: u32,
    /// Taken as said by then, even where the voice never reports it.
    pub until: SessionTime,
}

/// A held time that is counted down.
#[derive(Clone, Debug)]
pub(super) struct Holding {
    pub step: StepIndex,
    pub ends: SessionTime,
    /// Seconds still to be said, largest first.
    pub counts: VecDeque<u64>,
    pub heard: HeardAs,
}

impl Engine {
    /// Clocks come before everything else that happens at the same moment: an alarm waits for nobody's record.
    pub(super) fn run_clocks(&mut self) {
        if self.resuming {
            return;
        }
        let running: Vec<(StepIndex, RunningClock)> = self.state.clocks.iter().map(|(s, c)| (*s, *c)).collect();
        for (step, clock) in running {
            let Answer::Clock(answer) = self.job.step(step).answer.clone() else {
                continue;
            };
            let now = self.now;
            let voice = self.voices.entry(step).or_insert_with(|| new_voice(&clock, now));
            let due = due_mark(voice, now);
            let ended = clock.ends() <= now;
            if ended && !voice.told {
                voice.told = true;
                voice.next_alarm = Some(now);
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
        self.run_timers();
        self.count_down();
        if let Some(telling) = self.telling.clone().filter(|telling| telling.until <= self.now) {
            self.told_once(telling.speech);
        }
        if self.note_until.is_some_and(|at| at <= self.now) {
            self.forget_note();
            // After the completion call nothing more is said.
            if matches!(self.asking, Asking::Note { .. }) && self.state.ended.is_none() {
                self.asking = Asking::Step;
                self.say_line(Priority::Chat, Line::NoteLost);
            }
            self.pass_gate();
        }
        let now = self.now;
        self.end_after_last_words(|_, until| until <= now);
        for person in 0..self.remind_at.len() {
            if self.remind_at[person].is_some_and(|at| at <= self.now) {
                self.remind_at[person] = None;
                self.remind(person);
            }
        }
    }

    fn ring(&mut self, step: StepIndex, answer: &crate::routine::ClockAnswer) {
        let now = self.now;
        let busy = self.alarm_speech.is_some();
        // Where everybody was sent out nothing may call them back.
        if self.state.muted {
            return;
        }
        let Some(voice) = self.voices.get_mut(&step) else {
            return;
        };
        if voice.next_alarm.is_none_or(|at| at > now) {
            return;
        }
        if busy && voice.next_alarm.is_some_and(|at| now.since(at) < LONGEST_ALARM) {
            // The last one is still being said: two on top of each other are understood by nobody.
            return;
        }
        let repeat = voice.repeat;
        voice.repeat += 1;
        voice.next_alarm = Some(now + clocks::alarm_gap(repeat));
        self.say_alarm(answer, repeat);
    }

    /// Clocks that a person set guard nothing: they ring a few times and then rest.
    fn run_timers(&mut self) {
        let running: Vec<(String, RunningClock)> = self.state.timers.iter().map(|(n, c)| (n.clone(), *c)).collect();
        for (name, timer) in running {
            let now = self.now;
            let muted = self.state.muted;
            let voice = self.timer_voices.entry(name.clone()).or_insert_with(|| new_voice(&timer, now));
            let due = due_mark(voice, now);
            let ended = timer.ends() <= now || timer.ran_out;
            if ended && !voice.told {
                voice.told = true;
                voice.next_alarm = Some(now);
                if !timer.ran_out {
                    self.commit(Event::TimerRanOut { name: name.clone() });
                }
            }
            if let Some(mark) = due.filter(|_| !ended && !muted) {
                self.say_mark(&name, &timer, mark);
            }
            let Some(voice) = self.timer_voices.get_mut(&name).filter(|_| ended && !muted) else { continue };
            if voice.next_alarm.is_some_and(|at| at <= now) {
                voice.repeat += 1;
                voice.next_alarm = Some(now + TIMER_GAP);
                if voice.repeat > TIMER_RINGS {
                    voice.next_alarm = None;
                    self.end_timer(&name, HeardAs::Clock);
                } else {
                    let text = self.book.line(Line::TimerUp, &[("name", &name)]);
                    self.say_with_signal(Priority::Alarm, text, Some(AlarmSignal::Time));
                }
            }
        }
    }

    pub(super) fn end_timer(&mut self, name: &str, heard: HeardAs) {
        if let Some(timer) = self.state.timers.get(name) {
            let ran_ms = u64::try_from(self.now.since(timer.started).as_millis()).unwrap_or(u64::MAX);
            self.commit(Event::TimerEnded { name: name.to_owned(), ran_ms, heard });
        }
    }

    /// What is being held while it is counted counts for nothing once a step before it is open again: it is let go of.
    pub(super) fn let_go_of_what_lost_its_ground(&mut self) {
        let ground = |step: StepIndex| self.job.before[step].iter().all(|&before| !self.state.is_open(before));
        if self.holding.as_ref().is_some_and(|holding| !ground(holding.step)) {
            let release = self.let_go();
            self.lead_in.extend(release);
        }
    }

    /// Nothing is held and counted any more; gives what tells whoever held it.
    pub(super) fn let_go(&mut self) -> Option<String> {
        let holding = self.holding.take()?;
        match &self.job.step(holding.step).answer {
            Answer::Hold(hold) => Some(hold.release.clone()),
            _ => None,
        }
    }

    fn count_down(&mut self) {
        let Some(holding) = &mut self.holding else { return };
        let left = holding.ends.since(self.now);
        let mut due = None;
        while let Some(&count) = holding.counts.front().filter(|count| left <= Duration::from_secs(**count)) {
            due = Some(count);
            holding.counts.pop_front();
        }
        if holding.ends <= self.now {
            let Some(holding) = self.holding.take() else { return };
            if let Answer::Hold(hold) = self.job.step(holding.step).answer.clone() {
                self.say(Priority::Caution, hold.release);
                let (step, answer) = (self.step_id(holding.step), hold.ready[0].clone());
                self.commit(Event::StepAnswered { step, answer, heard: holding.heard });
            }
        } else if let Some(count) = due {
            let text = self.book.line(Line::HoldCount, &[("count", &count.to_string())]);
            self.say(Priority::Caution, text);
        }
    }

    pub(super) fn next_deadline(&self) -> Option<SessionTime> {
        // After the last words only the end of them matters; a clock that a person had set is over with the run.
        if self.state.ended.is_some() {
            return self.last_words.map(|(_, until)| until);
        }
        let mut deadline: Option<SessionTime> = None;
        let mut earliest = |at: SessionTime| deadline = Some(deadline.map_or(at, |d| d.min(at)));
        self.remind_at.iter().flatten().copied().for_each(&mut earliest);
        self.note_until.iter().copied().for_each(&mut earliest);
        self.telling.iter().for_each(|telling| earliest(telling.until));
        if let Some(holding) = &self.holding {
            let next = holding.counts.front().map_or(Duration::ZERO, |&count| Duration::from_secs(count));
            let left = holding.ends.since(self.now);
            earliest(self.now + left.saturating_sub(next));
        }
        let clocks = self.state.clocks.iter().map(|(step, clock)| (self.voices.get(step), clock));
        let timers = self.state.timers.iter().map(|(name, clock)| (self.timer_voices.get(name), clock));
        for (voice, clock) in clocks.chain(timers) {
            let Some(voice) = voice else {
                earliest(self.now);
                continue;
            };
            if !voice.told {
                earliest(clock.ends());
            }
            if let Some((at, _)) = voice.marks.front() {
                earliest(*at);
            }
            if let Some(at) = voice.next_alarm.filter(|_| !self.state.muted) {
                earliest(at.max(self.now + POLL_WHILE_BUSY));
            }
        }
        deadline
    }
}

fn due_mark(voice: &mut ClockVoice, now: SessionTime) -> Option<Mark> {
    let mut due = None;
    while voice.marks.front().is_some_and(|(at, _)| *at <= now) {
        due = voice.marks.pop_front();
    }
    due.filter(|(at, _)| now.since(*at) < STALE_MARK).map(|(_, mark)| mark)
}

/// A clock that begins, or one that is found running after a restart: what has passed is not said any more.
pub(super) fn new_voice(clock: &RunningClock, now: SessionTime) -> ClockVoice {
    ClockVoice {
        marks: clocks::marks(clock).into_iter().filter(|(at, _)| *at > now).collect(),
        next_alarm: clock.ran_out.then_some(now),
        repeat: 0,
        told: clock.ran_out,
    }
}

/// The seconds that are said while something is held: every ten, and the last three.
pub(super) fn hold_counts(length: Duration) -> VecDeque<u64> {
    let seconds = length.as_secs();
    (1..seconds).rev().filter(|count| *count <= 3 || (count % 10 == 0 && seconds - count >= 5)).collect()
}

/// A mark that comes later than this (the machine slept) would say a wrong time.
const STALE_MARK: Duration = Duration::from_secs(3);
/// An alarm whose end was never reported is taken as over after this.
const LONGEST_ALARM: Duration = Duration::from_secs(20);
/// How often a due alarm is tried again while the last one is still being said.
const POLL_WHILE_BUSY: Duration = Duration::from_millis(100);
const TIMER_GAP: Duration = Duration::from_secs(30);
const TIMER_RINGS: u32 = 5;
