//! A station on a phone: a thread that takes the sound of its page, and the station in it.
//!
//! Microphone and what was played come in pairs, so nothing is aligned here. Frames for the loudspeaker are rendered a quarter of a second ahead of what
//! the page says that it has played, and what the mixer tells of them is told when they have sounded. The station joins with its first sound, and
//! is gone when none comes any more.

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, SyncSender, TryRecvError, sync_channel};
use std::thread::JoinHandle;
use std::time::Duration;

use crate::audio::FRAME_LEN;
use crate::audio::wake::{Sleeper, Waker};
use crate::conductor::edges::{Round, keep_going};
use crate::conductor::error::ConductorError;
use crate::conductor::kept_sound::KeptSound;
use crate::conductor::news::News;
use crate::conductor::phone_line::{PhoneLine, Presence, VisitId};
use crate::conductor::workers::StationMeans;
use crate::say::mixer::FRAME;
use crate::server::flow::Arrival;
use crate::server::protocol::{HeardFrame, SoundState};
use crate::server::{Delivery, PageWay};
use crate::setup::causes::with_causes;
use crate::setup::sound::SoundError;
use crate::station::{Station, StationInput, StationOutput};
use crate::units::{SessionTime, StationId};

/// What a station on a phone works with.
#[derive(Clone)]
pub struct PhoneStation {
    pub id: StationId,
    /// Whose it is, by name; one without a name where nobody is named.
    pub people: Vec<String>,
    /// Where all its sound is kept.
    pub keep_sound: Option<PathBuf>,
    pub means: StationMeans,
}

/// What a page sends its station.
pub enum FromPage {
    /// It is there.
    Came(VisitId, PageWay),
    /// What its microphone heard.
    Sound(VisitId, HeardFrame),
    /// How its sound does.
    State(VisitId, SoundState),
    /// It is gone.
    Gone(VisitId),
}

/// The way to the station's thread.
#[derive(Clone)]
pub struct ToPhone {
    inbox: SyncSender<FromPage>,
    waker: Waker,
}

impl ToPhone {
    /// Hands something over. Waits for nobody: sound that a station which hangs does not take is lost, and its numbers tell.
    pub fn send(&self, from_page: FromPage) -> Delivery {
        match self.inbox.try_send(from_page) {
            Ok(()) => {
                self.waker.wake();
                Delivery::Sent
            }
            Err(_) => Delivery::Lost,
        }
    }
}

impl PhoneStation {
    /// Enters the station's address, and begins its thread. One that falls over is gone, and begun anew.
    ///
    /// # Errors
    /// The system gives no thread, or the file for the kept sound cannot be made.
    pub fn begin(self) -> Result<(ToPhone, JoinHandle<()>), ConductorError> {
        let (inbox, orders) = sync_channel(ORDERS);
        let (to_phone, from_page) = sync_channel(FRAMES);
        let mut sleeper = Sleeper::new();
        let waker = sleeper.waker();
        self.means.stations.enter(self.id, inbox, waker.clone());
        let (id, news, stop) = (self.id, self.means.news.clone(), self.means.stop.clone());
        // The page stays connected over a fall of its station.
        let mut lasting = Lasting { page: None, kept: self.keep_sound.as_deref().map(KeptSound::create).transpose()? };
        let work = move || match self.round(&orders, &from_page, &mut lasting, &mut sleeper) {
            Ok(()) => Round::Over,
            Err(error) => Round::Fell(with_causes(&error)),
        };
        let fell = move |why: String| {
            tracing::warn!(why, "a phone's station fell over");
            news.tell(News::Left(id));
        };
        Ok((ToPhone { inbox: to_phone, waker }, keep_going("phone", stop, work, fell)?))
    }

    fn round(
        &self,
        orders: &Receiver<StationInput>,
        from_page: &Receiver<FromPage>,
        lasting: &mut Lasting,
        sleeper: &mut Sleeper,
    ) -> Result<(), SoundError> {
        let station = Station::new(self.id, self.means.sounds.ear()?, self.means.sounds.mixer()?);
        let Lasting { page, kept } = lasting;
        let line = PhoneLine::begin(page.clone());
        let mut round = PhoneRound { phone: self, station, line, kept };
        while !self.means.stop.is_set() && round.turn(orders, from_page) == Turned::On {
            *page = round.line.page();
            sleeper.sleep(LOOK_EVERY);
        }
        Ok(())
    }
}

/// What goes on over a fall of the station.
struct Lasting {
    page: Option<(VisitId, PageWay)>,
    kept: Option<KeptSound>,
}

/// The station with its page, as long as nothing falls over.
struct PhoneRound<'a> {
    phone: &'a PhoneStation,
    station: Station,
    line: PhoneLine,
    kept: &'a mut Option<KeptSound>,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Turned {
    On,
    /// The loop is gone.
    Over,
}

