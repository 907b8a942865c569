//! Says things, and knows what has been said and to whom.

use std::time::Duration;

use super::super::core::Engine;
use super::super::output::{AlarmSignal, Audience, Output, Priority, SpeechId, Utterance, View};
use super::super::people::PersonIndex;
use super::super::phrasebook::Line;
use super::vocabulary::Asking;
use super::{Availability, Dialogue};
use crate::units::StationId;

impl Engine {
    pub(in crate::engine) fn say_with_signal(
        &mut self,
        to: Audience,
        priority: Priority,
        text: String,
        alarm: Option<AlarmSignal>,
    ) -> SpeechId {
        let id = SpeechId(self.numbers.speech);
        self.numbers.speech += 1;
        if !text.is_empty() {
            for station in self.stations_of(&to) {
                let said = &mut self.talks.get_mut(station).said;
                said.push_back(text.clone());
                if said.len() > View::MOST_SAID {
                    said.pop_front();
                }
            }
            self.send(to, Output::Say(Utterance { id, priority, text, alarm }));
        }
        id
    }

    pub(in crate::engine) fn say(&mut self, to: Audience, priority: Priority, text: String) -> SpeechId {
        self.say_with_signal(to, priority, text, None)
    }

    pub(in crate::engine) fn say_line(&mut self, to: Audience, priority: Priority, line: Line) {
        let text = self.book.line(line, &[]);
        self.say(to, priority, text);
    }

    /// Whoever shares the station that is being spoken with.
    pub(in crate::engine) fn here(&self) -> Audience {
        Audience::Station(self.at)
    }

    /// Says what "say again" is to repeat.
    pub(in crate::engine) fn say_useful(&mut self, to: Audience, priority: Priority, text: String) -> SpeechId {
        self.remember(to, &text);
        self.say(to, priority, text)
    }

    /// What "say again" repeats from now on. What was asked back and is repeated no more is asked no more: a yes would be a yes to this.
    pub(in crate::engine) fn remember(&mut self, to: Audience, text: &str) {
        for station in self.stations_of(&to) {
            let talk = self.talks.get_mut(station);
            text.clone_into(&mut talk.last_useful);
            if talk.asking.is_asked_back() {
                talk.asking = Asking::Step;
            }
        }
    }

    /// Says what asks whoever is spoken with here for the step's answer: the reminder counts from its end.
    pub(in crate::engine) fn say_prompt(&mut self, text: String) {
        let speech = self.say_useful(self.here(), Priority::Prompt, text);
        self.prompted(vec![speech], self.focus());
    }

    pub(in crate::engine) fn say_prompt_to(&mut self, person: PersonIndex, priority: Priority, text: String) {
        let speech = self.say_useful(Audience::Person(person), priority, text);
        self.prompted(vec![speech], person);
    }

    /// The last of these asks.
    pub(in crate::engine) fn prompted(&mut self, speeches: Vec<SpeechId>, person: PersonIndex) {
        self.talk_of_mut(person).prompt = speeches.last().map(|&speech| (speech, person));
        self.is_unsaid(person, speeches);
    }

    /// Puts something before the next prompt of a person.
    pub(in crate::engine) fn lead_in(&mut self, person: PersonIndex, text: String) {
        self.talk_of_mut(person).lead_in.push(text);
    }

    /// Puts something before the next prompt here.
    pub(in crate::engine) fn lead_in_here(&mut self, text: String) {
        self.talk_mut().lead_in.push(text);
    }

    /// Says what was to be put before a prompt where none follows.
    pub(in crate::engine) fn say_lead_ins(&mut self) {
        for station in self.talks.ids() {
            let text = std::mem::take(&mut self.talks.get_mut(station).lead_in);
            if !text.is_empty() {
                self.say(Audience::Station(station), Priority::Prompt, text.join(" "));
            }
        }
    }

