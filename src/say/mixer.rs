//! Decides, 10 ms at a time, what is heard: a queue with priorities, alarm signals, sentences one by one.
//!
//! Utterances go in, frames of 48 kHz samples and events come out. No device, no thread, no clock: whoever calls
//! [`Speaker::render`] decides how fast time goes. A higher priority cuts a lower one off; equals wait their turn. What was
//! cut off is forgotten here: the engine says it again if it still matters.

use std::collections::VecDeque;
use std::time::Duration;

use crate::engine::output::{AlarmSignal, Priority, SpeechId, Utterance, VoiceSettings};
use crate::say::limiter::Limiter;
use crate::say::loudness::{LoudnessError, decibels};
use crate::say::signals::{Earcon, Signals};
use crate::speech::voice::prepare::{Preparation, PrepareError, Workbench};

/// Samples in a frame: 10 ms at 48 kHz, mono.
pub const FRAME: usize = 480;

/// The speaking side of the program.
pub struct Speaker {
    bench: Workbench,
    signals: Signals,
    settings: VoiceSettings,
    waiting: VecDeque<Utterance>,
    current: Option<Current>,
    /// The end of something cut off, already faded.
    tail: Sound,
    earcons: Vec<Sound>,
    /// Samples of silence still to come before the next utterance.
    rest: usize,
    gain: f32,
    /// First sentence of what was said last.
    newest: Option<String>,
    /// Samples for which it still speaks under its breath.
    ducked: usize,
    limiter: Limiter,
    events: Vec<SpeakerEvent>,
}

/// What happened while a frame was made. Playback adds its own delay before it is heard.
#[derive(Debug)]
pub enum SpeakerEvent {
    /// A sentence begins, counted from 0; as it is said, in words.
    Started { id: SpeechId, sentence: usize, words: String },
    /// All of it was said.
    Finished(SpeechId),
    /// It was cut off, or dropped from the queue by [`Speaker::hush`], and will not be said.
    Cut(SpeechId),
    /// A sentence of it could not be said. The other sentences are, and `Finished` still follows.
    Failed { id: SpeechId, error: PrepareError },
}

/// What happens to sound that is already on its way when something is cut off.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CutStyle {
    /// It fades out within 15 ms.
    Fade,
    /// It stops here and now; for a caller that flushes the loudspeaker's queue, which fades.
    Hard,
}

impl Speaker {
    /// A speaker with nothing to say.
    ///
    /// # Errors
    ///
    /// The alarm signals cannot be made.
    pub fn new(bench: Workbench, settings: VoiceSettings) -> Result<Self, LoudnessError> {
        Ok(Self {
            bench,
            signals: Signals::new()?,
            settings: within_range(settings),
            waiting: VecDeque::new(),
            current: None,
            tail: Sound::default(),
            earcons: Vec::new(),
            rest: 0,
            gain: 1.0,
            newest: None,
            ducked: 0,
            limiter: Limiter::new(CEILING, RELEASE),
            events: Vec::new(),
        })
    }

    // ---- what is there ----

    /// Whether anything is being said or waits to be.
    pub fn is_speaking(&self) -> bool {
        self.current.is_some() || !self.waiting.is_empty()
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
        let place = self.waiting.iter().position(|waiting| waiting.priority < utterance.priority);
        self.waiting.insert(place.unwrap_or(self.waiting.len()), utterance);
    }

    /// Stops what is being said, and forgets what waits, at this priority or below.
    pub fn hush(&mut self, priority: Priority, style: CutStyle) {
        if self.current.as_ref().is_some_and(|current| current.priority <= priority) {
            self.cut_current(style);
        }
        let events = &mut self.events;
        self.waiting.retain(|waiting| {
            let stays = waiting.priority > priority;
            if !stays {
                events.push(SpeakerEvent::Cut(waiting.id));
            }
            stays
        });
    }

    /// Speaks at this speed from the next sentence on and at this volume at once. Values out of range are brought within.
    pub fn set_voice(&mut self, settings: VoiceSettings) {
        self.settings = within_range(settings);
    }

    /// Goes on under its breath for so long, or from now on no longer with nothing: somebody seems to be speaking, and is to be heard.
    /// Alarms stay as loud as they are, and so does what is said later by one that is silent now: it may be the reply.
    pub fn duck(&mut self, span: Duration) {
        self.ducked = if self.is_speaking() { span.as_millis() as usize * (FRAME / 10) } else { 0 };
    }

    /// Plays a short sound over whatever is heard.
    pub fn earcon(&mut self, earcon: Earcon) {
        self.earcons.push(Sound { samples: self.signals.earcon(earcon).to_vec(), at: 0 });
    }

