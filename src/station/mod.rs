//! A station: one ear and one mouth, and what lies between them. Sans-IO: frames, orders and answers of the workers in, requests and events out.
//!
//! The same code serves a sound card, a recording in a rehearsal, and a phone. It owns no device, model, thread or clock, and it is `Send`:
//! whoever drives it hands it a microphone's frame with what was played meanwhile ([`Station::hear`]), takes frames for the
//! loudspeaker ([`Station::render`]), and after either carries out what [`Station::poll`] gives until that is nothing.
#![warn(missing_docs)]

mod courtesy;
mod loud_enough;

use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Duration;

use crate::audio::FRAME_LEN;
use crate::engine::output::{ListeningSet, Priority, SpeechId, Utterance, VoiceSettings};
use crate::hear::ear::{Ear, EarOutput, HearEvent, OwnVoiceState};
use crate::hear::level::SoundLevel;
use crate::hear::look::{Found, LookId, LookRequest, WriteRequest};
use crate::say::mixer::{CutStyle, FRAME, Mixer, MixerEvent, SentenceError, SentenceId, SentenceRequest};
use crate::units::{SessionTime, StationId};

use self::courtesy::Courtesy;
use self::loud_enough::{InNoise, LoudEnough};

/// One ear and one mouth.
pub struct Station {
    id: StationId,
    ear: Ear,
    mixer: Mixer,
    courtesy: Courtesy,
    loud: LoudEnough,
    in_noise: InNoise,
    /// As the person has set it.
    voice: VoiceSettings,
    /// Utterances handed to the mixer and not over yet, for what depends on their priority.
    prompts: VecDeque<SpeechId>,
    /// When the noise under the last utterance is known, and whether that was a prompt.
    to_judge: Option<(SessionTime, Spoken)>,
    /// The last prompt was said once more because the noise had risen.
    said_again: bool,
    mouth: LinkState,
    detector: LinkState,
    /// When the newest frame was taken, and its number.
    heard_at: SessionTime,
    frames: u64,
    /// When it was told last what time it is.
    looked_at: SessionTime,
    outbox: VecDeque<StationOutput>,
}

/// Whether a device, or the way to it, works.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LinkState {
    /// It does.
    Works,
    /// It does not.
    Lost,
}

/// What kind of utterance ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Spoken {
    Prompt,
    Other,
}

/// One fact or order for a station.
#[derive(Debug)]
pub enum StationInput {
    /// Ear or mouth was opened anew: how what is played comes back has to be learned again.
    RoomChanged,
    /// What was played is paired sooner or later with what is heard than it was.
    EchoMoved,
    /// The loudspeaker takes nothing any more; what is not heard is not said later either.
    MouthLost,
    /// It takes sound again.
    MouthBack,
    /// Speak, by priority.
    Say(Utterance),
    /// Stop at once, and forget what waits at this priority or below.
    Hush(Priority),
    /// Forget this utterance where it has not begun.
    Withdraw(SpeechId),
    /// From now on only these phrases may be heard.
    Listen(Arc<ListeningSet>),
    /// Speak so from now on.
    SetVoice(VoiceSettings),
    /// Keep the next thing that is said as a note.
    KeepNote,
    /// No note is waited for any more.
    DropNote,
    /// What was heard here last counts: whoever has spoken is to hear the reply.
    Understood,
    /// The recogniser's answer to a [`StationOutput::Look`].
    Looked {
        /// Which one.
        look: LookId,
        /// What came of it.
        found: Found,
    },
    /// The recogniser's answer to a [`StationOutput::WriteDown`]; empty where nothing could be made of it.
    WrittenDown {
        /// Which one.
        look: LookId,
        /// As far as it was understood.
        text: String,
    },
    /// The synthesiser's answer to a [`StationOutput::Synthesise`]: 48 kHz, full scale 1.
    Synthesised {
        /// Which one.
        sentence: SentenceId,
        /// The samples, or why there are none.
        sound: Result<Arc<[f32]>, SentenceError>,
    },
    /// What another station played in 10 ms: its sound may come back here.
    PlayedElsewhere {
        /// Which one.
        station: StationId,
        /// 16 kHz, full scale 1.
        played: Arc<[f32; FRAME_LEN]>,
    },
}

/// When something was said, by the time at which its sound was taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Said {
    /// Its first word.
    pub from: SessionTime,
    /// Its last word.
    pub to: SessionTime,
}

/// What a station asks for, or tells.
#[derive(Debug)]
pub enum StationOutput {
    /// For the recogniser: make this set ready. Comes before every look that names it.
    Prepare(Arc<ListeningSet>),
    /// For the recogniser: score this.
    Look(LookRequest),
    /// For the recogniser: what is said here, freely.
    WriteDown(WriteRequest),
    /// For the recogniser: work on this for nothing, so as to be awake when it matters.
    WarmUp(Vec<f32>),
    /// For the synthesiser.
    Synthesise(SentenceRequest),
    /// For the synthesiser: this sentence is wanted no more.
    Forget(SentenceId),
    /// For the synthesiser: an answer may be due soon.
    WarmUpVoice,
    /// For the loudspeaker: forget what is queued.
    Flush,
    /// What was heard, and when it was said.
    Heard(HearEvent, Said),
    /// What its mouth did.
    Spoke(MixerEvent),
    /// How loud it is; ten times a second at most, and only when it changed.
    Level(SoundLevel),
    /// The noise rose while a prompt was being said: it is to be said again.
    Drowned,
    /// What tells speech from quiet fails, or works again; why.
    Detector(LinkState, String),
}

