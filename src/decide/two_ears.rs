//! One voice at two ears counts once. Pure: times are arguments, and they are those at which the sound was taken, not those at which it was
//! understood.
//!
//! What a station heard is held back only while another's voice activity overlaps with it and has come to nothing yet, and for
//! [`LONGEST_HOLD`] at most. Of two that are one voice the surer counts; the other is told of as [`Reason::HeardElsewhere`]. They are one voice
//! where they were said at the same time and are the same words, or began and ended together; but where each ear might have heard the other's
//! words too, and was sure of its own, two people spoke at once.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use crate::decide::Reason;
use crate::engine::input::{Certainty, PhraseHeard};
use crate::engine::output::ListeningSet;
use crate::units::{SessionTime, StationId};

/// A phrase, where and when it was said.
#[derive(Clone, Debug, PartialEq)]
pub struct HeardAt {
    /// Whose ear heard it.
    pub station: StationId,
    /// What was heard.
    pub heard: PhraseHeard,
    /// What might be said there; `None` where it has changed since.
    pub among: Option<Arc<ListeningSet>>,
    /// When the sound of its first word was taken.
    pub from: SessionTime,
    /// When that of its last word was.
    pub to: SessionTime,
}

/// What becomes of it.
#[derive(Clone, Debug, PartialEq)]
pub enum OneVoice {
    /// It is to be acted on.
    Counts(HeardAt),
    /// It is another ear's.
    Refused(HeardAt, Reason),
}

/// What was heard lately at all ears.
#[derive(Clone, Debug, Default)]
pub struct TwoEars {
    /// Stations at which somebody speaks, or has spoken and is being judged, and since when.
    voices: BTreeMap<StationId, SessionTime>,
    /// Held back, and until when at most.
    held: Vec<(HeardAt, SessionTime)>,
    /// What has counted lately.
    counted: Vec<HeardAt>,
}

impl TwoEars {
    /// Somebody begins to speak at a station.
    pub fn began(&mut self, station: StationId, at: SessionTime) {
        self.voices.insert(station, at);
    }

    /// What was said at a station came to no phrase, or the station left.
    pub fn came_to_nothing(&mut self, now: SessionTime, station: StationId) -> Vec<OneVoice> {
        self.voices.remove(&station);
        self.poll(now)
    }

    /// A station heard a phrase. Gives what is settled by it, in the order in which it was said.
    pub fn heard(&mut self, now: SessionTime, heard: HeardAt) -> Vec<OneVoice> {
        self.voices.remove(&heard.station);
        self.counted.retain(|other| now.since(other.to) < KEPT);
        if self.counted.iter().any(|other| is_one_voice(other, &heard)) {
            let mut settled = self.poll(now);
            settled.push(OneVoice::Refused(heard, Reason::HeardElsewhere));
            return settled;
        }
        let mut refused = Vec::new();
        match self.held.iter().position(|(other, _)| is_one_voice(other, &heard)) {
            Some(at) if surer(&heard, &self.held[at].0) => {
                let worse = std::mem::replace(&mut self.held[at].0, heard);
                refused.push(OneVoice::Refused(worse, Reason::HeardElsewhere));
            }
            Some(_) => refused.push(OneVoice::Refused(heard, Reason::HeardElsewhere)),
            None => self.held.push((heard, now + LONGEST_HOLD)),
        }
        refused.extend(self.poll(now));
        refused
    }

    /// What need not be held back any longer.
    pub fn poll(&mut self, now: SessionTime) -> Vec<OneVoice> {
        let voices = &self.voices;
        let waits =
            |held: &HeardAt| voices.iter().any(|(station, began)| *station != held.station && *began <= held.to);
        let (held, mut free): (Vec<_>, Vec<_>) =
            std::mem::take(&mut self.held).into_iter().partition(|(held, until)| now < *until && waits(held));
        self.held = held;
        free.sort_by_key(|(heard, _)| (heard.to, heard.station));
        self.counted.extend(free.iter().map(|(heard, _)| heard.clone()));
        free.into_iter().map(|(heard, _)| OneVoice::Counts(heard)).collect()
    }

    /// When [`TwoEars::poll`] is to be called at the latest; `None` where nothing is held back.
    pub fn deadline(&self) -> Option<SessionTime> {
        self.held.iter().map(|(_, until)| *until).min()
    }
}

