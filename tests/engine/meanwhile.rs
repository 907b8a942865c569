//! What somebody says, presses or takes back while something else is on its way, or while somebody else has gone on: no clock that guards is
//! lost, nothing counts for a question that came after it, and nobody passes who is held.

use std::time::Duration;

use crate::world::cast::{self, alone, two};
use crate::world::own::{self, anywhere, at, load, load_for};
use crate::world::{Journal, World, english};
use rstest::rstest;
use sparehand::engine::event::{Event, HeardAs};
use sparehand::engine::input::{Away, Certainty, Input, Key};
use sparehand::engine::{Ending, Engine, Leg, Move};
use sparehand::rig::Demand;
use sparehand::units::StationId;

const ROWAN: StationId = StationId(1);
const IMRE: StationId = StationId(2);

fn apart(steps: &[own::Step]) -> World {
    let mut world = cast::world(Move::single(load(&own::text("t", "the test", steps))), two(true));
    world.join(ROWAN, &["Rowan"]);
    world.join(IMRE, &["Imre"]);
    world
}

fn say(world: &mut World, station: StationId, phrase: &str) {
    world.hear_at(station, phrase, Certainty::Sure);
}

fn runs(world: &World, step: &str) -> bool {
    let step = world.engine.routine().index_of(step).unwrap();
    world.engine.state().clocks.contains_key(&step)
}

/// A tap that runs for two minutes, by whoever is there.
fn tap() -> own::Step {
    let tap = at("left", "either").step("tap", "Turn the tap on. Say: water on.");
    tap.clock(120, ("water on", "Filling."), ("water off", "Shut the tap."))
}

/// What stands by itself for a quarter of an hour, guards nothing and ends by itself.
fn soak() -> own::Step {
    let answer = "{ kind = 'clock', name = 'soak', seconds = 900, start = ['soaking'], started = 'Soaking.', alarm = 'It has soaked.' }";
    anywhere().step("soak", "Let it soak. Say: soaking.").with("answer", answer)
}

/// These steps, for somebody practised who is alone.
pub fn by_one(steps: &[own::Step]) -> World {
    cast::world(Move::single(load_for(&own::text("t", "the test", steps), 1)), alone(true))
}

#[test]
fn a_clock_that_guards_outlives_the_correction_of_whoever_could_not_begin_it() {
    let mut world = apart(&[tap()]);
    let (first, other) = if world.holds("Rowan") == "tap" { (ROWAN, IMRE) } else { (IMRE, ROWAN) };
    say(&mut world, first, "i cannot do that");
    say(&mut world, other, "water on");
    assert!(runs(&world, "tap"));
    say(&mut world, first, "correction");
    assert!(runs(&world, "tap"), "{:?}", world.page);
    world.pass_s(125);
    assert!(!world.alarms().is_empty(), "nobody is called to the tap");
}

#[test]
fn a_yes_to_what_is_asked_later_does_not_end_the_run() {
    let mut world = apart(&[own::cap(), own::lamp().after(&["cap"])]);
    say(&mut world, IMRE, "end the run");
    assert!(world.station(IMRE).may_say().contains(&"yes"));
    say(&mut world, ROWAN, "cap on");
    assert_eq!(world.holds("Imre"), "lamp");
    assert!(!world.station(IMRE).may_say().contains(&"yes"), "{:?}", world.station(IMRE).texts());
    // Whoever asks for something else has gone on as well.
    say(&mut world, IMRE, "end the run");
    world.tell_from(IMRE, Input::KeyPressed(Key::WhatIsLeft));
    assert!(!world.station(IMRE).may_say().contains(&"yes"), "{:?}", world.station(IMRE).texts());
}

