//! What the engine says when nobody could be understood.

use crate::meanwhile::by_one;
use crate::world::cast;
use crate::world::own::{self, anywhere};
use crate::world::{World, rig};
use sparehand::engine::Move;
use sparehand::engine::input::{Certainty, Input, Key};

fn world() -> World {
    World::new(&rig(""))
}

/// After the first time: once the words, and then nothing however long somebody talks.
fn then_quiet(world: &mut World) {
    world.quiet();
    let start = world.now;
    for _ in 0..6 {
        world.pass_s(5);
        world.tell(Input::SpeechUnclear);
        world.quiet();
    }
    let said = world.said_since(start);
    assert_eq!(said.len(), 1, "{said:?}");
    assert!(said[0].starts_with("I cannot make that out. Say: "), "{said:?}");
}

#[test]
fn what_is_not_understood_costs_a_say_again_and_then_the_words_to_say_and_then_quiet() {
    let mut world = world();
    world.answer_until("grey-held");
    let start = world.now;
    for _ in 0..6 {
        world.pass_s(5);
        world.tell(Input::SpeechUnclear);
        world.quiet();
    }
    let said = world.said_since(start);
    assert_eq!(said[0], "Say again: gray closed, or gray open?", "the short form did not tell them");
    assert_eq!(said[1], "I cannot make that out. Say: gray closed, or gray open, or press Enter.");
    assert_eq!(said.len(), 2, "{said:?}");
    world.hear("say again");
    assert_eq!(world.last_said(), "Look at the gray valve. Say: gray closed, or gray open.", "not the apology");
}

#[test]
fn whoever_is_not_understood_is_told_another_wording_that_sounds_different() {
    let mut world = world();
    world.answer_until("rinse-water");
    world.hear("water on");
    let start = world.now;
    for _ in 0..3 {
        world.pass_s(5);
        world.tell(Input::SpeechUnclear);
        world.quiet();
    }
    let said = world.said_since(start);
    assert!(said[1].starts_with("I cannot make that out. Say: water off, or tap shut, or "), "{}", said[1]);
    world.hear("tap shut");
    assert!(!world.is_open("rinse-water"), "{}", world.last_said());
}

#[test]
fn a_number_that_is_not_understood_twice_is_asked_for_digit_by_digit() {
    let rig = cast::rig("motorhome-towed-car").taking_part(1);
    let mut world = cast::world(Move::single(cast::routine("morning-outside", &rig)), cast::alone(true));
    world.answer_until("tire-pressures@left-front");
    for _ in 0..2 {
        world.pass_s(5);
        world.tell(Input::SpeechUnclear);
        world.quiet();
    }
    assert_eq!(world.last_said(), "I cannot make that out. Say it digit by digit, or press its digits.");
}

#[test]
fn whoever_is_not_understood_when_asked_whether_it_was_heard_right_is_told_longer_words() {
    let mut world = world();
    world.answer_until("grey-held");
    world.hear_as("gray closed", Certainty::Thin);
    assert!(
        world.last_said().ends_with("Is that right? Say it again, or: that is right, or: that is wrong."),
        "{}",
        world.last_said()
    );
    world.pass_s(5);
    world.tell(Input::SpeechUnclear);
    assert_eq!(world.last_said(), "Say: that is right, or: that is wrong. Or press Enter for yes.");
    then_quiet(&mut world);
    world.hear("that is right");
    assert!(!world.is_open("grey-held"), "{}", world.last_said());
}

#[test]
fn whoever_is_not_understood_at_a_question_is_told_longer_words_for_yes_and_no() {
    let mut world = world();
    world.answer_until("rinse-clear");
    world.pass_s(5);
    world.tell(Input::SpeechUnclear);
    assert_eq!(world.last_said(), "Say: affirmative, or: negative.");
    then_quiet(&mut world);
    world.hear("affirmative");
    assert!(!world.is_open("rinse-clear"), "{}", world.last_said());
}

#[test]
fn whoever_is_not_understood_at_a_gate_is_told_what_is_left_and_never_to_override_it() {
    let mut world = by_one(&[own::cap().with("tested_by", "'a plumber'"), own::cups()]);
    world.hear("cannot be tested");
    world.hear("done");
    let held = world.last_said().to_owned();
    assert!(held.contains("go ahead"), "{held}");
    for _ in 0..4 {
        world.pass_s(5);
        world.tell(Input::SpeechUnclear);
        assert!(!world.last_said().contains("override"), "{}", world.last_said());
    }
    assert!(world.page.iter().filter(|said| **said == held).count() > 1, "{:?}", world.page);
}

#[test]
fn where_nothing_is_asked_nothing_needs_to_be_said_again() {
    let told = anywhere().step("told", "Mind the step.").with("answer", "{ kind = 'told', times = 1 }");
    let mut world = by_one(&[own::cups(), told.after(&["cups"]), own::lamp().after(&["told"])]);
    world.tell(Input::KeyPressed(Key::Confirm));
    assert_eq!(world.step(), "told", "{:?}", world.page);
    world.tell(Input::SpeechUnclear);
    assert!(!world.page.iter().any(|said| said.contains("again")), "{:?}", world.page);
}

#[test]
fn say_again_tells_how_long_a_clock_still_runs_and_not_how_long_it_was_to_run() {
    let mut world = by_one(&[own::fill()]);
    world.hear("water on");
    world.pass_s(70);
    world.hear("say again");
    assert_eq!(world.last_said(), "The fill clock is still running: 49 seconds left.");
}

/// AHA guidelines of 2020, from memory: compressions go on until help takes over. Nothing else is asked meanwhile, and who counts aloud is not
/// asked to say it again.
#[test]
fn whoever_pushes_on_a_chest_is_told_to_go_on_over_and_over_and_asked_nothing_else_until_help_has_taken_over() {
    let rig = cast::rig("motorhome-towed-car");
    let job = Move::single(cast::routine("stop", &rig)).with_cards(&cast::cards(&rig));
    let mut world = cast::world(job, cast::two(true));
    world.hear_from("Imre", "somebody is hurt");
    for _ in 0..6 {
        world.quiet();
    }
    assert!(world.last_said().contains("or not breathing"), "{}", world.last_said());
    world.hear("not breathing");
    assert!(world.last_said().contains("Push hard, two a second, until help takes over"), "{}", world.last_said());
    let start = world.now;
    while world.now.since(start) < std::time::Duration::from_secs(300) {
        world.pass_s(5);
        world.tell(Input::SpeechUnclear);
        world.quiet();
    }
    let said = world.said_since(start);
    assert!((10..=20).contains(&said.len()), "every quarter to half of a minute for five minutes: {said:?}");
    assert!(said.iter().all(|text| text.contains("Keep pushing: hard, two a second.")), "{said:?}");
    world.hear("help took over");
    assert!(world.engine.state().card.is_none() && world.engine.state().standing_by);
    let over = world.now;
    world.pass_s(300);
    assert!(!world.said_since(over).iter().any(|text| text.contains("pushing")), "{:?}", world.said_since(over));
}
