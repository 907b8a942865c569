//! How a step is put to people: the practised by its short form, beginners with how it is done; words to answer the first time that a kind of
//! answer comes; cautions, introductions and explanations once in a run; and how much is said in a whole run.

use std::collections::BTreeMap;

use crate::world::World;
use crate::world::cast::{self, RIGS, ROUTINES, alone, cards, carry_out, movement, rig, routine, two};
use crate::world::own::{self, anywhere};
use rstest::rstest;
use sparehand::engine::input::Key;
use sparehand::engine::practice::Opening;
use sparehand::engine::{Crew, Ending, Move};
use sparehand::routine::{Answer, Harm};

fn valves_text() -> String {
    let bay = anywhere();
    let steps = [
        bay.state("left", "Close the left valve.", ("left closed", "left open"), "Close it.")
            .named("left valve")
            .short("Left valve?")
            .harm("flood")
            .with("caution", "'It bites.'")
            .with("how", "'By hand, no tool.'")
            .with("check", "'It turns no further.'")
            .with("tested_by", "'a plumber'"),
        bay.state("right", "Close the right valve.", ("right closed", "right open"), "Close it.")
            .named("right valve")
            .short("Right valve?")
            .harm("flood")
            .with("caution", "'It bites.'")
            .with("how", "'By hand, no tool.'")
            .with("check", "'It turns no further.'"),
        bay.state("after", "Open the cap.", ("cap off", "cap stuck"), "Turn it.")
            .named("what hangs on the left valve")
            .after(&["left"])
            .short("Cap off?")
            .harm("flood"),
    ];
    own::text("valves", "the valves", &steps)
}

/// No harm can come of the left one.
fn harmless_text() -> String {
    valves_text().replacen("harm = \"flood\"\n", "", 1).replace("tested_by = 'a plumber'\n", "")
}

fn valves(crew: Crew) -> World {
    cast::world(Move::single(own::load(&valves_text())), crew)
}

#[test]
fn the_practised_hear_the_short_form_and_the_words_to_answer_once_for_each_kind_of_answer() {
    let mut world = valves(alone(true));
    assert_eq!(world.last_said(), "Left valve? Say: left closed, or left open.");
    world.hear("left closed");
    assert_eq!(world.last_said(), "Left closed. Right valve?");
    world.hear("what can i answer");
    assert!(
        world.last_said().starts_with("Say: right closed, or right open, or cannot be tested. Or:"),
        "{}",
        world.last_said()
    );
}

#[test]
fn whoever_missed_the_words_is_told_them_and_say_again_brings_the_whole_call() {
    let mut world = valves(alone(true));
    world.hear("left closed");
    world.pass_s(5);
    world.tell(sparehand::engine::input::Input::SpeechUnclear);
    assert_eq!(world.last_said(), "Say again: right closed, or right open?");
    world.hear("say again");
    assert_eq!(world.last_said(), "It bites. Close the right valve. Say: right closed, or right open.");
}

#[test]
fn a_beginner_hears_what_to_do_and_how_and_how_one_knows_where_how_was_told_before() {
    let mut world = valves(alone(false));
    assert_eq!(world.last_said(), "Close the left valve. By hand, no tool. Say: left closed, or left open.");
    world.hear("left closed");
    assert_eq!(
        world.last_said(),
        "Left closed. Close the right valve. You'll know when it turns no further. Say: right closed, or right open."
    );
}

#[test]
fn a_caution_an_introduction_and_what_comes_first_are_said_once_in_a_run() {
    let mut world = valves(two(true));
    carry_out(&mut world);
    let page = world.page.join("\n");
    for text in ["It bites.", "Begin.", "The maker's manual, local rules and licensed people come before me."] {
        assert_eq!(page.matches(text).count(), 1, "{text} in {page}");
    }
}

#[test]
fn whoever_has_just_answered_is_asked_on_without_their_name_and_another_with_it() {
    let mut world = valves(two(true));
    world.hear("left closed");
    assert_eq!(world.last_said(), "Left closed. Right valve?");
}

/// A rig that tows nothing is not told that it is hitched.
#[test]
fn a_routine_of_which_the_rig_has_nothing_is_neither_introduced_nor_called_complete() {
    let mut world = cast::world(movement("leave", &rig("van-no-sewer").taking_part(1)), alone(true));
    carry_out(&mut world);
    let page = world.page.join("\n").to_lowercase();
    assert!(!page.contains("hitch"), "{page}");
}