fn is_one_voice(a: &HeardAt, b: &HeardAt) -> bool {
    let overlap = a.from <= b.to && b.from <= a.to;
    let apart = |a: SessionTime, b: SessionTime| a.since(b).max(b.since(a));
    let together = apart(a.from, b.from) <= TOGETHER && apart(a.to, b.to) <= TOGETHER;
    let chosen = |one: &HeardAt, over: &HeardAt| {
        let might = |set: &Arc<ListeningSet>| set.phrases.iter().any(|phrase| phrase.text == over.heard.text);
        one.heard.certainty == Certainty::Sure && one.among.as_ref().is_some_and(might)
    };
    let two_people = chosen(a, b) && chosen(b, a);
    a.station != b.station && overlap && (a.heard.text == b.heard.text || together && !two_people)
}

/// Whether `a` is surer than `b`: by its certainty, then by its margin, which has an upper bound, then by how far it stands out of the background.
fn surer(a: &HeardAt, b: &HeardAt) -> bool {
    let rank = |heard: &PhraseHeard| match heard.certainty {
        Certainty::Sure => 2,
        Certainty::Thin => 1,
        Certainty::Doubtful => 0,
    };
    let (a, b) = (&a.heard, &b.heard);
    rank(a).cmp(&rank(b)).then(a.margin.total_cmp(&b.margin)).then(a.score.total_cmp(&b.score)).is_gt()
}

