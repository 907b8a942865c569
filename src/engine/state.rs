//! What has happened in a run, rebuilt from its events alone. Applying an event never fails and never decides anything.

use std::collections::BTreeMap;
use std::time::Duration;

use super::event::Event;
use super::output::VoiceSettings;
use crate::routine::{Answer, Routine, StepIndex};
use crate::units::SessionTime;

/// The condition of a run.
#[derive(Clone, Debug, PartialEq)]
pub struct RunState {
    pub steps: Vec<StepState>,
    /// Put off by the person: comes back before the gate.
    pub deferred: Vec<bool>,
    pub clocks: BTreeMap<StepIndex, RunningClock>,
    /// The step that is asked for now.
    pub current: Option<StepIndex>,
    /// Since when.
    pub offered_at: SessionTime,
    /// How often each question was answered "no".
    pub rounds: BTreeMap<StepIndex, u32>,
    /// Settled steps in the order they were settled, the way back of "correction".
    pub trail: Vec<Settled>,
    /// The run as it was before the last "no" went back, as long as nothing has been settled since.
    pub before_loop: Option<Box<BeforeLoop>>,
    pub standing_by: bool,
    pub voice: VoiceSettings,
    pub ended: Option<Ending>,
    pub started: bool,
    /// When the last event happened.
    pub last_at: SessionTime,
}

#[derive(Clone, Debug, PartialEq)]
pub enum StepState {
    Open,
    Answered(String),
    Skipped(String),
}

/// A clock that has been started and not ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RunningClock {
    pub started: SessionTime,
    pub length: Duration,
    pub ran_out: bool,
}

impl RunningClock {
    pub fn ends(&self) -> SessionTime {
        self.started + self.length
    }
}

/// A step of the way back.
#[derive(Clone, Debug, PartialEq)]
pub enum Settled {
    Step(StepIndex),
    /// A clock that a person ended, with its start, so that it can run again as if it had not been.
    Clock(StepIndex, RunningClock),
}

impl Settled {
    pub fn step(&self) -> StepIndex {
        match self {
            Self::Step(step) | Self::Clock(step, _) => *step,
        }
    }
}

/// What "correction" needs to take a "no" back.
#[derive(Clone, Debug, PartialEq)]
pub struct BeforeLoop {
    pub question: StepIndex,
    steps: Vec<StepState>,
    trail: Vec<Settled>,
    rounds: BTreeMap<StepIndex, u32>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ending {
    Completed,
    Abandoned,
}

impl RunState {
    pub fn new(routine: &Routine, voice: VoiceSettings) -> Self {
        Self {
            steps: vec![StepState::Open; routine.steps.len()],
            deferred: vec![false; routine.steps.len()],
            clocks: BTreeMap::new(),
            current: None,
            offered_at: SessionTime::ZERO,
            rounds: BTreeMap::new(),
            trail: Vec::new(),
            before_loop: None,
            standing_by: false,
            voice,
            ended: None,
            started: false,
            last_at: SessionTime::ZERO,
        }
    }

    /// Takes over what an event says. Ids that the routine does not have are passed over: a run is only resumed with the
    /// routine that it began with, so there are none.
    pub fn apply(&mut self, routine: &Routine, at: SessionTime, event: &Event) {
        self.last_at = self.last_at.max(at);
        let index = |id: &String| routine.index_of(id);
        match event {
            Event::RunStarted { .. } => self.started = true,
            Event::StepOffered { step } => {
                self.current = index(step);
                self.offered_at = at;
            }
            Event::StepAnswered { step, answer, .. } => {
                if let Some(step) = index(step) {
                    self.settle(step, StepState::Answered(answer.clone()), Settled::Step(step));
                }
            }
            Event::OtherStateHeard { .. } => {}
            Event::LoopedBack { step, back_to, round, .. } => {
                if let (Some(step), Some(back_to)) = (index(step), index(back_to)) {
                    let before = BeforeLoop {
                        question: step,
                        steps: self.steps.clone(),
                        trail: self.trail.clone(),
                        rounds: self.rounds.clone(),
                    };
                    self.rounds.insert(step, *round);
                    let again = |i: &StepIndex| !routine.steps[*i].once;
                    self.reopen((back_to..=step).filter(again).collect());
                    self.before_loop = Some(Box::new(before));
                }
            }
            Event::LoopUndone { .. } => {
                if let Some(before) = self.before_loop.take() {
                    self.steps = before.steps;
                    self.trail = before.trail;
                    self.rounds = before.rounds;
                    self.current = None;
                }
            }
            Event::LoopLimitReached { step, round, .. } => {
                if let Some(step) = index(step) {
                    self.rounds.insert(step, *round);
                    self.settle(step, StepState::Answered(String::new()), Settled::Step(step));
                }
            }
            Event::ClockStarted { step, length_ms, .. } => {
                if let Some(step) = index(step) {
                    let length = Duration::from_millis(*length_ms);
                    self.clocks.insert(step, RunningClock { started: at, length, ran_out: false });
                    self.before_loop = None;
                }
            }
            Event::ClockRanOut { step } => {
                if let Some(clock) = index(step).and_then(|step| self.clocks.get_mut(&step)) {
                    clock.ran_out = true;
                }
            }
            Event::ClockEnded { step, .. } => {
                if let Some(step) = index(step)
                    && let Some(clock) = self.clocks.remove(&step)
                {
                    self.settle(step, StepState::Answered(String::new()), Settled::Clock(step, clock));
                }
            }
            Event::StepSkipped { step, reason } => {
                if let Some(step) = index(step) {
                    self.settle(step, StepState::Skipped(reason.clone()), Settled::Step(step));
                }
            }
            Event::StepDeferred { step } => {
                if let Some(step) = index(step) {
                    self.deferred[step] = true;
                    self.forget_current(step);
                }
            }
            Event::StepsReopened { steps, .. } => {
                let steps: Vec<_> = steps.iter().filter_map(index).collect();
                self.clocks.retain(|step, _| !steps.contains(step));
                self.reopen(steps);
            }
            Event::ClockReinstated { step } => {
                if let Some(step) = index(step) {
                    let place = self.trail.iter().rposition(|settled| settled.step() == step);
                    if let Some(Settled::Clock(_, clock)) = place.map(|place| self.trail.remove(place)) {
                        self.clocks.insert(step, clock);
                    }
                    self.reopen(vec![step]);
                }
            }
            Event::StandingBy => self.standing_by = true,
            Event::WentAhead => self.standing_by = false,
            Event::VoiceChanged { speed, volume_db } => {
                self.voice = VoiceSettings { speed: *speed, volume_db: *volume_db };
            }
            Event::RunCompleted { .. } => self.ended = Some(Ending::Completed),
            Event::RunAbandoned => self.ended = Some(Ending::Abandoned),
            Event::SpeechUnclear
            | Event::HearingLost
            | Event::HearingBack
            | Event::Resumed { .. }
            | Event::GateHeld { .. } => {}
        }
    }

