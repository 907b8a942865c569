//! The ear: microphone frames in, events out. No device, clock or thread; the same frames give the same events.
//!
//! Frame -> echo canceller -> voice activity -> utterance with the sound around it -> scores -> verdict.

use std::collections::VecDeque;
use std::path::Path;
use std::rc::Rc;

use ort::environment::Environment;

use crate::audio::FRAME_LEN;
use crate::audio::SAMPLE_RATE;
use crate::engine::input::{Certainty, PhraseHeard};
use crate::engine::output::{AllowedPhrase, ListeningSet, PhraseClass};
use crate::hear::activity::{Activity, ActivityError, Edge, Segmenter, SegmenterSettings, WINDOW_LEN};
use crate::hear::echo::{Cancelled, Echo};
use crate::hear::late_echo::LateEcho;
use crate::hear::level::{Level, Levels};
use crate::hear::note::{LONG_PIECE_LEN, NoteTaking, SHORT_PAUSE_WINDOWS, SpokenNote};
use crate::hear::utterance::{Allowed, CONTEXT_WINDOWS, Utterance};
use crate::onnx::{RuntimeError, environment};
use crate::speech::acoustic::SHORTEST;
use crate::speech::decide::{Care, Verdict};
use crate::speech::recogniser::{PhraseScoring, Recogniser, RecogniserError};
use crate::speech::score::{Ranking, ScoreSettings};

/// Listens for the phrases of a set.
pub struct Listener {
    activity: Activity,
    segmenter: Segmenter,
    recogniser: Box<dyn Recogniser>,
    echo: Option<Echo>,
    late_echo: LateEcho,
    /// The echo canceller knows the room, or has nothing to do.
    settled: bool,
    allowed: Option<Rc<Allowed>>,
    /// The newest samples, for the beginning of an utterance.
    recent: VecDeque<f32>,
    /// Frames since the program's own voice was last played; grows from the end of it.
    since_own_voice: usize,
    /// The program's own voice has ended, and what it asks for may come any time.
    has_asked: bool,
    utterance: Option<Utterance>,
    /// What is said is kept as a note.
    note: Option<NoteTaking>,
    /// What the last utterance came nearest to without being accepted, and how many frames ago.
    nearly: Option<(String, usize)>,
    levels: Levels,
}

/// How the listener works.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct ListenerSettings {
    pub scores: ScoreSettings,
    pub segments: SegmenterSettings,
}

/// What came of the sound.
#[derive(Clone, Debug, PartialEq)]
pub enum HearEvent {
    /// Somebody, or something like it, began to speak: the program should stop talking.
    SpeechStarted,
    /// A phrase of the set was recognised.
    Heard(PhraseHeard),
    /// Somebody spoke, and nothing that may be said now fits well enough.
    Unclear(Unclear),
    /// Speech went on for longer than an answer; it is left alone until it ends.
    TalkedOn,
    /// A note that was asked for with [`Listener::take_note`] has been said.
    Noted(SpokenNote),
}

/// Speech that was not accepted, for the screen and the log.
#[derive(Clone, Debug, PartialEq)]
pub struct Unclear {
    /// The phrase that came nearest.
    pub best: Option<String>,
    pub score: f32,
    pub margin: f32,
    /// Natural logarithm of the odds that it was said; minus infinity where it was not worth weighing.
    pub log_odds: f32,
    /// What the model would have written; a hint for people, never a command.
    pub free_text: String,
}

impl Listener {
    /// A listener with the models in `models` (the folder that `sparehand fetch` fills). It hears nothing before
    /// [`Listener::allow`].
    ///
    /// # Errors
    /// A file is missing or is not what it should be; the message says what to do.
    pub fn new(models: &Path, settings: ListenerSettings) -> Result<Self, ListenError> {
        let environment = environment(models)?;
        Self::with_environment(&environment, models, settings)
    }

    /// The same in an environment that is loaded already.
    ///
    /// # Errors
    /// As [`Listener::new`].
    pub fn with_environment(
        environment: &Environment,
        models: &Path,
        settings: ListenerSettings,
    ) -> Result<Self, ListenError> {
        let recogniser = PhraseScoring::load(environment, models, settings.scores)?;
        Self::with_recogniser(environment, models, settings.segments, Box::new(recogniser))
    }

