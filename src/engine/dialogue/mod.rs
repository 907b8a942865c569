//! What is said and heard: one conversation for each station, of those who share its ear and its mouth.

mod cards;
mod clocks;
mod commands;
pub(super) mod conversations;
mod digits;
mod follow;
mod gate;
mod handover;
mod hearing;
mod keys;
mod limits;
pub(super) mod missed;
pub(super) mod moving;
mod notes;
mod offers;
mod on_time;
pub(super) mod person;
mod prompt;
mod remarks;
mod rest;
mod resume;
mod speech;
mod standing;
mod stations;
mod status;
mod stretch;
mod unclear;
pub(super) mod view;
pub(super) mod vocabulary;

use std::collections::VecDeque;

use self::missed::Missed;
pub(super) use self::prompt::split_answer;
use self::vocabulary::{Asking, ListenedPhrase};
use super::output::{ListeningSetId, SpeechId};
use super::people::PersonIndex;
use crate::units::SessionTime;

/// The conversation at one station.
pub(super) struct Dialogue {
    /// Whose own station it is, by name; empty where it serves everybody who has none.
    pub people: Vec<String>,
    pub ear: Availability,
    pub mouth: Availability,
    pub asking: Asking,
    pub listening: Listening,
    /// The number of the last question that was put here. Raised with every question, so that its listening set is its own even
    /// where the words are the same.
    pub question: u64,
    /// What has been said of a number digit by digit.
    pub digits: String,
    pub unclear: UnclearStreak,
    /// What was said here last, the newest last.
    pub said: VecDeque<String>,
    /// The prompt that is in the air, and whom it asks.
    pub prompt: Option<(SpeechId, PersonIndex)>,
    /// What is put before the next prompt: the answer said back, a clock's end.
    pub lead_in: Vec<String>,
    /// What "say again" repeats: the last thing worth hearing, never an apology.
    pub last_useful: String,
    pub last_heard: String,
    pub confirms: Confirms,
    /// What happened while nobody could be reached here.
    pub missed: Vec<Missed>,
}

/// When the confirm key came last, and when it last counted.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Confirms {
    pub last: Option<SessionTime>,
    pub counted: Option<SessionTime>,
}

/// Whether an ear or a mouth can be used.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Availability {
    Up,
    Down,
}

/// What may be said now, and what might have been said a moment ago.
#[derive(Default)]
pub(super) struct Listening {
    pub entries: Vec<ListenedPhrase>,
    pub set: Option<ListeningSetId>,
    /// Earlier sets and the question of each, for what was said before they changed.
    earlier: VecDeque<(Option<ListeningSetId>, u64, Vec<ListenedPhrase>)>,
    question: u64,
}

/// How often in a row, and when last, what was said fitted nothing.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct UnclearStreak {
    pub streak: u32,
    pub at: Option<SessionTime>,
}

impl Dialogue {
    pub fn of(people: Vec<String>) -> Self {
        Self {
            people,
            ear: Availability::Up,
            mouth: Availability::Up,
            asking: Asking::Step,
            listening: Listening::default(),
            question: 0,
            digits: String::new(),
            said: VecDeque::new(),
            unclear: UnclearStreak::default(),
            prompt: None,
            lead_in: Vec::new(),
            last_useful: String::new(),
            last_heard: String::new(),
            confirms: Confirms::default(),
            missed: Vec::new(),
        }
    }

    /// Whether somebody can be asked here: they hear the question, and are heard.
    pub fn serves(&self) -> bool {
        self.ear == Availability::Up && self.mouth == Availability::Up
    }

    /// Nobody is spoken with here any more: what was being asked and what was to be said is forgotten, what is listened for stays
    /// until it is named anew.
    pub fn forget(&mut self) {
        let (ear, mouth) = (self.ear, self.mouth);
        let listening = std::mem::take(&mut self.listening);
        let people = std::mem::take(&mut self.people);
        let missed = std::mem::take(&mut self.missed);
        *self = Self { ear, mouth, listening, missed, question: self.question, ..Self::of(people) };
    }
}

impl Listening {
    /// Takes over what may be said now. Gives the name of the set where it is another one than before; `last` is the number of
    /// the last set of the run.
    pub fn renew(&mut self, entries: Vec<ListenedPhrase>, question: u64, last: &mut u64) -> Option<ListeningSetId> {
        if entries == self.entries && question == self.question {
            return None;
        }
        let asked = std::mem::replace(&mut self.question, question);
        let before = std::mem::replace(&mut self.entries, entries);
        self.earlier.push_back((self.set, asked, before));
        if self.earlier.len() > SETS_KEPT {
            self.earlier.pop_front();
        }
        *last += 1;
        self.set = Some(ListeningSetId(*last));
        self.set
    }

    /// What these words mean now.
    pub fn find(&self, text: &str) -> Option<&ListenedPhrase> {
        self.entries.iter().find(|entry| entry.phrase.text == text)
    }

    /// What these words meant in an earlier set.
    pub fn find_in(&self, set: ListeningSetId, text: &str) -> Option<&ListenedPhrase> {
        let (.., entries) = self.earlier.iter().find(|(id, ..)| *id == Some(set))?;
        entries.iter().find(|entry| entry.phrase.text == text)
    }

    /// Whether an earlier set was one of the question that is asked now.
    pub fn asked_in(&self, set: ListeningSetId) -> bool {
        self.earlier.iter().any(|(id, question, _)| *id == Some(set) && *question == self.question)
    }
}

/// With a capital first letter, as a sentence begins.
pub(super) fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().collect::<String>() + letters.as_str())
}

/// As many sets as may change while one answer is being said and judged.
const SETS_KEPT: usize = 8;
