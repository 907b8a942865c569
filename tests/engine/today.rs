//! A run that fits today: what has nothing to do today, how the rig stands, and what is looked at all the same.

use std::collections::BTreeSet;
use std::time::Duration;

use crate::world::cast::{self, RIGS, alone, carry_out, movement, restart, rig, two};
use crate::world::own::{self, anywhere};
use crate::world::{World, english};
use proptest::prelude::*;
use sparehand::engine::event::{Event, HeardAs};
use sparehand::engine::input::{Certainty, Key};
use sparehand::engine::output::VoiceSettings;
use sparehand::engine::{Crew, Ending, Engine, Move, StepState};
use sparehand::rig::{RigState, Stands};

fn site_text() -> String {
    let site = anywhere();
    let steps = [
        site.done("mat", "Stow the mat.", "mat stowed"),
        site.state("fire", "Feel the ring.", ("ring cold", "ring warm"), "Wet it.").named("fire ring").harm("hurt"),
        site.done("bikes", "Take the bikes off.", "bikes off")
            .named("bikes on the rack")
            .with("sets", "['own-bikes=away']")
            .with("undoes", "['own-bikes']"),
        site.state("tap", "Shut the tap.", ("tap shut", "tap open"), "Shut it.")
            .harm("flood")
            .with("undoes", "['water']"),
        site.state("hose", "Take the hose off.", ("hose off", "hose on"), "Take it off.")
            .after(&["tap"])
            .with("sets", "['water=away']")
            .with("undoes", "['water']"),
        site.done("bay", "Lock the bay.", "bay locked").after(&["hose"]),
    ];
    own::text("site", "the site", &steps)
}

fn state(things: &[(&str, Stands)]) -> RigState {
    things.iter().map(|(thing, stands)| ((*thing).to_owned(), *stands)).collect()
}

fn world_of(job: Move, crew: Crew, things: RigState) -> World {
    World::around(cast::engine(job, crew).with_rig_state(things)).begin()
}

fn site(things: &[(&str, Stands)]) -> World {
    world_of(Move::single(own::load(&site_text())), alone(true), state(things))
}

fn condition(world: &World, id: &str) -> StepState {
    world.engine.state().steps[world.engine.routine().index_of(id).unwrap()].clone()
}

#[test]
fn not_here_today_settles_a_step_by_an_event_of_its_own_and_is_no_skip() {
    let mut world = site(&[]);
    world.hear("not here today");
    assert_eq!(condition(&world, "mat"), StepState::NotHere("not here today".to_owned()));
    assert!(world.events().iter().any(|e| matches!(e, Event::NotHere { step, .. } if step == "mat")));
    assert!(!world.events().iter().any(|e| matches!(e, Event::StepSkipped { .. })));
    assert_eq!(world.step(), "fire");
    world.hear("correction");
    assert_eq!(world.step(), "mat", "it is taken back like an answer");
    world.press(Key::NotHere);
    assert!(!world.is_open("mat"), "by key as well");
    restart(&mut world, Some(Duration::from_secs(3)));
    assert_eq!(condition(&world, "mat"), StepState::NotHere("not here today".to_owned()));
}

#[test]
fn where_harm_can_come_of_a_step_not_here_today_asks_for_its_state_and_settles_nothing() {
    let mut world = site(&[]);
    world.hear("mat stowed");
    for words in ["not here today", "not fitted", "somebody else did it"] {
        world.hear(words);
        assert_eq!(world.last_said(), "Which is it? Say: ring cold, or ring warm.");
        assert!(world.is_open("fire"));
    }
    world.hear("ring cold");
    assert!(!world.is_open("fire"));
}

