//! Somebody whose phone was away hears in one sentence what they missed, and then their own step.

use crate::stations::{IMRE, ROWAN, apart};
use crate::world::World;
use crate::world::cast::{self, two};
use crate::world::own::{self, DONE, anywhere, cap, cups, sides};
use sparehand::engine::event::Event;
use sparehand::engine::input::{Certainty, Input};
use sparehand::engine::{Crew, Move};
use sparehand::rig::Role;
use sparehand::routine::Routine;
use sparehand::units::StationId;

fn goes(world: &mut World, station: StationId) {
    world.tell_from(station, Input::StationLeft);
    world.quiet();
}

fn at(world: &mut World, station: StationId, phrase: &str) {
    world.hear_at(station, phrase, Certainty::Sure);
}

/// What is said at the station of whoever comes back.
fn comes_back(world: &mut World, station: StationId, name: &str) -> Vec<String> {
    let before = world.station(station).said.len();
    world.join(station, &[name]);
    world.station(station).texts()[before..].iter().map(|text| (*text).to_owned()).collect()
}

#[test]
fn who_missed_nothing_hears_nothing_but_the_step() {
    let mut world = apart();
    goes(&mut world, ROWAN);
    // What Imre does is Imre's.
    at(&mut world, IMRE, "done");
    at(&mut world, IMRE, "lamp off");
    world.pass_s(60);
    let said = comes_back(&mut world, ROWAN, "Rowan");
    assert_eq!(said, ["Close the cap. Say: cap on, or cap off.", "I can hear again."]);
}

#[test]
fn what_was_settled_of_theirs_and_the_clock_that_rang_are_told_before_the_step() {
    let mut world = apart();
    goes(&mut world, ROWAN);
    world.hear("cap on");
    world.hear("water on");
    world.pass_s(130);
    at(&mut world, IMRE, "water off");
    let said = comes_back(&mut world, ROWAN, "Rowan");
    assert_eq!(said[0], "While your phone was away: cap on; the fill clock rang and was ended, by Imre.");
    assert!(said.len() == 2 && said[1] == "I can hear again.", "nothing is theirs to do now: {said:?}");
    // It is told once.
    goes(&mut world, ROWAN);
    assert_eq!(comes_back(&mut world, ROWAN, "Rowan"), ["I can hear again."]);
}

#[test]
fn a_clock_that_still_rings_is_told_of() {
    let mut world = apart();
    at(&mut world, ROWAN, "cap on");
    at(&mut world, ROWAN, "water on");
    goes(&mut world, ROWAN);
    world.pass_s(125);
    let said = comes_back(&mut world, ROWAN, "Rowan");
    assert!(
        said.contains(&"While your phone was away: the fill clock rang, and nobody has ended it.".to_owned()),
        "{said:?}"
    );
}

#[test]
fn a_pause_is_told_with_how_long_it_was_and_one_that_goes_on_with_how_it_ends() {
    let mut world = apart();
    goes(&mut world, ROWAN);
    at(&mut world, IMRE, "stop");
    let said = comes_back(&mut world, ROWAN, "Rowan");
    assert_eq!(said[0], "While your phone was away: everybody stopped. I am standing by. Say go ahead.");
    at(&mut world, IMRE, "go ahead");
    goes(&mut world, ROWAN);
    at(&mut world, IMRE, "stand by");
    world.pass_s(90);
    at(&mut world, IMRE, "go ahead");
    let said = comes_back(&mut world, ROWAN, "Rowan");
    assert!(said[0].starts_with("While your phone was away: everybody stopped for 1 minute and 3"), "{said:?}");
    assert!(said[1].ends_with("Close the cap. Say: cap on, or cap off."), "{said:?}");
}

#[test]
fn an_emergency_that_is_over_is_told_and_one_that_is_not_is_said_alone() {
    let job = Move::single(sides()).with_cards(&cast::cards(&cast::rig("travel-trailer")));
    let mut world = cast::world(job, two(true));
    world.join(ROWAN, &["Rowan"]);
    world.join(IMRE, &["Imre"]);
    goes(&mut world, ROWAN);
    world.hear("storm is coming");
    let said = comes_back(&mut world, ROWAN, "Rowan");
    assert!(!said[0].starts_with("While your phone") && !said[0].is_empty(), "{said:?}");
    goes(&mut world, ROWAN);
    to_the_end_of_the_card(&mut world);
    assert!(world.engine.state().card.is_none() && world.engine.state().standing_by);
    let said = comes_back(&mut world, ROWAN, "Rowan");
    assert_eq!(
        said[0],
        "While your phone was away: there was an emergency, the storm. I am standing by. Say go ahead."
    );
    goes(&mut world, ROWAN);
    world.hear("fire fire");
    to_the_end_of_the_card(&mut world);
    world.hear("go ahead");
    let said = comes_back(&mut world, ROWAN, "Rowan");
    assert_eq!(said[0], "While your phone was away: there was an emergency, the fire.");
}

