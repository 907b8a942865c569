//! Which step next, and whose. Derived from the state alone: at every moment there is a set of steps that may be done, and each
//! person is offered the one that is nearest to where they are.

use super::joined::Move;
use super::people::PersonIndex;
use super::state::{Recall, RunState, guards};
use crate::routine::{Answer, Role, StepIndex, Touches, Turn};

impl RunState {
    /// The step to ask this person for now; the one they have, as long as nothing comes before it.
    ///
    /// 1. An emergency card, and nothing beside it.
    /// 2. While a hazard clock of theirs runs: only steps that belong to it and are within earshot, else the clock itself.
    /// 3. What is to be asked once more.
    /// 4. A gate that is due; then the nearest of the steps that may be done, what was put off last.
    /// 5. A step for all, once everybody is free.
    pub fn next_for(&self, job: &Move, person: PersonIndex) -> Option<StepIndex> {
        if let Some(card) = self.card {
            return job.parts[card].steps.clone().find(|&step| self.is_open(step)).filter(|_| person == self.focus);
        }
        if self.recall == Recall::Asked {
            return None;
        }
        if let Some(clock) = self.held_by(job, person) {
            let beside = |&step: &StepIndex| {
                job.step(step).during == Some(clock)
                    && !self.deferred[step]
                    && self.ready(job, step)
                    && self.is_free(person, step)
            };
            // Once time is up nothing may draw the person away from ending it.
            let calm = !self.clocks[&clock].ran_out;
            return (0..self.steps.len()).find(|step| calm && beside(step)).or(Some(clock));
        }
        if let Some(step) = self.people[person].current.filter(|&step| self.still_asked(job, person, step)) {
            return Some(step);
        }
        let check = self.to_check.iter().copied();
        let check = check.filter(|&step| self.is_free(person, step) && self.can_do(job, person, step));
        // The last look is one walk; a section that is gone through again is gone through in its order.
        let near = |&step: &StepIndex| self.last_look.then(|| self.distance(job, person, step));
        if let Some(step) = check.min_by_key(near) {
            return Some(step);
        }
        // What nobody can do is asked of somebody all the same.
        let nobodys = |&step: &StepIndex| self.here().all(|other| !self.can_do(job, other, step));
        if let Some(step) = self.to_check.iter().copied().find(nobodys).filter(|&step| self.is_free(person, step)) {
            return Some(step);
        }
        if let Some(gate) = self.gate_due(job).filter(|&gate| self.is_free(person, gate)) {
            return Some(gate);
        }
        // Whoever was called away from a step for all comes back to it: the others have it still.
        let free_for = |other: PersonIndex, step: StepIndex| {
            other == person || self.people[other].current.is_none_or(|held| held == step)
        };
        let together = || {
            let all = job.work().filter(|&step| self.ready(job, step) && self.takes_all(job, step));
            let next = all.min_by_key(|&step| (self.deferred[step], step))?;
            self.here().all(|other| free_for(other, next)).then_some(next)
        };
        let others_wait =
            !self.alone() && self.here().all(|other| other == person || self.own_step(job, other).is_none());
        if others_wait && let Some(step) = together() {
            return Some(step);
        }
        self.own_step(job, person)
            .or_else(together)
            .or_else(|| self.own_clock(person))
            .or_else(|| self.stuck(job, person))
    }

    /// Whether the person may be asked for the step at all, by the roles of all who are here.
    pub fn can_do(&self, job: &Move, person: PersonIndex, step: StepIndex) -> bool {
        let role = self.role_played(job.step(step).role);
        let alone = self.alone();
        let fits = |person: PersonIndex| {
            alone || role == Role::Either || self.people[person].roles.is_empty() || self.people[person].has(role)
        };
        // What nobody can do whose role it is goes to whoever can.
        let able = |person: PersonIndex| self.is_able(job, person, step) && self.has_clean_hands(job, person, step);
        able(person) && (fits(person) || !self.here().any(|other| fits(other) && able(other)))
    }

