//! A phone made of rustls and tungstenite, which share no code with what reads them but their protocols; and a run that writes down what it is told.

use std::io::{Read, Write};
use std::net::{IpAddr, Ipv4Addr, TcpStream};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use sparehand::server::address::ServerAddress;
use sparehand::server::protocol::{Refusal, Up};
use sparehand::server::{Guest, Host, PageWay, PhoneServer, ServerSettings, Visitor};
use sparehand::units::SessionTime;
use tempfile::TempDir;
use tokio_rustls::rustls::client::danger::{HandshakeSignatureValid, ServerCertVerified, ServerCertVerifier};
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::pem::PemObject;
use tokio_rustls::rustls::pki_types::{CertificateDer, ServerName, UnixTime};
use tokio_rustls::rustls::{
    ClientConfig, ClientConnection, DigitallySignedStruct, Error, RootCertStore, SignatureScheme, StreamOwned,
};
use tungstenite::client::IntoClientRequest;
use tungstenite::http::HeaderValue;
use tungstenite::protocol::WebSocketConfig;
use tungstenite::{Message, WebSocket};

pub type Stream = StreamOwned<ClientConnection, TcpStream>;

pub const LOCAL: IpAddr = IpAddr::V4(Ipv4Addr::LOCALHOST);
pub const COOKIE: &str = "__Host-hand";

/// A run that writes down what the server tells it.
#[derive(Default)]
pub struct Run {
    pub people: Vec<String>,
    ms: AtomicU64,
    pub heard: Arc<Mutex<Vec<Up>>>,
    pub pages: Mutex<Vec<(String, PageWay)>>,
    pub paired: AtomicU64,
    pub gone: Arc<AtomicU64>,
}

struct Listener {
    heard: Arc<Mutex<Vec<Up>>>,
    gone: Arc<AtomicU64>,
}

impl Guest for Listener {
    fn sent(&mut self, up: Up) {
        self.heard.lock().unwrap().push(up);
    }
}

impl Drop for Listener {
    fn drop(&mut self) {
        self.gone.fetch_add(1, Ordering::SeqCst);
    }
}

impl Host for Run {
    fn now(&self) -> SessionTime {
        SessionTime::from_millis(self.ms.load(Ordering::SeqCst))
    }

    fn today(&self) -> String {
        "2026-05-01".to_owned()
    }

    fn people(&self) -> Vec<String> {
        self.people.clone()
    }

    fn paired(&self) {
        self.paired.fetch_add(1, Ordering::SeqCst);
    }

    fn welcome(&self, visitor: Visitor) -> Result<Box<dyn Guest>, Refusal> {
        self.pages.lock().unwrap().push((visitor.names.join("+"), visitor.page));
        Ok(Box::new(Listener { heard: Arc::clone(&self.heard), gone: Arc::clone(&self.gone) }))
    }
}

/// A server with its run, on a port of its own.
pub struct Rig {
    pub server: PhoneServer,
    pub run: Arc<Run>,
    pub folder: TempDir,
}

