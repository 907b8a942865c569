//! Something that is being said: its sound so far, what may be said, and when it need not be waited for any longer.

use std::rc::Rc;

use crate::engine::input::Certainty;
use crate::engine::output::{AllowedPhrase, ListeningSetId, PhraseClass};
use crate::hear::recogniser::Ready;
use crate::hear::reject::Verdict;
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
    /// Two scorings, with less and with more of the quiet, were sure of the same phrase.
    pub(super) agreed: bool,
    /// The recogniser has been roused for it.
    pub(super) roused: bool,
}

impl Utterance {
    /// Whether it may be the program's own voice, or is mixed up with it. People often begin to answer before the last word of
    /// a prompt has died away: that alone does not count.
    pub(super) fn over_own_voice(&self) -> bool {
        self.own_windows * MOSTLY_OTHERS >= self.speech_windows
    }

    /// Keeps what was made of it in the quiet that may be its end.
    pub(super) fn judged(&mut self, found: Option<(Ranking, Verdict)>, quiet: usize) {
        let surely = |found: &Option<(Ranking, Verdict)>| {
            found.as_ref().and_then(|(_, verdict)| verdict.best.filter(|_| verdict.accepted == Some(Certainty::Sure)))
        };
        self.agreed = surely(&found).is_some() && surely(&found) == surely(&self.early);
        self.early = found;
        self.judged_after = quiet;
    }

    /// Whether it is to be scored now, after `quiet` windows without speech. The model likes to have some sound after a word: what was not
    /// sure with little of it may be with more, and what can hurt is judged twice in any case.
    pub(super) fn is_due(&self, quiet: usize) -> bool {
        !self.given_up
            && match quiet {
                SOON_WINDOWS => true,
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
        let ends_after = |phrase: &AllowedPhrase| ends_after(phrase.class, phrase.text.contains(' '), self.agreed);
        self.surely_complete().and_then(ends_after).is_some_and(|windows| quiet >= windows)
    }

    /// Whether more of the quiet after it would change nothing: it is sure, and nothing that can hurt hangs on it.
    fn is_settled(&self) -> bool {
        let (Some(allowed), Some((_, verdict))) = (&self.allowed, &self.early) else { return false };
        let critical = |best: usize| allowed.phrases[best].class == PhraseClass::Critical;
        verdict.accepted == Some(Certainty::Sure) && verdict.best.is_some_and(|best| !critical(best))
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
/// pauses of 130 to 220 ms after it; the answers to steps are not. What can hurt ends sooner only where two scorings `agreed`.
fn ends_after(class: PhraseClass, several_words: bool, agreed: bool) -> Option<usize> {
    match class {
        PhraseClass::Emergency => Some(END_WINDOWS),
        PhraseClass::Critical => agreed.then_some(END_WINDOWS),
        PhraseClass::Ordinary if several_words => Some(END_WINDOWS),
        PhraseClass::Ordinary | PhraseClass::Chat => Some(LATE_END_WINDOWS),
    }
}

/// Quiet after which an utterance is scored, in case that it has ended: 128 ms. With 96, and an end after 160, 7 of 240 words more were missed
/// over the program's own voice, and nothing came sooner there.
const SOON_WINDOWS: usize = 4;
/// Quiet after which what was not settled is scored again, and what can hurt for the second time: 160 ms.
const AGAIN_WINDOWS: usize = 5;
/// Quiet after a word that is kept, for the model likes to have it; what is still not sure is scored for the last time: 256 ms.
pub(super) const CONTEXT_WINDOWS: usize = 8;
/// Quiet that ends what is sure: 192 ms.
const END_WINDOWS: usize = 6;
/// Quiet that ends what talk to somebody else may begin with: 256 ms.
const LATE_END_WINDOWS: usize = 8;
/// One window in so many over the program's own voice makes an utterance doubtful.
const MOSTLY_OTHERS: usize = 4;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hear::score::FreeDecode;
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
            agreed: false,
            roused: false,
        }
    }

    fn found(best: usize, accepted: Option<Certainty>) -> Option<(Ranking, Verdict)> {
        let free = FreeDecode { text: String::new(), log_prob: -1.0, tokens: vec![], complete: true };
        let verdict = Verdict { best: Some(best), score: 9.0, margin: 8.0, log_odds: 5.0, evidence: None, accepted };
        Some((Ranking { phrases: vec![], free }, verdict))
    }

    #[rstest]
    #[case::stop(PhraseClass::Emergency, false, false, Some(6))]
    #[case::an_answer(PhraseClass::Ordinary, true, false, Some(6))]
    #[case::one_word(PhraseClass::Ordinary, false, false, Some(8))]
    #[case::a_command(PhraseClass::Chat, true, false, Some(8))]
    #[case::what_can_hurt(PhraseClass::Critical, true, false, None)]
    #[case::what_can_hurt_and_was_judged_twice(PhraseClass::Critical, true, true, Some(6))]
    fn the_less_of_a_hurry_the_longer_it_is_waited(
        #[case] class: PhraseClass,
        #[case] several_words: bool,
        #[case] agreed: bool,
        #[case] windows: Option<usize>,
    ) {
        assert_eq!(ends_after(class, several_words, agreed), windows);
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
        #[case] agreed: bool,
    ) {
        let mut utterance = utterance();
        utterance.judged(first, SOON_WINDOWS);
        assert!(!utterance.agreed, "one is not two");
        utterance.judged(second, AGAIN_WINDOWS);
        assert_eq!(utterance.agreed, agreed);
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
