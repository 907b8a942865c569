//! From a phrase to what it means, and whose it is. Nothing here speaks of an answer as taken: that waits for the record.

use super::super::answer::{HeardReply, ReadBack, Reply, Settling, StepNow, check, kind, numbers};
use super::super::core::Engine;
use super::super::event::{Event, HeardAs};
use super::super::input::{Certainty, PhraseHeard};
use super::super::output::{PhraseClass, Priority};
use super::super::people::PersonIndex;
use super::super::phrasebook::{Common, Line};
use super::vocabulary::{Asking, PhraseMeaning};
use crate::routine::{Answer, StepIndex};

impl Engine {
    pub(in crate::engine) fn phrase_heard(&mut self, heard: PhraseHeard) {
        let Some(entry) = self.talk().listening.find(&heard.text).cloned() else { return };
        let meanings = self.still_meant(&heard, entry.meanings);
        if meanings.is_empty() {
            return;
        }
        let talk = self.talk_mut();
        talk.last_heard.clone_from(&heard.text);
        talk.unclear.streak = 0;
        let how = HeardAs::Voice { phrase: heard.text.clone(), score: heard.score, margin: heard.margin };
        let doubtful = heard.certainty == Certainty::Doubtful;
        match meanings.as_slice() {
            // Only an answer is worth a question; whatever else it may have been can be said again.
            [
                PhraseMeaning::Command(_)
                | PhraseMeaning::Card(_)
                | PhraseMeaning::Yes
                | PhraseMeaning::No
                | PhraseMeaning::Override,
                ..,
            ]
            | [_, _, ..]
                if doubtful =>
            {
                self.commit(Event::SpeechUnclear);
            }
            [meaning] => self.one_meaning(meaning, &heard, entry.phrase.class, how),
            several => self.ask_who(several, heard, entry.phrase.class, how),
        }
    }

    /// What was said before the set changed counts as far as it meant the same then, to a question that is still asked.
    fn still_meant(&self, heard: &PhraseHeard, mut meanings: Vec<PhraseMeaning>) -> Vec<PhraseMeaning> {
        let listening = &self.talk().listening;
        if listening.set != Some(heard.set) {
            let then = listening.find_in(heard.set, &heard.text);
            meanings.retain(|meaning| match meaning {
                PhraseMeaning::Command(_) | PhraseMeaning::Card(_) => true,
                PhraseMeaning::Stretch { .. }
                | PhraseMeaning::To { .. }
                | PhraseMeaning::Report { .. }
                | PhraseMeaning::ClockEnd(_)
                | PhraseMeaning::TimerEnd(_) => then.is_some_and(|then| then.meanings == [meaning.clone()]),
                // The first digit brings words that end a number, so the set is another one; the question is not.
                PhraseMeaning::Digit(_) => {
                    then.is_some_and(|then| then.meanings == [meaning.clone()]) && listening.asked_in(heard.set)
                }
                _ => false,
            });
        }
        meanings
    }

    fn one_meaning(&mut self, meaning: &PhraseMeaning, heard: &PhraseHeard, class: PhraseClass, how: HeardAs) {
        let asking = &self.talk().asking;
        let asks = asking.takes_yes() || self.asks_how_it_stands();
        let confirms = asks && *meaning == PhraseMeaning::Yes;
        let names = matches!(asking, Asking::Who { class: PhraseClass::Critical, .. })
            && matches!(meaning, PhraseMeaning::Person(_));
        // Nothing was asked that it could fit, or it is one of many.
        let number =
            matches!(meaning, PhraseMeaning::To { answer: Reply::Number(_), .. } | PhraseMeaning::Report { .. });
        // It holds for the whole run.
        let limit = matches!(meaning, PhraseMeaning::Limit { .. } | PhraseMeaning::NoLimits { .. });
        let said_again = matches!(asking, Asking::Thin { meaning: first, .. } if first == meaning);
        let doubtful = heard.certainty == Certainty::Doubtful;
        let thin = heard.certainty != Certainty::Sure;
        let plain_answer = matches!(meaning, PhraseMeaning::To { .. }) && class != PhraseClass::Critical && !number;
        let twice_is_enough = !doubtful || plain_answer;
        if said_again && twice_is_enough {
            // Asked whether it was heard right, they say it once more: as good as a yes (words twice). Of two that are doubtful only an
            // answer is taken that no harm can come of, and no number.
            self.hush_prompts();
            self.take_for_said();
        } else if thin && names {
            self.say_again();
        } else if thin && (confirms || class == PhraseClass::Critical || number || limit || doubtful) {
            self.ask_about(meaning.clone(), how, &heard.text);
        } else {
            self.mean(meaning.clone(), how);
        }
    }

