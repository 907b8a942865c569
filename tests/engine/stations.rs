//! Several stations in one run: each hears and says what concerns whoever is there, and losing one loses nobody.

use std::time::Duration;

use crate::world::World;
use crate::world::cast::{self, two};
use crate::world::own::sides;
use proptest::prelude::*;
use sparehand::engine::Move;
use sparehand::engine::event::{Event, HeardAs};
use sparehand::engine::input::{Certainty, Input, Key};
use sparehand::engine::output::{Audience, Priority};
use sparehand::routine::Answer;
use sparehand::units::StationId;

const RIG: StationId = StationId::RIG;
pub const ROWAN: StationId = StationId(1);
pub const IMRE: StationId = StationId(2);

/// Rowan and Imre with a station each, beside the rig's.
pub fn apart() -> World {
    let mut world = cast::world(Move::single(sides()), two(true));
    world.join(ROWAN, &["Rowan"]);
    world.join(IMRE, &["Imre"]);
    world
}

fn say(world: &mut World, station: StationId, phrase: &str) {
    world.hear_at(station, phrase, Certainty::Sure);
}

fn may_say(world: &World, station: StationId, phrase: &str) -> bool {
    world.station(station).may_say().contains(&phrase)
}

#[test]
fn each_gets_only_their_own_prompts_unnamed_and_only_their_own_answers() {
    let mut world = apart();
    assert_eq!(world.station(ROWAN).texts(), ["Close the cap. Say: cap on, or cap off."]);
    assert_eq!(world.station(IMRE).texts(), ["Put the cups away. Say: done."]);
    assert!(may_say(&world, ROWAN, "cap on") && !may_say(&world, ROWAN, "imre done"));
    assert!(may_say(&world, IMRE, "done") && !may_say(&world, IMRE, "cap on"));
    assert!(!may_say(&world, IMRE, "imre done"), "nobody else is asked there");
    for station in [ROWAN, IMRE, RIG] {
        assert!(may_say(&world, station, "stop") && may_say(&world, station, "say again"), "{station:?}");
    }
    for phrase in ["cap on", "done"] {
        assert!(!may_say(&world, RIG, phrase), "nobody is asked at the rig");
    }
    let at_the_rig = world.said.len();
    say(&mut world, ROWAN, "cap on");
    say(&mut world, IMRE, "done");
    assert_eq!(world.station(ROWAN).last_said(), "Cap on. Turn the tap on. Say: water on.");
    assert_eq!(world.station(IMRE).last_said(), "Switch the lamp off. Say: lamp off, or lamp on.");
    assert_eq!(world.said.len(), at_the_rig, "{:?}", world.page);
}

#[test]
fn a_phrase_at_one_station_settles_nothing_of_the_other() {
    let mut world = apart();
    say(&mut world, IMRE, "done");
    assert_eq!((world.holds("Rowan"), world.holds("Imre")), ("cap".to_owned(), "lamp".to_owned()));
    assert!(world.is_open("cap"));
    // A correction takes back what was settled here, not what the other has done since.
    say(&mut world, ROWAN, "cap on");
    say(&mut world, IMRE, "correction");
    assert_eq!((world.holds("Rowan"), world.holds("Imre")), ("fill".to_owned(), "cups".to_owned()));
    assert!(!world.is_open("cap"));
}

#[test]
fn who_said_that_is_asked_at_a_shared_station_and_never_at_a_station_of_one() {
    let mut shared = cast::world(Move::single(sides()), two(true));
    shared.hear("done");
    assert_eq!(shared.last_said(), "Who said that? Rowan, or Imre?");
    let mut world = apart();
    say(&mut world, ROWAN, "roger");
    assert!(world.station(ROWAN).last_said().starts_with("Which is it?"), "{:?}", world.station(ROWAN).texts());
    assert_eq!(world.station(IMRE).said.len(), 1, "nothing of it is Imre's");
    say(&mut world, IMRE, "done");
    assert_eq!(world.holds("Imre"), "lamp");
}