    /// Nobody touches what drinking water runs through with sewage on their hands, where somebody else is there.
    fn has_clean_hands(&self, job: &Move, person: PersonIndex, step: StepIndex) -> bool {
        let soiled = self.soiled.contains(&person) && job.step(step).touches == Touches::DrinkingWater;
        !soiled || self.alone()
    }

    /// Who gives the n-th turn of a signal, as far as there is a choice somebody who can. Two roles are never one person's where two are
    /// there: a signal goes from one to the other. Alone all turns are one's own.
    pub fn turn_of(&self, step: StepIndex, turns: &[Turn], turn: usize) -> PersonIndex {
        let mut roles: Vec<Role> = turns.iter().map(|turn| turn.role).collect();
        let asked = roles[turn];
        roles.sort_unstable();
        roles.dedup();
        let here: Vec<PersonIndex> = self.here().collect();
        if here.len() < 2 {
            return here.first().copied().unwrap_or(self.focus);
        }
        let able =
            |person: PersonIndex, role: Role| turns.iter().all(|t| t.role != role || self.can_give(person, step, t));
        let fit = |person: PersonIndex, role: Role| (able(person, role), self.fits(person, role));
        if let [role] = roles.as_slice() {
            let can: Vec<PersonIndex> = here.iter().copied().filter(|&person| able(person, *role)).collect();
            let among = if can.is_empty() { &here } else { &can };
            return among[turn % among.len()];
        }
        let place = roles.iter().position(|&role| role == asked).unwrap_or(0);
        // The pair that can, and fits the first two roles best; a third role goes to whoever has it.
        let pairs = here.iter().flat_map(|&one| here.iter().map(move |&other| (one, other))).filter(|(a, b)| a != b);
        let fits = |&(one, other): &(PersonIndex, PersonIndex)| {
            let (one, other) = (fit(one, roles[0]), fit(other, roles[1]));
            (u8::from(one.0) + u8::from(other.0), one.1 + other.1)
        };
        // Of equals the first, so that it is the same every time.
        let best = pairs.min_by_key(|pair| std::cmp::Reverse(fits(pair)));
        match (place, best) {
            (0, Some((one, _))) => one,
            (1, Some((_, other))) => other,
            _ => here.iter().copied().max_by_key(|&person| fit(person, asked)).unwrap_or(self.focus),
        }
    }

    /// How well a role fits a person: their own, one beside their own, or neither.
    fn fits(&self, person: PersonIndex, role: Role) -> u8 {
        let beside = match role {
            Role::Spotter => Role::Outside,
            Role::Driver => Role::Inside,
            Role::Outside => Role::Spotter,
            Role::Inside => Role::Driver,
            Role::Either => Role::Either,
        };
        let hand = &self.people[person];
        if hand.has(role) { 2 } else { u8::from(hand.has(beside)) }
    }

    /// Whether this person is asked for the step that they have: in a step for all it is one after the other.
    pub fn is_asked(&self, job: &Move, person: PersonIndex, step: StepIndex) -> bool {
        if !self.takes_all(job, step) {
            return true;
        }
        match &job.step(step).answer {
            Answer::Both(both) => {
                let turn = self.turns.get(&step).copied().unwrap_or(0).min(both.turns.len() - 1);
                self.turn_of(step, &both.turns, turn) == person
            }
            Answer::Done { .. } | Answer::State(_) | Answer::Choice(_) => {
                let agreed = self.agreed.get(&step);
                let next = std::iter::once(self.focus).chain(self.here());
                let mut next = next.filter(|person| agreed.is_none_or(|agreed| !agreed.contains(person)));
                next.next() == Some(person)
            }
            // The rest is one question, put to whoever is nearest.
            _ => person == self.focus,
        }
    }

    /// Whether all who are here must answer.
    pub fn takes_all(&self, job: &Move, step: StepIndex) -> bool {
        let step = job.step(step);
        !self.alone() && (step.together || matches!(step.answer, Answer::Both(_)))
    }

