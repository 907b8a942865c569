//! The ear of a station: microphone frames in, events out. No device, clock, thread or speech model, and it can be sent to any thread.
//!
//! Frame -> echo canceller -> speech detector -> utterance with the sound around it -> looks by the recogniser -> decision. It never waits:
//! what it wants done comes out of [`Ear::poll`], what came of it goes into [`Ear::looked`] and [`Ear::written_down`], and frames go on
//! meanwhile. Where answers come at once, the same frames give the same events.

use std::collections::VecDeque;
use std::sync::Arc;

use crate::audio::FRAME_LEN;
use crate::audio::SAMPLE_RATE;
use crate::decide::{
    CopyOfPlayed, Decision, DecisionContext, OverSpeech, PhraseVerdict, Reason, SaidBefore, decide, nearly_fits,
};
use crate::engine::input::PhraseHeard;
use crate::engine::output::ListeningSet;
use crate::hear::detector::{DetectorError, Edge, Segmenter, SegmenterSettings, SpeechDetector, WINDOW_LEN};
use crate::hear::echo::{Cancelled, Echo};
use crate::hear::endpoint::{Endpoint, Phase, Voices, endpoint};
use crate::hear::late_copy::LateCopies;
use crate::hear::level::{Levels, SoundLevel};
use crate::hear::look::{Found, LookId, WriteRequest};
use crate::hear::note::{LONG_PIECE_LEN, NoteTaking, SHORT_PAUSE_WINDOWS};
pub use crate::hear::output::{EarOutput, FrameSpan, HearEvent, OwnVoiceState, Unclear};
use crate::hear::segment::SpeechSegment;
use crate::units::StationId;

/// Listens for the phrases of a set.
pub struct Ear {
    detector: SpeechDetector,
    segmenter: Segmenter,
    echo: Option<Echo>,
    late_copies: LateCopies,
    /// The echo canceller knows the room, or has nothing to do.
    converged: bool,
    set: Option<Arc<ListeningSet>>,
    /// The newest samples, for the beginning of an utterance.
    recent: VecDeque<f32>,
    /// Frames since the program's own voice was last played; grows from the end of it.
    since_own_voice: usize,
    /// The program's own voice has ended, and what it asks for may come any time.
    has_asked: bool,
    utterance: Option<SpeechSegment>,
    /// Those that have ended and wait for the look they need, the oldest first.
    ended: VecDeque<SpeechSegment>,
    /// What is said is kept as a note.
    note: Option<NoteTaking>,
    /// Pieces of it that are being written down.
    writing: Vec<LookId>,
    /// What the last utterance came nearest to without being accepted, and how many frames ago.
    nearly: Option<(String, usize)>,
    levels: Levels,
    next_id: u64,
    outputs: VecDeque<EarOutput>,
    /// Samples of the microphone that were no numbers.
    unusable: u64,
    /// Frames so far.
    frames: u64,
    said: Option<FrameSpan>,
}

impl Ear {
    /// An ear that hears nothing before [`Ear::listen`].
    pub fn new(detector: SpeechDetector) -> Self {
        Self::with_segments(detector, SegmenterSettings::default())
    }

    /// The same with other rules for where speech begins and ends.
    pub fn with_segments(detector: SpeechDetector, segments: SegmenterSettings) -> Self {
        Self {
            detector,
            segmenter: Segmenter::new(segments),
            echo: None,
            late_copies: LateCopies::default(),
            converged: true,
            set: None,
            recent: VecDeque::with_capacity(PRE_ROLL_LEN + FRAME_LEN),
            since_own_voice: usize::MAX,
            has_asked: false,
            utterance: None,
            ended: VecDeque::new(),
            note: None,
            writing: Vec::new(),
            nearly: None,
            levels: Levels::new(),
            next_id: 0,
            outputs: VecDeque::new(),
            unusable: 0,
            frames: 0,
            said: None,
        }
    }

    /// From now on only the phrases of `set` may be heard. Speech that has begun already is still judged by the set before.
    pub fn listen(&mut self, set: Arc<ListeningSet>) {
        self.outputs.push_back(EarOutput::Prepare(Arc::clone(&set)));
        self.set = Some(set);
    }

