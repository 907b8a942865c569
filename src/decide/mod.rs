//! Whether something that was heard counts, and why not: the one place that decides it.
//!
//! [`decide`] takes what the recogniser made of an utterance and the context in which it was said, and holds both against one table
//! ([`LimitsTable`], `models/hearing.toml`). A missed phrase costs a "say again", a wrong one may flood a floor: where the figures are poor,
//! nothing is accepted.

pub mod evidence;
pub mod limits;
pub mod own_words;
pub mod ranking;
pub mod two_ears;

use std::fmt;

use crate::decide::evidence::Evidence;
use crate::decide::limits::{BeforeConvergence, LeastFigures, LimitsTable, Otherwise, PhraseLimits};
use crate::engine::input::Certainty;
use crate::engine::output::{AllowedPhrase, PhraseClass};

/// What was made of an utterance.
#[derive(Clone, Debug, PartialEq)]
pub struct PhraseVerdict {
    /// Place of the best phrase in the set; `None` when nothing could be scored.
    pub best: Option<usize>,
    /// Corrected score of the best phrase, in nats.
    pub score: f32,
    /// Distance to the best phrase of another group, in nats; 0 and up.
    pub margin: f32,
    /// Natural logarithm of the odds that the best phrase was said, by what was heard; minus infinity where it was not worth weighing. What
    /// the examples of the people who may be speaking say to it is in it, what is asked for is not.
    pub log_odds: f32,
    /// What the odds come from, where it was worth weighing.
    pub evidence: Option<Evidence>,
    /// `None` when the phrase is not to be acted on.
    pub accepted: Option<Certainty>,
    /// Why not, where it is not.
    pub refused: Option<Reason>,
}

impl PhraseVerdict {
    /// The verdict on what could not be weighed.
    pub fn refused_for(reason: Reason) -> Self {
        Self {
            best: None,
            score: f32::NEG_INFINITY,
            margin: 0.0,
            log_odds: f32::NEG_INFINITY,
            evidence: None,
            accepted: None,
            refused: Some(reason),
        }
    }

    /// Whether the phrase counts; one that is only doubtful is to be asked about first.
    pub fn is_understood(&self) -> bool {
        self.accepted.is_some_and(|certainty| certainty != Certainty::Doubtful)
    }

    fn figures(&self) -> LeastFigures {
        LeastFigures { log_odds: self.log_odds, margin: self.margin, score: self.score }
    }
}

/// What becomes of something that was heard.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Decision {
    /// It was said: surely, or thinly.
    Counts(Certainty),
    /// It may have been said, and is to be asked about.
    Asked,
    /// It does not count.
    Nothing(Reason),
}

impl Decision {
    fn of(certainty: Certainty) -> Self {
        match certainty {
            Certainty::Doubtful => Self::Asked,
            certainty => Self::Counts(certainty),
        }
    }

    /// How surely it was said; `None` where it counts for nothing.
    pub fn certainty(self) -> Option<Certainty> {
        match self {
            Self::Counts(certainty) => Some(certainty),
            Self::Asked => Some(Certainty::Doubtful),
            Self::Nothing(_) => None,
        }
    }
}

/// Why something that was heard does not count. Displayed in plain words for the screen and the log.
#[derive(Clone, Copy, Debug, PartialEq)]
#[allow(missing_docs, reason = "found, and the least that it takes")]
pub enum Reason {
    /// Nothing may be said now.
    NothingAllowed,
    /// No phrase fits at all.
    NothingFits,
    /// The recogniser gave no answer.
    NotScored,
    /// The phrase is part of a sentence to somebody else.
    TalkAround,
    /// Something else is as near. In nats.
    Margin { found: f32, least: f32 },
    /// It was not likely enough. Natural logarithms of the odds.
    Odds { found: f32, least: f32 },
    /// It hardly stands out of the background. In nats.
    Score { found: f32, least: f32 },
    /// It may not be said while the program speaks.
    NotOverSpeech,
    /// One word over the program's own voice that is not sure.
    WordOverSpeech,
    /// It may be the program itself: its echo canceller has not converged yet.
    RoomNotKnown,
    /// What was played came back seconds later.
    LateCopy,
    /// The program was saying it, here or at another station.
    OwnWords,
    /// Another station heard the same voice, and surer.
    HeardElsewhere,
}

