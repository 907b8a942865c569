//! What a key means. Everything can be done by keys alone, with the microphone off (EN 301 549, 5.1.7).

use std::time::Duration;

use super::super::answer::{AnswerKind, Means, Reply, StepNow, kind, not_here, untested};
use super::super::core::Engine;
use super::super::event::{Event, HeardAs};
use super::super::input::Key;
use super::super::people::PersonIndex;
use super::super::phrasebook::{Command, Reason};
use super::super::state::guards;
use super::vocabulary::{Asking, PhraseMeaning};
use crate::rig::Stands;
use crate::routine::StepIndex;
use crate::units::{SessionTime, StationId};

impl Engine {
    pub(in crate::engine) fn key_pressed(&mut self, key: Key) {
        if key == Key::Confirm {
            // A key held down repeats: it must not run through the steps that follow. Whoever presses briskly gets on.
            let now = self.now;
            let presses = &mut self.talk_mut().confirms;
            let within = |at: Option<SessionTime>, span| at.is_some_and(|at| now.since(at) < span);
            let repeats =
                within(presses.last.replace(now), KEY_REPEATS) || within(presses.counted, KEY_BEGINS_TO_REPEAT);
            if repeats {
                return;
            }
            presses.counted = Some(now);
        }
        if key == Key::NextPerson {
            return self.turn_to_next_person();
        }
        if let Some(meaning) = self.meaning_of(key) {
            self.talk_mut().unclear.streak = 0;
            self.mean(meaning, HeardAs::Key);
        }
    }

    fn meaning_of(&self, key: Key) -> Option<PhraseMeaning> {
        match key {
            Key::Confirm => self.confirm(self.at),
            Key::Other => self.other(self.at),
            Key::ClockOver => self.state.hazard(&self.job).map(PhraseMeaning::ClockEnd),
            // Pressed late, it is of no clock any more, or of one that guards nothing.
            Key::ClockOverOf(step) => {
                let runs = self.state.clocks.contains_key(&step) && guards(&self.job, step);
                runs.then_some(PhraseMeaning::ClockEnd(step))
            }
            Key::NotHere => self.not_here_today(),
            Key::Untested => self.untested_here(),
            Key::Choice(n) => self.chosen(n),
            Key::DropDigit => (!self.talk().digits.is_empty()).then_some(PhraseMeaning::DropDigit),
            Key::Card(n) => usize::from(n).checked_sub(1).and_then(|n| self.cards().nth(n)).map(PhraseMeaning::Card),
            other => command_of(other).map(PhraseMeaning::Command),
        }
    }

    /// Whom the keys of a station answer for, and the step that is on its screen.
    pub(in crate::engine) fn asked_at(&self, station: StationId) -> Option<(PersonIndex, StepIndex)> {
        let people = self.people_at(station);
        let focus = people.iter().copied().filter(|&person| person == self.state.focus);
        let order: Vec<PersonIndex> = focus.chain(people.iter().copied()).collect();
        let step = order.iter().find_map(|&person| self.state.people[person].current)?;
        let asked = |&person: &PersonIndex| {
            self.state.people[person].current == Some(step) && self.state.is_asked(&self.job, person, step)
        };
        order.into_iter().find(asked).map(|person| (person, step))
    }

    /// What the confirm key means at a station.
    pub(in crate::engine) fn confirm(&self, station: StationId) -> Option<PhraseMeaning> {
        match &self.talks.get(station).asking {
            // With a hazard running the one key that confirms must not do anything less urgent than ending it, and ends no clock but the one that
            // is asked for here.
            Asking::Step if self.state.standing_by => match self.asked_at(station) {
                Some((_, step)) if self.state.clocks.contains_key(&step) && guards(&self.job, step) => {
                    Some(PhraseMeaning::ClockEnd(step))
                }
                _ => Some(PhraseMeaning::Command(Command::GoAhead)),
            },
            asking if asking.takes_yes() => Some(PhraseMeaning::Yes),
            Asking::Away { thing } => Some(PhraseMeaning::Thing(thing.clone(), Stands::Away)),
            Asking::Step if self.asks_how_it_stands() => Some(PhraseMeaning::Yes),
            Asking::Step | Asking::Gate => {
                self.stretch_at(station, Vec::new).or_else(|| self.means_at(station, |kind, now| kind.confirm_key(now)))
            }
            _ => None,
        }
    }

