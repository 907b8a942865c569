//! When an utterance is looked at, and when it need not be waited for any longer (endpointing).
//!
//! [`endpoint`] is the one function that says so: of what the looks at the utterance came to and of the quiet after it. All it goes by are its
//! arguments; windows are 32 ms.

use crate::audio::SAMPLE_RATE;
use crate::decide::ranking::Ranking;
use crate::decide::{PhraseVerdict, WIDEST_MARGIN};
use crate::engine::input::Certainty;
use crate::engine::output::{AllowedPhrase, PhraseClass};
use crate::hear::look::{Look, LookId};

/// Where an utterance stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Phase {
    /// Its words are being said.
    Words,
    /// So many windows of quiet came after its last word, and it may go on.
    MayEnd { quiet: usize },
    /// It ended after so many windows of quiet.
    Ended { quiet: usize },
    /// It went on for longer than an answer, and is left alone.
    Talk,
}

/// What there is to do about an utterance now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Endpoint {
    /// Nothing: sound or an answer is waited for.
    Wait,
    /// It is to be looked at.
    Score(Look),
    /// It is over, and what came of the looks is what was said.
    End,
}

/// What an utterance is like beside the looks.
#[derive(Clone, Copy, Debug)]
pub struct Context<'a> {
    pub phase: Phase,
    /// What may be said; `None` where nothing was allowed as it began.
    pub phrases: Option<&'a [AllowedPhrase]>,
    /// Samples so far, those before its first word with them.
    pub len: usize,
    pub voices: Voices,
    pub newest: Newest,
}

/// Whose voices an utterance is made of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Voices {
    /// A person's, as far as can be told.
    Person,
    /// It may be the program's own, or is mixed up with it.
    OverOwn,
}

/// What the newest sound of an utterance is like.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Newest {
    Quiet,
    /// As loud as the words, and no noise that was there before them: the speech detector has lost a voice in the middle of a word.
    AsLoudAsWords,
}

/// Says what is to be done about an utterance.
///
/// The model likes to have some sound after a word: what is nothing with little of it may be something with more, and what can hurt is looked
/// at twice unless it is plain. So it is scored at once, soon, again, and with all the quiet that is kept, each only where it may change
/// something; and it ends as soon as nothing that matters hangs on what was found.
pub fn endpoint(looks: &Looks, context: &Context) -> Endpoint {
    if looks.awaited.is_some() {
        return Endpoint::Wait;
    }
    match context.phase {
        Phase::Words | Phase::Talk => Endpoint::Wait,
        Phase::MayEnd { quiet } if is_due(looks, context, quiet) => Endpoint::Score(Look::Partial),
        Phase::MayEnd { quiet } if may_end(looks, context, quiet) => Endpoint::End,
        Phase::MayEnd { .. } => Endpoint::Wait,
        Phase::Ended { .. } if context.phrases.is_none() || looks.are_final() => Endpoint::End,
        Phase::Ended { .. } => Endpoint::Score(Look::Final),
    }
}

/// The looks at an utterance, as far as they hold for all that was said so far.
#[derive(Clone, Debug, Default)]
pub struct Looks {
    /// What came of the newest that says something.
    found: Option<Box<(Ranking, PhraseVerdict)>>,
    /// It was looked at after so many windows of quiet; 0 where it was not since its last word.
    after: usize,
    /// The one that is under way, after how many windows of quiet it was asked for, and what hangs on it.
    awaited: Option<(LookId, usize, Look)>,
    /// What it surely was when it was looked at last.
    sure_of: Option<usize>,
    /// Enough for what can hurt: one look was plain, or two, with less and with more of the quiet, were sure of the same phrase.
    certain: bool,
    /// The last one has been answered.
    closed: bool,
}

impl Looks {
    /// One is under way, asked for after `quiet` windows without speech.
    pub fn ask(&mut self, id: LookId, quiet: usize, kind: Look) {
        self.awaited = Some((id, quiet, kind));
    }

    /// Whether the answer to `id` is waited for.
    pub fn awaits(&self, id: LookId) -> bool {
        self.awaited.is_some_and(|(awaited, ..)| awaited == id)
    }

