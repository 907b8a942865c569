//! The way between a page and the server: a socket, or where a browser refuses that, requests up and one streamed response down. Both carry the same
//! messages.

use std::collections::BTreeMap;
use std::convert::Infallible;
use std::pin::Pin;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::task::{Context, Poll};

use axum::body::{Body, Bytes, HttpBody};
use axum::extract::ws::{Message, WebSocket};
use hyper::body::Frame;
use tokio::sync::mpsc::{Receiver, Sender, channel};

use crate::server::limits::PAGES;
use crate::server::protocol::{MOST_BINARY, ProtocolError};

/// A message on its way.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Piece {
    /// In words.
    Text(String),
    /// Sound.
    Binary(Bytes),
}

/// One way to a page.
pub enum Wire {
    /// A socket.
    Socket(Box<WebSocket>),
    /// What came by requests, and where the response goes.
    Requests(Receiver<Piece>, Sender<Bytes>),
}

/// The page is gone, or takes nothing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct WireBroken;

impl Wire {
    /// The next message; `None` where none comes any more.
    pub async fn recv(&mut self) -> Option<Piece> {
        match self {
            // A page that hears nothing any more is gone, whatever it still sends.
            Self::Requests(up, down) => tokio::select! {
                piece = up.recv() => piece,
                () = down.closed() => None,
            },
            Self::Socket(socket) => loop {
                match socket.recv().await? {
                    Ok(Message::Text(text)) => return Some(Piece::Text(text.as_str().to_owned())),
                    Ok(Message::Binary(bytes)) => return Some(Piece::Binary(bytes)),
                    // Answered by the library; whoever floods with them is known by its messages only.
                    Ok(Message::Ping(_) | Message::Pong(_)) => {}
                    Ok(Message::Close(_)) => return None,
                    Err(error) => {
                        tracing::debug!(%error, "a page is gone");
                        return None;
                    }
                }
            },
        }
    }

    /// Sends one.
    ///
    /// # Errors
    /// The page is gone.
    pub async fn send(&mut self, piece: Piece) -> Result<(), WireBroken> {
        match self {
            Self::Requests(_, down) => down.send(framed(&piece)).await.map_err(|_| WireBroken),
            Self::Socket(socket) => {
                let message = match piece {
                    Piece::Text(text) => Message::Text(text.into()),
                    Piece::Binary(bytes) => Message::Binary(bytes),
                };
                socket.send(message).await.map_err(|_| WireBroken)
            }
        }
    }

    /// Says that nothing comes any more, where the wire can.
    pub async fn close(&mut self) {
        if let Self::Socket(socket) = self {
            // Whoever is gone need not be told.
            let _ = socket.send(Message::Close(None)).await;
        }
    }
}

/// The pages that send by requests, by the names that they were given. Cheap to copy.
#[derive(Clone, Debug, Default)]
pub struct Lines(Arc<Mutex<BTreeMap<String, Line>>>);

#[derive(Debug)]
struct Line {
    cookie: String,
    up: Sender<Piece>,
}

impl Lines {
    /// A wire of this name for the phone with this cookie, and the body of the response; nothing where there are as many as may be.
    pub fn open(&self, name: String, cookie: String) -> Option<(Wire, Body)> {
        let mut lines = self.lines();
        lines.retain(|_, line| !line.up.is_closed());
        if lines.len() >= 2 * PAGES {
            return None;
        }
        let (up, from_page) = channel(WAITING);
        let (to_page, down) = channel(WAITING);
        lines.insert(name, Line { cookie, up });
        Some((Wire::Requests(from_page, to_page), Body::new(Streamed(down))))
    }

    /// Where messages of this page go; nothing where there is none of this name, or it is another phone's.
    pub fn find(&self, name: &str, cookie: &str) -> Option<Sender<Piece>> {
        self.lines().get(name).filter(|line| line.cookie == cookie).map(|line| line.up.clone())
    }

