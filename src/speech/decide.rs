//! Whether the best phrase is good enough, by the chance that it was really said and by what hangs on it.
//!
//! A missed phrase costs a "say again", a wrong one may flood a floor: where the figures are poor, nothing is accepted.

use crate::engine::input::Certainty;
use crate::engine::output::{AllowedPhrase, PhraseClass};
use crate::speech::calibration::Calibration;
use crate::speech::evidence::Evidence;
use crate::speech::own_examples::OwnExamples;
use crate::speech::score::{PhraseScore, Prepared, Ranking, ScoreError, Scorer};

/// What was made of an utterance.
#[derive(Clone, Debug, PartialEq)]
pub struct Verdict {
    /// Place of the best phrase in the set; `None` when nothing could be scored.
    pub best: Option<usize>,
    /// Corrected score of the best phrase, in nats.
    pub score: f32,
    /// Distance to the best phrase of another group, in nats; 0 and up.
    pub margin: f32,
    /// Natural logarithm of the odds that the best phrase was said; minus infinity where it was not worth weighing. What the
    /// examples of the people who may be speaking say to it is in it.
    pub log_odds: f32,
    /// What the odds come from, where it was worth weighing.
    pub evidence: Option<Evidence>,
    /// `None` when the phrase is not to be acted on.
    pub accepted: Option<Certainty>,
}

impl Verdict {
    /// Whether the phrase counts; one that is only doubtful is to be asked about first.
    pub fn is_understood(&self) -> bool {
        self.accepted.is_some_and(|certainty| certainty != Certainty::Doubtful)
    }
}

/// What it takes to act on a phrase, or to ask about it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limits {
    /// Least natural logarithm of the odds that the phrase was said.
    pub log_odds: f32,
    /// Least distance to another meaning, in nats. The model's 8-bit sums alone move scores by 1.8, so never below 2.
    pub margin: f32,
    /// Least corrected score, in nats; minus infinity where the odds say enough.
    pub score: f32,
}

/// An utterance, and by what it is judged.
#[derive(Clone, Copy)]
pub struct Case<'a> {
    /// 16 kHz mono, with 200 to 300 ms of real sound before and after the words.
    pub samples: &'a [f32],
    /// How long speech went on in it, in seconds.
    pub speech_s: f32,
    pub phrases: &'a [AllowedPhrase],
    /// Made of the phrases, in the same order.
    pub prepared: &'a Prepared,
    pub calibration: &'a Calibration,
    /// The examples of the people who may be speaking, where they have given any.
    pub own: &'a OwnExamples,
}

/// How much time is taken over an utterance that is not understood.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Care {
    /// None: it may not have ended yet, and will be judged again.
    Quick,
    /// As much again: this is the last time that it is judged.
    Thorough,
}

/// Scores an utterance and judges what comes of it: the whole way to a verdict. With [`Care::Thorough`], what is nothing so far is scored
/// again with more of the phrases followed: in noise the right one often begins badly. Of 39 clips that were to be asked about
/// one came to more so, and wrongly.
///
/// # Errors
/// Fewer samples than the model takes, or the runtime fails.
pub fn recognise(scorer: &mut Scorer, case: Case, care: Care) -> Result<(Ranking, Verdict), ScoreError> {
    let heard = scorer.listen(case.samples)?;
    let ranking = scorer.rank(&heard, case.prepared)?;
    let verdict = judge(scorer, case, &ranking)?;
    // A decode that went on past every phrase is talk, and would be refused again.
    if care == Care::Quick || verdict.accepted.is_some() || !ranking.free.complete {
        return Ok((ranking, verdict));
    }
    let Some(ranking) = scorer.rank_again(&heard, case.prepared)? else { return Ok((ranking, verdict)) };
    let verdict = judge(scorer, case, &ranking)?;
    Ok((ranking, verdict))
}

