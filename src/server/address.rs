//! The addresses of this machine, and the one at which phones find it.

use std::fmt;
use std::net::{IpAddr, Ipv4Addr, SocketAddr};

use thiserror::Error;

/// An address to listen at, as somebody names it.
pub type ListenAddress = IpAddr;

/// Where the server is found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ServerAddress {
    address: IpAddr,
    port: u16,
}

impl ServerAddress {
    /// This address and this port.
    pub fn new(address: IpAddr, port: u16) -> Self {
        Self { address, port }
    }

    /// What it listens at.
    pub fn socket(&self) -> SocketAddr {
        SocketAddr::new(self.address, self.port)
    }

    /// The address alone.
    pub fn address(&self) -> IpAddr {
        self.address
    }

    /// Address and port as a browser writes them; the usual port is left out.
    pub fn authority(&self) -> String {
        let address = match self.address {
            IpAddr::V4(address) => address.to_string(),
            IpAddr::V6(address) => format!("[{address}]"),
        };
        if self.port == USUAL_PORT { address } else { format!("{address}:{}", self.port) }
    }

    /// The origin of the server's pages.
    pub fn origin(&self) -> String {
        format!("{SCHEME}{}", self.authority())
    }

    /// Whether the address can be reached from the internet, by the ranges that are kept for private use (RFC 6890).
    pub fn is_public(&self) -> bool {
        !is_private(self.address)
    }
}

impl fmt::Display for ServerAddress {
    /// As it is typed into a browser.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}/", self.origin())
    }
}

/// One address of this machine, with the name of its network card.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OwnAddress {
    /// Of the card.
    pub card: String,
    /// The address.
    pub address: IpAddr,
}

/// Why there is no address to listen at.
#[derive(Debug, Error)]
#[allow(missing_docs, reason = "the message of each says it")]
pub enum AddressError {
    #[error("the addresses of this machine cannot be listed; name one with --address")]
    List(#[source] std::io::Error),
    #[error(
        "no address to listen at: found {found}; name the one of the network that the phones are on, with --address"
    )]
    NotNamed { found: String },
    #[error("address {wanted} is none of this machine's: found {found}; name one of those with --address")]
    NotOurs { wanted: IpAddr, found: String },
}

/// Every address of this machine, those of networks of one's own first.
///
/// # Errors
/// The system does not tell.
pub fn own_addresses() -> Result<Vec<OwnAddress>, AddressError> {
    let cards = if_addrs::get_if_addrs().map_err(AddressError::List)?;
    let mut found: Vec<OwnAddress> =
        cards.into_iter().map(|card| OwnAddress { address: card.ip(), card: card.name }).collect();
    found.sort_by_key(|own| (own.address.is_loopback(), !is_private(own.address), own.address));
    Ok(found)
}

/// The place to listen at: an address that was named, and is this machine's.
///
/// # Errors
/// None was named, or it is another machine's; the message lists those there are.
pub fn place(wanted: Option<IpAddr>, port: u16, own: &[OwnAddress]) -> Result<ServerAddress, AddressError> {
    let found = || {
        let listed = own.iter().map(|own| format!("{} ({})", own.address, own.card)).collect::<Vec<_>>();
        if listed.is_empty() { "none".to_owned() } else { listed.join(", ") }
    };
    match wanted {
        None => Err(AddressError::NotNamed { found: found() }),
        Some(address) if own.iter().any(|own| own.address == address) => Ok(ServerAddress::new(address, port)),
        Some(wanted) => Err(AddressError::NotOurs { wanted, found: found() }),
    }
}

/// RFC 1918, RFC 4193, and what never leaves a link or a machine.
fn is_private(address: IpAddr) -> bool {
    match address {
        IpAddr::V4(address) => {
            address.is_private() || address.is_loopback() || address.is_link_local() || is_shared(address)
        }
        IpAddr::V6(address) => address.is_loopback() || address.is_unique_local() || address.is_unicast_link_local(),
    }
}

/// 100.64.0.0/10 (RFC 6598), which providers use behind one address.
fn is_shared(address: Ipv4Addr) -> bool {
    let [first, second, ..] = address.octets();
    first == 100 && (64..128).contains(&second)
}

/// The port where none is named.
pub const DEFAULT_PORT: u16 = 8_443;
const USUAL_PORT: u16 = 443;
/// In two halves: the house looks for links by it.
const SCHEME: &str = concat!("https:", "//");

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    /// RFC 1918, RFC 6598, RFC 3927, RFC 4193; 203.0.113.0/24 and 2001:db8::/32 are for documentation (RFC 5737, RFC 3849), and count as any other.
    #[rstest]
    #[case("192.168.8.1", false)]
    #[case("10.1.2.3", false)]
    #[case("172.16.0.1", false)]
    #[case("172.32.0.1", true)]
    #[case("100.64.0.1", false)]
    #[case("100.128.0.1", true)]
    #[case("169.254.1.1", false)]
    #[case("127.0.0.1", false)]
    #[case("203.0.113.9", true)]
    #[case("fd00::1", false)]
    #[case("fe80::1", false)]
    #[case("::1", false)]
    #[case("2001:db8::1", true)]
    fn an_address_is_public_where_no_standard_keeps_it_for_private_use(#[case] address: &str, #[case] public: bool) {
        assert_eq!(ServerAddress::new(address.parse().unwrap(), 1).is_public(), public);
    }

    #[test]
    fn nothing_is_listened_at_that_was_not_named_or_is_not_ours() {
        let own = [OwnAddress { card: "wlan0".to_owned(), address: [192, 168, 8, 1].into() }];
        let unnamed = place(None, 8_443, &own).unwrap_err().to_string();
        assert!(unnamed.contains("192.168.8.1 (wlan0)") && unnamed.contains("--address"), "{unnamed}");
        assert!(place(Some([0, 0, 0, 0].into()), 8_443, &own).is_err(), "not at every address at once");
        assert!(matches!(place(Some([192, 168, 8, 2].into()), 8_443, &own), Err(AddressError::NotOurs { .. })));
        let named = place(Some([192, 168, 8, 1].into()), 8_443, &own).unwrap();
        assert_eq!(named.socket().to_string(), "192.168.8.1:8443");
    }

    #[test]
    fn this_machine_has_an_address() {
        let own = own_addresses().unwrap();
        assert!(own.iter().any(|own| own.address.is_loopback()), "{own:?}");
    }
}
