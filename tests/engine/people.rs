//! Two people on one machine: whose step it is, whose answer it was, signals, handing over, and how much each is told.

use std::time::Duration;

use crate::world::World;
use crate::world::cast::{self, alone, person, restart, two};
use crate::world::own::{self, DONE, Step, at, cap, cups, fill, lamp, map, slide};
use rstest::rstest;
use sparehand::engine::event::Event;
use sparehand::engine::input::{Certainty, Key};
use sparehand::engine::practice::{PastRun, of_run};
use sparehand::engine::{Crew, Move};
use sparehand::rig::Role;

fn shared() -> String {
    shared_with(cups())
}

/// The same with this to do inside first.
fn shared_with(inside: Step) -> String {
    let steps = [
        cap().with("how", "'Turn it until it clicks.'").with("check", "'It does not come off.'"),
        at("left", "outside").step("mat", "Roll up the mat. Say: done.").with("answer", DONE),
        inside,
        lamp(),
        slide(
            &["lamp", "mat"],
            "{ role = 'outside', call = 'When it rests, say: it has stopped.', say = ['it has stopped'] }",
        ),
        map(),
    ];
    own::text("t", "the test", &steps)
}

fn world() -> World {
    cast::world(Move::single(own::load(&shared())), two(true))
}

/// Up to the slide, which takes both.
fn at_the_slide() -> World {
    let mut world = world();
    world.hear("cap on");
    world.hear("imre done");
    world.hear("rowan done");
    world.hear("lamp off");
    assert_eq!((world.holds("Rowan"), world.holds("Imre")), ("slide".to_owned(), "slide".to_owned()));
    world
}

#[test]
fn each_is_given_their_own_steps_by_name_at_the_same_time() {
    let world = world();
    let said: Vec<&str> = world.said.iter().map(|(_, u)| u.text.as_str()).collect();
    assert_eq!(
        said,
        [
            "The maker's manual, local rules and licensed people come before me. Begin.",
            "Rowan: Close the cap. Say: cap on, or cap off.",
            "Imre: Put the cups away. Say: done."
        ]
    );
}

#[test]
fn an_answer_that_fits_one_persons_question_is_theirs() {
    let mut world = world();
    world.hear("cap on");
    assert_eq!((world.holds("Rowan"), world.holds("Imre")), ("mat".to_owned(), "cups".to_owned()));
}

#[test]
fn an_answer_that_fits_two_questions_is_asked_about_and_settles_nothing_until_then() {
    let mut world = world();
    world.hear("cap on");
    let before = world.engine.state().steps.clone();
    world.hear("done");
    assert_eq!(world.last_said(), "Who said that? Rowan, or Imre?");
    assert_eq!(world.engine.state().steps, before);
    world.hear("imre");
    assert_eq!((world.holds("Rowan"), world.holds("Imre")), ("mat".to_owned(), "lamp".to_owned()));
}

#[test]
fn done_is_asked_about_even_where_the_others_question_needs_a_state() {
    let mut world = world();
    world.hear("done");
    assert_eq!(world.last_said(), "Who said that? Rowan, or Imre?", "either may have meant it");
    world.hear("rowan");
    assert_eq!(world.holds("Rowan"), "cap", "done names no state");
    assert!(world.last_said().starts_with("Rowan: Which is it?"), "{}", world.last_said());
}

/// Rowan's "cap on" was heard thin while Imre is asked for a yes or a no: whose "yes" comes next nobody could tell.
#[test]
fn a_yes_that_another_may_have_said_confirms_nothing() {
    let question = "{ kind = 'yes-no', no_reply = 'Put them away. Say yes then.' }";
    let yes_no = shared_with(at("galley", "inside").step("cups", "Are the cups away?").with("answer", question));
    let mut world = cast::world(Move::single(own::load(&yes_no)), two(true));
    assert_eq!((world.holds("Rowan"), world.holds("Imre")), ("cap".to_owned(), "cups".to_owned()));
    world.hear_as("cap on", Certainty::Thin);
    assert_eq!(world.last_said(), "Rowan: Say it once more: cap on.");
    world.hear("yes");
    assert!(world.is_open("cap"), "that was Imre's answer");
    assert_eq!((world.holds("Rowan"), world.holds("Imre")), ("cap".to_owned(), "lamp".to_owned()));
    // Nobody else is asked for a yes or a no now.
    world.hear_as("cap on", Certainty::Thin);
    assert!(world.last_said().starts_with("I heard: cap on. Is that right?"), "{}", world.last_said());
    world.hear("yes");
    assert!(!world.is_open("cap"));
}

/// The question whether one was heard right goes under with the other's answer: it is put anew.
#[test]
fn who_was_being_asked_whether_they_were_heard_right_is_told_when_the_other_answers_first() {
    let mut world = world();
    world.hear_as("cap on", Certainty::Thin);
    let from = world.now;
    world.hear("imre done");
    assert!(world.said_since(from).contains(&"Rowan: Say it once more: cap on."), "{:?}", world.said_since(from));
    assert!(world.is_open("cap"));
    world.hear("cap on");
    assert!(!world.is_open("cap"));
}