#[test]
fn what_is_unclear_or_thin_at_one_station_does_not_disturb_the_other() {
    let mut world = apart();
    let (set, said) = (world.station(IMRE).set.id, world.station(IMRE).said.len());
    for _ in 0..3 {
        world.tell_from(ROWAN, Input::SpeechUnclear);
        world.pass_s(4);
    }
    assert!(world.station(ROWAN).said.len() > 1);
    world.hear_at(ROWAN, "cap on", Certainty::Thin);
    assert!(world.station(ROWAN).last_said().starts_with("I heard: cap on."));
    assert_eq!((world.station(IMRE).set.id, world.station(IMRE).said.len()), (set, said));
    assert!(!may_say(&world, IMRE, "yes"), "Imre was not asked");
    say(&mut world, ROWAN, "say again");
    say(&mut world, ROWAN, "yes");
    assert!(!world.is_open("cap"));
    say(&mut world, IMRE, "say again");
    assert_eq!(world.station(IMRE).last_said(), "Put the cups away. Say: done.");
}

#[test]
fn stop_at_one_station_hushes_all_and_holds_the_run_for_all() {
    let mut world = apart();
    let hushed: Vec<usize> = [RIG, ROWAN, IMRE].iter().map(|&station| world.station(station).hushed).collect();
    say(&mut world, IMRE, "stop");
    for (place, station) in [RIG, ROWAN, IMRE].into_iter().enumerate() {
        assert!(world.station(station).hushed > hushed[place], "{station:?}");
        assert!(world.station(station).last_said().starts_with("I wait."), "{:?}", world.station(station).texts());
    }
    assert!(world.engine.state().standing_by && !may_say(&world, ROWAN, "cap on"));
    say(&mut world, ROWAN, "go ahead");
    assert!(world.station(IMRE).last_said().contains("Put the cups away."), "{:?}", world.station(IMRE).texts());
    assert!(world.station(ROWAN).last_said().contains("Close the cap."), "{:?}", world.station(ROWAN).texts());
}

#[test]
fn a_hazard_rings_everywhere_and_is_ended_wherever_it_rings() {
    let mut world = apart();
    say(&mut world, ROWAN, "cap on");
    say(&mut world, ROWAN, "water on");
    assert!(may_say(&world, ROWAN, "water off") && !may_say(&world, IMRE, "water off"), "it is Rowan's until it rings");
    let marks = world.station(IMRE).said.len();
    world.pass_s(115);
    assert_eq!(world.station(IMRE).said.len(), marks, "how long it still runs is Rowan's");
    world.pass_s(10);
    for station in [RIG, ROWAN, IMRE] {
        let (_, alarm) = world.station(station).said.iter().find(|(_, said)| said.priority == Priority::Alarm).unwrap();
        assert_eq!(alarm.text, "Time. Shut the tap.", "{station:?}");
    }
    say(&mut world, IMRE, "water off");
    assert!(world.engine.state().clocks.is_empty());
    assert!(world.station(ROWAN).texts().iter().any(|text| text.starts_with("Fill: over")) || !world.is_open("fill"));
}

#[test]
fn a_signal_goes_from_one_station_to_the_other_and_each_hears_whose_turn_it_is() {
    let mut world = apart();
    for (station, phrase) in
        [(ROWAN, "cap on"), (ROWAN, "water on"), (IMRE, "done"), (IMRE, "lamp off"), (ROWAN, "water off")]
    {
        say(&mut world, station, phrase);
    }
    assert_eq!((world.holds("Rowan"), world.holds("Imre")), ("slide".to_owned(), "slide".to_owned()));
    assert!(world.station(ROWAN).last_said().ends_with("Outside, when it is clear, say: clear to move."));
    assert!(!world.station(ROWAN).last_said().contains("Rowan:"), "{}", world.station(ROWAN).last_said());
    assert!(world.station(IMRE).last_said().starts_with("Rowan: Now the slide."), "{:?}", world.station(IMRE).texts());
    assert!(!may_say(&world, IMRE, "clear to move") && !may_say(&world, IMRE, "moving"));
    say(&mut world, ROWAN, "clear to move");
    assert_eq!(world.station(IMRE).last_said(), "Clear to move. Hold the switch. Say: moving.");
    assert_eq!(world.station(ROWAN).last_said(), "Imre: Hold the switch. Say: moving.");
    say(&mut world, IMRE, "moving");
    assert!(!world.is_open("slide"));
    let (first, next) = if may_say(&world, IMRE, "map seen") { (IMRE, ROWAN) } else { (ROWAN, IMRE) };
    say(&mut world, first, "map seen");
    assert!(world.is_open("map"), "one of two");
    say(&mut world, next, "map seen");
    world.pass_s(30);
    assert!(world.ended);
    for station in [RIG, ROWAN, IMRE] {
        assert_eq!(world.station(station).last_said(), "The test is done.");
    }
}

