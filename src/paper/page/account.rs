//! The records of a run put together: for each step and clock what became of it. Pure; unknown ids are taken as they come.

use super::PageEntry;
use crate::engine::event::{Event, HeardAs};

#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Account {
    /// In the order in which they first came up.
    pub steps: Vec<StepAccount>,
    pub clocks: Vec<ClockAccount>,
    pub readings: Vec<Reading>,
    pub notes: Vec<Note>,
    pub away: Vec<Away>,
    /// What the gate held, in ids: when, and which steps.
    pub held: Vec<(u64, Vec<String>)>,
    pub overrides: Vec<(u64, String, Vec<String>)>,
    pub people: Vec<String>,
    /// Milliseconds of the run at its last record.
    pub end: u64,
}

impl Account {
    /// Milliseconds of a span without the times in which the program was away.
    pub fn worked(&self, span: &Span) -> u64 {
        let away = self.away.iter().map(|away| away.to.min(span.to).saturating_sub(away.from.max(span.from))).sum();
        (span.to - span.from).saturating_sub(away)
    }
}

#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct StepAccount {
    pub id: String,
    /// Each time that it was asked for until it was settled or the run ended.
    pub spans: Vec<Span>,
    pub people: Vec<String>,
    pub heard: Option<HeardAs>,
    pub other_answers: Vec<String>,
    pub reopened: Vec<String>,
    pub checked: Option<String>,
    pub rounds: u32,
}

#[derive(Clone, Debug, PartialEq)]
pub(super) struct Span {
    pub from: u64,
    pub to: u64,
    pub end: End,
    /// Time of day at its end.
    pub of_day: String,
}

#[derive(Clone, Debug, PartialEq)]
pub(super) enum End {
    Answered(String),
    Skipped(String),
    Open,
}

#[derive(Clone, Debug, PartialEq)]
pub(super) struct ClockAccount {
    /// Id of its step, or the name that a person gave it.
    pub id: String,
    pub from: u64,
    pub length: u64,
    /// None where it still ran at the end.
    pub to: Option<u64>,
}

#[derive(Clone, Debug, PartialEq)]
pub(super) struct Reading {
    pub at: u64,
    pub step: String,
    pub name: String,
    pub value: i64,
    pub least: i64,
    pub most: i64,
    pub decimals: u8,
    pub unit: String,
}

impl Reading {
    /// What an event says of a reading, if it is one.
    fn of(at: u64, event: &Event) -> Option<Self> {
        let Event::ReadingTaken { step, name, value, decimals, unit, least, most, .. } = event else { return None };
        Some(Self {
            at,
            step: step.clone(),
            name: name.clone(),
            value: *value,
            least: *least,
            most: *most,
            decimals: *decimals,
            unit: unit.clone(),
        })
    }
}

#[derive(Clone, Debug, PartialEq)]
pub(super) struct Note {
    pub at: u64,
    pub of_day: String,
    pub step: String,
    pub text: String,
    pub wav: Option<String>,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Away {
    pub from: u64,
    pub to: u64,
    pub known: bool,
}

pub(super) fn account(entries: &[PageEntry]) -> Account {
    let mut taker = Taker::default();
    for entry in entries {
        taker.take(entry);
    }
    taker.finish(entries)
}

#[derive(Default)]
struct Taker {
    account: Account,
    /// Whose step it is, where more than one takes part.
    assigned: Option<(String, String)>,
    before: u64,
}

impl Taker {
    fn take(&mut self, entry: &PageEntry) {
        let at = entry.at.as_millis();
        match entry.event.inner() {
            Event::CrewSet { people } => {
                self.account.people =
                    people.iter().filter(|person| person.here).map(|person| person.name.clone()).collect();
            }
            Event::StepAssigned { step, person } => self.assigned = Some((step.clone(), person.clone())),
            Event::HandedOver { to, .. } if !self.account.people.contains(to) => self.account.people.push(to.clone()),
            Event::StepOffered { step } => {
                self.open(step, at, &entry.of_day);
            }
            Event::StretchOffered { steps } => steps.iter().for_each(|step| self.open(step, at, &entry.of_day)),
            Event::StepAnswered { step, answer, heard } => {
                self.settle(step, entry, End::Answered(answer.clone()), Some(heard));
            }
            Event::LoopLimitReached { step, round, heard } => {
                self.step(step).rounds = *round;
                self.settle(step, entry, End::Answered("no".to_owned()), Some(heard));
            }
            Event::NotHere { step, answer, heard } => {
                self.settle(step, entry, End::Answered(answer.clone()), Some(heard));
            }
            Event::StepSkipped { step, reason } => self.settle(step, entry, End::Skipped(reason.clone()), None),
            Event::OtherStateHeard { step, answer, .. } | Event::SignalHalted { step, answer, .. } => {
                self.step(step).other_answers.push(answer.clone());
            }
            Event::LoopedBack { step, round, .. } => {
                let taken = self.step(step);
                taken.rounds = *round;
                taken.other_answers.push("no".to_owned());
            }
            Event::SignalGiven { step, person, .. } | Event::Agreed { step, person, .. } => {
                self.credit(step, person.clone())
            }
            Event::StepsReopened { steps, because } => {
                for step in steps {
                    self.step(step).reopened.push(because.clone());
                }
            }
            Event::StepChecked { step, answer, .. } => self.step(step).checked = Some(answer.clone()),
            Event::ReadingTaken { step, value, decimals, unit, settles, heard, .. } => {
                self.account.readings.extend(Reading::of(at, entry.event.inner()));
                if *settles {
                    let text = format!("{} {unit}", shown(*value, *decimals));
                    self.settle(step, entry, End::Answered(text.trim().to_owned()), Some(heard));
                }
            }
            Event::ClockStarted { step, length_ms, .. } => self.clock_started(step, at, *length_ms),
            Event::TimerStarted { name, length_ms, .. } => self.clock_started(name, at, *length_ms),
            Event::ClockEnded { step, heard, .. } => {
                self.clock_ended(step, at);
                let ran =
                    self.account.clocks.iter().rev().find(|clock| clock.id == *step).map_or(0, |clock| at - clock.from);
                self.settle(step, entry, End::Answered(super::span(ran)), Some(heard));
            }
            Event::TimerEnded { name, .. } => self.clock_ended(name, at),
            Event::ClockReinstated { step } => {
                if let Some(clock) = self.account.clocks.iter_mut().rev().find(|clock| clock.id == *step) {
                    clock.to = None;
                }
            }
            Event::NoteKept { step, text, wav } => self.account.notes.push(Note {
                at,
                of_day: entry.of_day.clone(),
                step: step.clone(),
                text: text.clone(),
                wav: wav.clone(),
            }),
            Event::Resumed { away_ms } => {
                self.account.away.push(Away { from: self.before.min(at), to: at, known: away_ms.is_some() });
            }
            Event::GateHeld { open } => self.account.held.push((at, open.clone())),
            Event::Overridden { open, person, .. } => self.account.overrides.push((at, person.clone(), open.clone())),
            _ => {}
        }
        self.before = at;
        self.account.end = self.account.end.max(at);
    }