fn judge(scorer: &mut Scorer, case: Case, ranking: &Ranking) -> Result<Verdict, ScoreError> {
    let Some(candidate) = Candidate::of(case.phrases, ranking) else {
        return Ok(Verdict {
            best: None,
            score: f32::NEG_INFINITY,
            margin: 0.0,
            log_odds: f32::NEG_INFINITY,
            evidence: None,
            accepted: None,
        });
    };
    if !candidate.worth_weighing(case.phrases, ranking) {
        return Ok(candidate.refused());
    }
    let free_corrected = scorer.corrected_free(&ranking.free)?;
    let sooner = candidate.like_own(scorer, case.samples, case.phrases, case.own)?;
    Ok(candidate.judge(case.phrases, ranking, free_corrected, case.speech_s, case.calibration, sooner))
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

    /// False where no odds could make up for what is wrong already.
    fn worth_weighing(&self, phrases: &[AllowedPhrase], ranking: &Ranking) -> bool {
        let phrase = &phrases[self.best];
        // The model goes round in circles after a short phrase in noise: "Stop. Stop. Stop." But whoever says "no, no" talks to somebody else.
        let emergency = phrase.class == PhraseClass::Emergency;
        let only = (emergency && only_says(&ranking.free.text, &phrase.text))
            || (phrase.text.contains(' ') && goes_round(&ranking.free.text, &phrase.text));
        let inside_a_sentence = !emergency && !only && says_more(&ranking.free.text, &phrase.text);
        let complete = ranking.free.complete || only;
        complete && !inside_a_sentence && self.margin >= thin_limits(phrase.class, 2).margin
    }

    fn refused(&self) -> Verdict {
        Verdict {
            best: Some(self.best),
            score: self.score,
            margin: self.margin,
            log_odds: f32::NEG_INFINITY,
            evidence: None,
            accepted: None,
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
        free_corrected: f32,
        speech_s: f32,
        calibration: &Calibration,
        sooner: f32,
    ) -> Verdict {
        let phrase = &phrases[self.best];
        let evidence =
            Evidence::of(&phrase.text, self.score, self.over_free, self.margin, ranking, free_corrected, speech_s);
        let log_odds = calibration.log_odds(&evidence) + sooner;
        let meets =
            |limits: Limits| log_odds >= limits.log_odds && self.margin >= limits.margin && self.score >= limits.score;
        let accepted = if meets(sure_limits(phrase.class, evidence.words)) {
            Some(Certainty::Sure)
        } else if meets(thin_limits(phrase.class, evidence.words)) {
            Some(Certainty::Thin)
        } else if ask_limits(phrase.class, evidence.words).is_some_and(meets) {
            Some(Certainty::Doubtful)
        } else {
            None
        };
        Verdict { log_odds, evidence: Some(evidence), accepted, ..self.refused() }
    }
}

/// What it takes to act on a phrase of `class` with `words` words.
///
/// Chosen on talk through the whole ear, where nothing that was refused came to more than 0.9 in 6.0 hours (2,193 utterances; what came nearest
/// had the phrase's own words in it), and on 360 clips of one phrase of 60 in quiet and in noise of 5 and 10 dB, where the danger is another
/// phrase: a critical one was never taken for sure from 4.5 on. Opposites that differ in "on" and "off" alone come up to 4.5 apart in noise, so
/// what matters wants a margin of 5.
pub fn sure_limits(class: PhraseClass, words: usize) -> Limits {
    let (log_odds, margin) = match (class, words < 2) {
        // However clearly it is said, a lone "yes" comes to 2 or 3: there is little of it.
        (PhraseClass::Chat | PhraseClass::Ordinary, true) => (1.2, 4.0),
        // A command that was not given is said back, and costs a sentence.
        (PhraseClass::Chat, false) => (2.0, 3.0),
        (PhraseClass::Ordinary, false) => (3.0, 3.0),
        (PhraseClass::Critical, true) => (3.5, 5.0),
        (PhraseClass::Critical, false) => (4.5, 5.0),
        (PhraseClass::Emergency, true) => (1.0, 2.0),
        (PhraseClass::Emergency, false) => (3.0, 2.0),
    };
    Limits { log_odds, margin, score: least_score(class, words) }
}

/// What it takes to take a phrase of `class` with `words` words for heard, though not surely.
pub fn thin_limits(class: PhraseClass, words: usize) -> Limits {
    let (log_odds, margin) = match (class, words < 2) {
        (PhraseClass::Chat | PhraseClass::Ordinary, true) => (0.8, 2.0),
        (PhraseClass::Chat, false) => (2.0, 2.0),
        (PhraseClass::Ordinary, false) => (2.0, 2.0),
        (PhraseClass::Critical, true) => (3.0, 3.0),
        (PhraseClass::Critical, false) => (3.5, 3.0),
        (PhraseClass::Emergency, true) => (0.0, 2.0),
        (PhraseClass::Emergency, false) => (1.5, 2.0),
    };
    Limits { log_odds, margin, score: least_score(class, words) }
}

/// What hardly stands out of the background is easily something else, whatever its odds. What can hurt has odds enough.
fn least_score(class: PhraseClass, words: usize) -> f32 {
    match class {
        PhraseClass::Chat | PhraseClass::Ordinary if words < 2 => LEAST_SCORE_OF_ONE_WORD,
        PhraseClass::Chat | PhraseClass::Ordinary => LEAST_SCORE,
        PhraseClass::Critical | PhraseClass::Emergency => f32::NEG_INFINITY,
    }
}

/// What it takes to ask about a phrase that would otherwise count for nothing: about as likely as not, and then somebody is waiting to
/// be heard. `None` where asking would cost more than a "say again": for one word, for what is no answer, for an emergency.
pub fn ask_limits(class: PhraseClass, words: usize) -> Option<Limits> {
    let asks = words >= 2 && matches!(class, PhraseClass::Ordinary | PhraseClass::Critical);
    asks.then_some(Limits { log_odds: 0.0, margin: 2.0, score: f32::NEG_INFINITY })
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

/// In lower case, without marks.
fn plain_words(text: &str) -> Vec<String> {
    let letters =
        |word: &str| word.chars().filter(|letter| letter.is_alphanumeric()).collect::<String>().to_lowercase();
    text.split([' ', '-']).map(letters).filter(|word| !word.is_empty()).collect()
}

fn by_score(a: &PhraseScore, b: &PhraseScore) -> std::cmp::Ordering {
    a.corrected.total_cmp(&b.corrected)
}

pub(crate) const WIDEST_MARGIN: f32 = 8.0;
/// In 43 h of talk two phrases of two words came to log odds of 2 and more that had not been said ("not straight" out of a saying, "how long" for
/// "hello"), with scores of 3.0 and 4.2; of 443 answers and commands from single clips that were right, 421 have more than this.
const LEAST_SCORE: f32 = 4.5;
/// In 6 h of talk one word was taken that had not been said ("okay" for the end of a sentence), with a score of 1.6; of 190 single words that
/// were right 183 have more than this.
const LEAST_SCORE_OF_ONE_WORD: f32 = 3.0;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::speech::score::FreeDecode;

    const CLASSES: [PhraseClass; 4] =
        [PhraseClass::Chat, PhraseClass::Ordinary, PhraseClass::Critical, PhraseClass::Emergency];

    fn phrase(text: &str, class: PhraseClass, group: u32) -> AllowedPhrase {
        AllowedPhrase { text: text.to_owned(), class, group, while_speaking: false }
    }

    /// Judged with a free decode of score 12 and speech as long as the free decode takes to say.
    fn judge(phrases: &[AllowedPhrase], ranking: &Ranking) -> Verdict {
        let speech_s = 0.45 * ranking.free.text.split_whitespace().count() as f32;
        match Candidate::of(phrases, ranking) {
            Some(candidate) if candidate.worth_weighing(phrases, ranking) => {
                candidate.judge(phrases, ranking, 12.0, speech_s, &Calibration::shipped(), 0.0)
            }
            Some(candidate) => candidate.refused(),
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
    fn an_answer_that_hardly_stands_out_of_the_background_is_asked_about_whatever_its_odds() {
        let found = |score: f32| {
            let scores = [(-1.0, score), (-2.0, score - 0.1), (-9.0, score - 7.5)];
            judge(&closed_or_open(PhraseClass::Ordinary), &ranking(&scores, "Valve closed.", -1.0))
        };
        let (faint, clear) = (found(LEAST_SCORE - 0.1), found(LEAST_SCORE));
        assert!(faint.log_odds >= thin_limits(PhraseClass::Ordinary, 2).log_odds, "{}", faint.log_odds);
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

    #[test]
    fn limits_are_never_looser_for_what_matters_more() {
        for words in [1, 2, 3] {
            let (ordinary, critical) =
                (sure_limits(PhraseClass::Ordinary, words), sure_limits(PhraseClass::Critical, words));
            assert!(critical.log_odds >= ordinary.log_odds && critical.margin >= ordinary.margin);
            for class in CLASSES {
                let (sure, thin) = (sure_limits(class, words), thin_limits(class, words));
                assert!(sure.log_odds >= thin.log_odds && sure.margin >= thin.margin, "{class:?}");
                assert!(thin.margin >= 2.0 && thin.log_odds >= 0.0, "{class:?}");
            }
        }
    }
}
