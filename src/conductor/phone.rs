//! A station on a phone: a thread that takes the sound of its page, and the station in it.
//!
//! Microphone and what was played come in pairs, so nothing is aligned here. Frames for the loudspeaker are rendered a quarter of a second ahead of what
//! the page says that it has played, and what the mixer tells of them is told when they have sounded. The station joins with its first sound, and
//! is gone when none comes any more.

use std::collections::VecDeque;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, SyncSender, TryRecvError, sync_channel};
use std::thread::JoinHandle;
use std::time::Duration;

use crate::audio::FRAME_LEN;
use crate::audio::wake::{Sleeper, Waker};
use crate::conductor::edges::{Round, Stop, ToLoop, keep_going};
use crate::conductor::error::ConductorError;
use crate::conductor::kept_sound::KeptSound;
use crate::conductor::news::News;
use crate::conductor::workers::{Directory, Workers};
use crate::say::mixer::FRAME;
use crate::server::flow::{Arrival, Flow};
use crate::server::protocol::{HeardFrame, SoundState, ToPage};
use crate::server::{Delivery, PageWay};
use crate::setup::causes::with_causes;
use crate::setup::clock::Clock;
use crate::setup::sound::{SoundError, Sounds};
use crate::station::{Station, StationInput, StationOutput};
use crate::units::{SessionTime, StationId};

/// What a station on a phone works with.
#[derive(Clone)]
pub struct PhoneStation {
    pub id: StationId,
    /// Whose it is, by name; empty where nobody is named.
    pub name: String,
    pub sounds: Sounds,
    pub workers: Workers,
    pub stations: Directory,
    pub news: ToLoop,
    pub clock: Clock,
    pub stop: Stop,
    /// Where all its sound is kept.
    pub keep_sound: Option<PathBuf>,
}

/// Names a connection of a page: what comes late of an older one is passed over.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct VisitId(pub u64);

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
        self.stations.enter(self.id, inbox, waker.clone());
        let (id, news, stop) = (self.id, self.news.clone(), self.stop.clone());
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
        let station = Station::new(self.id, self.sounds.ear()?, self.sounds.mixer()?);
        let Lasting { page, kept } = lasting;
        let link = page.clone().map(|(visit, page)| Link::new(visit, page));
        let mut round = PhoneRound {
            phone: self,
            station,
            link,
            presence: Presence::Away,
            carries_since: None,
            kept,
            told_later: VecDeque::new(),
        };
        while !self.stop.is_set() && round.turn(orders, from_page) == Turned::On {
            *page = round.link.as_ref().map(|link| (link.visit, link.page.clone()));
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
    link: Option<Link>,
    presence: Presence,
    /// Since when sound goes both ways without a break.
    carries_since: Option<SessionTime>,
    kept: &'a mut Option<KeptSound>,
    /// What the mixer told, with how much must have been played by then.
    told_later: VecDeque<(u64, StationOutput)>,
}

/// Whether the person can be reached at the station.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Presence {
    Here,
    Away,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Turned {
    On,
    /// The loop is gone.
    Over,
}

/// A connection of a page.
struct Link {
    visit: VisitId,
    page: PageWay,
    flow: Flow,
    sound: SoundState,
    mouth: Queued,
}

impl Link {
    fn new(visit: VisitId, page: PageWay) -> Self {
        Self { visit, page, flow: Flow::default(), sound: SoundState::Running, mouth: Queued::default() }
    }

    /// Whether sound goes both ways.
    fn carries(&self, now: SessionTime) -> bool {
        let hears = self.flow.silent_at().is_some() && !self.flow.is_silent(now);
        hears && self.sound == SoundState::Running && !self.page.is_gone() && !self.mouth.stands_still(now)
    }
}

/// Samples on their way to a page's loudspeaker.
#[derive(Debug, Default)]
struct Queued {
    sent: u64,
    taken: u64,
    /// Since when none was taken though some wait.
    waits_since: Option<SessionTime>,
}

