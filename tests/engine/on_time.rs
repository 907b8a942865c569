//! "Are we on time?", and a talk that is shorter when it is late and leaves out no step and no caution.

use std::time::Duration;

use crate::world::World;
use crate::world::cast::{self, alone};
use crate::world::own;
use sparehand::engine::input::Input;
use sparehand::engine::{Leg, Move};
use sparehand::routine::Routine;

fn shed() -> Routine {
    let step = |id: &str, more: &str| {
        format!(
            "[[section.step]]\nid = '{id}'\nname = '{id} step'\nwhere = 'shed'\ncall = 'Do {id}. Say: {id} done.'\n\
             how = 'With both hands on {id}.'\ncheck = 'The {id} clicks.'\nminutes = 1\n{more}\n"
        )
    };
    let done = |id: &str| format!("answer = {{ kind = 'done', also = ['{id} done'] }}");
    let critical = "harm = 'hurt'\ncaution = 'It bites.'\n\
                    answer = { kind = 'state', want = ['latch shut'], other = ['latch open'], other_reply = 'Shut it.' }";
    let steps = [step("mat", &done("mat")), step("lamp", &done("lamp")), step("latch", critical)].concat();
    own::load(&format!(
        "id = 'shed'\ntitle = 'the shed'\nintro = 'Now the shed.'\ncomplete = 'Shed complete.'\n\
         [[section]]\nid = 's'\ntitle = 'things'\n{steps}\
         [[section.step]]\nid = 'gate'\nname = 'gate'\ncall = 'Last look.'\nanswer = {{ kind = 'gate' }}\n"
    ))
}

fn beginner() -> World {
    let job = Move::join("both", "both", "Complete.", vec![Leg { routine: shed(), after: vec![] }]).unwrap();
    cast::world(job, alone(false))
}

fn told(world: &mut World, said: &str, late: bool, asked: bool) {
    world.tell(Input::OnTimeTold { said: Some(said.to_owned()), late, asked });
    world.quiet();
}

#[test]
fn who_asks_whether_it_is_on_time_is_told_and_the_step_stays_open() {
    let mut world = beginner();
    let step = world.step();
    world.hear("are we on time");
    assert_eq!(world.on_time_asked, 1);
    told(&mut world, "On time. 92 of 100 such mornings are away by 10:00.", false, true);
    assert_eq!(world.last_said(), "On time. 92 of 100 such mornings are away by 10:00.");
    assert_eq!(world.step(), step);
}

#[test]
fn without_a_plan_the_answer_is_that_nobody_knows() {
    let mut world = beginner();
    world.hear("are we on time");
    world.tell(Input::OnTimeTold { said: None, late: false, asked: true });
    world.quiet();
    assert_eq!(world.last_said(), "I do not know. No time to be away by was set.");
}

#[test]
fn becoming_late_is_said_once_and_being_in_time_is_not_said_unasked() {
    let mut world = beginner();
    let before = world.said.len();
    told(&mut world, "On time.", false, false);
    assert_eq!(world.said.len(), before);
    told(&mut world, "Late.", true, false);
    assert_eq!(world.last_said(), "Late. I keep it short. No step is left out.");
    let after = world.said.len();
    told(&mut world, "Late.", true, false);
    assert_eq!(world.said.len(), after, "not again every minute");
    told(&mut world, "On time.", false, false);
    told(&mut world, "Late.", true, false);
    assert_eq!(world.last_said(), "Late. I keep it short. No step is left out.", "late once more");
}

#[test]
fn who_stands_by_is_not_told_that_it_is_late() {
    let mut world = beginner();
    world.hear("stand by");
    let before = world.said.len();
    told(&mut world, "Late.", true, false);
    assert_eq!(world.said.len(), before);
}

#[test]
fn late_a_beginner_hears_the_call_alone_but_of_what_can_hurt_everything() {
    let mut world = beginner();
    assert!(world.last_said().contains("With both hands on mat."), "{}", world.last_said());
    told(&mut world, "Late.", true, false);
    world.hear("mat done");
    assert_eq!(world.last_said(), "Do lamp. Say: lamp done.");
    world.hear("explain");
    assert!(
        world.last_said().contains("With both hands on lamp."),
        "asked for, it is explained: {}",
        world.last_said()
    );
    let said = world.said.len();
    world.hear("lamp done");
    let all: Vec<&str> = world.said[said..].iter().map(|(_, utterance)| utterance.text.as_str()).collect();
    let all = all.join(" ");
    assert!(all.contains("It bites.") && all.contains("With both hands on latch."), "{all}");
}

#[test]
fn late_nobody_is_reminded_and_every_step_is_asked_for() {
    let reminders = |late: bool| {
        let mut world = beginner();
        if late {
            told(&mut world, "Late.", true, false);
        }
        world.pass(Duration::from_secs(20 * 60));
        let count = world.said.iter().filter(|(_, utterance)| utterance.text.starts_with("Still here.")).count();
        for (answer, step) in [("mat done", "mat"), ("lamp done", "lamp"), ("latch shut", "latch")] {
            assert!(world.step().ends_with(step), "{}", world.step());
            world.hear(answer);
        }
        assert!(world.ended);
        count
    };
    assert_eq!((reminders(false), reminders(true)), (1, 0));
}