impl fmt::Display for Reason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NothingAllowed => f.write_str("nothing may be said now"),
            Self::NothingFits => f.write_str("nothing fits"),
            Self::NotScored => f.write_str("the recogniser gave no answer"),
            Self::TalkAround => f.write_str("talk around it"),
            Self::Margin { found, least } => write!(f, "margin {} of {}", short(*found), short(*least)),
            Self::Odds { found, least } => write!(f, "odds {} of {}", short(*found), short(*least)),
            Self::Score { found, least } => write!(f, "score {} of {}", short(*found), short(*least)),
            Self::NotOverSpeech => f.write_str("not to be said over its own voice"),
            Self::WordOverSpeech => f.write_str("one word over its own voice"),
            Self::RoomNotKnown => f.write_str("room not known yet"),
            Self::LateCopy => f.write_str("a late copy of its own voice"),
            Self::OwnWords => f.write_str("its own words"),
            Self::HeardElsewhere => f.write_str("heard better elsewhere"),
        }
    }
}

/// With one decimal, and none where that is 0.
fn short(figure: f32) -> String {
    let text = format!("{figure:.1}");
    text.strip_suffix(".0").map_or(text.clone(), str::to_owned)
}

/// In what context something was heard.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DecisionContext<'a> {
    /// The phrase that came nearest, if any could be scored.
    pub phrase: Option<&'a AllowedPhrase>,
    /// Whose voices were in the air.
    pub over_speech: OverSpeech,
    /// Whether it was played by a station before.
    pub copy: CopyOfPlayed,
    /// Whether it came near before.
    pub said_before: SaidBefore,
}

/// Whether it was said over the program's own voice.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum OverSpeech {
    /// The program was silent.
    No,
    /// Over it, by somebody else as far as the echo canceller tells.
    Converged,
    /// Over it, before the echo canceller knew the room: it may be the program itself, clear and whole.
    Unconverged,
}

/// Whether it is what a station played seconds before.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CopyOfPlayed {
    /// It is none.
    None,
    /// It is one.
    Late,
}

/// Whether the same phrase was heard before.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SaidBefore {
    /// Not lately.
    No,
    /// It came near a little while ago, and was refused.
    Nearly,
}

/// Decides whether something that was heard counts.
///
/// A late copy of what was played is nobody's, but a person's emergency is never lost for it. What was refused and comes near twice in a row is
/// asked about. Over the program's own voice only what may be said over it counts, and an answer only where it is clear.
pub fn decide(verdict: &PhraseVerdict, context: &DecisionContext) -> Decision {
    let urgent = context.phrase.is_some_and(|phrase| phrase.class == PhraseClass::Emergency);
    if context.copy == CopyOfPlayed::Late && !(urgent && verdict.accepted.is_some()) {
        return Decision::Nothing(Reason::LateCopy);
    }
    let refused = Decision::Nothing(verdict.refused.unwrap_or(Reason::NothingFits));
    let Some(phrase) = context.phrase else { return refused };
    let twice = context.said_before == SaidBefore::Nearly && nearly_fits(verdict, context);
    let Some(found) = verdict.accepted.or(twice.then_some(Certainty::Doubtful)) else { return refused };
    let limits = LimitsTable::shipped().of_phrase(phrase);
    match context.over_speech {
        OverSpeech::No => Decision::of(found),
        _ if !phrase.while_speaking => Decision::Nothing(Reason::NotOverSpeech),
        OverSpeech::Unconverged if !counts_before_convergence(limits, found) => Decision::Nothing(Reason::RoomNotKnown),
        OverSpeech::Converged | OverSpeech::Unconverged => over_speech(limits, found, verdict.margin),
    }
}