#[test]
fn what_cannot_be_tested_stays_open_holds_back_what_hangs_on_it_and_is_named_at_the_gate_with_who_must_do_it() {
    let mut world = valves(alone(true));
    world.hear("cannot be tested");
    assert!(
        world.last_said().starts_with("Left valve: still to be done; a plumber must test it."),
        "{}",
        world.last_said()
    );
    world.hear("right closed");
    assert_eq!(world.engine.state().ended, None);
    assert!(world.is_open("left") && world.is_open("after"), "what hangs on it was not asked for");
    let held = world.page.join("\n");
    assert!(
        held.contains("Not complete. Not done yet: left valve by a plumber, what hangs on the left valve."),
        "{held}"
    );
    world.hear("go ahead");
    world.hear("left closed");
    world.hear("cap off");
    world.pass_s(60);
    assert_eq!(world.engine.state().ended, Some(Ending::Completed));
}

#[test]
fn what_cannot_be_tested_is_only_ended_over_with_the_whole_sentence_and_survives_a_restart() {
    let mut world = valves(alone(true));
    world.hear("cannot be tested");
    cast::restart(&mut world, None);
    world.hear("right closed");
    assert!(world.may_say().contains(&"override my responsibility"), "{:?}", world.may_say());
    world.hear("override my responsibility");
    world.pass_s(60);
    assert_eq!(world.engine.state().ended, Some(Ending::Overridden));
    assert!(world.page.join("\n").contains("Not done: left valve, what hangs on the left valve."));
}

#[test]
fn a_step_that_can_do_no_harm_and_a_card_know_no_cannot_be_tested() {
    let world = cast::world(Move::single(own::load(&harmless_text())), alone(true));
    assert!(!world.may_say().contains(&"cannot be tested"));
    let rig = rig("motorhome-towed-car");
    let mut world = cast::world(Move::single(routine("tank-dump", &rig)).with_cards(&cards(&rig)), alone(true));
    world.press(Key::Confirm);
    assert!(world.may_say().contains(&"cannot be tested"), "{:?}", world.may_say());
    world.hear("tank overflow");
    world.pass_s(20);
    assert!(!world.may_say().contains(&"cannot be tested"), "{:?}", world.may_say());
    world.hear("skip");
    assert!(world.last_said().starts_with("That is not skipped."), "{}", world.last_said());
}

/// Wherever it is said, something is asked to the end: what hangs on it is passed over, and the last gate holds.
#[test]
fn a_run_in_which_a_step_cannot_be_tested_is_never_silent() {
    let mut tried = 0;
    for (name, people) in [("motorhome-towed-car", 1), ("motorhome-towed-car", 2), ("travel-trailer", 1)] {
        let rig = rig(name).taking_part(people);
        let dump = routine("tank-dump", &rig);
        for step in dump.steps.iter().filter(|step| step.critical()) {
            let crew = if people == 1 { alone(true) } else { two(true) };
            let mut world = cast::world(Move::single(routine("tank-dump", &rig)), crew);
            let mut said = false;
            for _ in 0..120 {
                let asked = cast::asked(&world).iter().any(|(_, asked)| asked.step == step.id);
                if asked && world.may_say().contains(&"cannot be tested") {
                    world.hear("cannot be tested");
                    said = true;
                }
                world.press(Key::ClockOver);
                world.press(Key::Confirm);
                world.pass_s(20);
            }
            if !said {
                continue;
            }
            tried += 1;
            let asked = cast::asked(&world);
            let at_a_gate = asked.iter().any(|(_, asked)| asked.step == "gate" || asked.step.ends_with("/gate"));
            let ended = world.engine.state().ended;
            assert!(
                ended.is_none() && at_a_gate,
                "{name}, {people}, {}: {asked:?}, open {:?}",
                step.id,
                cast::open(&world)
            );
        }
    }
    assert!(tried >= 12, "{tried}");
}

#[test]
fn correction_takes_back_that_a_step_cannot_be_tested() {
    let mut world = valves(alone(true));
    world.hear("cannot be tested");
    world.hear("correction");
    world.pass_s(5);
    assert!(world.may_say().contains(&"left closed"), "{:?}", world.may_say());
    world.hear("left closed");
    assert!(!world.is_open("left"));
}

/// The words are an answer like any other where no harm can come of it.
#[test]
fn what_no_harm_can_come_of_may_have_the_same_words_for_its_other_state() {
    let text = harmless_text().replacen("other = [\"left open\"]", "other = [\"cannot be tested\"]", 1);
    let mut world = cast::world(Move::single(own::load(&text)), alone(true));
    world.hear("cannot be tested");
    assert!(world.last_said().contains("Close it."), "{}", world.last_said());
    world.hear("left closed");
    assert!(!world.is_open("left"));
}