    fn step(&mut self, id: &str) -> &mut StepAccount {
        let steps = &mut self.account.steps;
        let index = steps.iter().position(|step| step.id == id).unwrap_or_else(|| {
            steps.push(StepAccount { id: id.to_owned(), ..StepAccount::default() });
            steps.len() - 1
        });
        &mut steps[index]
    }

    fn open(&mut self, id: &str, at: u64, of_day: &str) {
        let step = self.step(id);
        if step.spans.last().is_none_or(|span| span.end != End::Open) {
            step.spans.push(Span { from: at, to: at, end: End::Open, of_day: of_day.to_owned() });
        }
    }

    fn settle(&mut self, id: &str, entry: &PageEntry, end: End, heard: Option<&HeardAs>) {
        let at = entry.at.as_millis();
        self.open(id, at, &entry.of_day);
        let person = match &self.assigned {
            Some((step, person)) if step == id => Some(person.clone()),
            _ => match &self.account.people[..] {
                [alone] => Some(alone.clone()),
                _ => None,
            },
        };
        if let Some(person) = person {
            self.credit(id, person);
        }
        let step = self.step(id);
        step.heard = heard.cloned();
        if let Some(span) = step.spans.last_mut() {
            (span.to, span.end) = (at.max(span.from), end);
            span.of_day.clone_from(&entry.of_day);
        }
    }

    fn credit(&mut self, id: &str, person: String) {
        let people = &mut self.step(id).people;
        if !people.contains(&person) {
            people.push(person);
        }
    }

    fn clock_started(&mut self, id: &str, from: u64, length: u64) {
        self.account.clocks.push(ClockAccount { id: id.to_owned(), from, length, to: None });
    }

    fn clock_ended(&mut self, id: &str, at: u64) {
        if let Some(clock) = self.account.clocks.iter_mut().rev().find(|clock| clock.id == id && clock.to.is_none()) {
            clock.to = Some(at.max(clock.from));
        }
    }

    fn finish(mut self, entries: &[PageEntry]) -> Account {
        let end = self.account.end;
        let of_day = entries.last().map(|entry| entry.of_day.clone()).unwrap_or_default();
        // The gate is never answered: it was passed.
        let passed = entries.iter().any(|entry| matches!(entry.event.inner(), Event::RunCompleted { .. }));
        for step in &mut self.account.steps {
            let span_open = step.spans.last().is_some_and(|span| span.end == End::Open);
            if let Some(span) = step.spans.last_mut().filter(|_| span_open) {
                span.to = end;
                span.of_day.clone_from(&of_day);
            }
        }
        if passed && let Some(gate) = last_offered(entries) {
            let step = self.step(&gate);
            if let Some(span) = step.spans.last_mut().filter(|span| span.end == End::Open) {
                span.end = End::Answered(String::new());
            }
        }
        self.account
    }
}

fn last_offered(entries: &[PageEntry]) -> Option<String> {
    entries.iter().rev().find_map(|entry| match entry.event.inner() {
        Event::StepOffered { step } => Some(step.clone()),
        Event::StretchOffered { steps } => steps.first().cloned(),
        _ => None,
    })
}

/// A whole count of `10^-decimals` as a number.
pub(super) fn shown(count: i64, decimals: u8) -> String {
    format!("{:.*}", usize::from(decimals), count as f64 / 10_f64.powi(i32::from(decimals)))
}
