//! What a station on a phone knows of its page: whether its person can be reached, what is on its way to the loudspeaker, and what waits until it has
//! sounded. Pure but for what it sends.

use std::collections::VecDeque;
use std::time::Duration;

use crate::say::mixer::FRAME;
use crate::server::flow::{Arrival, Flow};
use crate::server::protocol::{HeardFrame, SoundState, ToPage};
use crate::server::{Delivery, PageWay};
use crate::station::StationOutput;
use crate::units::SessionTime;

/// Names a connection of a page: what comes late of an older one is passed over.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct VisitId(pub u64);

/// The line to a page, over its connections.
#[derive(Debug)]
pub struct PhoneLine {
    link: Option<Link>,
    presence: Presence,
    /// Since when sound goes both ways without a break.
    carries_since: Option<SessionTime>,
    /// What the mixer told, with how much must have been played by then.
    told_later: VecDeque<(u64, StationOutput)>,
}

/// Whether the person can be reached at the station.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Presence {
    /// They are heard, and hear.
    Here,
    /// They are asked elsewhere.
    Away,
}

/// A connection of a page.
#[derive(Debug)]
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
    /// What the page had taken when it was first heard of: of a station that was there before this one.
    base: Option<u32>,
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
        let taken = taken.wrapping_sub(*self.base.get_or_insert(taken));
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

impl PhoneLine {
    /// The line of a station that begins, to a page that may be there already. What such a page still plays is nobody's any more.
    pub fn begin(page: Option<(VisitId, PageWay)>) -> Self {
        let link = page.map(|(visit, page)| {
            page.tell(ToPage::Hush);
            Link::new(visit, page)
        });
        Self { link, presence: Presence::Away, carries_since: None, told_later: VecDeque::new() }
    }

    /// The page that is connected.
    pub fn page(&self) -> Option<(VisitId, PageWay)> {
        self.link.as_ref().map(|link| (link.visit, link.page.clone()))
    }

    /// A page came, instead of any before. Gives whether whoever was reached at the one before is so no more: what that one was sent and has not
    /// played is to be flushed and said elsewhere before this.
    pub fn will_come(&mut self) -> Option<Presence> {
        self.carries_since = None;
        self.turn_to(Presence::Away)
    }

    /// The page is there.
    pub fn came(&mut self, visit: VisitId, page: PageWay) {
        self.link = Some(Link::new(visit, page));
    }

    /// The page of this visit is gone.
    pub fn gone(&mut self, visit: VisitId) {
        self.link.take_if(|link| link.visit == visit);
    }

    /// How the sound of the page of this visit does.
    pub fn sound_is(&mut self, visit: VisitId, sound: SoundState) {
        if let Some(link) = self.link.as_mut().filter(|link| link.visit == visit) {
            link.sound = sound;
        }
    }

    /// Takes a frame of the page of this visit; gives nothing where it is not to be used.
    pub fn heard(&mut self, now: SessionTime, visit: VisitId, frame: &HeardFrame) -> Option<Arrival> {
        let link = self.link.as_mut().filter(|link| link.visit == visit)?;
        let arrival = link.flow.arrived(now, frame);
        if arrival == Arrival::Stale {
            return None;
        }
        if arrival == Arrival::Slipped {
            tracing::debug!(counts = ?link.flow.counts(), "sound of a phone slipped");
        }
        link.mouth.take(frame.taken, now);
        Some(arrival)
    }

    /// Joins with the first sound, and leaves when none comes any more; gives what the person is from now on, where that is something else.
    pub fn look(&mut self, now: SessionTime) -> Option<Presence> {
        let carries = self.link.as_ref().is_some_and(|link| link.carries(now));
        self.carries_since = if carries { Some(self.carries_since.unwrap_or(now)) } else { None };
        let lasts = self.carries_since.is_some_and(|since| now.since(since) >= BACK_AFTER);
        match (self.presence, carries) {
            // At the edge of the network it comes and goes: nobody is asked here again for a moment of it.
            (Presence::Away, true) if lasts => self.turn_to(Presence::Here),
            (Presence::Here, false) => {
                let link = self.link.as_ref();
                tracing::debug!(
                    gone = link.is_none_or(|link| link.page.is_gone()),
                    silent = link.is_some_and(|link| link.flow.is_silent(now)),
                    sound = ?link.map(|link| link.sound),
                    plays_nothing = link.is_some_and(|link| link.mouth.stands_still(now)),
                    "a phone is away"
                );
                self.turn_to(Presence::Away)
            }
            _ => None,
        }
    }

    fn turn_to(&mut self, presence: Presence) -> Option<Presence> {
        let before = std::mem::replace(&mut self.presence, presence);
        (before != presence).then_some(presence)
    }