    /// Whether everything that must come before the step is settled.
    pub fn ready(&self, job: &Move, step: StepIndex) -> bool {
        let part = &job.parts[job.part_of(step)];
        let in_force = match self.card {
            Some(card) => job.parts[card].steps.contains(&step),
            None => !part.is_card() && part.after.iter().all(|&before| self.part_done(job, before)),
        };
        let clock_allows = job
            .step(step)
            .during
            .is_none_or(|clock| !self.is_open(clock) || (self.clocks.contains_key(&clock) && job.step(step).earshot));
        in_force
            && clock_allows
            && self.is_open(step)
            && !self.is_kept_back(step)
            && !job.is_gate(step)
            && !self.clocks.contains_key(&step)
            && job.before[step].iter().all(|&before| !self.is_open(before))
    }

    /// The step is asked for, and still is.
    fn still_asked(&self, job: &Move, person: PersonIndex, step: StepIndex) -> bool {
        if !self.to_check.is_empty() {
            return self.to_check.contains(&step);
        }
        if job.is_gate(step) {
            return self.gate_due(job) == Some(step);
        }
        self.ready(job, step) && !self.deferred[step] && (self.can_do(job, person, step) || self.takes_all(job, step))
    }

    /// The nearest step that is this person's alone.
    fn own_step(&self, job: &Move, person: PersonIndex) -> Option<StepIndex> {
        let near = |&step: &StepIndex| (self.deferred[step], self.distance(job, person, step));
        self.may_be_done_now(job, person).into_iter().min_by_key(near)
    }

    /// The steps that are this person's alone, and may be done now.
    ///
    /// - Of a section that is anybody's only who carries it gets the steps.
    /// - Nobody is led past a step of an earlier section that they could do.
    /// - A step that names what it comes after is free once that is settled; one that names nothing, and one that is anybody's,
    ///   comes after the sections before it, whosever they are.
    pub fn may_be_done_now(&self, job: &Move, person: PersonIndex) -> Vec<StepIndex> {
        if self.held_by(job, person).is_some() {
            return Vec::new();
        }
        let held_up = self.held_up(job);
        let mine = |step: StepIndex| {
            let section = job.step(step).section;
            // Whoever carried the last such section of the routine goes on with the next.
            let first = job.step(job.parts[job.part_of(step)].steps.start).section;
            let carrier = self.carriers.range(first..=section).next_back().map(|(_, carrier)| carrier);
            let carried = job.step(step).role == Role::Either
                && carrier.is_some_and(|&carrier| carrier != person && self.is_able(job, carrier, step));
            self.can_do(job, person, step) && (!carried || self.alone()) && !self.takes_all(job, step)
        };
        let in_order = |step: StepIndex| {
            let (part, section) = (&job.parts[job.part_of(step)], job.step(step).section);
            let mut earlier = part.steps.clone().filter(|&other| job.step(other).section < section);
            let names_nothing = job.before[step].is_empty() || job.step(step).role == Role::Either;
            !earlier.any(|other| {
                self.is_open(other)
                    && !self.deferred[other]
                    && !held_up[other]
                    && (names_nothing || self.can_do(job, person, other))
                    && (self.ready(job, other) || !self.waits_elsewhere(job, other))
            })
        };
        job.work()
            .filter(|&step| self.ready(job, step) && mine(step) && in_order(step) && self.is_free(person, step))
            .collect()
    }

    /// Same place before same section before same routine before the rest, on the same side of the rig before the other; then
    /// the order of the file, which follows the walk round the rig (NASA CR-177549: the order follows the geography).
    fn distance(&self, job: &Move, person: PersonIndex, step: StepIndex) -> (u8, bool, StepIndex) {
        let hand = &self.people[person];
        let asked = job.step(step);
        let part = hand.section.and_then(|section| job.part_of_section(section));
        let away = if !asked.place.is_empty() && asked.place == hand.place {
            0
        } else if hand.section == Some(asked.section) {
            1
        } else if part == Some(job.part_of(step)) {
            2
        } else {
            3
        };
        let anywhere = asked.role == Role::Either || hand.side == Role::Either;
        (away, !anywhere && side(asked.role) != side(hand.side), step)
    }

