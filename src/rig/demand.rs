//! What a step asks of a body, and so what somebody may not be able to do today.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What a step demands of whoever does it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Demand {
    /// Both hands at once.
    TwoHands,
    /// More than 20 pounds (9 kg) lifted or held.
    Lifting,
    /// Down on a knee, or under something.
    Kneeling,
    /// On a ladder or on the roof.
    Ladder,
    /// At the wheel, with something moving.
    Driving,
}

impl Demand {
    /// Every one, in the order of the options.
    pub const ALL: [Self; 5] = [Self::TwoHands, Self::Lifting, Self::Kneeling, Self::Ladder, Self::Driving];

    /// Its name in files and options.
    pub fn name(self) -> &'static str {
        match self {
            Self::TwoHands => "two-hands",
            Self::Lifting => "lifting",
            Self::Kneeling => "kneeling",
            Self::Ladder => "ladder",
            Self::Driving => "driving",
        }
    }

    /// The demand of this name.
    pub fn of_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|demand| demand.name() == name)
    }
}
