//! What may be said now, and what it means. The set changes with every question; what a phrase means names the question it
//! answers, so that "done" said to the last step is no answer to this one, and one person's answer not another's.

use std::collections::HashMap;

use super::super::answer::{Means, Reply, StepNow, cannot_do, kind, not_here, untested};
use super::super::core::Engine;
use super::super::event::HeardAs;
use super::super::input::PhraseHeard;
use super::super::joined::Move;
use super::super::output::{AllowedPhrase, PhraseClass, Prior};
use super::super::people::PersonIndex;
use super::super::phrasebook::{Command, Common, Phrasebook, Reason};
use super::super::state::{Recall, RunState};
use super::person::Briefing;
use crate::rig::{Demand, Stands};
use crate::routine::{Answer, StepIndex};
use crate::units::StationId;

/// What a phrase means.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(in crate::engine) enum PhraseMeaning {
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
    /// The last digit was wrong.
    DropDigit,
    NumberEnds,
    Override,
    /// What a person cannot do today.
    Limit {
        person: PersonIndex,
        cannot: Demand,
    },
    /// A person can do everything again.
    NoLimits {
        person: PersonIndex,
    },
    /// How a thing stands.
    Thing(String, Stands),
    /// All of the stretch of the question of this number is done, but these.
    Stretch {
        person: PersonIndex,
        question: u64,
        but: Vec<StepIndex>,
    },
    /// A step that nobody was asked for is done: its own words say so.
    Report {
        person: PersonIndex,
        step: StepIndex,
        answer: String,
    },
    Command(Command),
}

impl PhraseMeaning {
    /// Whether it is what the station waits for, and not one of the things that may be said besides.
    fn prior(&self, now: &Situation<'_>) -> Prior {
        let at_step =
            |step: &StepIndex| now.people.iter().any(|&person| now.state.people[person].current == Some(*step));
        let answers = match self {
            Self::To { answer, .. } => {
                !matches!(answer, Reply::NoState | Reply::Untested | Reply::NotHere | Reply::CannotDo)
            }
            Self::ClockEnd(step) => at_step(step) || now.state.clocks.get(step).is_some_and(|clock| clock.ran_out),
            // A yes may settle what can hurt and is doubtful already: it has to be believed by itself.
            Self::Yes => false,
            Self::Stretch { .. } | Self::No | Self::Reason(_) | Self::Person(_) | Self::Digit(_) | Self::NumberEnds => {
                true
            }
            Self::Thing(..) => matches!(now.asking, Asking::Away { .. }) || now.state.recall == Recall::Asked,
            _ => false,
        };
        if answers { Prior::Asked } else { Prior::Allowed }
    }

    /// Who answers by it.
    pub fn person(&self) -> Option<PersonIndex> {
        match self {
            Self::To { person, .. } | Self::Stretch { person, .. } | Self::Report { person, .. } => Some(*person),
            _ => None,
        }
    }
}

/// What the person is being asked, besides the step itself.
#[derive(Clone, Debug, PartialEq)]
pub(in crate::engine) enum Asking {
    /// The step's own answer.
    Step,
    /// "I heard ... Is that right?", about a phrase that would mean this.
    Thin { meaning: PhraseMeaning, heard: HeardAs },
    /// Whose answer it was. What was said is settled by the name as it would have been without.
    Who { meanings: Vec<PhraseMeaning>, heard: HeardAs, phrase: PhraseHeard, class: PhraseClass },
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
    /// Whether a thing that can hurt is away, by its name.
    Away { thing: String },
    /// Whatever is said is a note on this step.
    Note { step: Option<StepIndex> },
}

impl Asking {
    /// Whether a yes or a no answers it.
    pub(in crate::engine) fn takes_yes(&self) -> bool {
        matches!(self, Self::Thin { .. } | Self::EndRun | Self::Timer(_) | Self::CheckAgain)
    }

    /// Whether something was asked back: what was heard, who said it, whether it is meant. That ends with whatever else is said or told: a yes
    /// that comes then answers something else.
    pub(in crate::engine) fn is_asked_back(&self) -> bool {
        self.takes_yes() || matches!(self, Self::Who { .. })
    }
}

