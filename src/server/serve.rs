//! Listens at one address, and carries each connection through TLS to its pages. A thread of its own with a runtime of its own: whatever floods it holds
//! up no sound of the rig.

use std::convert::Infallible;
use std::io;
use std::net::{SocketAddr, TcpListener as StdListener};
use std::path::PathBuf;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;

use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use jiff::civil::Date;
use thiserror::Error;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{mpsc, oneshot};
use tokio::time::timeout;
use tokio_rustls::TlsAcceptor;
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::pem::PemObject;
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer};
use tokio_rustls::rustls::version::{TLS12, TLS13};
use tokio_rustls::rustls::{self, ServerConfig};

use crate::server::Host;
use crate::server::address::ServerAddress;
use crate::server::certificate::{self, CertificateError, Identity, Renewed};
use crate::server::connections::{Connections, HandshakeTurns, OpenConnection};
use crate::server::http;
use crate::server::invitation::{CodeError, Invitation};
use crate::server::kept::{Kept, KeptError};
use crate::server::limits::{HANDSHAKE_WITHIN, HEAD_WITHIN, MOST_HEAD};
use crate::server::pairing::{Door, InvitationUse};
use crate::server::wire::Lines;
use crate::server::words::{PhoneWords, PhoneWordsError};

/// What a server is begun with.
#[derive(Clone, Debug)]
pub struct ServerSettings {
    /// Where it listens, and nowhere else.
    pub place: ServerAddress,
    /// What it keeps: paired phones, keys, certificates.
    pub folder: PathBuf,
    /// For certificates.
    pub today: Date,
}

/// A server that runs. It ends when this is dropped, within 200 ms, in which its pages are told what is on its way to them.
#[derive(Debug)]
pub struct PhoneServer {
    shared: Arc<Shared>,
    stop: Option<oneshot::Sender<()>>,
    thread: Option<JoinHandle<()>>,
}

