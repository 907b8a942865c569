//! From sound to a verdict: scores the phrases, weighs the best one, and holds it against the limits of its class.
//!
//! Whether what was understood then counts for anything, is decided in [`crate::decide`].

use crate::decide::evidence::Evidence;
use crate::decide::limits::{LeastFigures, LimitsTable};
use crate::decide::ranking::{PhraseScore, Ranking};
use crate::decide::{PhraseVerdict, Reason, WIDEST_MARGIN, plain_words};
use crate::engine::input::Certainty;
use crate::engine::output::{AllowedPhrase, PhraseClass};
use crate::speech::calibration::Calibration;
use crate::speech::own_examples::OwnExamples;
use crate::speech::score::{Prepared, ScoreError, Scorer};

/// An utterance, and by what it is judged.
#[derive(Clone, Copy)]
pub struct Case<'a> {
    /// 16 kHz mono, with 200 to 300 ms of real sound before and after the words.
    pub samples: &'a [f32],
    /// What may be said.
    pub phrases: &'a [AllowedPhrase],
    /// Made of the phrases, in the same order.
    pub prepared: &'a Prepared,
    /// The weights by which evidence becomes odds.
    pub calibration: &'a Calibration,
    /// The examples of the people who may be speaking, where they have given any.
    pub own: &'a OwnExamples,
}

/// Scores an utterance and judges what comes of it: the whole way to a verdict.
///
/// # Errors
/// Fewer samples than the model takes, or the runtime fails.
pub fn recognise(scorer: &mut Scorer, case: Case) -> Result<(Ranking, PhraseVerdict), ScoreError> {
    let ranking = scorer.rank(case.samples, case.prepared)?;
    let verdict = judge(scorer, case, &ranking)?;
    Ok((ranking, verdict))
}

fn judge(scorer: &mut Scorer, case: Case, ranking: &Ranking) -> Result<PhraseVerdict, ScoreError> {
    let Some(candidate) = Candidate::of(case.phrases, ranking) else {
        return Ok(PhraseVerdict::refused_for(Reason::NothingFits));
    };
    if let Some(reason) = candidate.not_worth_weighing(case.phrases, ranking) {
        return Ok(candidate.refused(reason));
    }
    let sooner = candidate.like_own(scorer, case.samples, case.phrases, case.own)?;
    Ok(candidate.judge(case.phrases, ranking, case.calibration, sooner))
}

/// The best phrase of a ranking.
#[derive(Clone, Copy, Debug)]
struct Candidate {
    best: usize,
    score: f32,
    margin: f32,
    over_free: f32,
}

impl Candidate {
    /// The best of `ranking`, which was made for `phrases` in the same order.
    fn of(phrases: &[AllowedPhrase], ranking: &Ranking) -> Option<Self> {
        let scored = phrases.iter().zip(&ranking.phrases).enumerate();
        let best = scored.filter(|(_, (_, score))| score.raw.is_finite()).max_by(|a, b| by_score(a.1.1, b.1.1));
        let (best, (phrase, score)) = best?;
        let others = phrases.iter().zip(&ranking.phrases).filter(|(other, _)| other.group != phrase.group);
        let runner_up = others.map(|(_, score)| score.corrected).fold(f32::NEG_INFINITY, f32::max);
        // With no rival left on the beam the margin is at least the beam's width; it is reported as that much.
        let margin = (score.corrected - runner_up).min(WIDEST_MARGIN);
        Some(Self { best, score: score.corrected, margin, over_free: score.raw - ranking.free.log_prob })
    }

    /// What no odds could make up for, where there is such a thing.
    fn not_worth_weighing(&self, phrases: &[AllowedPhrase], ranking: &Ranking) -> Option<Reason> {
        let phrase = &phrases[self.best];
        // The model goes round in circles after a short phrase in noise: "Stop. Stop. Stop." But whoever says "no, no" talks to somebody else.
        let emergency = phrase.class == PhraseClass::Emergency;
        let only = (emergency && only_says(&ranking.free.text, &phrase.text))
            || (phrase.text.contains(' ') && goes_round(&ranking.free.text, &phrase.text));
        let inside_a_sentence = !emergency && !only && says_more(&ranking.free.text, &phrase.text);
        let complete = ranking.free.complete || only;
        let least = LimitsTable::shipped().of(phrase.class, 2).thin.margin;
        if !complete || inside_a_sentence {
            return Some(Reason::TalkAround);
        }
        (self.margin < least).then_some(Reason::Margin { found: self.margin, least })
    }