/// A tornado is no time for chores, and a big fire none for valves and breakers.
#[rstest]
#[case("storm is coming", "tornado warning", "lowest room of a solid building")]
#[case("storm is coming", "thunder near", "thirty minutes after the last thunder")]
#[case("there is a fire", "fire is big", "Nobody goes back in until the fire department says so")]
fn a_card_ends_where_nobody_may_go(#[case] start: &str, #[case] answer: &str, #[case] told: &str) {
    let rig = rig("motorhome-towed-car");
    let mut world = cast::world(Move::single(routine("stop", &rig)).with_cards(&cards(&rig)), alone(true));
    world.hear(start);
    for _ in 0..60 {
        if world.may_say().contains(&answer) {
            break;
        }
        world.pass_s(1);
    }
    let before = world.page.len();
    world.hear(answer);
    world.quiet();
    assert_eq!(world.engine.state().card, None, "no chores after {answer}");
    assert!(world.page[before..].join(" ").contains(told), "{:?}", &world.page[before..]);
}

#[test]
fn what_a_card_tells_is_explained_to_a_beginner() {
    let rig = rig("motorhome-towed-car");
    let said = |practised: bool| {
        let mut world = cast::world(Move::single(routine("stop", &rig)).with_cards(&cards(&rig)), alone(practised));
        world.hear("smell of gas");
        world.pass_s(120);
        world.page.join("\n")
    };
    let how = "A switch that goes off sparks like one that goes on.";
    assert!(said(false).contains(how) && !said(true).contains(how));
}

/// While one moves a slide the other watches it and gets nothing else to do; whoever is alone gives themselves no signals.
#[test]
fn who_takes_part_decides_how_a_slide_is_moved_and_not_who_stands_in_the_rig_file() {
    for name in ["motorhome-towed-car", "fifth-wheel"] {
        let of = |people: usize| routine("morning-outside", &rig(name).taking_part(people));
        let slides = |routine: &sparehand::routine::Routine| {
            let moved = routine.steps.iter().filter(|step| step.id.starts_with("slide-in"));
            moved.map(|step| matches!(step.answer, Answer::Both(_))).collect::<Vec<_>>()
        };
        assert!(slides(&of(2)).iter().all(|&both| both) && !slides(&of(2)).is_empty(), "{name}");
        assert!(!slides(&of(1)).iter().any(|&both| both) && !slides(&of(1)).is_empty(), "{name}");
    }
    for name in RIGS {
        let mut world = cast::world(movement("leave", &rig(name).taking_part(1)), alone(true));
        carry_out(&mut world);
        let page = world.page.join("\n");
        assert!(!page.contains("clear to move") && !page.contains("Spotter:"), "{name}: {page}");
    }
}

/// Drivers drive and press pedals; who watches is told to ask for it. Common practice, no source.
#[test]
fn a_spotter_is_never_told_to_drive_or_to_press_a_pedal() {
    for (name, people) in RIGS.iter().flat_map(|name| [(name, 1), (name, 2)]) {
        let rig = rig(name).taking_part(people);
        for id in ROUTINES {
            for step in routine(id, &rig).steps {
                let told = [&step.call, &step.short].map(|text| text.to_lowercase());
                let drives = ["foot on the", "pull ahead", "back up", "roll at", "drive the"];
                let spots = step.role == sparehand::rig::Role::Spotter;
                assert!(
                    !(spots && drives.iter().any(|word| told.iter().any(|text| text.contains(word)))),
                    "{id}/{}",
                    step.id
                );
            }
        }
    }
}

/// The bar of the project: what a beginner hears of one step, its caution included.
#[test]
fn a_step_takes_a_beginner_forty_five_words_at_most() {
    let mut long = Vec::new();
    for (name, people) in RIGS.iter().flat_map(|name| [(name, 1), (name, 2)]) {
        let rig = rig(name).taking_part(people);
        for id in ROUTINES {
            for step in routine(id, &rig).steps {
                let words: usize =
                    [&step.caution, &step.call, &step.how].iter().map(|text| text.split_whitespace().count()).sum();
                if words > 45 {
                    long.push(format!("{id}/{}: {words}", step.id));
                }
            }
        }
    }
    long.sort();
    long.dedup();
    assert!(long.is_empty(), "{long:?}");
}