    /// Takes the answer that is waited for; with very little quiet only what is plain is kept.
    pub fn take(&mut self, found: Option<Box<(Ranking, PhraseVerdict)>>, phrases: &[AllowedPhrase]) {
        let Some((_, quiet, kind)) = self.awaited.take() else { return };
        let sure = found.as_deref().filter(|(_, verdict)| verdict.accepted == Some(Certainty::Sure));
        let best = sure.and_then(|(_, verdict)| verdict.best);
        let plain = found.as_deref().is_some_and(|(_, verdict)| is_plain_among(phrases, verdict));
        self.certain = best.is_some() && (plain || best == self.sure_of);
        self.sure_of = best;
        self.found = found.filter(|_| plain || quiet >= SOON_WINDOWS || kind == Look::Final);
        self.after = quiet;
        self.closed = kind == Look::Final;
    }

    /// The one that is under way was dropped, or failed: what was made of it before stands, and the next look makes up for it; there is none
    /// after the last.
    pub fn skip(&mut self) {
        match self.awaited.take() {
            Some((_, _, Look::Final)) => self.give_up(),
            Some((_, quiet, Look::Partial)) => self.after = quiet,
            None => {}
        }
    }

    /// It went on: whatever was made of it was made of a part.
    pub fn forget(&mut self) {
        *self = Self::default();
    }

    /// No answer will come any more.
    pub fn give_up(&mut self) {
        (self.awaited, self.found, self.closed) = (None, None, true);
    }

    /// What they came to.
    pub fn into_found(self) -> Option<Box<(Ranking, PhraseVerdict)>> {
        self.found
    }

    fn verdict(&self) -> Option<&PhraseVerdict> {
        self.found.as_deref().map(|(_, verdict)| verdict)
    }

    fn certainty(&self) -> Option<Certainty> {
        self.verdict().and_then(|verdict| verdict.accepted)
    }

    /// Whether it will not be looked at again: something was made of it with a little quiet after it, or nothing with all that is kept.
    fn are_done(&self) -> bool {
        let least = if self.certainty().is_some() { AGAIN_WINDOWS } else { CONTEXT_WINDOWS };
        self.after >= least
    }

    /// Whether no more of the quiet after it could change what was made of it.
    fn are_final(&self) -> bool {
        self.closed || (self.found.is_some() && (self.certainty() == Some(Certainty::Sure) || self.are_done()))
    }

    /// Whether more of the quiet after it would change nothing: it is sure, and plain where it can hurt.
    fn are_settled(&self, phrases: &[AllowedPhrase]) -> bool {
        self.verdict().is_some_and(|verdict| {
            let critical = |best: usize| phrases[best].class == PhraseClass::Critical;
            verdict.accepted == Some(Certainty::Sure)
                && verdict.best.is_some_and(|best| is_plain_among(phrases, verdict) || !critical(best))
        })
    }
}

/// Whether it is to be scored with `quiet` windows after its last word.
fn is_due(looks: &Looks, context: &Context, quiet: usize) -> bool {
    let Some(phrases) = context.phrases else { return false };
    let before = |windows: usize| quiet >= windows && looks.after < windows;
    let short = context.len <= LONGEST_ANSWER_LEN;
    (before(AT_ONCE_WINDOWS) && quiet < SOON_WINDOWS && short && context.voices == Voices::Person)
        || (quiet >= SOON_WINDOWS && looks.after == 0)
        || (before(AGAIN_WINDOWS) && !looks.are_settled(phrases))
        || (before(CONTEXT_WINDOWS) && looks.certainty().is_none())
}

/// Whether it need not be waited for any longer after `quiet` windows without speech.
fn may_end(looks: &Looks, context: &Context, quiet: usize) -> bool {
    let lost = context.voices == Voices::Person && context.newest == Newest::AsLoudAsWords;
    ends_after(looks, context).is_some_and(|windows| quiet >= windows) && !lost
}