#[test]
fn a_thing_that_cannot_hurt_is_told_to_be_away_at_once_and_one_that_can_by_its_name_only() {
    let mut world = site(&[]);
    ["mat stowed", "ring cold", "not here today"].into_iter().for_each(|words| world.hear(words));
    assert_eq!((condition(&world, "bikes"), world.step()), (StepState::Away, "tap".to_owned()));
    world.hear("not here today");
    assert_eq!(world.last_said(), "This one can hurt, so name it. Say: water not connected.");
    assert!(world.is_open("tap"), "nothing is settled by the words alone");
    world.hear_as("water not connected", Certainty::Thin);
    assert!(world.is_open("tap"), "a thin one is asked about");
    world.hear("yes");
    assert_eq!((condition(&world, "tap"), condition(&world, "hose")), (StepState::Away, StepState::Away));
    assert_eq!(world.step(), "bay");
}

#[test]
fn a_thing_that_was_begun_with_is_not_told_away_any_more() {
    let mut world = site(&[]);
    ["mat stowed", "ring cold", "bikes off", "tap shut"].into_iter().for_each(|words| world.hear(words));
    assert_eq!(world.step(), "hose");
    assert!(!world.may_say().contains(&"water not connected"), "{:?}", world.may_say());
}

/// What was done at one thing, and what cannot be tested there, is not dropped because something else is told to be away.
#[test]
fn what_is_told_of_one_thing_leaves_out_nothing_that_was_begun_of_another() {
    let there = rig("motorhome-towed-car").taking_part(1);
    let job = Move::single(cast::routine("morning-outside", &there));
    let mut world = world_of(job, alone(true), state(&[]));
    for (step, words) in [("tank-dump/outlet-cap", "cannot be tested"), ("tank-dump/hose-stow", "hose stowed")] {
        for _ in 0..600 {
            if world.step() == step {
                break;
            }
            cast::answer_one(&mut world);
        }
        assert_eq!(world.step(), step);
        world.hear(words);
    }
    assert_eq!(world.engine.state().rig.of("sewer"), Stands::Away);
    let steps = &world.engine.routine().steps;
    let awning = steps.iter().find(|step| step.id.starts_with("awning-in")).expect("the rig has one").clone();
    let told = Event::ThingTold { thing: awning.undoes[0].clone(), stands: Stands::Away, heard: HeardAs::Key };
    let at = world.now;
    world.engine.replay(at, &told);
    assert_eq!(condition(&world, &awning.id), StepState::Away, "what was told is left out");
    for step in ["tank-dump/outlet-cap", "tank-dump/wash"] {
        assert!(world.is_open(step), "{step}: {:?}", condition(&world, step));
    }
}

/// A valve that is found open at the last look is pushed in: that nobody has put a hose out stays so.
#[test]
fn a_look_at_something_else_does_not_contradict_the_record() {
    let job = movement("leave", &rig("motorhome-towed-car").taking_part(2));
    let mut world = world_of(job.clone(), two(true), cast::all_things(&job, Stands::Away));
    for _ in 0..600 {
        if world.engine.asked_by_all(world.now).iter().any(|(_, asked)| asked.step == "last-look/valves") {
            break;
        }
        cast::answer_one(&mut world);
    }
    world.quiet();
    world.hear("valve open");
    assert!(world.last_said().contains("Gloves on. Push it in now"), "{}", world.last_said());
    assert_eq!(condition(&world, "morning-outside/tank-dump/last-black"), StepState::Away);
    assert!(world.engine.asked_by_all(world.now).iter().any(|(_, asked)| asked.step == "last-look/valves"));
}

#[test]
fn what_is_to_be_done_about_it_is_said_where_a_look_contradicts_the_record() {
    let mut world = site(&[("water", Stands::Away)]);
    ["yes", "mat stowed", "ring cold", "bikes off", "bay locked", "hose on"].into_iter().for_each(|w| world.hear(w));
    assert!(world.last_said().contains("Take it off. Then say: hose off."), "{}", world.last_said());
}

