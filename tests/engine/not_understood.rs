//! What the engine says when nobody could be understood.

use crate::world::{World, rig};
use sparehand::engine::input::{Certainty, Input};

fn world() -> World {
    World::new(&rig(""))
}

/// After the first time: once more "say again", once the words, and then nothing however long somebody talks.
fn then_quiet(world: &mut World) {
    world.quiet();
    let start = world.now;
    for _ in 0..6 {
        world.pass_s(5);
        world.tell(Input::SpeechUnclear);
        world.quiet();
    }
    let said = world.said_since(start);
    assert_eq!(said.len(), 2, "{said:?}");
    assert_eq!(said[0], "Say again?");
    assert!(said[1].starts_with("I cannot make that out. Say: "), "{said:?}");
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
    let words = "Say again: gray closed, or gray open?";
    assert_eq!(said[..2], [words, words], "the short form did not tell them");
    assert_eq!(said[2], "I cannot make that out. Say: gray closed, or gray open, or press Enter.");
    assert_eq!(said.len(), 3, "{said:?}");
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
    assert!(said[2].starts_with("I cannot make that out. Say: water off, or tap shut, or "), "{}", said[2]);
    world.hear("tap shut");
    assert!(!world.is_open("rinse-water"), "{}", world.last_said());
}

#[test]
fn whoever_is_not_understood_when_asked_whether_it_was_heard_right_is_told_longer_words() {
    let mut world = world();
    world.answer_until("grey-held");
    world.hear_as("gray closed", Certainty::Thin);
    assert!(world.last_said().ends_with("Is that right? Say yes, no, or say it again."), "{}", world.last_said());
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