    /// Whether harm can come of what a key means at the station: of an answer that settles such a step, of leaving, and of passing over what is open.
    pub(in crate::engine) fn can_hurt(&self, station: StationId, meaning: &PhraseMeaning) -> bool {
        match meaning {
            PhraseMeaning::Override | PhraseMeaning::ClockEnd(_) | PhraseMeaning::Thing(_, Stands::Away) => true,
            // The step stays open.
            PhraseMeaning::To {
                answer: Reply::Other(_) | Reply::No | Reply::NoState | Reply::Untested | Reply::Halt(_),
                ..
            } => false,
            PhraseMeaning::To { step, .. } => self.job.step(*step).critical(),
            PhraseMeaning::Yes => match &self.talks.get(station).asking {
                Asking::Thin { meaning, .. } => self.can_hurt(station, meaning),
                Asking::EndRun => true,
                _ => false,
            },
            _ => false,
        }
    }

    /// What the other key means there.
    pub(in crate::engine) fn other(&self, station: StationId) -> Option<PhraseMeaning> {
        match &self.talks.get(station).asking {
            asking if asking.takes_yes() => Some(PhraseMeaning::No),
            Asking::SkipReason { .. } | Asking::Who { .. } | Asking::Note { .. } | Asking::Away { .. } => {
                Some(PhraseMeaning::Command(Command::NeverMind))
            }
            Asking::Step if self.asks_how_it_stands() => Some(PhraseMeaning::No),
            Asking::Gate => Some(PhraseMeaning::Override),
            // In a stretch a key of the step that is first would pass over the others.
            Asking::Step if self.stretch_at(station, Vec::new).is_some() => None,
            _ => self.means_at(station, |kind, now| kind.other_key(now)),
        }
    }

    /// The n-th of what is being picked from, counted from 1; for a reading, the digit itself.
    fn chosen(&self, n: u8) -> Option<PhraseMeaning> {
        let place = usize::from(n).checked_sub(1);
        match &self.talk().asking {
            Asking::SkipReason { .. } => place.and_then(|p| Reason::ALL.get(p)).map(|&r| PhraseMeaning::Reason(r)),
            Asking::Who { .. } => {
                place.and_then(|p| self.people_at(self.at).get(p).copied()).map(PhraseMeaning::Person)
            }
            // The key 0 is the tenth.
            Asking::Step if self.asks_how_it_stands() => self.other_way_round(place.unwrap_or(9)),
            Asking::Step if self.stretch_at(self.at, Vec::new).is_some() => {
                let (person, _) = self.asked_at(self.at)?;
                let step = *self.state.stretch_of(person).get(place?)?;
                self.stretch_at(self.at, || vec![step])
            }
            _ => self.means_at(self.at, |kind, _| kind.number_key(n)),
        }
    }

    /// That the stretch that is asked for at the station is done, but these.
    fn stretch_at(&self, station: StationId, but: impl FnOnce() -> Vec<StepIndex>) -> Option<PhraseMeaning> {
        let (person, _) = self.asked_at(station)?;
        let question = self.briefed[person].question;
        let asked = !self.state.stretch_of(person).is_empty();
        asked.then(|| PhraseMeaning::Stretch { person, question, but: but() })
    }

    /// The n-th of the things that were recalled, the other way round.
    fn other_way_round(&self, place: usize) -> Option<PhraseMeaning> {
        let (thing, stands) = self.state.recalled(&self.job).nth(place)?;
        let other = if stands == Stands::Out { Stands::Away } else { Stands::Out };
        Some(PhraseMeaning::Thing(thing, other))
    }

