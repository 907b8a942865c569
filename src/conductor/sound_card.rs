//! A station on a sound card: a thread that feeds and reads the devices, and the station in it.
//!
//! It sleeps until sound came, there is room for sound, or somebody has something for the station; nothing is polled but the health of the devices,
//! ten times a second.

use std::sync::Arc;
use std::sync::mpsc::{Receiver, TryRecvError, sync_channel};
use std::thread::JoinHandle;
use std::time::Duration;

use crate::audio::FRAME_LEN;
use crate::audio::capture::Capture;
use crate::audio::keeper::{DeviceChange, Keeper, LOOK_EVERY, Loudspeaker};
use crate::audio::wake::Sleeper;
use crate::conductor::edges::{Round, ToLoop, keep_going};
use crate::conductor::error::ConductorError;
use crate::conductor::fault::{DeviceNews, DeviceSide, Worker, WorkerNews};
use crate::conductor::kept_sound::KeptSound;
use crate::conductor::live::SoundDevices;
use crate::conductor::news::News;
use crate::conductor::workers::StationMeans;
use crate::hear::align::Alignment;
use crate::say::mixer::FRAME;
use crate::setup::causes::with_causes;
use crate::setup::sound::SoundError;
use crate::station::{Station, StationInput, StationOutput};
use crate::units::{SessionTime, StationId};

/// What a station on a sound card works with.
pub struct SoundCard {
    pub id: StationId,
    pub devices: SoundDevices,
    pub means: StationMeans,
}

impl SoundCard {
    /// Enters the station's address, and begins its thread. A station that falls over is told as devices that went, and begun anew; the
    /// conductor hands it what it was listening for again.
    ///
    /// # Errors
    /// The system gives no thread, or the file for the kept sound cannot be made.
    pub fn begin(self) -> Result<JoinHandle<()>, ConductorError> {
        let kept = self.devices.keep_sound.as_deref().map(KeptSound::create).transpose()?;
        let (inbox, orders) = sync_channel(ORDERS);
        let sleeper = Sleeper::new();
        self.means.stations.enter(self.id, inbox, sleeper.waker());
        let (id, news, stop) = (self.id, self.means.news.clone(), self.means.stop.clone());
        let (mut kept, mut sleeper, mut began) = (kept, sleeper, Began::First);
        let work = move || {
            if std::mem::replace(&mut began, Began::Anew) == Began::Anew {
                tell_both(&self.means.news, self.id, &DeviceNews::Back);
            }
            match self.round(&mut kept, &orders, &mut sleeper) {
                Ok(()) => Round::Over,
                Err(error) => Round::Fell(with_causes(&error)),
            }
        };
        keep_going("station", stop, work, move |why| tell_both(&news, id, &DeviceNews::Lost(why)))
    }

    /// Goes on until the program ends, or something falls over.
    fn round(
        &self,
        kept: &mut Option<KeptSound>,
        orders: &Receiver<StationInput>,
        sleeper: &mut Sleeper,
    ) -> Result<(), SoundError> {
        let mut round = CardRound::set(self, orders, kept)?;
        while !self.means.stop.is_set() && round.turn()? == Turned::On {
            sleeper.sleep(if round.is_behind() { Duration::ZERO } else { LOOK_EVERY });
        }
        Ok(())
    }
}

/// Whether a station is begun for the first time.
#[derive(PartialEq, Eq)]
enum Began {
    First,
    Anew,
}

fn tell_both(news: &ToLoop, id: StationId, what: &DeviceNews) {
    for device in [DeviceSide::Loudspeaker, DeviceSide::Microphone] {
        news.tell(News::Device(id, device, what.clone()));
    }
}