/// Whether what was refused comes near enough to its phrase for two such in a row to be asked about.
pub fn nearly_fits(verdict: &PhraseVerdict, context: &DecisionContext) -> bool {
    let twice = context.phrase.and_then(|phrase| LimitsTable::shipped().of_phrase(phrase).twice);
    let here = verdict.accepted.is_none() && context.over_speech == OverSpeech::No;
    here && twice.is_some_and(|twice| verdict.figures().meet(&twice))
}

/// Whether an utterance over the program's own voice that was refused comes near enough to an emergency to interrupt it.
pub fn interrupts(verdict: &PhraseVerdict, phrases: &[AllowedPhrase]) -> bool {
    let phrase = verdict.best.and_then(|best| phrases.get(best));
    let least = phrase.and_then(|phrase| LimitsTable::shipped().of_phrase(phrase).interrupts);
    verdict.accepted.is_none() && least.is_some_and(|least| verdict.figures().meet(&least))
}

fn counts_before_convergence(limits: &PhraseLimits, found: Certainty) -> bool {
    limits.before_convergence == Some(BeforeConvergence::Sure) && found == Certainty::Sure
}

fn over_speech(limits: &PhraseLimits, found: Certainty, margin: f32) -> Decision {
    let Some(over) = limits.over_speech else { return Decision::of(found) };
    match over.otherwise {
        _ if found == Certainty::Sure && margin >= over.sure_margin => Decision::Counts(Certainty::Sure),
        Otherwise::Ask => Decision::Asked,
        Otherwise::Nothing if found == Certainty::Sure => {
            Decision::Nothing(Reason::Margin { found: margin, least: over.sure_margin })
        }
        Otherwise::Nothing => Decision::Nothing(Reason::WordOverSpeech),
    }
}

impl LeastFigures {
    /// Whether these are no less than `least`, figure by figure.
    pub fn meet(&self, least: &Self) -> bool {
        self.lacks(least).is_none()
    }

    /// What these lack of `least`, if anything.
    pub fn lacks(&self, least: &Self) -> Option<Reason> {
        if self.margin < least.margin {
            Some(Reason::Margin { found: self.margin, least: least.margin })
        } else if self.log_odds < least.log_odds {
            Some(Reason::Odds { found: self.log_odds, least: least.log_odds })
        } else if self.score < least.score {
            Some(Reason::Score { found: self.score, least: least.score })
        } else {
            None
        }
    }
}

/// The margin that is reported where no rival is left on the beam: its width, in nats.
pub(crate) const WIDEST_MARGIN: f32 = 8.0;