#[test]
fn who_loses_their_station_is_asked_at_the_rig_by_name_and_no_clock_stops() {
    for lost in [Input::StationLeft, Input::HearingLost, Input::VoiceLost] {
        let mut world = apart();
        say(&mut world, ROWAN, "cap on");
        say(&mut world, ROWAN, "water on");
        world.tell_from(IMRE, lost.clone());
        world.quiet();
        assert_eq!(world.last_said(), "Imre: Put the cups away. Say: done.", "{lost:?}");
        assert!(may_say(&world, RIG, "done") && !may_say(&world, RIG, "water off"));
        world.tell_from(ROWAN, lost.clone());
        world.quiet();
        world.hear("imre done");
        assert!(
            world.said.iter().any(|(_, said)| said.text.ends_with("Switch the lamp off. Say: lamp off, or lamp on.")),
            "{:?}",
            world.page
        );
        assert_eq!(world.events().contains(&&Event::HearingLost), lost != Input::VoiceLost);
        world.pass_s(130);
        assert!(!world.alarms().is_empty(), "{lost:?}: the clock runs on");
        world.hear("water off");
        assert!(world.engine.state().clocks.is_empty() && !world.ended);
    }
}

#[test]
fn who_comes_back_is_asked_at_their_own_station_again() {
    let mut world = apart();
    world.tell_from(IMRE, Input::StationLeft);
    world.quiet();
    let (set, place) = (world.set.id, world.may_say().iter().position(|phrase| *phrase == "done").unwrap());
    world.join(IMRE, &["Imre"]);
    assert_eq!(world.station(IMRE).texts()[1..], ["Put the cups away. Say: done.", "I can hear again."]);
    assert!(may_say(&world, IMRE, "done") && !may_say(&world, RIG, "done"));
    world.hear_in(set, place, "done", Certainty::Sure);
    assert!(world.is_open("cups"), "that was said where nobody is asked any more");
    say(&mut world, IMRE, "done");
    assert_eq!(world.holds("Imre"), "lamp");
    assert_eq!(world.events().iter().filter(|event| ***event == Event::HearingBack).count(), 1);
}

#[test]
fn the_keys_of_a_station_answer_for_whoever_is_there() {
    let mut world = apart();
    world.tell_from(IMRE, Input::KeyPressed(Key::Confirm));
    world.quiet();
    assert_eq!((world.holds("Rowan"), world.holds("Imre")), ("cap".to_owned(), "lamp".to_owned()));
    let view = world.engine.view(world.now, ROWAN);
    assert_eq!((view.who.as_str(), view.confirm_key.as_str()), ("Rowan", "cap on"));
    assert_eq!(world.engine.view(world.now, IMRE).confirm_key, "lamp off");
    assert_eq!(world.engine.view(world.now, RIG).confirm_key, "");
}