/// Windows of quiet that end it as it was judged last.
fn ends_after(looks: &Looks, context: &Context) -> Option<usize> {
    let (phrases, verdict) = (context.phrases?, looks.verdict()?);
    let phrase = &phrases[verdict.best?];
    let several_words = phrase.text.contains(' ');
    let goes_on =
        |other: &AllowedPhrase| other.text.strip_prefix(phrase.text.as_str()).is_some_and(|rest| rest.starts_with(' '));
    match verdict.accepted? {
        Certainty::Sure if !phrases.iter().any(goes_on) => {
            sure_ends_after(phrase.class, several_words, looks.certain, is_plain_among(phrases, verdict))
        }
        // What another phrase begins with. What is thin or doubtful may be a part of a phrase whose rest comes after a gap, and waits for the end; but
        // whoever wants it to be quiet is not kept waiting.
        certainty => {
            let interrupts = phrase.class == PhraseClass::Emergency && context.voices == Voices::OverOwn;
            let enough = interrupts || (several_words && certainty == Certainty::Sure);
            (enough && (looks.are_settled(phrases) || looks.are_done())).then_some(LATE_END_WINDOWS)
        }
    }
}

/// Windows of quiet that end a sure phrase of `class`, of several words or of one; `None` where the end has to be waited for like that of
/// anything else. The less of a hurry it is, the longer it is waited whether more comes.
///
/// A command, and one word, is often the beginning of a sentence to somebody else ("Not yet, the lamp is on"), and such sentences have
/// pauses of 130 to 220 ms after it; the answers to steps are not. What can hurt ends sooner only where it is `certain`.
fn sure_ends_after(class: PhraseClass, several_words: bool, certain: bool, plain: bool) -> Option<usize> {
    let answer = if plain { PLAIN_END_WINDOWS } else { END_WINDOWS };
    match class {
        PhraseClass::Emergency => Some(END_WINDOWS),
        PhraseClass::Critical => certain.then_some(if several_words { answer } else { END_WINDOWS }),
        PhraseClass::Ordinary if several_words => Some(answer),
        PhraseClass::Ordinary | PhraseClass::Chat => Some(LATE_END_WINDOWS),
    }
}

/// Whether a second look would be for nothing, as far as it matters for the phrase.
fn is_plain_among(phrases: &[AllowedPhrase], verdict: &PhraseVerdict) -> bool {
    let best = verdict.best.and_then(|best| phrases.get(best));
    best.is_some_and(|phrase| is_plain(phrase.class, phrase.text.contains(' '), verdict))
}