#[test]
fn an_answer_with_the_name_is_that_persons() {
    let mut world = world();
    world.hear("cap on");
    world.hear("imre done");
    assert_eq!((world.holds("Rowan"), world.holds("Imre")), ("mat".to_owned(), "lamp".to_owned()));
    assert!(!world.may_say().contains(&"imre cap on"), "that is not Imre's question");
}

#[test]
fn an_answer_counts_though_the_other_was_asked_something_new_meanwhile() {
    let mut world = world();
    let (old, place) = (world.set.id, world.may_say().iter().position(|p| *p == "cap on").unwrap());
    world.hear("imre done");
    assert_ne!(world.set.id, old);
    world.hear_in(old, place, "cap on", Certainty::Sure);
    assert_eq!(world.holds("Rowan"), "mat", "Rowan's question had not changed");
    let (old, place) = (world.set.id, world.may_say().iter().position(|p| *p == "lamp off").unwrap());
    world.hear("lamp on");
    world.hear_in(old, place, "lamp off", Certainty::Sure);
    assert_eq!(world.holds("Imre"), "lamp", "Imre was asked again since");
}

#[test]
fn who_has_nothing_to_do_is_told_once_and_gets_what_becomes_free() {
    let mut world = world();
    world.hear("imre done");
    world.hear("lamp off");
    assert_eq!(world.last_said(), "Lamp off. Imre: wait for Rowan.");
    let said = world.said.len();
    world.pass_s(100);
    assert_eq!(world.said.len(), said);
    world.hear("cap on");
    world.hear("done");
    assert_eq!(world.holds("Imre"), "slide");
}

#[test]
fn a_signal_goes_from_one_to_the_other_and_back() {
    let mut world = at_the_slide();
    assert!(world.last_said().ends_with("Rowan: Now the slide. Outside, when it is clear, say: clear to move."));
    assert!(!world.may_say().contains(&"moving"), "not before the signal");
    world.hear("clear to move");
    assert_eq!(world.last_said(), "Clear to move. Imre: Hold the switch. Say: moving.");
    world.hear("moving");
    assert_eq!(world.last_said(), "Moving. Rowan: When it rests, say: it has stopped.");
    assert!(world.is_open("slide"));
    world.hear("it has stopped");
    assert!(!world.is_open("slide"));
}

#[test]
fn a_signal_that_is_taken_back_or_stopped_begins_again() {
    for halt in ["not clear", "stop"] {
        let mut world = at_the_slide();
        world.hear("clear to move");
        world.hear(halt);
        if halt == "stop" {
            world.hear("go ahead");
        }
        assert!(!world.may_say().contains(&"moving"), "after {halt}");
        assert!(world.may_say().contains(&"clear to move"), "after {halt}");
    }
}

#[test]
fn a_step_for_all_waits_for_everybody() {
    let mut world = at_the_slide();
    for phrase in ["clear to move", "moving", "it has stopped"] {
        world.hear(phrase);
    }
    assert!(world.last_said().contains("Look at the map, both of you. Say: map seen."), "{}", world.last_said());
    world.hear("map seen");
    assert!(world.is_open("map"), "one of two");
    assert!(world.last_said().ends_with("Say: map seen."), "{}", world.last_said());
    world.hear("map seen");
    world.pass_s(30);
    assert!(world.ended, "{}", world.last_said());
}

#[test]
fn over_to_the_other_swaps_what_they_do_and_says_where_things_stand() {
    let mut world = world();
    world.hear("cap on");
    world.hear("over to imre");
    let said = world.page.join(" ");
    assert!(
        said.contains("Imre takes over the test. 1 step done. Last: cap. 5 steps to go. Next: mat, cups, lamp."),
        "{said}"
    );
    assert_eq!((world.holds("Rowan"), world.holds("Imre")), ("cups".to_owned(), "mat".to_owned()));
    restart(&mut world, None);
    assert_eq!((world.holds("Rowan"), world.holds("Imre")), ("cups".to_owned(), "mat".to_owned()));
}

#[test]
fn over_to_somebody_who_was_not_there_puts_them_in_ones_place() {
    let crew = Crew { here: vec![person("Rowan", &[], true)], away: vec![person("Imre", &[], false)] };
    let mut world = cast::world(Move::single(own::load(&shared())), crew);
    world.hear("cap on");
    world.hear("over to imre");
    let state = world.engine.state();
    let here: Vec<&str> = state.here().map(|person| state.people[person].name.as_str()).collect();
    assert_eq!(here, ["Imre"]);
    assert!(world.may_say().contains(&"over to rowan") && !world.may_say().contains(&"over to imre"));
}