    fn ask_who(&mut self, meanings: &[PhraseMeaning], phrase: PhraseHeard, class: PhraseClass, heard: HeardAs) {
        let names = self.names_of_people(meanings.iter().filter_map(PhraseMeaning::person));
        self.ask_here();
        let text = self.book.line(Line::Who, &[("names", &names)]);
        self.say_useful(self.here(), Priority::Prompt, text);
        self.talk_mut().asking = Asking::Who { meanings: meanings.to_vec(), heard, phrase, class };
    }

    /// A thin hearing of something that matters is asked about. A thin "yes" to such a question is no yes: it is asked again.
    pub(in crate::engine) fn ask_about(&mut self, meaning: PhraseMeaning, heard: HeardAs, phrase: &str) {
        self.hush_prompts();
        if meaning == PhraseMeaning::Yes && self.talk().asking != Asking::Step {
            let again = self.talk().last_useful.clone();
            self.ask_here();
            self.say(self.here(), Priority::Prompt, again);
            return;
        }
        // A key is pressed by whoever typed.
        if let PhraseMeaning::To { person, .. } = meaning
            && heard != HeardAs::Key
            && self.yes_may_be_of_another(person)
        {
            self.talk_mut().asking = Asking::Step;
            return self.ask_once_more(person, phrase);
        }
        let reading = self.reading_of(&meaning);
        // One short word is what noise hides first: who said the same again is told longer ones, and the key.
        let again = matches!(&self.talk().asking, Asking::Thin { meaning: before, .. } if *before == meaning);
        let line = if again { Line::AskThinAgain } else { Line::AskThin };
        self.ask_here();
        let text = match reading {
            Some(number) => self.book.line(Line::AskReading, &[("number", &number)]),
            None => self.book.line(line, &[("phrase", phrase)]),
        };
        self.say_useful(self.here(), Priority::Prompt, text);
        self.talk_mut().asking = Asking::Thin { meaning, heard };
    }

    /// Whether somebody else here than `whose` is asked for what "yes" answers as well: who said it nobody could tell.
    fn yes_may_be_of_another(&self, whose: PersonIndex) -> bool {
        let yes = self.book.common(Common::Yes);
        let of_another =
            |meaning: &PhraseMeaning| matches!(meaning, PhraseMeaning::To { person, .. } if *person != whose);
        let entries = self.vocabulary_while(&Asking::Step, self.at);
        entries.iter().any(|entry| yes.contains(&entry.phrase.text) && entry.meanings.iter().any(of_another))
    }

    /// What was not heard well enough to count, and cannot be asked about, is to be said again.
    fn ask_once_more(&mut self, person: PersonIndex, phrase: &str) {
        self.ask_here();
        let text = self.to_person(person, self.book.line(Line::SayOnceMore, &[("phrase", phrase)]));
        self.say_useful(self.here(), Priority::Prompt, text);
    }

    fn reading_of(&self, meaning: &PhraseMeaning) -> Option<String> {
        let PhraseMeaning::To { step, answer: Reply::Number(value), .. } = meaning else { return None };
        match &self.job.step(*step).answer {
            Answer::Number(number) => Some(numbers::shown(*value, number.decimals, &number.unit)),
            _ => None,
        }
    }