    /// Whether the page is to be sent more now: as far ahead as a poor link needs, and no further, since what is sent cannot be lowered any more for
    /// somebody who speaks over it.
    pub fn wants_more(&self) -> bool {
        self.presence == Presence::Here && self.link.as_ref().is_some_and(|link| link.mouth.ahead() < AHEAD)
    }

    /// Sends 10 ms to the loudspeaker. What the page does not take was never sent.
    pub fn speak(&mut self, now: SessionTime, sound: &[f32; FRAME]) -> Delivery {
        let Some(link) = &mut self.link else { return Delivery::Lost };
        let delivery = link.page.speak(sound);
        if delivery == Delivery::Sent {
            link.mouth.send(FRAME as u64, now);
        }
        delivery
    }

    /// To be told when all that was sent so far has been played.
    pub fn tell_later(&mut self, told: StationOutput) {
        let sent = self.link.as_ref().map_or(0, |link| link.mouth.sent);
        self.told_later.push_back((sent, told));
    }

    /// What has sounded by now.
    pub fn sounded(&mut self) -> Option<StationOutput> {
        let taken = self.link.as_ref().map_or(u64::MAX, |link| link.mouth.taken);
        self.told_later.pop_front_if(|(at, _)| *at <= taken).map(|(_, told)| told)
    }

    /// What is queued at the page is not said any more; gives what was to be told of it.
    pub fn flush(&mut self) -> impl Iterator<Item = StationOutput> + use<> {
        if let Some(link) = &mut self.link {
            link.page.tell(ToPage::Hush);
        }
        std::mem::take(&mut self.told_later).into_iter().map(|(_, told)| told)
    }
}

/// 250 ms at 48 kHz: links on a campground stall for up to 200 ms.
const AHEAD: u64 = 12_000;
/// A page that hears but plays nothing for so long has lost its loudspeaker.
const STANDS_STILL: Duration = Duration::from_millis(1_500);
/// A page has to be heard for so long before its person is asked there.
const BACK_AFTER: Duration = Duration::from_millis(300);

#[cfg(test)]
mod tests {
    use super::*;
    use crate::server::Down;
    use tokio::sync::mpsc::Receiver;

    fn at(ms: u64) -> SessionTime {
        SessionTime::from_millis(ms)
    }

    /// 20 ms each, with how much the page has taken by then.
    fn frame(number: u32, taken: u32) -> HeardFrame {
        HeardFrame { number, clock_us: u64::from(number) * 20_000, taken, mic: vec![0; 320], played: Vec::new() }
    }

    /// A line whose page is here by 400 ms, having taken so much before.
    fn here(taken: u32) -> (PhoneLine, Receiver<Down>) {
        let (page, to_page) = PageWay::new();
        let mut line = PhoneLine::begin(Some((VisitId(1), page)));
        for number in 0..=20 {
            line.heard(at(u64::from(number) * 20), VisitId(1), &frame(number, taken));
            line.look(at(u64::from(number) * 20));
        }
        assert_eq!(line.presence, Presence::Here);
        (line, to_page)
    }

    #[test]
    fn what_a_page_has_played_is_counted_over_the_wrap_and_never_beyond_what_it_was_sent() {
        let mut queued = Queued {
            base: Some(0),
            sent: u64::from(u32::MAX) + 1_000,
            taken: u64::from(u32::MAX) - 10,
            waits_since: None,
        };
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
        queued.take(0, at(0));
        assert!(!queued.stands_still(at(10_000)), "nothing waits");
        queued.send(480, at(10_000));
        assert!(!queued.stands_still(at(11_499)));
        assert!(queued.stands_still(at(11_500)));
        queued.take(240, at(11_500));
        assert!(!queued.stands_still(at(12_900)));
        queued.take(480, at(12_900));
        assert!(!queued.stands_still(at(60_000)));
    }

    #[test]
    fn a_station_that_was_begun_anew_takes_nothing_as_played_that_its_page_played_before() {
        let (mut line, mut to_page) = here(3_000_000_000);
        assert!(matches!(to_page.try_recv(), Ok(Down::ToPage(ToPage::Hush))), "what it still plays is nobody's");
        line.speak(at(420), &[0.5; FRAME]);
        line.tell_later(StationOutput::WarmUpVoice);
        line.heard(at(420), VisitId(1), &frame(21, 3_000_000_000));
        assert!(line.sounded().is_none(), "nothing of it was played yet");
        line.heard(at(440), VisitId(1), &frame(22, 3_000_000_480));
        assert!(line.sounded().is_some());
    }

