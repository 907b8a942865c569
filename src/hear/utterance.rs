//! Something that is being said: its sound so far, what may be said, and when it need not be waited for any longer.

use std::rc::Rc;

use crate::audio::SAMPLE_RATE;
use crate::engine::input::Certainty;
use crate::engine::output::{AllowedPhrase, ListeningSetId, PhraseClass};
use crate::hear::activity::WINDOW_LEN;
use crate::hear::noise::rms;
use crate::speech::decide::{Verdict, WIDEST_MARGIN};
use crate::speech::recogniser::Ready;
use crate::speech::score::Ranking;

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
    /// Some of these before the echo canceller knew the room.
    pub(super) unsettled: bool,
    /// What was made of it in the quiet that may be its end.
    pub(super) early: Option<(Ranking, Verdict)>,
    /// After so many windows of quiet; 0 where it was not judged since its last speech.
    pub(super) judged_after: usize,
    /// Whether it is the program's own voice, come back late; not known before it is first judged.
    pub(super) comes_late: Option<bool>,
    /// What it surely was when it was judged last.
    pub(super) sure_of: Option<usize>,
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

    /// How surely `phrase` was said, given how surely the sound fits it and by what margin; `None` where it counts for nothing, because of whose
    /// voice it may have been.
    ///
    /// Over the program's own voice only what may be said over it counts; and while that may be the program itself, clear and whole, because
    /// the echo canceller does not know the room, only an emergency that is sure. An answer that is not clear may as well be its opposite there
    /// ("water off" was taken for "water on") and is asked about; of one word it is nothing ("no" was heard in "valve closed").
    pub(super) fn counts_as(&self, phrase: &AllowedPhrase, found: Certainty, margin: f32) -> Option<Certainty> {
        if !self.over_own_voice() {
            return Some(found);
        }
        let urgent = phrase.class == PhraseClass::Emergency && found == Certainty::Sure;
        if !phrase.while_speaking || (self.unsettled && !urgent) {
            return None;
        }
        let answer = matches!(phrase.class, PhraseClass::Ordinary | PhraseClass::Critical);
        if !answer || (found == Certainty::Sure && margin >= CLEAR_MARGIN) {
            return Some(found);
        }
        phrase.text.contains(' ').then_some(Certainty::Doubtful)
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
        let sure = found.as_ref().filter(|(_, verdict)| verdict.accepted == Some(Certainty::Sure));
        let best = sure.and_then(|(_, verdict)| verdict.best);
        let plain = found.as_ref().is_some_and(|(_, verdict)| self.is_plain(verdict));
        self.certain = best.is_some() && (plain || best == self.sure_of);
        self.sure_of = best;
        self.early = found.filter(|_| plain || quiet >= SOON_WINDOWS);
        self.judged_after = quiet;
    }

    /// It went on: whatever was made of it was made of a part.
    pub(super) fn goes_on(&mut self) {
        (self.early, self.judged_after) = (None, 0);
        (self.certain, self.sure_of) = (false, None);
        self.comes_late = None;
    }

    /// Whether it is to be scored now, after `quiet` windows without speech. The model likes to have some sound after a word: what was
    /// nothing with little of it may be something with more, and what can hurt is judged twice unless it is plain.
    pub(super) fn is_due(&self, quiet: usize) -> bool {
        !self.given_up
            && match quiet {
                AT_ONCE_WINDOWS => self.samples.len() <= LONGEST_ANSWER_LEN && !self.over_own_voice(),
                SOON_WINDOWS => self.judged_after == 0,
                AGAIN_WINDOWS => !self.is_settled(),
                CONTEXT_WINDOWS => self.certainty().is_none(),
                _ => false,
            }
    }

    /// What was made of it, where no more of the quiet after it could change that.
    pub(super) fn take_final(&mut self) -> Option<(Ranking, Verdict)> {
        let last = self.certainty() == Some(Certainty::Sure) || self.is_judged();
        self.early.take().filter(|_| last)
    }

    fn certainty(&self) -> Option<Certainty> {
        self.early.as_ref().and_then(|(_, verdict)| verdict.accepted)
    }

    /// Whether it need not be waited for any longer after `quiet` windows without speech.
    pub(super) fn may_end(&self, quiet: usize) -> bool {
        let lost = !self.over_own_voice() && self.sounds_on();
        self.ends_after().is_some_and(|windows| quiet >= windows) && !lost
    }

    /// Windows of quiet that end it as it was judged last.
    fn ends_after(&self) -> Option<usize> {
        let (Some(allowed), Some((_, verdict))) = (&self.allowed, &self.early) else { return None };
        let phrase = &allowed.phrases[verdict.best?];
        let several_words = phrase.text.contains(' ');
        let goes_on = |other: &AllowedPhrase| {
            other.text.strip_prefix(phrase.text.as_str()).is_some_and(|rest| rest.starts_with(' '))
        };
        match verdict.accepted? {
            Certainty::Sure if !allowed.phrases.iter().any(goes_on) => {
                ends_after(phrase.class, several_words, self.certain, self.is_plain(verdict))
            }
            // Thin, doubtful, or what another phrase begins with. One word may go on, but whoever wants it to be quiet is not kept waiting.
            _ => {
                let enough = several_words || (phrase.class == PhraseClass::Emergency && self.over_own_voice());
                (enough && (self.is_settled() || self.is_judged())).then_some(LATE_END_WINDOWS)
            }
        }
    }

    /// Whether the newest sound of it is as loud as its words, and no noise that was there before them: the speech detector has lost a voice
    /// in the middle of a word.
    fn sounds_on(&self) -> bool {
        let mut powers: Vec<f32> = self.samples.chunks_exact(WINDOW_LEN).map(|window| rms(window).powi(2)).collect();
        let newest = rms(&self.samples[self.samples.len().saturating_sub(NEWEST_LEN)..]).powi(2);
        powers.sort_by(f32::total_cmp);
        let (Some(floor), Some(loud)) = (powers.get(powers.len() / 10), powers.get(powers.len() * 9 / 10)) else {
            return false;
        };
        newest > loud * MUCH_SOFTER && newest > floor * STANDS_OUT
    }

    /// Whether it will not be scored again: something was made of it with a little quiet after it, or nothing with all that is kept.
    fn is_judged(&self) -> bool {
        let least = if self.certainty().is_some() { AGAIN_WINDOWS } else { CONTEXT_WINDOWS };
        self.judged_after >= least
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
/// Quiet after which an utterance that was not scored at once is, in case that it has ended: 128 ms. With 96, and an end after 160, 7 of 240 words
/// more were missed over the program's own voice, and nothing came sooner there.
const SOON_WINDOWS: usize = 4;
/// Quiet after which what was not settled is scored again, and what can hurt for the second time: 160 ms. What is something by then is scored no
/// more: of 79 clips that were thin or doubtful 10 were nothing with 100 ms more of sound, and 8 of the 48 doubtful ones were understood; of 130
/// that were nothing 13 were something.
const AGAIN_WINDOWS: usize = 5;
/// Quiet after a word that is kept, for the model likes to have it; what was nothing with less is scored once more, for the last time: 256 ms.
pub(super) const CONTEXT_WINDOWS: usize = 8;
/// Quiet that ends an answer that is plain: 128 ms.
const PLAIN_END_WINDOWS: usize = 4;
/// Quiet that ends what is sure: 192 ms.
const END_WINDOWS: usize = 6;
/// Quiet that ends what talk to somebody else may begin with, what another phrase begins with, and what is not sure: 256 ms.
const LATE_END_WINDOWS: usize = 8;
/// The newest sound: 64 ms.
const NEWEST_LEN: usize = 2 * WINDOW_LEN;
/// Powers, relative to those of the words and of the noise before them: quiet is 9 dB softer than words; a voice is 10 dB above the noise.
const MUCH_SOFTER: f32 = 0.126;
const STANDS_OUT: f32 = 10.0;
/// What an answer over the program's own voice has over everything else. Of 2,016 words that were said over it 4 were taken for an answer that
/// was sure and another, with up to 6.0; nine in ten that were right have more.
const CLEAR_MARGIN: f32 = 6.5;
/// One window in so many over the program's own voice makes an utterance doubtful.
const MOSTLY_OTHERS: usize = 4;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::speech::score::{FreeDecode, Prepared};
    use rstest::rstest;

    fn utterance() -> Utterance {
        Utterance {
            samples: Vec::new(),
            allowed: None,
            given_up: false,
            speech_windows: 20,
            own_windows: 0,
            unsettled: false,
            early: None,
            judged_after: 0,
            comes_late: None,
            sure_of: None,
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
        assert!(!utterance.is_due(SOON_WINDOWS), "it has been scored");
        assert_eq!(utterance.is_due(AGAIN_WINDOWS), !kept);
    }

    #[test]
    fn what_was_sure_at_once_need_be_so_only_once_more_unless_it_goes_on() {
        let sure = || found_at(0, Some(Certainty::Sure), PLAIN_LOG_ODDS - 0.1, WIDEST_MARGIN);
        for (goes_on, certain) in [(false, true), (true, false)] {
            let mut utterance = utterance_of("burner off", PhraseClass::Critical);
            utterance.judged(sure(), AT_ONCE_WINDOWS);
            assert_eq!(utterance.ends_after(), None);
            if goes_on {
                utterance.goes_on();
                assert!(utterance.is_due(SOON_WINDOWS));
            }
            utterance.judged(sure(), AGAIN_WINDOWS);
            assert_eq!(utterance.ends_after(), certain.then_some(END_WINDOWS));
        }
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

    #[rstest]
    #[case::somebody(0, true, "hose locked", PhraseClass::Ordinary, true, true)]
    #[case::over_its_own_voice(20, false, "hose locked", PhraseClass::Ordinary, true, true)]
    #[case::not_meant_for_that(20, false, "hose locked", PhraseClass::Ordinary, false, false)]
    #[case::before_the_room_is_known(20, true, "hose locked", PhraseClass::Ordinary, true, false)]
    #[case::what_can_hurt_before_that(20, true, "hose locked", PhraseClass::Critical, true, false)]
    #[case::an_emergency_before_that(20, true, "stop", PhraseClass::Emergency, true, true)]
    fn before_the_room_is_known_only_an_emergency_counts_over_its_own_voice(
        #[case] own_windows: usize,
        #[case] unsettled: bool,
        #[case] text: &str,
        #[case] class: PhraseClass,
        #[case] while_speaking: bool,
        #[case] counts: bool,
    ) {
        let utterance = Utterance { own_windows, unsettled, ..utterance() };
        let phrase = AllowedPhrase { text: text.to_owned(), class, group: 0, while_speaking };
        assert_eq!(utterance.counts_as(&phrase, Certainty::Sure, WIDEST_MARGIN).is_some(), counts);
        let thin = utterance.counts_as(&phrase, Certainty::Thin, WIDEST_MARGIN);
        assert_eq!(thin.is_some(), counts && !(own_windows > 0 && unsettled));
    }

    #[rstest]
    #[case::a_thin_answer("water on", PhraseClass::Ordinary, 20, Certainty::Thin, 8.0, Some(Certainty::Doubtful))]
    #[case::a_sure_answer("water on", PhraseClass::Critical, 20, Certainty::Sure, 8.0, Some(Certainty::Sure))]
    #[case::something_near("water on", PhraseClass::Critical, 20, Certainty::Sure, 6.0, Some(Certainty::Doubtful))]
    #[case::one_word("no", PhraseClass::Ordinary, 20, Certainty::Sure, 8.0, Some(Certainty::Sure))]
    #[case::one_word_and_something_near("no", PhraseClass::Ordinary, 20, Certainty::Sure, 6.0, None)]
    #[case::a_command("say again", PhraseClass::Chat, 20, Certainty::Thin, 3.0, Some(Certainty::Thin))]
    #[case::an_emergency("stop", PhraseClass::Emergency, 20, Certainty::Thin, 2.0, Some(Certainty::Thin))]
    #[case::nobody_else_speaks("no", PhraseClass::Ordinary, 0, Certainty::Thin, 3.0, Some(Certainty::Thin))]
    fn over_its_own_voice_an_answer_that_is_not_clear_is_asked_about_or_is_nothing(
        #[case] text: &str,
        #[case] class: PhraseClass,
        #[case] own_windows: usize,
        #[case] found: Certainty,
        #[case] margin: f32,
        #[case] certainty: Option<Certainty>,
    ) {
        let utterance = Utterance { own_windows, ..utterance() };
        let phrase = AllowedPhrase { text: text.to_owned(), class, group: 0, while_speaking: true };
        assert_eq!(utterance.counts_as(&phrase, found, margin), certainty);
    }

    #[test]
    fn what_is_nothing_is_scored_once_more_with_all_the_quiet_that_is_kept_and_what_is_something_is_not() {
        let mut utterance = utterance();
        utterance.judged(found(1, None), AGAIN_WINDOWS);
        assert!(utterance.is_due(CONTEXT_WINDOWS));
        assert!(utterance.take_final().is_none());
        utterance.judged(found(1, None), CONTEXT_WINDOWS);
        assert!(utterance.take_final().is_some());
        for certainty in [Certainty::Doubtful, Certainty::Thin, Certainty::Sure] {
            utterance.judged(found(1, Some(certainty)), AGAIN_WINDOWS);
            assert!(!utterance.is_due(CONTEXT_WINDOWS), "{certainty:?}");
            assert!(utterance.take_final().is_some(), "{certainty:?}");
        }
    }

    #[rstest]
    #[case::thin("hose locked", Certainty::Thin, AGAIN_WINDOWS, Some(LATE_END_WINDOWS))]
    #[case::to_be_asked_about("hose locked", Certainty::Doubtful, AGAIN_WINDOWS, Some(LATE_END_WINDOWS))]
    #[case::to_be_scored_again("hose locked", Certainty::Thin, SOON_WINDOWS, None)]
    #[case::one_word("locked", Certainty::Thin, AGAIN_WINDOWS, None)]
    fn several_words_that_are_not_sure_are_waited_for_as_long_as_a_command(
        #[case] text: &str,
        #[case] certainty: Certainty,
        #[case] judged_after: usize,
        #[case] windows: Option<usize>,
    ) {
        let mut utterance = utterance_of(text, PhraseClass::Ordinary);
        utterance.judged(found_at(0, Some(certainty), 2.0, 3.0), judged_after);
        assert_eq!(utterance.ends_after(), windows);
    }

    #[test]
    fn a_phrase_that_another_begins_with_is_waited_for_as_long_as_a_command() {
        let mut utterance = utterance_of("water on", PhraseClass::Ordinary);
        utterance.judged(found_at(0, Some(Certainty::Sure), 9.0, WIDEST_MARGIN), AT_ONCE_WINDOWS);
        assert_eq!(utterance.ends_after(), Some(PLAIN_END_WINDOWS));
        let allowed = utterance.allowed.as_deref().unwrap();
        let longer = AllowedPhrase { text: "water on the floor".to_owned(), ..allowed.phrases[0].clone() };
        let phrases = vec![allowed.phrases[0].clone(), longer];
        let ready = Ready::Scored(Prepared::default());
        utterance.allowed = Some(Rc::new(Allowed { id: ListeningSetId(1), phrases, ready }));
        assert_eq!(utterance.ends_after(), Some(LATE_END_WINDOWS));
    }

    /// Half a second of noise, words, and what comes after them, by their amplitudes.
    fn sound(noise: f32, words: f32, after: f32) -> Vec<f32> {
        let tone = |amplitude: f32, len: usize| (0..len).map(move |at| amplitude * (at as f32 * 0.3).sin());
        tone(noise, SAMPLE_RATE / 2)
            .chain(tone(words, SAMPLE_RATE / 2))
            .chain(tone(after, PLAIN_END_WINDOWS * WINDOW_LEN))
            .collect()
    }

    #[rstest]
    #[case::quiet(0.001, 0.1, 0.001, true)]
    #[case::the_end_of_a_word(0.001, 0.1, 0.03, true)]
    #[case::a_voice_that_was_lost(0.001, 0.1, 0.08, false)]
    #[case::noise_that_was_there_before(0.06, 0.1, 0.06, true)]
    fn quiet_that_is_as_loud_as_the_words_is_no_end(
        #[case] noise: f32,
        #[case] words: f32,
        #[case] after: f32,
        #[case] ends: bool,
    ) {
        let mut utterance = utterance_of("hose locked", PhraseClass::Ordinary);
        utterance.samples = sound(noise, words, after);
        utterance.judged(found_at(0, Some(Certainty::Sure), 9.0, WIDEST_MARGIN), AT_ONCE_WINDOWS);
        assert_eq!(utterance.may_end(PLAIN_END_WINDOWS), ends);
    }
}
