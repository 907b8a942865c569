//! From a phrase to what it means, and whose it is. Nothing here speaks of an answer as taken: that waits for the record.

use super::core::Engine;
use super::event::{Event, HeardAs};
use super::input::{Certainty, PhraseHeard};
use super::output::{Output, PhraseClass, Priority};
use super::people::PersonIndex;
use super::phrasebook::{Command, Common, Line};
use super::vocabulary::{Asking, Meaning, Reply};
use crate::routine::{Answer, StepIndex};

impl Engine {
    pub(super) fn phrase_heard(&mut self, heard: PhraseHeard) {
        let found = self.entries.iter().find(|entry| entry.phrase.text == heard.text).cloned();
        let Some(entry) = found else { return };
        let mut meanings = entry.meanings;
        if heard.set != self.set {
            // Said before the set changed: it counts as far as it meant the same then, to a question that is still asked.
            let then = self.earlier.iter().find(|(id, _)| *id == heard.set).map(|(_, entries)| entries);
            let then = then.and_then(|entries| entries.iter().find(|entry| entry.phrase.text == heard.text));
            meanings.retain(|meaning| match meaning {
                Meaning::Command(_) | Meaning::Card(_) => true,
                Meaning::To { .. } | Meaning::ClockEnd(_) | Meaning::TimerEnd(_) => {
                    then.is_some_and(|then| then.meanings == [meaning.clone()])
                }
                _ => false,
            });
        }
        if meanings.is_empty() {
            return;
        }
        self.last_heard = heard.text.clone();
        self.unclear_streak = 0;
        let how = HeardAs::Voice { phrase: heard.text.clone(), score: heard.score, margin: heard.margin };
        let thin = heard.certainty != Certainty::Sure;
        let doubtful = heard.certainty == Certainty::Doubtful;
        let matters = entry.phrase.class == PhraseClass::Critical;
        match meanings.as_slice() {
            // Only an answer is worth a question; whatever else it may have been can be said again.
            [Meaning::Command(_) | Meaning::Card(_) | Meaning::Yes | Meaning::No | Meaning::Override, ..]
            | [_, _, ..]
                if doubtful =>
            {
                self.commit(Event::SpeechUnclear);
            }
            [meaning] => {
                let asks =
                    matches!(self.asking, Asking::Thin { .. } | Asking::EndRun | Asking::Timer(_) | Asking::CheckAgain);
                let confirms = asks && *meaning == Meaning::Yes;
                let number = matches!(meaning, Meaning::To { answer: Reply::Number(_), .. });
                let said_again = matches!(&self.asking, Asking::Thin { meaning: first, .. } if first == meaning);
                if said_again && !doubtful {
                    // Asked whether it was heard right, they say it once more: as good as a yes (words twice).
                    self.hush_prompts();
                    self.take_for_said();
                } else if thin && (confirms || matters || number || doubtful) {
                    self.ask_about(meaning.clone(), how, &heard.text);
                } else {
                    self.mean(meaning.clone(), how);
                }
            }
            several => {
                self.asking = Asking::Who { meanings: several.to_vec(), heard: how };
                self.question += 1;
                let names = self.names_of_people(several.iter().filter_map(|meaning| match meaning {
                    Meaning::To { person, .. } => Some(*person),
                    _ => None,
                }));
                let text = self.book.line(Line::Who, &[("names", &names)]);
                self.say_useful(Priority::Prompt, text);
            }
        }
    }