#[test]
fn a_yes_does_not_end_the_run_over_a_tap_that_somebody_else_has_opened_meanwhile() {
    let mut world = apart(&[own::cap(), own::fill(), own::cups(), own::lamp()]);
    say(&mut world, ROWAN, "cap on");
    say(&mut world, IMRE, "end the run");
    say(&mut world, ROWAN, "water on");
    say(&mut world, IMRE, "yes");
    assert_eq!(world.engine.state().ended, None);
    assert!(runs(&world, "fill"));
    assert!(world.station(IMRE).last_said().contains("water off"), "{:?}", world.station(IMRE).texts());
}

#[test]
fn a_key_that_was_pressed_before_the_last_answer_was_written_is_none_to_the_next_question() {
    let mut world = apart(&[own::cap(), own::fill(), own::cups(), own::lamp()]);
    world.journal = Journal::Holds;
    say(&mut world, ROWAN, "cap on");
    world.pass_s(1);
    world.tell_from(ROWAN, Input::KeyPressed(Key::Confirm));
    world.write_held();
    assert_eq!(world.holds("Rowan"), "fill");
    assert!(!runs(&world, "fill"), "the tap was not said to be on");
    world.journal = Journal::Works;
    world.pass_s(1);
    world.tell_from(ROWAN, Input::KeyPressed(Key::Confirm));
    assert!(runs(&world, "fill"), "pressed to the question itself it counts");
}

#[test]
fn a_no_that_is_taken_back_settles_nothing_that_somebody_else_has_opened_since() {
    let run = at("left", "outside").done("run", "Let it run.", "it ran");
    let clear = at("left", "outside").step("clear", "Was it clear? Yes or no.").after(&["run"]);
    let clear = clear.with("answer", "{ kind = 'yes-no', no_back_to = ['run'], most = 3, limit_reply = 'Enough.' }");
    let mut world = apart(&[run, clear, own::lamp(), own::cups()]);
    say(&mut world, IMRE, "lamp off");
    assert!(!world.is_open("lamp"));
    say(&mut world, ROWAN, "it ran");
    say(&mut world, ROWAN, "no");
    say(&mut world, IMRE, "correction");
    assert!(world.is_open("lamp"));
    say(&mut world, ROWAN, "correction");
    assert!(world.is_open("lamp"), "nobody has looked at the lamp since");
}

#[test]
fn what_can_hurt_and_was_not_heard_well_is_asked_about_also_when_it_is_known_who_said_it() {
    let valve =
        |id: &str, role| at("", role).state(id, "Shut it.", ("all shut", "one is open"), "Shut it.").harm("flood");
    let text = own::text("t", "the test", &[valve("left", "outside"), valve("right", "inside")]);
    let mut world = cast::world(Move::single(load(&text)), two(true));
    world.hear_as("all shut", Certainty::Thin);
    assert_eq!(world.last_said(), "Who said that? Rowan, or Imre?");
    world.hear_as("rowan", Certainty::Thin);
    assert_eq!(world.last_said(), "Who said that? Rowan, or Imre?", "a name that was not heard well is no name");
    world.hear("rowan");
    assert!(world.last_said().contains("I heard: all shut."), "{:?}", world.page);
    assert!(world.is_open("left") && world.is_open("right"));
    world.hear("yes");
    assert!(!world.is_open("left") && world.is_open("right"), "{:?}", world.page);
}

#[rstest]
#[case::said(None)]
#[case::pressed(Some(Key::Stop))]
fn a_stop_that_comes_before_the_last_answer_is_written_comes_before_the_end_of_the_run(#[case] key: Option<Key>) {
    let mut world = by_one(&[own::cups()]);
    world.journal = Journal::Holds;
    world.hear("done");
    let hushed = world.station(StationId::RIG).hushed;
    match key {
        Some(key) => world.press(key),
        None => world.hear("stop"),
    }
    assert!(world.station(StationId::RIG).hushed > hushed, "the voice is silent at once");
    world.write_held();
    world.journal = Journal::Works;
    assert!(world.engine.state().standing_by, "{:?}", world.page);
    assert_eq!(world.engine.state().ended, None);
    world.hear("go ahead");
    assert_eq!(world.engine.state().ended, Some(Ending::Completed));
}

