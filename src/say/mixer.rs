//! Decides, 10 ms at a time, what a station plays: a queue with priorities, alarm signals, sentences one by one.
//!
//! Utterances go in; requests for sentences, frames of 48 kHz samples and events come out. No device, no model, no thread, no clock: whoever
//! calls [`Mixer::render`] decides how fast time goes. A higher priority cuts a lower one off; equals wait their turn. What was cut off is
//! forgotten here: the engine says it again if it still matters.

use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Duration;

use crate::audio::PLAYBACK_FRAME_LEN;
use crate::engine::output::{AlarmSignal, Priority, SpeechId, Utterance, VoiceSettings};
use crate::say::limiter::Limiter;
use crate::say::loudness::decibels;
use crate::say::signals::{Earcon, Signals};
use crate::say::sounding::{Overlay, Sounding, samples_of};
use crate::say::text::Reader;

/// Samples in a frame: 10 ms at 48 kHz, mono.
pub const FRAME: usize = PLAYBACK_FRAME_LEN;

/// What one station plays.
pub struct Mixer {
    reader: Arc<Reader>,
    signals: Arc<Signals>,
    settings: VoiceSettings,
    waiting: VecDeque<Queued>,
    current: Option<Current>,
    /// Short sounds over whatever is heard, and the faded ends of what was cut off.
    overlay: Overlay,
    /// Samples of silence still to come before the next utterance.
    rest: usize,
    gain: f32,
    /// Samples for which it still speaks under its breath.
    ducked: usize,
    limiter: Limiter,
    /// Samples after which the limiter holds nothing but silence.
    unflushed: usize,
    events: Vec<MixerEvent>,
    /// Sentences that were asked for and are no longer wanted.
    forgotten: Vec<SentenceId>,
    next_sentence: u64,
}

/// Names a sentence that is to be made, within one mixer.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct SentenceId(pub u64);

/// A sentence that is to be made.
#[derive(Clone, Debug, PartialEq)]
pub struct SentenceRequest {
    /// To be named in the answer.
    pub id: SentenceId,
    /// In words, as [`Reader::sentences`] gives them.
    pub text: String,
    /// 1.0 is the usual pace, larger is faster.
    pub speed: f32,
    /// How soon it is needed.
    pub urgency: Urgency,
}

/// How soon a sentence is needed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Urgency {
    /// Something else sounds before it.
    Ahead,
    /// Nothing sounds until it is there.
    Now,
}

/// What happened while a frame was made. Playback adds its own delay before it is heard.
#[derive(Debug)]
pub enum MixerEvent {
    /// A sentence begins, counted from 0; as it is said, in words.
    Started { id: SpeechId, sentence: usize, words: String },
    /// All of it was said.
    Finished(SpeechId),
    /// It was cut off, or dropped from the queue by [`Mixer::hush`] or [`Mixer::withdraw`], and will not be said.
    Cut(SpeechId),
    /// A sentence of it could not be said. The other sentences are, and `Finished` still follows.
    Failed { id: SpeechId, error: SentenceError },
}

/// Why a sentence cannot be said.
#[derive(Debug, thiserror::Error)]
#[error(transparent)]
pub struct SentenceError(Box<dyn std::error::Error + Send + Sync>);

impl SentenceError {
    /// An error of whatever made the sentence.
    pub fn new(source: impl std::error::Error + Send + Sync + 'static) -> Self {
        Self(Box::new(source))
    }
}

/// Why a sentence is given up that nobody has said anything of.
#[derive(Debug, thiserror::Error)]
#[error("the sentence did not come in {} s", PATIENCE.as_secs())]
struct DidNotCome;

/// What happens to sound that is already on its way when something is cut off.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CutStyle {
    /// It fades out within 15 ms.
    Fade,
    /// It stops here and now; for a caller that flushes the loudspeaker's queue, which fades.
    Hard,
}

impl Mixer {
    /// A mixer with nothing to say. `reader` puts text into words, as the voice's does.
    pub fn new(reader: Arc<Reader>, signals: Arc<Signals>, settings: VoiceSettings) -> Self {
        Self {
            reader,
            signals,
            settings: within_range(settings),
            waiting: VecDeque::new(),
            current: None,
            overlay: Overlay::new(),
            rest: 0,
            gain: 1.0,
            ducked: 0,
            limiter: Limiter::new(CEILING, RELEASE),
            unflushed: 0,
            events: Vec::new(),
            forgotten: Vec::new(),
            next_sentence: 0,
        }
    }

