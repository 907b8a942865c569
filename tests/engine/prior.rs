//! What is likelier before anything is heard: the answers to what is being asked, and nothing else that may be said.

use std::time::Duration;

use crate::world::World;
use crate::world::cast;
use sparehand::engine::input::Certainty;
use sparehand::engine::output::Prior;
use sparehand::units::StationId;

fn dump() -> World {
    World::new(&cast::rig("motorhome-towed-car")).begin()
}

fn asked(world: &World) -> Vec<&str> {
    let set = &world.station(StationId::RIG).set;
    set.phrases.iter().filter(|phrase| phrase.prior == Prior::Asked).map(|phrase| phrase.text.as_str()).collect()
}

#[test]
fn the_states_of_the_step_are_asked_for_and_its_ways_out_the_commands_and_the_emergencies_are_not() {
    let mut world = dump();
    world.answer_until("black-held");
    let asked = asked(&world);
    for phrase in ["black closed", "black open"] {
        assert!(asked.contains(&phrase), "{phrase}: {asked:?}");
    }
    for phrase in ["stop", "say again", "skip this", "cannot be tested", "not here today", "i cannot do that", "done"] {
        assert!(world.may_say().contains(&phrase), "{phrase} may not be said");
        assert!(!asked.contains(&phrase), "{phrase}");
    }
    assert!(asked.len() * 10 < world.may_say().len(), "{asked:?}");
}

#[test]
fn a_doubt_expects_a_no_but_a_yes_has_to_be_believed_by_itself() {
    let mut world = dump();
    world.answer_until("black-held");
    assert!(!asked(&world).contains(&"yes"));
    world.hear_as("black closed", Certainty::Thin);
    assert!(asked(&world).contains(&"no"), "{:?}", asked(&world));
    assert!(world.may_say().contains(&"yes") && !asked(&world).contains(&"yes"), "{:?}", asked(&world));
    world.hear("yes");
    assert!(!asked(&world).contains(&"yes"));
}

#[test]
fn the_end_of_a_clock_that_guards_something_is_expected_at_its_own_step_and_everywhere_once_it_has_run_out() {
    let mut world = dump();
    world.answer_until("rinse-water");
    assert!(asked(&world).contains(&"water on"));
    world.hear("water on");
    world.pass(Duration::from_secs(1_200));
    assert!(asked(&world).contains(&"water off"), "{:?}", asked(&world));
}