/// Told away once more after a look has found it otherwise, it is looked at once more.
#[test]
fn what_a_look_has_contradicted_is_looked_at_again_once_it_is_told_away() {
    let mut world = site(&[("water", Stands::Away)]);
    ["yes", "mat stowed", "ring cold", "bikes off", "bay locked", "hose on"].into_iter().for_each(|w| world.hear(w));
    assert_eq!(world.step(), "tap");
    ["not here today", "water not connected", "bay locked"].into_iter().for_each(|words| world.hear(words));
    assert_eq!(world.engine.state().ended, None);
    assert!(world.last_said().contains("Once more: hose."), "{}", world.last_said());
    world.hear("hose off");
    world.pass_s(30);
    assert_eq!(world.engine.state().ended, Some(Ending::Completed));
}

/// A routine that was changed since: what its steps have put out nobody knows, so nothing is trusted to be away.
#[test]
fn of_a_run_whose_steps_are_not_known_any_more_nothing_is_trusted_to_be_away() {
    let job = Move::single(own::load(&site_text()));
    let recalled = Event::RigRecalled { things: state(&[("water", Stands::Away), ("own-bikes", Stands::Out)]) };
    let answered =
        |step: &str| Event::StepAnswered { step: step.to_owned(), answer: String::new(), heard: HeardAs::Key };
    let after = |steps: &[&str]| {
        let events: Vec<Event> =
            std::iter::once(recalled.clone()).chain(steps.iter().map(|step| answered(step))).collect();
        sparehand::engine::rig_state_after(&job, &events)
    };
    assert_eq!(after(&["mat"]).of("water"), Stands::Away);
    assert_eq!(after(&["mat", "hose-on-again"]).of("water"), Stands::Unknown);
    let told = Event::ThingTold { thing: "mains".to_owned(), stands: Stands::Away, heard: HeardAs::Key };
    let gone = [told.clone(), answered("plug-in"), recalled.clone(), answered("tap")];
    assert_eq!(sparehand::engine::rig_state_told(&gone[..1]).of("mains"), Stands::Away, "told, and nothing done since");
    assert_eq!(sparehand::engine::rig_state_told(&gone[..2]).of("mains"), Stands::Unknown);
    assert_eq!(sparehand::engine::rig_state_told(&gone).of("water"), Stands::Unknown);
    assert_eq!(sparehand::engine::rig_state_after(&job, &gone[..2]).of("mains"), Stands::Unknown);
    assert_eq!(after(&["hose-on-again", "hose"]).of("water"), Stands::Away, "a step that is known has told since");
    assert_eq!(after(&["hose-on-again"]).of("own-bikes"), Stands::Out);
}

#[test]
fn what_a_recorded_state_leaves_out_is_looked_at_once_before_the_last_gate() {
    let mut world = site(&[("water", Stands::Away), ("own-bikes", Stands::Away)]);
    assert_eq!(world.last_said(), "As I know it: Own bikes stowed. Water not connected. Right?");
    world.hear("yes");
    ["mat stowed", "ring cold", "bay locked"].into_iter().for_each(|words| world.hear(words));
    assert_eq!(
        world.last_said(),
        "Last look. What matters most, once more. Once more: hose. Say: hose off, or hose on."
    );
    assert_eq!(world.engine.state().ended, None);
    world.hear("hose off");
    world.pass_s(30);
    assert_eq!(world.engine.state().ended, Some(Ending::Completed));
}

#[test]
fn a_state_that_an_answer_contradicts_is_unknown_and_all_that_hangs_on_it_is_open_again() {
    let mut world = site(&[("water", Stands::Away)]);
    ["yes", "mat stowed", "ring cold", "bikes off", "bay locked", "hose on"].into_iter().for_each(|w| world.hear(w));
    assert!(world.is_open("tap") && world.is_open("hose") && world.is_open("bay"), "{:?}", world.page);
    assert_eq!(world.engine.state().rig.of("water"), Stands::Unknown);
    assert_eq!(world.step(), "tap");
    restart(&mut world, None);
    ["tap shut", "hose off", "bay locked"].into_iter().for_each(|words| world.hear(words));
    world.pass_s(30);
    assert_eq!(world.engine.state().ended, Some(Ending::Completed));
    assert_eq!(world.engine.state().rig.of("water"), Stands::Away);
}

