//! Phones as ears, mouths and screens: a server of pages on the rig's own network, over TLS.
//!
//! [`PhoneServer`] runs on a thread of its own and knows nothing of a run but what its [`Host`] tells; whoever runs it is handed each page as a
//! [`Visitor`]. Who may come in ([`pairing`], [`origin`], [`limits`]), what is sent ([`protocol`], [`shown`]) and how sound flows ([`flow`]) is decided
//! without any of it. Nothing listens before [`PhoneServer::begin`].
#![warn(missing_docs)]

pub mod address;
pub mod certificate;
mod connections;
pub mod flow;
mod http;
pub mod invitation;
pub mod kept;
pub mod limits;
pub mod origin;
mod page;
pub mod pairing;
pub mod protocol;
mod serve;
pub mod shown;
mod socket;
pub mod wire;
pub mod words;

pub use self::serve::{PhoneServer, ServerError, ServerSettings, random};

use tokio::sync::mpsc;

use crate::server::protocol::{PagePart, Refusal, ToPage, Up, write_speech};
use crate::units::SessionTime;

/// What the server asks of, and tells, the run that it serves. Called on the server's thread: it may not wait.
pub trait Host: Send + Sync + 'static {
    /// Time of the run.
    fn now(&self) -> SessionTime;
    /// Today, by the rig's calendar; kept beside a phone that is let in.
    fn today(&self) -> String;
    /// Those who take part, by name; none where nobody is named.
    fn people(&self) -> Vec<String>;
    /// An invitation was used: another one may be shown.
    fn paired(&self);
    /// A page of a phone that was let in.
    ///
    /// # Errors
    /// It is not taken; why.
    fn welcome(&self, visitor: Visitor) -> Result<Box<dyn Guest>, Refusal>;
}

/// A page that is connected. Dropped when it is not any more.
pub trait Guest: Send {
    /// It sent something. May not wait.
    fn sent(&mut self, up: Up);
}

/// A page that comes.
#[derive(Debug)]
pub struct Visitor {
    /// Who it says that it is: of [`Host::people`], in their order; none where there are none.
    pub names: Vec<String>,
    /// What it is to be.
    pub part: PagePart,
    /// The way to it.
    pub page: PageWay,
}

/// A bounded way to a page. Cheap to copy.
#[derive(Clone, Debug)]
pub struct PageWay(mpsc::Sender<Down>);

/// Something on its way to a page.
#[derive(Debug)]
pub(crate) enum Down {
    ToPage(ToPage),
    Speech(Vec<u8>),
    /// Nothing comes after.
    Close,
}

/// What became of something for a page.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Delivery {
    /// It is on its way.
    Sent,
    /// The page does not keep up, or is gone.
    Lost,
}

impl PageWay {
    /// A way, and where it ends.
    pub(crate) fn new() -> (Self, mpsc::Receiver<Down>) {
        let (to, from) = mpsc::channel(WAITING);
        (Self(to), from)
    }

    /// Tells the page something.
    pub fn tell(&self, told: ToPage) -> Delivery {
        self.send(Down::ToPage(told))
    }

    /// Has the page play this: 48 kHz, full scale 1.
    pub fn speak(&self, samples: &[f32]) -> Delivery {
        self.send(Down::Speech(write_speech(samples)))
    }

    /// Closes the connection, after what is on its way.
    pub fn close(&self) -> Delivery {
        self.send(Down::Close)
    }

    /// Whether the page is gone.
    pub fn is_gone(&self) -> bool {
        self.0.is_closed()
    }

    fn send(&self, down: Down) -> Delivery {
        match self.0.try_send(down) {
            Ok(()) => Delivery::Sent,
            Err(_) => Delivery::Lost,
        }
    }
}

/// Messages that may wait for a page: a second of sound, and as much again.
const WAITING: usize = 128;