/// A phrase with what it may mean: one thing, unless several people are being asked.
#[derive(Clone, Debug, PartialEq)]
pub(in crate::engine) struct ListenedPhrase {
    pub phrase: AllowedPhrase,
    pub meanings: Vec<PhraseMeaning>,
}

/// What the vocabulary of a station is made from.
pub(in crate::engine) struct Situation<'a> {
    pub job: &'a Move,
    pub book: &'a Phrasebook,
    pub state: &'a RunState,
    pub asking: &'a Asking,
    /// Those who share the station.
    pub people: &'a [PersonIndex],
    /// Whether what a person has to do with is spoken of here.
    pub concerns: &'a dyn Fn(PersonIndex) -> bool,
    pub briefed: &'a [Briefing],
    /// What has been said of a number digit by digit.
    pub digits: &'a str,
}

impl Engine {
    /// What may be said at a station while this is being asked there.
    pub(in crate::engine) fn vocabulary_while(&self, asking: &Asking, station: StationId) -> Vec<ListenedPhrase> {
        vocabulary(&Situation {
            job: &self.job,
            book: &self.book,
            state: &self.state,
            asking,
            people: &self.people_at(station),
            concerns: &|person| self.is_at(person, station),
            briefed: &self.briefed,
            digits: &self.talks.get(station).digits,
        })
    }
}

/// Everything that may be said in this situation. A phrase that answers two people's questions means both; otherwise no phrase
/// comes twice: the first meaning given stands, and answers are given before commands.
fn vocabulary(now: &Situation<'_>) -> Vec<ListenedPhrase> {
    let mut words = Collector::default();
    words.what_is_asked_besides(now);
    words.emergencies(now);
    if matches!(now.asking, Asking::Note { .. }) {
        words.command(now.book, Command::Stop);
        return words.entries;
    }
    words.ends_of_timers(now);
    let asks_the_step = matches!(now.asking, Asking::Step | Asking::Thin { .. } | Asking::Gate | Asking::Who { .. });
    if asks_the_step && !now.state.standing_by {
        for &person in now.people {
            words.answers_of(now, person);
        }
        if *now.asking == Asking::Step {
            words.reports(now);
        }
    }
    words.at_any_step(now);
    for entry in &mut words.entries {
        if entry.meanings.iter().any(|meaning| meaning.prior(now) == Prior::Asked) {
            entry.phrase.prior = Prior::Asked;
        }
    }
    words.entries
}

#[derive(Default)]
struct Collector {
    entries: Vec<ListenedPhrase>,
    places: HashMap<String, usize>,
    groups: Vec<Vec<PhraseMeaning>>,
}

