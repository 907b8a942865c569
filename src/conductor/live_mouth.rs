//! The mouth of a live run, on a thread of its own: keeps the loudspeaker fed, and opens it anew when it was lost.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{self, Receiver, RecvTimeoutError, Sender};
use std::time::Duration;

use crate::audio::device::{DeviceWatch, Watched};
use crate::audio::playback::Playback;
use crate::audio::wake::Waker;
use crate::conductor::live::{NAP, News, REOPEN_EVERY};
use crate::conductor::live_ear::ToEar;
use crate::conductor::memory::hand_back_what_is_free;
use crate::engine::output::{Priority, Utterance, VoiceSettings};
use crate::say::loud_enough::InNoise;
use crate::say::mixer::{CutStyle, FRAME};
use crate::setup::clock::{Clock, pause};
use crate::speech::speaker::Speaker;
use crate::units::SessionTime;

/// What the loop tells the mouth.
pub(crate) enum ToMouth {
    Say(Utterance),
    Hush(Priority),
    SetVoice(VoiceSettings),
    InNoise(InNoise),
    /// Speak under the breath for so long.
    Duck(Duration),
    Prepare(Vec<String>),
}

/// Keeps the loudspeaker fed.
pub(crate) struct Mouth {
    pub(crate) speaker: Speaker,
    /// As the person has set it.
    pub(crate) voice: VoiceSettings,
    pub(crate) in_noise: InNoise,
    pub(crate) orders: Receiver<ToMouth>,
    pub(crate) news: Sender<News>,
    pub(crate) to_ear: Sender<ToEar>,
    pub(crate) device: Option<String>,
    pub(crate) speaking: Arc<AtomicBool>,
    pub(crate) stop: Arc<AtomicBool>,
}

impl Mouth {
    pub(crate) fn run(mut self) {
        let mut playback = self.open();
        let mut order: Option<ToMouth> = None;
        let mut prepare: Vec<String> = Vec::new();
        let mut since_open = 0u32;
        let mut roused = true;
        let mut idle = 0u32;
        let mut pace = Pace::begin();
        let watch = DeviceWatch::begin(Watched::AnyLoudspeaker);
        let mut works = playback.is_some();
        if !works {
            self.tell(News::MouthLost("none can be opened".to_owned()));
        }
        while !self.stop.load(Ordering::Relaxed) {
            loop {
                match order.take().map_or_else(|| self.orders.try_recv(), Ok) {
                    Ok(ToMouth::Say(utterance)) => self.speaker.say(utterance),
                    Ok(ToMouth::Hush(priority)) => {
                        self.speaker.hush(priority, CutStyle::Hard);
                        if !self.speaker.is_speaking()
                            && let Some(playback) = &mut playback
                        {
                            playback.flush();
                        }
                    }
                    Ok(ToMouth::SetVoice(voice)) => {
                        self.voice = voice;
                        self.speaker.set_voice(above_noise(self.voice, self.in_noise));
                    }
                    Ok(ToMouth::InNoise(in_noise)) => {
                        self.in_noise = in_noise;
                        self.speaker.set_voice(above_noise(self.voice, self.in_noise));
                    }
                    Ok(ToMouth::Duck(span)) => {
                        self.speaker.duck(span);
                        roused &= span.is_zero();
                    }
                    Ok(ToMouth::Prepare(texts)) => {
                        prepare = texts;
                        prepare.reverse();
                    }
                    Err(mpsc::TryRecvError::Empty) => break,
                    Err(mpsc::TryRecvError::Disconnected) => return,
                }
            }
            let lost = playback.as_ref().and_then(|playback| match playback.failed() {
                Some(_) => Some("the device is gone"),
                None if watch.is_gone() => Some("there is none any more"),
                None => pace.has_stopped(playback.taken()).then_some("it takes no sound"),
            });
            if let Some(why) = lost {
                playback = None;
                since_open = 0;
                // Nothing sounds: whoever answers now is heard.
                self.speaking.store(false, Ordering::Relaxed);
                if std::mem::take(&mut works) {
                    self.tell(News::MouthLost(why.to_owned()));
                }
            }
            if !works {
                // What is not heard is not said later either: by then it is wrong, or done.
                self.speaker.hush(Priority::Alarm, CutStyle::Hard);
            }
            match &mut playback {
                Some(playback) => {
                    // One that opens and takes no more than its buffers hold is not back.
                    if !works {
                        if playback.taken() > BACK_SAMPLES {
                            works = true;
                            self.tell(News::MouthBack);
                        }
                        pause(NAP);
                        continue;
                    }
                    // Time goes on at the pace at which the device takes frames.
                    while self.speaker.has_sound() && playback.has_room() {
                        let frame = self.render();
                        playback.write(&frame);
                    }
                    if !self.speaker.has_sound() {
                        playback.end();
                        self.speaker.pass(NAP);
                    }
                }
                None => {
                    since_open += 1;
                    if since_open.is_multiple_of(REOPEN_EVERY) {
                        playback = self.open();
                        pace = Pace::begin();
                    }
                }
            }
            // Somebody speaks: an answer to them may be due soon.
            if !self.speaker.is_speaking() && !std::mem::replace(&mut roused, true) {
                self.speaker.warm_up();
            } else if !self.speaker.is_speaking()
                && let Some(text) = prepare.pop()
            {
                for error in self.speaker.pre_synthesise(&[text]) {
                    tracing::warn!(%error, "a sentence cannot be synthesised ahead");
                }
            } else {
                idle = if self.speaker.is_speaking() { 0 } else { idle + 1 };
                if idle == IDLE_NAPS {
                    idle = 0;
                    hand_back_what_is_free();
                }
                // What is to be said does not wait for the next look.
                match self.orders.recv_timeout(NAP) {
                    Ok(next) => order = Some(next),
                    Err(RecvTimeoutError::Timeout) => {}
                    Err(RecvTimeoutError::Disconnected) => return,
                }
            }
        }
    }