    // ---- what is there ----

    /// Whether anything is being said or waits to be.
    pub fn is_speaking(&self) -> bool {
        self.current.is_some() || !self.waiting.is_empty()
    }

    /// Whether the next frame is to be rendered: it holds sound or an event, or a pause that belongs to what is said. Where it does not, nothing
    /// need be played; tell the time by [`pass`](Self::pass) instead. A sentence that is not there yet is waited for in this way too, so that no
    /// silence is queued before it.
    pub fn has_sound(&self) -> bool {
        let goes_on = match &self.current {
            Some(current) => current.goes_on(),
            None => match self.waiting.front() {
                Some(next) => self.rest > 0 || next.utterance.alarm.is_some() || next.begins_at_once(),
                None => false,
            },
        };
        goes_on || self.overlay.sounds() || self.unflushed > 0 || !self.events.is_empty()
    }

    /// The settings in force, within their ranges.
    pub fn settings(&self) -> VoiceSettings {
        self.settings
    }

    // ---- what to do ----

    /// Says an utterance: at once if nothing of its priority or above is being said, else in its turn.
    pub fn say(&mut self, utterance: Utterance) {
        if self.current.as_ref().is_some_and(|current| current.priority < utterance.priority) {
            self.cut_current(CutStyle::Fade);
            self.rest = 0;
        }
        let place = self.waiting.iter().position(|waiting| waiting.utterance.priority < utterance.priority);
        let words = self.reader.sentences(&utterance.text);
        self.waiting.insert(place.unwrap_or(self.waiting.len()), Queued { utterance, words, first: None });
    }

    /// Forgets an utterance that waits; what is being said goes on.
    pub fn withdraw(&mut self, id: SpeechId) {
        self.forget_waiting(|utterance| utterance.id == id);
    }

    /// Stops what is being said, and forgets what waits, at this priority or below.
    pub fn hush(&mut self, priority: Priority, style: CutStyle) {
        if self.current.as_ref().is_some_and(|current| current.priority <= priority) {
            self.cut_current(style);
        }
        self.forget_waiting(|utterance| utterance.priority <= priority);
    }

    fn forget_waiting(&mut self, is: impl Fn(&Utterance) -> bool) {
        let (events, forgotten) = (&mut self.events, &mut self.forgotten);
        self.waiting.retain(|waiting| {
            let goes = is(&waiting.utterance);
            if goes {
                events.push(MixerEvent::Cut(waiting.utterance.id));
                forgotten.extend(waiting.first.as_ref().and_then(Slot::asked));
            }
            !goes
        });
    }

    /// Speaks at this speed from the next sentence on and at this volume at once. Values out of range are brought within.
    pub fn set_voice(&mut self, settings: VoiceSettings) {
        let before = std::mem::replace(&mut self.settings, within_range(settings));
        if before.speed != self.settings.speed {
            // What has not begun is made anew.
            let made = self.waiting.iter_mut().filter_map(|waiting| waiting.first.take());
            self.forgotten.extend(made.filter_map(|slot| slot.asked()));
        }
    }

    /// Goes on under its breath for so long, or from now on no longer with nothing: somebody seems to be speaking, and is to be heard.
    /// Alarms stay as loud as they are, and so does what is said later by one that is silent now: it may be the reply.
    pub fn duck(&mut self, span: Duration) {
        self.ducked = if self.is_speaking() { samples_of(span) } else { 0 };
    }

    /// Plays a short sound over whatever is heard.
    pub fn earcon(&mut self, earcon: Earcon) {
        let gain = volume_gain(self.settings, Prominence::Speech);
        self.overlay.add(Sounding::new(self.signals.earcon(earcon)).at(gain));
    }

    /// The next sentence that is to be made, the most urgent first; each is told once, and once more where it has become urgent meanwhile. To be
    /// asked after every call that changes anything, and after every frame.
    pub fn poll(&mut self) -> Option<SentenceRequest> {
        let speed = self.settings.speed;
        let id = SentenceId(self.next_sentence);
        let may_ask_ahead = self.current.as_ref().is_some_and(Current::is_well_begun);
        let asked = if let Some(current) = self.current.as_mut().filter(|current| current.wants_sentence()) {
            current.ask(id, speed, may_ask_ahead)
        } else if self.current.is_none() || may_ask_ahead {
            let urgency = if self.current.is_none() { Urgency::Now } else { Urgency::Ahead };
            self.waiting.front_mut().and_then(|next| next.ask(id, speed, urgency))
        } else {
            None
        };
        self.next_sentence += u64::from(asked.as_ref().is_some_and(|request| request.id == id));
        asked
    }