#[test]
fn nobody_passes_the_gate_while_the_run_is_held() {
    let mut world = by_one(&[soak()]);
    world.hear("soaking");
    world.hear("stop");
    world.pass_s(1_000);
    assert!(!runs(&world, "soak"));
    assert_eq!(world.engine.state().ended, None, "{:?}", world.page);
    world.hear("go ahead");
    assert_eq!(world.engine.state().ended, Some(Ending::Completed), "{:?}", world.page);
}

#[test]
fn what_is_to_be_looked_at_again_stands_between_here_and_the_end() {
    let routine = load_for(&own::text("t", "the test", &[own::cap().with("again", "true"), own::cups()]), 1);
    let legs = vec![Leg { after: vec![], routine }];
    let mut world = cast::world(Move::join("away", "the test", "Away.", legs).unwrap(), alone(true));
    world.hear("cap on");
    world.hear("done");
    assert!(world.engine.state().to_check.len() == 1, "{:?}", world.page);
    world.hear("are we ready");
    assert!(world.last_said().contains("cap"), "{:?}", world.page);
    assert!(!world.last_said().contains("Everything is done"), "{:?}", world.page);
    world.hear("what is left");
    assert!(world.last_said().contains("cap"), "{:?}", world.page);
}

#[test]
fn a_second_look_leaves_the_first_what_it_has_not_come_to() {
    let world = apart(&[own::cap(), own::cups(), own::lamp()]);
    let mut state = world.engine.state().clone();
    let asked = |steps: &[&str]| Event::CheckAsked {
        steps: steps.iter().map(|&step| step.to_owned()).collect(),
        because: "long pause".to_owned(),
    };
    let job = world.engine.job();
    state.apply(job, world.now, &asked(&["cap", "lamp"]));
    state.apply(job, world.now, &asked(&["cups", "lamp"]));
    let ids: Vec<&str> = state.to_check.iter().map(|&step| job.step(step).id.as_str()).collect();
    assert_eq!(ids, ["cups", "lamp", "cap"]);
}

#[test]
fn what_nobody_can_do_is_looked_at_by_somebody_all_the_same() {
    let cap = own::cap().with("demands", "['kneeling']");
    let world = apart(&[cap, own::cups(), own::lamp()]);
    let mut state = world.engine.state().clone();
    let job = world.engine.job();
    for person in ["Rowan", "Imre"] {
        let limit = Event::LimitTold { person: person.to_owned(), cannot: Demand::Kneeling, heard: HeardAs::Key };
        state.apply(job, world.now, &limit);
    }
    let look = Event::CheckAsked { steps: vec!["cap".to_owned()], because: "long pause".to_owned() };
    state.apply(job, world.now, &look);
    assert!((0..2).any(|person| state.next_for(job, person) == job.index_of("cap")));
}

#[test]
fn standing_by_the_key_ends_no_clock_but_the_one_that_is_asked_for_here() {
    let here = at("left", "outside").step("here", "Turn the left tap on. Say: left on.");
    let there = at("right", "inside").step("there", "Turn the right tap on. Say: right on.");
    let steps = [
        here.clock(600, ("left on", "Filling."), ("left off", "Shut the left tap.")),
        there.clock(600, ("right on", "Filling."), ("right off", "Shut the right tap.")),
    ];
    let mut world = apart(&steps);
    say(&mut world, ROWAN, "left on");
    say(&mut world, IMRE, "right on");
    say(&mut world, IMRE, "stand by");
    world.tell_from(IMRE, Input::KeyPressed(Key::Confirm));
    assert!(runs(&world, "here") && !runs(&world, "there"), "{:?}", world.page);
}