    /// Says `before` and then `last`, and the run is over.
    pub(in crate::engine) fn say_last_words(&mut self, before: &[String], last: String) {
        let before = before.join(" ");
        // Twice as long: the voice may be slow, and something else in the air. What is only read is read in a moment.
        let longest = match self.talks.iter().any(|(_, talk)| talk.mouth == Availability::Up) {
            true => 2 * (longest_saying(&before) + longest_saying(&last)),
            false => READ,
        };
        self.say(Audience::All, Priority::Caution, before);
        let last = self.say(Audience::All, Priority::Caution, last);
        self.alarms.expect_last_words(last, self.now + longest);
    }

    /// An utterance was played to its end. Where it was for several stations the first report counts; one that comes late, or
    /// again, changes nothing.
    pub(in crate::engine) fn speech_finished(&mut self, id: SpeechId) {
        self.alarms.has_been_said(id);
        for briefing in &mut self.briefed {
            briefing.unsaid.take_if(|unsaid| unsaid.speeches.last() == Some(&id));
        }
        if self.alarms.last_words == Some(id) {
            self.end_after_last_words();
        }
        let in_the_air = |talk: &mut Dialogue| talk.prompt.take_if(|(prompt, _)| *prompt == id);
        let asked: Vec<PersonIndex> = self.talks.all_mut().filter_map(in_the_air).map(|(_, person)| person).collect();
        for person in asked {
            self.arm_reminder(person);
        }
        if self.state.ended.is_none() {
            self.told_once(id);
        }
    }

    /// Who is spoken with alone is listened to over the prompt; of two, one must not cut off what the other is being told.
    pub(in crate::engine) fn hush_prompts(&mut self) {
        if self.people_at(self.at).len() < 2 {
            self.send(self.here(), Output::Hush(Priority::Caution));
        }
    }

    /// With the name before it, where more than one person is there to hear it.
    pub(in crate::engine) fn to_person(&self, person: PersonIndex, text: String) -> String {
        let name = &self.state.people[person].name;
        if self.has_own_ear(person) || name.is_empty() || text.is_empty() {
            return text;
        }
        self.book.line(Line::ToPerson, &[("name", name), ("text", &text)])
    }

    /// Another question is put to this person: what was said to the last one answers it no more.
    pub(in crate::engine) fn ask(&mut self, person: PersonIndex) {
        self.numbers.question += 1;
        let question = self.numbers.question;
        self.briefed[person].question = question;
        for station in self.stations_of(&Audience::Person(person)) {
            self.talks.get_mut(station).question = question;
        }
    }

    /// Another question is put here, to nobody by name.
    pub(in crate::engine) fn ask_here(&mut self) {
        self.ask_at(self.at);
    }

    pub(in crate::engine) fn ask_at(&mut self, station: StationId) {
        self.numbers.question += 1;
        self.talks.get_mut(station).question = self.numbers.question;
    }

    pub(in crate::engine) fn say_again(&mut self) {
        let text = self.clock_as_it_stands().unwrap_or_else(|| self.talk().last_useful.clone());
        let speech = self.say(self.here(), Priority::Prompt, text);
        self.talk_mut().prompt = Some((speech, self.focus()));
    }

    /// How long the clock of the step that is asked for here still runs: how long it was to run was said at its beginning, and is true no more.
    fn clock_as_it_stands(&self) -> Option<String> {
        let (_, step) = self.asked_at(self.at).filter(|_| self.talk().asking == Asking::Step)?;
        let clock = self.state.clocks.get(&step).filter(|clock| !clock.ran_out && clock.ends() > self.now)?;
        Some(self.clock_goes_on(step, clock))
    }

    pub(in crate::engine) fn names_of_people(&self, people: impl Iterator<Item = PersonIndex>) -> String {
        let or = format!(", {} ", self.book.word(super::super::phrasebook::Word::Or));
        people.map(|person| self.state.people[person].name.clone()).collect::<Vec<_>>().join(&or)
    }
}

/// How long `text` takes to say at most, or to read.
pub(in crate::engine) fn longest_saying(text: &str) -> Duration {
    Duration::from_millis(120 * u64::try_from(text.len()).unwrap_or(u64::MAX / 120)) + SAYING_SLACK
}

const SAYING_SLACK: Duration = Duration::from_secs(10);

/// The last words stand on a screen for so long where nobody can hear them.
const READ: Duration = Duration::from_secs(4);