/// One phrase settles one thing: "black closed" speaks of the black valve in every step that it settles, "sewer hose off" of no other hose.
#[test]
fn one_phrase_settles_one_thing() {
    for name in RIGS {
        let rig = rig(name).taking_part(2);
        for id in ROUTINES {
            let mut settles: BTreeMap<String, String> = BTreeMap::new();
            for step in routine(id, &rig).steps {
                // What is there for each slide or animal is one thing.
                if let Answer::Done { also } = &step.answer
                    && step.each.is_empty()
                {
                    for phrase in also {
                        let thing = step.name.clone();
                        let other = settles.insert(phrase.clone(), thing.clone());
                        let same = other.as_ref().is_none_or(|other| {
                            *other == thing
                                || ["gloves", "run out", "it has stopped"].iter().any(|word| phrase.contains(word))
                        });
                        assert!(same, "{id}: '{phrase}' settles {other:?} and {thing}");
                    }
                }
            }
        }
    }
}

/// The practised who have heard today what comes before anything that is said here do not hear it again; what the routine itself begins
/// with is said each time.
#[test]
fn what_comes_first_is_left_out_where_it_was_heard_today() {
    let opened = |opening| {
        let dump = routine("tank-dump", &rig("motorhome-towed-car").taking_part(2));
        let engine = sparehand::engine::Engine::new(dump, crate::world::english(), Default::default());
        let mut world = World::around(engine.with_crew(two(true)).with_opening(opening)).begin();
        world.quiet();
        world.page.join("\n")
    };
    let (full, heard) = (opened(Opening::InFull), opened(Opening::HeardToday));
    assert!(full.starts_with("The maker's manual, local rules and licensed people come before me. "), "{full}");
    assert!(!heard.contains("come before me"), "{heard}");
    assert!(heard.contains("Gloves, no bare hands"), "{heard}");
}

/// Each critical step names a harm, and every kind of harm is named somewhere.
#[test]
fn every_kind_of_harm_is_named_in_the_routines() {
    let rig = rig("motorhome-towed-car");
    let mut kinds: BTreeMap<String, usize> = BTreeMap::new();
    for id in ROUTINES {
        for step in routine(id, &rig).steps {
            *kinds.entry(format!("{:?}", step.harm)).or_default() += 1;
        }
    }
    for harm in [Harm::Hurt, Harm::Flood, Harm::Drop, Harm::RunAway] {
        assert!(kinds.contains_key(&format!("{harm:?}")), "{kinds:?}");
    }
}

fn words_and_answers(name: &str, crew: Crew) -> (usize, usize) {
    let people = crew.here.len();
    let mut world = cast::world(movement("leave", &rig(name).taking_part(people)), crew);
    carry_out(&mut world);
    world.quiet();
    let page = world.page.join("\n");
    let (answers, said): (Vec<&str>, Vec<&str>) = page.lines().partition(|line| line.starts_with("        "));
    (said.iter().map(|line| line.split_whitespace().count()).sum(), answers.len())
}

/// The bars of the project for the whole of leaving, counted as they were: every word of the page but what people answer.
#[rstest]
#[case::motorhome_practised("motorhome-towed-car", true, 1_200)]
#[case::motorhome_beginner("motorhome-towed-car", false, 3_200)]
#[case::van_practised("van-no-sewer", true, 420)]
fn leaving_takes_no_more_words_than_a_good_coach_needs(
    #[case] name: &str,
    #[case] practised: bool,
    #[case] most: usize,
) {
    let (words, answers) = words_and_answers(name, two(practised));
    println!("{name}, practised {practised}: {words} words, {answers} answers");
    assert!(words <= most, "{words} words in {answers} answers, at most {most}");
}

/// What is aimed at for the whole of leaving by two who know it: 60 answers, 42 where only the mains were connected, 900 words.
#[rstest]
#[case::everything_out(&[], 60)]
#[case::mains_only(&["water", "sewer"], 42)]
#[ignore = "not reached: most of leaving is single challenges of what can hurt; run with --run-ignored all to see the figures"]
fn leaving_takes_the_practised_as_many_answers_as_they_need(#[case] away: &[&str], #[case] most: usize) {
    let job = movement("leave", &rig("motorhome-towed-car").taking_part(2));
    let mut things = cast::all_things(&job, sparehand::rig::Stands::Out);
    away.iter().for_each(|thing| things.tell(thing, sparehand::rig::Stands::Away));
    let engine = sparehand::engine::Engine::of_move(job, crate::world::english(), Default::default());
    let mut world = World::around(engine.with_crew(two(true)).with_rig_state(things)).begin();
    carry_out(&mut world);
    world.quiet();
    let page = world.page.join("\n");
    let (answers, said): (Vec<&str>, Vec<&str>) = page.lines().partition(|line| line.starts_with("        "));
    let words: usize = said.iter().map(|line| line.split_whitespace().count()).sum();
    println!("away {away:?}: {words} words, {} answers, {} changes of place", answers.len(), cast::walks(&world));
    assert!(answers.len() <= most && words <= 900, "{} answers, {words} words", answers.len());
}
