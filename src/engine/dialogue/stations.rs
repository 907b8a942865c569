//! Who is spoken with where: stations that join, leave, go deaf or fall silent, and the people who move between them.

use super::super::core::Engine;
use super::super::event::Event;
use super::super::output::{Audience, Output, Priority};
use super::super::people::PersonIndex;
use super::super::phrasebook::{Line, Word};
use super::vocabulary::{Asking, PhraseMeaning};
use super::{Availability, Dialogue};
use crate::routine::StepIndex;
use crate::units::StationId;

impl Engine {
    /// The stations that an output is for at the moment, the rig's first. Never none.
    pub fn stations_of(&self, audience: &Audience) -> Vec<StationId> {
        match *audience {
            Audience::Station(station) => vec![station],
            Audience::Person(person) => self.stations_of_person(person),
            Audience::All => {
                let speaks =
                    |&(id, talk): &(StationId, &Dialogue)| id == StationId::RIG || talk.mouth == Availability::Up;
                self.talks.iter().filter(speaks).map(|(id, _)| id).collect()
            }
        }
    }

    /// Where a person is asked: at their own stations, of which one that is theirs alone comes before one that they share; or else where
    /// all are who have none.
    fn stations_of_person(&self, person: PersonIndex) -> Vec<StationId> {
        let name = self.state.people.get(person).map_or("", |hand| hand.name.as_str());
        let own = |(id, talk): (StationId, &Dialogue)| {
            (talk.serves() && talk.people.iter().any(|own| own == name)).then_some((talk.people.len(), id))
        };
        let own: Vec<(usize, StationId)> = self.talks.iter().filter_map(own).collect();
        if let Some(fewest) = own.iter().map(|(people, _)| *people).min() {
            return own.into_iter().filter(|(people, _)| *people == fewest).map(|(_, id)| id).collect();
        }
        let shared = |(id, talk): (StationId, &Dialogue)| {
            (talk.people.is_empty() && (talk.serves() || id == StationId::RIG)).then_some(id)
        };
        let shared: Vec<StationId> = self.talks.iter().filter_map(shared).collect();
        if shared.is_empty() { vec![StationId::RIG] } else { shared }
    }

    /// Where the person of this name is asked at the moment; the rig's station where nobody is called so.
    pub fn asked_where(&self, name: &str) -> StationId {
        self.state.person(name).map_or(StationId::RIG, |person| self.station_of(person))
    }

    /// Who was spoken with last of those who are asked at this station; nobody where none is.
    pub fn spoken_with(&self, station: StationId) -> Option<&str> {
        let person = if self.people_at(station).is_empty() { None } else { Some(self.focus_at(station)) };
        person.map(|person| self.state.people[person].name.as_str())
    }

    /// The first of a person's stations: there the conversation with them is kept.
    pub(in crate::engine) fn station_of(&self, person: PersonIndex) -> StationId {
        self.stations_of_person(person).first().copied().unwrap_or(StationId::RIG)
    }

    /// Whether what this person has to do with is spoken of at the station.
    pub(in crate::engine) fn is_at(&self, person: PersonIndex, station: StationId) -> bool {
        self.stations_of_person(person).contains(&station)
    }

    /// Those who take part and share this station, in the order in which they were named.
    pub(in crate::engine) fn people_at(&self, station: StationId) -> Vec<PersonIndex> {
        self.state.here().filter(|&person| self.is_at(person, station)).collect()
    }

    /// Whether what is said where this person is asked can be meant for nobody else: they are alone in the run, or at a station of
    /// their own.
    pub(in crate::engine) fn has_own_ear(&self, person: PersonIndex) -> bool {
        let station = self.station_of(person);
        let own = !self.talks.get(station).people.is_empty();
        self.state.alone() || own && self.people_at(station).iter().all(|&other| other == person)
    }

    /// Whom what is said at the station is about: whoever was spoken with last, as far as they are there.
    pub(in crate::engine) fn focus_at(&self, station: StationId) -> PersonIndex {
        let people = self.people_at(station);
        let focus = self.state.focus;
        if people.contains(&focus) { focus } else { people.first().copied().unwrap_or(focus) }
    }

    /// The same, where the conversation is.
    pub(in crate::engine) fn focus(&self) -> PersonIndex {
        self.focus_at(self.at)
    }

    /// The step that whoever is spoken with here was asked for last.
    pub(in crate::engine) fn current(&self) -> Option<StepIndex> {
        self.state.people[self.focus()].current
    }

    pub(in crate::engine) fn talk(&self) -> &Dialogue {
        self.talks.get(self.at)
    }

    pub(in crate::engine) fn talk_mut(&mut self) -> &mut Dialogue {
        self.talks.get_mut(self.at)
    }

    pub(in crate::engine) fn talk_of(&self, person: PersonIndex) -> &Dialogue {
        self.talks.get(self.station_of(person))
    }

    pub(in crate::engine) fn talk_of_mut(&mut self, person: PersonIndex) -> &mut Dialogue {
        let station = self.station_of(person);
        self.talks.get_mut(station)
    }

    /// Goes on at this person's station.
    pub(in crate::engine) fn turn_to(&mut self, person: PersonIndex) {
        self.at = self.station_of(person);
    }

    /// Whether what may be said at the station is worth naming.
    pub(in crate::engine) fn listens(&self, station: StationId) -> bool {
        station == StationId::RIG || self.talks.get(station).ear == Availability::Up
    }

    /// Somebody speaks whom no answer names: whose station it is tells who, and that goes on record before what they want.
    pub(in crate::engine) fn note_who_speaks(&mut self) {
        let focus = self.focus();
        if focus != self.state.focus {
            self.commit(Event::TurnedTo { person: self.state.people[focus].name.clone() });
        }
    }

