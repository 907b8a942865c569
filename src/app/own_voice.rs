//! Keeps the program from answering itself: what it is saying, and has just said, against what was heard meanwhile.

use std::time::Duration;

use crate::engine::input::PhraseHeard;
use crate::engine::output::{SpeechId, Utterance};
use crate::units::SessionTime;

/// The utterances that may still be in the air.
#[derive(Clone, Debug, Default)]
pub struct OwnVoice {
    utterances: Vec<(Utterance, Option<SessionTime>)>,
}

impl OwnVoice {
    /// An utterance was handed to the voice.
    pub fn will_say(&mut self, utterance: Utterance) {
        self.utterances.push((utterance, None));
    }

    /// It was played to its end, or cut off.
    pub fn is_over(&mut self, now: SessionTime, id: SpeechId) {
        for (utterance, over) in &mut self.utterances {
            if utterance.id == id {
                over.get_or_insert(now);
            }
        }
        self.utterances.retain(|(_, over)| over.is_none_or(|at| now.since(at) < STILL_IN_THE_AIR));
    }

    pub fn utterance(&self, id: SpeechId) -> Option<&Utterance> {
        self.utterances.iter().map(|(utterance, _)| utterance).find(|utterance| utterance.id == id)
    }

    /// Whether the phrase was heard while the program spoke and is among its own words: nobody's answer, however clear.
    pub fn said(&self, now: SessionTime, heard: &PhraseHeard) -> bool {
        let phrase = format!(" {} ", heard.text);
        heard.over_speech
            && self.utterances.iter().any(|(utterance, over)| {
                over.is_none_or(|at| now.since(at) < STILL_IN_THE_AIR)
                    && format!(" {} ", plain(&utterance.text)).contains(&phrase)
            })
    }
}

/// Lower case words with single spaces, no punctuation.
pub fn plain(text: &str) -> String {
    let words: String = text.chars().map(|c| if c.is_alphanumeric() || c == '\'' { c } else { ' ' }).collect();
    words.to_lowercase().split_whitespace().collect::<Vec<_>>().join(" ")
}

/// The ear judges a word about half a second after it ended, and a long one began two seconds before that.
const STILL_IN_THE_AIR: Duration = Duration::from_secs(3);

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::input::Certainty;
    use crate::engine::output::{ListeningSetId, Priority};

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

    #[test]
    fn its_own_words_are_nobodys_answer_but_a_person_may_say_the_same_after_it() {
        let mut own = OwnVoice::default();
        let text = "When it is shut, say water off.".to_owned();
        own.will_say(Utterance { id: SpeechId(1), priority: Priority::Alarm, text, alarm: None });
        let now = SessionTime::from_millis(1_000);
        assert!(own.said(now, &heard("water off", true)));
        assert!(!own.said(now, &heard("stop", true)));
        assert!(!own.said(now, &heard("water off", false)));
        own.is_over(now, SpeechId(1));
        assert!(own.said(SessionTime::from_millis(2_500), &heard("water off", true)), "its end is judged later");
        assert!(!own.said(SessionTime::from_millis(5_000), &heard("water off", true)));
    }
}