    /// The same with another recognition engine; of `models` it takes what tells speech from quiet.
    ///
    /// # Errors
    /// As [`Listener::new`].
    pub fn with_recogniser(
        environment: &Environment,
        models: &Path,
        segments: SegmenterSettings,
        recogniser: Box<dyn Recogniser>,
    ) -> Result<Self, ListenError> {
        Ok(Self {
            activity: Activity::load(environment, &models.join("silero-vad/silero_vad.onnx"))?,
            segmenter: Segmenter::new(segments),
            recogniser,
            echo: None,
            late_echo: LateEcho::new(),
            settled: true,
            allowed: None,
            recent: VecDeque::with_capacity(PRE_ROLL_LEN + FRAME_LEN),
            since_own_voice: usize::MAX,
            has_asked: false,
            utterance: None,
            note: None,
            nearly: None,
            levels: Levels::new(),
        })
    }

    /// From now on only the phrases of `set` may be heard. Speech that has begun already is still judged by the set before.
    ///
    /// # Errors
    /// The recogniser cannot hear one of the phrases, or fails; the set before stays in force.
    pub fn allow(&mut self, set: &ListeningSet) -> Result<(), ListenError> {
        let texts: Vec<&str> = set.phrases.iter().map(|phrase| phrase.text.as_str()).collect();
        let ready = self.recogniser.prepare(&texts)?;
        self.recogniser.warm(&ready)?;
        self.allowed = Some(Rc::new(Allowed { id: set.id, phrases: set.phrases.clone(), ready }));
        Ok(())
    }

    /// The next thing that is said, short or long, is kept as a note, unless it is a phrase that may be said; comes back as
    /// [`HearEvent::Noted`].
    pub fn take_note(&mut self) {
        self.note = Some(NoteTaking::default());
    }

    /// No note is waited for any more; one that has begun is heard out.
    pub fn drop_note(&mut self) {
        self.note.take_if(|note| !note.has_begun());
    }

    /// The loudspeaker or the microphone was opened anew: how what is played comes back has to be learned again.
    pub fn forget_room(&mut self) {
        self.echo = None;
    }

    /// What is played is given sooner or later than it was: its echo has to be found again.
    pub fn echo_moved(&mut self) {
        if let Some(echo) = &mut self.echo {
            echo.moved();
        }
    }

    /// Takes the next 10 ms: the microphone's frame, the frame played meanwhile if any (for the echo canceller), and whether
    /// the program is speaking. It is also taken to speak where what was played is not silence: a frame that comes late, by an ear that was
    /// held up, may be of a sentence that has ended since.
    ///
    /// # Errors
    /// A model fails. The frame is lost; the listener may be used further.
    pub fn push_frame(
        &mut self,
        mic: &[f32; FRAME_LEN],
        reference: Option<&[f32; FRAME_LEN]>,
        speaking: bool,
    ) -> Result<Option<HearEvent>, ListenError> {
        self.levels.take_own_voice(mic, reference);
        let cancelled = match reference {
            Some(reference) => {
                self.late_echo.played(reference);
                self.echo.get_or_insert_with(Echo::new).cancel(mic, reference)
            }
            None => Cancelled::nothing_played(mic),
        };
        let frame = &cancelled.sound;
        self.settled = cancelled.settled;
        let speaking = speaking || reference.is_some_and(|played| played.iter().any(|sample| sample.abs() >= SILENCE));
        self.since_own_voice = if speaking { 0 } else { self.since_own_voice.saturating_add(1) };
        self.has_asked |= self.since_own_voice == 1;
        let own_voice = self.since_own_voice <= OWN_VOICE_TAIL_FRAMES;
        if let Some((_, frames)) = &mut self.nearly {
            *frames += 1;
        }
        self.keep(frame, mic, own_voice);
        if let Some(utterance) = self.utterance.as_mut().filter(|utterance| !utterance.given_up) {
            utterance.samples.extend_from_slice(frame);
        }
        if let Some(note) = &mut self.note {
            note.push(frame);
        }
        let Some(mut probability) = self.activity.push(&cancelled.watched)? else { return Ok(None) };
        if own_voice {
            let others = cancelled.settled && self.levels.stands_out(&self.recent);
            probability = believed_over_own(probability, cancelled.left, self.utterance.is_some(), others);
        }
        let edge = self.segmenter.push(probability);
        if edge.is_none()
            && let Some(note) = self.note.take_if(|note| note.is_over(self.utterance.is_some()))
        {
            // Speech that goes on after a minute is none of the note's, and no answer.
            if let Some(utterance) = &mut self.utterance {
                utterance.given_up = true;
            }
            if let Some(note) = note.finish() {
                return Ok(Some(HearEvent::Noted(note)));
            }
        }
        match edge {
            Some(Edge::Began) => {
                let mut samples = Vec::with_capacity(4 * SAMPLE_RATE);
                let pre_roll = if own_voice { OWN_VOICE_PRE_ROLL_LEN } else { PRE_ROLL_LEN };
                samples.extend(self.recent.range(self.recent.len().saturating_sub(pre_roll)..));
                if let Some(note) = self.note.as_mut().filter(|note| !note.has_begun()) {
                    note.begin(self.recent.iter().copied());
                }
                self.utterance = Some(Utterance {
                    samples,
                    allowed: self.allowed.clone(),
                    given_up: false,
                    speech_windows: 1,
                    own_windows: usize::from(own_voice),
                    unsettled: own_voice && !self.settled,
                    early: None,
                    judged_after: 0,
                    comes_late: None,
                    sure_of: None,
                    certain: false,
                    rouse_at: 0,
                });
                // Until the canceller knows the room it may well be the program itself.
                Ok((self.settled || !own_voice).then_some(HearEvent::SpeechStarted))
            }
            Some(Edge::TooLong) if self.note.is_some() => self.end_piece(self.segmenter.quiet()),
            Some(Edge::TooLong) => {
                if let Some(utterance) = &mut self.utterance {
                    utterance.given_up = true;
                    utterance.samples = Vec::new();
                }
                Ok(Some(HearEvent::TalkedOn))
            }
            Some(Edge::Ended { quiet }) => match self.utterance.take() {
                Some(utterance) if !utterance.given_up => self.close(utterance, quiet),
                _ => Ok(None),
            },
            None => {
                if let Some(utterance) = &mut self.utterance {
                    let speech = self.segmenter.quiet() == 0;
                    utterance.speech_windows += usize::from(speech);
                    utterance.own_windows += usize::from(speech && own_voice);
                    utterance.unsettled |= own_voice && !self.settled;
                    if speech {
                        utterance.goes_on();
                    }
                }
                if self.is_long_piece() {
                    return self.end_piece(self.segmenter.quiet());
                }
                if let Some(heard) = self.judge_early()? {
                    return Ok(Some(heard));
                }
                Ok(None)
            }
        }
    }

