//! The condition of a run, and what can be asked about it. It is rebuilt from the events alone (`apply.rs`).

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use super::joined::Move;
use super::people::{Hand, PersonIndex};
use crate::engine::event::Remark;
use crate::engine::output::VoiceSettings;
use crate::rig::RigState;
use crate::routine::{Answer, StepIndex};
use crate::units::SessionTime;

/// The condition of a run.
#[derive(Clone, Debug, PartialEq)]
pub struct RunState {
    /// The condition of each step.
    pub steps: Vec<StepState>,
    /// Put off by the person: comes back before the gate.
    pub deferred: Vec<bool>,
    /// Opened again and not settled since.
    pub reopened: Vec<bool>,
    /// Cannot be tested here: it stays open, nothing that hangs on it is offered, and the last gate names it.
    pub untested: Vec<bool>,
    /// Skipped because it could not be done, and asked for once more since.
    pub came_back: Vec<bool>,
    /// Nobody here can do it, or what must be done as one with it: it stays open until help is there, and the last gate names it.
    pub beyond: Vec<bool>,
    /// Somebody has said that help is there.
    pub helped: Vec<bool>,
    /// Left out because what it puts away was away, and looked at since.
    pub seen_away: Vec<bool>,
    /// Asked for by itself, and not in a stretch: it was in one already.
    pub singly: Vec<bool>,
    /// Running clocks of steps.
    pub clocks: BTreeMap<StepIndex, RunningClock>,
    /// Clocks that a person set, by name.
    pub timers: BTreeMap<String, RunningClock>,
    /// Everybody of the run, those included who are not here.
    pub people: Vec<Hand>,
    /// Whose question was asked last.
    pub focus: PersonIndex,
    pub(super) assigned: Option<(StepIndex, PersonIndex)>,
    /// Who carries a section whose steps are anybody's.
    pub carriers: BTreeMap<usize, PersonIndex>,
    /// Who has sewage on their hands.
    pub soiled: BTreeSet<PersonIndex>,
    /// How many turns of a signal have been given.
    pub turns: BTreeMap<StepIndex, usize>,
    /// Who has answered, where all must.
    pub agreed: BTreeMap<StepIndex, Vec<PersonIndex>>,
    /// How often each question was answered "no".
    pub rounds: BTreeMap<StepIndex, u32>,
    /// The last reading of a step, as it is said.
    pub readings: BTreeMap<StepIndex, String>,
    /// Settled steps in the order they were settled, the way back of "correction".
    pub trail: Vec<Settled>,
    /// The run as it was before the last "no" went back, as long as nothing has been settled since.
    pub before_loop: Option<Box<BeforeLoop>>,
    /// Settled steps that are to be asked once more.
    pub to_check: Vec<StepIndex>,
    /// The last look has been begun.
    pub last_look: bool,
    /// The emergency card that holds everything else, as its place among the parts.
    pub card: Option<usize>,
    /// A card that asks for nothing is in force: no alarm may call anybody back.
    pub muted: bool,
    /// Everybody waits until somebody says to go on.
    pub standing_by: bool,
    /// Since when, where they do.
    pub standing_since: SessionTime,
    /// How the voice speaks.
    pub voice: VoiceSettings,
    /// What was open when a person took it on themselves.
    pub overridden: Vec<StepIndex>,
    /// How the run ended, once it has.
    pub ended: Option<Ending>,
    /// What past runs leave to be said at steps.
    pub remarks: Vec<(StepIndex, Remark)>,
    /// How the rig stands.
    pub rig: RigState,
    /// Whether a person has been asked if it stands so.
    pub recall: Recall,
    /// The run is on record.
    pub started: bool,
    /// When the last event happened.
    pub last_at: SessionTime,
}

/// The condition of a step.
#[derive(Clone, Debug, PartialEq)]
pub enum StepState {
    /// To be done.
    Open,
    /// Done; the answer as it is said back.
    Answered(String),
    /// Left out, and why.
    Skipped(String),
    /// Nothing was to be done today, as it was said.
    NotHere(String),
    /// What it puts away was away already.
    Away,
}

/// Whether how the rig stands was recalled from past runs.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Recall {
    /// Nothing was known.
    #[default]
    Nothing,
    /// A person is asked whether it is so; nothing else is asked meanwhile.
    Asked,
    /// A person has agreed, or there was nothing to ask in this run.
    Agreed,
}

