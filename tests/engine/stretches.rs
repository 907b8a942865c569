//! Several steps in one call: what may be asked for so, how it is answered, and how much it saves.

use crate::world::World;
use crate::world::cast::{self, RIGS, alone, carry_out, movement, person, restart, rig, two};
use crate::world::own::{self, at};
use proptest::prelude::*;
use sparehand::engine::event::Event;
use sparehand::engine::input::Key;
use sparehand::engine::{Crew, Ending, Move};
use sparehand::rig::Role;
use sparehand::routine::{Answer, Touches};

fn galley_text(role: &'static str) -> String {
    let galley = at("galley", role);
    let steps = [
        galley.done("tops", "Clear the worktops.", "tops clear").named("worktops").short("Worktops clear?"),
        galley
            .state("drawers", "Shut the drawers.", ("drawers shut", "drawers open"), "Shut them.")
            .after(&["tops"])
            .short("Drawers shut?"),
        galley
            .state("stove", "Turn every knob off.", ("stove off", "stove on"), "Turn it off.")
            .short("Stove off?")
            .harm("hurt"),
        galley.done("bin", "Empty the bin.", "bin empty").short("Bin empty?"),
        at("entry", "either").done("mat", "Stow the mat.", "mat stowed").short("Mat stowed?"),
    ];
    own::text("galley", "the galley", &steps)
}

fn galley(crew: Crew) -> World {
    cast::world(Move::single(own::load(&galley_text("either"))), crew)
}

fn answered(world: &World) -> Vec<String> {
    let step = |event: &&Event| match event {
        Event::StepAnswered { step, answer, .. } => Some(format!("{step}: {answer}")),
        _ => None,
    };
    world.events().iter().filter_map(step).collect()
}

#[test]
fn what_cannot_hurt_in_one_place_is_one_call_for_the_practised_and_recorded_one_by_one() {
    let mut world = galley(alone(true));
    assert_eq!(
        world.last_said(),
        "Worktops clear? Drawers shut? Bin empty? All done? Say: all done, or: all but, and which."
    );
    world.hear("all done");
    assert_eq!(answered(&world), ["tops: tops clear", "drawers: drawers shut", "bin: bin empty"]);
    assert_eq!((world.step(), world.last_said()), ("stove".to_owned(), "Stove off? Say: stove off, or stove on."));
}

#[test]
fn a_beginner_is_asked_one_by_one() {
    let world = galley(alone(false));
    assert_eq!(world.step(), "tops");
    assert!(!world.may_say().contains(&"all done"));
}

#[test]
fn what_is_named_as_left_out_is_read_back_and_asked_by_itself() {
    let mut world = galley(alone(true));
    world.hear("all but drawers");
    assert_eq!(answered(&world), ["tops: tops clear", "bin: bin empty"]);
    assert!(world.last_said().starts_with("All but drawers. Drawers shut?"), "{}", world.last_said());
    assert!(!world.may_say().contains(&"all done"), "it is asked by itself now");
    world.hear("drawers open");
    assert!(world.is_open("drawers"));
    world.hear("drawers shut");
    assert_eq!(world.step(), "stove");
}

#[test]
fn two_may_be_left_out_and_are_asked_one_after_the_other() {
    let mut world = galley(alone(true));
    world.hear("all but worktops and bin");
    assert!(answered(&world).is_empty(), "the drawers hang on the worktops, whatever was said");
    assert_eq!(world.step(), "tops");
    world.hear("tops clear");
    world.hear("drawers shut");
    world.hear("stove off");
    assert_eq!(world.step(), "bin", "{:?}", world.page);
}

#[test]
fn each_may_be_reported_by_its_own_words_and_done_alone_says_nothing_of_any() {
    let mut world = galley(alone(true));
    world.hear("bin empty");
    assert_eq!(answered(&world), ["bin: bin empty"]);
    assert!(!world.may_say().contains(&"done"), "of which?");
    world.hear("all done");
    assert_eq!(answered(&world).len(), 3);
}

#[test]
fn what_hangs_on_another_of_the_stretch_is_not_reported_before_it() {
    let mut world = galley(alone(true));
    assert!(!world.may_say().contains(&"drawers shut"), "the worktops come first");
    world.hear("tops clear");
    assert_eq!(answered(&world), ["tops: tops clear"]);
    world.hear("drawers shut");
    assert_eq!(answered(&world), ["tops: tops clear", "drawers: drawers shut"]);
}

/// The last one of a stretch is asked for by itself, and does not wait in silence for an answer that nobody is asked for.
#[test]
fn of_two_in_a_stretch_the_other_is_asked_for_once_one_is_reported() {
    let mut world = galley(alone(true));
    world.hear("all but drawers and bin");
    let mut world_of_two = galley(alone(true));
    world_of_two.hear("tops clear");
    world_of_two.hear("bin empty");
    assert!(
        world_of_two.last_said().ends_with("Drawers shut? Say: drawers shut, or drawers open."),
        "{}",
        world_of_two.last_said()
    );
    assert!(!world_of_two.may_say().contains(&"all done"));
    assert_eq!(world.step(), "drawers");
}

#[test]
fn a_stretch_is_answered_by_key_with_each_number_leaving_one_out() {
    let mut world = galley(alone(true));
    world.press(Key::Choice(3));
    assert_eq!(answered(&world), ["tops: tops clear", "drawers: drawers shut"]);
    assert_eq!(world.step(), "bin");
    let mut world = galley(alone(true));
    world.press(Key::Confirm);
    assert_eq!(answered(&world).len(), 3);
}

