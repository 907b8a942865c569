//! What is answered to a request: the page's files, the exchange of an invitation for a cookie, and the way to the socket.

use std::net::IpAddr;
use std::sync::Arc;

use axum::body::{Body, to_bytes};
use axum::extract::{Path, Request, State, WebSocketUpgrade};
use axum::http::header::{CONTENT_TYPE, COOKIE, HOST, HeaderName, ORIGIN, SET_COOKIE, USER_AGENT};
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode};
use axum::middleware::{self, Next};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Extension, Router};
use serde::Deserialize;
use tokio::sync::mpsc::error::TrySendError;
use tokio::time::timeout;

use crate::server::limits::HEAD_WITHIN;
use crate::server::origin::{Foreign, OriginRule, look};
use crate::server::page::{FILES, headers, words_json};
use crate::server::pairing::{NotPaired, cookie_in, hex, kind_in, set_cookie};
use crate::server::protocol::{MOST_BINARY, VERSION};
use crate::server::serve::{Shared, random};
use crate::server::socket;
use crate::server::wire::{Wire, unframed};

/// The router for one connection from this address.
pub fn router(shared: Arc<Shared>, from: IpAddr) -> Router {
    let mut router = Router::new();
    for file in FILES {
        router = router.route(file.path, get(move || async move { ([(CONTENT_TYPE, file.kind)], file.text) }));
    }
    router
        // Browsers ask for it whether there is one or not.
        .route("/favicon.ico", get(|| async { StatusCode::NO_CONTENT }))
        .route("/words.json", get(words))
        .route("/authority.pem", get(authority))
        .route("/crew", get(crew))
        .route("/pair", post(pair))
        .route("/socket", get(open_socket))
        .route("/line", post(open_line))
        .route("/line/{name}", post(send_by_line))
        .layer(middleware::from_fn_with_state(Arc::clone(&shared), guard))
        .layer(Extension(from))
        .with_state(shared)
}

/// Lets through only what was meant for this server, and puts its headers on every answer.
async fn guard(State(shared): State<Arc<Shared>>, request: Request, next: Next) -> Response {
    let meant = is_meant(&shared, &request);
    let mut response = match meant {
        Ok(()) => next.run(request).await,
        Err(foreign) => {
            tracing::debug!(?foreign, "a request is refused");
            StatusCode::FORBIDDEN.into_response()
        }
    };
    for (name, value) in headers(&shared.place) {
        if let Ok(value) = HeaderValue::from_str(&value) {
            response.headers_mut().insert(HeaderName::from_static(name), value);
        }
    }
    response
}

/// Whether it came for this server, and where it must, from its page.
fn is_meant(shared: &Shared, request: &Request) -> Result<(), Foreign> {
    let text = |name: HeaderName| request.headers().get(name).and_then(|value| value.to_str().ok());
    let socket = request.uri().path() == "/socket";
    let rule = if request.method() == Method::GET && !socket { OriginRule::Optional } else { OriginRule::Required };
    look(&shared.place, text(HOST), text(ORIGIN), rule)
}

async fn words(State(shared): State<Arc<Shared>>) -> Response {
    ([(CONTENT_TYPE, JSON)], words_json(&shared.words)).into_response()
}

async fn authority(State(shared): State<Arc<Shared>>) -> Response {
    ([(CONTENT_TYPE, "application/x-x509-ca-cert")], shared.identity.authority.clone()).into_response()
}

