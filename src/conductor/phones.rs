//! The phones of a run: which station is whose, who looks at what, and how another one is let in.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;

use jiff::civil::Date;

use crate::conductor::core::Conductor;
use crate::conductor::edges::{Sent, ToLoop};
use crate::conductor::news::{News, Pressed, ScreenOf};
use crate::conductor::phone::{FromPage, PhoneStation, ToPhone};
use crate::conductor::phone_line::VisitId;
use crate::conductor::workers::StationMeans;
use crate::engine::output::View;
use crate::routine::StepIndex;
use crate::screen::Overlay;
use crate::server::address::ServerAddress;
use crate::server::invitation::Invitation;
use crate::server::limits::PAGES;
use crate::server::pairing::InvitationUse;
use crate::server::protocol::{Message, PagePart, Refusal, ToPage, Up};
use crate::server::shown::Shown;
use crate::server::{Delivery, Guest, Host, PageWay, PhoneServer, ServerError, ServerSettings, Visitor};
use crate::units::{SessionTime, StationId};

/// How phones are let in to a run.
#[derive(Clone, Debug)]
pub struct PhonesWanted {
    /// Where the server listens, and nowhere else.
    pub place: ServerAddress,
    /// What it keeps.
    pub folder: PathBuf,
    /// By the rig's calendar.
    pub today: Date,
    /// Those who take part, by name; none where nobody is named.
    pub people: Vec<String>,
}

/// The phones of a run, with their server.
pub struct Phones {
    server: PhoneServer,
    seats: Arc<Seats>,
    inviting: Inviting,
    invitation: Option<Invitation>,
    urgent: Urgent,
}

/// What has to be seen at once: the clocks that guard a hazard, each with whether it rings, and an emergency card.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
struct Urgent {
    clocks: BTreeSet<(Option<StepIndex>, bool)>,
    emergency: bool,
}

impl Urgent {
    fn of(view: &View) -> Self {
        let guards = view.clocks.iter().filter(|clock| clock.hazard);
        Self { clocks: guards.map(|clock| (clock.step, clock.alarming)).collect(), emergency: view.emergency }
    }

    fn has_more_than(&self, before: &Self) -> bool {
        !self.clocks.is_subset(&before.clocks) || self.emergency && !before.emergency
    }
}

/// Whether the rig shows how a phone is let in.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Inviting {
    Shown,
    Hidden,
}

/// What the server's thread and the loop share.
struct Seats {
    people: Vec<String>,
    today: Date,
    /// Where all sound of the rig is kept; that of a phone is kept beside it.
    keep_sound: Option<PathBuf>,
    means: StationMeans,
    table: Mutex<SeatingPlan>,
}

#[derive(Default)]
struct SeatingPlan {
    visits: u64,
    /// By the people whose it is.
    phones: BTreeMap<Vec<String>, (StationId, ToPhone)>,
    pages: Vec<Look>,
    threads: Vec<JoinHandle<()>>,
}

/// Somebody who looks.
struct Look {
    visit: VisitId,
    people: Vec<String>,
    of: ScreenOf,
    part: PagePart,
    page: PageWay,
    shown: Option<Shown>,
}

impl Phones {
    /// Begins to listen. What the phones hear and say is kept beside the file `keep_sound`, where there is one.
    ///
    /// # Errors
    /// The address is taken, or what the server needs cannot be read or made.
    pub fn begin(wanted: PhonesWanted, keep_sound: Option<PathBuf>, means: StationMeans) -> Result<Self, ServerError> {
        let PhonesWanted { place, folder, today, people } = wanted;
        let seats = Arc::new(Seats { people, today, keep_sound, means, table: Mutex::default() });
        let settings = ServerSettings { place, folder, today };
        let server = PhoneServer::begin(&settings, Arc::new(Door(Arc::clone(&seats))))?;
        Ok(Self { server, seats, inviting: Inviting::Hidden, invitation: None, urgent: Urgent::default() })
    }

    /// Shows how a phone is let in, or hides it; while it is hidden nobody is, but by a command of the same user.
    pub fn toggle(&mut self) {
        match self.inviting {
            Inviting::Shown => self.hide(),
            Inviting::Hidden => self.inviting = Inviting::Shown,
        }
    }

    /// Hides it.
    pub fn hide(&mut self) {
        self.inviting = Inviting::Hidden;
        self.server.shut_door();
        self.invitation = None;
    }