    fn render(&mut self) -> [f32; FRAME] {
        let mut frame = [0.0; FRAME];
        for event in self.speaker.render(&mut frame) {
            self.tell(News::Spoke(event));
        }
        self.speaking.store(self.speaker.is_speaking(), Ordering::Relaxed);
        frame
    }

    fn open(&mut self) -> Option<Playback> {
        match Playback::open(self.device.as_deref(), &Waker::of_nobody()) {
            Ok((playback, reference)) => {
                drop(self.to_ear.send(ToEar::Reference(Box::new(reference))));
                Some(playback)
            }
            Err(why) => {
                tracing::debug!(%why, "loudspeaker");
                None
            }
        }
    }

    fn tell(&self, news: News) {
        // The loop is gone only when the program ends.
        drop(self.news.send(news));
    }
}

/// Whether a loudspeaker still takes what it is given: one that stands still holds up everything that is to be said, and, since the
/// program then seems to speak, whatever is answered.
struct Pace {
    clock: Clock,
    taken: u64,
    since: SessionTime,
    looks: u32,
}

impl Pace {
    fn begin() -> Self {
        let clock = Clock::start();
        let since = clock.now();
        Self { clock, taken: 0, since, looks: 0 }
    }

    /// `taken` is the device's count. It has stopped where that stood still for longer than a device may, and was looked at so often meanwhile that
    /// it was not this thread that was held up.
    fn has_stopped(&mut self, taken: u64) -> bool {
        let now = self.clock.now();
        if taken != self.taken {
            (self.taken, self.since, self.looks) = (taken, now, 0);
        }
        self.looks += 1;
        // What it takes at first goes into its buffers.
        let patience = if self.taken <= BACK_SAMPLES { ASLEEP } else { STALLED };
        self.looks > STALLED_LOOKS && now.since(self.since) > patience
    }
}

fn above_noise(voice: VoiceSettings, in_noise: InNoise) -> VoiceSettings {
    let speed = if in_noise.slow { voice.speed * SLOW } else { voice.speed };
    VoiceSettings { speed, volume_db: voice.volume_db + in_noise.extra_db }
}

/// Of the pace that the person has set: from 176 words a minute to 99 (at most 100 in noise: ICAO Doc 9432, from memory).
const SLOW: f32 = 0.56;
/// Naps in which nothing was to be done, 20 s of them or more, after which memory is handed back.
const IDLE_NAPS: u32 = 4_000;
/// A second and a half, and a sixth of the naps in it.
const STALLED: Duration = Duration::from_millis(1_500);
const STALLED_LOOKS: u32 = 60;
/// A third of a second.
const BACK_SAMPLES: u64 = 16_000;
/// A device that is asleep may take seconds to begin.
const ASLEEP: Duration = Duration::from_secs(5);
