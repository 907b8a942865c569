//! What a person's own screen shows, and what its keys do.

use sparehand::engine::event::Event;
use sparehand::engine::input::{Certainty, Key};
use sparehand::engine::output::KeyGroup;
use sparehand::engine::{Ending, Move};
use sparehand::units::StationId;

use crate::world::World;
use crate::world::cast::{self, two};
use crate::world::own::{self, at, fill};

fn two_taps() -> String {
    let steps = [
        fill(),
        at("galley", "inside").step("bucket", "Open the drain into the bucket. Say: drain open.").clock(
            60,
            ("drain open", "Draining."),
            ("bucket full", "Close the drain."),
        ),
        at("left", "outside").step("gauge", "Read the gauge.").with(
            "answer",
            "{ kind = 'number', name = 'pressure', unit = 'bar', least = 0, most = 9, gauge = [0, 9] }",
        ),
    ];
    own::text("t", "the test", &steps)
}

/// Both are asked at the rig.
fn together() -> World {
    cast::world(Move::single(own::load(&two_taps())), two(true))
}

#[test]
fn a_screen_of_somebody_who_shares_a_place_shows_their_own_step_and_answers_for_nobody_else() {
    let world = together();
    let at_the_rig = world.engine.view(world.now, StationId::RIG);
    let (asked, other) = if at_the_rig.who == "Rowan" { ("Rowan", "Imre") } else { ("Imre", "Rowan") };
    let own = world.engine.view_of(world.now, asked);
    assert_eq!(own, at_the_rig, "whoever is asked there sees what the rig shows");
    let view = world.engine.view_of(world.now, other);
    assert_eq!(view.who, other);
    assert!(!view.call.is_empty() && view.call != own.call, "{view:?}");
    assert_eq!((view.confirm_key.as_str(), view.other_key.as_str()), ("", ""), "no button answers for {asked}");
    assert!(view.choices.is_empty() && view.hold.is_empty() && view.typed.is_none());
    assert!(view.beside.iter().any(|(name, call)| name == asked && *call == own.call), "{view:?}");
    assert!(!view.can_say.contains(&own.confirm_key));
}

#[test]
fn of_two_clocks_the_key_of_one_ends_that_one() {
    let mut world = together();
    world.hear("water on");
    world.hear("drain open");
    let clocks = world.engine.view(world.now, StationId::RIG).clocks;
    let step = |end: &str| clocks.iter().find(|clock| clock.end == end).unwrap().step.unwrap();
    let (fill, bucket) = (step("water off"), step("bucket full"));
    assert!(fill < bucket, "the first is the one that a key without a step ends");
    world.press(Key::ClockOverOf(bucket));
    let ended: Vec<&Event> = world.events().into_iter().filter(|e| matches!(e, Event::ClockEnded { .. })).collect();
    assert!(matches!(ended.as_slice(), [Event::ClockEnded { step, .. }] if step == "bucket"), "{ended:?}");
    world.press(Key::ClockOverOf(bucket));
    let running: Vec<usize> = world.engine.state().clocks.keys().copied().collect();
    assert_eq!(running, [fill], "pressed once more it ends nothing");
}

#[test]
fn a_pause_is_another_question_so_that_a_late_press_does_not_end_it() {
    let mut world = together();
    let before = world.engine.view(world.now, StationId::RIG).question;
    world.press(Key::Stop);
    let view = world.engine.view(world.now, StationId::RIG);
    assert!(view.question > before, "{} and {before}", view.question);
    assert_eq!(view.confirm_key, "go ahead", "the key says what it does");
    world.press(Key::GoAhead);
    assert!(world.engine.view(world.now, StationId::RIG).question > view.question);
}

#[test]
fn keys_that_pass_over_what_is_open_have_to_be_held_and_so_has_their_yes() {
    let mut world = World::new(&crate::world::rig(""));
    assert!(world.engine.view(world.now, StationId::RIG).hold.is_empty(), "gloves are no answer that can hurt");
    world.hear("are we ready");
    let view = world.engine.view(world.now, StationId::RIG);
    assert_eq!((view.other_key.as_str(), view.hold.as_slice()), ("override my responsibility", &[KeyGroup::Other][..]));
    world.press(Key::Other);
    let view = world.engine.view(world.now, StationId::RIG);
    assert_eq!((view.confirm_key.as_str(), view.hold.as_slice()), ("yes", &[KeyGroup::Confirm][..]));
    world.press(Key::Confirm);
    assert_eq!(world.engine.state().ended, Some(Ending::Overridden));
}

#[test]
fn a_reading_is_typed_and_shows_what_was_typed() {
    let mut world = together();
    for phrase in ["water on", "drain open", "water off", "bucket full"] {
        world.hear_as(phrase, Certainty::Sure);
    }
    let typed = |world: &World| world.engine.view(world.now, StationId::RIG).typed;
    assert_eq!(typed(&world).as_deref(), Some(""));
    world.press(Key::Choice(4));
    assert_eq!(typed(&world).as_deref(), Some("4"));
    world.press(Key::Confirm);
    assert_eq!(typed(&world), None, "it is read back first");
    assert!(!world.engine.view(world.now, StationId::RIG).confirm_key.is_empty());
}
