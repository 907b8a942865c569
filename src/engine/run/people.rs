//! Who takes part: names, roles, and how much each of them has to be told.

use std::collections::BTreeSet;

use crate::engine::event::Present;
use crate::rig::{Demand, Person, Role};
use crate::routine::StepIndex;
use crate::units::SessionTime;

/// Place of a person in [`RunState::people`](crate::engine::RunState::people).
pub type PersonIndex = usize;

/// Those who take part in a run, and those who can be handed over to.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Crew {
    /// Those who take part from the beginning.
    pub here: Vec<Person>,
    /// Those who can be handed over to.
    pub away: Vec<Person>,
}

impl Crew {
    pub(in crate::engine) fn recorded(&self) -> Vec<Present> {
        let names = |roles: &[Role]| roles.iter().map(|&role| role_name(role).to_owned()).collect();
        let record = |person: &Person, here: bool| Present {
            name: person.name.clone(),
            roles: names(&person.roles),
            practised: names(&person.practiced),
            here,
        };
        self.here.iter().map(|p| record(p, true)).chain(self.away.iter().map(|p| record(p, false))).collect()
    }
}

/// A person in a run.
#[derive(Clone, Debug, PartialEq)]
pub struct Hand {
    /// As it is said; empty where nobody is named.
    pub name: String,
    /// Empty: does anything.
    pub roles: Vec<Role>,
    /// The roles in which the call alone is enough.
    pub practised: Vec<Role>,
    /// Takes part at the moment.
    pub here: bool,
    /// The step that they are asked for now.
    pub current: Option<StepIndex>,
    /// What they cannot do today.
    pub cannot: BTreeSet<Demand>,
    /// Single steps that they cannot do today.
    pub unable: BTreeSet<StepIndex>,
    /// The steps that they are asked for in one call, as long as the one that they have is among them.
    pub stretch: Vec<StepIndex>,
    /// Since when.
    pub offered_at: SessionTime,
    /// Where their last step was.
    pub place: String,
    /// The section of their last step.
    pub section: Option<usize>,
    /// The last role that was more than anybody's: on which side of the rig they are.
    pub side: Role,
}

impl Hand {
    /// Whoever is there, practised, and doing everything.
    pub fn unnamed() -> Self {
        Self {
            name: String::new(),
            roles: Vec::new(),
            practised: ALL.to_vec(),
            here: true,
            current: None,
            cannot: BTreeSet::new(),
            unable: BTreeSet::new(),
            stretch: Vec::new(),
            offered_at: SessionTime::ZERO,
            place: String::new(),
            section: None,
            side: Role::Either,
        }
    }

    pub(in crate::engine) fn of(present: &Present) -> Self {
        let roles = |names: &[String]| names.iter().filter_map(|name| role_of(name)).collect();
        Self {
            name: present.name.clone(),
            roles: roles(&present.roles),
            practised: roles(&present.practised),
            here: present.here,
            ..Self::unnamed()
        }
    }

    /// Whether the call alone is enough for them.
    pub fn knows(&self, role: Role) -> bool {
        match role {
            Role::Either => !self.practised.is_empty(),
            role => self.practised.contains(&role),
        }
    }

    pub(in crate::engine) fn has(&self, role: Role) -> bool {
        self.roles.contains(&role)
    }
}

/// A role in the words of the rig's file.
pub fn role_name(role: Role) -> &'static str {
    match role {
        Role::Outside => "outside",
        Role::Inside => "inside",
        Role::Driver => "driver",
        Role::Spotter => "spotter",
        Role::Either => "either",
    }
}

fn role_of(name: &str) -> Option<Role> {
    ALL.into_iter().find(|&role| role_name(role) == name)
}

pub(in crate::engine) const ALL: [Role; 5] = [Role::Outside, Role::Inside, Role::Driver, Role::Spotter, Role::Either];