    /// A sentence that was asked for and is not wanted any more, for whoever makes it. An answer that comes all the same does no harm.
    pub fn poll_forgotten(&mut self) -> Option<SentenceId> {
        self.forgotten.pop()
    }

    /// A sentence was made (48 kHz, all equally loud), or cannot be. One that nobody waits for any more is dropped.
    pub fn synthesised(&mut self, id: SentenceId, sound: Result<Arc<[f32]>, SentenceError>) {
        if let Some(current) = self.current.as_mut().filter(|current| current.next.waits_for(id)) {
            match sound {
                Ok(sound) => current.next = Slot::Made(Ok(sound)),
                Err(error) => {
                    self.events.push(MixerEvent::Failed { id: current.id, error });
                    current.next = Slot::Empty;
                    current.begun += 1;
                }
            }
        } else if let Some(waiting) =
            self.waiting.iter_mut().find(|waiting| waiting.first.as_ref().is_some_and(|first| first.waits_for(id)))
        {
            waiting.first = Some(Slot::Made(sound));
        }
    }

    /// So much time has passed in which nothing was rendered, for there was nothing to play.
    pub fn pass(&mut self, span: Duration) {
        let samples = samples_of(span);
        self.rest = self.rest.saturating_sub(samples);
        self.ducked = self.ducked.saturating_sub(samples);
    }

    /// So much time has passed. A sentence that nothing sounds before, and that has not come in [`PATIENCE`], is told as one that cannot be said:
    /// its answer is lost, or the voice hangs, and what comes after it, were it an alarm, would wait for ever.
    pub fn wait(&mut self, span: Duration) {
        let awaited = match &mut self.current {
            Some(current) if current.sounds() => return,
            Some(current) => Some(&mut current.next),
            None => self.waiting.front_mut().and_then(|next| next.first.as_mut()),
        };
        self.forgotten.extend(awaited.and_then(|slot| slot.wait(span)));
    }

    /// Makes the next 10 ms. Full scale is 1; the peaks stay below it whatever the volume. Silence where a sentence is not there yet.
    pub fn render(&mut self, out: &mut [f32; FRAME]) -> Vec<MixerEvent> {
        let done = self.advance(out);
        out[done..].fill(0.0);
        self.finish_frame(out)
    }

    /// Fills `out` up to where a sentence is needed that is not there; gives how far that is.
    pub(crate) fn advance(&mut self, out: &mut [f32]) -> usize {
        let mut done = 0;
        while done < out.len() {
            if self.current.is_none() && !self.begin_next() {
                let silent = self.rest.min(out.len() - done);
                let silent = if self.waiting.is_empty() { out.len() - done } else { silent };
                out[done..done + silent].fill(0.0);
                self.rest = self.rest.saturating_sub(silent);
                done += silent;
                continue;
            }
            match self.fill(&mut out[done..]) {
                Some(filled) => done += filled,
                None => break,
            }
        }
        done
    }

    /// The rest of a frame that is filled: what lies over it, and the limiter.
    pub(crate) fn finish_frame(&mut self, out: &mut [f32; FRAME]) -> Vec<MixerEvent> {
        self.ducked = self.ducked.saturating_sub(FRAME);
        if self.overlay.sounds() {
            self.overlay.mix_into(out);
        }
        for sample in out.iter_mut() {
            self.unflushed = if *sample == 0.0 { self.unflushed.saturating_sub(1) } else { Limiter::DELAY };
            *sample = self.limiter.push(*sample);
        }
        std::mem::take(&mut self.events)
    }

    // ---- inside ----

    /// Takes the next utterance from the queue, if there is one and its turn has come.
    fn begin_next(&mut self) -> bool {
        let Some(next) = self.waiting.front() else { return false };
        if self.rest > 0 && next.utterance.priority < Priority::Alarm {
            return false;
        }
        let Some(Queued { utterance, words, first }) = self.waiting.pop_front() else { return false };
        self.rest = 0;
        let signal = utterance.alarm.map(|signal| Sounding::new(self.signals.alarm(signal)));
        let is_alarm =
            utterance.priority == Priority::Alarm || matches!(utterance.alarm, Some(AlarmSignal::Hazard { .. }));
        let prominence = if is_alarm { Prominence::Alarm } else { Prominence::Speech };
        self.current = Some(Current {
            id: utterance.id,
            priority: utterance.priority,
            prominence,
            pause: if signal.is_some() { AFTER_SIGNAL } else { 0 },
            sound: signal,
            asked: usize::from(first.is_some()),
            words,
            begun: 0,
            next: first.unwrap_or(Slot::Empty),
        });
        self.gain = volume_gain(self.settings, prominence);
        true
    }

