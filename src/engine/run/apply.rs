//! Takes an event over into the state. Never fails and never decides anything: a resumed run is the same events applied again.

use std::time::Duration;

use super::joined::Move;
use super::people::Hand;
use super::state::{BeforeLoop, Ending, RunState, RunningClock, Settled, StepState, guards};
use crate::engine::answer::numbers::shown;
use crate::engine::event::{Event, Present};
use crate::engine::output::VoiceSettings;
use crate::routine::{Answer, Role, StepIndex, Touches};
use crate::units::SessionTime;

impl RunState {
    /// Takes over what an event says. Ids that the run does not have are passed over: a run is only resumed with the
    /// routines that it began with, so there are none but those of cards that were changed since.
    pub fn apply(&mut self, job: &Move, at: SessionTime, event: &Event) {
        let event = event.inner();
        self.last_at = self.last_at.max(at);
        self.turn_to_who_spoke(job, event);
        match (event, event.step().and_then(|id| job.index_of(id))) {
            (Event::StepOffered { .. } | Event::StepAssigned { .. }, Some(step)) => {
                self.apply_offer(job, at, event, step);
            }
            (
                Event::StepAnswered { .. }
                | Event::OtherStateHeard { .. }
                | Event::ReadingTaken { .. }
                | Event::SignalGiven { .. }
                | Event::SignalHalted { .. }
                | Event::Agreed { .. }
                | Event::StepChecked { .. }
                | Event::StepSkipped { .. }
                | Event::NotHere { .. }
                | Event::StepDeferred { .. },
                Some(step),
            ) => self.apply_answer(job, event, step),
            (Event::LoopedBack { .. } | Event::LoopUndone { .. } | Event::LoopLimitReached { .. }, Some(step)) => {
                self.apply_loop(job, event, step);
            }
            (
                Event::ClockStarted { .. }
                | Event::ClockRanOut { .. }
                | Event::ClockEnded { .. }
                | Event::ClockReinstated { .. },
                Some(step),
            ) => self.apply_clock(job, at, event, step),
            (Event::TimerStarted { .. } | Event::TimerRanOut { .. } | Event::TimerEnded { .. }, _) => {
                self.apply_timer(at, event);
            }
            (Event::StepsReopened { .. } | Event::CheckAsked { .. } | Event::PartCompleted { .. }, _) => {
                self.apply_order(job, event);
            }
            (Event::CardStarted { .. } | Event::CardEnded { .. } | Event::StandingBy | Event::WentAhead, _) => {
                self.apply_pause(job, at, event);
            }
            (Event::RemarksRecalled { .. } | Event::NoteDone { .. }, _) => self.apply_remarks(job, event),
            (Event::LimitTold { .. } | Event::LimitsLifted { .. } | Event::CannotDo { .. }, _) => {
                self.apply_limit(job, event)
            }
            (Event::StretchOffered { steps }, _) => self.offer_stretch(job, at, steps),
            (Event::RigRecalled { .. } | Event::RigAgreed { .. } | Event::ThingTold { .. }, _) => {
                self.apply_rig(job, event);
            }
            (event, _) => self.apply_run(job, event),
        }
    }

    fn apply_offer(&mut self, job: &Move, at: SessionTime, event: &Event, step: StepIndex) {
        match event {
            Event::StepAssigned { person, .. } => self.assigned = self.person(person).map(|person| (step, person)),
            _ => self.offer(job, at, step),
        }
    }