/// The station with its devices, as long as nothing falls over.
struct CardRound<'a> {
    card: &'a SoundCard,
    orders: &'a Receiver<StationInput>,
    station: Station,
    microphone: Keeper<Capture>,
    loudspeaker: Keeper<Loudspeaker>,
    was_open: (Opened, Opened),
    align: Alignment,
    kept: &'a mut Option<KeptSound>,
    /// A frame for which there was no room.
    held: Option<[f32; FRAME]>,
    lost: LostSoFar,
}

/// Whether a device was there when it was looked at last.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Opened {
    Yes,
    No,
}

/// What was lost so far, to tell what is lost anew.
#[derive(Default)]
struct LostSoFar {
    heard: u64,
    played: u64,
    looks: u64,
}

/// Whether the thread goes on.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Turned {
    On,
    /// The loop is gone.
    Over,
}

impl<'a> CardRound<'a> {
    fn set(
        card: &'a SoundCard,
        orders: &'a Receiver<StationInput>,
        kept: &'a mut Option<KeptSound>,
    ) -> Result<Self, SoundError> {
        let now = card.means.clock.now();
        let waker = card.means.stations.waker(card.id);
        Ok(Self {
            card,
            orders,
            station: Station::new(card.id, card.means.sounds.ear()?, card.means.sounds.mixer()?),
            microphone: Keeper::new(card.devices.microphone.clone(), waker.clone(), now),
            loudspeaker: Keeper::new(card.devices.loudspeaker.clone(), waker, now),
            was_open: (Opened::No, Opened::No),
            align: Alignment::default(),
            kept,
            held: None,
            lost: LostSoFar::default(),
        })
    }

    /// Does all there is to do now.
    fn turn(&mut self) -> Result<Turned, SoundError> {
        let now = self.card.means.clock.now();
        self.look_after_devices(now);
        if self.take_orders(now) == Turned::Over {
            return Ok(Turned::Over);
        }
        self.listen(now)?;
        self.station.look(now);
        self.serve();
        self.speak(now);
        Ok(Turned::On)
    }

    /// Whether there is more to do without anybody's waking it: room for sound that is there.
    fn is_behind(&mut self) -> bool {
        self.station.has_sound() && self.loudspeaker.device().is_some_and(|device| device.playback.has_room())
    }

    fn look_after_devices(&mut self, now: SessionTime) {
        let change = self.microphone.poll(now);
        self.tell_change(DeviceSide::Microphone, change);
        let change = self.loudspeaker.poll(now);
        match &change {
            Some(DeviceChange::Lost(_)) => {
                self.held = None;
                self.hand(now, StationInput::MouthLost);
            }
            Some(DeviceChange::Back) => self.hand(now, StationInput::MouthBack),
            None => {}
        }
        self.tell_change(DeviceSide::Loudspeaker, change);
        let open = (opened(self.microphone.device()), opened(self.loudspeaker.device()));
        if open != self.was_open {
            self.was_open = open;
            self.lost = LostSoFar { looks: self.lost.looks, ..LostSoFar::default() };
            self.align.begin_anew();
            self.hand(now, StationInput::RoomChanged);
        }
    }

    fn tell_change(&self, device: DeviceSide, change: Option<DeviceChange>) {
        let what = match change {
            Some(DeviceChange::Lost(why)) => DeviceNews::Lost(with_causes(&why)),
            Some(DeviceChange::Back) => DeviceNews::Back,
            None => return,
        };
        self.card.means.news.tell(News::Device(self.card.id, device, what));
    }

    fn take_orders(&mut self, now: SessionTime) -> Turned {
        loop {
            match self.orders.try_recv() {
                Ok(order) => self.hand(now, order),
                Err(TryRecvError::Empty) => return Turned::On,
                Err(TryRecvError::Disconnected) => return Turned::Over,
            }
        }
    }