    /// Computes what is not in the cache yet of these texts, at the present speed, so that it is there when it is said.
    /// Takes as long as that takes: about 20 ms a sentence. Gives the errors of the sentences that cannot be said.
    pub fn pre_synthesise(&mut self, texts: &[String]) -> Vec<PrepareError> {
        let sentences: Vec<String> = texts.iter().flat_map(|text| self.bench.voice().sentences(text)).collect();
        sentences.iter().filter_map(|sentence| self.bench.sentence(sentence, self.settings.speed).err()).collect()
    }

    /// Makes a sentence ready for nothing but to be awake: after seconds of quiet what it takes has left the processor's caches, and the first
    /// sentence comes later by as long as several take. Takes what the newest sentence took, from the cache; nothing where none was said yet.
    pub fn rouse(&mut self) {
        if let Some(sentence) = self.newest.clone()
            && let Err(error) = self.bench.sentence(&sentence, self.settings.speed)
        {
            tracing::debug!(%error, "roused by a sentence that cannot be said");
        }
    }

    /// Makes the next 10 ms. Full scale is 1; the peaks stay below it whatever the volume.
    pub fn render(&mut self, out: &mut [f32; FRAME]) -> Vec<SpeakerEvent> {
        let mut done = 0;
        while done < FRAME {
            if self.current.is_none() && !self.begin_next() {
                let silent = self.rest.min(FRAME - done);
                let silent = if self.waiting.is_empty() { FRAME - done } else { silent };
                out[done..done + silent].fill(0.0);
                self.rest = self.rest.saturating_sub(silent);
                done += silent;
                continue;
            }
            done += self.fill(&mut out[done..]);
        }
        self.ducked = self.ducked.saturating_sub(FRAME);
        self.prepare_ahead();
        self.mix_and_limit(out);
        std::mem::take(&mut self.events)
    }

    // ---- inside ----

    /// Takes the next utterance from the queue, if there is one and its turn has come.
    fn begin_next(&mut self) -> bool {
        let Some(next) = self.waiting.front() else { return false };
        if self.rest > 0 && next.priority < Priority::Alarm {
            return false;
        }
        let Some(utterance) = self.waiting.pop_front() else { return false };
        self.rest = 0;
        let signal = utterance.alarm.map(|signal| Sound { samples: self.signals.alarm(signal).to_vec(), at: 0 });
        let words = self.bench.voice().sentences(&utterance.text);
        let sentences = words.iter().cloned().collect();
        self.newest = words.first().cloned();
        let is_alarm =
            utterance.priority == Priority::Alarm || matches!(utterance.alarm, Some(AlarmSignal::Hazard { .. }));
        let pause = if signal.is_some() { AFTER_SIGNAL } else { 0 };
        self.current = Some(Current {
            id: utterance.id,
            priority: utterance.priority,
            is_alarm,
            sound: signal.unwrap_or_default(),
            pause,
            sentences,
            words,
            begun: 0,
            next: None,
        });
        self.gain = volume_gain(self.settings, is_alarm);
        true
    }

    /// Fills a part of the frame from the utterance that is being said; gives how many samples.
    fn fill(&mut self, out: &mut [f32]) -> usize {
        let Some(current) = self.current.as_mut() else { return 0 };
        let sounding = current.sound.left().min(out.len());
        if sounding > 0 {
            let breath = if self.ducked > 0 && !current.is_alarm { UNDER_ITS_BREATH } else { 1.0 };
            let target = breath * volume_gain(self.settings, current.is_alarm);
            let step = (target - self.gain) / FRAME as f32;
            for (place, sample) in current.sound.take(sounding).iter().enumerate() {
                self.gain = if (target - self.gain).abs() <= step.abs() { target } else { self.gain + step };
                out[place] = sample * self.gain;
            }
            return sounding;
        }
        let silent = current.pause.min(out.len());
        if silent > 0 {
            out[..silent].fill(0.0);
            current.pause -= silent;
            return silent;
        }
        let preparation = current
            .next
            .take()
            .or_else(|| Some(Preparation::new(&current.sentences.pop_front()?, self.settings.speed)));
        let Some(preparation) = preparation else {
            self.events.push(SpeakerEvent::Finished(current.id));
            self.current = None;
            self.rest = BETWEEN_SENTENCES;
            return 0;
        };
        let sentence = current.begun;
        current.begun += 1;
        match preparation.finish(&mut self.bench) {
            Ok(samples) => {
                current.sound = Sound { samples, at: 0 };
                current.pause = if current.sentences.is_empty() { 0 } else { BETWEEN_SENTENCES };
                let words = current.words.get(sentence).cloned().unwrap_or_default();
                self.events.push(SpeakerEvent::Started { id: current.id, sentence, words });
            }
            Err(error) => self.events.push(SpeakerEvent::Failed { id: current.id, error }),
        }
        0
    }

