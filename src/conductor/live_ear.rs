//! The ear of a live run, on a thread of its own: listens, and opens the microphone anew when it was lost.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{self, Receiver, Sender};
use std::time::Duration;

use crate::audio::FRAME_LEN;
use crate::audio::capture::{Capture, Watch};
use crate::audio::playback::Reference;
use crate::cli::AppError;
use crate::conductor::kept_sound::KeptSound;
use crate::conductor::live::{NAP, News, REOPEN_EVERY};
use crate::engine::output::ListeningSet;
use crate::hear::align::Alignment;
use crate::hear::ear::OwnVoiceState;
use crate::setup::clock::{Clock, pause};
use crate::setup::sound::SoundError;
use crate::speech::listener::Listener;

/// What the loop tells the ear.
pub(crate) enum ToEar {
    Listen(ListeningSet),
    TakeNote,
    DropNote,
    Reference(Box<Reference>),
}

/// Listens.
pub(crate) struct Ear {
    pub(crate) listener: Listener,
    pub(crate) orders: Receiver<ToEar>,
    pub(crate) news: Sender<News>,
    pub(crate) device: Option<String>,
    pub(crate) speaking: Arc<AtomicBool>,
    pub(crate) stop: Arc<AtomicBool>,
    pub(crate) reference: Option<Box<Reference>>,
    /// Samples of it that were lost so far.
    pub(crate) reference_lost: u64,
    pub(crate) kept: Option<KeptSound>,
    pub(crate) alignment: Alignment,
}

impl Ear {
    pub(crate) fn run(&mut self) -> Result<(), AppError> {
        let mut capture = Capture::open(self.device.as_deref()).ok();
        let mut lost = capture.is_none();
        if lost {
            self.tell(News::EarLost("it cannot be opened".to_owned()));
        }
        let clock = Clock::start();
        // One that was not asked for by name is watched for as long as it is the system's own.
        let watched = |device: Option<&str>, capture: &Option<Capture>| {
            device.or(capture.as_ref().and_then(Capture::id)).map(Watch::begin)
        };
        let mut watch = watched(self.device.as_deref(), &capture);
        let (mut naps, mut delivered, mut stalled, mut delivered_at) = (0u32, 0u64, 0u32, clock.now());
        let mut frames = 0u32;
        while !self.stop.load(Ordering::Relaxed) {
            loop {
                match self.orders.try_recv() {
                    Ok(ToEar::Listen(set)) => self.listener.allow(&set)?,
                    Ok(ToEar::TakeNote) => self.listener.take_note(),
                    Ok(ToEar::DropNote) => self.listener.drop_note(),
                    Ok(ToEar::Reference(reference)) => {
                        self.reference_lost = reference.lost();
                        self.reference = Some(reference);
                        self.alignment.begin_anew();
                        self.listener.forget_room();
                    }
                    Err(mpsc::TryRecvError::Empty) => break,
                    Err(mpsc::TryRecvError::Disconnected) => return Ok(()),
                }
            }
            let mut mic = [0.0; FRAME_LEN];
            let mut any = false;
            if let Some(capture) = &mut capture {
                while capture.read_frame(&mut mic) {
                    any = true;
                    self.alignment.heard(mic);
                }
                if capture.delivered() == delivered {
                    stalled += 1;
                } else {
                    (stalled, delivered_at) = (0, clock.now());
                }
                delivered = capture.delivered();
            }
            if let Some(reference) = &mut self.reference {
                while let Some(played) = reference.next_frame().map_err(SoundError::from)? {
                    self.alignment.played(played);
                }
                // This thread was held up for so long that some of what was played is gone: nothing here belongs together.
                let gone = reference.lost();
                if std::mem::replace(&mut self.reference_lost, gone) != gone {
                    tracing::warn!(gone, "samples of what was played came too late");
                    self.alignment.begin_anew();
                    self.listener.forget_room();
                }
            }
            while let Some((mic, played)) = self.alignment.next_pair() {
                if self.alignment.take_moved() {
                    self.listener.echo_moved();
                }
                frames += 1;
                self.frame(&mic, &played)?;
                if frames.is_multiple_of(METER_EVERY) {
                    self.tell(News::Level(self.listener.level()));
                }
            }
            self.listener.warm_up()?;
            if lost && any {
                lost = false;
                self.tell(News::EarBack);
            }
            let dead = capture.as_ref().is_some_and(|capture| {
                let stalled = stalled > STALLED_NAPS && clock.now().since(delivered_at) > STALLED;
                capture.failed() || stalled || watch.as_ref().is_some_and(Watch::is_gone)
            });
            if dead {
                capture = None;
                stalled = 0;
                naps = 0;
                if !lost {
                    lost = true;
                    self.tell(News::EarLost("it delivers no sound".to_owned()));
                }
            }
            if capture.is_none() {
                naps += 1;
                if naps.is_multiple_of(REOPEN_EVERY) {
                    capture = Capture::open(self.device.as_deref()).ok();
                    if self.device.is_none() {
                        watch = watched(None, &capture);
                    }
                    self.alignment.begin_anew();
                    self.listener.forget_room();
                    (delivered, delivered_at) = (0, clock.now());
                }
            }
            pause(NAP);
        }
        Ok(())
    }

    fn frame(&mut self, mic: &[f32; FRAME_LEN], played: &[f32; FRAME_LEN]) -> Result<(), AppError> {
        // Hearing goes on when the disk is full.
        if let Some(kept) = &mut self.kept
            && let Err(error) = kept.write(mic, played)
        {
            tracing::warn!(%error, "no sound is kept any more");
            self.kept = None;
        }
        let speaking = OwnVoiceState::of(self.speaking.load(Ordering::Relaxed));
        if let Some(event) = self.listener.push_frame(mic, self.reference.is_some().then_some(played), speaking)? {
            self.tell(News::Heard(event));
        }
        Ok(())
    }

    fn tell(&self, news: News) {
        drop(self.news.send(news));
    }
}

/// A microphone that delivers nothing for so long is dead, even where it reports nothing; looked at so many times at least, for this thread
/// may be what was held up.
const STALLED: Duration = Duration::from_millis(700);
const STALLED_NAPS: u32 = 60;
/// The meter moves ten times a second.
const METER_EVERY: u32 = 10;