/// Why there is no server.
#[derive(Debug, Error)]
#[allow(missing_docs, reason = "the message of each says it")]
pub enum ServerError {
    #[error("{socket}: cannot be listened at; is another run going on, or does the port need more rights?")]
    Listen { socket: SocketAddr, source: io::Error },
    #[error(transparent)]
    Kept(#[from] KeptError),
    #[error(transparent)]
    Certificate(#[from] CertificateError),
    #[error("the certificate that is kept cannot be used; take it away with: sparehand phones --new-certificate")]
    Tls(#[from] rustls::Error),
    #[error(
        "the key or the certificate that is kept cannot be read; take them away with: sparehand phones --new-certificate"
    )]
    Pem(#[from] rustls::pki_types::pem::Error),
    #[error(transparent)]
    Words(#[from] PhoneWordsError),
    #[error(transparent)]
    Code(#[from] CodeError),
    #[error("the system gives no random numbers")]
    Random,
    #[error("the system gives no thread")]
    Thread(#[source] io::Error),
}

/// What all connections share.
pub(crate) struct Shared {
    pub place: ServerAddress,
    pub identity: Identity,
    pub kept: Kept,
    pub words: PhoneWords,
    /// What has to be told once at the rig.
    pub to_tell: Option<String>,
    pub host: Arc<dyn Host>,
    pub lines: Lines,
    door: Mutex<Door>,
    /// One for each connection; taken away when the server ends.
    alive: Mutex<Option<mpsc::Sender<Infallible>>>,
}

impl std::fmt::Debug for Shared {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Shared").field("place", &self.place).finish_non_exhaustive()
    }
}

impl Shared {
    pub fn door(&self) -> MutexGuard<'_, Door> {
        // Nothing in it is left half done by a panic.
        self.door.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// To be held by what the end of the server waits for.
    pub fn alive(&self) -> Alive {
        Alive(self.alive.lock().unwrap_or_else(PoisonError::into_inner).clone())
    }
}

/// A connection that is not over yet.
pub(crate) struct Alive(
    #[expect(dead_code, reason = "that it is dropped is what it says")] Option<mpsc::Sender<Infallible>>,
);

impl PhoneServer {
    /// Begins to listen.
    ///
    /// # Errors
    /// The address is taken or none of this machine's, or what it needs cannot be read or made.
    pub fn begin(settings: &ServerSettings, host: Arc<dyn Host>) -> Result<Self, ServerError> {
        let socket = settings.place.socket();
        let failed = |source| ServerError::Listen { socket, source };
        let listener = StdListener::bind(socket).map_err(failed)?;
        listener.set_nonblocking(true).map_err(failed)?;
        let address = listener.local_addr().map_err(failed)?;
        let kept = Kept::open(&settings.folder)?;
        let identity = certificate::identity(&kept, settings.place.address(), settings.today)?;
        kept.open_for(&ServerAddress::new(address.ip(), address.port()).to_string())?;
        let acceptor = TlsAcceptor::from(Arc::new(tls(&identity)?));
        let (alive, mut all_gone) = mpsc::channel(1);
        let words = PhoneWords::built_in()?;
        let told = match identity.renewed {
            Renewed::Nothing => None,
            Renewed::Leaf => Some(words.rig.new_certificate.clone()),
            Renewed::Authority => Some(words.rig.new_authority.clone()),
        };
        // Where no phone was let in yet none is surprised; where the list cannot be read some may have been.
        let to_tell = told.filter(|_| kept.phones().map_or(true, |phones| !phones.phone.is_empty()));
        let shared = Arc::new(Shared {
            place: ServerAddress::new(address.ip(), address.port()),
            identity,
            kept,
            words,
            to_tell,
            host,
            lines: Lines::default(),
            door: Mutex::default(),
            alive: Mutex::new(Some(alive)),
        });
        let (stop, stopped) = oneshot::channel();
        let runtime =
            tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(ServerError::Thread)?;
        let listening = {
            let _inside = runtime.enter();
            TcpListener::from_std(listener).map_err(failed)?
        };
        let served = Arc::clone(&shared);
        let work = move || {
            runtime.block_on(async {
                tokio::select! {
                    () = accept(listening, acceptor, Arc::clone(&served)) => {}
                    () = take_up_what_is_asked_for(&served) => {}
                    _ = stopped => {}
                }
                // What is on its way to a page may say that the run is over. Nobody who does not take it is waited for.
                drop(served.alive.lock().unwrap_or_else(PoisonError::into_inner).take());
                let _ = timeout(ENDED_WITHIN, all_gone.recv()).await;
            });
            runtime.shutdown_background();
        };
        let thread = std::thread::Builder::new().name("phones".to_owned()).spawn(work).map_err(ServerError::Thread)?;
        Ok(Self { shared, stop: Some(stop), thread: Some(thread) })
    }

    /// Where it listens.
    pub fn place(&self) -> ServerAddress {
        self.shared.place
    }

    /// The words of page and rig.
    pub fn words(&self) -> &PhoneWords {
        &self.shared.words
    }

    /// What whoever has let phones in before has to know: that they will warn, and what to do.
    pub fn to_tell(&self) -> Option<&str> {
        self.shared.to_tell.as_deref()
    }

    /// The authority's certificate as PEM.
    pub fn authority(&self) -> &str {
        &self.shared.identity.authority
    }

    /// What became of the newest invitation that is shown.
    pub fn shown_is(&self) -> InvitationUse {
        self.shared.door().shown_is(self.shared.host.now())
    }

    /// A new invitation; the one before is good no more.
    ///
    /// # Errors
    /// The system gives no random numbers.
    pub fn invite(&self) -> Result<Invitation, ServerError> {
        let token = self.shared.door().invite(self.shared.host.now(), random()?);
        Ok(Invitation::new(&self.shared.place.to_string(), &token, &self.shared.identity.authority_print)?)
    }

    /// No invitation is good any more.
    pub fn shut_door(&self) {
        self.shared.door().shut();
    }
}

impl Drop for PhoneServer {
    fn drop(&mut self) {
        drop(self.stop.take());
        if let Some(thread) = self.thread.take() {
            // A thread that panicked has ended as well.
            let _ = thread.join();
        }
        if let Err(error) = self.shared.kept.closed() {
            tracing::warn!(%error, "where this run was found stays written down");
        }
    }
}

/// Lets in, beside whoever is let in by the code that is shown, whom a command of the same user invites.
async fn take_up_what_is_asked_for(shared: &Shared) {
    let mut look = tokio::time::interval(LOOK_EVERY);
    loop {
        look.tick().await;
        match shared.kept.take_what_was_asked_for() {
            Ok(Some(token)) => shared.door().invite_also(shared.host.now(), token),
            Ok(None) => {}
            Err(error) => tracing::warn!(%error, "an invitation that was asked for is not taken up"),
        }
    }
}

/// Random bytes of the system.
///
/// # Errors
/// It gives none.
pub fn random<const N: usize>() -> Result<[u8; N], ServerError> {
    let mut bytes = [0; N];
    ring::default_provider().secure_random.fill(&mut bytes).map_err(|_| ServerError::Random)?;
    Ok(bytes)
}

/// TLS 1.2 stays beside 1.3 for older phones.
fn tls(identity: &Identity) -> Result<ServerConfig, ServerError> {
    let chain = [&identity.leaf, &identity.authority].map(|pem| CertificateDer::from_pem_slice(pem.as_bytes()));
    let chain: Vec<_> = chain.into_iter().collect::<Result<_, _>>()?;
    let key = PrivateKeyDer::from_pem_slice(identity.key.as_bytes())?;
    let config = ServerConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_protocol_versions(&[&TLS13, &TLS12])?
        .with_no_client_auth()
        .with_single_cert(chain, key)?;
    Ok(config)
}

/// Takes connections for ever. What is over a limit is closed at once, so that the system's own queue stays free.
async fn accept(listener: TcpListener, acceptor: TlsAcceptor, shared: Arc<Shared>) {
    let connections = Connections::default();
    let handshakes = HandshakeTurns::default();
    loop {
        let (stream, from) = match listener.accept().await {
            Ok(accepted) => accepted,
            Err(error) => {
                // Out of descriptors, or a peer that went at once: the next one may do.
                tracing::warn!(%error, "a connection is lost");
                tokio::time::sleep(AFTER_A_FAULT).await;
                continue;
            }
        };
        let Some(open) = connections.open(from.ip()) else {
            tracing::debug!("a connection over the limit is closed");
            continue;
        };
        tokio::spawn(serve(stream, from, open, acceptor.clone(), handshakes.clone(), Arc::clone(&shared)));
    }
}

async fn serve(
    stream: TcpStream,
    from: SocketAddr,
    open: OpenConnection,
    acceptor: TlsAcceptor,
    handshakes: HandshakeTurns,
    shared: Arc<Shared>,
) {
    let _alive = shared.alive();
    // Sound comes in small pieces: each is sent as it comes.
    if let Err(error) = stream.set_nodelay(true) {
        tracing::debug!(%error, "small pieces are gathered");
    }
    let turn = handshakes.turn(from.ip()).await;
    let shaken = timeout(HANDSHAKE_WITHIN, acceptor.accept(stream)).await;
    drop(turn);
    let stream = match shaken {
        Ok(Ok(stream)) => stream,
        Ok(Err(error)) => return tracing::debug!(%error, "no handshake"),
        Err(_) => return tracing::debug!("a handshake took too long"),
    };
    let service = TowerToHyperService::new(http::router(shared, from.ip()));
    let served = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEAD_WITHIN)
        .max_buf_size(MOST_HEAD)
        .serve_connection(TokioIo::new(stream), service)
        .with_upgrades()
        .await;
    if let Err(error) = served {
        tracing::debug!(%error, "a connection ended");
    }
    drop(open);
}

const ENDED_WITHIN: std::time::Duration = std::time::Duration::from_millis(200);
const LOOK_EVERY: std::time::Duration = std::time::Duration::from_millis(500);
const AFTER_A_FAULT: std::time::Duration = std::time::Duration::from_millis(100);