    /// Fills a part of the frame from the utterance that is being said; gives how many samples, and nothing where the next sentence is not
    /// there.
    fn fill(&mut self, out: &mut [f32]) -> Option<usize> {
        let Some(current) = self.current.as_mut() else { return Some(0) };
        if let Some(sound) = current.sound.as_mut().filter(|sound| sound.left() > 0) {
            let breath =
                if self.ducked > 0 && current.prominence == Prominence::Speech { UNDER_ITS_BREATH } else { 1.0 };
            let target = breath * volume_gain(self.settings, current.prominence);
            let sounding = sound.left().min(out.len());
            self.gain = sound.play(&mut out[..sounding], self.gain, target);
            return Some(sounding);
        }
        let silent = current.pause.min(out.len());
        if silent > 0 {
            out[..silent].fill(0.0);
            current.pause -= silent;
            return Some(silent);
        }
        match std::mem::replace(&mut current.next, Slot::Empty) {
            Slot::Made(Ok(sound)) => {
                let sentence = current.begun;
                current.begun += 1;
                current.sound = Some(Sounding::new(&sound));
                current.pause = if current.asked == current.words.len() { 0 } else { BETWEEN_SENTENCES };
                let words = current.words.get(sentence).cloned().unwrap_or_default();
                self.events.push(MixerEvent::Started { id: current.id, sentence, words });
                Some(0)
            }
            Slot::Made(Err(error)) => {
                current.begun += 1;
                self.events.push(MixerEvent::Failed { id: current.id, error });
                Some(0)
            }
            Slot::Empty if current.asked == current.words.len() => {
                self.events.push(MixerEvent::Finished(current.id));
                self.current = None;
                self.rest = BETWEEN_SENTENCES;
                Some(0)
            }
            waits => {
                current.next = waits;
                None
            }
        }
    }

    fn cut_current(&mut self, style: CutStyle) {
        let Some(current) = self.current.take() else { return };
        self.events.push(MixerEvent::Cut(current.id));
        self.forgotten.extend(current.next.asked());
        if let (CutStyle::Fade, Some(sound)) = (style, current.sound) {
            self.overlay.add(sound.faded(self.gain));
        }
    }
}

/// An utterance whose turn has not come.
struct Queued {
    utterance: Utterance,
    words: Vec<String>,
    /// Its first sentence, once that was asked for.
    first: Option<Slot>,
}

impl Queued {
    fn ask(&mut self, id: SentenceId, speed: f32, urgency: Urgency) -> Option<SentenceRequest> {
        match &mut self.first {
            None => {
                let text = self.words.first()?.clone();
                self.first = Some(Slot::Asked { id, text: text.clone(), speed, urgency, waited: Duration::ZERO });
                Some(SentenceRequest { id, text, speed, urgency })
            }
            Some(slot) => slot.ask_again(urgency),
        }
    }

    fn begins_at_once(&self) -> bool {
        self.words.is_empty() || matches!(self.first, Some(Slot::Made(_)))
    }
}

/// What is being said.
struct Current {
    id: SpeechId,
    priority: Priority,
    prominence: Prominence,
    sound: Option<Sounding>,
    /// Samples of silence after the sound.
    pause: usize,
    /// All its sentences.
    words: Vec<String>,
    /// Sentences that were asked for so far.
    asked: usize,
    /// Sentences begun so far.
    begun: usize,
    next: Slot,
}

impl Current {
    fn sounds(&self) -> bool {
        self.pause > 0 || self.sound.as_ref().is_some_and(|sound| sound.left() > 0)
    }

    /// Whether there is anything to be rendered before a sentence that is not there.
    fn goes_on(&self) -> bool {
        let ended = matches!(self.next, Slot::Empty) && self.asked == self.words.len();
        self.sounds() || ended || matches!(self.next, Slot::Made(_))
    }

    fn wants_sentence(&self) -> bool {
        match self.next {
            Slot::Empty => self.asked < self.words.len(),
            Slot::Asked { .. } => true,
            Slot::Made(_) => false,
        }
    }

    /// Whether the sentence after this one may be made: the first frames of an utterance are waited for.
    fn is_well_begun(&self) -> bool {
        self.sounds() && (self.begun != 1 || self.sound.as_ref().is_none_or(|sound| sound.played() >= BEGUN))
    }