/// Who takes part, for a page that is let in. No fingerprint: whoever stands in between would send their own.
async fn crew(State(shared): State<Arc<Shared>>, head: HeaderMap) -> Response {
    if cookie_of_known(&shared, &head).is_none() {
        return StatusCode::UNAUTHORIZED.into_response();
    }
    let crew = serde_json::json!({
        "people": shared.host.people(),
        "version": VERSION,
    });
    ([(CONTENT_TYPE, JSON)], crew.to_string()).into_response()
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Brought {
    token: String,
}

/// Exchanges a token for a cookie.
async fn pair(
    State(shared): State<Arc<Shared>>,
    Extension(from): Extension<IpAddr>,
    head: HeaderMap,
    body: Body,
) -> Response {
    let Ok(Ok(body)) = timeout(HEAD_WITHIN, to_bytes(body, MOST_BROUGHT)).await else {
        return StatusCode::BAD_REQUEST.into_response();
    };
    let Ok(brought) = serde_json::from_slice::<Brought>(&body) else { return StatusCode::BAD_REQUEST.into_response() };
    let kind = head.get(USER_AGENT).and_then(|name| name.to_str().ok()).map(kind_in).unwrap_or_default();
    // The disk, and a command that holds the folder, are waited for elsewhere: sound goes on.
    let work = Arc::clone(&shared);
    match tokio::task::spawn_blocking(move || let_in(&work, from, &brought.token, kind)).await {
        Ok(Ok(cookie)) => {
            shared.host.paired();
            (StatusCode::NO_CONTENT, [(SET_COOKIE, set_cookie(&cookie))]).into_response()
        }
        Ok(Err(status)) => status.into_response(),
        Err(_) => StatusCode::INTERNAL_SERVER_ERROR.into_response(),
    }
}

fn let_in(shared: &Shared, from: IpAddr, token: &str, kind: String) -> Result<String, StatusCode> {
    let failed = |error: &dyn std::fmt::Display| {
        tracing::warn!(%error, "a phone cannot be let in");
        StatusCode::INTERNAL_SERVER_ERROR
    };
    let random = random().map_err(|error| failed(&error))?;
    let redeemed = shared.door().redeem(shared.host.now(), from, token, random);
    let (cookie, hash) = redeemed.map_err(|why| match why {
        NotPaired::TooOften => StatusCode::TOO_MANY_REQUESTS,
        NotPaired::NotInvited => StatusCode::FORBIDDEN,
    })?;
    let _held = shared.kept.lock().map_err(|error| failed(&error))?;
    let mut phones = shared.kept.phones().map_err(|error| failed(&error))?;
    phones.add(shared.host.today(), kind, hash);
    shared.kept.keep_phones(&phones).map_err(|error| failed(&error))?;
    Ok(cookie)
}

async fn open_socket(State(shared): State<Arc<Shared>>, head: HeaderMap, upgrade: WebSocketUpgrade) -> Response {
    let Some(cookie) = cookie_of_known(&shared, &head) else { return StatusCode::UNAUTHORIZED.into_response() };
    upgrade
        .max_message_size(MOST_BINARY)
        .max_frame_size(MOST_BINARY)
        .max_write_buffer_size(MOST_WRITTEN)
        .on_upgrade(move |socket| socket::converse(Wire::Socket(Box::new(socket)), shared, cookie))
}

/// For a browser that opens no socket: the response goes on for as long as the page is there, and what it sends comes in requests of its own.
async fn open_line(State(shared): State<Arc<Shared>>, head: HeaderMap) -> Response {
    let Some(cookie) = cookie_of_known(&shared, &head) else { return StatusCode::UNAUTHORIZED.into_response() };
    let Ok(name) = random::<16>().map(|bytes| hex(&bytes)) else {
        return StatusCode::INTERNAL_SERVER_ERROR.into_response();
    };
    let Some((wire, body)) = shared.lines.open(name.clone(), cookie.clone()) else {
        return StatusCode::SERVICE_UNAVAILABLE.into_response();
    };
    tokio::spawn(socket::converse(wire, shared, cookie));
    ([(HeaderName::from_static("line"), name)], body).into_response()
}

async fn send_by_line(
    State(shared): State<Arc<Shared>>,
    Path(name): Path<String>,
    head: HeaderMap,
    body: Body,
) -> Response {
    let Some(cookie) = cookie_of_known(&shared, &head) else { return StatusCode::UNAUTHORIZED.into_response() };
    let Some(up) = shared.lines.find(&name, &cookie) else { return StatusCode::GONE.into_response() };
    let Ok(Ok(body)) = timeout(HEAD_WITHIN, to_bytes(body, MOST_SENT_AT_ONCE)).await else {
        return StatusCode::BAD_REQUEST.into_response();
    };
    let Ok(pieces) = unframed(body) else { return StatusCode::BAD_REQUEST.into_response() };
    for piece in pieces {
        // What a page sends faster than it is taken is lost, as on a socket that floods.
        match up.try_send(piece) {
            Ok(()) => {}
            Err(TrySendError::Full(_)) => return StatusCode::TOO_MANY_REQUESTS.into_response(),
            Err(TrySendError::Closed(_)) => return StatusCode::GONE.into_response(),
        }
    }
    StatusCode::NO_CONTENT.into_response()
}

/// The cookie of a request, where a phone that was let in has it.
fn cookie_of_known(shared: &Shared, head: &HeaderMap) -> Option<String> {
    let cookie = head.get(COOKIE).and_then(|value| value.to_str().ok()).and_then(cookie_in)?;
    is_known(shared, cookie).then(|| cookie.to_owned())
}

/// Whether a phone is still let in. Read anew each time: it may have been forgotten meanwhile, by another command.
pub fn is_known(shared: &Shared, cookie: &str) -> bool {
    match shared.kept.phones() {
        Ok(phones) => phones.with_cookie(cookie).is_some(),
        Err(error) => {
            tracing::warn!(%error, "nobody is let in");
            false
        }
    }
}

const JSON: &str = "application/json";
/// Bytes of a token in JSON, and some to spare.
const MOST_BROUGHT: usize = 256;
/// Bytes of a request with messages: a second of sound.
const MOST_SENT_AT_ONCE: usize = 64 * 1024;
/// Bytes that may wait to be written to a page.
const MOST_WRITTEN: usize = 256 * 1024;
