//! What somebody missed whose station was away: gathered from the records since it went, and told in one sentence when it is back.

use std::time::Duration;

use super::super::answer::numbers::shown;
use super::super::core::Engine;
use super::super::event::{Event, HeardAs};
use super::super::output::{Audience, Priority};
use super::super::people::PersonIndex;
use super::super::phrasebook::{Line, Word};
use super::Availability;
use super::handover::FEW;
use crate::routine::{Answer, StepIndex};
use crate::units::{SessionTime, StationId};

/// One thing that happened while somebody could not be reached. Of one step, of one clock, and of pauses the last is kept.
#[derive(Clone, Debug, PartialEq)]
pub(in crate::engine) enum Missed {
    /// A step of theirs was settled; what was said of it, and at whose station. At one that is shared nobody knows who said it.
    Settled { step: StepIndex, said: String, by: String },
    /// A step that they had settled is open again.
    Reopened { step: StepIndex },
    /// What became of a clock, by its name.
    Clock { name: String, fate: ClockFate, by: String },
    /// Everybody stopped; for how long, once it was over.
    Pause { lasted: Option<Duration> },
    /// An emergency card began.
    Card { card: usize },
    /// Somebody took over from somebody, one of whom was away.
    HandedOver { from: String, to: String },
}

/// What became of a clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::engine) enum ClockFate {
    /// It ran out, guards a hazard, and nobody has ended it.
    Rang,
    /// It rang until somebody ended it.
    RangAndEnded,
    /// Somebody ended it in time.
    Ended,
    /// It ran out by itself, as it was to.
    RanOut,
}

impl Missed {
    /// Whether both are about the same thing.
    fn is_about_what(&self, other: &Self) -> bool {
        match (self, other) {
            (
                Self::Settled { step, .. } | Self::Reopened { step },
                Self::Settled { step: other, .. } | Self::Reopened { step: other },
            ) => step == other,
            (Self::Clock { name, .. }, Self::Clock { name: other, .. }) => name == other,
            (Self::Pause { .. }, Self::Pause { .. }) => true,
            (Self::Card { card }, Self::Card { card: other }) => card == other,
            _ => false,
        }
    }
}

impl Engine {
    /// Notes what of a record that is about to be taken over concerns those whose stations are away.
    pub(in crate::engine) fn note_missed(&mut self, at: SessionTime, event: &Event, from: StationId) {
        for station in self.talks.ids() {
            let talk = self.talks.get(station);
            if talk.people.is_empty() || talk.serves() || station == from {
                continue;
            }
            let hears_all = talk.mouth == Availability::Up;
            for missed in self.missed_at(station, at, event.inner(), from) {
                // What everybody is told is heard there as long as there is a mouth.
                if !hears_all || !matches!(missed, Missed::Pause { .. } | Missed::Card { .. }) {
                    let list = &mut self.talks.get_mut(station).missed;
                    list.retain(|before| !before.is_about_what(&missed));
                    list.push(missed);
                }
            }
        }
    }

    fn missed_at(&self, station: StationId, at: SessionTime, event: &Event, from: StationId) -> Vec<Missed> {
        let people = &self.talks.get(station).people;
        if let Event::HandedOver { from, to } = event {
            let concerned = people.contains(from) || people.contains(to);
            return concerned.then(|| Missed::HandedOver { from: from.clone(), to: to.clone() }).into_iter().collect();
        }
        let by = self.said_by(from);
        let missed = match event {
            Event::ClockRanOut { step } => self.clock_missed(station, step, |_| ClockFate::Rang, String::new()),
            Event::ClockEnded { step, heard, .. } if *heard == HeardAs::Clock => {
                self.clock_missed(station, step, |_| ClockFate::RanOut, String::new())
            }
            Event::TimerRanOut { name } => self.timer_missed(people, name, ClockFate::RanOut, String::new()),
            // Whoever is alone has done what was done, wherever they were heard.
            _ if self.state.alone() => None,
            Event::ClockEnded { step, .. } => {
                let ended = |ran_out| if ran_out { ClockFate::RangAndEnded } else { ClockFate::Ended };
                self.clock_missed(station, step, ended, by)
            }
            Event::TimerEnded { name, heard, .. } if *heard != HeardAs::Clock => {
                self.timer_missed(people, name, ClockFate::Ended, by)
            }
            Event::StandingBy => Some(Missed::Pause { lasted: None }),
            // The pause after an emergency is part of it.
            Event::WentAhead if self.talks.get(station).missed.iter().any(|one| matches!(one, Missed::Card { .. })) => {
                None
            }
            Event::WentAhead => Some(Missed::Pause { lasted: Some(at.since(self.state.standing_since)) }),
            Event::CardStarted { card, .. } | Event::CardEnded { card } => {
                self.job.parts.iter().position(|part| part.id == *card).map(|card| Missed::Card { card })
            }
            Event::StepsReopened { steps, .. } => {
                let steps = steps.iter().filter_map(|id| self.job.index_of(id));
                let settled = |step: &StepIndex| {
                    let of = |settled: &super::super::state::Settled| {
                        settled.step == *step && self.is_one_of(people, settled.by)
                    };
                    self.state.trail.iter().any(of)
                };
                return steps.filter(settled).map(|step| Missed::Reopened { step }).collect();
            }
            _ => self.settled_missed(people, event, by),
        };
        missed.into_iter().collect()
    }

