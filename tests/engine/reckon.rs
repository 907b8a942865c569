//! A bucket filled by the tap, and the clocks that are reckoned from it.

use std::time::Duration;

use crate::world::{World, english, rig, tank_dump};
use sparehand::engine::event::Event;
use sparehand::engine::input::{Away, Input, Key};
use sparehand::engine::{Engine, output::VoiceSettings};

/// A tank of 40 gallons with a floor of 30 by 48 inches, a bucket of 5 gallons, and the common times.
const RIG: &str = "[waste]\nblack_gal = 40\nblack_floor_sqin = 1440\n[tank_dump]\nbucket_gal = 5\n";

/// An unmeasured tap is assumed to give 10 gallons a minute: three quarters of 40 gallons with 5 gallons of layer in it, by hand.
const UNMEASURED_S: u64 = 150;

/// What is timed where the bucket takes 25 s: until the last of the words that end it has been heard.
const TIMED_S: f64 = 28.08;
/// By hand: 5 gallons in 28.08 s are 10.684 a minute, or one second's worth more; three quarters of 40 gallons x 28.08 / 29.08 = 28.97 gallons
/// take 162.7 s, and thirty of them are in the tank already as a layer.
const RINSE_S: u64 = 132;

/// Fills the bucket in so many seconds, and goes on to the rinse.
fn rinsed_after_a_bucket_of(seconds: u64) -> World {
    let mut world = World::new(&rig(RIG));
    world.answer_until("tap-bucket");
    world.hear("tap running");
    let spoken = world.now;
    world.pass_s(seconds);
    // The person's words are what counts, not what the program says meanwhile.
    let meant = Duration::from_secs(seconds);
    assert!(world.now.since(spoken) == meant);
    world.hear("bucket full");
    world.answer_until("rinse-water");
    world
}

fn started(world: &World, step: &str) -> u64 {
    let length = |event: &&Event| match event {
        Event::ClockStarted { step: id, length_ms, .. } if id == step => Some(*length_ms / 1_000),
        _ => None,
    };
    world.events().iter().rev().find_map(length).unwrap_or_else(|| panic!("{step} never started"))
}

fn measured_s(world: &World) -> f64 {
    let ran = |event: &&Event| match event {
        Event::ClockEnded { step, ran_ms, .. } if step == "tap-bucket" => Some(*ran_ms as f64 / 1_000.0),
        _ => None,
    };
    world.events().iter().find_map(ran).expect("the bucket was filled")
}

#[test]
fn a_strong_tap_shortens_the_rinse_and_the_time_is_said() {
    let mut world = rinsed_after_a_bucket_of(25);
    assert_eq!(measured_s(&world), TIMED_S);
    let expected = RINSE_S;
    let call =
        world.said.iter().rev().find(|(_, said)| said.text.contains("From this tap")).map(|(_, said)| &said.text);
    let span = english().span(Duration::from_secs(expected));
    assert!(call.is_some_and(|call| call.contains(&span)), "{call:?} does not say {span}");
    world.hear("water on");
    assert_eq!(started(&world, "rinse-water"), expected);
    let running = format!("Clock running, {span}.");
    assert!(world.said.iter().any(|(_, said)| said.text.contains(&running)), "never said: {running}");
    world.pass_s(expected + 2);
    assert!(!world.alarms().is_empty(), "it rings at the time that was reckoned");
}

#[test]
fn a_weak_tap_never_makes_the_rinse_longer_than_the_owner_allows() {
    let mut world = rinsed_after_a_bucket_of(200);
    world.hear("water on");
    assert_eq!(started(&world, "rinse-water"), 300);
}

/// 231 cubic inches a gallon over 1,440 square inches: thirty seconds of 10 gallons a minute are 5 gallons, 0.802 inch deep
/// (geometry; 5 gal in 30 x 48 in).
#[test]
fn the_layer_says_how_deep_it_is_on_this_floor() {
    let mut world = rinsed_after_a_bucket_of(29);
    let gallons = 5.0 / measured_s(&world) * 30.0;
    let depth = gallons * 231.0 / 1440.0;
    world.answer_until("layer-water");
    let call = world.said.iter().rev().find(|(_, said)| said.text.contains("inches on the floor"));
    let expected = format!("That is {depth:.1} inches on the floor.");
    assert!(call.is_some_and(|(_, said)| said.text.contains(&expected)), "{call:?}, expected: {expected}");
    world.hear("water on");
    assert_eq!(started(&world, "layer-water"), 30);
}

#[test]
fn a_tap_of_one_gallon_a_minute_is_said_in_the_singular() {
    let world = rinsed_after_a_bucket_of(298);
    let said: Vec<&str> = world.said.iter().map(|(_, said)| said.text.as_str()).collect();
    assert!(said.iter().any(|text| text.contains("The tap gives 1 gallon a minute.")), "{said:?}");
    let world = rinsed_after_a_bucket_of(60);
    let said: Vec<&str> = world.said.iter().map(|(_, said)| said.text.as_str()).collect();
    assert!(said.iter().any(|text| text.contains("The tap gives 4.8 gallons a minute.")), "{said:?}");
}

#[test]
fn what_no_tap_gives_leaves_the_usual_times() {
    let mut world = rinsed_after_a_bucket_of(0);
    assert!(world.said.iter().any(|(_, said)| said.text.contains("I keep the usual ones")));
    world.hear("water on");
    assert_eq!(started(&world, "rinse-water"), UNMEASURED_S);
}

#[test]
fn a_second_measurement_that_tells_nothing_leaves_the_usual_times_and_not_the_first() {
    let mut world = World::new(&rig(RIG));
    world.answer_until("tap-bucket");
    world.hear("tap running");
    world.pass_s(25);
    world.hear("bucket full");
    world.hear("correction");
    world.pass_s(20_000);
    world.hear("bucket full");
    assert!(world.said.iter().any(|(_, said)| said.text.contains("I keep the usual ones")), "{:?}", world.page);
    world.answer_until("rinse-water");
    assert!(!world.last_said().contains("From this tap"), "{}", world.last_said());
    world.hear("water on");
    assert_eq!(started(&world, "rinse-water"), UNMEASURED_S);
}

#[test]
fn a_rig_without_a_bucket_is_not_asked_to_fill_one() {
    let mut world = World::new(&rig("[waste]\nblack_gal = 40\n"));
    world.answer_until("rinse-water");
    assert!(world.engine.routine().index_of("tap-bucket").is_none());
    world.press(Key::Confirm);
    assert_eq!(started(&world, "rinse-water"), UNMEASURED_S);
}

#[test]
fn a_run_that_is_taken_up_again_still_knows_the_tap() {
    let world = rinsed_after_a_bucket_of(25);
    let mut engine = Engine::new(tank_dump(&rig(RIG)), english(), VoiceSettings::default());
    for (_, at, event) in &world.records {
        engine.replay(*at, event);
    }
    let mut again = World::around(engine);
    again.now = world.now;
    again.tell(Input::Resumed(Away::Known(Duration::from_secs(5))));
    again.quiet();
    again.answer_until("rinse-water");
    again.hear("water on");
    assert_eq!(measured_s(&world), TIMED_S);
    assert_eq!(started(&again, "rinse-water"), RINSE_S);
}
