//! One page over its socket: reads what it sends within its limits, and sends what there is for it.

use std::sync::Arc;
use std::time::Duration;

use tokio::sync::mpsc::Receiver;
use tokio::time::{interval, timeout};

use crate::server::http::is_known;
use crate::server::limits::{Allowance, HEAD_WITHIN, IDLE, MESSAGES};
use crate::server::protocol::{Message, PagePart, ProtocolError, Refusal, ToPage, Up, VERSION, read_sound, read_text};
use crate::server::serve::Shared;
use crate::server::wire::{Piece, Wire};
use crate::server::{Down, Guest, PageWay, Visitor};

/// Serves a page until it goes, is sent away, or breaks the rules.
pub async fn converse(mut wire: Wire, shared: Arc<Shared>, cookie: String) {
    let _alive = shared.alive();
    let Some((names, part)) = hello(&mut wire, &shared).await else { return };
    let (page, from_run) = PageWay::new();
    let guest = match shared.host.welcome(Visitor { names: names.clone(), part, page }) {
        Ok(guest) => guest,
        Err(why) => return refuse(&mut wire, why).await,
    };
    // The disk, and a command that holds the folder, are waited for elsewhere: sound goes on.
    let remembered = (Arc::clone(&shared), cookie.clone(), names.join(", "));
    tokio::task::spawn_blocking(move || remember(&remembered.0, &remembered.1, &remembered.2));
    let welcome = ToPage::Welcome { version: VERSION, names, part };
    if send(&mut wire, Down::ToPage(welcome)).await == Went::On {
        let table = Table { wire, shared, cookie, guest, from_run };
        table.serve().await;
    }
}

/// Waits for the first message, which says who it is; gives them in the order of the run.
async fn hello(wire: &mut Wire, shared: &Shared) -> Option<(Vec<String>, PagePart)> {
    let Ok(Some(Piece::Text(text))) = timeout(HEAD_WITHIN, wire.recv()).await else { return None };
    let Ok(Message::Hello { version, names, part }) = read_text(&text) else { return None };
    if version != VERSION {
        refuse(wire, Refusal::Version).await;
        return None;
    }
    let people = shared.host.people();
    let Some(names) = taken_for(&people, &names, part) else {
        refuse(wire, Refusal::Stranger).await;
        return None;
    };
    Some((names, part))
}

/// Who a page is, in the order of the run; nobody where one of the names is unknown or comes twice, or several want one screen.
fn taken_for(people: &[String], names: &[String], part: PagePart) -> Option<Vec<String>> {
    let most = if part == PagePart::Screen { 1 } else { people.len() };
    let taken: Vec<String> = people.iter().filter(|person| names.contains(person)).cloned().collect();
    let fits = taken.len() == names.len() && taken.len() <= most && taken.is_empty() == people.is_empty();
    fits.then_some(taken)
}

async fn refuse(wire: &mut Wire, why: Refusal) {
    if send(wire, Down::ToPage(ToPage::Refused { why })).await == Went::On {
        send(wire, Down::Close).await;
    }
}

/// Who uses the phone, and when, for the list of those that were let in.
fn remember(shared: &Shared, cookie: &str, name: &str) {
    let kept = || {
        let _held = shared.kept.lock()?;
        let mut phones = shared.kept.phones()?;
        let number = phones.with_cookie(cookie).map(|phone| phone.number);
        let today = shared.host.today();
        let phone = phones.phone.iter_mut().find(|phone| Some(phone.number) == number);
        if let Some(phone) = phone.filter(|phone| phone.name != name || phone.seen != today) {
            name.clone_into(&mut phone.name);
            phone.seen = today;
            shared.kept.keep_phones(&phones)?;
        }
        Ok::<(), crate::server::kept::KeptError>(())
    };
    if let Err(error) = kept() {
        tracing::warn!(%error, "the list of phones does not say who uses one");
    }
}

/// A page that was taken.
struct Table {
    wire: Wire,
    shared: Arc<Shared>,
    cookie: String,
    guest: Box<dyn Guest>,
    from_run: Receiver<Down>,
}

/// Whether a connection goes on.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Went {
    On,
    Over,
}

impl Table {
    async fn serve(mut self) {
        let mut allowance = Allowance::full(MESSAGES, self.shared.host.now());
        let mut look_again = interval(LOOK_EVERY);
        let (mut faults, mut newest) = (0_u32, self.shared.host.now());
        loop {
            let went = tokio::select! {
                piece = self.wire.recv() => {
                    newest = self.shared.host.now();
                    match piece {
                        Some(piece) if allowance.take(self.shared.host.now()) => self.take(piece, &mut faults).await,
                        Some(_) => {
                            tracing::warn!("a page that floods is sent away");
                            Went::Over
                        }
                        None => Went::Over,
                    }
                }
                down = self.from_run.recv() => match down {
                    Some(down) => send(&mut self.wire, down).await,
                    None => Went::Over,
                },
                _ = look_again.tick() => {
                    let stays = self.shared.host.now().since(newest) < IDLE && is_known(&self.shared, &self.cookie);
                    if stays { Went::On } else { send(&mut self.wire, Down::Close).await; Went::Over }
                }
            };
            if went == Went::Over {
                return;
            }
        }
    }

    async fn take(&mut self, piece: Piece, faults: &mut u32) -> Went {
        let read = match piece {
            Piece::Binary(bytes) => read_sound(&bytes).map(Up::Sound),
            Piece::Text(text) => read_text(&text).map(Up::Message),
        };
        match read {
            Ok(Up::Message(Message::Ping { at })) => {
                let now = self.shared.host.now().as_millis();
                send(&mut self.wire, Down::ToPage(ToPage::Pong { at, now })).await
            }
            // Who it is does not change on a connection.
            Ok(Up::Message(Message::Hello { .. })) => Went::Over,
            Ok(up) => {
                self.guest.sent(up);
                Went::On
            }
            Err(error) => fault(&error, faults),
        }
    }
}

/// A page that keeps sending what is none of the protocol is sent away.
fn fault(error: &ProtocolError, faults: &mut u32) -> Went {
    *faults += 1;
    tracing::warn!(%error, "a message of a page is not taken");
    if *faults < MOST_FAULTS { Went::On } else { Went::Over }
}

/// Sends; a page that takes nothing for seconds is given up.
async fn send(wire: &mut Wire, down: Down) -> Went {
    let piece = match down {
        Down::ToPage(told) => match serde_json::to_string(&told) {
            Ok(text) => Piece::Text(text),
            Err(error) => {
                tracing::error!(%error, "a message cannot be written");
                return Went::On;
            }
        },
        Down::Speech(bytes) => Piece::Binary(bytes.into()),
        Down::Close => {
            // A page that takes nothing is not waited for.
            let _ = timeout(SENT_WITHIN, wire.close()).await;
            return Went::Over;
        }
    };
    match timeout(SENT_WITHIN, wire.send(piece)).await {
        Ok(Ok(())) => Went::On,
        _ => Went::Over,
    }
}

const MOST_FAULTS: u32 = 8;
const SENT_WITHIN: Duration = Duration::from_secs(5);
/// A phone that was forgotten is gone by then.
const LOOK_EVERY: Duration = Duration::from_secs(2);