#[test]
fn what_is_held_and_counted_is_let_go_of_by_whoever_cannot_do_it() {
    let hold = at("left", "outside").step("hold", "Hand on it. Say: hand on it.");
    let hold = hold.with(
        "answer",
        "{ kind = 'hold', seconds = 10, ready = ['hand on it'], hold = 'Hold.', release = 'Release.' }",
    );
    let mut world = apart(&[hold, own::cups(), own::lamp()]);
    say(&mut world, ROWAN, "hand on it");
    world.pass_s(4);
    say(&mut world, ROWAN, "i cannot do that");
    world.pass_s(20);
    assert!(world.is_open("hold"), "{:?}", world.station(ROWAN).texts());
    assert!(world.station(ROWAN).texts().iter().any(|text| text.contains("Release.")));
}

const MILES: &str = "{ kind = 'number', name = 'miles', unit = 'miles', least = 0, most = 1900, gauge = [0, 1999] }";
const PRESSURE: &str =
    "{ kind = 'number', name = 'pressure', unit = 'p s i', least = 30, most = 90, gauge = [0, 150] }";

/// Imre reads, and Rowan beside Imre is asked yes or no and then something else.
fn reading_beside_a_question(answer: &str) -> World {
    let read = at("galley", "inside").step("read", "What does it read?").with("answer", answer);
    let ask = at("left", "outside").step("ask", "Is it clear? Yes or no.");
    let ask = ask.with("answer", "{ kind = 'yes-no', no_reply = 'Then wipe it.' }");
    let text =
        own::text("t", "the test", &[read, ask, at("left", "outside").done("mat", "Shake the mat.", "mat shaken")]);
    cast::world(Move::single(load(&text)), two(true))
}

#[test]
fn a_reading_that_is_typed_is_taken_also_where_somebody_else_is_asked_yes_or_no() {
    let mut world = reading_beside_a_question(PRESSURE);
    for key in [Key::Choice(6), Key::Choice(5), Key::Confirm] {
        world.pass_s(2);
        world.press(key);
    }
    assert!(world.last_said().contains("65"), "{:?}", world.page);
    world.pass_s(2);
    world.press(Key::Confirm);
    assert!(!world.is_open("read"), "{:?}", world.page);
    assert!(world.is_open("ask"));
}

#[test]
fn digits_that_one_is_saying_outlive_the_answer_of_another() {
    let mut world = reading_beside_a_question(MILES);
    let (first, second) = ("six", "five");
    world.hear(first);
    world.hear("rowan yes");
    world.hear(second);
    world.hear("that is all");
    assert!(world.last_said().contains("65"), "{:?}", world.page);
}

#[test]
fn a_clock_that_guards_nothing_and_was_told_before_the_program_went_away_is_over_when_it_is_back() {
    let mut world = by_one(&[soak(), own::cups()]);
    world.hear("soaking");
    world.pass_s(1_000);
    let ran_out = world.records.iter().position(|(.., event)| matches!(event, Event::ClockRanOut { .. })).unwrap();
    let mut engine = Engine::of_move(world.engine.job().clone(), english(), world.engine.state().voice);
    for (_, at, event) in &world.records[..=ran_out] {
        engine.replay(*at, event);
    }
    let mut again = World::around(engine);
    again.now = world.now;
    again.records = world.records[..=ran_out].to_vec();
    again.tell(Input::Resumed(Away::Known(Duration::from_secs(5))));
    again.quiet();
    assert!(!runs(&again, "soak") && !again.is_open("soak"), "{:?}", again.page);
}

#[test]
fn after_a_long_pause_at_the_gate_a_no_to_another_look_ends_the_run() {
    let mut world = by_one(&[own::cap(), soak().after(&["cap"])]);
    world.hear("cap on");
    world.hear("soaking");
    world.hear("stop");
    world.pass_s(4_000);
    world.hear("go ahead");
    assert!(world.last_said().contains("go through this section again"), "{:?}", world.page);
    world.hear("no");
    assert_eq!(world.engine.state().ended, Some(Ending::Completed), "{:?}", world.page);
}
