//! Waits: what a run asks of whoever waits, and that a plan reckons with nothing else.

use crate::plan_support::{by_ten, hand, planned, unknown, work_of};
use crate::world::cast::{self, RIGS, ROUTINES, alone, two};
use crate::world::own::{self, DONE, Step, at};
use sparehand::engine::Move;
use sparehand::plan::work::{TICK_S, Work};
use sparehand::rig::Role;
use sparehand::routine::{self, Answer, Routine, Touches};

/// A tap is opened, something goes on by itself, and there are beds to make meanwhile.
fn filling(wait: Step) -> Routine {
    let after_the_tap = |step: Step, minutes: &str| step.after(&["tap"]).with("minutes", minutes);
    let steps = [
        at("", "outside").step("tap", "Open the tap. Say: done.").with("answer", DONE),
        after_the_tap(wait, "20"),
        after_the_tap(at("", "outside").step("mats", "Roll up the mats. Say: done.").with("answer", DONE), "15"),
        after_the_tap(at("", "inside").step("beds", "Make the beds. Say: done.").with("answer", DONE), "15"),
    ];
    own::load(&own::text("fill", "the filling", &steps))
}

/// Somebody looks when it is full, and says so.
fn to_be_said() -> Step {
    let wait = at("", "outside").step("wait", "Let it fill. Then say: full.");
    wait.with("answer", "{ kind = 'done', also = ['full'] }").with("wait", "true")
}

/// A clock that guards nothing, longer than is waited out.
fn clock() -> Step {
    at("", "outside").step("wait", "It stands for twenty minutes. Say: it stands.").with(
        "answer",
        "{ kind = 'clock', name = 'tank', seconds = 1200, start = ['it stands'], started = 'From now.', alarm = 'Full.' }",
    )
}

#[test]
fn whoever_is_asked_to_wait_is_asked_for_nothing_else_until_they_say_that_it_is_over() {
    let mut one = cast::world(Move::single(filling(to_be_said())), alone(true));
    one.hear("done");
    one.pass_s(15 * 60);
    assert_eq!((one.step().as_str(), one.may_say().contains(&"full")), ("wait", true));
    assert!(one.is_open("mats") && one.is_open("beds"));
    let mut both = cast::world(Move::single(filling(to_be_said())), two(true));
    both.hear("done");
    assert_eq!((both.holds("Rowan"), both.holds("Imre")), ("wait".to_owned(), "beds".to_owned()));
    both.hear("imre done");
    both.pass_s(15 * 60);
    assert_eq!((both.holds("Rowan"), both.holds("Imre")), ("wait".to_owned(), String::new()), "mats are Rowan's");
}

#[test]
fn whoever_starts_a_long_clock_that_guards_nothing_is_asked_for_the_next_thing_at_once() {
    let mut one = cast::world(Move::single(filling(clock())), alone(true));
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

fn work(wait: Step) -> Work {
    work_of(&[vec![&filling(wait)]], &[hand("Rowan", &[Role::Outside, Role::Inside])], &unknown())
}

#[test]
fn a_plan_leaves_hands_free_where_a_run_does_and_nowhere_else() {
    let lasts = |wait: Step| {
        let plan = planned(work(wait), by_ten(), &unknown(), 200);
        f64::from(plan.arranged.length * TICK_S) / 60.0
    };
    assert_eq!(work(to_be_said()).chores[1].ways[0].people, [0]);
    assert!(work(clock()).chores[1].ways[0].people.is_empty());
    // A minute for the tap and one for the last look; 20 and 15 and 15 minutes one after the other, or side by side.
    let (said, clock) = (lasts(to_be_said()), lasts(clock()));
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
                    let soiled = |step: &&routine::Step| matches!(step.touches, Touches::Sewage | Touches::Soap);
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
