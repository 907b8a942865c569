//! Rests: what must not be left is named first, the pause is the person's own choice, and after an hour of work one is offered.

use crate::world::World;
use crate::world::cast::{self, alone};
use crate::world::own;
use sparehand::engine::Move;
use sparehand::engine::input::Key;
use sparehand::units::SessionTime;

fn dump() -> World {
    World::new(&cast::rig("motorhome-towed-car")).begin()
}

#[test]
fn whoever_has_begun_nothing_rests_and_goes_on_where_they_were() {
    let mut world = dump();
    world.press(Key::Rest);
    assert_eq!(world.last_said(), "Rest. Nothing runs, and nothing stands half done. Say go ahead when you are back.");
    assert!(world.engine.state().standing_by);
    world.pass_s(600);
    assert!(world.last_said().starts_with("Rest."), "{}", world.last_said());
    world.hear("go ahead");
    assert_eq!(world.step(), "gloves");
}

#[test]
fn what_is_done_as_one_and_begun_is_named_before_the_rest_and_not_refused() {
    let mut world = dump();
    world.answer_until("black-run-out");
    world.hear("i need a break");
    let said = world.last_said().to_owned();
    assert!(said.starts_with("Not quite yet, if you can: "), "{said}");
    assert!(said.contains(" steps of what is begun, next: ") && said.ends_with("I wait. Say go ahead."), "{said}");
    assert!(world.engine.state().standing_by);
}

#[test]
fn a_clock_that_runs_is_named_with_its_end_and_rings_during_the_rest() {
    let mut world = dump();
    world.answer_until("rinse-water");
    world.hear("water on");
    world.hear("i need a break");
    assert!(
        world.last_said().contains("the rinse water clock runs, and its end is: water off."),
        "{}",
        world.last_said()
    );
    world.pass_s(1_200);
    assert!(!world.alarms().is_empty());
    world.hear("water off");
    assert!(world.engine.state().clocks.is_empty());
}

#[test]
fn a_clock_that_ends_by_itself_keeps_nobody() {
    let mut world = dump();
    world.answer_until("wash");
    world.hear("washing");
    world.hear("i need a break");
    assert!(!world.last_said().contains("clock runs"), "{}", world.last_said());
}

/// Answers one thing every five minutes, until so long has passed.
fn work_for(world: &mut World, minutes: u64) {
    for _ in 0..minutes / 5 {
        world.pass_s(300);
        cast::answer_one(world);
    }
}

/// Chores in sections of seven.
fn chores() -> World {
    let step = |section: usize, step: usize| {
        format!(
            "[[section.step]]\nid = 's{section}-{step}'\nname = 'chore {section} {step}'\nwhere = 'bay'\n\
             call = 'Do it. Say: done.'\nanswer = {{ kind = 'done' }}\n"
        )
    };
    let section = |section: usize| {
        let steps: Vec<String> = (0..7).map(|one| step(section, one)).collect();
        format!("[[section]]\nid = 's{section}'\ntitle = 'section {section}'\n{}", steps.concat())
    };
    let sections: Vec<String> = (0..6).map(section).collect();
    let text = format!(
        "id = 'chores'\ntitle = 'the chores'\nintro = 'Chores.'\ncomplete = 'All done.'\n{}\
         [[section.step]]\nid = 'gate'\nname = 'gate'\ncall = 'Last look.'\nanswer = {{ kind = 'gate' }}\n",
        sections.concat()
    );
    let job = Move::single(own::load(&text));
    cast::world(job, alone(false))
}

fn offered(world: &World) -> usize {
    let texts: Vec<&str> = world.said_since(SessionTime::ZERO);
    texts.iter().filter(|text| text.contains("without a break. If you want one, say: I need a break.")).count()
}

#[test]
fn after_an_hour_of_work_a_rest_is_offered_once_and_after_half_an_hour_where_somebody_cannot_do_everything() {
    let mut world = chores();
    work_for(&mut world, 55);
    assert_eq!(offered(&world), 0);
    work_for(&mut world, 60);
    assert_eq!(offered(&world), 1);

    let mut world = chores();
    world.hear("no lifting today");
    work_for(&mut world, 58);
    assert_eq!(offered(&world), 1);
}

#[test]
fn whoever_was_left_alone_for_a_while_has_had_a_rest() {
    let mut world = chores();
    work_for(&mut world, 50);
    world.pass_s(900);
    work_for(&mut world, 30);
    assert_eq!(offered(&world), 0);
}

#[test]
fn with_sewage_on_their_hands_nobody_is_told_to_rest() {
    let mut world = dump();
    world.answer_until("black-run-out");
    work_for(&mut world, 90);
    assert!(world.engine.state().half_done(world.engine.job()).next().is_some(), "{}", world.step());
    assert_eq!(offered(&world), 0);
}