    fn apply_answer(&mut self, job: &Move, event: &Event, step: StepIndex) {
        match event {
            Event::StepAnswered { answer, .. } => {
                // Reported by somebody who was not asked for it.
                if let Some((_, person)) = self.assigned.take_if(|(assigned, _)| *assigned == step) {
                    self.focus = person;
                }
                self.settle(job, step, StepState::Answered(answer.clone()), None);
            }
            Event::NotHere { answer, .. } => self.settle(job, step, StepState::NotHere(answer.clone()), None),
            Event::OtherStateHeard { answer, .. } if is_untested(job, step, answer) && self.is_open(step) => {
                self.untested[step] = true;
                // Taken back like an answer.
                let by = self.holder(step).unwrap_or(self.focus);
                self.trail.retain(|before| before.step != step);
                self.trail.push(Settled { step, by, clock: None });
                self.before_loop = None;
                self.turns.remove(&step);
                self.agreed.remove(&step);
                self.forget_current(step);
            }
            Event::ReadingTaken { value, decimals, unit, settles, .. } => {
                let text = shown(*value, *decimals, unit);
                self.readings.insert(step, text.clone());
                if *settles {
                    self.settle(job, step, StepState::Answered(text), None);
                }
            }
            Event::SignalGiven { turn, .. } => {
                self.turns.insert(step, turn + 1);
            }
            Event::SignalHalted { .. } => {
                self.turns.remove(&step);
            }
            Event::Agreed { person, .. } => {
                if let Some(person) = self.person(person) {
                    self.agreed.entry(step).or_default().push(person);
                }
            }
            Event::OtherStateHeard { .. } => self.doubt(job, step),
            Event::StepChecked { answer, .. } => {
                self.set_things(job, step, answer);
                self.seen_away[step] = self.steps[step] == StepState::Away;
                self.to_check.retain(|&other| other != step);
                self.forget_current(step);
            }
            Event::StepSkipped { reason, .. } => self.settle(job, step, StepState::Skipped(reason.clone()), None),
            Event::StepDeferred { .. } => {
                self.deferred[step] = true;
                self.forget_current(step);
            }
            _ => {}
        }
    }

    fn apply_loop(&mut self, job: &Move, event: &Event, step: StepIndex) {
        match event {
            Event::LoopedBack { back_to, round, .. } => {
                let Some(back_to) = job.index_of(back_to) else { return };
                let before = BeforeLoop {
                    question: step,
                    by: self.holder(step).unwrap_or(self.focus),
                    steps: self.steps.clone(),
                    trail: self.trail.clone(),
                    rounds: self.rounds.clone(),
                };
                self.rounds.insert(step, *round);
                self.reopen(job, (back_to..=step).filter(|&i| !job.step(i).once).collect());
                // Asked again as a matter of course: nothing went wrong with them.
                self.reopened[back_to..=step].fill(false);
                self.before_loop = Some(Box::new(before));
            }
            Event::LoopUndone { .. } => {
                if let Some(before) = self.before_loop.take() {
                    self.steps = before.steps;
                    self.trail = before.trail;
                    self.rounds = before.rounds;
                    self.forget_all();
                }
            }
            Event::LoopLimitReached { round, .. } => {
                self.rounds.insert(step, *round);
                self.settle(job, step, StepState::Answered(String::new()), None);
            }
            _ => {}
        }
    }

    fn apply_clock(&mut self, job: &Move, at: SessionTime, event: &Event, step: StepIndex) {
        match event {
            Event::ClockStarted { length_ms, .. } => {
                let by = self.holder(step).unwrap_or(self.focus);
                let length = Duration::from_millis(*length_ms);
                self.clocks.insert(step, RunningClock { started: at, length, ran_out: false, by });
                // Whoever could not do it is not asked about it any more: somebody does it.
                self.trail.retain(|before| before.step != step);
                self.before_loop = None;
            }
            Event::ClockRanOut { .. } => {
                if let Some(clock) = self.clocks.get_mut(&step) {
                    clock.ran_out = true;
                }
            }
            Event::ClockEnded { .. } => {
                let Some(clock) = self.clocks.remove(&step) else { return };
                // The hazard is over; but what came before it was opened again meanwhile, so it counts for nothing.
                if job.before[step].iter().any(|&before| self.is_open(before)) {
                    return self.forget_current(step);
                }
                self.settle(job, step, StepState::Answered(String::new()), Some(clock));
            }
            Event::ClockReinstated { .. } => {
                let place = self.trail.iter().rposition(|settled| settled.step == step);
                let clock = place.and_then(|place| self.trail.remove(place).clock);
                // What the others have done since was done on the word that it is over.
                let mut steps = vec![step];
                steps.extend(self.hangs_on(job, step));
                self.stop_clocks_of(job, &steps);
                self.clocks.extend(clock.map(|clock| (step, clock)));
                self.reopen(job, steps);
            }
            _ => {}
        }
    }