    /// Has the recogniser work for nothing, if it is time to, so that it is awake when it matters: after seconds of quiet its models have left
    /// the processor's caches, and the first scoring takes several times as long as the next. To be called where there is nothing else to do:
    /// sound that waits is more urgent. It is time when the program has asked for something, as somebody begins to speak, and now and then
    /// while they do. Hears nothing, and changes nothing that is heard.
    ///
    /// # Errors
    /// The recogniser fails; the listener may be used further.
    pub fn rouse(&mut self) -> Result<(), ListenError> {
        let quiet = self.segmenter.quiet();
        let due = self.utterance.as_mut().map_or(self.has_asked, |utterance| utterance.take_rouse(quiet));
        if !due || self.recent.len() < SHORTEST {
            return Ok(());
        }
        self.has_asked = false;
        Ok(self.recogniser.rouse(self.recent.make_contiguous())?)
    }

    /// How loud it is.
    pub fn level(&self) -> Level {
        self.levels.level()
    }

    /// Scores while the quiet that may be the end goes on, so that the answer is ready when it is sure to be the end; and ends
    /// at once where nothing that matters hangs on a phrase that is sure and cannot go on.
    fn judge_early(&mut self) -> Result<Option<HearEvent>, ListenError> {
        let quiet = self.segmenter.quiet();
        if quiet == 0 {
            return Ok(None);
        }
        let Some(mut utterance) = self.utterance.take() else { return Ok(None) };
        if utterance.is_due(quiet) {
            let found = self.recognise(&utterance, quiet)?;
            utterance.judged(found, quiet);
            // While it may go on nobody waits yet.
            utterance.comes_late.get_or_insert_with(|| self.late_echo.is_in(&utterance.samples));
        }
        let ends = utterance.may_end(quiet);
        self.utterance = Some(utterance);
        if !ends {
            return Ok(None);
        }
        self.segmenter.finish();
        match self.utterance.take() {
            Some(utterance) => self.close(utterance, quiet),
            None => Ok(None),
        }
    }