/// Nobody who has spoken waits longer for it.
pub const LONGEST_HOLD: Duration = Duration::from_millis(100);
/// A voice is at all ears at once, within 30 ms for ten metres; the speech detectors notice it some windows of 32 ms apart.
const TOGETHER: Duration = Duration::from_millis(150);
/// An ear judges a word within a second of its end.
const KEPT: Duration = Duration::from_secs(3);

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::output::{AllowedPhrase, ListeningSetId, PhraseClass, Prior};
    use rstest::rstest;

    fn at(ms: u64) -> SessionTime {
        SessionTime::from_millis(ms)
    }

    fn heard(station: u16, text: &str, from: u64, to: u64, certainty: Certainty, score: f32) -> HeardAt {
        let heard = PhraseHeard {
            set: ListeningSetId(u64::from(station)),
            index: 0,
            text: text.to_owned(),
            score,
            margin: 8.0,
            certainty,
            over_speech: false,
        };
        HeardAt { station: StationId(station), heard, among: None, from: at(from), to: at(to) }
    }

    fn among(mut heard: HeardAt, phrases: &[&str]) -> HeardAt {
        let phrase = |text: &&str| AllowedPhrase {
            text: (*text).to_owned(),
            class: PhraseClass::Critical,
            group: 0,
            while_speaking: false,
            prior: Prior::Asked,
        };
        heard.among =
            Some(Arc::new(ListeningSet { id: heard.heard.set, phrases: phrases.iter().map(phrase).collect() }));
        heard
    }

    const SURE: Certainty = Certainty::Sure;
    const THIN: Certainty = Certainty::Thin;

    /// Stations whose answers count, where both ears heard something, the second 60 ms after the first.
    fn counts(first: &HeardAt, second: &HeardAt) -> Vec<u16> {
        let mut ears = TwoEars::default();
        for one in [first, second] {
            ears.began(one.station, one.from);
        }
        let now = first.to + Duration::from_millis(300);
        let mut settled = ears.heard(now, first.clone());
        settled.extend(ears.heard(now + Duration::from_millis(60), second.clone()));
        settled.extend(ears.poll(now + LONGEST_HOLD + LONGEST_HOLD));
        assert_eq!((ears.deadline(), settled.len()), (None, 2), "each is settled once: {settled:?}");
        let counted = settled.iter().filter_map(|one| match one {
            OneVoice::Counts(heard) => Some(heard.station.0),
            OneVoice::Refused(_, reason) => {
                assert_eq!(*reason, Reason::HeardElsewhere);
                None
            }
        });
        counted.collect()
    }

    #[rstest]
    #[case::the_nearer_ear(heard(1, "valve closed", 1_000, 1_800, SURE, 9.0), heard(2, "valve closed", 1_030, 1_790, SURE, 6.0), &[1])]
    #[case::the_nearer_ear_later(heard(1, "valve closed", 1_000, 1_800, SURE, 6.0), heard(2, "valve closed", 1_030, 1_790, SURE, 9.0), &[2])]
    #[case::certainty_first(heard(1, "valve closed", 1_000, 1_800, THIN, 9.0), heard(2, "valve closed", 1_030, 1_790, SURE, 6.0), &[2])]
    #[case::misheard_far_away(heard(1, "valve closed", 1_000, 1_800, SURE, 9.0), heard(2, "valve open", 1_030, 1_790, THIN, 5.0), &[1])]
    #[case::noticed_late(heard(1, "valve closed", 1_000, 1_800, SURE, 9.0), heard(2, "valve closed", 1_400, 1_790, SURE, 5.0), &[1])]
    #[case::two_people(heard(1, "valve closed", 1_000, 1_800, SURE, 9.0), heard(2, "yes", 1_500, 1_900, SURE, 5.0), &[1, 2])]
    #[case::one_after_the_other(heard(1, "valve closed", 1_000, 1_800, SURE, 9.0), heard(2, "valve closed", 1_850, 2_600, SURE, 5.0), &[1, 2])]
    fn one_voice_at_two_ears_counts_once_at_the_surer_one(
        #[case] first: HeardAt,
        #[case] second: HeardAt,
        #[case] stations: &[u16],
    ) {
        assert_eq!(counts(&first, &second), stations);
    }

    #[test]
    fn different_words_at_the_same_moment_are_two_people_only_where_each_ear_was_sure_and_knew_the_others_words() {
        let (closed, open) = ("valve closed", "valve open");
        let [one, other, thin] = [
            heard(1, closed, 1_000, 1_800, SURE, 9.0),
            heard(2, open, 1_030, 1_790, SURE, 6.0),
            heard(2, open, 1_030, 1_790, THIN, 6.0),
        ];
        let both = [closed, open];
        assert_eq!(counts(&among(one.clone(), &both), &among(other.clone(), &both)), [2, 1]);
        assert_eq!(counts(&among(one.clone(), &both), &among(thin, &both)), [1]);
        assert_eq!(counts(&among(one.clone(), &both), &among(other.clone(), &[open])), [1]);
        assert_eq!(counts(&among(one, &both), &other), [1]);
    }

    #[test]
    fn nothing_is_held_back_where_nobody_speaks_elsewhere() {
        let mut ears = TwoEars::default();
        ears.began(StationId(1), at(1_000));
        let one = heard(1, "valve closed", 1_000, 1_800, SURE, 9.0);
        assert_eq!(ears.heard(at(2_000), one.clone()), [OneVoice::Counts(one)]);
        // Whoever begins after its end has nothing to do with it.
        let mut ears = TwoEars::default();
        ears.began(StationId(2), at(1_900));
        let one = heard(1, "valve closed", 1_000, 1_800, SURE, 9.0);
        assert_eq!(ears.heard(at(2_000), one.clone()), [OneVoice::Counts(one)]);
    }

    #[test]
    fn nobody_waits_longer_than_a_tenth_of_a_second_and_what_comes_after_that_is_still_the_same_voice() {
        let mut ears = TwoEars::default();
        ears.began(StationId(2), at(1_030));
        let one = heard(1, "valve closed", 1_000, 1_800, SURE, 9.0);
        assert_eq!(ears.heard(at(2_000), one.clone()), []);
        assert_eq!(ears.deadline(), Some(at(2_000) + LONGEST_HOLD));
        assert_eq!(ears.poll(at(2_099)), []);
        assert_eq!(ears.poll(at(2_100)), [OneVoice::Counts(one)]);
        let late = heard(2, "valve closed", 1_030, 1_790, SURE, 12.0);
        assert_eq!(ears.heard(at(2_300), late.clone()), [OneVoice::Refused(late, Reason::HeardElsewhere)]);
    }

    #[test]
    fn what_comes_to_nothing_elsewhere_is_waited_for_no_more() {
        let mut ears = TwoEars::default();
        ears.began(StationId(2), at(1_030));
        let one = heard(1, "valve closed", 1_000, 1_800, SURE, 9.0);
        assert_eq!(ears.heard(at(2_000), one.clone()), []);
        assert_eq!(ears.came_to_nothing(at(2_040), StationId(2)), [OneVoice::Counts(one)]);
        assert_eq!(ears.deadline(), None);
    }
}