    pub(in crate::engine) fn mean(&mut self, meaning: PhraseMeaning, heard: HeardAs) {
        match meaning {
            PhraseMeaning::Command(command) => return self.obey(command, heard),
            PhraseMeaning::Card(card) => return self.start_card(card, heard),
            _ => self.hush_prompts(),
        }
        let settles = matches!(meaning, PhraseMeaning::Yes | PhraseMeaning::No | PhraseMeaning::Person(_));
        if self.talk().asking.is_asked_back() && !settles && !matches!(meaning, PhraseMeaning::To { .. }) {
            // They have gone on: a yes that comes now answers this.
            self.talk_mut().asking = Asking::Step;
        }
        match meaning {
            PhraseMeaning::To { person, step, answer, .. } => self.answer_heard(person, step, answer, heard),
            PhraseMeaning::Yes => self.yes(heard),
            PhraseMeaning::No => self.no(),
            PhraseMeaning::Person(person) => self.it_was(person),
            PhraseMeaning::ClockAgain(step) => {
                if let Some(clock) = self.state.clocks.get(&step).copied() {
                    self.talk_mut().asking = Asking::Step;
                    self.say_clock(step, &clock);
                }
            }
            PhraseMeaning::ClockEnd(step) => {
                self.talk_mut().asking = Asking::Step;
                if self.state.clocks.contains_key(&step) {
                    self.end_clock(step, heard);
                } else if let Answer::Clock(clock) = &self.job.step(step).answer {
                    let text = self.book.line(Line::ClockStartFirst, &[("start", &clock.start[0])]);
                    self.say_useful(self.here(), Priority::Prompt, text);
                }
            }
            PhraseMeaning::Reason(reason) => {
                if let Asking::SkipReason { step } = self.talk().asking {
                    self.skip_because(step, reason);
                }
            }
            PhraseMeaning::OverTo(person) => self.hand_over(person),
            PhraseMeaning::TimerStart(clock) => self.ask_timer(clock),
            PhraseMeaning::TimerEnd(name) => self.end_timer(&name, heard),
            PhraseMeaning::Digit(digit) => self.digit(digit),
            PhraseMeaning::DropDigit => self.drop_digit(),
            PhraseMeaning::NumberEnds => self.digits_end(heard),
            PhraseMeaning::Override => self.override_gate(heard),
            PhraseMeaning::Stretch { person, but, .. } => {
                self.talk_mut().asking = Asking::Step;
                self.stretch_done(person, &but, &heard);
            }
            PhraseMeaning::Report { person, step, answer } => self.reported(person, step, answer, heard),
            PhraseMeaning::Limit { person, cannot } => self.tell_limit(person, cannot, heard),
            PhraseMeaning::NoLimits { person } => self.lift_limits(person, heard),
            PhraseMeaning::Thing(thing, stands) => self.tell_thing(thing, stands, heard),
            PhraseMeaning::Command(_) | PhraseMeaning::Card(_) => {}
        }
    }

    /// A yes to whatever is being asked besides the step.
    fn yes(&mut self, heard: HeardAs) {
        match self.talk().asking.clone() {
            Asking::Thin { meaning: PhraseMeaning::To { person, .. }, heard: HeardAs::Voice { phrase, .. } }
                if matches!(heard, HeardAs::Voice { .. }) && self.yes_may_be_of_another(person) =>
            {
                self.talk_mut().asking = Asking::Step;
                self.ask_once_more(person, &phrase);
            }
            Asking::Thin { .. } => self.take_for_said(),
            // A clock that guards may have been started since, by somebody else.
            Asking::EndRun => match self.hazard_first() {
                Some(text) => {
                    self.say_useful(self.here(), Priority::Caution, text);
                }
                None => self.commit(Event::RunAbandoned),
            },
            Asking::Timer(clock) => self.start_timer(clock, heard),
            Asking::CheckAgain => self.check_section_again(),
            Asking::Step if self.asks_how_it_stands() => {
                self.note_who_speaks();
                self.commit(Event::RigAgreed { heard });
            }
            Asking::Away { .. }
            | Asking::Step
            | Asking::Who { .. }
            | Asking::SkipReason { .. }
            | Asking::Gate
            | Asking::Note { .. } => {}
        }
    }

    fn no(&mut self) {
        match self.talk().asking {
            Asking::Thin { .. } => self.back_to_step(Line::ThinDenied),
            Asking::EndRun | Asking::Timer(_) | Asking::CheckAgain => self.back_to_step(Line::WentOn),
            Asking::Step if self.asks_how_it_stands() => self.ask_what_is_different(),
            Asking::Away { .. }
            | Asking::Step
            | Asking::Who { .. }
            | Asking::SkipReason { .. }
            | Asking::Gate
            | Asking::Note { .. } => {}
        }
    }

    /// "Who said that?" was answered with a name.
    fn it_was(&mut self, person: PersonIndex) {
        let Asking::Who { meanings, heard, phrase, class } = self.talk().asking.clone() else { return };
        self.talk_mut().asking = Asking::Step;
        let of = |meaning: &PhraseMeaning| meaning.person() == Some(person);
        match meanings.into_iter().find(of) {
            Some(meaning) => self.one_meaning(&meaning, &phrase, class, heard),
            None => self.say_line(self.here(), Priority::Chat, Line::WhoNot),
        }
    }