    /// A thin hearing of something that matters is asked about. A thin "yes" to such a question is no yes: it is asked again.
    pub(super) fn ask_about(&mut self, meaning: Meaning, heard: HeardAs, phrase: &str) {
        self.hush_prompts();
        if meaning == Meaning::Yes && self.asking != Asking::Step {
            let again = self.last_useful.clone();
            self.question += 1;
            self.say(Priority::Prompt, again);
            return;
        }
        if let Meaning::To { person, .. } = meaning
            && self.yes_may_be_of_another(person)
        {
            self.asking = Asking::Step;
            return self.ask_once_more(person, phrase);
        }
        let reading = self.reading_of(&meaning);
        self.asking = Asking::Thin { meaning, heard };
        self.question += 1;
        let text = match reading {
            Some(number) => self.book.line(Line::AskReading, &[("number", &number)]),
            None => self.book.line(Line::AskThin, &[("phrase", phrase)]),
        };
        self.say_useful(Priority::Prompt, text);
    }

    /// Whether somebody else than `whose` is asked for what "yes" answers as well: who said it nobody could tell.
    fn yes_may_be_of_another(&self, whose: PersonIndex) -> bool {
        let yes = self.book.common(Common::Yes);
        let of_another = |meaning: &Meaning| matches!(meaning, Meaning::To { person, .. } if *person != whose);
        let entries = self.vocabulary_while(&Asking::Step);
        entries.iter().any(|entry| yes.contains(&entry.phrase.text) && entry.meanings.iter().any(of_another))
    }

    /// What was not heard well enough to count, and cannot be asked about, is to be said again.
    fn ask_once_more(&mut self, person: PersonIndex, phrase: &str) {
        self.question += 1;
        let text = self.to_person(person, self.book.line(Line::SayOnceMore, &[("phrase", phrase)]));
        self.say_useful(Priority::Prompt, text);
    }

    fn reading_of(&self, meaning: &Meaning) -> Option<String> {
        match meaning {
            Meaning::To { step, answer: Reply::Number(value), .. } => match &self.job.step(*step).answer {
                Answer::Number(number) => Some(super::numbers::shown(*value, number.decimals, &number.unit)),
                _ => None,
            },
            _ => None,
        }
    }

    pub(super) fn mean(&mut self, meaning: Meaning, heard: HeardAs) {
        if let Meaning::Command(command) = meaning {
            return self.obey(command, heard);
        }
        if let Meaning::Card(card) = meaning {
            return self.start_card(card, heard);
        }
        self.hush_prompts();
        match (meaning, self.asking.clone()) {
            (
                Meaning::Yes,
                Asking::Thin { meaning: Meaning::To { person, .. }, heard: HeardAs::Voice { phrase, .. } },
            ) if matches!(heard, HeardAs::Voice { .. }) && self.yes_may_be_of_another(person) => {
                self.asking = Asking::Step;
                self.ask_once_more(person, &phrase);
            }
            (Meaning::Yes, Asking::Thin { .. }) => self.take_for_said(),
            (Meaning::No, Asking::Thin { .. }) => self.back_to_step(Line::ThinDenied),
            (Meaning::Yes, Asking::EndRun) => self.commit(Event::RunAbandoned),
            (Meaning::No, Asking::EndRun | Asking::Timer(_) | Asking::CheckAgain) => self.back_to_step(Line::WentOn),
            (Meaning::Yes, Asking::Timer(clock)) => self.start_timer(clock, heard),
            (Meaning::Yes, Asking::CheckAgain) => self.check_section_again(),
            (Meaning::Person(person), Asking::Who { meanings, heard: first }) => {
                self.asking = Asking::Step;
                let of = |meaning: &&Meaning| matches!(meaning, Meaning::To { person: whose, .. } if *whose == person);
                match meanings.iter().find(of) {
                    Some(meaning) => self.mean(meaning.clone(), first),
                    None => self.say_line(Priority::Chat, Line::WhoNot),
                }
            }
            (Meaning::To { person, step, .. }, _) if self.state.people[person].current != Some(step) => {}
            (Meaning::To { person, step, answer, .. }, asked) => {
                let confirmed = matches!(heard, HeardAs::VoiceConfirmed { .. });
                self.asking = Asking::Step;
                self.remind_at[person] = None;
                self.answered(person, step, answer, heard, confirmed);
                // Somebody else was being asked whether they were heard right: a yes that comes now might answer anything.
                if let Asking::Thin { meaning: Meaning::To { person: other, .. }, heard: HeardAs::Voice { phrase, .. } } =
                    asked
                    && other != person
                {
                    self.ask_once_more(other, &phrase);
                }
            }
            (Meaning::ClockAgain(step), _) => {
                if let Some(clock) = self.state.clocks.get(&step).copied() {
                    self.asking = Asking::Step;
                    self.say_clock(step, &clock);
                }
            }
            (Meaning::ClockEnd(step), _) => {
                self.asking = Asking::Step;
                if self.state.clocks.contains_key(&step) {
                    self.end_clock(step, heard);
                } else if let Answer::Clock(clock) = &self.job.step(step).answer {
                    let text = self.book.line(Line::ClockStartFirst, &[("start", &clock.start[0])]);
                    self.say_useful(Priority::Prompt, text);
                }
            }
            (Meaning::Reason(reason), Asking::SkipReason { step }) => self.skip_because(step, reason),
            (Meaning::OverTo(person), _) => self.hand_over(person),
            (Meaning::TimerStart(clock), _) => self.ask_timer(clock),
            (Meaning::TimerEnd(name), _) => self.end_timer(&name, heard),
            (Meaning::Digit(digit), _) => self.digit(digit),
            (Meaning::NumberEnds, _) => self.digits_end(heard),
            (Meaning::Override, _) => self.override_gate(heard),
            _ => {}
        }
    }