fn to_the_end_of_the_card(world: &mut World) {
    for _ in 0..40 {
        if world.engine.state().card.is_none() {
            break;
        }
        cast::answer_one(world);
    }
}

#[test]
fn who_took_over_and_what_was_opened_again_is_told() {
    let mut world = apart();
    at(&mut world, ROWAN, "cap on");
    goes(&mut world, ROWAN);
    world.hear("correction");
    let said = comes_back(&mut world, ROWAN, "Rowan");
    assert_eq!(said[0], "While your phone was away: cap is to be done again.");
    assert!(said[1].ends_with("Close the cap. Say: cap on, or cap off."), "{said:?}");
    goes(&mut world, ROWAN);
    at(&mut world, IMRE, "over to imre");
    let said = comes_back(&mut world, ROWAN, "Rowan");
    assert!(said[0].starts_with("While your phone was away: Imre took over from Rowan."), "{said:?}");
}

#[test]
fn who_hears_and_is_not_heard_has_missed_no_pause() {
    let mut world = apart();
    world.tell_from(ROWAN, Input::HearingLost);
    world.quiet();
    at(&mut world, IMRE, "stop");
    at(&mut world, IMRE, "go ahead");
    world.hear("cap on");
    let before = world.station(ROWAN).said.len();
    world.tell_from(ROWAN, Input::HearingBack);
    world.quiet();
    let said = &world.station(ROWAN).texts()[before..];
    assert_eq!(said[0], "While your phone was away: cap on.");
}

#[test]
fn who_is_alone_did_it_themselves() {
    let crew = Crew { here: vec![cast::person("Rowan", &[], true)], away: Vec::new() };
    let mut world = cast::world(Move::single(sides()), crew);
    world.join(ROWAN, &["Rowan"]);
    goes(&mut world, ROWAN);
    world.hear("cap on");
    world.hear("stand by");
    world.hear("go ahead");
    let said = comes_back(&mut world, ROWAN, "Rowan");
    assert!(said.iter().all(|text| !text.contains("While your phone was away")), "{said:?}");
}

#[test]
fn of_many_steps_only_how_many_and_the_last_is_told() {
    let step = |id: &str| {
        let call = format!("{}{}. Say: done.", id[..1].to_uppercase(), &id[1..]);
        anywhere().step(id, &call).with("role", "'outside'").with("answer", DONE)
    };
    let many = own::text("t", "the test", &["one", "two", "three", "four", "five"].map(step));
    let mut world = cast::world(Move::single(own::load(&many)), two(true));
    world.join(ROWAN, &["Rowan"]);
    goes(&mut world, ROWAN);
    for _ in 0..4 {
        world.hear("done");
    }
    let said = comes_back(&mut world, ROWAN, "Rowan");
    assert_eq!(said[0], "While your phone was away: 4 steps of yours were settled, the last: four, done.");
    assert!(said[1].ends_with("Five. Say: done.") || said[1] == "Five.", "{said:?}");
}

/// A cap that can hurt, with what is said of it once, and cups.
fn careful() -> Routine {
    let cap = cap().with("caution", "'It can splash.'").with("how", "'Turn it to the right.'");
    own::load(&own::text("t", "the test", &[cap, cups()]))
}

/// What Rowan is told of the cap, in full.
const CAP: [&str; 2] = ["It can splash.", "Close the cap. Turn it to the right. Say: cap on, or cap off."];

fn joined(world: &mut World, station: StationId, name: &str) {
    world.tell_from(station, Input::StationJoined { people: vec![name.to_owned()] });
}

#[test]
fn a_prompt_that_waits_at_the_rig_is_said_in_full_at_the_phone_that_joins_and_at_the_rig_no_more() {
    let mut world = World::around(cast::engine(Move::single(careful()), two(false)));
    world.tell(Input::Woke);
    assert!(world.last_said().ends_with("Begin."), "the introduction is in the air: {:?}", world.page);
    joined(&mut world, ROWAN, "Rowan");
    joined(&mut world, IMRE, "Imre");
    world.quiet();
    assert_eq!(world.station(ROWAN).texts(), CAP);
    assert_eq!(world.station(IMRE).texts(), ["Put the cups away. Say: done."]);
    let at_the_rig: Vec<&str> = world.said.iter().map(|(_, said)| said.text.as_str()).collect();
    assert!(at_the_rig.iter().all(|text| !text.contains("cap") && !text.contains("cups")), "{at_the_rig:?}");
}