impl Collector {
    fn add(&mut self, phrases: &[String], meaning: PhraseMeaning, class: PhraseClass, while_speaking: bool) {
        for text in phrases {
            match self.places.get(text).copied() {
                None => {
                    self.places.insert(text.clone(), self.entries.len());
                    let group = self.group(vec![meaning.clone()]);
                    let phrase =
                        AllowedPhrase { text: text.clone(), class, group, while_speaking, prior: Prior::Allowed };
                    self.entries.push(ListenedPhrase { phrase, meanings: vec![meaning.clone()] });
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
    fn group(&mut self, meanings: Vec<PhraseMeaning>) -> u32 {
        let place = self.groups.iter().rposition(|group| *group == meanings).unwrap_or_else(|| {
            self.groups.push(meanings);
            self.groups.len() - 1
        });
        u32::try_from(place).unwrap_or(u32::MAX)
    }

    fn is_for_another(&self, place: usize, meaning: &PhraseMeaning) -> bool {
        let Some(one) = meaning.person() else { return false };
        self.entries[place].meanings.iter().all(|other| other.person().is_some_and(|person| person != one))
    }

    fn ordinary(&mut self, phrases: &[String], meaning: PhraseMeaning) {
        self.add(phrases, meaning, PhraseClass::Ordinary, false);
    }

    fn what_is_asked_besides(&mut self, now: &Situation<'_>) {
        let book = now.book;
        match now.asking {
            // One word is little to go by, but here it comes on top of what was heard already; a thin one does not count.
            asking if asking.takes_yes() => {
                self.ordinary(book.common(Common::Yes), PhraseMeaning::Yes);
                self.ordinary(book.common(Common::No), PhraseMeaning::No);
            }
            Asking::SkipReason { .. } => {
                for &reason in Reason::ALL {
                    self.ordinary(book.reason(reason), PhraseMeaning::Reason(reason));
                }
                self.command(book, Command::NeverMind);
            }
            Asking::Who { .. } => {
                for &person in now.people {
                    self.ordinary(&[now.state.people[person].name.to_lowercase()], PhraseMeaning::Person(person));
                }
                self.command(book, Command::NeverMind);
            }
            Asking::Gate => {
                self.add(book.common(Common::Override), PhraseMeaning::Override, PhraseClass::Critical, false)
            }
            Asking::Note { .. } => self.command(book, Command::NeverMind),
            Asking::Away { thing } => {
                self.thing(now, thing, Stands::Away);
                self.command(book, Command::NeverMind);
            }
            Asking::Step if now.state.recall == Recall::Asked && now.state.card.is_none() && !now.state.standing_by => {
                self.ordinary(book.common(Common::Yes), PhraseMeaning::Yes);
                self.ordinary(book.common(Common::No), PhraseMeaning::No);
                for thing in now.state.things(now.job) {
                    self.thing(now, &thing, Stands::Out);
                    self.thing(now, &thing, Stands::Away);
                }
            }
            _ => {}
        }
    }

    fn thing(&mut self, now: &Situation<'_>, thing: &str, stands: Stands) {
        let class = if now.state.can_hurt(now.job, thing) { PhraseClass::Critical } else { PhraseClass::Ordinary };
        self.add(&now.book.thing(thing).phrases(stands), PhraseMeaning::Thing(thing.to_owned(), stands), class, false);
    }

    /// An emergency, and the end of a hazard, may be said at any time, over the alarm as well, whatever else is being asked. A
    /// clock that rings is ended wherever it is heard, one that still runs only where whoever holds it is.
    fn emergencies(&mut self, now: &Situation<'_>) {
        for (place, part) in now.job.parts.iter().enumerate() {
            self.add(&part.start, PhraseMeaning::Card(place), PhraseClass::Emergency, true);
        }
        for (&step, clock) in &now.state.clocks {
            let Answer::Clock(answer) = &now.job.step(step).answer else { continue };
            let concerns = (now.concerns)(clock.by);
            if concerns || clock.ran_out {
                self.add(&answer.end, PhraseMeaning::ClockEnd(step), PhraseClass::Critical, clock.ran_out);
            }
            if concerns {
                self.add(&answer.start, PhraseMeaning::ClockAgain(step), PhraseClass::Critical, false);
            }
        }
    }

    fn ends_of_timers(&mut self, now: &Situation<'_>) {
        for (name, timer) in &now.state.timers {
            let words = now.book.clocks().iter().find(|clock| clock.name == *name);
            if let Some(words) = words.filter(|_| (now.concerns)(timer.by)) {
                self.ordinary(&words.end, PhraseMeaning::TimerEnd(name.clone()));
            }
        }
    }

    fn at_any_step(&mut self, now: &Situation<'_>) {
        for (person, hand) in now.state.people.iter().enumerate() {
            let already = hand.here && now.state.alone();
            if !hand.name.is_empty() && !already && now.state.card.is_none() {
                self.ordinary(&now.book.over_to(&hand.name), PhraseMeaning::OverTo(person));
            }
        }
        for &person in now.people {
            let name = &now.state.people[person].name;
            let named = |phrase: &String| now.book.named(name, phrase);
            let own = |words: &[String]| -> Vec<String> {
                if now.people.len() == 1 { words.to_vec() } else { words.iter().flat_map(named).collect() }
            };
            for cannot in Demand::ALL {
                let phrases = own(&now.book.limit(cannot).say);
                self.ordinary(&phrases, PhraseMeaning::Limit { person, cannot });
            }
            let hand = &now.state.people[person];
            if !(hand.cannot.is_empty() && hand.unable.is_empty()) {
                let phrases = own(now.book.common(Common::NoLimits));
                self.ordinary(&phrases, PhraseMeaning::NoLimits { person });
            }
        }
        for (place, clock) in now.book.clocks().iter().enumerate() {
            self.ordinary(&clock.start, PhraseMeaning::TimerStart(place));
        }
        for &command in Command::ALL {
            self.command(now.book, command);
        }
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
        self.add(book.command(command), PhraseMeaning::Command(command), class, over_speech);
    }

    /// What may be said of a stretch, and of each of its steps that may be done now by its own words; "done" alone says of none that
    /// it is.
    fn answers_of_a_stretch(&mut self, now: &Situation<'_>, person: PersonIndex, stretch: &[StepIndex], question: u64) {
        let names: Vec<(StepIndex, &str)> =
            stretch.iter().map(|&step| (step, now.job.step(step).name.as_str())).collect();
        let others_are_asked =
            now.people.iter().any(|&other| other != person && now.state.people[other].current.is_some());
        let name = &now.state.people[person].name;
        for (phrases, but) in super::stretch::phrases(now.book, &names) {
            let meaning = PhraseMeaning::Stretch { person, question, but };
            let named = phrases.iter().filter(|_| others_are_asked).flat_map(|phrase| now.book.named(name, phrase));
            let named: Vec<String> = named.collect();
            self.ordinary(&phrases, meaning.clone());
            self.ordinary(&named, meaning);
        }
        // Which of them is asked for one by one.
        self.ordinary(
            now.book.common(Common::CannotDo),
            PhraseMeaning::Stretch { person, question, but: stretch.to_vec() },
        );
        for &step in stretch.iter().filter(|&&step| now.state.ready(now.job, step)) {
            let step_now = StepNow { job: now.job, book: now.book, state: now.state, index: step, digits: now.digits };
            for spoken in kind(&now.job.step(step).answer).may_be_said(&step_now) {
                let Means::Reply(answer) = spoken.means else { continue };
                let own = |phrase: &&String| !now.book.common(Common::NoState).contains(phrase);
                let phrases: Vec<String> = spoken.phrases.iter().filter(own).cloned().collect();
                self.add(&phrases, PhraseMeaning::To { person, step, question, answer }, spoken.class, false);
            }
        }
    }

    /// What may be done now is settled by its own words, whoever was asked for what; that of what can hurt only brings its own question. None of
    /// them holds a word of the answer to a question here that can hurt: they must not be taken for each other.
    fn reports(&mut self, now: &Situation<'_>) {
        let asked = |person: PersonIndex| now.state.people[person].current;
        let hurts = |&step: &StepIndex| now.job.step(step).critical();
        let kept: Vec<String> = now
            .people
            .iter()
            .filter_map(|&person| asked(person).filter(hurts))
            .flat_map(|step| now.job.step(step).answer.phrases().concat())
            // A clock that guards something is ended wherever it rings.
            .chain(now.state.clocks.keys().flat_map(|&step| now.job.step(step).answer.phrases().concat()))
            .flat_map(|phrase| telling_words(&phrase))
            .collect();
        for &person in now.people {
            let answer = asked(person).map(|step| &now.job.step(step).answer);
            let open_to_it = answer.is_none_or(|answer| {
                matches!(answer, Answer::Done { .. } | Answer::State(_) | Answer::YesNo(_) | Answer::Choice(_))
            });
            if !open_to_it || now.state.recall == Recall::Asked || !now.state.to_check.is_empty() {
                continue;
            }
            let in_a_stretch = !now.state.stretch_of(person).is_empty();
            for step in now.state.may_be_done_now(now.job, person) {
                let words = match &now.job.step(step).answer {
                    Answer::Done { also } => also,
                    Answer::State(state) => &state.want,
                    _ => continue,
                };
                let in_hand = now.state.asks_for(person, step) || hurts(&step) && in_a_stretch;
                let clear =
                    |phrase: &&String| !in_hand && telling_words(phrase).iter().all(|word| !kept.contains(word));
                // What answers a question, whoever's, is no report.
                let free = |phrase: &&String| match self.places.get(*phrase) {
                    Some(&place) => matches!(self.entries[place].meanings[..], [PhraseMeaning::Report { .. }, ..]),
                    None => true,
                };
                let phrases: Vec<String> = words.iter().filter(clear).filter(free).cloned().collect();
                let Some(answer) = words.first().cloned() else { continue };
                self.ordinary(&phrases, PhraseMeaning::Report { person, step, answer });
            }
        }
    }

    /// Whoever takes part in a signal may halt it at any time, though it is another's turn and that one has an ear of their own.
    fn halts_of_a_signal(&mut self, now: &Situation<'_>, person: PersonIndex, step: StepIndex) {
        let Answer::Both(both) = &now.job.step(step).answer else { return };
        let asked_here = now
            .people
            .iter()
            .any(|&other| now.state.people[other].current == Some(step) && now.state.is_asked(now.job, other, step));
        let question = now.briefed.get(person).map_or(0, |briefing| briefing.question);
        for turn in both.turns.iter().filter(|turn| !asked_here && !turn.halt.is_empty()) {
            let answer = Reply::Halt(turn.halt[0].clone());
            self.add(&turn.halt, PhraseMeaning::To { person, step, question, answer }, PhraseClass::Emergency, true);
        }
    }

    /// What this person may answer; where others are asked here too, also with the name before it.
    fn answers_of(&mut self, now: &Situation<'_>, person: PersonIndex) {
        let Some(step) = now.state.people[person].current else { return };
        if !now.state.is_asked(now.job, person, step) {
            return self.halts_of_a_signal(now, person, step);
        }
        let question = now.briefed.get(person).map_or(0, |briefing| briefing.question);
        let stretch = now.state.stretch_of(person);
        if !stretch.is_empty() {
            return self.answers_of_a_stretch(now, person, stretch, question);
        }
        let answer = &now.job.step(step).answer;
        let step_now = StepNow { job: now.job, book: now.book, state: now.state, index: step, digits: now.digits };
        let is_number = |step: StepIndex| matches!(now.job.step(step).answer, Answer::Number(_));
        let number = is_number(step);
        let others = now.people.iter().filter(|&&other| other != person);
        let mut others = others.filter_map(|&other| now.state.people[other].current);
        // A number with a name before it is worth its many phrases only where two people read numbers.
        let others_are_asked = others.any(|other| other != step && (!number || is_number(other)));
        let ways_out = [untested(&step_now), not_here(&step_now), cannot_do(&step_now)];
        for spoken in kind(answer).may_be_said(&step_now).into_iter().chain(ways_out.into_iter().flatten()) {
            let class = spoken.class;
            let named = others_are_asked
                && matches!(&spoken.means, Means::Reply(reply) if !number || matches!(reply, Reply::Number(_)));
            // A single word over the program's own voice is too little for an answer.
            let over_speech = |phrase: &String| class == PhraseClass::Emergency || (!number && phrase.contains(' '));
            let meaning = match spoken.means {
                Means::NeverMind => {
                    self.command(now.book, Command::NeverMind);
                    continue;
                }
                Means::Reply(answer) => PhraseMeaning::To { person, step, question, answer },
                Means::ClockEnd => PhraseMeaning::ClockEnd(step),
                Means::Digit(digit) => PhraseMeaning::Digit(digit),
                Means::NumberEnds => PhraseMeaning::NumberEnds,
            };
            let is_reply = matches!(meaning, PhraseMeaning::To { .. });
            for phrase in &spoken.phrases {
                self.add(std::slice::from_ref(phrase), meaning.clone(), class, is_reply && over_speech(phrase));
            }
            if named {
                let name = &now.state.people[person].name;
                let named: Vec<String> =
                    spoken.phrases.iter().flat_map(|phrase| now.book.named(name, phrase)).collect();
                self.add(&named, meaning, class, !number);
            }
        }
        if now.state.is_open(step) {
            for thing in now.state.may_be_away(now.job, step) {
                self.thing(now, &thing, Stands::Away);
            }
        }
    }
}

/// The words of a phrase that tell what it is about, and how it is.
fn telling_words(phrase: &str) -> Vec<String> {
    phrase.split_whitespace().filter(|word| !TELL_NOTHING.contains(word)).map(str::to_owned).collect()
}

/// Words that phrases share without being like each other.
const TELL_NOTHING: [&str; 7] = ["a", "all", "are", "has", "is", "it", "the"];
