//! Something that is being said: its sound so far, what may be said, and when it need not be waited for any longer.

use std::rc::Rc;

use crate::engine::input::Certainty;
use crate::engine::output::{AllowedPhrase, ListeningSetId, PhraseClass};
use crate::hear::SAMPLE_RATE;
use crate::hear::recogniser::Ready;
use crate::hear::reject::{Verdict, WIDEST_MARGIN};
use crate::hear::score::Ranking;

/// What may be said, made ready for the recogniser.
pub(super) struct Allowed {
    pub(super) id: ListeningSetId,
    pub(super) phrases: Vec<AllowedPhrase>,
    pub(super) ready: Ready,
}

/// Speech from its beginning on.
pub(super) struct Utterance {
    pub(super) samples: Vec<f32>,
    /// The set that was in force when it began.
    pub(super) allowed: Option<Rc<Allowed>>,
    pub(super) given_up: bool,
    /// Windows that held speech so far, and how many of them while the program's own voice was in the air.
    pub(super) speech_windows: usize,
    pub(super) own_windows: usize,
    /// What was made of it in the quiet that may be its end.
    pub(super) early: Option<(Ranking, Verdict)>,
    /// After so many windows of quiet.
    pub(super) judged_after: usize,
    /// Enough for what can hurt: one scoring was plain, or two, with less and with more of the quiet, were sure of the same phrase.
    pub(super) certain: bool,
    /// Samples of it from which on the recogniser is to be roused again.
    pub(super) rouse_at: usize,
}

impl Utterance {
    /// Whether it may be the program's own voice, or is mixed up with it. People often begin to answer before the last word of
    /// a prompt has died away: that alone does not count.
    pub(super) fn over_own_voice(&self) -> bool {
        self.own_windows * MOSTLY_OTHERS >= self.speech_windows
    }

    /// Whether it is time to rouse the recogniser for it, with `quiet` windows since its last speech; not again for a while then.
    pub(super) fn take_rouse(&mut self, quiet: usize) -> bool {
        let len = self.samples.len();
        let due = !self.given_up && quiet == 0 && (self.rouse_at..=LONGEST_ANSWER_LEN).contains(&len);
        if due {
            self.rouse_at = len + ROUSED_EVERY_LEN;
        }
        due
    }

    /// Keeps what was made of it in the quiet that may be its end; with very little of that, only what is plain.
    pub(super) fn judged(&mut self, found: Option<(Ranking, Verdict)>, quiet: usize) {
        let found = found.filter(|(_, verdict)| quiet >= SOON_WINDOWS || self.is_plain(verdict));
        let surely = |found: &Option<(Ranking, Verdict)>| {
            found.as_ref().and_then(|(_, verdict)| verdict.best.filter(|_| verdict.accepted == Some(Certainty::Sure)))
        };
        let plain = found.as_ref().is_some_and(|(_, verdict)| self.is_plain(verdict));
        self.certain = surely(&found).is_some() && (plain || surely(&found) == surely(&self.early));
        self.early = found;
        self.judged_after = quiet;
    }

    /// Whether it is to be scored now, after `quiet` windows without speech. The model likes to have some sound after a word: what was not
    /// sure with little of it may be with more, and what can hurt is judged twice unless it is plain.
    pub(super) fn is_due(&self, quiet: usize) -> bool {
        !self.given_up
            && match quiet {
                AT_ONCE_WINDOWS => self.samples.len() <= LONGEST_ANSWER_LEN && !self.over_own_voice(),
                SOON_WINDOWS => self.early.is_none(),
                AGAIN_WINDOWS => !self.is_settled(),
                CONTEXT_WINDOWS => self.certainty() != Some(Certainty::Sure),
                _ => false,
            }
    }

    /// What was made of it, where no more of the quiet after it could change that: it is sure, or all was heard that is ever scored.
    pub(super) fn take_final(&mut self) -> Option<(Ranking, Verdict)> {
        let last = self.certainty() == Some(Certainty::Sure) || self.judged_after >= CONTEXT_WINDOWS;
        self.early.take().filter(|_| last)
    }

    fn certainty(&self) -> Option<Certainty> {
        self.early.as_ref().and_then(|(_, verdict)| verdict.accepted)
    }

    /// Whether it need not be waited for any longer after `quiet` windows without speech: it is sure and not the beginning of
    /// anything else that may be said.
    pub(super) fn may_end(&self, quiet: usize) -> bool {
        let plain = self.early.as_ref().is_some_and(|(_, verdict)| self.is_plain(verdict));
        let ends_after =
            |phrase: &AllowedPhrase| ends_after(phrase.class, phrase.text.contains(' '), self.certain, plain);
        self.surely_complete().and_then(ends_after).is_some_and(|windows| quiet >= windows)
    }

