//! What people cannot do today: whose step it is then, what is named at the very start, and what is not begun.

use crate::world::cast::{self, RIGS, alone, movement, restart, rig, routine, two};
use crate::world::{World, english};
use proptest::prelude::*;
use sparehand::engine::event::Event;
use sparehand::engine::input::{Away, Certainty, Input, Key};
use sparehand::engine::output::VoiceSettings;
use sparehand::engine::{Crew, Ending, Engine, Move};
use sparehand::rig::{Demand, Role, Stands};
use sparehand::routine::Answer;

fn with_limits(job: Move, crew: Crew, limits: &[(&str, Demand)]) -> World {
    let limits = limits.iter().map(|(name, cannot)| ((*name).to_owned(), *cannot)).collect();
    let engine = Engine::of_move(job, english(), VoiceSettings::default()).with_crew(crew).with_limits(limits);
    World::around(engine).begin()
}

fn dump(people: usize, limits: &[(&str, Demand)]) -> World {
    let rig = rig("motorhome-towed-car").taking_part(people);
    let crew = if people == 1 { alone(true) } else { two(true) };
    with_limits(Move::single(routine("tank-dump", &rig)), crew, limits)
}

/// Who was offered which step.
fn offered(world: &World) -> Vec<(String, String)> {
    let mut who = String::new();
    let mut found = Vec::new();
    for event in world.events() {
        match event {
            Event::StepAssigned { person, .. } => who.clone_from(person),
            Event::StepOffered { step } => found.push((who.clone(), step.clone())),
            Event::StretchOffered { steps } => found.extend(steps.iter().map(|step| (who.clone(), step.clone()))),
            _ => {}
        }
    }
    found
}

#[test]
fn what_nobody_here_can_do_is_named_at_the_very_start_and_sewage_work_is_not_begun() {
    let world = dump(1, &[("Rowan", Demand::TwoHands)]);
    let page = world.page.join("\n");
    assert!(page.contains("Rowan: one arm."), "{page}");
    assert!(page.contains("Nobody here can do ") && page.contains("sewer hose on the outlet"), "{page}");
    assert!(page.contains("Ask for help now, while people are about."), "{page}");
    let begun: Vec<_> = offered(&world).into_iter().filter(|(_, step)| step != "gate").collect();
    assert!(begun.is_empty(), "{begun:?}");
    assert!(page.contains("sewer hose on the outlet with help"), "the gate holds: {page}");
    assert_eq!(world.engine.state().ended, None);
}

#[test]
fn once_help_is_there_it_is_done_to_its_end() {
    let mut world = dump(1, &[("Rowan", Demand::TwoHands)]);
    restart(&mut world, None);
    assert!(offered(&world).iter().all(|(_, step)| step == "gate"));
    world.hear("go ahead");
    cast::carry_out(&mut world);
    assert_eq!(world.engine.state().ended, Some(Ending::Completed));
}

#[test]
fn of_two_the_one_who_can_gets_the_step_whosever_role_it_is() {
    let rig = rig("motorhome-towed-car").taking_part(2);
    let job = Move::single(routine("morning-outside", &rig));
    let mut world = with_limits(job, two(true), &[("Rowan", Demand::TwoHands)]);
    assert!(!world.page.join("\n").contains("nobody here can do"), "Imre can");
    cast::carry_out(&mut world);
    assert_eq!(world.engine.state().ended, Some(Ending::Completed));
    let job = world.engine.job();
    for (who, id) in offered(&world) {
        let step = job.step(job.index_of(&id).unwrap());
        assert!(who != "Rowan" || !step.demands.contains(&Demand::TwoHands), "{id} was Rowan's");
    }
}

#[test]
fn i_cannot_do_that_gives_the_step_to_the_other_or_keeps_it_for_help() {
    let mut world = dump(1, &[]);
    world.answer_until("grey-held");
    world.hear("i cannot do that");
    assert!(world.is_open("grey-held"));
    let page = world.page.join("\n");
    assert!(page.contains("Nobody here can do 1 step today: gray valve."), "{page}");
    world.hear("correction");
    assert_eq!(world.step(), "grey-held", "it is taken back like an answer");
    let mut world = dump(2, &[]);
    let before = world.engine.asked_by_all(world.now);
    let (name, asked) = before.iter().find(|(_, asked)| asked.step == "gloves").unwrap();
    assert_eq!(name, "Rowan");
    world.hear("i cannot do that");
    let after = world.engine.asked_by_all(world.now);
    assert!(after.iter().any(|(name, now)| name == "Imre" && now.step == asked.step), "{after:?}");
}