#[test]
fn how_the_rig_stands_is_put_right_by_words_and_by_key_before_anything_is_asked() {
    let mut world = site(&[("water", Stands::Out), ("own-bikes", Stands::Out)]);
    assert_eq!(world.step(), "", "nothing is asked meanwhile");
    world.hear("no");
    assert_eq!(world.last_said(), "What is different? Say it like this: own bikes stowed.");
    world.hear("no water");
    assert_eq!(world.last_said(), "Water not connected. Is the rest right?");
    restart(&mut world, None);
    assert_eq!(world.last_said(), "As I know it: Own bikes out. Water not connected. Right?");
    world.press(Key::Choice(1));
    assert_eq!(world.last_said(), "Own bikes stowed. Is the rest right?");
    world.press(Key::Confirm);
    assert_eq!(condition(&world, "bikes"), StepState::Away);
    assert_eq!(world.step(), "mat");
    world.hear("correction");
    assert_eq!(world.last_said().split('.').next(), Some("There is nothing to go back to"));
}

#[test]
fn a_thin_yes_is_no_yes_to_how_the_rig_stands() {
    let mut world = site(&[("water", Stands::Away)]);
    world.hear_as("yes", Certainty::Thin);
    assert_eq!(condition(&world, "tap"), StepState::Open);
    assert!(world.last_said().starts_with("I heard: yes."), "{}", world.last_said());
    world.hear("yes");
    assert_eq!(condition(&world, "tap"), StepState::Away);
}

#[test]
fn what_is_connected_is_told_at_any_time_and_follows_the_answers() {
    let mut world = site(&[("water", Stands::Out), ("mains", Stands::Out)]);
    world.hear("yes");
    world.hear("what is connected");
    assert_eq!(world.last_said(), "Still out: Shore power, water connected. I do not know of: own bikes.");
    ["mat stowed", "ring cold", "bikes off", "tap shut", "hose off"].into_iter().for_each(|words| world.hear(words));
    world.press(Key::WhatIsOut);
    assert_eq!(world.last_said(), "Still out: Shore power connected.");
    world.hear("correction");
    world.hear("what is still on the ground");
    assert_eq!(world.last_said(), "Still out: Shore power connected. I do not know of: water.");
}

/// That nothing is known of something does not mean that it is put away.
#[test]
fn of_what_nobody_has_said_anything_it_is_said_that_it_is_not_known() {
    let mut world = site(&[]);
    world.press(Key::WhatIsOut);
    assert!(world.last_said().starts_with("I do not know of: "), "{}", world.last_said());
    assert!(world.last_said().contains("water"), "{}", world.last_said());
    let mut world = site(&[("water", Stands::Away)]);
    world.hear("yes");
    world.hear("what is connected");
    assert!(!world.last_said().contains("water") && world.last_said().contains("own bikes"), "{}", world.last_said());
}

#[test]
fn what_one_answer_of_several_says_of_a_thing_is_kept_and_taken_back_with_it() {
    let mut world = cast::world(Move::single(cast::routine("generator", &rig("motorhome-towed-car"))), alone(true));
    let stands = |world: &World| world.engine.state().rig.of("generator");
    world.answer_until("started");
    world.hear("it will not start");
    assert_eq!((world.step(), stands(&world)), ("started".to_owned(), Stands::Unknown));
    world.hear("it runs steady");
    assert_eq!(stands(&world), Stands::Out);
    world.hear("what is connected");
    assert_eq!(world.last_said(), "Still out: Generator running.");
    world.hear("correction");
    assert_eq!((world.step(), stands(&world)), ("started".to_owned(), Stands::Unknown));
}