    /// Judges an utterance that has ended. What is no phrase becomes a piece of the note, if one is being taken.
    fn close(&mut self, utterance: Utterance, quiet: usize) -> Result<Option<HearEvent>, ListenError> {
        let len = utterance.samples.len();
        let samples = if self.note.is_some() { utterance.samples.clone() } else { Vec::new() };
        // Over the program's own voice by somebody else, as far as can be told.
        let by_another = utterance.over_own_voice() && !utterance.unsettled;
        let event = self.judge_utterance(utterance, quiet)?;
        let Some(note) = &mut self.note else { return Ok(event) };
        match event {
            Some(HearEvent::Unclear(_)) => note.add(&self.recogniser.write_down(&samples)?),
            None if by_another => note.add(&self.recogniser.write_down(&samples)?),
            None => note.was_own_voice(),
            Some(answer) => {
                note.break_off(len);
                return Ok(Some(answer));
            }
        }
        Ok(None)
    }

    /// A note is said in long sentences; they are read in pieces, cut at short pauses.
    fn is_long_piece(&self) -> bool {
        let long = |utterance: &Utterance| utterance.samples.len() >= LONG_PIECE_LEN;
        self.note.is_some()
            && self.segmenter.quiet() >= SHORT_PAUSE_WINDOWS
            && self.utterance.as_ref().is_some_and(long)
    }

    fn end_piece(&mut self, quiet: usize) -> Result<Option<HearEvent>, ListenError> {
        self.segmenter.finish();
        match self.utterance.take() {
            Some(utterance) => self.close(utterance, quiet),
            None => Ok(None),
        }
    }

    /// `None` when nothing was allowed as the utterance began. `quiet` windows came after its last speech.
    fn recognise(&mut self, utterance: &Utterance, quiet: usize) -> Result<Option<(Ranking, Verdict)>, ListenError> {
        let Some(allowed) = &utterance.allowed else { return Ok(None) };
        // Of the quiet that showed the end, keep what the model likes to have after a word.
        let surplus = (quiet * WINDOW_LEN).saturating_sub(CONTEXT_LEN);
        let samples = &utterance.samples[..utterance.samples.len().saturating_sub(surplus)];
        let late_s = if utterance.over_own_voice() { NOTICED_LATE_S } else { 0.0 };
        let speech_s = (utterance.speech_windows * WINDOW_LEN) as f32 / SAMPLE_RATE as f32 + late_s;
        let care = if quiet < CONTEXT_WINDOWS { Care::Quick } else { Care::Thorough };
        let (ranking, mut verdict) =
            self.recogniser.recognise(samples, &allowed.ready, &allowed.phrases, speech_s, care)?;
        if verdict.accepted.is_none()
            && utterance.over_own_voice()
            && verdict.best.is_some_and(|best| interrupts(&allowed.phrases[best], &verdict))
        {
            verdict.accepted = Some(Certainty::Thin);
        }
        Ok(Some((ranking, verdict)))
    }

    /// `None` where it may have been the program's own voice, and is nothing that may be said over it: what is left of an echo is not
    /// to be asked about. Nor is what comes back seconds later; but a person's "stop" is never lost for it.
    fn judge_utterance(&mut self, mut utterance: Utterance, quiet: usize) -> Result<Option<HearEvent>, ListenError> {
        let found = match utterance.take_final() {
            Some(found) => Some(found),
            None => self.recognise(&utterance, quiet)?,
        };
        let over_own_voice = utterance.over_own_voice();
        let (Some(allowed), Some((ranking, verdict))) = (utterance.allowed.clone(), found) else {
            let nothing = Unclear {
                best: None,
                score: f32::NEG_INFINITY,
                margin: 0.0,
                log_odds: f32::NEG_INFINITY,
                free_text: String::new(),
            };
            return Ok((!over_own_voice).then_some(HearEvent::Unclear(nothing)));
        };
        let best = verdict.best.map(|index| (index, &allowed.phrases[index]));
        tracing::debug!(
            best = best.map(|(_, phrase)| phrase.text.as_str()),
            score = verdict.score,
            margin = verdict.margin,
            log_odds = verdict.log_odds,
            accepted = ?verdict.accepted,
            freely = ranking.free.text,
            quiet,
            over_own_voice,
            "judged"
        );
        let urgent =
            best.is_some_and(|(_, phrase)| phrase.class == PhraseClass::Emergency) && verdict.accepted.is_some();
        if !urgent && utterance.comes_late.unwrap_or_else(|| self.late_echo.is_in(&utterance.samples)) {
            tracing::debug!("its own voice, come back late");
            return Ok(None);
        }
        let said_before = self.nearly.take_if(|(_, frames)| *frames <= SAID_BEFORE_FRAMES);
        let mut accepted = verdict.accepted;
        if accepted.is_none()
            && let Some((_, phrase)) = best
            && !over_own_voice
            && counts_twice(phrase, &verdict)
        {
            if said_before.is_some_and(|(text, _)| text == phrase.text) {
                accepted = Some(Certainty::Doubtful);
            } else {
                self.nearly = Some((phrase.text.clone(), 0));
            }
        }
        if let (Some((index, phrase)), Some(certainty)) = (best, accepted)
            && let Some(certainty) = utterance.counts_as(phrase, certainty, verdict.margin)
        {
            return Ok(Some(HearEvent::Heard(PhraseHeard {
                set: allowed.id,
                index,
                text: phrase.text.clone(),
                score: verdict.score,
                margin: verdict.margin,
                certainty,
                over_speech: over_own_voice,
            })));
        }
        let unclear = Unclear {
            best: best.map(|(_, phrase)| phrase.text.clone()),
            score: verdict.score,
            margin: verdict.margin,
            log_odds: verdict.log_odds,
            free_text: ranking.free.text,
        };
        Ok((!over_own_voice).then_some(HearEvent::Unclear(unclear)))
    }