    fn refused(&self, reason: Reason) -> PhraseVerdict {
        PhraseVerdict {
            best: Some(self.best),
            score: self.score,
            margin: self.margin,
            ..PhraseVerdict::refused_for(reason)
        }
    }

    /// By how much the log odds are raised, or lowered, by the examples of the people who may be speaking; 0 without any.
    fn like_own(
        &self,
        scorer: &mut Scorer,
        samples: &[f32],
        phrases: &[AllowedPhrase],
        own: &OwnExamples,
    ) -> Result<f32, ScoreError> {
        if own.are_none() {
            return Ok(0.0);
        }
        let Some(heard) = scorer.states_of_speech(samples)? else { return Ok(0.0) };
        let phrase = &phrases[self.best];
        let means_it = |line: &str| phrases.iter().any(|other| other.text == line && other.group == phrase.group);
        Ok(own.weigh(&phrase.text, phrase.class, &heard, means_it))
    }

    fn judge(
        &self,
        phrases: &[AllowedPhrase],
        ranking: &Ranking,
        calibration: &Calibration,
        sooner: f32,
    ) -> PhraseVerdict {
        let phrase = &phrases[self.best];
        let evidence = Evidence::of(&phrase.text, self.score, self.over_free, self.margin, ranking);
        let log_odds = calibration.log_odds(&evidence) + sooner;
        let table = LimitsTable::shipped();
        let limits = table.of(phrase.class, evidence.words);
        let with_prior = log_odds + table.prior(phrase.prior);
        let figures = LeastFigures { log_odds: with_prior, margin: self.margin, score: self.score };
        let accepted = if figures.meet(&limits.sure) {
            Some(Certainty::Sure)
        } else if figures.meet(&limits.thin) {
            Some(Certainty::Thin)
        } else if limits.ask.is_some_and(|ask| figures.meet(&ask)) {
            Some(Certainty::Doubtful)
        } else {
            None
        };
        let weakest = limits.ask.unwrap_or(limits.thin);
        let refused = accepted.is_none().then(|| figures.lacks(&weakest)).flatten();
        let best = Some(self.best);
        PhraseVerdict {
            best,
            score: self.score,
            margin: self.margin,
            log_odds,
            evidence: Some(evidence),
            accepted,
            refused,
        }
    }
}

/// Whether `text` holds all the words of `phrase` in their order, and others: "stand by the gate" is no "stand by", and "say that again" no
/// "say again".
fn says_more(text: &str, phrase: &str) -> bool {
    let (text, phrase) = (plain_words(text), plain_words(phrase));
    let mut words = text.iter();
    text.len() > phrase.len() && !phrase.is_empty() && phrase.iter().all(|word| words.any(|found| found == word))
}

/// Whether `text` is `phrase` over and over again, at least twice begun; its last time may be broken off.
fn goes_round(text: &str, phrase: &str) -> bool {
    only_says(text, phrase) && plain_words(text).len() > plain_words(phrase).len()
}

/// Whether `text` is `phrase`, once or over and over again; its last time may be broken off.
fn only_says(text: &str, phrase: &str) -> bool {
    let (text, phrase) = (plain_words(text), plain_words(phrase));
    text.len() >= phrase.len() && !phrase.is_empty() && text.chunks(phrase.len()).all(|run| phrase.starts_with(run))
}

