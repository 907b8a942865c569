//! How the rig stands: what has been put out at a site, and what has been put away. Kept from run to run; pure.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// How one thing stands that is put out at a site and put away for the road: a cord, a slide, a valve, somebody's own mat.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Stands {
    /// Put out, connected, open, down: as it is at a site.
    Out,
    /// Put away, not connected, shut, up: as it is on the road.
    Away,
    /// Nobody knows: it is asked, and nothing is left out for it.
    #[default]
    Unknown,
}

/// How everything stands, by id (`mains`, `slide@kitchen-slide`). What was never told is unknown.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct RigState {
    things: BTreeMap<String, Stands>,
}

impl RigState {
    /// How this thing stands.
    pub fn of(&self, thing: &str) -> Stands {
        self.things.get(thing).copied().unwrap_or_default()
    }

    /// What was told last of this thing holds from now on.
    pub fn tell(&mut self, thing: &str, stands: Stands) {
        self.things.insert(thing.to_owned(), stands);
    }

    /// Whatever this one was told nothing of is as it was `before`.
    pub fn complete(&mut self, before: &Self) {
        for (thing, stands) in &before.things {
            self.things.entry(thing.clone()).or_insert(*stands);
        }
    }

    /// Everything that was told of, in the order of the ids.
    pub fn iter(&self) -> impl Iterator<Item = (&str, Stands)> {
        self.things.iter().map(|(thing, stands)| (thing.as_str(), *stands))
    }

    /// Whether nothing was ever told.
    pub fn is_empty(&self) -> bool {
        self.things.is_empty()
    }
}

impl FromIterator<(String, Stands)> for RigState {
    fn from_iter<T: IntoIterator<Item = (String, Stands)>>(things: T) -> Self {
        Self { things: things.into_iter().collect() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_told_last_holds_and_what_was_never_told_is_unknown() {
        let mut now = RigState::default();
        now.tell("mains", Stands::Out);
        now.tell("mains", Stands::Away);
        let before = RigState::from_iter([("mains".to_owned(), Stands::Out), ("sewer".to_owned(), Stands::Out)]);
        now.complete(&before);
        assert_eq!((now.of("mains"), now.of("sewer"), now.of("awning")), (Stands::Away, Stands::Out, Stands::Unknown));
    }
}