/// A clock that has been started and not ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RunningClock {
    /// When it was started.
    pub started: SessionTime,
    /// How long it runs.
    pub length: Duration,
    /// Its time is up.
    pub ran_out: bool,
    /// Who started it, and is expected to end it.
    pub by: PersonIndex,
}

impl RunningClock {
    /// When its time is up.
    pub fn ends(&self) -> SessionTime {
        self.started + self.length
    }
}

/// A step of the way back.
#[derive(Clone, Debug, PartialEq)]
pub struct Settled {
    /// The step.
    pub step: StepIndex,
    /// Who settled it.
    pub by: PersonIndex,
    /// The clock that a person ended, with its start, so that it can run again as if it had not been.
    pub clock: Option<RunningClock>,
}

/// What "correction" needs to take a "no" back.
#[derive(Clone, Debug, PartialEq)]
pub struct BeforeLoop {
    /// The step that was answered "no".
    pub question: StepIndex,
    /// Who said it.
    pub by: PersonIndex,
    pub(super) steps: Vec<StepState>,
    pub(super) trail: Vec<Settled>,
    pub(super) rounds: BTreeMap<StepIndex, u32>,
}

/// How a run ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ending {
    /// Through its last gate.
    Completed,
    /// Completed with steps open that a person took on themselves.
    Overridden,
    /// Before its gate.
    Abandoned,
}

impl RunState {
    /// A run that has not begun.
    pub fn new(job: &Move, voice: VoiceSettings) -> Self {
        let count = job.routine.steps.len();
        Self {
            steps: vec![StepState::Open; count],
            deferred: vec![false; count],
            reopened: vec![false; count],
            untested: vec![false; count],
            came_back: vec![false; count],
            beyond: vec![false; count],
            helped: vec![false; count],
            seen_away: vec![false; count],
            singly: vec![false; count],
            clocks: BTreeMap::new(),
            timers: BTreeMap::new(),
            people: vec![Hand::unnamed()],
            focus: 0,
            assigned: None,
            carriers: BTreeMap::new(),
            soiled: BTreeSet::new(),
            turns: BTreeMap::new(),
            agreed: BTreeMap::new(),
            rounds: BTreeMap::new(),
            readings: BTreeMap::new(),
            trail: Vec::new(),
            before_loop: None,
            to_check: Vec::new(),
            last_look: false,
            card: None,
            muted: false,
            standing_by: false,
            standing_since: SessionTime::ZERO,
            voice,
            overridden: Vec::new(),
            ended: None,
            remarks: Vec::new(),
            rig: RigState::default(),
            recall: Recall::default(),
            started: false,
            last_at: SessionTime::ZERO,
        }
    }

    /// Whether the step is still to be done.
    pub fn is_open(&self, step: StepIndex) -> bool {
        self.steps[step] == StepState::Open
    }

    /// Steps still open, gates and cards not counted.
    pub fn open<'a>(&'a self, job: &'a Move) -> impl Iterator<Item = StepIndex> + 'a {
        job.work().filter(|&step| self.is_open(step))
    }

    /// Steps that were left out, gates and cards not counted.
    pub fn skipped<'a>(&'a self, job: &'a Move) -> impl Iterator<Item = StepIndex> + 'a {
        job.work().filter(|&step| matches!(self.steps[step], StepState::Skipped(_)))
    }

    /// The step that was asked for last.
    pub fn current(&self) -> Option<StepIndex> {
        self.people[self.focus].current
    }

    /// Who is asked for the step now.
    pub fn holder(&self, step: StepIndex) -> Option<PersonIndex> {
        if self.people[self.focus].current == Some(step) {
            return Some(self.focus);
        }
        self.people.iter().position(|hand| hand.current == Some(step))
    }