#[test]
fn a_run_of_which_nothing_is_known_asks_nothing_of_it() {
    let world = site(&[("mains", Stands::Out)]);
    assert_eq!(world.step(), "mat", "mains are not in this run");
    assert_eq!(world.engine.state().rig.of("mains"), Stands::Out, "and stay known");
}

#[test]
fn how_the_rig_stands_after_arriving_and_leaving_follows_from_the_records() {
    for name in RIGS {
        let there = rig(name).taking_part(2);
        let mut arrived = cast::world(Move::single(cast::routine("arrive", &there)), two(true));
        carry_out(&mut arrived);
        let at_site = arrived.engine.state().rig.clone();
        assert!(at_site.iter().all(|(_, stands)| stands == Stands::Out) && !at_site.is_empty(), "{name}: {at_site:?}");
        let mut left = world_of(movement("leave", &there), two(true), at_site.clone());
        carry_out(&mut left);
        let gone = left.engine.state().rig.clone();
        // Its owner drives with the gas open.
        let open = if there.has("gas-open") { vec!["gas"] } else { Vec::new() };
        let out: Vec<&str> =
            gone.iter().filter(|(_, stands)| *stands != Stands::Away).map(|(thing, _)| thing).collect();
        assert_eq!(out, open, "{name}: still out at the end");
        let mut again = Engine::of_move(movement("leave", &there), english(), VoiceSettings::default());
        left.records.iter().for_each(|(_, at, event)| again.replay(*at, event));
        assert_eq!(again.state().rig, gone, "{name}: rebuilt from the records");
    }
}

/// Steps that a recorded state has left out, and whose harm nobody has looked at since the last look began: of each thing a step that looks at it was
/// answered, or one of its own was asked once more.
fn unseen(world: &World) -> Vec<String> {
    let (job, state) = (world.engine.job(), world.engine.state());
    let left_out: Vec<usize> = job.work().filter(|&step| state.steps[step] == StepState::Away).collect();
    let checked: BTreeSet<usize> = world
        .events()
        .iter()
        .filter_map(|event| match event.inner() {
            Event::StepChecked { step, .. } | Event::StepAnswered { step, .. } => job.index_of(step),
            _ => None,
        })
        .collect();
    let looked: BTreeSet<usize> =
        checked.iter().flat_map(|&step| job.looked_at_by(step)).chain(checked.iter().copied()).collect();
    let things: BTreeSet<&String> = left_out.iter().flat_map(|&step| &job.step(step).undoes).collect();
    let of = |thing: &String| job.work().filter(|&step| job.step(step).undoes.contains(thing)).collect::<Vec<_>>();
    let seen = |thing: &&&String| {
        let steps = of(thing);
        !steps.iter().any(|&step| job.step(step).critical()) || steps.iter().any(|step| looked.contains(step))
    };
    things.iter().filter(|thing| !seen(thing)).map(|thing| (**thing).clone()).collect()
}

#[test]
fn with_everything_away_by_the_record_leaving_shrinks_and_still_looks_at_all_that_can_hurt() {
    for (name, people) in RIGS.iter().flat_map(|name| [(name, 1), (name, 2)]) {
        let job = movement("leave", &rig(name).taking_part(people));
        let crew = || if people == 1 { alone(true) } else { two(true) };
        let mut whole = world_of(job.clone(), crew(), RigState::default());
        carry_out(&mut whole);
        let mut world = world_of(job.clone(), crew(), cast::all_things(&job, Stands::Away));
        carry_out(&mut world);
        assert_eq!(world.engine.state().ended, Some(Ending::Completed), "{name}");
        assert!(unseen(&world).is_empty(), "{name}, {people}: {:?}", unseen(&world));
        assert!(world.records.len() < whole.records.len(), "{name}: nothing was left out");
    }
}