    fn answer_heard(&mut self, person: PersonIndex, step: StepIndex, answer: Reply, heard: HeardAs) {
        if !self.state.asks_for(person, step) {
            return;
        }
        let read_back = match heard {
            HeardAs::VoiceConfirmed { .. } => ReadBack::Confirmed,
            _ => ReadBack::NotYet,
        };
        let asked = std::mem::replace(&mut self.talk_mut().asking, Asking::Step);
        self.answered(person, step, answer, heard, read_back);
        // Somebody else was being asked whether they were heard right: a yes that comes now might answer anything.
        if let Asking::Thin { meaning: PhraseMeaning::To { person: other, .. }, heard: HeardAs::Voice { phrase, .. } } =
            asked
            && other != person
        {
            self.ask_once_more(other, &phrase);
        }
    }

    /// Somebody says unasked that a step is done that may be done now. What can hurt is asked for by its own question, which comes next, and
    /// so is what they have not heard the caution of, or what past runs leave to be said of it.
    fn reported(&mut self, person: PersonIndex, step: StepIndex, answer: String, heard: HeardAs) {
        self.talk_mut().asking = Asking::Step;
        if !self.state.may_be_done_now(&self.job, person).contains(&step) {
            return;
        }
        let caution = &self.job.step(step).caution;
        let unheard = |text: &String| !text.is_empty() && !self.briefed[person].told.contains(text);
        if self.job.step(step).critical() || unheard(caution) || self.remarks_text(step).iter().any(unheard) {
            return self.offer(person, step);
        }
        let id = self.step_id(step);
        if !self.state.alone() {
            let person = self.state.people[person].name.clone();
            self.commit(Event::StepAssigned { step: id.clone(), person });
        }
        self.briefed[person].reported = Some(step);
        self.commit(Event::StepAnswered { step: id, answer, heard });
    }

    /// What was heard thin is taken for said.
    fn take_for_said(&mut self) {
        let Asking::Thin { meaning, heard } = self.talk().asking.clone() else { return };
        self.talk_mut().asking = Asking::Step;
        let confirmed = match heard {
            HeardAs::Voice { phrase, score, margin } => HeardAs::VoiceConfirmed { phrase, score, margin },
            other => other,
        };
        match meaning {
            PhraseMeaning::To { person, step, answer, .. } => {
                if self.state.asks_for(person, step) {
                    self.answered(person, step, answer, confirmed, ReadBack::Confirmed);
                }
            }
            PhraseMeaning::Override => self.override_gate(confirmed),
            other => self.mean(other, confirmed),
        }
    }

    /// A step as it stands, for what this person says to it.
    pub(in crate::engine) fn step_now(&self, person: PersonIndex, index: StepIndex) -> StepNow<'_> {
        let digits = &self.talk_of(person).digits;
        StepNow { job: &self.job, book: &self.book, state: &self.state, index, digits }
    }

    fn answered(&mut self, person: PersonIndex, step: StepIndex, answer: Reply, by: HeardAs, read_back: ReadBack) {
        self.forget_reminder(person);
        if answer == Reply::NotHere {
            return self.not_here(person, step, by);
        }
        if answer == Reply::CannotDo {
            return self.cannot_do(person, step, by);
        }
        let now = self.step_now(person, step);
        let settling = if now.is_settled() {
            check(&now, answer, by.clone())
        } else {
            let name = self.state.people[person].name.clone();
            let heard = HeardReply { by: by.clone(), person: name, read_back };
            kind(&self.job.step(step).answer).settle(&now, answer, &heard)
        };
        match settling {
            Settling::Record(Event::HoldBegun { .. }) if self.alarms.holding.is_some() => {}
            Settling::Record(event) => self.commit(event),
            Settling::Agree(said) => self.agree(person, step, said, by),
            Settling::AskWhich => self.ask_which(step),
            Settling::TellClock => {
                if let Some(clock) = self.state.clocks.get(&step).copied() {
                    self.say_clock(step, &clock);
                }
            }
            Settling::AskNumber(value) => {
                let question = self.briefed[person].question;
                let meaning = PhraseMeaning::To { person, step, question, answer: Reply::Number(value) };
                self.ask_about(meaning, by, "");
            }
            Settling::Nothing => {}
        }
    }

    /// Settles the step, or waits for the others where all must answer.
    fn agree(&mut self, person: PersonIndex, step: StepIndex, answer: String, heard: HeardAs) {
        let id = self.step_id(step);
        let agreed = self.state.agreed.get(&step).cloned().unwrap_or_default();
        let missing = self.state.here().any(|other| other != person && !agreed.contains(&other));
        if self.state.takes_all(&self.job, step) && missing {
            let person = self.state.people[person].name.clone();
            self.commit(Event::Agreed { step: id, person, answer, heard });
        } else {
            self.commit(Event::StepAnswered { step: id, answer, heard });
        }
    }
}
