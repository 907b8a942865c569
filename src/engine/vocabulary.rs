//! What may be said now, and what it means. The set changes with every question; what a phrase means names the question it
//! answers, so that "done" said to the last step is no answer to this one, and one person's answer not another's.

use std::collections::HashMap;

use super::joined::Move;
use super::numbers;
use super::output::{AllowedPhrase, PhraseClass};
use super::people::PersonIndex;
use super::phrasebook::{Command, Common, Phrasebook, Reason};
use super::state::RunState;
use crate::routine::{Answer, StepIndex};

/// What a phrase means.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Meaning {
    /// An answer to the question of this number, which was put to a person.
    To {
        person: PersonIndex,
        step: StepIndex,
        question: u64,
        answer: Reply,
    },
    ClockEnd(StepIndex),
    /// The start of a clock that runs already.
    ClockAgain(StepIndex),
    Yes,
    No,
    Reason(Reason),
    Person(PersonIndex),
    OverTo(PersonIndex),
    /// Place in the phrasebook's clocks.
    TimerStart(usize),
    TimerEnd(String),
    Card(usize),
    Digit(char),
    NumberEnds,
    Override,
    Command(Command),
}

/// An answer to a step.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Reply {
    /// The answer that the step asks for, as it is said back.
    Wanted(String),
    /// The other state.
    Other(String),
    /// An acknowledgement that names no state, on a step that needs one.
    NoState,
    ClockStart,
    Yes,
    No,
    Number(i64),
    /// Place among the options.
    Choice(usize),
    Halt(String),
}

/// What the person is being asked, besides the step itself.
#[derive(Clone, Debug, PartialEq)]
pub enum Asking {
    /// The step's own answer.
    Step,
    /// "I heard ... Is that right?", about a phrase that would mean this.
    Thin { meaning: Meaning, heard: super::event::HeardAs },
    /// Whose answer it was.
    Who { meanings: Vec<Meaning>, heard: super::event::HeardAs },
    /// Why the step is skipped.
    SkipReason { step: StepIndex },
    /// Whether the run is really to end.
    EndRun,
    /// Whether a clock is to be started.
    Timer(usize),
    /// Whether the section is to be checked again after a long pause.
    CheckAgain,
    /// The gate is held: an override may be said.
    Gate,
    /// Whatever is said is a note on this step.
    Note { step: Option<StepIndex> },
}

/// A phrase with what it may mean: one thing, unless several people are being asked.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    pub phrase: AllowedPhrase,
    pub meanings: Vec<Meaning>,
}

/// What the vocabulary is made from.
pub struct Situation<'a> {
    pub job: &'a Move,
    pub book: &'a Phrasebook,
    pub state: &'a RunState,
    pub asking: &'a Asking,
    /// The number of each person's question.
    pub questions: &'a [u64],
    /// What has been said of a number digit by digit.
    pub digits: &'a str,
}

/// Everything that may be said in this situation. A phrase that answers two people's questions means both; otherwise no phrase
/// comes twice: the first meaning given stands, and answers are given before commands.
pub fn vocabulary(now: &Situation<'_>) -> Vec<Entry> {
    let Situation { job, book, state, asking, .. } = *now;
    let mut words = Collector::default();
    let ordinary = |words: &mut Collector, phrases: &[String], meaning: Meaning| {
        words.add(phrases, meaning, PhraseClass::Ordinary, false);
    };
    match asking {
        // One word is little to go by, but here it comes on top of what was heard already; a thin one does not count.
        Asking::Thin { .. } | Asking::EndRun | Asking::Timer(_) | Asking::CheckAgain => {
            ordinary(&mut words, book.common(Common::Yes), Meaning::Yes);
            ordinary(&mut words, book.common(Common::No), Meaning::No);
        }
        Asking::SkipReason { .. } => {
            for &reason in Reason::ALL {
                ordinary(&mut words, book.reason(reason), Meaning::Reason(reason));
            }
            words.command(book, Command::NeverMind);
        }
        Asking::Who { .. } => {
            for person in state.here() {
                ordinary(&mut words, &[state.people[person].name.to_lowercase()], Meaning::Person(person));
            }
            words.command(book, Command::NeverMind);
        }
        Asking::Gate => words.add(book.common(Common::Override), Meaning::Override, PhraseClass::Critical, false),
        Asking::Note { .. } => words.command(book, Command::NeverMind),
        Asking::Step => {}
    }
    // An emergency, and the end of a hazard, may be said at any time, over the alarm as well, whatever else is being asked.
    for (place, part) in job.parts.iter().enumerate() {
        words.add(&part.start, Meaning::Card(place), PhraseClass::Emergency, true);
    }
    for (&step, clock) in &state.clocks {
        if let Answer::Clock(answer) = &job.step(step).answer {
            words.add(&answer.end, Meaning::ClockEnd(step), PhraseClass::Critical, clock.ran_out);
            words.add(&answer.start, Meaning::ClockAgain(step), PhraseClass::Critical, false);
        }
    }
    if matches!(asking, Asking::Note { .. }) {
        words.command(book, Command::Stop);
        return words.entries;
    }
    for name in state.timers.keys() {
        if let Some(clock) = book.clocks().iter().find(|clock| clock.name == *name) {
            ordinary(&mut words, &clock.end, Meaning::TimerEnd(name.clone()));
        }
    }
    let asks_the_step = matches!(asking, Asking::Step | Asking::Thin { .. } | Asking::Gate | Asking::Who { .. });
    if asks_the_step && !state.standing_by {
        for person in state.here().collect::<Vec<_>>() {
            words.answers_of(now, person);
        }
    }
    for (person, hand) in state.people.iter().enumerate() {
        let already = hand.here && state.alone();
        if !hand.name.is_empty() && !already && state.card.is_none() {
            ordinary(&mut words, &book.over_to(&hand.name), Meaning::OverTo(person));
        }
    }
    for (place, clock) in book.clocks().iter().enumerate() {
        ordinary(&mut words, &clock.start, Meaning::TimerStart(place));
    }
    for &command in Command::ALL {
        words.command(book, command);
    }
    words.entries
}

