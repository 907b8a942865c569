//! The table of hazards in `docs/hazards.md`, held against the routines: every guard that it names is there, and guards what it says.

use std::collections::{BTreeMap, BTreeSet};

use crate::world::cast::{RIGS, rig, routine};
use sparehand::routine::{Answer, Harm, Step};

/// A row of the table.
struct Guard {
    hazard: String,
    step: String,
    state: String,
    look: String,
}

/// What a hazard may do, by its name in the table.
const HARMS: [(&str, &[Harm]); 9] = [
    ("flood", &[Harm::Flood]),
    ("fire", &[Harm::Hurt]),
    ("run away", &[Harm::RunAway]),
    ("burn", &[Harm::Hurt]),
    ("fall", &[Harm::Drop]),
    ("crush", &[Harm::Hurt]),
    ("shock", &[Harm::Hurt]),
    ("hit", &[Harm::Hurt]),
    ("gas", &[Harm::Hurt]),
];

fn guards() -> Vec<Guard> {
    let text = include_str!("../../docs/hazards.md");
    let rows = text.lines().filter(|line| line.starts_with("| ")).skip(2);
    let cell = |cells: &[&str], place: usize| cells[place].trim().trim_matches('`').to_owned();
    rows.map(|row| {
        let cells: Vec<&str> = row.trim_matches('|').split('|').collect();
        assert_eq!(cells.len(), 5, "five cells in: {row}");
        Guard { hazard: cell(&cells, 0), step: cell(&cells, 2), state: cell(&cells, 3), look: cell(&cells, 4) }
    })
    .collect()
}

/// Every step of leaving and of the evening before, for every rig, alone and by two; by `routine/step`, and by `included/step` where a routine is included.
fn steps() -> BTreeMap<String, Vec<Step>> {
    let mut found: BTreeMap<String, Vec<Step>> = BTreeMap::new();
    for (name, people) in RIGS.iter().flat_map(|name| [(name, 1), (name, 2)]) {
        let rig = rig(name).taking_part(people);
        for id in ["evening-before", "morning-inside", "morning-outside", "hitch-up", "last-look"] {
            for step in routine(id, &rig).steps {
                let plain = step.id.split('@').next().unwrap().to_owned();
                if plain.contains('/') {
                    found.entry(plain.clone()).or_default().push(step.clone());
                }
                found.entry(format!("{id}/{plain}")).or_default().push(step);
            }
        }
    }
    found
}

fn names(step: &Step) -> Vec<String> {
    match &step.answer {
        Answer::State(state) => state.want.clone(),
        Answer::Clock(clock) => clock.end.clone(),
        _ => Vec::new(),
    }
}

#[test]
fn every_guard_of_the_table_of_hazards_is_there_is_critical_and_names_its_state() {
    let steps = steps();
    for guard in guards() {
        let found =
            steps.get(&guard.step).unwrap_or_else(|| panic!("{} is gone: what guards '{}'?", guard.step, guard.hazard));
        let (_, harms) =
            HARMS.iter().find(|(name, _)| *name == guard.hazard).unwrap_or_else(|| panic!("'{}'", guard.hazard));
        for step in found {
            assert!(step.critical() || guard.look != "itself", "{} has no harm, and nothing looks at it", guard.step);
            assert!(
                !step.critical() || harms.contains(&step.harm),
                "{}: {:?}, expected {harms:?}",
                guard.step,
                step.harm
            );
            assert!(
                names(step).contains(&guard.state),
                "{}: '{}' is none of {:?}",
                guard.step,
                guard.state,
                names(step)
            );
        }
    }
}

#[test]
fn every_hazard_has_guards_and_every_guard_is_looked_at_before_the_last_gate() {
    let (steps, guards) = (steps(), guards());
    let named: BTreeSet<&str> = guards.iter().map(|guard| guard.hazard.as_str()).collect();
    assert_eq!(named, HARMS.iter().map(|(name, _)| *name).collect(), "each hazard has a row");
    for guard in guards.iter().filter(|guard| guard.look != "itself") {
        assert!(steps.contains_key(&guard.look), "{} is gone, which looks at {}", guard.look, guard.step);
    }
    // What is looked at by a step that says so is never asked twice: the table and the routines tell the same.
    for step in steps.values().flatten().filter(|step| !step.verifies.is_empty()) {
        for other in &step.verifies {
            let looked_at = format!("{}/{}", other.routine, other.step);
            for guard in guards.iter().filter(|guard| looked_at.ends_with(&guard.step)) {
                let look = guard.look.split('/').next_back().unwrap();
                let early = guard.look == "itself" || step.id.starts_with("loads-off");
                assert!(
                    early || step.id.starts_with(look),
                    "{looked_at} is looked at by {}, not {}",
                    step.id,
                    guard.look
                );
            }
        }
    }
}
