//! The conversations of a run: the rig's is always there, those of other stations come and go.

use std::collections::BTreeMap;

use super::{Availability, Dialogue};
use crate::units::StationId;

/// Every conversation by its station.
pub(in crate::engine) struct Conversations {
    rig: Dialogue,
    others: BTreeMap<StationId, Dialogue>,
}

impl Default for Conversations {
    fn default() -> Self {
        Self { rig: Dialogue::of(Vec::new()), others: BTreeMap::new() }
    }
}

impl Conversations {
    /// Whether the station has ever joined.
    pub fn knows(&self, station: StationId) -> bool {
        station == StationId::RIG || self.others.contains_key(&station)
    }

    /// The conversation at the station; at one that never joined the rig's.
    pub fn get(&self, station: StationId) -> &Dialogue {
        self.others.get(&station).unwrap_or(&self.rig)
    }

    pub fn get_mut(&mut self, station: StationId) -> &mut Dialogue {
        self.others.get_mut(&station).unwrap_or(&mut self.rig)
    }

    /// Begins the conversation at a station anew.
    pub fn begin(&mut self, station: StationId, people: Vec<String>) {
        if station == StationId::RIG {
            self.rig.people = people;
            (self.rig.ear, self.rig.mouth) = (Availability::Up, Availability::Up);
        } else {
            let before = self.others.remove(&station).unwrap_or_else(|| Dialogue::of(Vec::new()));
            let missed = if before.people == people { before.missed } else { Vec::new() };
            // Sets that were named there before are still heard in for a moment.
            self.others.insert(station, Dialogue { listening: before.listening, missed, ..Dialogue::of(people) });
        }
    }

    /// The rig's station first, then the others by their number.
    pub fn ids(&self) -> Vec<StationId> {
        std::iter::once(StationId::RIG).chain(self.others.keys().copied()).collect()
    }

    pub fn iter(&self) -> impl Iterator<Item = (StationId, &Dialogue)> {
        std::iter::once((StationId::RIG, &self.rig)).chain(self.others.iter().map(|(id, talk)| (*id, talk)))
    }

    pub fn all_mut(&mut self) -> impl Iterator<Item = &mut Dialogue> {
        std::iter::once(&mut self.rig).chain(self.others.values_mut())
    }
}