    /// Whether more of the quiet after it would change nothing: it is sure, and plain where it can hurt.
    fn is_settled(&self) -> bool {
        let (Some(allowed), Some((_, verdict))) = (&self.allowed, &self.early) else { return false };
        let critical = |best: usize| allowed.phrases[best].class == PhraseClass::Critical;
        verdict.accepted == Some(Certainty::Sure)
            && verdict.best.is_some_and(|best| self.is_plain(verdict) || !critical(best))
    }

    /// Whether a second scoring would be for nothing, as far as it matters for the phrase.
    fn is_plain(&self, verdict: &Verdict) -> bool {
        let best = verdict.best.zip(self.allowed.as_ref()).map(|(best, allowed)| &allowed.phrases[best]);
        best.is_some_and(|phrase| is_plain(phrase.class, phrase.text.contains(' '), verdict))
    }

    /// The phrase that was surely said and is not the beginning of another.
    fn surely_complete(&self) -> Option<&AllowedPhrase> {
        let (Some(allowed), Some((_, verdict))) = (&self.allowed, &self.early) else { return None };
        let (Some(best), Some(Certainty::Sure)) = (verdict.best, verdict.accepted) else { return None };
        let phrase = &allowed.phrases[best];
        let goes_on = |other: &AllowedPhrase| {
            other.text.strip_prefix(phrase.text.as_str()).is_some_and(|rest| rest.starts_with(' '))
        };
        (!allowed.phrases.iter().any(goes_on)).then_some(phrase)
    }
}

/// Windows of quiet that end a sure phrase of `class`, of several words or of one; `None` where the end has to be waited for like that of
/// anything else. The less of a hurry it is, the longer it is waited whether more comes.
///
/// A command, and one word, is often the beginning of a sentence to somebody else ("Not yet, the lamp is on"), and such sentences have
/// pauses of 130 to 220 ms after it; the answers to steps are not. What can hurt ends sooner only where it is `certain`.
fn ends_after(class: PhraseClass, several_words: bool, certain: bool, plain: bool) -> Option<usize> {
    let answer = if plain { PLAIN_END_WINDOWS } else { END_WINDOWS };
    match class {
        PhraseClass::Emergency => Some(END_WINDOWS),
        PhraseClass::Critical => certain.then_some(if several_words { answer } else { END_WINDOWS }),
        PhraseClass::Ordinary if several_words => Some(answer),
        PhraseClass::Ordinary | PhraseClass::Chat => Some(LATE_END_WINDOWS),
    }
}

/// Whether a second scoring would be for nothing: nothing else is near, and more than sure where it can hurt or may be talk. Of 1,100 clips the
/// 48 that came nearest to another phrase came to log odds of 3.7 at most.
fn is_plain(class: PhraseClass, several_words: bool, verdict: &Verdict) -> bool {
    let answer = class == PhraseClass::Ordinary && several_words;
    verdict.accepted == Some(Certainty::Sure)
        && verdict.margin >= WIDEST_MARGIN
        && (answer || verdict.log_odds >= PLAIN_LOG_ODDS)
}