    fn settled_missed(&self, people: &[String], event: &Event, by: String) -> Option<Missed> {
        let step = event.step().and_then(|id| self.job.index_of(id))?;
        let theirs = |(person, hand): (PersonIndex, &super::super::people::Hand)| {
            (hand.current == Some(step) || hand.stretch.contains(&step)) && self.is_one_of(people, person)
        };
        let is_of_a_card = self.job.parts[self.job.part_of(step)].is_card();
        if is_of_a_card || self.job.is_gate(step) || !self.state.people.iter().enumerate().any(theirs) {
            return None;
        }
        let said = match event {
            Event::StepAnswered { answer, .. } | Event::NotHere { answer, .. } => answer.clone(),
            Event::StepSkipped { reason, .. } => self.book.line(Line::MissedSkipped, &[("reason", reason)]),
            Event::ReadingTaken { value, decimals, unit, settles: true, .. } => shown(*value, *decimals, unit),
            _ => return None,
        };
        (!said.is_empty()).then_some(Missed::Settled { step, said, by })
    }

    /// `fate` is given whether the clock has run out already.
    fn clock_missed(
        &self,
        station: StationId,
        step: &str,
        fate: impl Fn(bool) -> ClockFate,
        by: String,
    ) -> Option<Missed> {
        let step = self.job.index_of(step)?;
        let clock = self.state.clocks.get(&step)?;
        let Answer::Clock(answer) = &self.job.step(step).answer else { return None };
        let talk = self.talks.get(station);
        // What guards a hazard rings for everybody.
        let rings_for_them = answer.hazard() && talk.mouth == Availability::Down;
        let fate = match fate(clock.ran_out) {
            ClockFate::Rang if !answer.hazard() => return None,
            ClockFate::Rang | ClockFate::RangAndEnded if rings_for_them => fate(clock.ran_out),
            fate if self.is_one_of(&talk.people, clock.by) => fate,
            _ => return None,
        };
        let name = self.book.line(Line::MissedClock, &[("name", &answer.name)]);
        Some(Missed::Clock { name, fate, by })
    }

    fn timer_missed(&self, people: &[String], name: &str, fate: ClockFate, by: String) -> Option<Missed> {
        let timer = self.state.timers.get(name)?;
        self.is_one_of(people, timer.by).then(|| Missed::Clock { name: name.to_owned(), fate, by })
    }

    fn is_one_of(&self, people: &[String], person: PersonIndex) -> bool {
        self.state.people.get(person).is_some_and(|hand| people.contains(&hand.name))
    }

    /// Whose own station it is; empty for one that is shared.
    fn said_by(&self, station: StationId) -> String {
        self.talks.get(station).people.join(&format!(" {} ", self.book.word(Word::And)))
    }

    /// Tells at a station that is back what was missed there. An emergency leaves no room for it, and while alarms are muted nothing
    /// is to call anybody.
    pub(in crate::engine) fn say_what_was_missed(&mut self, station: StationId) {
        if !self.talks.get(station).serves() {
            return;
        }
        let missed = std::mem::take(&mut self.talks.get_mut(station).missed);
        if missed.is_empty() || self.state.card.is_some() || self.state.muted || self.state.ended.is_some() {
            return;
        }
        let what = self.missed_text(&missed);
        let mut text = vec![self.book.line(Line::Missed, &[("what", &what)])];
        if self.state.standing_by {
            text.push(self.book.line(Line::Standing, &[]));
        }
        // Before the step, which may begin with a caution.
        self.say(Audience::Station(station), Priority::Caution, text.join(" "));
    }

    /// In the order in which it happened; of many steps only how many, and the last.
    fn missed_text(&self, missed: &[Missed]) -> String {
        let is_settled = |missed: &&Missed| matches!(missed, Missed::Settled { .. });
        let settled = missed.iter().filter(is_settled).count();
        let last = missed.iter().rposition(|missed| is_settled(&missed));
        let mut parts = Vec::new();
        for (place, one) in missed.iter().enumerate() {
            let text = self.one_missed(one);
            match one {
                Missed::Settled { .. } if settled > FEW && Some(place) != last => {}
                Missed::Settled { .. } if settled > FEW => {
                    let count = self.steps_text(settled);
                    parts.push(self.book.line(Line::MissedSteps, &[("count", &count), ("last", &text)]));
                }
                _ => parts.push(text),
            }
        }
        parts.join("; ")
    }

    fn one_missed(&self, missed: &Missed) -> String {
        let (text, by) = match missed {
            Missed::Settled { step, said, by } if matches!(self.job.step(*step).answer, Answer::State(_)) => {
                // It names the thing itself.
                (said.clone(), by.as_str())
            }
            Missed::Settled { step, said, by } => {
                let name = &self.job.step(*step).name;
                (self.book.line(Line::MissedSettled, &[("name", name), ("answer", said)]), by.as_str())
            }
            Missed::Reopened { step } => {
                (self.book.line(Line::MissedReopened, &[("name", &self.job.step(*step).name)]), "")
            }
            Missed::Clock { name, fate, by } => {
                let line = match fate {
                    ClockFate::Rang => Line::MissedRang,
                    ClockFate::RangAndEnded => Line::MissedRangEnded,
                    ClockFate::Ended => Line::MissedEnded,
                    ClockFate::RanOut => Line::MissedRanOut,
                };
                (self.book.line(line, &[("name", name)]), by.as_str())
            }
            Missed::Pause { lasted: None } => (self.book.line(Line::MissedPause, &[]), ""),
            Missed::Pause { lasted: Some(span) } => {
                (self.book.line(Line::MissedPauseOver, &[("span", &self.book.span(*span))]), "")
            }
            Missed::Card { card } => (self.book.line(Line::MissedCard, &[("title", &self.job.parts[*card].title)]), ""),
            Missed::HandedOver { from, to } => {
                (self.book.line(Line::MissedHandover, &[("from", from), ("to", to)]), "")
            }
        };
        if by.is_empty() { text } else { self.book.line(Line::MissedBy, &[("what", &text), ("name", by)]) }
    }
}
