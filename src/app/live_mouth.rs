//! The mouth of a live run, on a thread of its own: keeps the loudspeaker fed, and opens it anew when it was lost.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{self, Receiver, Sender};
use std::time::Duration;

use crate::app::clock::pause;
use crate::app::live::{NAP, News, REOPEN_EVERY};
use crate::app::live_ear::ToEar;
use crate::engine::output::{Priority, Utterance, VoiceSettings};
use crate::say::loud_enough::InNoise;
use crate::say::playback::Playback;
use crate::say::speaker::{CutStyle, Speaker};

/// What the loop tells the mouth.
pub(super) enum ToMouth {
    Say(Utterance),
    Hush(Priority),
    SetVoice(VoiceSettings),
    InNoise(InNoise),
    /// Speak under the breath for so long.
    Duck(Duration),
    Prepare(Vec<String>),
}

/// Keeps the loudspeaker fed.
pub(super) struct Mouth {
    pub(super) speaker: Speaker,
    /// As the person has set it.
    pub(super) voice: VoiceSettings,
    pub(super) in_noise: InNoise,
    pub(super) orders: Receiver<ToMouth>,
    pub(super) news: Sender<News>,
    pub(super) to_ear: Sender<ToEar>,
    pub(super) device: Option<String>,
    pub(super) speaking: Arc<AtomicBool>,
    pub(super) stop: Arc<AtomicBool>,
}

impl Mouth {
    pub(super) fn run(mut self) {
        let mut playback = self.open();
        let mut waiting: Option<[f32; 480]> = None;
        let mut prepare: Vec<String> = Vec::new();
        let mut since_open = 0u32;
        while !self.stop.load(Ordering::Relaxed) {
            loop {
                match self.orders.try_recv() {
                    Ok(ToMouth::Say(utterance)) => self.speaker.say(utterance),
                    Ok(ToMouth::Hush(priority)) => {
                        self.speaker.hush(priority, CutStyle::Hard);
                        if !self.speaker.is_speaking()
                            && let Some(playback) = &mut playback
                        {
                            waiting = None;
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
                    Ok(ToMouth::Duck(span)) => self.speaker.duck(span),
                    Ok(ToMouth::Prepare(texts)) => {
                        prepare = texts;
                        prepare.reverse();
                    }
                    Err(mpsc::TryRecvError::Empty) => break,
                    Err(mpsc::TryRecvError::Disconnected) => return,
                }
            }
            if playback.as_ref().is_some_and(|playback| playback.failed().is_some()) {
                playback = None;
                since_open = 0;
                self.tell(News::MouthLost("the device is gone".to_owned()));
            }
            match &mut playback {
                Some(playback) => {
                    // Time goes on at the pace at which the device takes frames.
                    loop {
                        let frame = waiting.take().unwrap_or_else(|| self.render());
                        let speaks = self.speaker.is_speaking() || frame.iter().any(|sample| *sample != 0.0);
                        let written = if speaks { playback.write(&frame) } else { playback.write_pause(&frame) };
                        if !written {
                            waiting = Some(frame);
                            break;
                        }
                    }
                }
                None => {
                    since_open += 1;
                    if since_open.is_multiple_of(REOPEN_EVERY) {
                        playback = self.open();
                        if playback.is_some() {
                            self.tell(News::MouthBack);
                        }
                    }
                }
            }
            if !self.speaker.is_speaking()
                && let Some(text) = prepare.pop()
            {
                for error in self.speaker.pre_synthesise(&[text]) {
                    tracing::warn!(%error, "a sentence cannot be synthesised ahead");
                }
            } else {
                pause(NAP);
            }
        }
    }

    fn render(&mut self) -> [f32; 480] {
        let mut frame = [0.0; 480];
        for event in self.speaker.render(&mut frame) {
            self.tell(News::Spoke(event));
        }
        self.speaking.store(self.speaker.is_speaking(), Ordering::Relaxed);
        frame
    }

    fn open(&mut self) -> Option<Playback> {
        match Playback::open(self.device.as_deref()) {
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

fn above_noise(voice: VoiceSettings, in_noise: InNoise) -> VoiceSettings {
    let speed = if in_noise.slow { voice.speed * SLOW } else { voice.speed };
    VoiceSettings { speed, volume_db: voice.volume_db + in_noise.extra_db }
}

/// Of the pace that the person has set: from 176 words a minute to 99 (at most 100 in noise: ICAO Doc 9432, from memory).
const SLOW: f32 = 0.56;