/// Whether a second look would be for nothing: nothing else is near, and more than sure where it can hurt or may be talk. Of 1,100 clips the
/// 48 that came nearest to another phrase came to log odds of 3.7 at most.
fn is_plain(class: PhraseClass, several_words: bool, verdict: &PhraseVerdict) -> bool {
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
pub(super) const LONGEST_ANSWER_LEN: usize = 3 * SAMPLE_RATE;
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
/// Quiet that ends what talk to somebody else may begin with, what another phrase begins with, and a thin emergency over its own voice: 256 ms.
const LATE_END_WINDOWS: usize = 8;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::decide::Reason;
    use crate::decide::ranking::FreeDecode;
    use crate::engine::output::Prior;
    use rstest::rstest;

    type Answer = Option<Box<(Ranking, PhraseVerdict)>>;

    fn phrase(text: &str, class: PhraseClass) -> AllowedPhrase {
        AllowedPhrase { text: text.to_owned(), class, group: 0, while_speaking: false, prior: Prior::Allowed }
    }

    fn found(best: usize, accepted: Option<Certainty>) -> Answer {
        found_at(best, accepted, PLAIN_LOG_ODDS - 0.1, WIDEST_MARGIN)
    }

    fn found_at(best: usize, accepted: Option<Certainty>, log_odds: f32, margin: f32) -> Answer {
        let free = FreeDecode { text: String::new(), log_prob: -1.0, tokens: vec![], complete: true };
        let verdict =
            PhraseVerdict { score: 9.0, margin, log_odds, accepted, ..PhraseVerdict::refused_for(Reason::NothingFits) };
        Some(Box::new((Ranking { phrases: vec![], free }, PhraseVerdict { best: Some(best), ..verdict })))
    }

    fn look(looks: &mut Looks, answer: Answer, quiet: usize, phrases: &[AllowedPhrase]) {
        looks.ask(LookId(1), quiet, Look::Partial);
        looks.take(answer, phrases);
    }

    fn looked(answer: Answer, quiet: usize, phrases: &[AllowedPhrase]) -> Looks {
        let mut looks = Looks::default();
        look(&mut looks, answer, quiet, phrases);
        looks
    }

    fn context(phrases: &[AllowedPhrase], phase: Phase) -> Context<'_> {
        Context { phase, phrases: Some(phrases), len: SAMPLE_RATE, voices: Voices::Person, newest: Newest::Quiet }
    }

    fn after(looks: &Looks, phrases: &[AllowedPhrase], quiet: usize) -> Endpoint {
        endpoint(looks, &context(phrases, Phase::MayEnd { quiet }))
    }

    const PARTIAL: Endpoint = Endpoint::Score(Look::Partial);

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
        assert_eq!(sure_ends_after(class, several_words, certain, plain), windows);
    }

    /// What is asked window by window, from the first of quiet on, where every look comes to `answer`.
    fn course(answer: impl Fn() -> Answer, phrases: &[AllowedPhrase]) -> (Vec<usize>, Option<usize>) {
        let (mut looks, mut scored) = (Looks::default(), Vec::new());
        for quiet in 1..10 {
            if after(&looks, phrases, quiet) == PARTIAL {
                scored.push(quiet);
                look(&mut looks, answer(), quiet, phrases);
            }
            if after(&looks, phrases, quiet) == Endpoint::End {
                return (scored, Some(quiet));
            }
        }
        (scored, None)
    }

    #[rstest]
    #[case::plain("hose locked", PhraseClass::Ordinary, Some(Certainty::Sure), 9.0, 8.0, &[2], Some(4))]
    #[case::something_near("hose locked", PhraseClass::Ordinary, Some(Certainty::Sure), 9.0, 7.9, &[2, 5], Some(6))]
    #[case::one_word("locked", PhraseClass::Ordinary, Some(Certainty::Sure), 9.0, 8.0, &[2], Some(8))]
    #[case::a_command("say again", PhraseClass::Chat, Some(Certainty::Sure), 5.4, 8.0, &[2, 5], Some(8))]
    #[case::stop("stop", PhraseClass::Emergency, Some(Certainty::Sure), 5.4, 8.0, &[2, 5], Some(6))]
    #[case::can_hurt("burner off", PhraseClass::Critical, Some(Certainty::Sure), 5.4, 8.0, &[2, 5], Some(6))]
    #[case::can_hurt_plain("burner off", PhraseClass::Critical, Some(Certainty::Sure), 5.5, 8.0, &[2], Some(4))]
    #[case::thin("hose locked", PhraseClass::Ordinary, Some(Certainty::Thin), 2.0, 3.0, &[2, 5], None)]
    #[case::thin_word("locked", PhraseClass::Ordinary, Some(Certainty::Thin), 2.0, 3.0, &[2, 5], None)]
    #[case::doubtful("hose locked", PhraseClass::Ordinary, Some(Certainty::Doubtful), 0.5, 3.0, &[2, 5], None)]
    #[case::nothing("hose locked", PhraseClass::Ordinary, None, -3.0, 3.0, &[2, 5, 8], None)]
    fn an_utterance_is_looked_at_where_it_may_change_something_and_ends_where_it_cannot(
        #[case] text: &str,
        #[case] class: PhraseClass,
        #[case] accepted: Option<Certainty>,
        #[case] log_odds: f32,
        #[case] margin: f32,
        #[case] scored: &[usize],
        #[case] ends: Option<usize>,
    ) {
        let phrases = [phrase(text, class)];
        let found = course(|| found_at(0, accepted, log_odds, margin), &phrases);
        assert_eq!((found.0.as_slice(), found.1), (scored, ends));
    }

    #[rstest]
    #[case::twice_the_same(found(1, Some(Certainty::Sure)), found(1, Some(Certainty::Sure)), true)]
    #[case::two_phrases(found(1, Some(Certainty::Sure)), found(2, Some(Certainty::Sure)), false)]
    #[case::once_thin(found(1, Some(Certainty::Thin)), found(1, Some(Certainty::Sure)), false)]
    #[case::no_longer_sure(found(1, Some(Certainty::Sure)), found(1, Some(Certainty::Thin)), false)]
    #[case::once_only(None, found(1, Some(Certainty::Sure)), false)]
    #[case::twice_nothing(found(1, None), found(1, None), false)]
    fn two_looks_agree_where_both_are_sure_of_the_same_phrase(
        #[case] first: Answer,
        #[case] second: Answer,
        #[case] certain: bool,
    ) {
        let mut looks = looked(first, SOON_WINDOWS, &[]);
        assert!(!looks.certain, "one is not two");
        look(&mut looks, second, AGAIN_WINDOWS, &[]);
        assert_eq!(looks.certain, certain);
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
        let phrases = [phrase(text, class)];
        let looks = looked(found_at(0, Some(Certainty::Sure), log_odds, margin), AT_ONCE_WINDOWS, &phrases);
        assert_eq!(looks.found.is_some(), kept);
        assert_ne!(after(&looks, &phrases, SOON_WINDOWS), PARTIAL, "it has been scored");
        assert_eq!(after(&looks, &phrases, AGAIN_WINDOWS) == PARTIAL, !kept);
    }

    #[test]
    fn what_was_sure_at_once_need_be_so_only_once_more_unless_it_goes_on() {
        let sure = || found_at(0, Some(Certainty::Sure), PLAIN_LOG_ODDS - 0.1, WIDEST_MARGIN);
        let phrases = [phrase("burner off", PhraseClass::Critical)];
        for (goes_on, ends) in [(false, Endpoint::End), (true, Endpoint::Wait)] {
            let mut looks = looked(sure(), AT_ONCE_WINDOWS, &phrases);
            if goes_on {
                looks.forget();
                assert_eq!(after(&looks, &phrases, SOON_WINDOWS), PARTIAL);
            }
            look(&mut looks, sure(), AGAIN_WINDOWS, &phrases);
            assert_eq!(after(&looks, &phrases, END_WINDOWS), ends);
        }
    }

    #[test]
    fn talk_and_the_programs_own_voice_are_not_scored_before_there_is_some_quiet() {
        let phrases = [phrase("hose locked", PhraseClass::Ordinary)];
        let at_once = context(&phrases, Phase::MayEnd { quiet: AT_ONCE_WINDOWS });
        let soon = Phase::MayEnd { quiet: SOON_WINDOWS };
        let looks = Looks::default();
        assert_eq!(endpoint(&looks, &at_once), PARTIAL);
        let talk = Context { len: LONGEST_ANSWER_LEN + 1, ..at_once };
        let own_voice = Context { voices: Voices::OverOwn, ..at_once };
        for other in [talk, own_voice] {
            assert_eq!(endpoint(&looks, &other), Endpoint::Wait, "{other:?}");
            assert_eq!(endpoint(&looks, &Context { phase: soon, ..other }), PARTIAL, "{other:?}");
        }
    }

    #[test]
    fn sound_as_loud_as_the_words_ends_nothing_early_but_over_its_own_voice_it_may_be_that() {
        let phrases = [phrase("hose locked", PhraseClass::Ordinary)];
        let looks = looked(found_at(0, Some(Certainty::Sure), 9.0, WIDEST_MARGIN), AT_ONCE_WINDOWS, &phrases);
        let quiet = context(&phrases, Phase::MayEnd { quiet: PLAIN_END_WINDOWS });
        let loud = Context { newest: Newest::AsLoudAsWords, ..quiet };
        assert_eq!(endpoint(&looks, &quiet), Endpoint::End);
        assert_eq!(endpoint(&looks, &loud), Endpoint::Wait);
        assert_eq!(endpoint(&looks, &Context { voices: Voices::OverOwn, ..loud }), Endpoint::End);
    }

    #[test]
    fn a_phrase_that_another_begins_with_is_waited_for_as_long_as_a_command() {
        let plain = || found_at(0, Some(Certainty::Sure), 9.0, WIDEST_MARGIN);
        let (short, long) =
            (phrase("water on", PhraseClass::Ordinary), phrase("water on the floor", PhraseClass::Ordinary));
        assert_eq!(course(plain, std::slice::from_ref(&short)), (vec![2], Some(PLAIN_END_WINDOWS)));
        assert_eq!(course(plain, &[short, long]), (vec![2], Some(LATE_END_WINDOWS)));
    }

    #[test]
    fn an_emergency_that_is_thin_ends_over_its_own_voice_and_otherwise_waits_for_the_end() {
        let phrases = [phrase("stop", PhraseClass::Emergency)];
        let looks = looked(found(0, Some(Certainty::Thin)), AGAIN_WINDOWS, &phrases);
        let late = context(&phrases, Phase::MayEnd { quiet: LATE_END_WINDOWS });
        assert_eq!(endpoint(&looks, &late), Endpoint::Wait);
        assert_eq!(endpoint(&looks, &Context { voices: Voices::OverOwn, ..late }), Endpoint::End);
    }

    #[test]
    fn frames_go_on_while_a_look_is_under_way_and_the_end_waits_for_it() {
        let phrases = [phrase("hose locked", PhraseClass::Ordinary)];
        let mut looks = Looks::default();
        looks.ask(LookId(7), AT_ONCE_WINDOWS, Look::Partial);
        for phase in [Phase::MayEnd { quiet: 3 }, Phase::MayEnd { quiet: 9 }, Phase::Ended { quiet: 10 }] {
            assert_eq!(endpoint(&looks, &context(&phrases, phase)), Endpoint::Wait, "{phase:?}");
        }
        assert!(looks.awaits(LookId(7)) && !looks.awaits(LookId(6)));
        looks.take(found_at(0, Some(Certainty::Sure), 9.0, WIDEST_MARGIN), &phrases);
        assert_eq!(after(&looks, &phrases, 3), Endpoint::Wait);
        assert_eq!(after(&looks, &phrases, 7), Endpoint::End, "the answer came late, and enough quiet is over");
    }

    #[test]
    fn what_has_ended_is_scored_unless_what_was_made_of_it_holds() {
        let phrases = [phrase("hose locked", PhraseClass::Ordinary)];
        let ended = context(&phrases, Phase::Ended { quiet: 10 });
        let last = Endpoint::Score(Look::Final);
        assert_eq!(endpoint(&Looks::default(), &ended), last);
        assert_eq!(endpoint(&Looks::default(), &Context { phrases: None, ..ended }), Endpoint::End);
        let nothing = |quiet| looked(found(0, None), quiet, &phrases);
        assert_eq!(endpoint(&nothing(AGAIN_WINDOWS), &ended), last);
        assert_eq!(endpoint(&nothing(CONTEXT_WINDOWS), &ended), Endpoint::End);
        for certainty in [Certainty::Doubtful, Certainty::Thin, Certainty::Sure] {
            let looks = looked(found(0, Some(certainty)), AGAIN_WINDOWS, &phrases);
            assert_eq!(endpoint(&looks, &ended), Endpoint::End, "{certainty:?}");
        }
        let mut looks = Looks::default();
        looks.ask(LookId(1), 10, Look::Final);
        looks.take(found(0, None), &phrases);
        assert_eq!(endpoint(&looks, &ended), Endpoint::End, "the last look is the last");
        looks.give_up();
        assert_eq!(endpoint(&looks, &ended), Endpoint::End);
    }

    #[test]
    fn a_look_that_was_dropped_is_made_up_for_by_the_next_and_in_the_end_by_the_last() {
        let phrases = [phrase("hose locked", PhraseClass::Ordinary)];
        let mut looks = Looks::default();
        let mut scored = Vec::new();
        for quiet in 1..10 {
            if after(&looks, &phrases, quiet) == PARTIAL {
                scored.push(quiet);
                looks.ask(LookId(1), quiet, Look::Partial);
                looks.skip();
            }
        }
        assert_eq!(scored, [2, 5, 8]);
        assert_eq!(endpoint(&looks, &context(&phrases, Phase::Ended { quiet: 10 })), Endpoint::Score(Look::Final));
    }

    #[test]
    fn talk_and_words_that_go_on_are_left_alone() {
        let phrases = [phrase("hose locked", PhraseClass::Ordinary)];
        for phase in [Phase::Words, Phase::Talk] {
            assert_eq!(endpoint(&Looks::default(), &context(&phrases, phase)), Endpoint::Wait);
        }
    }
}