/// Who is asked for the step that this person has: in a step for all it is one after the other.
pub fn is_asked(job: &Move, state: &RunState, person: PersonIndex, step: StepIndex) -> bool {
    if !state.takes_all(job, step) {
        return true;
    }
    match &job.step(step).answer {
        Answer::Both(both) => {
            let turn = state.turns.get(&step).copied().unwrap_or(0).min(both.turns.len() - 1);
            state.turn_of(&both.turns, turn) == person
        }
        Answer::Done { .. } | Answer::State(_) | Answer::Choice(_) => {
            let agreed = state.agreed.get(&step);
            let next = std::iter::once(state.focus).chain(state.here());
            let mut next = next.filter(|person| agreed.is_none_or(|agreed| !agreed.contains(person)));
            next.next() == Some(person)
        }
        // The rest is one question, put to whoever is nearest.
        _ => person == state.focus,
    }
}

#[derive(Default)]
struct Collector {
    entries: Vec<Entry>,
    places: HashMap<String, usize>,
    groups: Vec<Vec<Meaning>>,
}

impl Collector {
    fn add(&mut self, phrases: &[String], meaning: Meaning, class: PhraseClass, while_speaking: bool) {
        for text in phrases {
            match self.places.get(text).copied() {
                None => {
                    self.places.insert(text.clone(), self.entries.len());
                    let group = self.group(vec![meaning.clone()]);
                    let phrase = AllowedPhrase { text: text.clone(), class, group, while_speaking };
                    self.entries.push(Entry { phrase, meanings: vec![meaning.clone()] });
                }
                Some(place) if self.is_for_another(place, &meaning) => {
                    let mut meanings = self.entries[place].meanings.clone();
                    meanings.push(meaning.clone());
                    let group = self.group(meanings.clone());
                    let entry = &mut self.entries[place];
                    entry.phrase.class = entry.phrase.class.max(class);
                    entry.phrase.group = group;
                    entry.meanings = meanings;
                }
                Some(_) => {}
            }
        }
    }

    /// Phrases that mean the same are of one group.
    fn group(&mut self, meanings: Vec<Meaning>) -> u32 {
        let place = self.groups.iter().rposition(|group| *group == meanings).unwrap_or_else(|| {
            self.groups.push(meanings);
            self.groups.len() - 1
        });
        u32::try_from(place).unwrap_or(u32::MAX)
    }

    fn is_for_another(&self, place: usize, meaning: &Meaning) -> bool {
        let Meaning::To { person: one, .. } = meaning else { return false };
        let mut others = self.entries[place].meanings.iter();
        others.all(|other| matches!(other, Meaning::To { person, .. } if person != one))
    }

    fn command(&mut self, book: &Phrasebook, command: Command) {
        let class = match command {
            Command::Stop => PhraseClass::Emergency,
            Command::Skip
            | Command::Correction
            | Command::EndRun
            | Command::GoAhead
            | Command::Note
            | Command::ClockOff => PhraseClass::Ordinary,
            _ => PhraseClass::Chat,
        };
        let over_speech = matches!(command, Command::Stop | Command::SayAgain);
        self.add(book.command(command), Meaning::Command(command), class, over_speech);
    }