impl Rig {
    pub fn start(people: &[&str]) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let run = Arc::new(Run { people: people.iter().map(|name| (*name).to_owned()).collect(), ..Run::default() });
        let settings = ServerSettings {
            place: ServerAddress::new(LOCAL, 0),
            folder: folder.path().join("phones"),
            today: jiff::civil::date(2026, 5, 1),
        };
        let host: Arc<dyn Host> = Arc::clone(&run) as Arc<dyn Host>;
        Self { server: PhoneServer::begin(&settings, host).unwrap(), run, folder }
    }

    /// The next run with the same folder.
    pub fn restart(&mut self) {
        let settings = ServerSettings {
            place: ServerAddress::new(LOCAL, 0),
            folder: self.folder.path().join("phones"),
            today: jiff::civil::date(2026, 5, 1),
        };
        self.server = PhoneServer::begin(&settings, Arc::clone(&self.run) as Arc<dyn Host>).unwrap();
    }

    /// Time of the run goes on.
    pub fn pass(&self, span: Duration) {
        self.run.ms.fetch_add(u64::try_from(span.as_millis()).unwrap(), Ordering::SeqCst);
    }

    pub fn authority(&self) -> String {
        self.server.place().authority()
    }

    pub fn token(&self) -> String {
        let address = self.server.invite().unwrap().address;
        address.split_once("#k=").unwrap().1.to_owned()
    }

    pub fn connect(&self) -> Stream {
        self.try_connect(&clicked_through()).unwrap()
    }

    pub fn try_connect(&self, config: &Arc<ClientConfig>) -> std::io::Result<Stream> {
        let tcp = TcpStream::connect(self.server.place().socket())?;
        tcp.set_read_timeout(Some(Duration::from_secs(20)))?;
        tcp.set_nodelay(true)?;
        let connection = ClientConnection::new(Arc::clone(config), ServerName::IpAddress(LOCAL.into())).unwrap();
        let mut stream = StreamOwned::new(connection, tcp);
        while stream.conn.is_handshaking() {
            stream.conn.complete_io(&mut stream.sock)?;
        }
        Ok(stream)
    }

    /// Sends a request as it stands, and gives the whole answer.
    pub fn ask(&self, request: &str) -> String {
        let mut stream = self.connect();
        stream.write_all(request.as_bytes()).unwrap();
        answer(&mut stream)
    }

    pub fn get(&self, path: &str, more: &str) -> String {
        self.ask(&format!("GET {path} HTTP/1.1\r\nHost: {}\r\nConnection: close\r\n{more}\r\n", self.authority()))
    }

    pub fn pair_with(&self, token: &str) -> String {
        self.post("/pair", &format!(r#"{{"token":"{token}"}}"#), &self.server.place().origin())
    }

    pub fn post(&self, path: &str, body: &str, origin: &str) -> String {
        let (host, length) = (self.authority(), body.len());
        self.ask(&format!(
            "POST {path} HTTP/1.1\r\nHost: {host}\r\nOrigin: {origin}\r\nConnection: close\r\nContent-Length: {length}\r\n\r\n{body}"
        ))
    }

    /// Lets a phone in; gives its cookie.
    pub fn pair(&self) -> String {
        let answer = self.pair_with(&self.token());
        assert_eq!(status(&answer), 204, "{answer}");
        let cookie = answer.lines().find(|line| line.to_ascii_lowercase().starts_with("set-cookie")).unwrap();
        cookie.split_once(&format!("{COOKIE}=")).unwrap().1.split(';').next().unwrap().to_owned()
    }

    /// Opens the socket of a phone that was let in.
    pub fn socket(&self, cookie: &str) -> Result<WebSocket<Stream>, String> {
        self.socket_from(cookie, &self.server.place().origin())
    }

    pub fn socket_from(&self, cookie: &str, origin: &str) -> Result<WebSocket<Stream>, String> {
        let address = ["wss:/", &format!("/{}/socket", self.authority())].concat();
        let mut request = address.into_client_request().unwrap();
        request.headers_mut().insert("cookie", HeaderValue::from_str(&format!("{COOKIE}={cookie}")).unwrap());
        request.headers_mut().insert("origin", HeaderValue::from_str(origin).unwrap());
        let config = WebSocketConfig::default();
        tungstenite::client::client_with_config(request, self.connect(), Some(config))
            .map(|(socket, _)| socket)
            .map_err(|error| error.to_string())
    }

    /// A page that was taken, with its welcome read.
    pub fn page(&self, name: &str) -> WebSocket<Stream> {
        let mut socket = self.socket(&self.pair()).unwrap();
        socket.send(hello(name)).unwrap();
        let welcome = text(&mut socket);
        assert_eq!(welcome["kind"], "welcome", "{welcome}");
        socket
    }

    pub fn wait_for(&self, what: &str, is: impl Fn(&Run) -> bool) {
        for _ in 0..500 {
            if is(&self.run) {
                return;
            }
            pause(Duration::from_millis(10));
        }
        panic!("not within 5 s: {what}");
    }
}

pub fn hello(name: &str) -> Message {
    Message::text(format!(r#"{{"kind":"hello","version":4,"names":["{name}"],"part":"station"}}"#))
}

/// A frame of 20 ms, byte by byte as the page's worklet writes it: kind, flags, samples, number, clock, samples taken; then the samples.
pub fn sound(number: u32) -> Message {
    let mut bytes = vec![1, 0];
    bytes.extend(320_u16.to_le_bytes());
    bytes.extend(number.to_le_bytes());
    bytes.extend((u64::from(number) * 20_000).to_le_bytes());
    bytes.extend(0_u32.to_le_bytes());
    bytes.extend((0..320).flat_map(|_| u16::try_from(number % 1_000).unwrap().to_le_bytes()));
    Message::binary(bytes)
}

/// Samples of a frame for the loudspeaker, as the page's worklet reads them: a head of four bytes, then 16 bit each.
pub fn speech(bytes: &[u8]) -> Vec<i16> {
    assert_eq!(bytes[..4], [2, 0, 0, 0]);
    bytes[4..].chunks(2).map(|pair| i16::from_le_bytes(pair.try_into().unwrap())).collect()
}

/// The next text message as JSON.
pub fn text(socket: &mut WebSocket<Stream>) -> serde_json::Value {
    loop {
        match socket.read().unwrap() {
            Message::Text(text) => return serde_json::from_str(&text).unwrap(),
            Message::Binary(_) | Message::Ping(_) => {}
            other => panic!("found {other:?}, expected text"),
        }
    }
}

/// Reads until the connection ends.
pub fn is_sent_away(socket: &mut WebSocket<Stream>) -> bool {
    loop {
        match socket.read() {
            Ok(Message::Close(_)) | Err(tungstenite::Error::ConnectionClosed | tungstenite::Error::AlreadyClosed) => {
                return true;
            }
            Err(tungstenite::Error::Io(error)) if error.kind() == std::io::ErrorKind::WouldBlock => return false,
            Err(_) => return true,
            Ok(_) => {}
        }
    }
}

pub fn answer(stream: &mut Stream) -> String {
    let mut bytes = Vec::new();
    // A peer that closes without the end of TLS has sent what it had to.
    let _ = stream.read_to_end(&mut bytes);
    String::from_utf8_lossy(&bytes).into_owned()
}

pub fn status(answer: &str) -> u16 {
    answer.split(' ').nth(1).and_then(|word| word.parse().ok()).unwrap_or(0)
}

#[allow(clippy::disallowed_methods, reason = "a test in real time waits")]
pub fn pause(span: Duration) {
    std::thread::sleep(span);
}

#[allow(clippy::disallowed_methods, reason = "limits in real time are measured in real time")]
pub fn now() -> std::time::Instant {
    std::time::Instant::now()
}

/// Trusts the rig's own authority, and nothing else.
pub fn trusting(authority: &str) -> Arc<ClientConfig> {
    let mut roots = RootCertStore::empty();
    roots.add(CertificateDer::from_pem_slice(authority.as_bytes()).unwrap()).unwrap();
    let builder = ClientConfig::builder_with_provider(Arc::new(ring::default_provider()));
    Arc::new(builder.with_safe_default_protocol_versions().unwrap().with_root_certificates(roots).with_no_client_auth())
}

/// What a browser does once somebody has clicked the warning away.
pub fn clicked_through() -> Arc<ClientConfig> {
    let builder = ClientConfig::builder_with_provider(Arc::new(ring::default_provider()));
    let builder = builder.with_safe_default_protocol_versions().unwrap();
    Arc::new(builder.dangerous().with_custom_certificate_verifier(Arc::new(AnyCertificate)).with_no_client_auth())
}

#[derive(Debug)]
struct AnyCertificate;

impl ServerCertVerifier for AnyCertificate {
    fn verify_server_cert(
        &self,
        _: &CertificateDer<'_>,
        _: &[CertificateDer<'_>],
        _: &ServerName<'_>,
        _: &[u8],
        _: UnixTime,
    ) -> Result<ServerCertVerified, Error> {
        Ok(ServerCertVerified::assertion())
    }

    fn verify_tls12_signature(
        &self,
        _: &[u8],
        _: &CertificateDer<'_>,
        _: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, Error> {
        Ok(HandshakeSignatureValid::assertion())
    }

    fn verify_tls13_signature(
        &self,
        _: &[u8],
        _: &CertificateDer<'_>,
        _: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, Error> {
        Ok(HandshakeSignatureValid::assertion())
    }

    fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
        ring::default_provider().signature_verification_algorithms.supported_schemes()
    }
}