    #[test]
    fn a_page_that_does_not_keep_up_is_not_taken_for_one_that_plays_nothing() {
        let (mut line, _full) = here(0);
        let taken: u32 = 24_000;
        // As much as may wait for a page, and more.
        let sent = (0..400).filter(|_| line.speak(at(420), &[0.5; FRAME]) == Delivery::Sent).count();
        assert!(sent < 400, "the way to a page is bounded");
        for number in 21..200 {
            let now = at(u64::from(number) * 20);
            let all = u32::try_from(sent * FRAME).unwrap();
            line.heard(now, VisitId(1), &frame(number, all.min(taken + number * 960)));
            assert_eq!(line.look(now), None, "it has played all that it was sent");
        }
    }

    #[test]
    fn another_phone_in_place_of_one_that_was_here_is_away_until_it_is_heard_and_what_was_queued_is_told_at_once() {
        let (mut line, _one) = here(0);
        line.speak(at(420), &[0.5; FRAME]);
        line.tell_later(StationOutput::WarmUpVoice);
        assert!(line.sounded().is_none());
        assert_eq!(line.will_come(), Some(Presence::Away));
        assert_eq!(line.flush().count(), 1);
        let (page, _two) = PageWay::new();
        line.came(VisitId(2), page);
        assert!(!line.wants_more());
        assert_eq!(line.look(at(430)), None);
        line.tell_later(StationOutput::WarmUpVoice);
        assert!(line.sounded().is_some(), "nothing older stands before it");
        assert_eq!(line.heard(at(440), VisitId(1), &frame(22, 0)), None, "what comes late of the one before");
    }

    /// Uniform below `below`; a linear congruential generator (Knuth, TAOCP 3.3.4, MMIX).
    fn roll(seed: &mut u64, below: u64) -> u64 {
        *seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (*seed >> 33) % below
    }

    /// One direction of a link that hands on what comes after 8 to 20 ms, in order.
    struct PoorLink<T> {
        seed: u64,
        on_its_way: VecDeque<(u64, T)>,
    }

    impl<T> PoorLink<T> {
        fn new(seed: u64) -> Self {
            Self { seed, on_its_way: VecDeque::new() }
        }

        fn send(&mut self, now: u64, what: T) {
            let due = now + 8 + roll(&mut self.seed, 13);
            let last = self.on_its_way.back().map_or(0, |(due, _)| *due);
            self.on_its_way.push_back((due.max(last), what));
        }

        fn arrived(&mut self, now: u64) -> Vec<T> {
            std::iter::from_fn(|| self.on_its_way.pop_front_if(|(due, _)| *due <= now)).map(|(_, what)| what).collect()
        }
    }

    #[test]
    fn over_a_poor_link_nobody_is_away_no_sound_slips_and_what_is_said_has_no_gap_in_it() {
        let (page, mut to_page) = PageWay::new();
        let mut line = PhoneLine::begin(Some((VisitId(1), page)));
        let (mut up, mut down) = (PoorLink::new(3), PoorLink::new(4));
        let (mut queued, mut played, mut began, mut silent) = (0_u64, 0_u64, false, 0_u64);
        // Both directions stand still for 200 ms, every one to five seconds.
        let (mut seed, mut stands) = (5, 2_000..2_200);
        for now in 0..10 * 60 * 1_000 {
            if now % 20 == 0 {
                let number = u32::try_from(now / 20).unwrap();
                up.send(now, frame(number, u32::try_from(played).unwrap()));
            }
            if now >= stands.end {
                let next = stands.end + 1_000 + roll(&mut seed, 4_000);
                stands = next..next + 200;
            }
            let stands_still = stands.contains(&now);
            for frame in if stands_still { Vec::new() } else { up.arrived(now) } {
                assert_eq!(line.heard(at(now), VisitId(1), &frame), Some(Arrival::InOrder), "at {now} ms");
            }
            let moved = line.look(at(now));
            assert!(moved != Some(Presence::Away), "away at {now} ms");
            while line.wants_more() {
                assert_eq!(line.speak(at(now), &[0.5; FRAME]), Delivery::Sent);
            }
            while let Ok(Down::Speech(bytes)) = to_page.try_recv() {
                down.send(now, u64::try_from(bytes.len() - 4).unwrap() / 2);
            }
            if !stands_still {
                queued += down.arrived(now).into_iter().sum::<u64>();
            }
            began |= queued > 0;
            // 48 samples a millisecond.
            let plays = queued.min(48);
            (queued, played) = (queued - plays, played + plays);
            silent += u64::from(began && plays < 48);
        }
        assert!(played > 9 * 60 * 48_000, "it spoke all the time");
        assert_eq!(silent, 0, "ms of silence in ten minutes of speech");
    }
}