    fn listen(&mut self, now: SessionTime) -> Result<(), SoundError> {
        if let Some(capture) = self.microphone.device() {
            let mut mic = [0.0; FRAME_LEN];
            while capture.read_frame(&mut mic) {
                self.align.heard(mic);
            }
            let lost = capture.lost();
            if std::mem::replace(&mut self.lost.heard, lost) != lost {
                self.card.means.news.tell(News::Device(
                    self.card.id,
                    DeviceSide::Microphone,
                    DeviceNews::Overrun(lost),
                ));
            }
        }
        let mut gone = false;
        if let Some(loudspeaker) = self.loudspeaker.device() {
            while let Some(played) = loudspeaker.reference.next_frame()? {
                self.align.played(played);
            }
            // This thread was held up for so long that some of what was played is gone: nothing here belongs together.
            let lost = loudspeaker.reference.lost();
            gone = std::mem::replace(&mut self.lost.played, lost) != lost;
        }
        if gone {
            self.align.begin_anew();
            self.hand(now, StationInput::RoomChanged);
        }
        while let Some((mic, played)) = self.align.next_pair() {
            if self.align.take_moved() {
                self.hand(now, StationInput::EchoMoved);
            }
            self.keep(&mic, &played);
            let played = (self.was_open.1 == Opened::Yes).then_some(played);
            self.station.hear(now, &mic, played.as_ref());
            self.serve();
            if let Some(played) = played.filter(|played| played.iter().any(|sample| *sample != 0.0)) {
                let (station, played) = (self.card.id, Arc::new(played));
                self.card
                    .means
                    .stations
                    .send_to_others(station, || StationInput::PlayedElsewhere { station, played: Arc::clone(&played) });
            }
        }
        let dropped = self.card.means.workers.dropped_looks();
        let before = std::mem::replace(&mut self.lost.looks, dropped);
        if dropped > before {
            self.card.means.news.tell(News::Worker(Worker::Recogniser, WorkerNews::Overloaded(dropped - before)));
        }
        Ok(())
    }

    /// Hearing goes on when the disk is full.
    fn keep(&mut self, mic: &[f32; FRAME_LEN], played: &[f32; FRAME_LEN]) {
        if let Some(kept) = self.kept.as_mut()
            && let Err(error) = kept.write(mic, played)
        {
            self.card.means.news.tell(News::SoundNotKept(with_causes(&error)));
            *self.kept = None;
        }
    }

    /// Fills the loudspeaker's queue with what there is to be said: time goes on at the pace at which the device takes frames.
    fn speak(&mut self, now: SessionTime) {
        loop {
            let Some(loudspeaker) = self.loudspeaker.device() else { return };
            if !loudspeaker.playback.has_room() {
                return;
            }
            let frame = match self.held.take() {
                Some(frame) => frame,
                None if self.station.has_sound() => {
                    let mut frame = [0.0; FRAME];
                    self.station.render(now, &mut frame);
                    self.serve();
                    frame
                }
                // A sentence that is not there yet is waited for: what was queued of it is no whole.
                None if self.station.is_speaking() => return,
                None => return loudspeaker.playback.end(),
            };
            if self.loudspeaker.device().is_some_and(|device| !device.playback.write(&frame)) {
                self.held = Some(frame);
                return;
            }
        }
    }

    fn hand(&mut self, now: SessionTime, input: StationInput) {
        self.station.handle(now, input);
        self.serve();
    }

    /// Passes on what the station asks for and tells.
    fn serve(&mut self) {
        while let Some(output) = self.station.poll() {
            match self.card.means.workers.serve(self.card.id, output) {
                Some(StationOutput::Flush) => {
                    self.held = None;
                    if let Some(loudspeaker) = self.loudspeaker.device() {
                        loudspeaker.playback.flush();
                    }
                }
                Some(told) => self.card.means.news.tell(News::Station(self.card.id, told)),
                None => {}
            }
        }
    }
}

fn opened<D>(device: Option<&mut D>) -> Opened {
    if device.is_some() { Opened::Yes } else { Opened::No }
}

/// Orders that may wait for a station.
const ORDERS: usize = 256;