#[test]
fn a_limit_is_told_by_voice_at_any_time() {
    let mut world = dump(1, &[]);
    world.hear("one arm today");
    assert!(world.page.join("\n").contains("Rowan: one arm."));
    assert!(world.engine.state().people[0].cannot.contains(&Demand::TwoHands));
    let mut world = dump(2, &[]);
    assert!(!world.may_say().contains(&"one arm today"), "of two it is said with a name");
    world.hear("imre no ladder today");
    assert!(world.engine.state().people[1].cannot.contains(&Demand::Ladder));
}

#[test]
fn a_limit_that_was_heard_thin_is_asked_about_and_one_that_was_told_is_taken_back() {
    let mut world = dump(1, &[]);
    world.hear_as("one arm today", Certainty::Thin);
    assert!(world.engine.state().people[0].cannot.is_empty(), "it would hold for the whole run");
    world.hear("yes");
    assert!(world.engine.state().people[0].cannot.contains(&Demand::TwoHands));
    world.hear_as("i can do everything", Certainty::Thin);
    assert!(!world.engine.state().people[0].cannot.is_empty(), "that would lift all of them");
    world.hear_as("i can do everything", Certainty::Doubtful);
    assert!(!world.engine.state().people[0].cannot.is_empty());
    world.hear("i can do everything");
    assert!(world.engine.state().people[0].cannot.is_empty());
    assert!(world.page.join("\n").contains("Rowan: no limits."), "{:?}", world.page);
    assert_eq!(world.step(), "gloves", "and the work goes on");
    restart(&mut world, None);
    assert!(world.engine.state().people[0].cannot.is_empty());
}

#[test]
fn what_was_said_to_an_earlier_question_refuses_no_later_step() {
    let mut world = dump(1, &[]);
    let old = world.set.id;
    world.answer_until("grey-held");
    world.hear_in(old, 0, "i cannot do that", Certainty::Sure);
    assert!(world.events().iter().all(|event| !matches!(event, Event::CannotDo { .. })));
    assert_eq!(world.step(), "grey-held");
}

/// Of two the one who may drive sits at the wheel; where neither may, the rig is not rolled.
#[test]
fn nobody_who_may_not_drive_is_put_at_the_wheel() {
    for (name, routine_id) in
        [("motorhome-towed-car", "hitch-up"), ("motorhome-towed-car", "arrive"), ("travel-trailer", "hitch-up")]
    {
        let there = rig(name).taking_part(2);
        for who in ["Rowan", "Imre"] {
            let job = Move::single(routine(routine_id, &there));
            let mut world = with_limits(job, two(true), &[(who, Demand::Driving)]);
            cast::carry_out(&mut world);
            assert_eq!(world.engine.state().ended, Some(Ending::Completed), "{name} {routine_id} {who}");
            let mut rolled = 0;
            for event in world.events() {
                if let Event::SignalGiven { step, turn, person, .. } = event {
                    let job = world.engine.job();
                    let Answer::Both(both) = &job.step(job.index_of(step).unwrap()).answer else { continue };
                    let drives = both.turns[*turn].role == Role::Driver;
                    rolled += usize::from(drives);
                    assert!(!drives || person != who, "{name}: {step} is driven by {who}");
                }
            }
            assert!(rolled > 0, "{name} {routine_id}");
        }
        let job = Move::single(routine(routine_id, &there));
        let mut world = with_limits(job, two(true), &[("Rowan", Demand::Driving), ("Imre", Demand::Driving)]);
        for _ in 0..200 {
            cast::answer_one(&mut world);
        }
        assert_eq!(world.engine.state().ended, None, "{name}: the gate holds");
        assert!(world.events().iter().all(|event| !matches!(event, Event::SignalGiven { .. })), "{name} {routine_id}");
    }
}