#[test]
fn i_cannot_do_that_in_a_stretch_has_each_asked_for_by_itself() {
    let mut world = galley(alone(true));
    world.hear("i cannot do that");
    assert!(answered(&world).is_empty());
    assert_eq!(world.step(), "tops");
    world.hear("tops clear");
    world.hear("drawers shut");
    world.hear("i cannot do that");
    assert!(world.is_open("bin") || world.is_open("stove"), "{:?}", world.page);
    assert_eq!(world.events().iter().filter(|event| matches!(event, Event::CannotDo { .. })).count(), 1);
}

#[test]
fn correction_opens_what_was_answered_last_and_a_restart_rebuilds_a_stretch() {
    let mut world = galley(alone(true));
    restart(&mut world, None);
    assert!(world.last_said().contains("Worktops clear? Drawers shut? Bin empty? All done?"), "{}", world.last_said());
    world.hear("all done");
    world.hear("correction");
    assert!(world.is_open("bin") && !world.is_open("drawers"));
    assert!(!world.may_say().contains(&"all done"));
}

/// Two at one ear, both in a stretch: whose "all done" it is, is asked.
#[test]
fn of_two_in_a_stretch_each_answers_for_themselves() {
    let text = galley_text("inside");
    let more = "[[section.step]]\nid = 'a1'\nname = 'chairs'\nwhere = 'lawn'\nrole = 'outside'\ncall = 'Stow the chairs. Say: chairs in.'\nanswer = { kind = 'done', also = ['chairs in'] }\n\
                [[section.step]]\nid = 'a2'\nname = 'grill'\nwhere = 'lawn'\nrole = 'outside'\ncall = 'Stow the grill. Say: grill in.'\nanswer = { kind = 'done', also = ['grill in'] }\n";
    let text = text.replace("[[section.step]]\nid = \"mat\"", &format!("{more}[[section.step]]\nid = \"mat\""));
    let crew = Crew {
        here: vec![person("Rowan", &[Role::Outside], true), person("Imre", &[Role::Inside], true)],
        away: Vec::new(),
    };
    let mut world = cast::world(Move::single(own::load(&text)), crew);
    world.hear("all done");
    assert_eq!(world.last_said(), "Who said that? Rowan, or Imre?");
    world.hear("imre");
    assert!(!world.is_open("tops") && world.is_open("a1"));
    world.hear("all done");
    assert!(!world.is_open("a1") && !world.is_open("a2"));
}

/// Whatever is run: nothing that can hurt is in a stretch, nor two places, nor what is another's.
#[test]
fn no_stretch_holds_what_can_hurt_or_two_places() {
    let mut stretches = 0;
    for (name, people) in RIGS.iter().flat_map(|name| [(name, 1), (name, 2)]) {
        let crew = if people == 1 { alone(true) } else { two(true) };
        let mut world = cast::world(movement("leave", &rig(name).taking_part(people)), crew);
        carry_out(&mut world);
        assert_eq!(world.engine.state().ended, Some(Ending::Completed));
        let job = world.engine.job();
        for event in world.events() {
            let Event::StretchOffered { steps } = event else { continue };
            stretches += 1;
            let steps: Vec<_> = steps.iter().map(|id| job.step(job.index_of(id).unwrap())).collect();
            for step in &steps {
                assert!(!step.critical() && step.touches == Touches::Nothing, "{}", step.id);
                assert!(matches!(step.answer, Answer::Done { .. } | Answer::State(_)), "{}", step.id);
                assert_eq!((&step.place, step.role), (&steps[0].place, steps[0].role), "{}", step.id);
            }
        }
    }
    assert!(stretches >= 10, "{stretches}");
}

proptest! {
    #![proptest_config(crate::random_play::plays(64))]

    /// An answer for several never settles what was not in the call, nor what can hurt.
    #[test]
    fn an_answer_for_several_settles_only_what_was_asked_for(
        plays in proptest::collection::vec((0usize..60, 0u8..6), 1..120), practised in any::<bool>(),
    ) {
        let mut world = cast::world(movement("leave", &rig("motorhome-towed-car").taking_part(1)), alone(practised));
        for (n, kind) in plays {
            if world.ended {
                break;
            }
            let asked = world.engine.state().people[0].stretch.clone();
            let before = world.engine.state().steps.clone();
            let set = world.set.clone();
            let phrase = set.phrases.iter().filter(|p| ["all done", "all but", "all except"].iter().any(|w| p.text.starts_with(w))).nth(n % 20).map(|p| p.text.clone());
            match phrase {
                Some(phrase) if kind > 3 => {
                    world.hear(&phrase);
                    for (step, state) in world.engine.state().steps.iter().enumerate() {
                        let it = &world.engine.routine().steps[step];
                        // A clock that ends by itself, and the gate behind it, go their own way meanwhile.
                        let by_itself = matches!(it.answer, Answer::Clock(_) | Answer::Gate);
                        let same = *state == before[step] || by_itself;
                        prop_assert!(same || (asked.contains(&step) && !it.critical()), "{phrase}: {}", it.id);
                    }
                }
                _ => cast::answer_one(&mut world),
            }
        }
    }
}