#[test]
fn a_beginner_hears_how_and_how_one_knows_and_the_practised_the_call_alone() {
    let call =
        |practised: bool| cast::world(Move::single(own::load(&shared())), alone(practised)).last_said().to_owned();
    assert_eq!(call(true), "Close the cap. Say: cap on, or cap off.");
    assert_eq!(call(false), "Close the cap. Turn it until it clicks. Say: cap on, or cap off.");
    let mut world = cast::world(Move::single(own::load(&shared())), alone(true));
    world.hear("explain");
    assert_eq!(
        world.last_said(),
        "Turn it until it clicks. It does not come off. Close the cap. Say: cap on, or cap off."
    );
}

#[test]
fn practice_is_per_role() {
    let crew = Crew {
        here: vec![sparehand::rig::Person {
            name: "Rowan".to_owned(),
            roles: vec![Role::Outside, Role::Inside],
            practiced: vec![Role::Inside],
            cannot: Vec::new(),
        }],
        away: Vec::new(),
    };
    let mut world = cast::world(Move::single(own::load(&shared())), crew);
    assert!(world.last_said().contains("Turn it until it clicks."), "{}", world.last_said());
    world.hear("cap on");
    world.hear("done");
    world.hear("done");
    assert_eq!(world.last_said(), "Switch the lamp off. Say: lamp off, or lamp on.");
}

#[rstest]
#[case::clean(&[], true)]
#[case::explained(&["explain"], false)]
#[case::put_right(&["cap off"], false)]
fn a_run_is_clean_for_who_needed_nothing_explained_or_put_right(#[case] before: &[&str], #[case] clean: bool) {
    let mut world = world();
    before.iter().for_each(|phrase| world.hear(phrase));
    for phrase in ["cap on", "imre done", "rowan done", "lamp off", "clear to move", "moving", "it has stopped"] {
        world.hear(phrase);
    }
    let events: Vec<Event> = world.events().into_iter().cloned().collect();
    let runs = of_run(world.engine.job(), &events, 7);
    let run = |person: &str, role: Role, clean: bool| PastRun { person: person.to_owned(), role, day: 7, clean };
    // "Explain" is about whatever was asked last: Imre's cups.
    let (rowan, imre) = if before == ["explain"] { (true, clean) } else { (clean, true) };
    assert!(runs.contains(&run("Rowan", Role::Outside, rowan)), "{runs:?}");
    assert!(runs.contains(&run("Imre", Role::Inside, imre)), "{runs:?}");
}

#[test]
fn correction_opens_the_last_step_again_for_whoever_had_it() {
    let mut world = world();
    world.hear("cap on");
    world.hear("correction");
    assert_eq!((world.holds("Rowan"), world.holds("Imre")), ("cap".to_owned(), "cups".to_owned()));
    assert_eq!(world.last_said(), "Going back. Rowan: Close the cap. Say: cap on, or cap off.");
}

#[test]
fn a_restart_between_two_turns_of_a_signal_keeps_whose_turn_it_is() {
    let mut world = at_the_slide();
    world.hear("clear to move");
    restart(&mut world, Some(Duration::from_secs(5)));
    assert!(world.may_say().contains(&"moving") && !world.may_say().contains(&"clear to move"));
    assert!(world.last_said().contains("Imre: Hold the switch."), "{}", world.last_said());
}

fn clocks() -> String {
    let steps = [
        fill(),
        at("galley", "inside").step("pour", "Open the valve. Say: valve open now.").clock(
            300,
            ("valve open now", "Pouring."),
            ("valve shut", "Shut the valve."),
        ),
        map().with("after", "[]"),
    ];
    own::text("t", "the test", &steps)
}

/// Two clocks run; the time away is known or not.
#[rstest]
#[case::known(Some(150))]
#[case::unknown(None)]
fn a_restart_in_the_middle_of_two_running_clocks_rings_for_what_is_over_or_unknown(#[case] away: Option<u64>) {
    let mut world = cast::world(Move::single(own::load(&clocks())), two(true));
    world.hear("water on");
    world.hear("valve open now");
    assert_eq!(world.engine.state().clocks.len(), 2);
    world.hear("how long");
    assert!(world.last_said().contains("Fill: ") && world.last_said().contains("Pour: "), "{}", world.last_said());
    let from = world.said.len();
    restart(&mut world, away.map(Duration::from_secs));
    let rung: Vec<String> = world.said[from..].iter().map(|(_, u)| u.text.clone()).collect();
    assert!(rung.iter().any(|text| text.contains("Shut the tap.")), "{rung:?}");
    assert_eq!(away.is_none(), rung.iter().any(|text| text.contains("Shut the valve.")), "{rung:?}");
    world.pass_s(300);
    assert!(world.alarms().len() > 10, "both ring on until they are ended");
    world.hear("water off");
    world.hear("valve shut");
    world.hear("map seen");
    restart(&mut world, None);
    assert!(world.is_open("map"), "one of two has answered");
    world.hear("map seen");
    world.pass_s(60);
    assert!(world.ended, "{}", world.last_said());
}

#[test]
fn two_people_can_go_through_with_one_key() {
    let mut world = world();
    for _ in 0..60 {
        world.press(Key::Confirm);
        world.pass_s(20);
    }
    assert!(world.ended, "{:?}", cast::asked(&world));
}