    pub(in crate::engine) fn station_joined(&mut self, station: StationId, people: Vec<String>) {
        let before = self.whereabouts();
        let was_gone = self.talks.knows(station) && !self.talks.get(station).serves();
        self.talks.begin(station, people);
        self.at = station;
        self.send(Audience::Station(station), Output::SetVoice(self.state.voice));
        let people = &self.talks.get(station).people;
        if station != StationId::RIG {
            self.commit(Event::StationJoined { station: station.0, people: people.clone() });
        }
        self.tell_the_rig(
            station,
            if was_gone {
                [Line::StationBack, Line::StationBackSeveral]
            } else {
                [Line::StationJoined, Line::StationJoinedSeveral]
            },
        );
        if was_gone && !self.people_at(station).is_empty() {
            self.commit(Event::HearingBack);
        }
        self.say_the_card();
        self.say_what_was_missed(station);
        self.ask_who_moved(&before);
    }

    /// Its people are asked at the rig's station; what was being asked here is forgotten, and the run goes on.
    pub(in crate::engine) fn station_left(&mut self) {
        let before = self.whereabouts();
        let heard = self.talk().ear;
        self.drop_note();
        let talk = self.talk_mut();
        (talk.ear, talk.mouth) = (Availability::Down, Availability::Down);
        if self.at != StationId::RIG {
            self.talk_mut().forget();
            let people = self.talk().people.clone();
            self.commit(Event::StationLeft { station: self.at.0, people });
            self.tell_the_rig(self.at, [Line::StationAway; 2]);
        }
        self.lost(&before, heard);
    }

    pub(in crate::engine) fn hearing_lost(&mut self) {
        let before = self.whereabouts();
        let heard = std::mem::replace(&mut self.talk_mut().ear, Availability::Down);
        self.lost(&before, heard);
    }

    pub(in crate::engine) fn hearing_back(&mut self) {
        let before = self.whereabouts();
        self.talk_mut().ear = Availability::Up;
        self.commit(Event::HearingBack);
        self.say_what_was_missed(self.at);
        self.ask_who_moved(&before);
    }

    pub(in crate::engine) fn voice_lost(&mut self) {
        let before = self.whereabouts();
        self.talk_mut().mouth = Availability::Down;
        self.ask_who_moved(&before);
    }

    pub(in crate::engine) fn voice_back(&mut self) {
        let before = self.whereabouts();
        self.talk_mut().mouth = Availability::Up;
        self.say_what_was_missed(self.at);
        self.ask_who_moved(&before);
    }

    /// Says at the rig what became of the station of those who are named: with the first of the lines of one, with the second of several.
    fn tell_the_rig(&mut self, station: StationId, lines: [Line; 2]) {
        let names: Vec<&str> =
            self.talks.get(station).people.iter().map(String::as_str).filter(|name| !name.is_empty()).collect();
        if station != StationId::RIG && !names.is_empty() && self.state.ended.is_none() {
            let and = format!(" {} ", self.book.word(Word::And));
            let line = lines[usize::from(names.len() > 1)];
            let text = self.book.line(line, &[("name", &names.join(&and))]);
            self.say(Audience::Station(StationId::RIG), Priority::Caution, text);
        }
    }

    /// An ear is lost: on record where somebody was heard there.
    fn lost(&mut self, before: &[Vec<StationId>], heard: Availability) {
        let somebody = self.at == StationId::RIG || before.iter().any(|stations| stations.contains(&self.at));
        if somebody && (heard == Availability::Up || self.at == StationId::RIG) {
            self.commit(Event::HearingLost);
        }
        self.ask_who_moved(before);
    }

    /// What follows the loss of an ear: it is said where it was lost, as far as there is still a mouth.
    pub(in crate::engine) fn hearing_is(&mut self, line: Line, priority: Priority) {
        if self.at == StationId::RIG || self.talk().mouth == Availability::Up {
            self.say_line(Audience::Station(self.at), priority, line);
        }
    }

    /// Where everybody is asked, person by person.
    fn whereabouts(&self) -> Vec<Vec<StationId>> {
        (0..self.state.people.len()).map(|person| self.stations_of_person(person)).collect()
    }

    /// Whoever is asked elsewhere now is asked there once more for what they have.
    fn ask_who_moved(&mut self, before: &[Vec<StationId>]) {
        let now = self.whereabouts();
        let moved: Vec<PersonIndex> =
            self.state.here().filter(|&person| now[person].first() != before[person].first()).collect();
        for (person, were) in before.iter().enumerate() {
            for station in were.iter().filter(|station| !now[person].contains(station)) {
                self.forget_doubt_about(person, *station);
            }
        }
        for &person in &moved {
            self.ask(person);
        }
        if self.state.standing_by || self.state.card.is_some() || self.state.ended.is_some() {
            return;
        }
        let mut said = Vec::new();
        for person in moved {
            let station = self.station_of(person);
            if let Some(step) = self.state.people[person].current.filter(|&step| !self.job.is_gate(step)) {
                self.withdraw(person, &before[person]);
                if !said.contains(&(station, step)) {
                    said.push((station, step));
                    self.turn_to(person);
                    self.say_step(person, step);
                }
            }
        }
    }

    /// What somebody was asked about where they are no more is nobody's to say yes to there.
    fn forget_doubt_about(&mut self, person: PersonIndex, station: StationId) {
        let talk = self.talks.get_mut(station);
        let about = |meaning: &PhraseMeaning| meaning.person() == Some(person);
        let doubted = match &talk.asking {
            Asking::Thin { meaning, .. } => about(meaning),
            Asking::Who { meanings, .. } => meanings.iter().any(about),
            _ => false,
        };
        if doubted {
            talk.asking = Asking::Step;
        }
    }
}