    fn ask(&mut self, id: SentenceId, speed: f32, may_ask_ahead: bool) -> Option<SentenceRequest> {
        // Its first sentence is what whoever answered waits for, though a signal comes before it.
        let urgency = if self.sounds() && self.begun > 0 { Urgency::Ahead } else { Urgency::Now };
        if let Slot::Asked { .. } = self.next {
            return self.next.ask_again(urgency);
        }
        if urgency == Urgency::Ahead && !may_ask_ahead {
            return None;
        }
        let text = self.words.get(self.asked)?.clone();
        self.asked += 1;
        self.next = Slot::Asked { id, text: text.clone(), speed, urgency, waited: Duration::ZERO };
        Some(SentenceRequest { id, text, speed, urgency })
    }
}

/// The next sentence on its way.
enum Slot {
    Empty,
    Asked { id: SentenceId, text: String, speed: f32, urgency: Urgency, waited: Duration },
    Made(Result<Arc<[f32]>, SentenceError>),
}

impl Slot {
    fn asked(&self) -> Option<SentenceId> {
        if let Self::Asked { id, .. } = self { Some(*id) } else { None }
    }

    fn waits_for(&self, named: SentenceId) -> bool {
        self.asked() == Some(named)
    }

    /// Waits so long more; gives the request that is given up, where it has not come in time.
    fn wait(&mut self, span: Duration) -> Option<SentenceId> {
        let Self::Asked { id, waited, .. } = self else { return None };
        *waited += span;
        if *waited < PATIENCE {
            return None;
        }
        let id = *id;
        *self = Self::Made(Err(SentenceError::new(DidNotCome)));
        Some(id)
    }

    /// The request once more, where it has become more urgent than it was.
    fn ask_again(&mut self, now: Urgency) -> Option<SentenceRequest> {
        let Self::Asked { id, text, speed, urgency, .. } = self else { return None };
        if now <= *urgency {
            return None;
        }
        *urgency = now;
        Some(SentenceRequest { id: *id, text: text.clone(), speed: *speed, urgency: now })
    }
}

/// How loud something is meant to be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Prominence {
    Speech,
    /// 3 dB louder than other speech and never quieter than its minimum.
    Alarm,
}

/// Gain of the volume setting.
fn volume_gain(settings: VoiceSettings, prominence: Prominence) -> f32 {
    let volume = f64::from(settings.volume_db);
    decibels(match prominence {
        Prominence::Speech => volume,
        Prominence::Alarm => (volume + ALARM_EXTRA_DB).max(ALARM_LEAST_DB),
    })
}

/// The slowest and the fastest pace, as shares of the usual one.
pub const PACES: (f32, f32) = (0.55, 1.5);

fn within_range(settings: VoiceSettings) -> VoiceSettings {
    let sound = |value: f32, usual: f32| if value.is_finite() { value } else { usual };
    let usual = VoiceSettings::default();
    VoiceSettings {
        // Whoever has it speak slowly already gets no slower in noise than a hundred words a minute.
        speed: sound(settings.speed, usual.speed).clamp(PACES.0, PACES.1),
        volume_db: sound(settings.volume_db, usual.volume_db).clamp(-18.0, 6.0),
    }
}

/// A sentence is waited for so long. More than a slow machine takes to load the voice for its first one, and less than the 20 s after which an
/// alarm is said again.
pub const PATIENCE: Duration = Duration::from_secs(15);

/// -18 dB: still there, and out of the way of a word.
const UNDER_ITS_BREATH: f32 = 0.125;

/// Samples of an utterance that are played before the next sentence is made ready: 100 ms.
const BEGUN: usize = 4_800;

/// Samples between sentences: 250 ms.
const BETWEEN_SENTENCES: usize = 12_000;

/// Samples between an alarm signal and its words: 150 ms.
const AFTER_SIGNAL: usize = 7_200;

/// Linear ceiling of what leaves: -2 dBFS, so that peaks between samples stay below -1 dBTP.
const CEILING: f32 = 0.794;

/// Samples in which the limiter recovers: 80 ms.
const RELEASE: usize = 3_840;

const ALARM_EXTRA_DB: f64 = 3.0;

/// Decibels: the volume setting takes an alarm no lower than this (MIL-STD-1472E 5.3: a volume control must not make an
/// alarm inaudible).
const ALARM_LEAST_DB: f64 = -3.0;