    /// One step towards the next sentence while this one plays, so that no frame waits for a whole synthesis.
    fn prepare_ahead(&mut self) {
        let Some(current) = self.current.as_mut() else { return };
        if current.sound.left() == 0 && current.pause == 0 {
            return;
        }
        // The first frames of an utterance are waited for.
        if current.begun == 1 && current.sound.at < BEGUN {
            return;
        }
        if current.next.is_none() {
            current.next =
                current.sentences.pop_front().map(|sentence| Preparation::new(&sentence, self.settings.speed));
        }
        let Some(next) = current.next.as_mut().filter(|next| !next.is_ready()) else { return };
        if let Err(error) = next.step(&mut self.bench) {
            self.events.push(SpeakerEvent::Failed { id: current.id, error });
            current.next = None;
            current.begun += 1;
        }
    }

    fn mix_and_limit(&mut self, out: &mut [f32; FRAME]) {
        self.tail.mix_into(out, 1.0);
        let gain = volume_gain(self.settings, false);
        for earcon in &mut self.earcons {
            earcon.mix_into(out, gain);
        }
        self.earcons.retain(|earcon| earcon.left() > 0);
        for sample in out.iter_mut() {
            *sample = self.limiter.push(*sample);
        }
    }

    fn cut_current(&mut self, style: CutStyle) {
        let Some(mut current) = self.current.take() else { return };
        self.events.push(SpeakerEvent::Cut(current.id));
        if style == CutStyle::Hard {
            return;
        }
        let gain = self.gain;
        let length = current.sound.left().min(FADE);
        let faded = current.sound.take(length).iter().enumerate().map(|(place, sample)| {
            let share = place as f32 / FADE as f32;
            sample * gain * (0.5 + 0.5 * (std::f32::consts::PI * share).cos())
        });
        self.tail = Sound { samples: faded.collect(), at: 0 };
    }
}

/// What is being said.
struct Current {
    id: SpeechId,
    priority: Priority,
    is_alarm: bool,
    sound: Sound,
    /// Samples of silence after the sound.
    pause: usize,
    /// Those that are not begun yet.
    sentences: VecDeque<String>,
    /// All of them.
    words: Vec<String>,
    /// Sentences begun so far.
    begun: usize,
    next: Option<Preparation>,
}

#[derive(Default)]
struct Sound {
    samples: Vec<f32>,
    at: usize,
}

impl Sound {
    fn left(&self) -> usize {
        self.samples.len() - self.at
    }

    fn take(&mut self, count: usize) -> &[f32] {
        let start = self.at;
        self.at += count;
        &self.samples[start..self.at]
    }

    fn mix_into(&mut self, out: &mut [f32], gain: f32) {
        let count = self.left().min(out.len());
        for (sample, added) in out.iter_mut().zip(self.take(count)) {
            *sample += added * gain;
        }
    }
}

/// Gain of the volume setting. An alarm is 3 dB louder than other speech and never quieter than its minimum.
fn volume_gain(settings: VoiceSettings, is_alarm: bool) -> f32 {
    let volume = f64::from(settings.volume_db);
    decibels(if is_alarm { (volume + ALARM_EXTRA_DB).max(ALARM_LEAST_DB) } else { volume })
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

/// -18 dB: still there, and out of the way of a word.
const UNDER_ITS_BREATH: f32 = 0.125;

/// Samples of an utterance that are played before the next sentence is made ready: 100 ms.
const BEGUN: usize = 4_800;

/// Samples between sentences: 250 ms.
const BETWEEN_SENTENCES: usize = 12_000;

/// Samples between an alarm signal and its words: 150 ms.
const AFTER_SIGNAL: usize = 7_200;

/// Samples of fade when something is cut off: 15 ms.
const FADE: usize = 720;

/// Linear ceiling of what leaves: -2 dBFS, so that peaks between samples stay below -1 dBTP.
const CEILING: f32 = 0.794;

/// Samples in which the limiter recovers: 80 ms.
const RELEASE: usize = 3_840;

const ALARM_EXTRA_DB: f64 = 3.0;

/// Decibels: the volume setting takes an alarm no lower than this (MIL-STD-1472E 5.3: a volume control must not make an
/// alarm inaudible).
const ALARM_LEAST_DB: f64 = -3.0;
