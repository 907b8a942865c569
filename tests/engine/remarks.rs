//! What past runs leave to be said: a note at its step, what had to be put right, a reading that moved.

use crate::world::cast::{self, alone, restart};
use crate::world::own::{self, at};
use crate::world::{World, english};
use sparehand::engine::event::{Event, Remark};
use sparehand::engine::output::VoiceSettings;
use sparehand::engine::{Engine, Leg, Move};

fn bay_text() -> String {
    let bay = at("bay", "either");
    let number = "{ kind = 'number', name = 'left front', unit = 'p s i', least = 90, most = 110, gauge = [60.0, 130.0], \
        resolution = 1, low_reply = 'Pump it up. Then say the number.' }";
    let steps = [
        bay.done("mat", "Stow the mat.", "mat stowed").short("Mat stowed?"),
        bay.state("valve", "Close it.", ("gray closed", "gray open"), "Push it in.")
            .named("gray valve")
            .short("Gray valve?"),
        bay.done("door", "Lock it.", "door locked").short("Door locked?"),
        at("wheel", "either")
            .step("tire", "Read it. Say the number.")
            .named("left front tire")
            .short("Tire?")
            .with("answer", number),
    ];
    own::text("bay", "the bay", &steps)
}

fn noted(step: &str, text: &str) -> Remark {
    Remark::Noted { step: step.to_owned(), text: text.to_owned() }
}

fn bay(remarks: &[Remark]) -> World {
    let job = Move::single(own::load(&bay_text()));
    World::around(cast::engine(job, alone(true)).with_remarks(remarks.to_vec())).begin()
}

#[test]
fn a_note_comes_back_at_its_step_in_one_clause_and_the_step_is_asked_by_itself() {
    let mut world = bay(&[noted("bay/valve", "it sticks")]);
    assert!(world.last_said().contains("Mat stowed? Door locked? All done?"), "{}", world.last_said());
    world.hear("all done");
    assert!(world.last_said().starts_with("Last time you noted: it sticks. Gray valve?"), "{}", world.last_said());
    world.hear("gray closed");
    assert_eq!(world.page.join("\n").matches("it sticks").count(), 1, "it is said once");
}

#[test]
fn done_with_that_takes_a_note_off_for_good() {
    let mut world = bay(&[noted("bay/valve", "it sticks"), noted("bay/tire", "slow leak")]);
    world.hear("all done");
    world.hear("done with that");
    assert_eq!(world.last_said(), "That note does not come back.");
    let done = world.events().into_iter().filter_map(|event| match event {
        Event::NoteDone { step, text, .. } => Some((step.clone(), text.clone())),
        _ => None,
    });
    assert_eq!(done.collect::<Vec<_>>(), [("bay/valve".to_owned(), "it sticks".to_owned())]);
    restart(&mut world, None);
    assert!(!world.last_said().contains("it sticks"), "{}", world.last_said());
    world.hear("done with that");
    assert_eq!(world.last_said(), "There is no note on this one.");
}

#[test]
fn what_had_to_be_put_right_last_time_is_said_once_and_asked_by_itself() {
    let put_right = Remark::PutRight { step: "bay/valve".to_owned(), answer: "gray open".to_owned() };
    let mut world = bay(&[put_right]);
    world.hear("all done");
    assert!(world.last_said().starts_with("Last time you first said: gray open. Gray valve?"), "{}", world.last_said());
}

#[test]
fn a_reading_is_said_against_its_last_value_where_it_moved() {
    let read = |value| Remark::Read { step: "bay/tire".to_owned(), value, decimals: 0, on: "October 4".to_owned() };
    let said = |last: i64| {
        let mut world = bay(&[read(last)]);
        world.hear("all done");
        world.hear("ninety eight");
        if world.may_say().contains(&"yes") {
            world.hear("yes");
        }
        world.page.join("\n")
    };
    assert!(said(101).contains("98 p s i. 3 down since October 4."), "{}", said(101));
    assert!(said(96).contains("98 p s i. 2 up since October 4."), "{}", said(96));
    assert!(!said(98).contains("since"), "it has not moved");
}

/// A note of a routine that was run by itself comes back in the move, and the other way round.
#[test]
fn a_step_is_the_same_in_a_move_and_by_itself() {
    let leg = Leg { routine: own::load(&bay_text()), after: Vec::new() };
    let other = bay_text().replace("id = \"bay\"", "id = \"shed\"");
    let job =
        Move::join("both", "both", "Done.", vec![leg, Leg { routine: own::load(&other), after: Vec::new() }]).unwrap();
    let engine =
        Engine::of_move(job, english(), VoiceSettings::default()).with_remarks(vec![noted("bay/valve", "it sticks")]);
    let world = World::around(engine.with_crew(alone(true))).begin();
    let state = world.engine.state();
    let at = |id: &str| state.remarks_at(world.engine.routine().index_of(id).unwrap()).count();
    assert_eq!((at("bay/valve"), at("shed/valve"), at("bay/mat")), (1, 0, 0));
}