    fn lines(&self) -> MutexGuard<'_, BTreeMap<String, Line>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// A response that goes on for as long as the page is there.
struct Streamed(Receiver<Bytes>);

impl HttpBody for Streamed {
    type Data = Bytes;
    type Error = Infallible;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Bytes>, Infallible>>> {
        self.0.poll_recv(context).map(|bytes| bytes.map(|bytes| Ok(Frame::data(bytes))))
    }
}

/// Length, kind, and the message: how one is told from the next in a stream.
pub fn framed(piece: &Piece) -> Bytes {
    let (kind, bytes): (u8, &[u8]) = match piece {
        Piece::Text(text) => (TEXT, text.as_bytes()),
        Piece::Binary(bytes) => (BINARY, bytes),
    };
    let length = u32::try_from(bytes.len()).unwrap_or(u32::MAX);
    [&length.to_le_bytes()[..], &[kind], bytes].concat().into()
}

/// The messages in the body of a request.
///
/// # Errors
/// It ends in the middle of one, or holds one that is too long or of no kind.
pub fn unframed(mut body: Bytes) -> Result<Vec<Piece>, ProtocolError> {
    let mut pieces = Vec::new();
    while !body.is_empty() {
        let found = body.len();
        let Some((head, _)) = body.split_first_chunk::<FRAME_HEAD>() else {
            return Err(ProtocolError::Length { found, expected: FRAME_HEAD });
        };
        let length = u32::from_le_bytes([head[0], head[1], head[2], head[3]]) as usize;
        let kind = head[4];
        if length > MOST_BINARY {
            return Err(ProtocolError::TooLong { found: length, most: MOST_BINARY });
        }
        if found < FRAME_HEAD + length {
            return Err(ProtocolError::Length { found, expected: FRAME_HEAD + length });
        }
        let message = body.split_to(FRAME_HEAD + length).split_off(FRAME_HEAD);
        pieces.push(match kind {
            BINARY => Piece::Binary(message),
            TEXT => {
                let text = String::from_utf8(message.into());
                Piece::Text(text.map_err(|_| ProtocolError::Text { why: "it is no UTF-8".to_owned() })?)
            }
            found => return Err(ProtocolError::Kind { found }),
        });
    }
    Ok(pieces)
}

const TEXT: u8 = 0;
const BINARY: u8 = 1;
const FRAME_HEAD: usize = 5;
/// Messages that may wait on either way: two seconds of sound.
const WAITING: usize = 128;

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn piece() -> impl Strategy<Value = Piece> {
        prop_oneof![
            "\\PC{0,200}".prop_map(Piece::Text),
            proptest::collection::vec(any::<u8>(), 0..2_000).prop_map(|bytes| Piece::Binary(bytes.into())),
        ]
    }

    proptest! {
        #[test]
        fn messages_that_are_put_into_a_stream_come_out_as_they_were(pieces in proptest::collection::vec(piece(), 0..8)) {
            let body: Vec<u8> = pieces.iter().flat_map(|piece| framed(piece).to_vec()).collect();
            prop_assert_eq!(unframed(body.into()), Ok(pieces));
        }

        #[test]
        fn no_body_makes_the_reader_fall_over(body in proptest::collection::vec(any::<u8>(), 0..400)) {
            let _ = unframed(body.into());
        }
    }

    #[test]
    fn a_stream_that_ends_in_the_middle_or_holds_too_long_a_message_is_refused() {
        let whole = framed(&Piece::Text("stop".to_owned()));
        for cut in 1..whole.len() {
            assert!(unframed(whole.slice(..cut)).is_err(), "{cut}");
        }
        assert!(matches!(unframed(vec![0, 0, 1, 0, 1].into()), Err(ProtocolError::TooLong { .. })));
        assert!(matches!(unframed(vec![0, 0, 0, 0, 7].into()), Err(ProtocolError::Kind { found: 7 })));
    }

    #[test]
    fn a_line_is_found_by_its_own_phone_only() {
        let lines = Lines::default();
        let _open = lines.open("a".to_owned(), "one".to_owned()).unwrap();
        assert!(
            lines.find("a", "one").is_some() && lines.find("a", "two").is_none() && lines.find("b", "one").is_none()
        );
        let held: Vec<_> = (0..100).filter_map(|n| lines.open(n.to_string(), "two".to_owned())).collect();
        assert_eq!(held.len(), 2 * PAGES - 1);
        drop(held);
        assert!(lines.open("c".to_owned(), "one".to_owned()).is_some(), "those that are gone make room");
    }
}