/// In lower case, without marks.
pub(super) fn plain_words(text: &str) -> Vec<String> {
    let letters =
        |word: &str| word.chars().filter(|letter| letter.is_alphanumeric()).collect::<String>().to_lowercase();
    text.split([' ', '-']).map(letters).filter(|word| !word.is_empty()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::output::Prior;
    use rstest::rstest;

    fn phrase(text: &str, class: PhraseClass, while_speaking: bool) -> AllowedPhrase {
        AllowedPhrase { text: text.to_owned(), class, group: 0, while_speaking, prior: Prior::Allowed }
    }

    fn accepted(certainty: Certainty, margin: f32) -> PhraseVerdict {
        PhraseVerdict {
            best: Some(0),
            score: 9.0,
            margin,
            log_odds: 4.0,
            evidence: None,
            accepted: Some(certainty),
            refused: None,
        }
    }

    fn refused(score: f32, margin: f32, log_odds: f32) -> PhraseVerdict {
        PhraseVerdict { best: Some(0), score, margin, log_odds, ..PhraseVerdict::refused_for(Reason::TalkAround) }
    }

    fn context(phrase: &AllowedPhrase, over_speech: OverSpeech) -> DecisionContext<'_> {
        DecisionContext { phrase: Some(phrase), over_speech, copy: CopyOfPlayed::None, said_before: SaidBefore::No }
    }

    const SURE: Certainty = Certainty::Sure;
    const THIN: Certainty = Certainty::Thin;
    const ASKED: Option<Certainty> = Some(Certainty::Doubtful);

    #[rstest]
    #[case::somebody("hose locked", PhraseClass::Ordinary, OverSpeech::No, SURE, Decision::Counts(SURE))]
    #[case::over_it("hose locked", PhraseClass::Ordinary, OverSpeech::Converged, SURE, Decision::Counts(SURE))]
    #[case::before(
        "hose locked",
        PhraseClass::Ordinary,
        OverSpeech::Unconverged,
        SURE,
        Decision::Nothing(Reason::RoomNotKnown)
    )]
    #[case::can_hurt(
        "lid off",
        PhraseClass::Critical,
        OverSpeech::Unconverged,
        SURE,
        Decision::Nothing(Reason::RoomNotKnown)
    )]
    #[case::emergency("stop", PhraseClass::Emergency, OverSpeech::Unconverged, SURE, Decision::Counts(SURE))]
    #[case::thin(
        "stop",
        PhraseClass::Emergency,
        OverSpeech::Unconverged,
        THIN,
        Decision::Nothing(Reason::RoomNotKnown)
    )]
    fn before_the_room_is_known_only_an_emergency_that_is_sure_counts_over_its_own_voice(
        #[case] text: &str,
        #[case] class: PhraseClass,
        #[case] over_speech: OverSpeech,
        #[case] found: Certainty,
        #[case] decision: Decision,
    ) {
        let phrase = phrase(text, class, true);
        assert_eq!(decide(&accepted(found, WIDEST_MARGIN), &context(&phrase, over_speech)), decision);
    }

    #[test]
    fn what_may_not_be_said_over_its_own_voice_is_nothing_there() {
        let phrase = phrase("hose locked", PhraseClass::Ordinary, false);
        let over = |over| decide(&accepted(SURE, WIDEST_MARGIN), &context(&phrase, over));
        assert_eq!(over(OverSpeech::No), Decision::Counts(SURE));
        assert_eq!(over(OverSpeech::Converged), Decision::Nothing(Reason::NotOverSpeech));
    }

    #[rstest]
    #[case::a_thin_answer("water on", PhraseClass::Ordinary, OverSpeech::Converged, THIN, 8.0, ASKED)]
    #[case::a_sure_answer("water on", PhraseClass::Critical, OverSpeech::Converged, SURE, 8.0, Some(SURE))]
    #[case::just_clear("water on", PhraseClass::Critical, OverSpeech::Converged, SURE, 6.5, Some(SURE))]
    #[case::something_near("water on", PhraseClass::Critical, OverSpeech::Converged, SURE, 6.0, ASKED)]
    #[case::one_word("no", PhraseClass::Ordinary, OverSpeech::Converged, SURE, 8.0, Some(SURE))]
    #[case::one_word_and_something_near("no", PhraseClass::Ordinary, OverSpeech::Converged, SURE, 6.0, None)]
    #[case::a_thin_word("no", PhraseClass::Ordinary, OverSpeech::Converged, THIN, 8.0, None)]
    #[case::a_command("say again", PhraseClass::Chat, OverSpeech::Converged, THIN, 3.0, Some(THIN))]
    #[case::an_emergency("stop", PhraseClass::Emergency, OverSpeech::Converged, THIN, 2.0, Some(THIN))]
    #[case::nobody_else_speaks("no", PhraseClass::Ordinary, OverSpeech::No, THIN, 3.0, Some(THIN))]
    fn over_its_own_voice_an_answer_that_is_not_clear_is_asked_about_or_is_nothing(
        #[case] text: &str,
        #[case] class: PhraseClass,
        #[case] over_speech: OverSpeech,
        #[case] found: Certainty,
        #[case] margin: f32,
        #[case] certainty: Option<Certainty>,
    ) {
        let phrase = phrase(text, class, true);
        assert_eq!(decide(&accepted(found, margin), &context(&phrase, over_speech)).certainty(), certainty);
    }

    #[test]
    fn over_its_own_voice_an_emergency_of_one_word_that_nearly_fits_interrupts_it_and_nothing_else_does() {
        let stop = [phrase("stop", PhraseClass::Emergency, true)];
        assert!(interrupts(&refused(1.5, 2.0, -1.2), &stop));
        assert!(!interrupts(&refused(1.4, 8.0, 0.0), &stop));
        assert!(!interrupts(&refused(9.0, 1.9, 0.0), &stop));
        assert!(!interrupts(&refused(9.0, 8.0, f32::NEG_INFINITY), &stop));
        assert!(!interrupts(&refused(9.0, 8.0, -1.0), &[phrase("smell of gas", PhraseClass::Emergency, true)]));
        for class in [PhraseClass::Chat, PhraseClass::Ordinary, PhraseClass::Critical] {
            assert!(!interrupts(&refused(9.0, 8.0, -1.0), &[phrase("done", class, true)]));
        }
    }

    #[test]
    fn only_several_words_that_stand_out_count_when_they_come_twice() {
        let nowhere = f32::NEG_INFINITY;
        let nearly = |text: &str, score: f32, margin: f32| {
            let phrase = phrase(text, PhraseClass::Critical, false);
            let again = DecisionContext { said_before: SaidBefore::Nearly, ..context(&phrase, OverSpeech::No) };
            let decision = decide(&refused(score, margin, nowhere), &again);
            assert_eq!(decision == Decision::Asked, nearly_fits(&refused(score, margin, nowhere), &again));
            decision == Decision::Asked
        };
        assert!(nearly("burner off", 5.0, 4.5));
        assert!(!nearly("burner off", 4.9, 8.0));
        assert!(!nearly("burner off", 9.0, 4.4));
        assert!(!nearly("yes", 9.0, 8.0));
        let phrase = phrase("burner off", PhraseClass::Critical, true);
        let once = decide(&refused(5.0, 4.5, nowhere), &context(&phrase, OverSpeech::No));
        assert_eq!(once, Decision::Nothing(Reason::TalkAround));
    }

    #[test]
    fn a_late_copy_is_nobodys_but_an_emergency_is_never_lost_for_it() {
        for (class, decision) in [
            (PhraseClass::Critical, Decision::Nothing(Reason::LateCopy)),
            (PhraseClass::Emergency, Decision::Counts(SURE)),
        ] {
            let phrase = phrase("stop", class, true);
            let late = DecisionContext { copy: CopyOfPlayed::Late, ..context(&phrase, OverSpeech::No) };
            assert_eq!(decide(&accepted(SURE, 8.0), &late), decision);
            assert_eq!(decide(&refused(9.0, 8.0, 0.0), &late), Decision::Nothing(Reason::LateCopy));
        }
    }

    #[rstest]
    #[case(Reason::Margin { found: 2.13, least: 3.0 }, "margin 2.1 of 3")]
    #[case(Reason::Odds { found: -0.42, least: 3.5 }, "odds -0.4 of 3.5")]
    #[case(Reason::Score { found: 4.0, least: 4.5 }, "score 4 of 4.5")]
    #[case(Reason::OwnWords, "its own words")]
    #[case(Reason::LateCopy, "a late copy of its own voice")]
    #[case(Reason::RoomNotKnown, "room not known yet")]
    #[case(Reason::TalkAround, "talk around it")]
    fn a_reason_reads_in_plain_words(#[case] reason: Reason, #[case] text: &str) {
        assert_eq!(reason.to_string(), text);
    }

    #[test]
    fn what_is_lacking_is_told_by_the_first_figure_that_falls_short() {
        let least = LeastFigures { log_odds: 2.0, margin: 3.0, score: 4.5 };
        let figures = |log_odds, margin, score| LeastFigures { log_odds, margin, score };
        assert_eq!(figures(9.0, 2.1, 9.0).lacks(&least), Some(Reason::Margin { found: 2.1, least: 3.0 }));
        assert_eq!(figures(1.9, 3.0, 9.0).lacks(&least), Some(Reason::Odds { found: 1.9, least: 2.0 }));
        assert_eq!(figures(2.0, 3.0, 4.4).lacks(&least), Some(Reason::Score { found: 4.4, least: 4.5 }));
        assert!(figures(2.0, 3.0, 4.5).meet(&least));
    }
}