impl PhoneRound<'_> {
    /// Does all there is to do now.
    fn turn(&mut self, orders: &Receiver<StationInput>, from_page: &Receiver<FromPage>) -> Turned {
        let now = self.phone.means.clock.now();
        loop {
            match orders.try_recv() {
                Ok(order) => self.hand(now, order),
                Err(TryRecvError::Empty) => break,
                Err(TryRecvError::Disconnected) => return Turned::Over,
            }
        }
        while let Ok(from_page) = from_page.try_recv() {
            self.take(now, from_page);
        }
        let moved = self.line.look(now);
        self.moved(now, moved);
        self.station.look(now);
        self.serve();
        self.speak(now);
        while let Some(told) = self.line.sounded() {
            self.tell(told);
        }
        Turned::On
    }

    fn take(&mut self, now: SessionTime, from_page: FromPage) {
        match from_page {
            FromPage::Came(visit, page) => {
                let moved = self.line.will_come();
                self.moved(now, moved);
                self.flush();
                self.line.came(visit, page);
                // How its loudspeaker comes back into its microphone is to be learned.
                self.hand(now, StationInput::RoomChanged);
            }
            FromPage::Sound(visit, frame) => self.listen(now, visit, &frame),
            FromPage::State(visit, sound) => self.line.sound_is(visit, sound),
            FromPage::Gone(visit) => self.line.gone(visit),
        }
    }

    fn listen(&mut self, now: SessionTime, visit: VisitId, frame: &HeardFrame) {
        match self.line.heard(now, visit, frame) {
            None | Some(Arrival::Stale) => return,
            Some(Arrival::Slipped) => self.station.handle(now, StationInput::EchoMoved),
            Some(Arrival::InOrder) => {}
        }
        let pieces = frame.mic.len() / FRAME_LEN;
        for piece in 0..pieces {
            let mic = samples(&frame.mic, piece);
            let played = samples(&frame.played, piece);
            self.keep(&mic, &played);
            self.station.hear(now, &mic, Some(&played));
            self.serve();
            if played.iter().any(|sample| *sample != 0.0) {
                let (station, played) = (self.phone.id, Arc::new(played));
                let others = || StationInput::PlayedElsewhere { station, played: Arc::clone(&played) };
                self.phone.means.stations.send_to_others(station, others);
            }
        }
    }

    /// Hearing goes on when the disk is full.
    fn keep(&mut self, mic: &[f32; FRAME_LEN], played: &[f32; FRAME_LEN]) {
        if let Some(kept) = self.kept.as_mut()
            && let Err(error) = kept.write(mic, played)
        {
            self.phone.means.news.tell(News::SoundNotKept(with_causes(&error)));
            *self.kept = None;
        }
    }

    /// Tells that the person is here now, or is not any more.
    fn moved(&mut self, now: SessionTime, to: Option<Presence>) {
        match to {
            Some(Presence::Here) => {
                self.hand(now, StationInput::MouthBack);
                self.phone.means.news.tell(News::Joined(self.phone.id, self.phone.people.clone()));
            }
            Some(Presence::Away) => {
                self.phone.means.news.tell(News::Left(self.phone.id));
                // What was not heard there is said elsewhere.
                self.hand(now, StationInput::MouthLost);
                self.flush();
            }
            None => {}
        }
    }

    fn speak(&mut self, now: SessionTime) {
        while self.line.wants_more() && self.station.has_sound() {
            let mut sound = [0.0; FRAME];
            self.station.render(now, &mut sound);
            let delivery = self.line.speak(now, &sound);
            self.serve();
            if delivery == Delivery::Lost {
                // It is sent more when it has taken some of what waits for it.
                return tracing::warn!("a page does not keep up with what is said");
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
            match self.phone.means.workers.serve(self.phone.id, output) {
                Some(StationOutput::Flush) => self.flush(),
                Some(told @ StationOutput::Spoke(_)) => self.line.tell_later(told),
                Some(told) => self.tell(told),
                None => {}
            }
        }
    }

    /// What is queued at the page is not said any more.
    fn flush(&mut self) {
        for told in self.line.flush() {
            self.tell(told);
        }
    }

    fn tell(&self, told: StationOutput) {
        self.phone.means.news.tell(News::Station(self.phone.id, told));
    }
}

/// 10 ms at full scale 1; silence where there are none.
fn samples(whole: &[i16], piece: usize) -> [f32; FRAME_LEN] {
    let mut samples = [0.0; FRAME_LEN];
    for (sample, whole) in samples.iter_mut().zip(whole.iter().skip(piece * FRAME_LEN)) {
        *sample = f32::from(*whole) / 32_768.0;
    }
    samples
}

/// Orders that may wait for a station.
const ORDERS: usize = 256;
/// Frames of a page that may wait: two seconds.
const FRAMES: usize = 100;
/// Whether anything is due is looked at this often where nothing wakes the thread.
const LOOK_EVERY: Duration = Duration::from_millis(100);