/// Whatever look contradicts the record: what was left out is done after all before the run is over.
#[test]
fn a_last_look_that_finds_another_state_opens_what_the_record_left_out() {
    let job = movement("leave", &rig("motorhome-towed-car").taking_part(2));
    for (look, other, opened) in [
        ("last-look/cord", "cord out", "morning-outside/plug-out"),
        ("last-look/outlets", "a hose is on", "morning-outside/tank-dump/last-black"),
        ("last-look/gas", "gas is open", "morning-inside/gas-shut"),
    ] {
        let mut world = world_of(job.clone(), two(true), cast::all_things(&job, Stands::Away));
        for _ in 0..600 {
            if world.engine.asked_by_all(world.now).iter().any(|(_, asked)| asked.step == look) {
                break;
            }
            cast::answer_one(&mut world);
        }
        world.quiet();
        assert_eq!(condition(&world, opened), StepState::Away, "{look}");
        world.hear(other);
        assert!(world.is_open(opened), "{look}: {:?}", world.page.iter().rev().take(3).collect::<Vec<_>>());
        carry_out(&mut world);
        assert!(matches!(condition(&world, opened), StepState::Answered(_)), "{opened}");
    }
}

#[derive(Clone, Debug)]
enum Play {
    Answer,
    Say(usize),
    Press(usize),
    Restart,
}

const KEYS: [Key; 8] = [
    Key::Confirm,
    Key::Other,
    Key::NotHere,
    Key::Correction,
    Key::Choice(1),
    Key::Choice(2),
    Key::ClockOver,
    Key::GoAhead,
];

proptest! {
    #![proptest_config(crate::random_play::plays(48))]

    /// No recorded state and no "not here" lets a hazard pass unseen at the gate, whatever is said.
    #[test]
    fn nothing_that_can_hurt_passes_the_gate_unseen_in_random_play(
        stands in proptest::collection::vec(0usize..3, 12),
        plays in proptest::collection::vec(
            prop_oneof![
                12 => Just(Play::Answer),
                3 => (0usize..200).prop_map(Play::Say),
                3 => (0usize..KEYS.len()).prop_map(Play::Press),
                1 => Just(Play::Restart),
            ],
            1..300,
        ),
        people in 1usize..=2,
        which in 0usize..RIGS.len(),
    ) {
        let job = movement("leave", &rig(RIGS[which]).taking_part(people));
        let kinds = [Stands::Out, Stands::Away, Stands::Unknown];
        let all = cast::all_things(&job, Stands::Away);
        let things = all.iter().zip(stands.iter().cycle()).map(|((thing, _), n)| (thing.to_owned(), kinds[*n])).collect();
        let mut world = world_of(job, if people == 1 { alone(true) } else { two(true) }, things);
        for play in &plays {
            if world.ended {
                break;
            }
            match play {
                Play::Answer => cast::answer_one(&mut world),
                Play::Say(n) => {
                    let set = world.set.clone();
                    if let Some(phrase) = set.phrases.get(n % set.phrases.len().max(1)) {
                        world.hear(&phrase.text);
                    }
                }
                Play::Press(n) => world.press(KEYS[*n]),
                Play::Restart => restart(&mut world, Some(Duration::from_secs(20))),
            }
        }
        for _ in 0..2_000 {
            if world.ended {
                break;
            }
            if world.engine.state().standing_by {
                world.press(Key::GoAhead);
            }
            cast::answer_one(&mut world);
        }
        if world.engine.state().ended == Some(Ending::Completed) {
            prop_assert!(unseen(&world).is_empty(), "{:?}\n{}", unseen(&world), world.page.join("\n"));
        }
        for (_, _, event) in &world.records {
            if let Event::NotHere { step, heard, .. } = event {
                let step = world.engine.routine().index_of(step).unwrap();
                prop_assert!(!world.engine.routine().steps[step].critical(), "{:?}", world.engine.routine().steps[step].id);
                prop_assert_ne!(heard, &HeardAs::Clock);
            }
        }
    }
}
