//! The routines that ship, for every rig that ships.

mod routine_support;

use routine_support::{RIGS, rig, try_load};
use sparehand::app::prompts::ROUTINES;

#[test]
fn every_routine_loads_for_every_rig() {
    let mut faults = Vec::new();
    for (name, _) in RIGS {
        let rig = rig(name);
        for (id, _) in ROUTINES {
            if let Err(error) = try_load(id, &rig) {
                faults.push(format!("{name}: {error}"));
            }
        }
    }
    assert!(faults.is_empty(), "\n{}", faults.join("\n"));
}
