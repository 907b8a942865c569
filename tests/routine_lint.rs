//! What `lint` finds, and that the routines that ship have nothing of it.

mod routine_support;

use routine_support::{RIGS, built_in, commands, rig};
use sparehand::app::prompts::ROUTINES;
use sparehand::routine::{Library, Surroundings, lint};

#[test]
fn the_routines_that_ship_have_nothing_to_be_found() {
    let always = commands();
    let mut all = std::collections::BTreeSet::new();
    for (name, _) in RIGS {
        let rig = rig(name);
        let library = Library { routine: &built_in, changes: &|_| None };
        for (id, _) in ROUTINES {
            for finding in lint(&built_in(id).unwrap(), &Surroundings { rig: &rig, library, always: &always }) {
                all.insert(format!(
                    "{id} {}: {:?}: {} (expected {})",
                    finding.step, finding.severity, finding.found, finding.expected
                ));
            }
        }
    }
    assert!(all.is_empty(), "{}\n{}", all.len(), all.into_iter().collect::<Vec<_>>().join("\n"));
}
