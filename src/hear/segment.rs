//! Something that is being said: its sound so far, what may be said, and whose voice it may be.

use std::sync::Arc;

use crate::audio::SAMPLE_RATE;
use crate::decide::{OverSpeech, interrupts};
use crate::engine::input::Certainty;
use crate::engine::output::{AllowedPhrase, ListeningSet};
use crate::hear::detector::WINDOW_LEN;
use crate::hear::ear::FrameSpan;
use crate::hear::endpoint::{CONTEXT_WINDOWS, Context, LONGEST_ANSWER_LEN, Looks, Newest, Phase, Voices};
use crate::hear::late_copy::LateCopies;
use crate::hear::look::{Found, Look, LookId, LookRequest};
use crate::hear::noise::rms;

/// Speech from its beginning on.
pub(super) struct SpeechSegment {
    pub(super) samples: Vec<f32>,
    /// The set that was in force when it began.
    pub(super) set: Option<Arc<ListeningSet>>,
    pub(super) phase: Phase,
    /// Windows that held speech so far, and how many of them while the program's own voice was in the air.
    pub(super) speech_windows: usize,
    pub(super) own_windows: usize,
    /// Some of these before the echo canceller knew the room.
    pub(super) unconverged: bool,
    pub(super) looks: Looks,
    /// Whether it is a late copy of what was played; not known before it is looked at.
    pub(super) late_copy: Option<bool>,
    /// Samples of it from which on the recogniser is to be warmed up again.
    warm_up_at: usize,
    /// Where a note is being taken: its length when this ended.
    pub(super) note_len: Option<usize>,
    pub(super) span: FrameSpan,
}

impl SpeechSegment {
    /// One that begins with `samples`, and is noticed in this frame.
    pub(super) fn begin(samples: Vec<f32>, set: Option<Arc<ListeningSet>>, frame: u64) -> Self {
        Self {
            samples,
            set,
            phase: Phase::Words,
            speech_windows: 1,
            own_windows: 0,
            unconverged: false,
            looks: Looks::default(),
            late_copy: None,
            warm_up_at: 0,
            note_len: None,
            span: FrameSpan { from: frame, to: frame },
        }
    }

    /// Whether it may be the program's own voice, or is mixed up with it. People often begin to answer before the last word of
    /// a prompt has died away: that alone does not count.
    pub(super) fn voices(&self) -> Voices {
        if self.own_windows * MOSTLY_OTHERS >= self.speech_windows { Voices::OverOwn } else { Voices::Person }
    }

    /// Another word of it was said: whatever was made of it was made of a part.
    pub(super) fn go_on(&mut self) {
        self.phase = Phase::Words;
        self.looks.forget();
        self.late_copy = None;
    }

    /// It went on for longer than an answer.
    pub(super) fn leave_alone(&mut self) {
        self.phase = Phase::Talk;
        self.looks.forget();
        self.samples = Vec::new();
    }

    pub(super) fn phrases(&self) -> Option<&[AllowedPhrase]> {
        self.set.as_deref().map(|set| &*set.phrases)
    }

    pub(super) fn context(&self) -> Context<'_> {
        let voices = self.voices();
        let may_end = matches!(self.phase, Phase::MayEnd { .. });
        let newest = if may_end && voices == Voices::Person { self.newest() } else { Newest::Quiet };
        Context { phase: self.phase, phrases: self.phrases(), len: self.samples.len(), voices, newest }
    }

    /// A look at what was said so far; `None` where nothing may be said.
    pub(super) fn request(&mut self, id: LookId, kind: Look) -> Option<LookRequest> {
        let quiet = match self.phase {
            Phase::MayEnd { quiet } | Phase::Ended { quiet } => quiet,
            Phase::Words | Phase::Talk => 0,
        };
        let set = Arc::clone(self.set.as_ref()?);
        self.looks.ask(id, quiet, kind);
        // Of the quiet that showed the end, keep what the model likes to have after a word.
        let surplus = (quiet * WINDOW_LEN).saturating_sub(CONTEXT_LEN);
        let samples = self.samples[..self.samples.len().saturating_sub(surplus)].to_vec();
        Some(LookRequest { id, set, samples, kind })
    }

    /// Takes what came of the look that is under way. Over the program's own voice an emergency that nearly fits is thin.
    pub(super) fn take(&mut self, found: Found) {
        match found {
            Found::Ranked(mut found) => {
                let Some(set) = &self.set else { return };
                if self.voices() == Voices::OverOwn && interrupts(&found.1, &set.phrases) {
                    found.1.accepted = Some(Certainty::Thin);
                }
                self.looks.take(Some(found), &set.phrases);
            }
            Found::Dropped | Found::Failed => self.looks.skip(),
        }
    }

    /// Looks whether it is a late copy of what was played, where that is not known yet.
    pub(super) fn look_for_copy(&mut self, copies: &mut LateCopies) {
        if self.late_copy.is_none() && self.set.is_some() {
            self.late_copy = Some(copies.are_in(&self.samples));
        }
    }

    pub(super) fn over_speech(&self) -> OverSpeech {
        match self.voices() {
            Voices::Person => OverSpeech::No,
            Voices::OverOwn if self.unconverged => OverSpeech::Unconverged,
            Voices::OverOwn => OverSpeech::Converged,
        }
    }

    /// Whether it is time to warm up the recogniser for it; not again for a while then.
    pub(super) fn take_warm_up(&mut self) -> bool {
        let len = self.samples.len();
        let due = self.phase == Phase::Words && (self.warm_up_at..=LONGEST_ANSWER_LEN).contains(&len);
        if due {
            self.warm_up_at = len + WARM_UP_EVERY_LEN;
        }
        due
    }

    fn newest(&self) -> Newest {
        let mut powers: Vec<f32> = self.samples.chunks_exact(WINDOW_LEN).map(|window| rms(window).powi(2)).collect();
        let newest = rms(&self.samples[self.samples.len().saturating_sub(NEWEST_LEN)..]).powi(2);
        powers.sort_by(f32::total_cmp);
        let (Some(floor), Some(loud)) = (powers.get(powers.len() / 10), powers.get(powers.len() * 9 / 10)) else {
            return Newest::Quiet;
        };
        if newest > loud * MUCH_SOFTER && newest > floor * STANDS_OUT { Newest::AsLoudAsWords } else { Newest::Quiet }
    }
}

