//! Counts connections, in all and of each address, so that one that floods leaves room for the others.

use std::collections::BTreeMap;
use std::net::IpAddr;
use std::sync::{Arc, Mutex, PoisonError};

use crate::server::limits::{CONNECTIONS, CONNECTIONS_OF_ONE};

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

#[cfg(test)]
mod tests {
    use super::*;

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