    /// What the rig's screen shows over everything else, where this is what it shows otherwise; nothing while it is hidden. It is there until a phone
    /// was let in, or a clock that guards a hazard begins to run or to ring, or an emergency card begins: that has to be seen.
    pub fn panel(&mut self, view: &View) -> Overlay {
        let before = std::mem::replace(&mut self.urgent, Urgent::of(view));
        let used = self.invitation.is_some() && self.server.shown_is() == InvitationUse::Used;
        if self.inviting == Inviting::Shown && (used || self.urgent.has_more_than(&before)) {
            self.hide();
        }
        if self.inviting == Inviting::Hidden {
            return Overlay::default();
        }
        if self.server.shown_is() != InvitationUse::Open {
            self.invite();
        }
        let Some(shown) = &self.invitation else { return Overlay::default() };
        let words = &self.server.words().rig;
        Overlay { lines: shown.told(words), instead: shown.in_short(words) }
    }

    fn invite(&mut self) {
        match self.server.invite() {
            Ok(invitation) => self.invitation = Some(invitation),
            Err(error) => {
                tracing::warn!(%error, "no phone can be let in");
                self.hide();
            }
        }
    }

    /// Where there is no screen: how a phone is let in, without anything that lets one in.
    pub fn without_screen(&self) -> String {
        self.server.words().rig.by_command.replace("{}", &self.server.place().to_string())
    }

    /// What is to be told once at the rig: that phones which were let in before will warn, and what to do.
    pub fn to_tell(&self) -> Option<String> {
        self.server.to_tell().map(str::to_owned)
    }

    /// Shows each page what there is to see, where that has changed.
    pub fn show(&self, now: SessionTime, conductor: &Conductor) {
        for look in &mut self.seats.table().pages {
            let shown = conductor.shown_on(now, &look.of, look.part);
            let told = || ToPage::View(Box::new(shown.clone()));
            // What a page that does not keep up misses it is told with the next look.
            if look.shown.as_ref() != Some(&shown) && look.page.tell(told()) == Delivery::Sent {
                look.shown = Some(shown);
            }
        }
    }

    /// Tells every page that the run is over, and gives the threads of their stations.
    pub fn leave(self) -> Vec<JoinHandle<()>> {
        let mut table = self.seats.table();
        for look in table.pages.drain(..) {
            look.page.tell(ToPage::Over);
            look.page.close();
        }
        std::mem::take(&mut table.threads)
    }
}

impl Seats {
    fn table(&self) -> MutexGuard<'_, SeatingPlan> {
        // A look that panicked left the plan whole.
        self.table.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The station of these people, begun where there is none.
    fn phone_of(&self, plan: &mut SeatingPlan, people: &[String]) -> Option<(StationId, ToPhone)> {
        if let Some(phone) = plan.phones.get(people) {
            return Some(phone.clone());
        }
        let id = StationId(u16::try_from(plan.phones.len() + 1).ok()?);
        let keep_sound = self.keep_sound.as_ref().map(|file| file.with_extension(format!("{}.wav", id.0)));
        let station = PhoneStation { id, people: people.to_vec(), keep_sound, means: self.means.clone() };
        match station.begin() {
            Ok((phone, thread)) => {
                plan.phones.insert(people.to_vec(), (id, phone.clone()));
                plan.threads.push(thread);
                Some((id, phone))
            }
            Err(error) => {
                tracing::warn!(%error, "a phone gets no station");
                None
            }
        }
    }
}

/// What the server sees of the run.
struct Door(Arc<Seats>);

impl Host for Door {
    fn now(&self) -> SessionTime {
        self.0.means.clock.now()
    }

    fn today(&self) -> String {
        self.0.today.to_string()
    }

    fn people(&self) -> Vec<String> {
        self.0.people.clone()
    }

    fn paired(&self) {
        self.0.means.news.offer(News::Woke);
    }

    fn welcome(&self, visitor: Visitor) -> Result<Box<dyn Guest>, Refusal> {
        let Visitor { names, part, page } = visitor;
        let people = if names.is_empty() { vec![String::new()] } else { names };
        let mut plan = self.0.table();
        if part == PagePart::Station {
            // One ear and one mouth for the same people: whoever came last.
            plan.pages.retain(|look| {
                let before = look.part == PagePart::Station && look.people == people;
                if before {
                    look.page.tell(ToPage::Superseded);
                    look.page.close();
                }
                !before
            });
        }
        plan.pages.retain(|look| !look.page.is_gone());
        if plan.pages.len() >= PAGES {
            return Err(Refusal::Full);
        }
        plan.visits += 1;
        let visit = VisitId(plan.visits);
        let phone = match part {
            PagePart::Station => Some(self.0.phone_of(&mut plan, &people).ok_or(Refusal::NoStation)?),
            PagePart::Screen => None,
        };
        if let Some((_, phone)) = &phone
            && phone.send(FromPage::Came(visit, page.clone())) == Delivery::Lost
        {
            // It would never be heard; it comes again in a moment.
            tracing::warn!("a phone's station is behind: its page is to come again");
            return Err(Refusal::Busy);
        }
        let of = match (&phone, &*people) {
            (Some((station, _)), [_, _, ..]) => ScreenOf::Shared { station: *station, people: people.clone() },
            _ => ScreenOf::Person(people[0].clone()),
        };
        plan.pages.push(Look { visit, people, of: of.clone(), part, page: page.clone(), shown: None });
        drop(plan);
        self.0.means.news.offer(News::Woke);
        let phone = phone.map(|(_, phone)| phone);
        Ok(Box::new(Caller { seats: Arc::clone(&self.0), visit, of, phone, page }))
    }
}

