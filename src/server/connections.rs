//! Counts connections, in all and of each address, so that one that floods leaves room for the others.

use std::collections::BTreeMap;
use std::net::{IpAddr, Ipv6Addr};
use std::sync::{Arc, Mutex, PoisonError, Weak};

use tokio::sync::{OwnedSemaphorePermit, Semaphore};

use crate::server::limits::{CONNECTIONS, CONNECTIONS_OF_ONE, HANDSHAKES, HANDSHAKES_OF_ONE};

/// What is counted as one: an address, or of IPv6 the network of 64 bits, all of which any host may use (RFC 4291, RFC 8981).
pub fn counted_as(address: IpAddr) -> IpAddr {
    match address.to_canonical() {
        IpAddr::V4(address) => IpAddr::V4(address),
        IpAddr::V6(address) => IpAddr::V6(Ipv6Addr::from_bits(address.to_bits() & !u128::from(u64::MAX))),
    }
}

/// Those that are open. Cheap to copy.
#[derive(Clone, Debug, Default)]
pub struct Connections(Arc<Mutex<BTreeMap<IpAddr, usize>>>);

/// One that is open; counted until it is dropped.
#[derive(Debug)]
pub struct OpenConnection {
    of: Connections,
    from: IpAddr,
}

impl Connections {
    /// Counts one more; nothing where there are as many as may be.
    pub fn open(&self, from: IpAddr) -> Option<OpenConnection> {
        let from = counted_as(from);
        let mut counts = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let all: usize = counts.values().sum();
        let own = counts.get(&from).copied().unwrap_or(0);
        if all >= CONNECTIONS || own >= CONNECTIONS_OF_ONE {
            return None;
        }
        counts.insert(from, own + 1);
        Some(OpenConnection { of: self.clone(), from })
    }
}

impl Drop for OpenConnection {
    fn drop(&mut self) {
        let mut counts = self.of.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(count) = counts.get_mut(&self.from) {
            *count -= 1;
            if *count == 0 {
                counts.remove(&self.from);
            }
        }
    }
}

/// Turns at a handshake, in all and of each address: whoever takes long over theirs holds up nobody but themselves. Cheap to copy.
#[derive(Clone, Debug)]
pub struct HandshakeTurns {
    all: Arc<Semaphore>,
    own: Arc<Mutex<BTreeMap<IpAddr, Weak<Semaphore>>>>,
}

/// A turn; over when it is dropped. Nothing where the server ends.
pub type HandshakeTurn = (Option<OwnedSemaphorePermit>, Option<OwnedSemaphorePermit>);

impl Default for HandshakeTurns {
    fn default() -> Self {
        Self { all: Arc::new(Semaphore::new(HANDSHAKES)), own: Arc::default() }
    }
}

impl HandshakeTurns {
    /// Waits for a turn.
    pub async fn turn(&self, from: IpAddr) -> HandshakeTurn {
        let own = self.of(counted_as(from)).acquire_owned().await.ok();
        (own, Arc::clone(&self.all).acquire_owned().await.ok())
    }

    fn of(&self, from: IpAddr) -> Arc<Semaphore> {
        let mut own = self.own.lock().unwrap_or_else(PoisonError::into_inner);
        own.retain(|_, turns| turns.strong_count() > 0);
        let there = own.get(&from).and_then(Weak::upgrade);
        there.unwrap_or_else(|| {
            let turns = Arc::new(Semaphore::new(HANDSHAKES_OF_ONE));
            own.insert(from, Arc::downgrade(&turns));
            turns
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;
    use tokio::time::timeout;

    #[test]
    fn an_address_that_takes_long_over_its_handshakes_holds_up_no_other() {
        let soon = Duration::from_millis(50);
        let runtime = tokio::runtime::Builder::new_current_thread().enable_time().build().unwrap();
        runtime.block_on(async {
            let turns = HandshakeTurns::default();
            let mut slow = Vec::new();
            for n in 0..CONNECTIONS_OF_ONE {
                let from = format!("fd00::{n:x}").parse().unwrap();
                slow.extend(timeout(soon, turns.turn(from)).await);
            }
            assert_eq!(slow.len(), HANDSHAKES_OF_ONE, "one network of IPv6 counts as one address");
            let phone = timeout(soon, turns.turn([192, 168, 8, 2].into())).await;
            assert!(phone.is_ok(), "another address has its turn at once");
            drop(slow);
            assert!(timeout(soon, turns.turn([10, 0, 0, 1].into())).await.is_ok());
            assert!(turns.own.lock().unwrap().len() <= 2, "what is counted is bounded");
        });
    }

    /// RFC 4291: of an address the last 64 bits name the interface; 2.5.5.2: one of IPv4 within IPv6.
    #[test]
    fn a_network_of_ipv6_counts_as_one_and_one_of_ipv4_within_it_as_itself() {
        let counted = |address: &str| counted_as(address.parse().unwrap());
        assert_eq!(counted("fd00:1:2:3:4:5:6:7"), counted("fd00:1:2:3::9"));
        assert_ne!(counted("fd00:1:2:3::1"), counted("fd00:1:2:4::1"));
        assert_eq!(counted("::ffff:192.168.8.2"), counted("192.168.8.2"));
        assert_ne!(counted("192.168.8.2"), counted("192.168.8.3"));
    }

    #[test]
    fn one_address_leaves_room_for_others_and_all_of_them_for_the_machine() {
        let connections = Connections::default();
        let flood: Vec<OpenConnection> = (0..1_000).filter_map(|_| connections.open([10, 0, 0, 66].into())).collect();
        assert_eq!(flood.len(), CONNECTIONS_OF_ONE);
        let phone = connections.open([10, 0, 0, 2].into()).expect("room for another address");
        let others: Vec<OpenConnection> = (0..200).filter_map(|n| connections.open([10, 0, 1, n].into())).collect();
        assert_eq!(flood.len() + others.len() + 1, CONNECTIONS);
        drop((flood, phone));
        assert!(connections.open([10, 0, 0, 66].into()).is_some());
        drop(others);
        assert!(connections.0.lock().unwrap().is_empty(), "what is counted is bounded");
    }
}