    /// What this person may answer; where others are asked too, also with the name before it.
    fn answers_of(&mut self, now: &Situation<'_>, person: PersonIndex) {
        let Some(step) = now.state.people[person].current else { return };
        if !is_asked(now.job, now.state, person, step) {
            return;
        }
        let checking = !now.state.is_open(step);
        let question = now.questions.get(person).copied().unwrap_or(0);
        let asked = now.job.step(step);
        let class = if asked.critical { PhraseClass::Critical } else { PhraseClass::Ordinary };
        let mut all: Vec<(Vec<String>, Reply, PhraseClass)> = Vec::new();
        let mut may = |phrases: &[String], reply: Reply, class: PhraseClass| all.push((phrases.to_vec(), reply, class));
        let book = now.book;
        match &asked.answer {
            Answer::Done { also } if checking => {
                may(also, Reply::Yes, class);
                may(book.common(Common::Yes), Reply::Yes, class);
                may(book.common(Common::No), Reply::No, class);
            }
            Answer::Done { also } => {
                let said = also.first().cloned().unwrap_or_else(|| book.common(Common::Done)[0].clone());
                let phrases: Vec<String> = also.iter().chain(book.common(Common::Done)).cloned().collect();
                may(&phrases, Reply::Wanted(said), class);
            }
            Answer::State(state) => {
                may(&state.want, Reply::Wanted(state.want[0].clone()), class);
                may(&state.other, Reply::Other(state.other[0].clone()), class);
                may(book.common(Common::NoState), Reply::NoState, PhraseClass::Chat);
            }
            Answer::Clock(clock) => {
                may(&clock.start, Reply::ClockStart, class);
                may(book.common(Common::NoState), Reply::NoState, PhraseClass::Chat);
                if !now.state.clocks.contains_key(&step) {
                    self.add(&clock.end, Meaning::ClockEnd(step), class, false);
                }
            }
            Answer::YesNo(_) => {
                may(book.common(Common::Yes), Reply::Yes, class);
                may(book.common(Common::No), Reply::No, class);
            }
            Answer::Choice(choice) => {
                for (place, option) in choice.options.iter().enumerate() {
                    may(&option.say, Reply::Choice(place), class);
                }
                may(book.common(Common::NoState), Reply::NoState, PhraseClass::Chat);
            }
            Answer::Hold(hold) => {
                may(&hold.ready, Reply::Wanted(hold.ready[0].clone()), class);
                may(book.common(Common::NoState), Reply::NoState, PhraseClass::Chat);
            }
            Answer::Both(both) => {
                let turn = now.state.turns.get(&step).copied().unwrap_or(0).min(both.turns.len() - 1);
                let say = &both.turns[turn].say;
                may(say, Reply::Wanted(say[0].clone()), class);
                for halt in both.turns.iter().map(|turn| &turn.halt).filter(|halt| !halt.is_empty()) {
                    may(halt, Reply::Halt(halt[0].clone()), PhraseClass::Emergency);
                }
                may(book.common(Common::NoState), Reply::NoState, PhraseClass::Chat);
            }
            Answer::Number(number) => match numbers::phrases(number, book.numbers()) {
                Some(phrases) => {
                    for (text, value) in phrases {
                        may(&[text], Reply::Number(value), class);
                    }
                    may(book.common(Common::NoState), Reply::NoState, PhraseClass::Chat);
                }
                None => self.digits(book, now.digits, class),
            },
            Answer::Told { .. } | Answer::Gate => {}
        }
        let mut others =
            now.state.here().filter(|&other| other != person).filter_map(|other| now.state.people[other].current);
        let number = matches!(asked.answer, Answer::Number(_));
        // A number with a name before it is worth its many phrases only where two people read numbers.
        let others_are_asked =
            others.any(|other| other != step && (!number || matches!(now.job.step(other).answer, Answer::Number(_))));
        let named = |meaning: &Meaning| {
            others_are_asked && (!number || matches!(meaning, Meaning::To { answer: Reply::Number(_), .. }))
        };
        for (phrases, answer, class) in all {
            let meaning = Meaning::To { person, step, question, answer };
            // A single word over the program's own voice is too little for an answer.
            let over_speech = |phrase: &String| class == PhraseClass::Emergency || (!number && phrase.contains(' '));
            for phrase in &phrases {
                self.add(std::slice::from_ref(phrase), meaning.clone(), class, over_speech(phrase));
            }
            if named(&meaning) {
                let name = &now.state.people[person].name;
                let named: Vec<String> = phrases.iter().flat_map(|phrase| book.named(name, phrase)).collect();
                self.add(&named, meaning, class, !number);
            }
        }
    }

    fn digits(&mut self, book: &Phrasebook, so_far: &str, class: PhraseClass) {
        let words = book.numbers();
        for (digit, name) in words.digits.iter().enumerate() {
            let mut names = vec![name.clone()];
            names.extend(words.digits_also.get(name).into_iter().flatten().cloned());
            let digit = char::from_digit(u32::try_from(digit).unwrap_or(0), 10).unwrap_or('0');
            self.add(&names, Meaning::Digit(digit), class, false);
        }
        if !so_far.is_empty() {
            if !so_far.contains('.') {
                self.add(&words.point, Meaning::Digit('.'), class, false);
            }
            self.add(&words.end, Meaning::NumberEnds, class, false);
            self.command(book, Command::NeverMind);
        }
    }
}
