//! What a person's own screen shows, and what its keys do.

use std::time::Duration;

use sparehand::engine::event::Event;
use sparehand::engine::input::{Certainty, Input, Key};
use sparehand::engine::output::{KeyGroup, View};
use sparehand::engine::{Ending, Move};
use sparehand::units::StationId;

use crate::meanwhile::by_one;
use crate::world::World;
use crate::world::cast::{self, two};
use crate::world::own::{self, anywhere, at, fill, sides};

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

fn call(world: &World) -> String {
    world.engine.view(world.now, StationId::RIG).call
}

#[test]
fn what_was_said_last_can_be_read() {
    let mut world = by_one(&[own::cap(), own::cups()]);
    let said = |world: &World| world.engine.view(world.now, StationId::RIG).said;
    assert_eq!(said(&world).last().unwrap(), "Close the cap. Say: cap on, or cap off.");
    world.press(Key::WhereAreWe);
    assert!(said(&world).last().unwrap().contains("The test"), "{:?}", said(&world));
    world.press(Key::Explain);
    assert!(said(&world).len() <= View::MOST_SAID);
}

#[test]
fn what_is_asked_back_stands_in_place_of_the_call_that_the_keys_do_not_answer() {
    for (key, begins) in [(Key::EndRun, "End "), (Key::AreWeReady, "Not done yet: "), (Key::Skip, "Why? ")] {
        let mut world = by_one(&[own::cups(), own::lamp()]);
        assert_eq!(call(&world), "Put the cups away. Say: done.");
        world.press(key);
        assert!(call(&world).starts_with(begins), "{key:?}: {}", call(&world));
    }
}

#[test]
fn a_clock_that_runs_is_shown_to_be_ended_and_not_to_be_begun() {
    let mut world = by_one(&[own::fill()]);
    world.hear("water on");
    assert_eq!(call(&world), "The fill clock is running. Once it is shut, say: water off.");
    world.pass_s(125);
    assert_eq!(call(&world), "Shut the tap. When it is shut, say: water off.");
}

#[test]
fn a_reading_shows_what_it_should_be_and_the_last_digit_can_be_taken_back() {
    let pressure = "{ kind = 'number', name = 'pressure', unit = 'p s i', least = 40, most = 65, gauge = [0, 150] }";
    let mut world = by_one(&[anywhere().step("read", "What does it read?").with("answer", pressure)]);
    let view = |world: &World| world.engine.view(world.now, StationId::RIG);
    assert_eq!((view(&world).bounds.as_str(), view(&world).can_say[0].as_str()), ("40 - 65 psi", "40 - 65 psi"));
    for key in [Key::Choice(5), Key::Choice(9), Key::DropDigit, Key::Choice(5)] {
        world.press(key);
    }
    assert_eq!((view(&world).typed.as_deref(), view(&world).enters.as_str()), (Some("55"), "55 psi"));
    world.press(Key::Confirm);
    assert!(view(&world).call.contains("55"), "the question names the number: {}", view(&world).call);
}

#[test]
fn what_the_digits_enter_is_named_with_its_point_and_nothing_where_they_make_no_reading() {
    let volts = "{ kind = 'number', name = 'volts', unit = 'volts', least = 12.0, most = 14.5, gauge = [0.0, 20.0], resolution = 0.1 }";
    let mut world = by_one(&[anywhere().step("read", "What does it read?").with("answer", volts)]);
    let mut enters = |digit| {
        world.press(Key::Choice(digit));
        world.engine.view(world.now, StationId::RIG).enters
    };
    assert_eq!([enters(1), enters(2), enters(6)], ["0.1 volts", "1.2 volts", "12.6 volts"]);
    assert_eq!(enters(4), "", "126.4 is beyond the gauge");
}

#[test]
fn whoever_presses_briskly_gets_on_and_a_key_that_is_held_down_does_not() {
    let steps: Vec<_> = ["one", "two", "three", "four"].map(|id| anywhere().done(id, "Do it.", "it is done")).into();
    let mut world = by_one(&steps);
    let open = |world: &World| ["one", "two", "three", "four"].iter().filter(|id| world.is_open(id)).count();
    for _ in 0..5 {
        world.tell(Input::KeyPressed(Key::Confirm));
        world.pass(Duration::from_millis(700));
    }
    assert_eq!(open(&world), 1);
    let mut held = by_one(&steps);
    held.tell(Input::KeyPressed(Key::Confirm));
    held.pass(Duration::from_millis(500));
    for _ in 0..100 {
        held.tell(Input::KeyPressed(Key::Confirm));
        held.pass(Duration::from_millis(33));
    }
    assert_eq!(open(&held), 3, "held down it is one press");
}

#[test]
fn by_two_at_one_keyboard_a_key_turns_to_the_other() {
    let mut world = cast::world(Move::single(sides()), two(true));
    let who = |world: &World| world.engine.view(world.now, StationId::RIG).who;
    let first = who(&world);
    world.press(Key::NextPerson);
    assert_ne!(who(&world), first);
    world.press(Key::NextPerson);
    assert_eq!(who(&world), first);
}

#[test]
fn whoever_waits_sees_for_whom() {
    let mut world = cast::world(Move::single(own::load(&own::text("t", "the test", &[own::cap()]))), two(true));
    assert_eq!(world.engine.view_of(world.now, "Imre").call, "Wait for Rowan.");
    world.hear("cap on");
}

#[test]
fn where_nobody_can_hear_the_last_words_the_run_ends_in_a_moment() {
    let mut world = by_one(&[own::cups()]);
    world.tell(Input::VoiceLost);
    world.press(Key::Confirm);
    assert_eq!(call(&world), "The test is done.");
    let begun = world.now;
    while !world.ended && world.now.since(begun) < Duration::from_secs(60) {
        // Nothing is played, so nothing is heard to its end.
        world.forget_speech();
        world.pass(Duration::from_millis(500));
    }
    assert!(world.ended && world.now.since(begun) <= Duration::from_secs(5), "{:?}", world.now.since(begun));
}

#[test]
fn a_card_and_what_cannot_be_tested_have_keys() {
    let rig = cast::rig("motorhome-towed-car");
    let mut world = World::around(cast::engine(cast::movement("leave", &rig), cast::alone(true))).begin();
    let cards = world.engine.view(world.now, StationId::RIG).cards;
    let fire = cards.iter().position(|card| card.contains("fire")).unwrap();
    world.press(Key::Card(u8::try_from(fire + 1).unwrap()));
    assert!(world.engine.state().card.is_some());
    let mut world = by_one(&[own::cap().with("tested_by", "'a plumber'")]);
    world.press(Key::Untested);
    assert!(world.is_open("cap") && world.engine.state().untested.contains(&true));
}