    /// The next thing that is said, short or long, is kept as a note, unless it is a phrase that may be said; comes back as
    /// [`HearEvent::Noted`].
    pub fn take_note(&mut self) {
        self.note = Some(NoteTaking::default());
        self.writing.clear();
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
    /// held up, may be of a sentence that has ended since. Samples that are no numbers are heard as silence.
    ///
    /// # Errors
    /// The speech detector fails. The frame is lost; the ear may be used further.
    pub fn push_frame(
        &mut self,
        mic: &[f32; FRAME_LEN],
        played: Option<&[f32; FRAME_LEN]>,
        voice: OwnVoiceState,
    ) -> Result<(), DetectorError> {
        self.frames += 1;
        let mic = self.usable(mic);
        let played = played.map(|played| usable(played).0);
        self.take_frame(&mic, played.as_ref(), voice)?;
        self.warm_up();
        Ok(())
    }

    /// Takes what another station played in these 10 ms: its sound may come back here, late.
    pub fn played_elsewhere(&mut self, station: StationId, played: &[f32; FRAME_LEN]) {
        self.late_copies.played_elsewhere(station, &usable(played).0);
    }

    /// Takes what came of a look. An answer for an utterance that has gone on, or was given up, changes nothing.
    pub fn looked(&mut self, look: LookId, found: Found) {
        let current = self.utterance.as_mut().filter(|utterance| utterance.looks.awaits(look));
        if let Some(utterance) = current {
            utterance.take(found);
            self.follow();
        } else if let Some(utterance) = self.ended.iter_mut().find(|utterance| utterance.looks.awaits(look)) {
            utterance.take(found);
            self.settle();
        }
    }

    /// Takes how a piece of the note reads; empty where that could not be told.
    pub fn written_down(&mut self, id: LookId, text: &str) {
        let Some(at) = self.writing.iter().position(|writing| *writing == id) else { return };
        self.writing.remove(at);
        if let Some(note) = &mut self.note {
            note.reads(id, text);
        }
    }

    /// The next thing to be done or told; `None` where there is nothing before the next frame or answer.
    pub fn poll(&mut self) -> Option<EarOutput> {
        self.outputs.pop_front()
    }

    /// How loud it is.
    pub fn level(&self) -> SoundLevel {
        self.levels.level()
    }

    /// Whether somebody speaks at the moment, or has just spoken and is being judged.
    pub fn hears_speech(&self) -> bool {
        self.utterance.is_some() || !self.ended.is_empty()
    }

    /// When that was said which was told of last; for whoever has to tell one voice at two ears from two.
    pub fn said(&self) -> Option<FrameSpan> {
        self.said
    }

    /// Samples of the microphone so far that were no numbers.
    pub fn unusable_samples(&self) -> u64 {
        self.unusable
    }

    fn take_frame(
        &mut self,
        mic: &[f32; FRAME_LEN],
        played: Option<&[f32; FRAME_LEN]>,
        voice: OwnVoiceState,
    ) -> Result<(), DetectorError> {
        self.levels.take_own_voice(mic, played);
        let cancelled = match played {
            Some(played) => {
                self.late_copies.played(played);
                self.echo.get_or_insert_with(Echo::new).cancel(mic, played)
            }
            None => Cancelled::nothing_played(mic),
        };
        self.converged = cancelled.settled;
        let own_voice = self.follow_own_voice(played, voice);
        if let Some((_, frames)) = &mut self.nearly {
            *frames += 1;
        }
        self.keep(&cancelled.sound, mic, own_voice);
        let Some(mut probability) = self.detector.push(&cancelled.watched)? else { return Ok(()) };
        if own_voice {
            let others = cancelled.settled && self.levels.stands_out(&self.recent);
            probability = believed_over_own(probability, cancelled.left, self.utterance.is_some(), others);
        }
        match self.segmenter.push(probability) {
            None if self.end_note() => {}
            None => self.go_on(own_voice),
            Some(Edge::Began) => self.begin(own_voice),
            Some(Edge::TooLong) if self.note.is_some() => self.end_piece(),
            Some(Edge::TooLong) => {
                if let Some(utterance) = &mut self.utterance {
                    utterance.leave_alone();
                }
                self.tell(HearEvent::TalkedOn);
            }
            Some(Edge::Ended { quiet }) => match self.utterance.take() {
                Some(utterance) if utterance.phase != Phase::Talk => self.close(utterance, quiet),
                _ => {}
            },
        }
        Ok(())
    }

    /// Whether the program's own voice is in the air.
    fn follow_own_voice(&mut self, played: Option<&[f32; FRAME_LEN]>, voice: OwnVoiceState) -> bool {
        let sounds = played.is_some_and(|played| played.iter().any(|sample| sample.abs() >= SILENCE));
        let speaking = voice == OwnVoiceState::Speaking || sounds;
        self.since_own_voice = if speaking { 0 } else { self.since_own_voice.saturating_add(1) };
        self.has_asked |= self.since_own_voice == 1;
        self.since_own_voice <= OWN_VOICE_TAIL_FRAMES
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
        if let Some(utterance) = self.utterance.as_mut().filter(|utterance| utterance.phase != Phase::Talk) {
            utterance.samples.extend_from_slice(frame);
        }
        if let Some(note) = &mut self.note {
            note.push(frame);
        }
    }

    fn begin(&mut self, own_voice: bool) {
        let pre_roll = if own_voice { OWN_VOICE_PRE_ROLL_LEN } else { PRE_ROLL_LEN };
        let mut samples = Vec::with_capacity(4 * SAMPLE_RATE);
        samples.extend(self.recent.range(self.recent.len().saturating_sub(pre_roll)..));
        if let Some(note) = self.note.as_mut().filter(|note| !note.has_begun()) {
            note.begin(self.recent.iter().copied());
        }
        let mut utterance = SpeechSegment::begin(samples, self.set.clone(), self.frames);
        utterance.own_windows = usize::from(own_voice);
        utterance.unconverged = own_voice && !self.converged;
        self.utterance = Some(utterance);
        // Until the canceller knows the room it may well be the program itself.
        if self.converged || !own_voice {
            self.tell(HearEvent::SpeechStarted);
        }
    }

    /// Another window of what may be an utterance.
    fn go_on(&mut self, own_voice: bool) {
        let quiet = self.segmenter.quiet();
        if let Some(utterance) = &mut self.utterance {
            let speech = quiet == 0;
            utterance.speech_windows += usize::from(speech);
            utterance.own_windows += usize::from(speech && own_voice);
            utterance.unconverged |= own_voice && !self.converged;
            match utterance.phase {
                Phase::Talk => {}
                _ if speech => utterance.go_on(),
                _ => utterance.phase = Phase::MayEnd { quiet },
            }
        }
        if self.is_long_piece() {
            return self.end_piece();
        }
        self.follow();
    }

    /// Does what is to be done about the utterance that goes on: looks at it in the quiet that may be its end, so that the answer is ready
    /// when it is sure to be the end, or ends it.
    fn follow(&mut self) {
        let Some(utterance) = &mut self.utterance else { return };
        match endpoint(&utterance.looks, &utterance.context()) {
            Endpoint::Wait => {}
            Endpoint::Score(kind) => {
                // While it may go on nobody waits yet.
                utterance.look_for_copy(&mut self.late_copies);
                let request = utterance.request(take_id(&mut self.next_id), kind);
                self.outputs.extend(request.map(EarOutput::Look));
            }
            Endpoint::End => {
                let quiet = self.segmenter.quiet();
                self.segmenter.finish();
                if let Some(utterance) = self.utterance.take() {
                    self.close(utterance, quiet);
                }
            }
        }
    }

    /// A note is said in long sentences; they are read in pieces, cut at short pauses.
    fn is_long_piece(&self) -> bool {
        let long = |utterance: &SpeechSegment| utterance.samples.len() >= LONG_PIECE_LEN;
        self.note.is_some()
            && self.segmenter.quiet() >= SHORT_PAUSE_WINDOWS
            && self.utterance.as_ref().is_some_and(long)
    }

    fn end_piece(&mut self) {
        self.segmenter.finish();
        if let Some(utterance) = self.utterance.take() {
            self.close(utterance, self.segmenter.quiet());
        }
    }

    /// An utterance has ended. It is judged when the look it needs has come.
    fn close(&mut self, mut utterance: SpeechSegment, quiet: usize) {
        utterance.phase = Phase::Ended { quiet };
        utterance.span.to = self.frames.saturating_sub((quiet * WINDOW_LEN / FRAME_LEN) as u64);
        utterance.note_len = self.note.as_ref().map(NoteTaking::samples_so_far);
        utterance.look_for_copy(&mut self.late_copies);
        self.ended.push_back(utterance);
        if self.ended.len() > MOST_ENDED
            && let Some(oldest) = self.ended.front_mut()
        {
            // The recogniser stands still: whoever spoke is told so sooner than at its end.
            oldest.looks.give_up();
        }
        self.settle();
    }

    /// Judges what has ended, in the order in which it was said.
    fn settle(&mut self) {
        while let Some(oldest) = self.ended.front_mut() {
            match endpoint(&oldest.looks, &oldest.context()) {
                Endpoint::Wait => return,
                Endpoint::Score(kind) => {
                    let request = oldest.request(take_id(&mut self.next_id), kind);
                    self.outputs.extend(request.map(EarOutput::Look));
                    return;
                }
                Endpoint::End => {
                    if let Some(utterance) = self.ended.pop_front() {
                        self.judge(utterance);
                    }
                }
            }
        }
    }

    /// Tells what an utterance was. What is no phrase becomes a piece of the note, if one is being taken.
    fn judge(&mut self, mut utterance: SpeechSegment) {
        self.said = Some(utterance.span);
        let event = self.decide_on(&mut utterance);
        let (Some(note), Some(end)) = (&mut self.note, utterance.note_len) else { return self.tell(event) };
        // Over the program's own voice by somebody else, as far as can be told.
        let by_another = utterance.voices() == Voices::OverOwn && !utterance.unconverged;
        match event {
            HearEvent::Refused(_) if !by_another => note.was_own_voice(),
            HearEvent::Unclear(_) | HearEvent::Refused(_) => {
                let id = take_id(&mut self.next_id);
                note.add(id, end);
                self.writing.push(id);
                let request = WriteRequest { id, samples: std::mem::take(&mut utterance.samples) };
                self.outputs.push_back(EarOutput::WriteDown(request));
            }
            answer => {
                note.break_off(end, utterance.samples.len());
                self.tell(answer);
            }
        }
    }

    /// Whether what was said counts. What is left of an echo is not to be asked about, nor is what comes back seconds later.
    fn decide_on(&mut self, utterance: &mut SpeechSegment) -> HearEvent {
        let found = std::mem::take(&mut utterance.looks).into_found();
        let (verdict, free_text) = match found {
            Some(found) => (found.1, found.0.free.text),
            None if utterance.set.is_none() => (PhraseVerdict::refused_for(Reason::NothingAllowed), String::new()),
            None => (PhraseVerdict::refused_for(Reason::NotScored), String::new()),
        };
        let best = verdict.best.zip(utterance.phrases()).and_then(|(best, phrases)| phrases.get(best));
        let said_before = self.nearly.as_ref().filter(|(_, frames)| *frames <= SAID_BEFORE_FRAMES);
        let said_before = said_before.is_some_and(|(text, _)| best.is_some_and(|phrase| phrase.text == *text));
        let context = DecisionContext {
            phrase: best,
            over_speech: utterance.over_speech(),
            copy: if utterance.late_copy == Some(true) { CopyOfPlayed::Late } else { CopyOfPlayed::None },
            said_before: if said_before { SaidBefore::Nearly } else { SaidBefore::No },
        };
        let decision = decide(&verdict, &context);
        tracing::debug!(
            best = best.map(|phrase| phrase.text.as_str()),
            score = verdict.score,
            margin = verdict.margin,
            log_odds = verdict.log_odds,
            freely = free_text,
            phase = ?utterance.phase,
            voices = ?utterance.voices(),
            ?decision,
            "judged"
        );
        if context.copy == CopyOfPlayed::None || decision.certainty().is_some() {
            self.nearly.take_if(|(_, frames)| *frames <= SAID_BEFORE_FRAMES);
            if let Some(phrase) = best.filter(|_| decision.certainty().is_none() && nearly_fits(&verdict, &context)) {
                self.nearly = Some((phrase.text.clone(), 0));
            }
        }
        let place = verdict.best.zip(utterance.set.as_deref());
        if let (Some(certainty), Some(phrase), Some((index, set))) = (decision.certainty(), best, place) {
            return HearEvent::Heard(PhraseHeard {
                set: set.id,
                index,
                text: phrase.text.clone(),
                score: verdict.score,
                margin: verdict.margin,
                certainty,
                over_speech: context.over_speech != OverSpeech::No,
            });
        }
        let reason = match decision {
            Decision::Nothing(reason) => reason,
            Decision::Counts(_) | Decision::Asked => Reason::NothingFits,
        };
        let unclear = Unclear {
            best: best.map(|phrase| phrase.text.clone()),
            score: verdict.score,
            margin: verdict.margin,
            log_odds: verdict.log_odds,
            free_text,
            reason,
        };
        let nobodys = context.over_speech != OverSpeech::No || reason == Reason::LateCopy;
        if nobodys { HearEvent::Refused(unclear) } else { HearEvent::Unclear(unclear) }
    }

    /// Tells the note, where it is over; what is being said, or judged, or written down, is waited for.
    fn end_note(&mut self) -> bool {
        let waits = !self.ended.is_empty() || !self.writing.is_empty();
        let speech_goes_on = self.utterance.is_some();
        let Some(note) = self.note.take_if(|note| !waits && note.is_over(speech_goes_on)) else { return false };
        // Speech that goes on after a minute is none of the note's, and no answer.
        if let Some(utterance) = &mut self.utterance {
            utterance.leave_alone();
        }
        let note = note.finish();
        let told = note.is_some();
        self.outputs.extend(note.map(|note| EarOutput::Event(HearEvent::Noted(note))));
        told
    }

    /// Has the recogniser warm up where it will be needed soon: when the program has asked for something, as somebody begins to speak, and now
    /// and then while they do.
    fn warm_up(&mut self) {
        let due = self.utterance.as_mut().map_or(self.has_asked, SpeechSegment::take_warm_up);
        if due && self.recent.len() >= SHORTEST_WARM_UP {
            self.has_asked = false;
            self.outputs.push_back(EarOutput::WarmUp(self.recent.iter().copied().collect()));
        }
    }

    /// The frame with silence where it holds no numbers.
    fn usable(&mut self, mic: &[f32; FRAME_LEN]) -> [f32; FRAME_LEN] {
        let (frame, unusable) = usable(mic);
        if unusable > 0 {
            if self.unusable == 0 {
                tracing::warn!("the microphone gives samples that are no numbers");
                self.tell(HearEvent::UnusableSamples);
            }
            self.unusable += unusable as u64;
        }
        frame
    }

    fn tell(&mut self, event: HearEvent) {
        self.outputs.push_back(EarOutput::Event(event));
    }
}

fn take_id(next: &mut u64) -> LookId {
    *next += 1;
    LookId(*next)
}

/// `frame` with silence in the place of what is no number, and how many samples were none. One such sample in a filter that remembers stays
/// there for good.
fn usable(frame: &[f32; FRAME_LEN]) -> ([f32; FRAME_LEN], usize) {
    let unusable = frame.iter().filter(|sample| !sample.is_finite()).count();
    (frame.map(|sample| if sample.is_finite() { sample } else { 0.0 }), unusable)
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

/// 20 s.
const SAID_BEFORE_FRAMES: usize = 2_000;
/// The model notices speech up to 480 ms late (in noise), and the word needs sound before it.
const PRE_ROLL_LEN: usize = SAMPLE_RATE / 2 + SAMPLE_RATE / 8;
/// Over the program's own voice what was before the word is what is left of that voice; it is noticed 300 ms late at most.
const OWN_VOICE_PRE_ROLL_LEN: usize = SAMPLE_RATE * 2 / 5;
/// Of what was played: -80 dB below full scale.
const SILENCE: f32 = 1e-4;
const SETTLE_WINDOWS: usize = 12;
/// The program's own voice is in the air this long after its sound was made: 110 ms in buffers, and its echo in the room.
const OWN_VOICE_TAIL_FRAMES: usize = 25;
/// Somebody else speaks where what is left has such a share of the loudest echo's power: -7 dB to begin, -10 dB to go on. Of the
/// program's own voice alone -15 to -25 dB are left.
const BEGINS_OVER_OWN: f32 = 0.2;
const GOES_ON_OVER_OWN: f32 = 0.1;
/// From -3 dB on it is clear that something else sounds. After a long silence the speech detector is slow to believe in one short word:
/// "stop" by one voice of six came to 0.25 to 0.45 and was missed.
const CLEARLY_OTHERS: f32 = 0.5;
const SOONER_OVER_OWN: f32 = 3.0;
/// 100 ms: the recogniser takes no less.
const SHORTEST_WARM_UP: usize = SAMPLE_RATE / 10;
/// Utterances that may wait for their last look; some seconds of talk.
const MOST_ENDED: usize = 4;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_ear_can_be_handed_to_another_thread() {
        fn sent<T: Send>() {}
        sent::<Ear>();
        sent::<EarOutput>();
    }

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

    #[test]
    fn samples_that_are_no_numbers_are_silence() {
        let mut frame = [0.5; FRAME_LEN];
        (frame[3], frame[4], frame[5]) = (f32::NAN, f32::INFINITY, f32::NEG_INFINITY);
        let (heard, unusable) = usable(&frame);
        assert_eq!((heard[2..7].to_vec(), unusable), (vec![0.5, 0.0, 0.0, 0.0, 0.5], 3));
    }
}