#[test]
fn a_clock_that_one_sets_at_their_station_rings_for_them() {
    let mut world = apart();
    let timer = |world: &World| {
        let starts = world.station(IMRE).may_say().into_iter().filter(|phrase| *phrase == "clock five minutes");
        starts.map(str::to_owned).next()
    };
    let start =
        timer(&world).unwrap_or_else(|| panic!("no clock of five minutes: {:?}", world.station(IMRE).may_say()));
    say(&mut world, IMRE, &start);
    say(&mut world, IMRE, "yes");
    let rowan = world.station(ROWAN).said.len();
    world.pass_s(310);
    let rang = |station| world.station(station).said.iter().any(|(_, said)| said.priority == Priority::Alarm);
    assert!(rang(IMRE) && !rang(ROWAN) && !rang(RIG));
    assert!(world.station(ROWAN).texts()[rowan..].iter().all(|text| text.starts_with("Still here.")));
    let imre = world.engine.state().people.iter().position(|hand| hand.name == "Imre").unwrap();
    assert!(world.engine.state().timers.values().all(|timer| timer.by == imre));
}

#[test]
fn an_utterance_for_several_stations_is_over_with_the_first_report_and_later_ones_change_nothing() {
    let mut world = apart();
    say(&mut world, IMRE, "stop");
    let (_, held) = world.station(RIG).said.last().unwrap().clone();
    let before = world.records.len();
    for station in [RIG, ROWAN, IMRE, RIG] {
        world.tell_from(station, Input::SpeechFinished(held.id));
    }
    assert_eq!(world.records.len(), before);
    assert_eq!(world.engine.stations_of(&Audience::All), [RIG, ROWAN, IMRE]);
    assert_eq!(world.engine.stations_of(&Audience::Person(0)), [ROWAN]);
}

#[derive(Clone, Debug)]
enum Play {
    /// The n-th phrase that may be said at the station, clearly or thin.
    Say(u16, usize, bool),
    /// A phrase of an older set of the station.
    Stale(u16, usize),
    Press(u16, usize),
    Unclear(u16),
    Join(u16, Whose),
    Change(u16, usize),
    Pass(u64),
    Restart(Option<u64>),
}

#[derive(Clone, Copy, Debug)]
enum Whose {
    Rowan,
    Imre,
    Everybody,
}

const KEYS: [Key; 6] = [Key::Confirm, Key::Other, Key::GoAhead, Key::Correction, Key::Stop, Key::ClockOver];

fn plays() -> impl Strategy<Value = Vec<Play>> {
    let whose = prop_oneof![Just(Whose::Rowan), Just(Whose::Imre), Just(Whose::Everybody)];
    let one = prop_oneof![
        8 => (0u16..4, 0usize..60, any::<bool>()).prop_map(|(at, n, thin)| Play::Say(at, n, thin)),
        2 => (0u16..4, 0usize..60).prop_map(|(at, n)| Play::Stale(at, n)),
        8 => (0u16..4, 0usize..KEYS.len() * 3).prop_map(|(at, n)| Play::Press(at, n)),
        1 => (0u16..4).prop_map(Play::Unclear),
        2 => (0u16..4, whose).prop_map(|(at, whose)| Play::Join(at, whose)),
        2 => (0u16..4, 0usize..5).prop_map(|(at, n)| Play::Change(at, n)),
        2 => (0u64..200).prop_map(Play::Pass),
        1 => proptest::option::of(0u64..300).prop_map(Play::Restart),
    ];
    proptest::collection::vec(one, 1..120)
}

fn play_one(world: &mut World, play: &Play) {
    match play {
        Play::Say(at, n, thin) => {
            let phrases = phrases_at(world, StationId(*at));
            let ends = |phrase: &str| phrase == "end the run" || phrase.starts_with("override");
            if let Some(phrase) = phrases.get(n % phrases.len().max(1)).filter(|phrase| !ends(phrase)) {
                let certainty = if *thin { Certainty::Thin } else { Certainty::Sure };
                world.hear_at(StationId(*at), phrase, certainty);
            }
        }
        Play::Stale(at, n) => {
            let phrases = phrases_at(world, StationId(*at));
            if let Some(phrase) = phrases.get(n % phrases.len().max(1)).filter(|phrase| *phrase != "end the run") {
                world.hear_old_at(StationId(*at), phrase);
            }
        }
        Play::Press(at, n) => {
            let key = KEYS.get(*n).copied().unwrap_or(Key::Confirm);
            world.tell_from(StationId(*at), Input::KeyPressed(key));
            world.pass_s(1);
        }
        Play::Unclear(at) => world.tell_from(StationId(*at), Input::SpeechUnclear),
        Play::Join(at, whose) => match whose {
            Whose::Rowan => world.join(StationId(*at), &["Rowan"]),
            Whose::Imre => world.join(StationId(*at), &["Imre"]),
            Whose::Everybody => world.join(StationId(*at), &[]),
        },
        Play::Change(at, n) => {
            let changes =
                [Input::StationLeft, Input::HearingLost, Input::HearingBack, Input::VoiceLost, Input::VoiceBack];
            world.tell_from(StationId(*at), changes[*n].clone());
        }
        Play::Pass(seconds) => world.pass_s(*seconds),
        Play::Restart(away) => cast::restart(world, away.map(Duration::from_secs)),
    }
}