/// One page, as the server hands on what it sends.
struct Caller {
    seats: Arc<Seats>,
    visit: VisitId,
    of: ScreenOf,
    phone: Option<ToPhone>,
    page: PageWay,
}

impl Guest for Caller {
    fn sent(&mut self, up: Up) {
        match up {
            Up::Message(Message::Press { what, question, words }) => {
                press(
                    &self.seats.means.news,
                    &self.page,
                    Pressed { of: self.of.clone(), button: what, question, words },
                );
            }
            // Sound that is lost is missed by its numbers.
            Up::Sound(frame) => {
                self.pass_on(FromPage::Sound(self.visit, frame));
            }
            Up::Message(Message::State { sound }) => self.pass_on_surely(FromPage::State(self.visit, sound)),
            Up::Message(Message::Leave {}) => self.pass_on_surely(FromPage::Gone(self.visit)),
            // Answered by the server.
            Up::Message(Message::Hello { .. } | Message::Ping { .. }) => {}
        }
    }
}

/// A press that is lost is shown: the page is closed, and comes again with what is asked then.
fn press(news: &ToLoop, page: &PageWay, pressed: Pressed) {
    if news.offer(News::Pressed(pressed)) != Sent::Through {
        tracing::warn!("a button of a phone is lost: the run is behind");
        page.close();
    }
}

impl Caller {
    /// What a screen sends as if it were a station is nobody's.
    fn pass_on(&self, from_page: FromPage) -> Delivery {
        let delivery = self.phone.as_ref().map_or(Delivery::Sent, |phone| phone.send(from_page));
        if delivery == Delivery::Lost {
            tracing::debug!("a phone's station is behind");
        }
        delivery
    }

    /// The same of what is said once: where it is lost the page is closed, and says it anew when it comes again.
    fn pass_on_surely(&self, from_page: FromPage) {
        if self.pass_on(from_page) == Delivery::Lost {
            self.page.close();
        }
    }
}

impl Drop for Caller {
    fn drop(&mut self) {
        self.seats.table().pages.retain(|look| look.visit != self.visit);
        if let Some(phone) = &self.phone {
            phone.send(FromPage::Gone(self.visit));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::output::ClockView;
    use crate::server::Down;
    use crate::server::protocol::Button;
    use std::time::Duration;

    #[test]
    fn a_press_that_finds_the_loop_behind_closes_the_page_so_that_whoever_pressed_sees_it() {
        let (news, mut inbox) = tokio::sync::mpsc::channel(1);
        let (page, mut down) = PageWay::new();
        let pressed = || {
            let (of, words) = (ScreenOf::Person("Rowan".to_owned()), String::new());
            Pressed { of, button: Button::Stop, question: 1, words }
        };
        press(&ToLoop::new(news.clone()), &page, pressed());
        assert!(matches!(inbox.try_recv(), Ok(News::Pressed(_))));
        assert!(down.try_recv().is_err(), "it was taken");
        news.try_send(News::Woke).unwrap();
        press(&ToLoop::new(news), &page, pressed());
        assert!(matches!(down.try_recv(), Ok(Down::Close)));
    }

    fn seen(clocks: &[(StepIndex, bool)], emergency: bool) -> Urgent {
        let clock = |&(step, alarming): &(StepIndex, bool)| ClockView {
            step: Some(step),
            name: String::new(),
            end: String::new(),
            left: Duration::ZERO,
            length: Duration::ZERO,
            over: Duration::ZERO,
            hazard: true,
            alarming,
        };
        Urgent::of(&View { clocks: clocks.iter().map(clock).collect(), emergency, ..View::default() })
    }

    #[test]
    fn a_hazard_in_place_of_another_one_that_rings_and_an_emergency_have_to_be_seen() {
        let before = seen(&[(1, false)], false);
        assert!(!seen(&[(1, false)], false).has_more_than(&before));
        assert!(!seen(&[], false).has_more_than(&before));
        for now in [seen(&[(2, false)], false), seen(&[(1, true)], false), seen(&[(1, false)], true)] {
            assert!(now.has_more_than(&before), "{now:?}");
        }
    }
}
