//! Keeps the program from answering itself: what it is saying at any station, and has just said, against what was heard meanwhile. Pure: the
//! time is an argument.

use std::collections::VecDeque;
use std::time::Duration;

use crate::decide::Reason;
use crate::engine::input::PhraseHeard;
use crate::engine::output::{ListeningSet, PhraseClass, SpeechId, Utterance};
use crate::units::{SessionTime, StationId};

/// What may still be in the air.
#[derive(Clone, Debug, Default)]
pub struct OwnWords {
    /// Handed to the voice and not over yet.
    utterances: Vec<Utterance>,
    /// Sentences that have begun.
    sentences: Vec<Sentence>,
    /// The newest of what may be heard.
    sets: VecDeque<ListeningSet>,
}

#[derive(Clone, Debug)]
struct Sentence {
    station: StationId,
    of: SpeechId,
    words: String,
    over: Option<SessionTime>,
}

impl OwnWords {
    /// An utterance was handed to the voice.
    pub fn will_say(&mut self, utterance: Utterance) {
        self.utterances.push(utterance);
    }

    /// A sentence of it begins at a station; the one before it is over.
    pub fn says(&mut self, now: SessionTime, station: StationId, id: SpeechId, words: &str) {
        self.end_sentences(now, id);
        self.sentences.push(Sentence { station, of: id, words: format!(" {} ", plain(words)), over: None });
    }

    /// It was played to its end, or cut off.
    pub fn is_over(&mut self, now: SessionTime, id: SpeechId) {
        self.end_sentences(now, id);
        self.utterances.retain(|utterance| utterance.id != id);
    }

    fn end_sentences(&mut self, now: SessionTime, id: SpeechId) {
        for sentence in self.sentences.iter_mut().filter(|sentence| sentence.of == id) {
            sentence.over.get_or_insert(now);
        }
        self.sentences.retain(|sentence| sentence.is_in_the_air(now));
    }

    /// The utterance of this name, while it is not over.
    pub fn utterance(&self, id: SpeechId) -> Option<&Utterance> {
        self.utterances.iter().find(|utterance| utterance.id == id)
    }

    /// From now on the phrases of `set` may be heard.
    pub fn will_hear(&mut self, set: &ListeningSet) {
        self.sets.push_front(set.clone());
        self.sets.truncate(KEPT_SETS);
    }

    /// Why the phrase that was heard at `station` is nobody's answer, if it was the program's own.
    pub fn refuse(&self, now: SessionTime, station: StationId, heard: &PhraseHeard) -> Option<Reason> {
        self.said(now, station, heard).then_some(Reason::OwnWords)
    }

    /// Whether the phrase was heard while the program spoke and is among the words of a sentence that was in the air, or begins one
    /// ("stopped" sounds like "stop"), in whatever words it may be said ("gloves are on" sounds like "gloves on"): nobody's answer, however clear. Of another station's loudspeaker the ear knows nothing: its
    /// sentences count while they are said, and as long as it takes to judge a word.
    fn said(&self, now: SessionTime, station: StationId, heard: &PhraseHeard) -> bool {
        let ways: Vec<String> = self.ways(heard).into_iter().map(|way| format!(" {way}")).collect();
        let said = |sentence: &Sentence| {
            let heard_there = match sentence.station == station {
                true => heard.over_speech && sentence.is_in_the_air(now),
                false => sentence.is_judged_elsewhere(now),
            };
            heard_there && ways.iter().any(|way| sentence.words.contains(way.as_str()))
        };
        self.sentences.iter().any(said)
    }

    /// The words that were heard, and all others that mean the same; of an emergency only those that were heard.
    fn ways<'a>(&'a self, heard: &'a PhraseHeard) -> Vec<&'a str> {
        let phrases = self.sets.iter().find(|set| set.id == heard.set).map_or(&[][..], |set| &set.phrases);
        let meant = phrases.iter().find(|phrase| phrase.text == heard.text);
        let meant = meant.filter(|phrase| phrase.class != PhraseClass::Emergency);
        let others = phrases.iter().filter(|phrase| meant.is_some_and(|meant| meant.group == phrase.group));
        std::iter::once(heard.text.as_str()).chain(others.map(|phrase| phrase.text.as_str())).collect()
    }
}

impl Sentence {
    fn is_in_the_air(&self, now: SessionTime) -> bool {
        self.over.is_none_or(|at| now.since(at) < STILL_IN_THE_AIR)
    }

    fn is_judged_elsewhere(&self, now: SessionTime) -> bool {
        self.over.is_none_or(|at| now.since(at) < JUDGED_ELSEWHERE)
    }
}

/// Lower case words with single spaces, no punctuation.
pub fn plain(text: &str) -> String {
    let words: String = text.chars().map(|c| if c.is_alphanumeric() || c == '\'' { c } else { ' ' }).collect();
    words.to_lowercase().split_whitespace().collect::<Vec<_>>().join(" ")
}