fn phrases_at(world: &World, station: StationId) -> Vec<String> {
    let known = world.stations.get(&station);
    known.map_or_else(Vec::new, |station| station.may_say().into_iter().map(str::to_owned).collect())
}

/// What was said or pressed at a station answers nobody who is not there: `before` is the number of records before it, and who was
/// there then.
fn answers_only_who_is_there(world: &World, before: usize, there: &[String]) {
    for (place, (_, _, event)) in world.records.iter().enumerate().skip(before) {
        let Event::StepAnswered { step, heard, .. } = event else { continue };
        let index = world.engine.job().index_of(step).unwrap();
        let step_of = world.engine.job().step(index);
        if *heard == HeardAs::Clock || step_of.together || matches!(step_of.answer, Answer::Both(_)) {
            continue;
        }
        let assigned = world.records[..place].iter().rev().find_map(|(_, _, event)| match event {
            Event::StepAssigned { step: of, person } if of == step => Some(person),
            _ => None,
        });
        assert!(assigned.is_none_or(|person| there.contains(person)), "{step} of {assigned:?} answered by {there:?}");
    }
}

/// Plays, and that a run then comes to its end, in an order that is allowed.
fn comes_to_its_end(plays: &[Play]) {
    let mut world = apart();
    for play in plays {
        // A run that is over is not gone on with.
        if world.engine.state().ended.is_some() {
            break;
        }
        let before = world.records.len();
        let at = match play {
            Play::Say(at, ..) | Play::Stale(at, _) | Play::Press(at, _) => Some(StationId(*at)),
            _ => None,
        };
        let people = world.engine.state().people.iter().enumerate();
        let there: Vec<String> = people
            .filter(|(person, _)| {
                at.is_some_and(|at| world.engine.stations_of(&Audience::Person(*person)).contains(&at))
            })
            .map(|(_, hand)| hand.name.clone())
            .collect();
        play_one(&mut world, play);
        if at.is_some() {
            answers_only_who_is_there(&world, before, &there);
        }
    }
    super::order::check(world.engine.job(), &world.records);
    // Whatever was lost, the rig is enough to go on with.
    for station in [ROWAN, IMRE, StationId(3)] {
        world.tell_from(station, Input::StationLeft);
    }
    for input in [Input::StationJoined { people: Vec::new() }, Input::HearingBack, Input::VoiceBack] {
        world.tell(input);
    }
    for round in 0..80 {
        if world.engine.state().ended.is_some() {
            break;
        }
        if world.may_say().contains(&"never mind") && round < 2 {
            world.hear("never mind");
        }
        if !world.engine.state().timers.is_empty() {
            // A clock that somebody set holds the gate until it has run out.
            world.pass_s(4_000);
        }
        world.press(Key::ClockOver);
        world.press(Key::Confirm);
        // At a gate that is held by what could not be tested, or what nobody here can do, it is done after all, with help.
        if world.engine.state().keeps_back() {
            world.press(Key::GoAhead);
        }
        world.pass_s(20);
    }
    assert!(world.engine.state().ended.is_some(), "open: {:?}, asked: {:?}", cast::open(&world), cast::asked(&world));
    super::order::check(world.engine.job(), &world.records);
}