#[test]
fn a_prompt_that_was_heard_at_the_rig_is_put_again_at_the_phone_without_what_is_said_once() {
    let mut world = cast::world(Move::single(careful()), two(false));
    world.join(ROWAN, &["Rowan"]);
    let said = world.station(ROWAN).texts().join(" ");
    assert!(said.contains("Close the cap.") && !said.contains("It can splash."), "{said}");
}

#[test]
fn a_prompt_that_waits_at_a_phone_which_is_not_heard_any_more_is_said_in_full_at_the_rig_and_not_there() {
    let mut world = cast::world(Move::single(careful()), two(false));
    world.join(ROWAN, &["Rowan"]);
    goes(&mut world, ROWAN);
    world.hear("stand by");
    world.hear("go ahead");
    joined(&mut world, ROWAN, "Rowan");
    assert!(world.station(ROWAN).last_said().starts_with("While your phone"), "{:?}", world.station(ROWAN).texts());
    world.tell_from(ROWAN, Input::HearingLost);
    world.quiet();
    let marks = world.station(ROWAN).said.iter().filter(|(_, said)| said.text.contains("Close the cap.")).count();
    assert_eq!(marks, 1, "{:?}", world.station(ROWAN).texts());
    assert!(world.said.last().is_some_and(|(_, said)| said.text.contains("Close the cap.")), "{:?}", world.page);
}

#[test]
fn two_who_share_a_phone_are_asked_there_by_name_and_one_who_has_a_phone_of_their_own_is_asked_there_alone() {
    let mut world = cast::world(Move::single(sides()), two(true));
    world.tell_from(ROWAN, Input::StationJoined { people: vec!["Rowan".to_owned(), "Imre".to_owned()] });
    world.quiet();
    let said = world.station(ROWAN).texts().join(" ");
    assert!(said.contains("Rowan: Close the cap.") && said.contains("Imre: Put the cups away."), "{said}");
    assert!(world.said.iter().any(|(_, said)| said.text == "Rowan and Imre share a phone."), "{:?}", world.page);
    world.join(IMRE, &["Imre"]);
    assert_eq!(world.station(IMRE).texts(), ["Put the cups away. Say: done."]);
    at(&mut world, IMRE, "done");
    at(&mut world, ROWAN, "cap on");
    assert!(world.station(ROWAN).last_said().ends_with("Turn the tap on. Say: water on."));
    assert!(!world.station(ROWAN).last_said().contains("Rowan:"), "nobody else is asked there any more");
    assert_eq!(world.station(IMRE).last_said(), "Switch the lamp off. Say: lamp off, or lamp on.");
    // Without it they are asked at the one that they share again.
    goes(&mut world, IMRE);
    assert!(
        world.station(ROWAN).last_said().starts_with("Imre: Switch the lamp off."),
        "{:?}",
        world.station(ROWAN).texts()
    );
    assert!(world.said.iter().any(|(_, said)| said.text.starts_with("I have lost Imre's phone.")), "{:?}", world.page);
    goes(&mut world, ROWAN);
    assert!(world.said.iter().any(|(_, said)| said.text == "I have lost Rowan and Imre's phone. I go on here."));
    let came = world.events().into_iter().filter(|event| matches!(event, Event::StationJoined { .. })).count();
    let went = world.events().into_iter().filter(|event| matches!(event, Event::StationLeft { .. })).count();
    assert_eq!((came, went), (2, 2), "on record");
}

#[test]
fn a_third_who_joins_by_phone_and_leaves_is_asked_there_and_at_the_rig_again() {
    let mut crew = two(true);
    crew.here.push(cast::person("Sky", &[Role::Inside], true));
    let mut world = cast::world(Move::single(sides()), crew);
    world.join(ROWAN, &["Rowan"]);
    world.join(IMRE, &["Imre"]);
    const SKY: StationId = StationId(3);
    world.join(SKY, &["Sky"]);
    let asked = cast::asked(&world).into_iter().find(|(name, _)| name == "Sky").map(|(_, asked)| asked.step);
    let asked = asked.expect("Sky has something to do");
    let call = if asked == "cups" { "Put the cups away." } else { "Switch the lamp off." };
    assert!(world.station(SKY).last_said().starts_with(call), "{:?}", world.station(SKY).texts());
    assert!(world.station(ROWAN).texts().iter().all(|text| !text.contains(call)));
    assert!(world.said.iter().any(|(_, said)| said.text == "Sky is on the phone."), "{:?}", world.page);
    goes(&mut world, SKY);
    assert!(world.last_said().starts_with(&format!("Sky: {call}")), "{:?}", world.page);
}