fn by_score(a: &PhraseScore, b: &PhraseScore) -> std::cmp::Ordering {
    a.corrected.total_cmp(&b.corrected)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::decide::ranking::FreeDecode;
    use crate::engine::output::Prior;

    /// Least scores of several words and of one.
    const LEAST_SCORE: f32 = 4.5;
    const LEAST_SCORE_OF_ONE_WORD: f32 = 3.0;

    const CLASSES: [PhraseClass; 4] =
        [PhraseClass::Chat, PhraseClass::Ordinary, PhraseClass::Critical, PhraseClass::Emergency];

    fn phrase(text: &str, class: PhraseClass, group: u32) -> AllowedPhrase {
        AllowedPhrase { text: text.to_owned(), class, group, while_speaking: false, prior: Prior::Allowed }
    }

    fn judge(phrases: &[AllowedPhrase], ranking: &Ranking) -> PhraseVerdict {
        match Candidate::of(phrases, ranking) {
            Some(candidate) => match candidate.not_worth_weighing(phrases, ranking) {
                None => candidate.judge(phrases, ranking, &Calibration::shipped(), 0.0),
                Some(reason) => candidate.refused(reason),
            },
            None => panic!("nothing was scored"),
        }
    }

    /// (raw, corrected) of each phrase, and the free decode's text and log probability.
    fn ranking(scores: &[(f32, f32)], text: &str, log_prob: f32) -> Ranking {
        let phrases = scores.iter().map(|&(raw, corrected)| PhraseScore { raw, corrected }).collect();
        Ranking { phrases, free: FreeDecode { text: text.to_owned(), log_prob, tokens: vec![0; 4], complete: true } }
    }

    fn closed_or_open(class: PhraseClass) -> [AllowedPhrase; 3] {
        [phrase("valve closed", class, 1), phrase("black valve closed", class, 1), phrase("valve open", class, 2)]
    }

    #[test]
    fn the_margin_is_measured_to_another_meaning() {
        let found = judge(
            &closed_or_open(PhraseClass::Critical),
            &ranking(&[(-1.0, 12.0), (-2.0, 11.5), (-7.0, 6.0)], "Valve closed.", -1.0),
        );
        assert_eq!((found.best, found.margin, found.accepted), (Some(0), 6.0, Some(Certainty::Sure)));
    }

    #[test]
    fn nothing_is_accepted_within_the_models_own_noise_of_another_meaning() {
        for class in CLASSES {
            let found = judge(
                &closed_or_open(class),
                &ranking(&[(-1.0, 12.0), (-2.0, 11.5), (-2.0, 10.1)], "Valve closed.", -1.0),
            );
            assert_eq!(found.accepted, None, "{class:?}");
        }
    }

    #[test]
    fn a_critical_phrase_with_a_middling_margin_is_thin_where_an_ordinary_one_is_sure() {
        let found = |class| {
            judge(&closed_or_open(class), &ranking(&[(-1.0, 12.0), (-2.0, 11.0), (-4.0, 9.0)], "Valve closed.", -1.0))
        };
        assert_eq!(found(PhraseClass::Critical).accepted, Some(Certainty::Thin));
        assert_eq!(found(PhraseClass::Ordinary).accepted, Some(Certainty::Sure));
    }

    #[test]
    fn what_is_asked_for_needs_less_to_be_believed_and_no_less_to_be_told_from_its_opposite() {
        let found = |prior, opposite: f32| {
            let mut allowed = closed_or_open(PhraseClass::Critical);
            allowed.iter_mut().for_each(|phrase| phrase.prior = prior);
            judge(&allowed, &ranking(&[(-5.0, 8.0), (-6.0, 7.0), (-12.0, opposite)], "Wall clothed.", -1.0))
        };
        let (allowed, asked) = (found(Prior::Allowed, 1.0), found(Prior::Asked, 1.0));
        assert_eq!(allowed.log_odds, asked.log_odds);
        assert_eq!((allowed.accepted, asked.accepted), (Some(Certainty::Doubtful), Some(Certainty::Sure)));
        assert_eq!(found(Prior::Asked, 6.5).accepted, None);
    }

    #[test]
    fn an_answer_that_hardly_stands_out_of_the_background_is_asked_about_whatever_its_odds() {
        let found = |score: f32| {
            let scores = [(-1.0, score), (-2.0, score - 0.1), (-9.0, score - 7.5)];
            judge(&closed_or_open(PhraseClass::Ordinary), &ranking(&scores, "Valve closed.", -1.0))
        };
        let (faint, clear) = (found(LEAST_SCORE - 0.1), found(LEAST_SCORE));
        assert!(
            faint.log_odds >= LimitsTable::shipped().of(PhraseClass::Ordinary, 2).thin.log_odds,
            "{}",
            faint.log_odds
        );
        assert_eq!(faint.accepted, Some(Certainty::Doubtful));
        assert!(clear.is_understood());
    }

    #[test]
    fn one_word_that_hardly_stands_out_of_the_background_is_refused_unless_it_is_an_emergency() {
        let found = |class, score: f32| {
            let allowed = [phrase("okay", class, 1), phrase("no", class, 2)];
            judge(&allowed, &ranking(&[(-0.1, score), (-9.0, score - 8.0)], "Okay.", -0.1)).accepted
        };
        for class in [PhraseClass::Chat, PhraseClass::Ordinary] {
            assert_eq!(found(class, LEAST_SCORE_OF_ONE_WORD - 0.1), None, "{class:?}");
            assert!(found(class, LEAST_SCORE_OF_ONE_WORD).is_some(), "{class:?}");
        }
        assert!(found(PhraseClass::Emergency, LEAST_SCORE_OF_ONE_WORD - 0.1).is_some());
    }

    #[test]
    fn a_phrase_inside_a_sentence_is_no_phrase() {
        let sentence = "I think that the valve closed by itself before we left.";
        for class in CLASSES {
            let found =
                judge(&closed_or_open(class), &ranking(&[(-14.0, 6.0), (-20.0, 1.0), (-20.0, 0.0)], sentence, -4.0));
            assert_eq!(found.accepted, None, "{class:?}");
        }
    }

    #[test]
    fn a_phrase_with_other_words_around_it_says_something_else() {
        for (text, more) in [
            ("Stand by the gate.", true),
            ("Let's stand by.", true),
            ("Stand over by the gate.", true),
            ("By the stand.", false),
            ("Stand by.", false),
            ("Stand-by!", false),
            ("Standby", false),
            ("And buy.", false),
        ] {
            assert_eq!(says_more(text, "stand by"), more, "{text}");
        }
    }

    #[test]
    fn an_emergency_is_still_one_when_the_free_decode_repeats_it_without_end() {
        let allowed = [phrase("stop", PhraseClass::Emergency, 1), phrase("valve open", PhraseClass::Ordinary, 2)];
        let mut endless = ranking(&[(-1.0, 8.0), (-9.0, 0.0)], "Stop. Stop. Stop.", -1.0);
        endless.free.complete = false;
        assert!(judge(&allowed, &endless).accepted.is_some());
        endless.free.text = "Stop. Stop it. Stop it.".to_owned();
        assert_eq!(judge(&allowed, &endless).accepted, None);
        assert!(only_says("Say again. Say", "say again") && !only_says("Again.", "say again"));
    }

    #[test]
    fn a_phrase_of_two_words_that_the_free_decode_repeats_is_still_one_and_a_word_is_not() {
        let allowed = [phrase("stand by", PhraseClass::Chat, 1), phrase("no", PhraseClass::Ordinary, 2)];
        let mut endless = ranking(&[(-1.0, 12.0), (-9.0, 0.0)], "Stand by. Stand by. Stand", -1.0);
        endless.free.complete = false;
        assert!(judge(&allowed, &endless).accepted.is_some());
        endless.free.text = "Stand by the gate. Stand by".to_owned();
        assert_eq!(judge(&allowed, &endless).accepted, None);
        let twice = ranking(&[(-9.0, 0.0), (-1.0, 12.0)], "No, no.", -1.0);
        assert_eq!(judge(&allowed, &twice).accepted, None);
    }

    #[test]
    fn a_free_decode_that_never_ended_accepts_nothing() {
        let mut endless = ranking(&[(-1.0, 12.0), (-5.0, 8.0), (-9.0, 2.0)], "Valve closed.", -1.0);
        endless.free.complete = false;
        assert_eq!(judge(&closed_or_open(PhraseClass::Ordinary), &endless).accepted, None);
    }

    #[test]
    fn without_any_score_there_is_no_best_phrase() {
        let lost = (f32::NEG_INFINITY, f32::NEG_INFINITY);
        assert!(Candidate::of(&closed_or_open(PhraseClass::Ordinary), &ranking(&[lost; 3], "", -1.0)).is_none());
    }
}