    fn keep(&mut self, frame: &[f32; FRAME_LEN], mic: &[f32; FRAME_LEN], own_voice: bool) {
        self.recent.extend(frame);
        let surplus = self.recent.len().saturating_sub(PRE_ROLL_LEN);
        self.recent.drain(..surplus);
        self.levels.take_now(&self.recent);
        // The first quiet windows after a word hold its echo in the room; the model also reacts late.
        if self.utterance.is_none() && !own_voice && self.segmenter.quiet() > SETTLE_WINDOWS {
            self.levels.take_quiet(mic);
        }
    }
}

/// What to believe of the speech detector's `probability` while the program's own voice is in the air. `left` is what is left of its echo
/// ([`Cancelled::left`]), `goes_on` says that somebody speaks already, `others` that what sounds is neither an echo that is not known yet nor
/// noise that goes on all the time.
fn believed_over_own(probability: f32, left: f32, goes_on: bool, others: bool) -> f32 {
    let least = if goes_on { GOES_ON_OVER_OWN } else { BEGINS_OVER_OWN };
    match left {
        left if left < least => 0.0,
        left if left >= CLEARLY_OTHERS && others => (probability * SOONER_OVER_OWN).min(1.0),
        _ => probability,
    }
}

/// Whether an utterance over the program's own voice that was not accepted comes near enough to an emergency of one word: that voice makes
/// whatever is said over it less clear, and to be quiet for nothing costs a "go ahead". Those of several words begin a card, and have to fit.
fn interrupts(phrase: &AllowedPhrase, verdict: &Verdict) -> bool {
    phrase.class == PhraseClass::Emergency
        && !phrase.text.contains(' ')
        && verdict.score >= INTERRUPTS_SCORE
        && verdict.margin >= INTERRUPTS_MARGIN
        && verdict.log_odds >= INTERRUPTS_LOG_ODDS
}

/// Whether an utterance that was not accepted comes near enough to a phrase for two of them in a row to be asked about: who is not
/// understood says it again, and talk does not come near the same phrase twice. One word is too little for that.
fn counts_twice(phrase: &AllowedPhrase, verdict: &Verdict) -> bool {
    phrase.text.contains(' ') && verdict.score >= TWICE_SCORE && verdict.margin >= TWICE_MARGIN
}