    /// That nothing is to be done today at the step that is asked for here.
    fn not_here_today(&self) -> Option<PhraseMeaning> {
        let asks = matches!(self.talk().asking, Asking::Step | Asking::Gate) && !self.state.standing_by;
        let (person, step) = self.asked_at(self.at).filter(|_| asks)?;
        // In a stretch it would be said of the first step, whichever was meant.
        if !self.state.stretch_of(person).is_empty() {
            return None;
        }
        not_here(&self.step_now(person, step))?;
        let question = self.briefed[person].question;
        Some(PhraseMeaning::To { person, step, question, answer: Reply::NotHere })
    }

    /// That what is asked for here cannot be tested.
    fn untested_here(&self) -> Option<PhraseMeaning> {
        let asks = matches!(self.talk().asking, Asking::Step | Asking::Gate) && !self.state.standing_by;
        let (person, step) = self.asked_at(self.at).filter(|_| asks)?;
        untested(&self.step_now(person, step))?;
        let question = self.briefed[person].question;
        Some(PhraseMeaning::To { person, step, question, answer: Reply::Untested })
    }

    /// Emergency cards, by their place among the parts of the run.
    pub(in crate::engine) fn cards(&self) -> impl Iterator<Item = usize> + '_ {
        (0..self.job.parts.len()).filter(|&part| self.job.parts[part].is_card())
    }

    /// The keys and the screen are the next person's, of several who share a station.
    fn turn_to_next_person(&mut self) {
        let people = self.people_at(self.at);
        let place = people.iter().position(|&person| person == self.focus());
        let next = place.and_then(|place| people.get((place + 1) % people.len())).copied();
        if let Some(next) = next.filter(|&next| next != self.focus()) {
            self.talk_mut().digits.clear();
            self.commit(Event::TurnedTo { person: self.state.people[next].name.clone() });
        }
    }

    /// What the step that is asked for at the station makes of a key.
    fn means_at(
        &self,
        station: StationId,
        means: impl Fn(&dyn AnswerKind, &StepNow<'_>) -> Option<Means>,
    ) -> Option<PhraseMeaning> {
        let (person, step) = self.asked_at(station)?;
        let question = self.briefed[person].question;
        let means = means(kind(&self.job.step(step).answer).as_ref(), &self.step_now(person, step))?;
        Some(match means {
            Means::Reply(answer) => PhraseMeaning::To { person, step, question, answer },
            Means::ClockEnd => PhraseMeaning::ClockEnd(step),
            Means::Digit(digit) => PhraseMeaning::Digit(digit),
            Means::NumberEnds => PhraseMeaning::NumberEnds,
            Means::NeverMind => PhraseMeaning::Command(Command::NeverMind),
        })
    }
}

/// The command that a key stands for at every step.
fn command_of(key: Key) -> Option<Command> {
    Some(match key {
        Key::SayAgain => Command::SayAgain,
        Key::Explain => Command::Explain,
        Key::HowLong => Command::HowLong,
        Key::WhatIsLeft => Command::WhatIsLeft,
        Key::WhereAreWe => Command::WhereAreWe,
        Key::WhatCanIAnswer => Command::WhatCanIAnswer,
        Key::StandBy => Command::StandBy,
        Key::Rest => Command::Rest,
        Key::GoAhead => Command::GoAhead,
        Key::NotYet => Command::NotYet,
        Key::Correction => Command::Correction,
        Key::Skip => Command::Skip,
        Key::Stop => Command::Stop,
        Key::EndRun => Command::EndRun,
        Key::Louder => Command::Louder,
        Key::Quieter => Command::Quieter,
        Key::Slower => Command::Slower,
        Key::Faster => Command::Faster,
        Key::Note => Command::Note,
        Key::AreWeReady => Command::AreWeReady,
        Key::AreWeOnTime => Command::AreWeOnTime,
        Key::WhatIsOut => Command::WhatIsOut,
        Key::Confirm
        | Key::Other
        | Key::ClockOver
        | Key::ClockOverOf(_)
        | Key::NotHere
        | Key::Untested
        | Key::Choice(_)
        | Key::DropDigit
        | Key::Card(_)
        | Key::NextPerson => return None,
    })
}

/// Keyboards repeat after a quarter to three quarters of a second, and then ten times a second and more.
const KEY_BEGINS_TO_REPEAT: Duration = Duration::from_millis(800);
const KEY_REPEATS: Duration = Duration::from_millis(200);