impl Queued {
    fn ahead(&self) -> u64 {
        self.sent - self.taken
    }

    fn send(&mut self, samples: u64, now: SessionTime) {
        if self.ahead() == 0 {
            self.waits_since = Some(now);
        }
        self.sent += samples;
    }

    /// The page has taken so many in all, counted to 32 bits. One that tells of more than it was sent counts as having taken all.
    fn take(&mut self, taken: u32, now: SessionTime) {
        let more = u64::from(taken.wrapping_sub(self.taken as u32));
        // One that goes backwards is an old frame, or none of ours.
        if more == 0 || more > u64::from(u32::MAX / 2) {
            return;
        }
        self.taken = (self.taken + more).min(self.sent);
        self.waits_since = (self.ahead() > 0).then_some(now);
    }

    fn stands_still(&self, now: SessionTime) -> bool {
        self.waits_since.is_some_and(|since| now.since(since) >= STANDS_STILL)
    }
}

impl PhoneRound<'_> {
    /// Does all there is to do now.
    fn turn(&mut self, orders: &Receiver<StationInput>, from_page: &Receiver<FromPage>) -> Turned {
        let now = self.phone.clock.now();
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
        self.look_whether_here(now);
        self.speak(now);
        self.tell_what_sounded();
        Turned::On
    }

    fn take(&mut self, now: SessionTime, from_page: FromPage) {
        match from_page {
            FromPage::Came(visit, page) => {
                self.link = Some(Link::new(visit, page));
                // How its loudspeaker comes back into its microphone is to be learned.
                self.hand(now, StationInput::RoomChanged);
            }
            FromPage::Sound(visit, frame) => {
                if self.link.as_ref().is_some_and(|link| link.visit == visit) {
                    self.listen(now, &frame);
                }
            }
            FromPage::State(visit, sound) => {
                if let Some(link) = self.link.as_mut().filter(|link| link.visit == visit) {
                    link.sound = sound;
                }
            }
            FromPage::Gone(visit) => {
                self.link.take_if(|link| link.visit == visit);
            }
        }
    }

    fn listen(&mut self, now: SessionTime, frame: &HeardFrame) {
        let Some(link) = &mut self.link else { return };
        match link.flow.arrived(now, frame) {
            Arrival::Stale => return,
            Arrival::Slipped => {
                tracing::debug!(counts = ?link.flow.counts(), "sound of a phone slipped");
                self.station.handle(now, StationInput::EchoMoved);
            }
            Arrival::InOrder => {}
        }
        link.mouth.take(frame.taken, now);
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
                self.phone.stations.send_to_others(station, others);
            }
        }
    }

    /// Hearing goes on when the disk is full.
    fn keep(&mut self, mic: &[f32; FRAME_LEN], played: &[f32; FRAME_LEN]) {
        if let Some(kept) = self.kept.as_mut()
            && let Err(error) = kept.write(mic, played)
        {
            tracing::warn!(%error, "no sound is kept any more");
            *self.kept = None;
        }
    }

    /// Joins with the first sound, and leaves when none comes any more.
    fn look_whether_here(&mut self, now: SessionTime) {
        let carries = self.link.as_ref().is_some_and(|link| link.carries(now));
        self.carries_since = if carries { Some(self.carries_since.unwrap_or(now)) } else { None };
        let lasts = self.carries_since.is_some_and(|since| now.since(since) >= BACK_AFTER);
        match (self.presence, carries) {
            // At the edge of the network it comes and goes: nobody is asked here again for a moment of it.
            (Presence::Away, true) if lasts => {
                self.presence = Presence::Here;
                self.hand(now, StationInput::MouthBack);
                self.phone.news.tell(News::Joined(self.phone.id, vec![self.phone.name.clone()]));
            }
            (Presence::Here, false) => {
                self.presence = Presence::Away;
                self.phone.news.tell(News::Left(self.phone.id));
                // What was not heard there is said elsewhere.
                self.hand(now, StationInput::MouthLost);
                self.flush();
            }
            _ => {}
        }
    }

    /// Renders as far ahead as a poor link needs, and no further: what is sent cannot be lowered any more for somebody who speaks over it.
    fn speak(&mut self, now: SessionTime) {
        while self.presence == Presence::Here && self.station.has_sound() {
            let Some(link) = self.link.as_mut().filter(|link| link.mouth.ahead() < AHEAD) else { return };
            let mut sound = [0.0; FRAME];
            self.station.render(now, &mut sound);
            link.mouth.send(FRAME as u64, now);
            if link.page.speak(&sound) == Delivery::Lost {
                tracing::warn!("a page does not keep up with what is said");
            }
            self.serve();
        }
    }

    fn hand(&mut self, now: SessionTime, input: StationInput) {
        self.station.handle(now, input);
        self.serve();
    }

    /// Passes on what the station asks for and tells.
    fn serve(&mut self) {
        while let Some(output) = self.station.poll() {
            match self.phone.workers.serve(self.phone.id, output) {
                Some(StationOutput::Flush) => self.flush(),
                Some(told @ StationOutput::Spoke(_)) => {
                    let sent = self.link.as_ref().map_or(0, |link| link.mouth.sent);
                    self.told_later.push_back((sent, told));
                }
                Some(told) => self.tell(told),
                None => {}
            }
        }
    }

    /// What is queued at the page is not said any more.
    fn flush(&mut self) {
        if let Some(link) = &mut self.link {
            link.page.tell(ToPage::Hush);
        }
        for (_, told) in std::mem::take(&mut self.told_later) {
            self.tell(told);
        }
    }

    fn tell_what_sounded(&mut self) {
        let taken = self.link.as_ref().map_or(u64::MAX, |link| link.mouth.taken);
        while let Some((_, told)) = self.told_later.pop_front_if(|(at, _)| *at <= taken) {
            self.tell(told);
        }
    }

    fn tell(&self, told: StationOutput) {
        self.phone.news.tell(News::Station(self.phone.id, told));
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
/// 250 ms at 48 kHz: links on a campground stall for up to 200 ms.
const AHEAD: u64 = 12_000;
/// A page that hears but plays nothing for so long has lost its loudspeaker.
const STANDS_STILL: Duration = Duration::from_millis(1_500);
/// A page has to be heard for so long before its person is asked there.
const BACK_AFTER: Duration = Duration::from_millis(300);

#[cfg(test)]
mod tests {
    use super::*;

    fn at(ms: u64) -> SessionTime {
        SessionTime::from_millis(ms)
    }

    #[test]
    fn what_a_page_has_played_is_counted_over_the_wrap_and_never_beyond_what_it_was_sent() {
        let mut queued =
            Queued { sent: u64::from(u32::MAX) + 1_000, taken: u64::from(u32::MAX) - 10, waits_since: None };
        queued.take(400, at(0));
        assert_eq!((queued.taken, queued.ahead()), (u64::from(u32::MAX) + 401, 599));
        queued.take(100, at(0));
        assert_eq!(queued.ahead(), 599, "an older frame");
        queued.take(500_000, at(0));
        assert_eq!(queued.ahead(), 0);
    }

    #[test]
    fn a_page_that_plays_nothing_of_what_it_was_sent_has_lost_its_loudspeaker() {
        let mut queued = Queued::default();
        assert!(!queued.stands_still(at(10_000)), "nothing waits");
        queued.send(480, at(10_000));
        assert!(!queued.stands_still(at(11_499)));
        assert!(queued.stands_still(at(11_500)));
        queued.take(240, at(11_500));
        assert!(!queued.stands_still(at(12_900)));
        queued.take(480, at(12_900));
        assert!(!queued.stands_still(at(60_000)));
    }
}