/// Why the listener could not go on.
#[derive(Debug, thiserror::Error)]
pub enum ListenError {
    #[error(transparent)]
    Runtime(#[from] RuntimeError),
    #[error(transparent)]
    Activity(#[from] ActivityError),
    #[error(transparent)]
    Recogniser(#[from] RecogniserError),
}

/// In nats.
const TWICE_SCORE: f32 = 2.0;
const TWICE_MARGIN: f32 = 4.5;
/// Of 17 times that "stop" was not heard over the program's own voice 7 come to this; log odds of -1 and more.
const INTERRUPTS_SCORE: f32 = 1.5;
const INTERRUPTS_MARGIN: f32 = 2.0;
const INTERRUPTS_LOG_ODDS: f32 = -1.2;
/// 20 s.
const SAID_BEFORE_FRAMES: usize = 2_000;
/// The model notices speech up to 480 ms late (in noise), and the word needs sound before it.
const PRE_ROLL_LEN: usize = SAMPLE_RATE / 2 + SAMPLE_RATE / 8;
/// Over the program's own voice what was before the word is what is left of that voice; it is noticed 300 ms late at most.
const OWN_VOICE_PRE_ROLL_LEN: usize = SAMPLE_RATE * 2 / 5;
/// Of what was played: -80 dB below full scale.
const SILENCE: f32 = 1e-4;
/// Sound to keep after a word.
const CONTEXT_LEN: usize = CONTEXT_WINDOWS * WINDOW_LEN;
const SETTLE_WINDOWS: usize = 12;
/// The program's own voice is in the air this long after its sound was made: 110 ms in buffers, and its echo in the room.
const OWN_VOICE_TAIL_FRAMES: usize = 25;
/// Of a word over the program's own voice so much is over before it is noticed.
const NOTICED_LATE_S: f32 = 0.2;
/// Somebody else speaks where what is left has such a share of the loudest echo's power: -7 dB to begin, -10 dB to go on. Of the
/// program's own voice alone -15 to -25 dB are left.
const BEGINS_OVER_OWN: f32 = 0.2;
const GOES_ON_OVER_OWN: f32 = 0.1;
/// From -3 dB on it is clear that something else sounds. After a long silence the speech detector is slow to believe in one short word:
/// "stop" by one voice of six came to 0.25 to 0.45 and was missed.
const CLEARLY_OTHERS: f32 = 0.5;
const SOONER_OVER_OWN: f32 = 3.0;
#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn over_its_own_voice_the_echo_is_no_speech_and_a_short_word_is_believed_sooner_unless_it_is_steady_noise() {
        let (begins, goes_on) = (false, true);
        // The echo alone leaves 0.03 at most.
        assert_eq!(believed_over_own(0.9, 0.03, begins, true), 0.0);
        assert_eq!(believed_over_own(0.9, 0.15, begins, true), 0.0);
        assert_eq!(believed_over_own(0.9, 0.15, goes_on, true), 0.9);
        assert_eq!(believed_over_own(0.3, 0.3, begins, true), 0.3);
        // Speech begins at 0.5.
        assert!(believed_over_own(0.25, 0.6, begins, true) >= 0.5);
        assert_eq!(believed_over_own(0.9, 2.0, begins, true), 1.0);
        assert_eq!(believed_over_own(0.25, 0.6, begins, false), 0.25);
    }

    fn verdict(score: f32, margin: f32, log_odds: f32) -> Verdict {
        Verdict { best: Some(0), score, margin, log_odds, evidence: None, accepted: None }
    }

    #[test]
    fn over_its_own_voice_an_emergency_of_one_word_that_nearly_fits_interrupts_it_and_nothing_else_does() {
        let phrase = |text: &str, class| AllowedPhrase { text: text.to_owned(), class, group: 0, while_speaking: true };
        let stop = phrase("stop", PhraseClass::Emergency);
        assert!(interrupts(&stop, &verdict(1.5, 2.0, -1.2)));
        assert!(!interrupts(&stop, &verdict(1.4, 8.0, 0.0)));
        assert!(!interrupts(&stop, &verdict(9.0, 1.9, 0.0)));
        assert!(!interrupts(&stop, &verdict(9.0, 8.0, f32::NEG_INFINITY)));
        assert!(!interrupts(&phrase("smell of gas", PhraseClass::Emergency), &verdict(9.0, 8.0, -1.0)));
        for class in [PhraseClass::Chat, PhraseClass::Ordinary, PhraseClass::Critical] {
            assert!(!interrupts(&phrase("done", class), &verdict(9.0, 8.0, -1.0)));
        }
    }

    #[test]
    fn only_several_words_that_stand_out_count_when_they_come_twice() {
        let phrase = |text: &str| AllowedPhrase {
            text: text.to_owned(),
            class: PhraseClass::Critical,
            group: 0,
            while_speaking: false,
        };
        let verdict = |score: f32, margin: f32| verdict(score, margin, f32::NEG_INFINITY);
        assert!(counts_twice(&phrase("burner off"), &verdict(2.0, 4.5)));
        assert!(!counts_twice(&phrase("burner off"), &verdict(1.9, 8.0)));
        assert!(!counts_twice(&phrase("burner off"), &verdict(9.0, 4.4)));
        assert!(!counts_twice(&phrase("yes"), &verdict(9.0, 8.0)));
    }
}
