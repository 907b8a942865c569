//! Waits: what a run asks of whoever waits, and that a plan reckons with nothing else.

use crate::plan_support::{by_ten, hand, planned, unknown, work_of};
use crate::world::World;
use crate::world::cast::{self, RIGS, ROUTINES, alone, own_routine, two};
use sparehand::engine::Move;
use sparehand::plan::work::{TICK_S, Work};
use sparehand::rig::Role;
use sparehand::routine::{Answer, Routine, Step, Touches};

/// A tap is opened, something goes on by itself, and there are beds to make meanwhile.
fn filling(wait: &str) -> Routine {
    own_routine(&format!(
        r#"
id = "fill"
title = "the filling"
intro = "Begin."
complete = "Filled."

[[section]]
id = "a"
title = "water"

[[section.step]]
id = "tap"
name = "tap open"
role = "outside"
call = "Open the tap. Say: done."
answer = {{ kind = "done" }}

[[section.step]]
id = "wait"
name = "tank filling"
role = "outside"
after = ["tap"]
minutes = 20
{wait}

[[section.step]]
id = "mats"
name = "mats rolled up"
role = "outside"
after = ["tap"]
minutes = 15
call = "Roll up the mats. Say: done."
answer = {{ kind = "done" }}

[[section.step]]
id = "beds"
name = "beds made"
role = "inside"
after = ["tap"]
minutes = 15
call = "Make the beds. Say: done."
answer = {{ kind = "done" }}

[[section.step]]
id = "gate"
name = "nothing left open"
call = "Last look."
answer = {{ kind = "gate" }}
"#
    ))
}

/// Somebody looks when it is full, and says so.
const TO_BE_SAID: &str = r#"wait = true
call = "Let it fill. Then say: full."
answer = { kind = "done", also = ["full"] }"#;

/// A clock that guards nothing, longer than is waited out.
const CLOCK: &str = r#"call = "It stands for twenty minutes. Say: it stands."
answer = { kind = "clock", name = "tank", seconds = 1200, start = ["it stands"], started = "From now.", alarm = "Full." }"#;

/// What each is asked for, by name; nothing where they are asked for nothing.
fn holds(world: &World, name: &str) -> String {
    let hand = world.engine.state().people.iter().find(|hand| hand.name == name).unwrap();
    hand.current.map(|step| world.engine.job().step(step).id.clone()).unwrap_or_default()
}

#[test]
fn whoever_is_asked_to_wait_is_asked_for_nothing_else_until_they_say_that_it_is_over() {
    let mut one = cast::world(Move::single(filling(TO_BE_SAID)), alone(true));
    one.hear("done");
    one.pass_s(15 * 60);
    assert_eq!((one.step().as_str(), one.may_say().contains(&"full")), ("wait", true));
    assert!(one.is_open("mats") && one.is_open("beds"));
    let mut both = cast::world(Move::single(filling(TO_BE_SAID)), two(true));
    both.hear("done");
    assert_eq!((holds(&both, "Rowan"), holds(&both, "Imre")), ("wait".to_owned(), "beds".to_owned()));
    both.hear("imre done");
    both.pass_s(15 * 60);
    assert_eq!((holds(&both, "Rowan"), holds(&both, "Imre")), ("wait".to_owned(), String::new()), "mats are Rowan's");
}

#[test]
fn whoever_starts_a_long_clock_that_guards_nothing_is_asked_for_the_next_thing_at_once() {
    let mut one = cast::world(Move::single(filling(CLOCK)), alone(true));
    one.hear("done");
    assert_eq!(one.step(), "wait");
    one.hear("it stands");
    assert_eq!(one.step(), "mats");
    one.pass_s(60);
    one.hear("done");
    one.pass_s(60);
    one.hear("done");
    assert!(!one.is_open("mats") && !one.is_open("beds") && one.is_open("wait"), "all done while the clock runs");
    one.pass_s(18 * 60);
    assert!(!one.is_open("wait"), "it ends by itself");
}

fn work(wait: &str) -> Work {
    work_of(&[vec![&filling(wait)]], &[hand("Rowan", &[Role::Outside, Role::Inside])], &unknown())
}

#[test]
fn a_plan_leaves_hands_free_where_a_run_does_and_nowhere_else() {
    let lasts = |wait: &str| {
        let plan = planned(work(wait), by_ten(), &unknown(), 200);
        f64::from(plan.arranged.length * TICK_S) / 60.0
    };
    assert_eq!(work(TO_BE_SAID).chores[1].ways[0].people, [0]);
    assert!(work(CLOCK).chores[1].ways[0].people.is_empty());
    // A minute for the tap and one for the last look; 20 and 15 and 15 minutes one after the other, or side by side.
    let (said, clock) = (lasts(TO_BE_SAID), lasts(CLOCK));
    assert!((said - 52.0).abs() < 0.6 && (clock - 32.0).abs() < 0.6, "{said} {clock}");
}

/// Why the engine need not let whoever waits do something else: wherever a built-in routine has somebody wait and say that it is over,
/// there is sewage on their hands. A routine that is given a wait without that makes this fail; it then wants a clock.
#[test]
fn every_built_in_wait_is_with_sewage_on_the_hands_and_the_long_clocks_beside_leave_them_free() {
    let (mut waits, mut free) = (0, Vec::new());
    for rig in RIGS.map(cast::rig) {
        for name in ROUTINES {
            let routine = cast::routine(name, &rig);
            for (at, step) in routine.steps.iter().enumerate() {
                if step.wait {
                    let soiled = |step: &&Step| matches!(step.touches, Touches::Sewage | Touches::Soap);
                    let last = routine.steps[..at].iter().rev().find(soiled).map(|step| step.touches);
                    assert_eq!(last, Some(Touches::Sewage), "{name}/{}", step.id);
                    waits += 1;
                }
                if step.frees_hands() {
                    free.push(format!("{name}/{}", step.id));
                }
                if let Answer::Clock(clock) = &step.answer {
                    assert!(clock.hazard() || clock.length.as_secs() <= 60 || step.frees_hands(), "{name}/{}", step.id);
                }
            }
        }
    }
    free.sort_unstable();
    free.dedup();
    assert!(waits >= 6, "{waits}");
    let expected = ["generator/cooled", "sanitize/soak", "wake-up/sanitize/soak"];
    assert_eq!(free, expected, "an engine that cools, and four hours with bleach in the tank");
}

#[test]
fn a_plan_goes_on_with_the_rest_while_the_bleach_stands_for_four_hours() {
    let rig = cast::rig("travel-trailer");
    let (wake_up, evening) = (cast::routine("wake-up", &rig), cast::routine("evening-before", &rig));
    let work = work_of(&[vec![&wake_up, &evening]], &[hand("Rowan", &[])], &unknown());
    let held = work.chores.iter().position(|chore| chore.key == "sanitize/soak").unwrap();
    assert!(work.chores[held].ways.iter().all(|way| way.people.is_empty()));
    let plan = planned(work, by_ten(), &unknown(), 200);
    let (from, until) = plan.spans[held];
    assert_eq!(until.duration_since(from).as_secs(), 4 * 3_600, "a clock is not stretched");
    let meanwhile = plan.spans.iter().filter(|span| span.0 >= from && span.1 <= until).count();
    assert!(meanwhile > 5, "{meanwhile} steps while it stands");
}