    /// Held back by something outside its own routine, or by a clock that guards nothing: nobody need wait for it.
    pub(super) fn waits_elsewhere(&self, job: &Move, step: StepIndex) -> bool {
        let running = self.clocks.contains_key(&step) && !guards(job, step);
        let mut open = job.before[step].iter().filter(|&&before| self.is_open(before));
        running || open.any(|&before| job.part_of(before) != job.part_of(step) || self.waits_elsewhere(job, before))
    }

    /// The clock that binds a person: one that guards a hazard, or one so short that nothing else is begun meanwhile.
    fn held_by(&self, job: &Move, person: PersonIndex) -> Option<StepIndex> {
        let binds = |(step, clock): &(&StepIndex, &super::state::RunningClock)| {
            let frees = matches!(&job.step(**step).answer, Answer::Clock(answer) if answer.frees_hands(clock.length));
            (clock.by == person || self.alone()) && !frees
        };
        self.clocks.iter().filter(binds).map(|(step, _)| *step).min_by_key(|step| !guards(job, *step))
    }

    fn own_clock(&self, person: PersonIndex) -> Option<StepIndex> {
        self.clocks.iter().find(|(_, clock)| clock.by == person || self.alone()).map(|(step, _)| *step)
    }

    /// A gate in force with nothing open before it.
    pub(super) fn gate_due(&self, job: &Move) -> Option<StepIndex> {
        if self.card.is_some() || !self.to_check.is_empty() {
            return None;
        }
        let held_up = self.held_up(job);
        let due = |part: &&super::joined::Part| {
            part.after.iter().all(|&before| self.part_done(job, before))
                && part.gate.is_some_and(|gate| self.is_open(gate))
                && part.steps.clone().all(|step| job.is_gate(step) || !self.is_open(step) || held_up[step])
        };
        let last = job.last_part();
        let is_last = |part: &super::joined::Part| part.id == job.parts[last].id;
        let others_done =
            || (0..job.parts.len()).all(|p| p == last || job.parts[p].is_card() || self.part_done(job, p));
        job.parts.iter().filter(due).find(|part| !is_last(part) || others_done()).and_then(|part| part.gate)
    }

    /// Nobody has anything, and something is open: roles and sections stand back, for the run must go on.
    fn stuck(&self, job: &Move, person: PersonIndex) -> Option<StepIndex> {
        let idle = self.here().all(|other| other == person || self.people[other].current.is_none());
        let open = job.work().filter(|&step| {
            self.ready(job, step) && self.is_able(job, person, step) && self.has_clean_hands(job, person, step)
        });
        let idle = idle && self.here().all(|person| self.own_step(job, person).is_none());
        (idle && self.clocks.is_empty()).then(|| open.min_by_key(|&step| (self.deferred[step], step))).flatten()
    }

    fn is_free(&self, person: PersonIndex, step: StepIndex) -> bool {
        self.here().all(|other| other == person || !self.asks_for(other, step))
    }

    /// The role as it is filled: who has no spotter sends whoever is outside, who has no driver whoever is inside.
    fn role_played(&self, role: Role) -> Role {
        let filled = |role: Role| self.here().any(|person| self.people[person].has(role));
        match role {
            role if filled(role) => role,
            Role::Spotter if filled(Role::Outside) => Role::Outside,
            Role::Driver if filled(Role::Inside) => Role::Inside,
            _ => Role::Either,
        }
    }
}

/// Inside or outside the rig.
fn side(role: Role) -> bool {
    matches!(role, Role::Inside | Role::Driver)
}