/// Natural logarithm of the odds beyond which one scoring is enough for what can hurt.
const PLAIN_LOG_ODDS: f32 = 5.5;
/// Quiet after which what may be an answer is scored for the first time, so that one that is plain is known before it may end: 64 ms.
const AT_ONCE_WINDOWS: usize = 2;
/// No answer is longer, with the sound before it: 3 s.
const LONGEST_ANSWER_LEN: usize = 3 * SAMPLE_RATE;
/// 0.3 s.
const ROUSED_EVERY_LEN: usize = SAMPLE_RATE * 3 / 10;
/// Quiet after which an utterance is scored, in case that it has ended: 128 ms. With 96, and an end after 160, 7 of 240 words more were missed
/// over the program's own voice, and nothing came sooner there.
const SOON_WINDOWS: usize = 4;
/// Quiet after which what was not settled is scored again, and what can hurt for the second time: 160 ms.
const AGAIN_WINDOWS: usize = 5;
/// Quiet after a word that is kept, for the model likes to have it; what is still not sure is scored for the last time: 256 ms.
pub(super) const CONTEXT_WINDOWS: usize = 8;
/// Quiet that ends an answer that is plain: 128 ms.
const PLAIN_END_WINDOWS: usize = 4;
/// Quiet that ends what is sure: 192 ms.
const END_WINDOWS: usize = 6;
/// Quiet that ends what talk to somebody else may begin with: 256 ms.
const LATE_END_WINDOWS: usize = 8;
/// One window in so many over the program's own voice makes an utterance doubtful.
const MOSTLY_OTHERS: usize = 4;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hear::score::{FreeDecode, Prepared};
    use rstest::rstest;

    fn utterance() -> Utterance {
        Utterance {
            samples: Vec::new(),
            allowed: None,
            given_up: false,
            speech_windows: 20,
            own_windows: 0,
            early: None,
            judged_after: 0,
            certain: false,
            rouse_at: 0,
        }
    }

    /// An utterance with one phrase that may be said.
    fn utterance_of(text: &str, class: PhraseClass) -> Utterance {
        let phrase = AllowedPhrase { text: text.to_owned(), class, group: 0, while_speaking: false };
        let ready = Ready::Scored(Prepared::default());
        let allowed = Some(Rc::new(Allowed { id: ListeningSetId(1), phrases: vec![phrase], ready }));
        Utterance { allowed, ..utterance() }
    }

    fn found(best: usize, accepted: Option<Certainty>) -> Option<(Ranking, Verdict)> {
        found_at(best, accepted, PLAIN_LOG_ODDS - 0.1, WIDEST_MARGIN)
    }

    fn found_at(best: usize, accepted: Option<Certainty>, log_odds: f32, margin: f32) -> Option<(Ranking, Verdict)> {
        let free = FreeDecode { text: String::new(), log_prob: -1.0, tokens: vec![], complete: true };
        let verdict = Verdict { best: Some(best), score: 9.0, margin, log_odds, evidence: None, accepted };
        Some((Ranking { phrases: vec![], free }, verdict))
    }

    #[rstest]
    #[case::stop(PhraseClass::Emergency, false, false, true, Some(6))]
    #[case::an_answer(PhraseClass::Ordinary, true, false, false, Some(6))]
    #[case::a_plain_answer(PhraseClass::Ordinary, true, true, true, Some(4))]
    #[case::one_word(PhraseClass::Ordinary, false, true, true, Some(8))]
    #[case::a_command(PhraseClass::Chat, true, true, true, Some(8))]
    #[case::what_can_hurt(PhraseClass::Critical, true, false, false, None)]
    #[case::what_can_hurt_and_is_certain(PhraseClass::Critical, true, true, false, Some(6))]
    #[case::what_can_hurt_and_is_plain(PhraseClass::Critical, true, true, true, Some(4))]
    #[case::one_word_that_can_hurt(PhraseClass::Critical, false, true, true, Some(6))]
    fn the_less_of_a_hurry_the_longer_it_is_waited(
        #[case] class: PhraseClass,
        #[case] several_words: bool,
        #[case] certain: bool,
        #[case] plain: bool,
        #[case] windows: Option<usize>,
    ) {
        assert_eq!(ends_after(class, several_words, certain, plain), windows);
    }

    #[rstest]
    #[case::twice_the_same(found(1, Some(Certainty::Sure)), found(1, Some(Certainty::Sure)), true)]
    #[case::two_phrases(found(1, Some(Certainty::Sure)), found(2, Some(Certainty::Sure)), false)]
    #[case::once_thin(found(1, Some(Certainty::Thin)), found(1, Some(Certainty::Sure)), false)]
    #[case::no_longer_sure(found(1, Some(Certainty::Sure)), found(1, Some(Certainty::Thin)), false)]
    #[case::once_only(None, found(1, Some(Certainty::Sure)), false)]
    #[case::twice_nothing(found(1, None), found(1, None), false)]
    fn two_scorings_agree_where_both_are_sure_of_the_same_phrase(
        #[case] first: Option<(Ranking, Verdict)>,
        #[case] second: Option<(Ranking, Verdict)>,
        #[case] certain: bool,
    ) {
        let mut utterance = utterance();
        utterance.judged(first, SOON_WINDOWS);
        assert!(!utterance.certain, "one is not two");
        utterance.judged(second, AGAIN_WINDOWS);
        assert_eq!(utterance.certain, certain);
    }

    #[rstest]
    #[case::plain(Some(Certainty::Sure), PLAIN_LOG_ODDS, WIDEST_MARGIN, true)]
    #[case::odds_that_are_good(Some(Certainty::Sure), PLAIN_LOG_ODDS - 0.1, WIDEST_MARGIN, false)]
    #[case::something_else_is_near(Some(Certainty::Sure), 9.0, WIDEST_MARGIN - 0.1, false)]
    #[case::not_to_be_acted_on(Some(Certainty::Thin), 9.0, WIDEST_MARGIN, false)]
    fn one_scoring_is_enough_for_what_can_hurt_where_it_is_plain(
        #[case] accepted: Option<Certainty>,
        #[case] log_odds: f32,
        #[case] margin: f32,
        #[case] certain: bool,
    ) {
        let mut utterance = utterance_of("burner off", PhraseClass::Critical);
        utterance.judged(found_at(0, accepted, log_odds, margin), SOON_WINDOWS);
        assert_eq!(utterance.certain, certain);
        assert_eq!(utterance.is_due(AGAIN_WINDOWS), !certain);
        assert_eq!(utterance.may_end(PLAIN_END_WINDOWS), certain);
    }

    #[test]
    fn the_recogniser_is_roused_now_and_then_while_an_answer_is_being_said() {
        let mut utterance = utterance();
        let roused = |utterance: &mut Utterance, len: usize, quiet| {
            utterance.samples.resize(len, 0.0);
            utterance.take_rouse(quiet)
        };
        assert!(roused(&mut utterance, SAMPLE_RATE, 0));
        assert!(!roused(&mut utterance, SAMPLE_RATE + ROUSED_EVERY_LEN - 1, 0));
        assert!(!roused(&mut utterance, SAMPLE_RATE + ROUSED_EVERY_LEN, 1), "it may have ended");
        assert!(roused(&mut utterance, SAMPLE_RATE + ROUSED_EVERY_LEN, 0));
        assert!(!roused(&mut utterance, LONGEST_ANSWER_LEN + 1, 0), "it is talk");
    }

    #[rstest]
    #[case::a_plain_command("where are we", PhraseClass::Chat, PLAIN_LOG_ODDS, WIDEST_MARGIN, true)]
    #[case::a_command("where are we", PhraseClass::Chat, PLAIN_LOG_ODDS - 0.1, WIDEST_MARGIN, false)]
    #[case::an_answer("hose locked", PhraseClass::Ordinary, PLAIN_LOG_ODDS - 0.1, WIDEST_MARGIN, true)]
    #[case::an_answer_near_another("hose locked", PhraseClass::Ordinary, 9.0, WIDEST_MARGIN - 0.1, false)]
    #[case::one_word("locked", PhraseClass::Ordinary, PLAIN_LOG_ODDS - 0.1, WIDEST_MARGIN, false)]
    fn with_hardly_any_quiet_only_what_is_plain_is_kept(
        #[case] text: &str,
        #[case] class: PhraseClass,
        #[case] log_odds: f32,
        #[case] margin: f32,
        #[case] kept: bool,
    ) {
        let mut utterance = utterance_of(text, class);
        utterance.judged(found_at(0, Some(Certainty::Sure), log_odds, margin), AT_ONCE_WINDOWS);
        assert_eq!(utterance.early.is_some(), kept);
        assert_eq!(utterance.is_due(SOON_WINDOWS), !kept);
    }

    #[test]
    fn talk_and_the_programs_own_voice_are_not_scored_before_there_is_some_quiet() {
        let answer = utterance();
        let mut talk = utterance();
        talk.samples = vec![0.0; LONGEST_ANSWER_LEN + 1];
        let mut own_voice = utterance();
        own_voice.own_windows = own_voice.speech_windows;
        assert!(answer.is_due(AT_ONCE_WINDOWS));
        assert!(!talk.is_due(AT_ONCE_WINDOWS) && talk.is_due(SOON_WINDOWS));
        assert!(!own_voice.is_due(AT_ONCE_WINDOWS) && own_voice.is_due(SOON_WINDOWS));
    }

    #[test]
    fn what_is_not_sure_counts_only_when_scored_with_all_the_quiet_that_is_kept() {
        let mut utterance = utterance();
        utterance.judged(found(1, Some(Certainty::Thin)), AGAIN_WINDOWS);
        assert!(utterance.is_due(CONTEXT_WINDOWS));
        assert!(utterance.take_final().is_none());
        utterance.judged(found(1, Some(Certainty::Thin)), CONTEXT_WINDOWS);
        assert!(utterance.take_final().is_some());
        utterance.judged(found(1, Some(Certainty::Sure)), AGAIN_WINDOWS);
        assert!(!utterance.is_due(CONTEXT_WINDOWS));
        assert!(utterance.take_final().is_some());
    }
}