    fn apply_timer(&mut self, at: SessionTime, event: &Event) {
        match event {
            Event::TimerStarted { name, length_ms, .. } => {
                let length = Duration::from_millis(*length_ms);
                let clock = RunningClock { started: at, length, ran_out: false, by: self.focus };
                self.timers.insert(name.clone(), clock);
            }
            Event::TimerRanOut { name } => {
                if let Some(timer) = self.timers.get_mut(name) {
                    timer.ran_out = true;
                }
            }
            Event::TimerEnded { name, .. } => {
                self.timers.remove(name);
            }
            _ => {}
        }
    }

    fn apply_order(&mut self, job: &Move, event: &Event) {
        match event {
            Event::StepsReopened { steps, because } => {
                let steps: Vec<_> = steps.iter().filter_map(|id| job.index_of(id)).collect();
                self.stop_clocks_of(job, &steps);
                if because == TESTED {
                    steps.iter().for_each(|&step| self.helped[step] = true);
                }
                if because == SKIPPED {
                    steps.iter().for_each(|&step| self.came_back[step] = true);
                }
                for hand in &mut self.people {
                    hand.unable.retain(|step| !steps.contains(step));
                }
                self.reopen(job, steps);
            }
            Event::CheckAsked { steps, because } => {
                let asked: Vec<_> = steps.iter().filter_map(|id| job.index_of(id)).collect();
                // What another look has not come to yet stays to be looked at.
                let still = std::mem::replace(&mut self.to_check, asked);
                self.to_check.extend(still.into_iter().filter(|step| !steps.contains(&job.step(*step).id)));
                self.last_look |= because == LAST_LOOK;
                self.forget_all();
            }
            Event::PartCompleted { part, .. } => {
                if let Some(gate) = job.parts.iter().find(|other| other.id == *part).and_then(|part| part.gate) {
                    self.steps[gate] = StepState::Answered(String::new());
                    self.forget_current(gate);
                }
            }
            _ => {}
        }
    }

    fn apply_pause(&mut self, job: &Move, at: SessionTime, event: &Event) {
        match event {
            Event::CardStarted { card, .. } => {
                self.card = job.parts.iter().position(|part| part.id == *card && part.is_card());
                if let Some(card) = self.card {
                    let steps = job.parts[card].steps.clone();
                    self.muted |= steps.clone().all(|step| matches!(job.step(step).answer, Answer::Told { .. }));
                    self.steps[steps].fill(StepState::Open);
                }
                self.turns.clear();
                self.forget_all();
                self.standing_by = false;
            }
            Event::CardEnded { .. } => {
                // A correction is of what was done before the card.
                if let Some(card) = self.card.take() {
                    self.trail.retain(|settled| !job.parts[card].steps.contains(&settled.step));
                }
                self.forget_all();
                self.stand_by(at);
            }
            Event::StandingBy => {
                // A signal that was given before somebody stopped holds no longer.
                self.turns.clear();
                self.stand_by(at);
            }
            Event::WentAhead => {
                self.standing_by = false;
                // Where a card has sent everybody out they stay out until it is over.
                self.muted &= self.card.is_some();
            }
            _ => {}
        }
    }

    fn apply_run(&mut self, job: &Move, event: &Event) {
        match event {
            Event::RunStarted { .. } => self.started = true,
            Event::CrewSet { people } => self.set_crew(people),
            Event::TurnedTo { person } => {
                let person = self.person(person).filter(|&person| self.people[person].here);
                self.focus = person.unwrap_or(self.focus);
            }
            Event::HandedOver { from, to } => {
                self.hand_over(from, to);
                self.keep_back_what_is_beyond(job);
            }
            Event::VoiceChanged { speed, volume_db } => {
                self.voice = VoiceSettings { speed: *speed, volume_db: *volume_db };
            }
            Event::Overridden { open, .. } => {
                self.overridden = open.iter().filter_map(|id| job.index_of(id)).collect();
            }
            Event::RunCompleted { .. } => {
                let overridden = !self.overridden.is_empty();
                self.ended = Some(if overridden { Ending::Overridden } else { Ending::Completed });
            }
            Event::RunAbandoned => self.ended = Some(Ending::Abandoned),
            _ => {}
        }
    }