/// The ear judges a word about half a second after it ended, and a long one began two seconds before that.
const STILL_IN_THE_AIR: Duration = Duration::from_secs(3);
/// Half a second of quiet and a look: whoever answers a sentence later than that is a person.
const JUDGED_ELSEWHERE: Duration = Duration::from_millis(800);
/// What is said is judged by the set in which it began; sets do not change oftener than sentences.
const KEPT_SETS: usize = 4;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::input::Certainty;
    use crate::engine::output::{AllowedPhrase, ListeningSetId, Prior, Priority};

    fn heard(text: &str, over_speech: bool) -> PhraseHeard {
        PhraseHeard {
            set: ListeningSetId(1),
            index: 0,
            text: text.to_owned(),
            score: 0.0,
            margin: 9.0,
            certainty: Certainty::Sure,
            over_speech,
        }
    }

    fn said(own: &OwnWords, now: SessionTime, heard: &PhraseHeard) -> bool {
        own.refuse(now, StationId::RIG, heard) == Some(Reason::OwnWords)
    }

    #[test]
    fn what_another_station_says_is_nobodys_answer_here_while_it_is_said_and_a_persons_soon_after() {
        let mut own = OwnWords::default();
        let at = SessionTime::from_millis;
        own.says(at(0), StationId(3), SpeechId(1), "When it is shut, say water off.");
        // The ear here knows nothing of that loudspeaker.
        assert!(said(&own, at(500), &heard("water off", false)));
        own.is_over(at(1_000), SpeechId(1));
        assert!(said(&own, at(1_700), &heard("water off", false)), "it is judged later");
        assert!(!said(&own, at(1_900), &heard("water off", false)), "by now it is somebody");
        assert!(!said(&own, at(1_500), &heard("water on", false)));
    }

    #[test]
    fn its_own_words_are_nobodys_answer_but_a_person_may_say_the_same_later() {
        let mut own = OwnWords::default();
        let text = "Shut the tap. When it is shut, say water off.".to_owned();
        own.will_say(Utterance { id: SpeechId(1), priority: Priority::Alarm, text, alarm: None });
        let at = SessionTime::from_millis;
        own.says(at(0), StationId::RIG, SpeechId(1), "Shut the tap.");
        assert!(!said(&own, at(500), &heard("water off", true)), "it has not come to that yet");
        own.says(at(1_000), StationId::RIG, SpeechId(1), "When it is shut, say water off.");
        assert!(said(&own, at(1_500), &heard("water off", true)));
        assert!(!said(&own, at(1_500), &heard("stop", true)));
        assert!(!said(&own, at(1_500), &heard("water off", false)));
        own.says(at(3_000), StationId::RIG, SpeechId(1), "Then look into the elbow.");
        assert!(said(&own, at(4_500), &heard("water off", true)), "what was said is judged later");
        assert!(!said(&own, at(6_000), &heard("water off", true)), "by now it is somebody else");
        assert!(said(&own, at(6_000), &heard("elbow", true)));
        own.says(at(6_000), StationId::RIG, SpeechId(2), "Stopped. Say go ahead to go on.");
        assert!(said(&own, at(6_500), &heard("stop", true)), "it sounds like it");
        own.is_over(at(6_000), SpeechId(1));
        assert!(said(&own, at(8_000), &heard("elbow", true)), "its end is judged later");
        assert!(!said(&own, at(9_000), &heard("elbow", true)));
    }

    #[test]
    fn its_own_words_are_nobodys_answer_in_whatever_words_that_may_be_said() {
        let phrase = |text: &str, class, group| AllowedPhrase {
            text: text.to_owned(),
            class,
            group,
            while_speaking: true,
            prior: Prior::Allowed,
        };
        let phrases = vec![
            phrase("gloves on", PhraseClass::Critical, 1),
            phrase("gloves are on", PhraseClass::Critical, 1),
            phrase("gloves off", PhraseClass::Critical, 2),
            phrase("stop", PhraseClass::Emergency, 3),
            phrase("hands off", PhraseClass::Emergency, 3),
        ];
        let mut own = OwnWords::default();
        own.will_hear(&ListeningSet { id: ListeningSetId(1), phrases });
        own.will_hear(&ListeningSet { id: ListeningSetId(2), phrases: vec![] });
        let now = SessionTime::from_millis(1_000);
        own.says(now, StationId::RIG, SpeechId(1), "This is raw sewage: gloves on, and hands off the lid.");
        assert!(said(&own, now, &heard("gloves are on", true)));
        assert!(!said(&own, now, &heard("gloves are on", false)));
        assert!(!said(&own, now, &heard("gloves off", true)));
        assert!(!said(&own, now, &heard("stop", true)), "a person's stop is never lost for it");
    }
}