impl Station {
    /// A station that has nothing to say and hears nothing before [`StationInput::Listen`].
    pub fn new(id: StationId, ear: Ear, mixer: Mixer) -> Self {
        let voice = mixer.settings();
        Self {
            id,
            ear,
            mixer,
            courtesy: Courtesy::default(),
            loud: LoudEnough::default(),
            in_noise: InNoise::default(),
            voice,
            prompts: VecDeque::new(),
            to_judge: None,
            said_again: false,
            mouth: LinkState::Works,
            detector: LinkState::Works,
            heard_at: SessionTime::ZERO,
            frames: 0,
            looked_at: SessionTime::ZERO,
            outbox: VecDeque::new(),
        }
    }

    /// Which one it is.
    pub fn id(&self) -> StationId {
        self.id
    }

    /// Whether the next frame for the loudspeaker holds anything; where it does not, none need be rendered.
    pub fn has_sound(&self) -> bool {
        self.mixer.has_sound()
    }

    /// Whether anything is being said here or waits to be.
    pub fn is_speaking(&self) -> bool {
        self.mixer.is_speaking()
    }

    /// Takes 10 ms of the microphone (16 kHz, full scale 1), and what the loudspeaker played meanwhile where there is one.
    pub fn hear(&mut self, now: SessionTime, mic: &[f32; FRAME_LEN], played: Option<&[f32; FRAME_LEN]>) {
        self.frame(now, mic, played);
        self.gather(now);
    }

    /// It is `now`, whether or not anything is heard or played. To be told whenever the thread is awake, and every 100 ms at least.
    pub fn look(&mut self, now: SessionTime) {
        // A thread that was held up, or a machine that slept, has not waited for anybody.
        self.mixer.wait(now.since(self.looked_at).min(LOOKED_EVERY));
        self.looked_at = now;
        self.gather(now);
    }

    /// Takes one fact or order that became known at `now`.
    pub fn handle(&mut self, now: SessionTime, input: StationInput) {
        match input {
            StationInput::RoomChanged => self.ear.forget_room(),
            StationInput::EchoMoved => self.ear.echo_moved(),
            StationInput::MouthLost => {
                self.mouth = LinkState::Lost;
                self.mixer.hush(Priority::Alarm, CutStyle::Hard);
            }
            StationInput::MouthBack => self.mouth = LinkState::Works,
            StationInput::Say(utterance) => self.say(utterance),
            StationInput::Hush(priority) => {
                self.mixer.hush(priority, CutStyle::Hard);
                if !self.mixer.is_speaking() {
                    self.outbox.push_back(StationOutput::Flush);
                }
            }
            StationInput::Withdraw(speech) => self.mixer.withdraw(speech),
            StationInput::Listen(set) => self.ear.listen(set),
            StationInput::SetVoice(voice) => {
                self.voice = voice;
                self.set_voice();
            }
            StationInput::KeepNote => self.ear.take_note(),
            StationInput::DropNote => self.ear.drop_note(),
            StationInput::Understood => {
                self.courtesy.heard();
                self.mixer.duck(Duration::ZERO);
            }
            StationInput::Looked { look, found } => self.ear.looked(look, found),
            StationInput::WrittenDown { look, text } => self.ear.written_down(look, &text),
            StationInput::Synthesised { sentence, sound } => self.mixer.synthesised(sentence, sound),
            StationInput::PlayedElsewhere { station, played } => self.ear.played_elsewhere(station, &played),
        }
        self.gather(now);
    }

    /// Makes the next 10 ms for the loudspeaker (48 kHz, full scale 1).
    pub fn render(&mut self, now: SessionTime, out: &mut [f32; FRAME]) {
        for event in self.mixer.render(out) {
            self.spoke(now, event);
        }
        self.gather(now);
    }

    /// The next request or event; `None` when there is none.
    pub fn poll(&mut self) -> Option<StationOutput> {
        self.outbox.pop_front()
    }

    fn frame(&mut self, now: SessionTime, mic: &[f32; FRAME_LEN], played: Option<&[f32; FRAME_LEN]>) {
        let detector = match self.ear.push_frame(mic, played, OwnVoiceState::of(self.mixer.is_speaking())) {
            Ok(()) => (LinkState::Works, String::new()),
            Err(error) => (LinkState::Lost, error.to_string()),
        };
        if self.detector != detector.0 {
            self.detector = detector.0;
            self.outbox.push_back(StationOutput::Detector(detector.0, detector.1));
        }
        if !self.mixer.has_sound() {
            self.mixer.pass(FRAME_SPAN);
        }
        self.heard_at = now;
        self.frames += 1;
        if self.frames.is_multiple_of(METER_EVERY) {
            self.level(now);
        }
    }