    /// Those who take part, in the order in which they were named.
    pub fn here(&self) -> impl Iterator<Item = PersonIndex> + '_ {
        (0..self.people.len()).filter(|&person| self.people[person].here)
    }

    /// Whether one person does all of it.
    pub fn alone(&self) -> bool {
        self.here().count() < 2
    }

    /// The place of the person of this name.
    pub fn person(&self, name: &str) -> Option<PersonIndex> {
        self.people.iter().position(|hand| hand.name == name)
    }

    /// Whether it waits for somebody who can test it, or for help.
    pub fn is_kept_back(&self, step: StepIndex) -> bool {
        self.untested[step] || self.beyond[step]
    }

    /// Whether any does.
    pub fn keeps_back(&self) -> bool {
        (0..self.steps.len()).any(|step| self.is_kept_back(step) && self.is_open(step))
    }

    /// For each step whether it is open and must stay so: it cannot be tested here, needs help, or hangs on one that does.
    pub fn held_up(&self, job: &Move) -> Vec<bool> {
        let mut held: Vec<bool> =
            (0..self.steps.len()).map(|step| self.is_kept_back(step) && self.is_open(step)).collect();
        if !held.contains(&true) {
            return held;
        }
        let hangs = |held: &[bool], step: usize| {
            !held[step]
                && self.is_open(step)
                && !job.is_gate(step)
                && (job.before[step].iter().any(|&before| held[before])
                    || job.step(step).during.is_some_and(|clock| held[clock]))
        };
        while let Some(next) = (0..held.len()).find(|&step| hangs(&held, step)) {
            held[next] = true;
        }
        held
    }

    /// What stands between here and the end: what is open, and what is to be looked at again.
    pub fn not_done<'a>(&'a self, job: &'a Move) -> impl Iterator<Item = StepIndex> + 'a {
        self.open(job).chain(self.to_check.iter().copied().filter(|&step| !self.is_open(step)))
    }

    /// Whether harm goes on that only a person can end.
    pub fn hazard(&self, job: &Move) -> Option<StepIndex> {
        self.clocks.keys().copied().find(|step| guards(job, *step))
    }

    /// Whether the routine is through its gate; a card when nothing of it is open.
    pub fn part_done(&self, job: &Move, part: usize) -> bool {
        match job.parts[part].gate {
            Some(gate) => !self.is_open(gate),
            None => {
                let steps = job.parts[part].steps.clone();
                steps.clone().all(|step| !self.is_open(step)) || steps.into_iter().any(|step| self.ends_card(job, step))
            }
        }
    }

    /// Whether the step was answered with an option that ends its card.
    fn ends_card(&self, job: &Move, step: StepIndex) -> bool {
        let Answer::Choice(choice) = &job.step(step).answer else { return false };
        let StepState::Answered(answer) = &self.steps[step] else { return false };
        choice.options.iter().any(|option| option.ends && option.say[0] == *answer)
    }

    /// What hangs on a step: every step that had to come after it, directly or not, and is settled or has a clock running that
    /// guards nothing.
    pub fn hangs_on(&self, job: &Move, step: StepIndex) -> Vec<StepIndex> {
        let mut reached = vec![false; self.steps.len()];
        reached[step] = true;
        loop {
            let next = (0..reached.len()).find(|&i| !reached[i] && job.before[i].iter().any(|&before| reached[before]));
            match next {
                Some(next) => reached[next] = true,
                None => break,
            }
        }
        let begun = |i: StepIndex| !self.is_open(i) || (self.clocks.contains_key(&i) && !guards(job, i));
        (0..reached.len()).filter(|&i| i != step && reached[i] && begun(i) && !job.is_gate(i)).collect()
    }

    /// Settled steps of a section as they should still be: of those that speak of the same thing only the last, and none
    /// whose asking would set something going again.
    pub fn still_so(&self, job: &Move, section: usize) -> Vec<StepIndex> {
        let settled = self.trail.iter().map(|settled| settled.step).filter(|&step| {
            job.step(step).section == section
                && matches!(self.steps[step], StepState::Answered(_))
                && matches!(job.step(step).answer, Answer::Done { .. } | Answer::State(_))
                && !self.is_superseded(job, step)
        });
        settled.collect()
    }

    /// Whether a later answer spoke of the same thing ("black valve open" after "black valve closed").
    fn is_superseded(&self, job: &Move, step: StepIndex) -> bool {
        let Answer::State(state) = &job.step(step).answer else { return false };
        let later = self.trail.iter().map(|settled| settled.step).skip_while(|&other| other != step).skip(1);
        later.into_iter().any(|other| match &job.step(other).answer {
            Answer::State(other) => other.want[0] == state.other[0] || other.want[0] == state.want[0],
            _ => false,
        })
    }
}

/// Whether the step's clock guards a hazard.
pub(in crate::engine) fn guards(job: &Move, step: StepIndex) -> bool {
    matches!(&job.step(step).answer, Answer::Clock(clock) if clock.hazard())
}