    /// Whoever answered is who is spoken with.
    fn turn_to_who_spoke(&mut self, job: &Move, event: &Event) {
        let step = match event {
            Event::StepAnswered { step, .. }
            | Event::OtherStateHeard { step, .. }
            | Event::ReadingTaken { step, .. }
            | Event::LoopedBack { step, .. }
            | Event::LoopLimitReached { step, .. }
            | Event::ClockStarted { step, .. }
            | Event::ClockEnded { step, .. }
            | Event::StepSkipped { step, .. }
            | Event::NotHere { step, .. }
            | Event::StepChecked { step, .. } => job.index_of(step),
            _ => None,
        };
        let who = step.and_then(|step| self.holder(step).or_else(|| self.clocks.get(&step).map(|clock| clock.by)));
        self.focus = who.filter(|&person| self.people[person].here).unwrap_or(self.focus);
    }

    fn set_crew(&mut self, people: &[Present]) {
        if people.iter().any(|person| person.here) {
            self.people = people.iter().map(Hand::of).collect();
            let first = self.here().next();
            self.focus = first.unwrap_or(0);
        }
    }

    fn offer(&mut self, job: &Move, at: SessionTime, step: StepIndex) {
        let first = self.here().next().unwrap_or(0);
        let person = match self.assigned.take() {
            Some((assigned, person)) if assigned == step => person,
            _ if self.alone() => first,
            _ => self.focus,
        };
        let takes_all = self.takes_all(job, step);
        let here: Vec<_> = self.here().collect();
        let asked = job.step(step);
        for hand in here {
            if hand == person || takes_all {
                let hand = &mut self.people[hand];
                hand.current = Some(step);
                hand.stretch.clear();
                hand.offered_at = at;
                hand.section = Some(asked.section);
                if !asked.place.is_empty() {
                    hand.place.clone_from(&asked.place);
                }
                if asked.role != Role::Either {
                    hand.side = asked.role;
                }
            }
        }
        self.focus = person;
        if asked.role == Role::Either && !self.alone() && !takes_all {
            self.carriers.entry(asked.section).or_insert(person);
        }
    }

    fn offer_stretch(&mut self, job: &Move, at: SessionTime, steps: &[String]) {
        let steps: Vec<StepIndex> = steps.iter().filter_map(|id| job.index_of(id)).collect();
        let Some(&first) = steps.first() else { return };
        self.offer(job, at, first);
        steps.iter().for_each(|&step| self.singly[step] = true);
        let person = self.focus;
        if !self.alone() {
            for asked in steps.iter().map(|&step| job.step(step)).filter(|asked| asked.role == Role::Either) {
                self.carriers.entry(asked.section).or_insert(person);
            }
        }
        self.people[person].stretch = steps;
    }

    /// `clock` is the one that a person ended by it.
    fn settle(&mut self, job: &Move, step: StepIndex, state: StepState, clock: Option<RunningClock>) {
        let by = clock.map_or_else(|| self.holder(step).unwrap_or(self.focus), |clock| clock.by);
        if let StepState::Answered(answer) = &state {
            self.set_things(job, step, answer);
            match job.step(step).touches {
                Touches::Sewage => drop(self.soiled.insert(by)),
                Touches::Soap => drop(self.soiled.remove(&by)),
                Touches::DrinkingWater | Touches::Nothing => {}
            }
        }
        self.steps[step] = state;
        self.untested[step] = false;
        self.deferred[step] = false;
        self.reopened[step] = false;
        self.turns.remove(&step);
        self.agreed.remove(&step);
        self.to_check.retain(|&other| other != step);
        self.trail.retain(|before| before.step != step);
        self.trail.push(Settled { step, by, clock });
        if !job.parts[job.part_of(step)].is_card() {
            self.before_loop = None;
        }
        self.forget_current(step);
        // What is left of a stretch goes on.
        for hand in &mut self.people {
            if hand.stretch.contains(&step) {
                hand.stretch.retain(|&other| other != step);
                match *hand.stretch {
                    // The last one is asked for anew, by itself.
                    [last] => {
                        hand.stretch.clear();
                        hand.current = hand.current.filter(|&current| current != last);
                    }
                    _ => hand.current = hand.current.or_else(|| hand.stretch.first().copied()),
                }
            }
        }
    }

    /// Nothing of what is opened again goes on; but harm goes on until somebody says that it has ended.
    fn stop_clocks_of(&mut self, job: &Move, steps: &[StepIndex]) {
        self.clocks.retain(|step, _| !steps.contains(step) || guards(job, *step));
    }