    pub fn is_open(&self, step: StepIndex) -> bool {
        self.steps[step] == StepState::Open
    }

    /// Steps still open, the gate not counted.
    pub fn open<'a>(&'a self, routine: &'a Routine) -> impl Iterator<Item = StepIndex> + 'a {
        (0..self.steps.len()).filter(|&i| self.is_open(i) && routine.steps[i].answer != Answer::Gate)
    }

    /// Whether harm goes on that only a person can end.
    pub fn hazard(&self, routine: &Routine) -> Option<StepIndex> {
        let guards = |step: &StepIndex| matches!(&routine.steps[*step].answer, Answer::Clock(clock) if clock.hazard());
        self.clocks.keys().copied().find(guards)
    }

    /// The step to ask for next.
    ///
    /// In file order, what was put off last, the gate when nothing else is open. While a hazard clock runs, only steps within
    /// earshot that belong to it are offered; when there is none, the clock's own step is.
    pub fn next_step(&self, routine: &Routine) -> Option<StepIndex> {
        let settled = |step: &StepIndex| !self.is_open(*step);
        let ready = |i: &StepIndex| self.is_open(*i) && routine.steps[*i].after.iter().all(settled);
        if let Some((&clock, _)) = self.clocks.first_key_value() {
            let beside = |i: &StepIndex| {
                let step = &routine.steps[*i];
                step.during == Some(clock) && step.earshot && !self.deferred[*i] && ready(i)
            };
            // Once time is up nothing may draw the person away from ending it.
            let calm = !self.clocks[&clock].ran_out;
            return (0..routine.steps.len()).find(|i| calm && beside(i)).or(Some(clock));
        }
        // A step that belongs to a clock becomes ready again by itself once the clock's own step is settled.
        let its_clock_is_over = |i: &StepIndex| routine.steps[*i].during.is_none_or(|clock| !self.is_open(clock));
        let candidates = || {
            (0..routine.steps.len())
                .filter(|i| routine.steps[*i].answer != Answer::Gate && ready(i) && its_clock_is_over(i))
        };
        candidates().find(|i| !self.deferred[*i]).or_else(|| candidates().next()).or_else(|| {
            (self.open(routine).next().is_none()).then(|| routine.steps.len() - 1).filter(|&g| self.is_open(g))
        })
    }

    /// What hangs on a step: every settled step that had to come after it, directly or not.
    pub fn hangs_on(&self, routine: &Routine, step: StepIndex) -> Vec<StepIndex> {
        let mut reached = vec![false; routine.steps.len()];
        reached[step] = true;
        for i in step + 1..routine.steps.len() {
            reached[i] = routine.steps[i].after.iter().any(|&before| reached[before]);
        }
        (step + 1..routine.steps.len()).filter(|&i| reached[i] && !self.is_open(i)).collect()
    }

    fn settle(&mut self, step: StepIndex, state: StepState, settled: Settled) {
        self.steps[step] = state;
        self.deferred[step] = false;
        self.trail.retain(|before| before.step() != step);
        self.trail.push(settled);
        self.before_loop = None;
        self.forget_current(step);
    }

    fn reopen(&mut self, steps: Vec<StepIndex>) {
        for step in steps {
            self.steps[step] = StepState::Open;
            self.deferred[step] = false;
            self.trail.retain(|before| before.step() != step);
        }
        self.current = None;
    }

    fn forget_current(&mut self, step: StepIndex) {
        if self.current == Some(step) {
            self.current = None;
        }
    }
}