/// What was left out and is opened again by a look waits for help like any other, and is named.
#[test]
fn what_a_look_opens_again_goes_by_what_people_cannot_do() {
    let job = movement("leave", &rig("motorhome-towed-car").taking_part(1));
    let away = cast::all_things(&job, Stands::Away);
    let engine = Engine::of_move(job, english(), VoiceSettings::default()).with_crew(alone(true)).with_rig_state(away);
    let mut world = World::around(engine).begin();
    for _ in 0..600 {
        if world.step() == "last-look/cord" {
            break;
        }
        cast::answer_one(&mut world);
    }
    assert_eq!(world.step(), "last-look/cord");
    world.hear("one arm today");
    let before = world.page.len();
    world.hear("cord out");
    let state = world.engine.state();
    let stowed = world.engine.routine().index_of("morning-outside/cord-stowed").unwrap();
    assert!(state.is_open(stowed) && state.is_kept_back(stowed), "{:?}", state.steps[stowed]);
    for _ in 0..60 {
        cast::answer_one(&mut world);
    }
    assert!(world.is_open("morning-outside/cord-stowed"));
    assert_eq!(world.engine.state().ended, None, "the last gate holds");
    let said = world.page[before..].join("\n");
    assert!(said.contains("with help") && said.contains("shore cord"), "{said}");
}

/// Killed before what people cannot do is on record: it is told once the run is gone on with, and what is on record is not told twice.
#[test]
fn limits_that_were_not_on_record_yet_are_told_when_the_run_is_gone_on_with() {
    let before = dump(1, &[("Rowan", Demand::TwoHands)]);
    for kept in 1..before.records.len().min(6) {
        let rig = rig("motorhome-towed-car").taking_part(1);
        let job = Move::single(routine("tank-dump", &rig));
        let limits = vec![("Rowan".to_owned(), Demand::TwoHands)];
        let mut engine =
            Engine::of_move(job, english(), VoiceSettings::default()).with_crew(alone(true)).with_limits(limits);
        let records = before.records[..kept].to_vec();
        records.iter().for_each(|(_, at, event)| engine.replay(*at, event));
        let mut world = World::around(engine);
        world.records = records;
        world.tell(Input::Resumed(Away::Unknown));
        world.quiet();
        let told = world.events().iter().filter(|event| matches!(event, Event::LimitTold { .. })).count();
        assert_eq!(told, 1, "after {kept} records");
        assert!(world.engine.state().people[0].cannot.contains(&Demand::TwoHands), "after {kept} records");
    }
}

proptest! {
    #![proptest_config(crate::random_play::plays(32))]

    /// Nobody gets a step beyond their limits unless somebody said that help is there.
    #[test]
    fn nobody_is_asked_for_what_they_cannot_do(
        limits in proptest::collection::vec((0usize..2, 0usize..5), 0..5),
        which in 0usize..RIGS.len(),
        people in 1usize..=2,
        plays in proptest::collection::vec(0usize..12, 0..200),
    ) {
        let job = movement("leave", &rig(RIGS[which]).taking_part(people));
        let names = ["Rowan", "Imre"];
        let limits: Vec<(&str, Demand)> = limits.iter().map(|(p, d)| (names[p % people], Demand::ALL[*d])).collect();
        let mut world = with_limits(job, if people == 1 { alone(true) } else { two(true) }, &limits);
        let mut help = false;
        for play in plays {
            if world.ended {
                break;
            }
            match play {
                0 => world.press(Key::Correction),
                1 => restart(&mut world, None),
                2 if world.engine.state().keeps_back() => {
                    help = true;
                    world.press(Key::GoAhead);
                }
                _ => cast::answer_one(&mut world),
            }
        }
        let job = world.engine.job();
        for (who, id) in offered(&world) {
            let step = job.index_of(&id).unwrap();
            let cannot = |demand: &Demand| limits.iter().any(|(name, cannot)| (*name == who || people == 1) && cannot == demand);
            let beyond = job.step(step).demands.iter().any(cannot);
            prop_assert!(help || !beyond, "{} was asked for {}", who, id);
        }
    }
}