    pub(super) fn reopen(&mut self, job: &Move, steps: Vec<StepIndex>) {
        // A "no" that is taken back would settle again what is opened now.
        self.before_loop = None;
        for &step in &steps {
            self.doubt(job, step);
            self.steps[step] = StepState::Open;
            self.untested[step] = false;
            self.deferred[step] = false;
            self.reopened[step] = true;
            self.turns.remove(&step);
            self.agreed.remove(&step);
            self.to_check.retain(|&other| other != step);
            self.seen_away[step] = false;
            self.trail.retain(|before| before.step != step);
            // What comes before a gate is open again, so the gate has not been passed.
            if let Some(gate) = job.parts[job.part_of(step)].gate {
                self.steps[gate] = StepState::Open;
            }
        }
        let free: Vec<_> = self.here().filter(|&p| steps.iter().any(|&step| self.can_do(job, p, step))).collect();
        for person in free {
            self.people[person].current = None;
        }
        // Nobody goes on with a step whose beginnings are open again.
        for person in 0..self.people.len() {
            let stays =
                |step: StepIndex| !self.is_open(step) || self.clocks.contains_key(&step) || self.ready(job, step);
            let current = self.people[person].current;
            self.people[person].current = current.filter(|&step| stays(step));
        }
        // A step for all is let go by all.
        let shared: Vec<StepIndex> = self.here().filter_map(|person| self.people[person].current).collect();
        for step in shared {
            let by_all = self.here().all(|person| self.people[person].current == Some(step));
            if self.takes_all(job, step) && !by_all {
                self.forget_current(step);
            }
        }
        self.keep_back_what_is_beyond(job);
    }

    /// The other's roles, sections and clocks are this one's now, and the other way round.
    fn hand_over(&mut self, from: &str, to: &str) {
        let Some((from, to)) = self.person(from).zip(self.person(to)) else { return };
        let swap = |person: usize| {
            if person == from {
                to
            } else if person == to {
                from
            } else {
                person
            }
        };
        let (here_from, here_to) = (self.people[from].here, self.people[to].here);
        if here_to {
            let roles = std::mem::take(&mut self.people[from].roles);
            self.people[from].roles = std::mem::replace(&mut self.people[to].roles, roles);
        } else {
            self.people[to].roles = self.people[from].roles.clone();
            self.people[from].here = false;
            self.people[to].here = here_from;
        }
        self.carriers.values_mut().for_each(|carrier| *carrier = swap(*carrier));
        let clocks = self.clocks.values_mut().chain(self.timers.values_mut());
        clocks.for_each(|clock| clock.by = swap(clock.by));
        let (place, other) = (self.people[from].place.clone(), self.people[to].place.clone());
        self.people[to].place = place;
        self.people[from].place = other;
        self.turns.clear();
        self.agreed.clear();
        self.focus = to;
        self.forget_all();
    }

    /// Nobody is asked for anything any more.
    fn forget_all(&mut self) {
        self.people.iter_mut().for_each(|hand| hand.current = None);
    }

    fn stand_by(&mut self, at: SessionTime) {
        if !self.standing_by {
            self.standing_since = at;
        }
        self.standing_by = true;
    }

    pub(super) fn forget_current(&mut self, step: StepIndex) {
        for hand in &mut self.people {
            if hand.current == Some(step) {
                hand.current = None;
            }
        }
    }
}

/// Why steps are open or asked again, as it is written down.
pub(in crate::engine) const SKIPPED: &str = "skipped";
/// What could not be tested, or needed help, is to be done after all.
pub(in crate::engine) const TESTED: &str = "to be tested after all";
pub(in crate::engine) const LAST_LOOK: &str = "last look";
/// What is written down in place of an answer where a critical step cannot be tested here.
pub const UNTESTED: &str = "cannot be tested";

/// Whether it was said of a step that can hurt: elsewhere the words are an answer like any other.
pub(in crate::engine) fn is_untested(job: &Move, step: StepIndex, answer: &str) -> bool {
    answer == UNTESTED && job.step(step).critical()
}
pub(in crate::engine) const LONG_PAUSE: &str = "long pause";