    /// What was heard thin is taken for said.
    fn take_for_said(&mut self) {
        let Asking::Thin { meaning, heard } = self.asking.clone() else { return };
        self.asking = Asking::Step;
        let confirmed = match heard {
            HeardAs::Voice { phrase, score, margin } => HeardAs::VoiceConfirmed { phrase, score, margin },
            other => other,
        };
        self.mean_confirmed(meaning, confirmed);
    }

    fn mean_confirmed(&mut self, meaning: Meaning, heard: HeardAs) {
        match meaning {
            Meaning::To { person, step, answer, .. } => {
                if self.state.people[person].current == Some(step) {
                    self.remind_at[person] = None;
                    self.answered(person, step, answer, heard, true);
                }
            }
            Meaning::Override => self.override_gate(heard),
            other => self.mean(other, heard),
        }
    }

    /// What a key confirms or denies: the step that is on the screen.
    pub(super) fn asked_now(&self) -> Option<(usize, StepIndex)> {
        let focus = self.state.focus;
        let busy = std::iter::once(focus).chain(self.state.here());
        let step = busy.filter_map(|person| self.state.people[person].current).next()?;
        let asked = |&person: &usize| {
            self.state.people[person].current == Some(step)
                && super::vocabulary::is_asked(&self.job, &self.state, person, step)
        };
        std::iter::once(focus).chain(self.state.here()).find(asked).map(|person| (person, step))
    }

    /// Who is alone is listened to over the prompt; of two, one must not cut off what the other is being told.
    pub(super) fn hush_prompts(&mut self) {
        if self.state.alone() {
            self.send(Output::Hush(Priority::Caution));
        }
    }

    pub(super) fn names_of_people(&self, people: impl Iterator<Item = usize>) -> String {
        let or = format!(", {} ", self.book.word(super::phrasebook::Word::Or));
        people.map(|person| self.state.people[person].name.clone()).collect::<Vec<_>>().join(&or)
    }

    pub(super) fn never_mind(&mut self) {
        let note = matches!(self.asking, Asking::Note { .. });
        self.forget_note();
        self.digits.clear();
        if note {
            self.asking = Asking::Step;
            return self.say_line(Priority::Chat, Line::NoteLost);
        }
        self.back_to_step(Line::WentOn);
    }

    pub(super) fn is_voice_change(command: Command) -> bool {
        matches!(command, Command::Louder | Command::Quieter | Command::Slower | Command::Faster)
    }
}