/// A clock that runs again calls one of the two away from a step that is for both, which the other still has.
#[test]
fn whoever_was_called_away_from_a_step_for_all_comes_back_to_it() {
    let plays = [
        Play::Say(2, 5, false),
        Play::Press(1, 6),
        Play::Join(3, Whose::Imre),
        Play::Say(0, 11, false),
        Play::Join(0, Whose::Rowan),
        Play::Say(0, 19, false),
        Play::Press(3, 6),
        Play::Press(0, 6),
        Play::Press(3, 6),
        Play::Join(2, Whose::Rowan),
        Play::Press(0, 5),
        Play::Say(3, 2, false),
        Play::Press(3, 6),
        Play::Say(0, 12, false),
        Play::Press(1, 6),
        Play::Press(0, 3),
    ];
    comes_to_its_end(&plays);
}

/// What one was asked about at the rig is not said yes to there by anybody else, once they have gone.
#[test]
fn a_doubt_goes_with_whoever_it_was_about() {
    let plays = [
        Play::Say(0, 48, false),
        Play::Press(2, 6),
        Play::Say(0, 0, false),
        Play::Join(1, Whose::Imre),
        Play::Say(0, 0, true),
        Play::Stale(0, 0),
        Play::Join(1, Whose::Rowan),
        Play::Press(0, 6),
    ];
    comes_to_its_end(&plays);
}

/// Whoever has two stations and loses one of them is still asked first at the other.
#[test]
fn a_doubt_is_forgotten_where_whoever_it_was_about_is_heard_no_more() {
    let mut world = apart();
    world.join(StationId(3), &["Rowan"]);
    world.hear_at(StationId(3), "cap on", Certainty::Thin);
    world.tell_from(StationId(3), Input::HearingLost);
    world.tell_from(StationId(3), Input::KeyPressed(Key::Confirm));
    assert!(world.is_open("cap"), "nobody is asked there any more");
    say(&mut world, ROWAN, "cap on");
    assert!(!world.is_open("cap"));
}

proptest! {
    #![proptest_config(crate::random_play::plays(192))]

    #[test]
    fn stations_that_come_and_go_change_nothing_of_what_must_hold(plays in plays()) {
        comes_to_its_end(&plays);
    }
}

#[test]
fn the_rig_says_whose_station_joined_went_and_came_back() {
    let mut world = apart();
    let at_the_rig =
        |world: &World| world.station(RIG).texts().iter().map(|text| (*text).to_owned()).collect::<Vec<_>>();
    let said = at_the_rig(&world);
    assert!(
        said.contains(&"Rowan is on the phone.".to_owned()) && said.contains(&"Imre is on the phone.".to_owned()),
        "{said:?}"
    );
    world.tell_from(IMRE, Input::StationLeft);
    world.quiet();
    let said = at_the_rig(&world);
    let gone = said.iter().position(|text| text == "I have lost Imre's phone. I go on here.").expect("whose it is");
    let asked = said.iter().rposition(|text| text == "Imre: Put the cups away. Say: done.").expect("what they have");
    assert!(gone < asked, "{said:?}");
    world.join(IMRE, &["Imre"]);
    world.quiet();
    assert_eq!(at_the_rig(&world).last().map(String::as_str), Some("Imre is on the phone again."));
    assert!(world.station(ROWAN).texts().iter().all(|text| !text.contains("phone")), "nobody else is told");
}

#[test]
fn a_person_is_found_where_they_are_asked() {
    let mut world = apart();
    assert_eq!((world.engine.asked_where("Rowan"), world.engine.asked_where("Imre")), (ROWAN, IMRE));
    assert_eq!(world.engine.asked_where("Mallory"), RIG);
    world.tell_from(IMRE, Input::StationLeft);
    assert_eq!(world.engine.asked_where("Imre"), RIG);
    let questions: Vec<u64> = [ROWAN, RIG].iter().map(|&at| world.engine.view(world.now, at).question).collect();
    assert_ne!(questions[0], questions[1], "each question has its number");
    assert!(world.engine.view(world.now, ROWAN).critical && !world.engine.view(world.now, RIG).critical);
}