/// Sound to keep after a word.
const CONTEXT_LEN: usize = CONTEXT_WINDOWS * WINDOW_LEN;
/// 0.3 s.
const WARM_UP_EVERY_LEN: usize = SAMPLE_RATE * 3 / 10;
/// The newest sound: 64 ms.
const NEWEST_LEN: usize = 2 * WINDOW_LEN;
/// Powers, relative to those of the words and of the noise before them: quiet is 9 dB softer than words; a voice is 10 dB above the noise.
const MUCH_SOFTER: f32 = 0.126;
const STANDS_OUT: f32 = 10.0;
/// One window in so many over the program's own voice makes an utterance doubtful.
const MOSTLY_OTHERS: usize = 4;

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    fn utterance() -> SpeechSegment {
        let mut utterance = SpeechSegment::begin(Vec::new(), None, 1);
        utterance.speech_windows = 20;
        utterance
    }

    #[test]
    fn the_recogniser_is_warmed_up_now_and_then_while_an_answer_is_being_said() {
        let mut utterance = utterance();
        let warmed_up = |utterance: &mut SpeechSegment, len: usize, phase| {
            utterance.samples.resize(len, 0.0);
            utterance.phase = phase;
            utterance.take_warm_up()
        };
        assert!(warmed_up(&mut utterance, SAMPLE_RATE, Phase::Words));
        assert!(!warmed_up(&mut utterance, SAMPLE_RATE + WARM_UP_EVERY_LEN - 1, Phase::Words));
        let may_end = Phase::MayEnd { quiet: 1 };
        assert!(!warmed_up(&mut utterance, SAMPLE_RATE + WARM_UP_EVERY_LEN, may_end), "it may have ended");
        assert!(warmed_up(&mut utterance, SAMPLE_RATE + WARM_UP_EVERY_LEN, Phase::Words));
        assert!(!warmed_up(&mut utterance, LONGEST_ANSWER_LEN + 1, Phase::Words), "it is talk");
    }

    #[rstest]
    #[case::nobody_else(0, Voices::Person)]
    #[case::the_end_of_a_prompt(4, Voices::Person)]
    #[case::a_quarter_of_it(5, Voices::OverOwn)]
    #[case::all_of_it(20, Voices::OverOwn)]
    fn an_answer_that_begins_as_the_prompt_dies_away_is_a_persons(#[case] own_windows: usize, #[case] voices: Voices) {
        assert_eq!(SpeechSegment { own_windows, ..utterance() }.voices(), voices);
    }

    /// Half a second of noise, words, and what comes after them, by their amplitudes.
    fn sound(noise: f32, words: f32, after: f32) -> Vec<f32> {
        let tone = |amplitude: f32, len: usize| (0..len).map(move |at| amplitude * (at as f32 * 0.3).sin());
        tone(noise, SAMPLE_RATE / 2).chain(tone(words, SAMPLE_RATE / 2)).chain(tone(after, 4 * WINDOW_LEN)).collect()
    }

    #[rstest]
    #[case::quiet(0.001, 0.1, 0.001, Newest::Quiet)]
    #[case::the_end_of_a_word(0.001, 0.1, 0.03, Newest::Quiet)]
    #[case::a_voice_that_was_lost(0.001, 0.1, 0.08, Newest::AsLoudAsWords)]
    #[case::noise_that_was_there_before(0.06, 0.1, 0.06, Newest::Quiet)]
    fn quiet_that_is_as_loud_as_the_words_is_told_from_noise(
        #[case] noise: f32,
        #[case] words: f32,
        #[case] after: f32,
        #[case] newest: Newest,
    ) {
        let mut utterance = utterance();
        utterance.samples = sound(noise, words, after);
        utterance.phase = Phase::MayEnd { quiet: 4 };
        assert_eq!(utterance.context().newest, newest);
    }
}