    fn level(&mut self, now: SessionTime) {
        let level = self.ear.level();
        if let Some((_, spoken)) = self.to_judge.take_if(|(at, _)| *at <= now) {
            self.in_noise = self.loud.ended(level.own, level.floor);
            self.set_voice();
            // Said once more and no oftener: whoever hears nothing in such noise reads the screen.
            self.said_again = spoken == Spoken::Prompt && self.loud.drowned(level.floor) && !self.said_again;
            if self.said_again {
                self.outbox.push_back(StationOutput::Drowned);
            }
        }
        self.outbox.push_back(StationOutput::Level(level));
    }

    fn say(&mut self, utterance: Utterance) {
        // What cannot be heard is not said later either: by then it is wrong, or done.
        if self.mouth == LinkState::Lost {
            return self.outbox.push_back(StationOutput::Spoke(MixerEvent::Cut(utterance.id)));
        }
        if utterance.priority == Priority::Prompt {
            self.prompts.push_back(utterance.id);
        }
        self.mixer.say(utterance);
    }

    fn set_voice(&mut self) {
        let speed = if self.in_noise.slow { self.voice.speed * SLOW } else { self.voice.speed };
        self.mixer.set_voice(VoiceSettings { speed, volume_db: self.voice.volume_db + self.in_noise.extra_db });
    }

    fn spoke(&mut self, now: SessionTime, event: MixerEvent) {
        match &event {
            MixerEvent::Started { .. } => {
                self.loud.begins(self.ear.level().floor);
                self.to_judge = None;
            }
            MixerEvent::Finished(id) => {
                let spoken = if self.prompts.contains(id) { Spoken::Prompt } else { Spoken::Other };
                self.to_judge = Some((now + NOISE_KNOWN, spoken));
                self.prompts.retain(|prompt| prompt != id);
            }
            MixerEvent::Cut(id) => self.prompts.retain(|prompt| prompt != id),
            MixerEvent::Failed { .. } => {}
        }
        self.outbox.push_back(StationOutput::Spoke(event));
    }

    /// Brings together what ear and mixer ask for.
    fn gather(&mut self, now: SessionTime) {
        while let Some(output) = self.ear.poll() {
            match output {
                EarOutput::Prepare(set) => self.outbox.push_back(StationOutput::Prepare(set)),
                EarOutput::Look(look) => self.outbox.push_back(StationOutput::Look(look)),
                EarOutput::WriteDown(request) => self.outbox.push_back(StationOutput::WriteDown(request)),
                EarOutput::WarmUp(samples) => self.outbox.push_back(StationOutput::WarmUp(samples)),
                EarOutput::Event(event) => self.heard(now, event),
            }
        }
        while let Some(id) = self.mixer.poll_forgotten() {
            self.outbox.push_back(StationOutput::Forget(id));
        }
        while let Some(request) = self.mixer.poll() {
            self.outbox.push_back(StationOutput::Synthesise(request));
        }
    }

    /// When the newest utterance was said, by the frames in which it was.
    fn said(&self) -> Said {
        let at = |frame: u64| {
            let ago = FRAME_SPAN * u32::try_from(self.frames.saturating_sub(frame)).unwrap_or(u32::MAX);
            SessionTime::from_millis(self.heard_at.as_millis().saturating_sub(ago.as_millis() as u64))
        };
        self.ear.said().map_or(Said { from: self.heard_at, to: self.heard_at }, |span| Said {
            from: at(span.from),
            to: at(span.to),
        })
    }

    fn heard(&mut self, now: SessionTime, event: HearEvent) {
        match &event {
            HearEvent::SpeechStarted if !self.mixer.is_speaking() || self.courtesy.speech_started(now) => {
                self.mixer.duck(DUCKED);
                self.outbox.push_back(StationOutput::WarmUpVoice);
            }
            HearEvent::Unclear(_) => self.mixer.duck(Duration::ZERO),
            _ => {}
        }
        let said = self.said();
        self.outbox.push_back(StationOutput::Heard(event, said));
    }
}

const FRAME_SPAN: Duration = Duration::from_millis(10);
/// Of the time between two looks no more counts.
const LOOKED_EVERY: Duration = Duration::from_millis(100);
/// The meter moves ten times a second.
const METER_EVERY: u64 = 10;
/// Somebody who begins to speak over the voice has said what may be said over it by then.
const DUCKED: Duration = Duration::from_millis(1_500);
/// The microphone knows the noise again so long after the voice has ended.
const NOISE_KNOWN: Duration = Duration::from_millis(1_500);
/// Of the pace that the person has set: from 176 words a minute to 99 (at most 100 in noise: ICAO Doc 9432, from memory).
const SLOW: f32 = 0.56;
