//! What those who know their part are not asked for: what is only announced, or was said in the same breath; and what they report before anybody
//! asks.

use crate::world::World;
use crate::world::cast::{self, RIGS, alone, carry_out, movement, restart, rig, two};
use crate::world::own::{self, at};
use proptest::prelude::*;
use sparehand::engine::event::{Event, HeardAs};
use sparehand::engine::input::Key;
use sparehand::engine::{Crew, Leg, Move, StepState};
use sparehand::rig::Stands;
use sparehand::routine::{Answer, Harm};
use sparehand::units::StationId;

/// Of a slide that is moved by two: the first was said at the step before, the second is only announced.
const TURNS: [&str; 3] = [
    "{ role = 'outside', given_by = 'way', say = ['clear to move'], halt = ['not clear'], \
     halt_reply = 'Nobody touches the switch. Then say: clear to move.' }",
    "{ role = 'inside', call = 'Hold the switch. Say: moving now.', short = 'Bring it in.', announced = true, say = ['moving now'], \
     halt = ['not moving'], halt_reply = 'Let go. Then say: clear to move.' }",
    "{ role = 'outside', call = 'When it rests, say: slide is home.', short = 'Slide is home?', say = ['slide is home'] }",
];

fn shed_text() -> String {
    let bay = at("bay", "outside");
    let cabin = at("cabin", "inside");
    let steps = [
        bay.done("gloves", "Put gloves on.", "gloves on").short("Gloves on?"),
        bay.state("cap", "Close the cap.", ("cap closed", "cap off"), "Close it.")
            .after(&["gloves"])
            .short("Cap?")
            .harm("flood"),
        bay.done("drain", "Let it run out.", "run out").after(&["cap"]),
        bay.done("bag", "Tie the bag.", "bag tied").after(&["drain"]).short("Bag tied?").with("single", "true"),
        at("rear", "outside")
            .state("left", "Look at the left one.", ("left lit", "left dark"), "Change it.")
            .named("left light")
            .after(&["bag"])
            .short("Left lit?")
            .harm("hurt"),
        at("slide", "outside")
            .state("way", "Look along the slide.", ("way clear", "something there"), "Clear it.")
            .named("way of the slide")
            .after(&["left"])
            .short("Way clear?")
            .harm("hurt"),
        at("slide", "either")
            .step("slide", "Now the slide. Outside, when all is clear, say: clear to move.")
            .after(&["way"])
            .short("Slide: clear to move?")
            .with("answer", &format!("{{ kind = 'both', turns = [{}] }}", TURNS.join(", ")))
            .harm("hurt")
            .with("together", "true")
            .with("needs", "['two-people']")
            .with("caution", "'Hands off the edges.'"),
        cabin.done("bed", "Make the bed.", "bed made").short("Bed made?").with("single", "true"),
        cabin
            .state("vent", "Shut the vent.", ("vent shut", "vent open"), "Shut it.")
            .short("Vent?")
            .with("single", "true"),
        cabin
            .state("stove", "Turn the stove off.", ("stove cold", "stove warm"), "Turn it off.")
            .after(&["bed"])
            .short("Stove?")
            .harm("hurt"),
        cabin
            .state("roof", "Crank the antenna down.", ("antenna down", "antenna up"), "Lower it.")
            .short("Antenna?")
            .harm("drop"),
    ];
    own::text("shed", "the shed", &steps)
}

fn look_text() -> String {
    let steps = [at("rear", "outside")
        .state("lamps", "Ask for all lights.", ("lights lit", "one is dark"), "Look at the plug.")
        .named("lights")
        .short("All lights?")
        .harm("hurt")
        .with("verifies", "['shed/left']")];
    own::text("look", "the look", &steps)
}

fn shed(crew: Crew) -> World {
    let people = crew.here.len();
    let legs = vec![
        Leg { routine: own::load_for(&shed_text(), people), after: Vec::new() },
        Leg { routine: own::load_for(&look_text(), people), after: vec!["shed".to_owned()] },
    ];
    let job = Move::join("tour", "the tour", "The tour is done.", legs).unwrap();
    cast::world(job, crew)
}

/// Says what is asked for until this step is.
fn until(world: &mut World, step: &str) {
    for _ in 0..60 {
        if cast::asked(world).iter().any(|(_, asked)| asked.step == step) {
            return;
        }
        cast::answer_one(world);
    }
    panic!("{step} was never asked for: {:?}", world.page);
}

#[test]
fn a_restart_rebuilds_signals_that_were_announced() {
    let mut world = shed(two(true));
    restart(&mut world, None);
    until(&mut world, "shed/way");
    restart(&mut world, None);
    until(&mut world, "look/lamps");
    restart(&mut world, None);
}

/// Rowan has just said that the way is clear: nobody asks whether it is clear to move. Imre is told to bring the slide in.
#[test]
fn what_was_said_in_the_same_breath_is_not_asked_and_an_announcement_needs_no_answer() {
    let mut world = shed(two(true));
    until(&mut world, "shed/way");
    while cast::asked(&world).len() > 1 {
        cast::answer_one(&mut world);
    }
    let before = world.page.len();
    world.hear("way clear");
    let said = world.page[before..].join("\n");
    assert_eq!(said, "Way clear. Hands off the edges.\nImre: Bring it in.\nRowan: Slide is home?");
    for halt in ["not clear", "not moving"] {
        assert!(world.may_say().contains(&halt), "{halt}");
    }
    world.hear("not moving");
    assert!(world.is_open("shed/slide"));
    world.hear("clear to move");
    world.hear("slide is home");
    assert!(!world.is_open("shed/slide"));
}

/// Whoever holds the switch hears from what hands must keep off, wherever they are.
#[test]
fn the_caution_of_a_signal_reaches_both_also_where_its_first_turn_was_given() {
    let mut world = shed(two(true));
    let imre = StationId(2);
    until(&mut world, "shed/way");
    while cast::asked(&world).len() > 1 {
        cast::answer_one(&mut world);
    }
    world.join(imre, &["Imre"]);
    world.hear("way clear");
    let said = world.stations[&imre].texts().join("\n");
    assert!(said.contains("Hands off the edges."), "{said}");
}

/// Nothing moves before somebody has said that they are ready: not at the first turn, and not once it was halted.
#[test]
fn after_a_halt_every_signal_that_ships_begins_with_a_question() {
    let mut halted = 0;
    for name in RIGS {
        for id in ["hitch-up", "arrive", "morning-outside"] {
            let rig = rig(name).taking_part(2);
            let mut world = cast::world(Move::single(cast::routine(id, &rig)), two(true));
            for _ in 0..400 {
                if world.ended {
                    break;
                }
                let both = |id: &str| {
                    let step = world.engine.routine().index_of(id)?;
                    match &world.engine.routine().steps[step].answer {
                        Answer::Both(both) => Some(both.clone()),
                        _ => None,
                    }
                };
                let signal = cast::asked(&world).iter().find_map(|(_, asked)| both(&asked.step));
                let halt = signal.as_ref().and_then(|both| {
                    let words = both.turns.iter().flat_map(|turn| &turn.halt);
                    words.filter(|halt| world.may_say().contains(&halt.as_str())).nth(halted % 2).cloned()
                });
                if let Some((signal, halt)) = signal.zip(halt) {
                    world.hear(&halt);
                    let first = &signal.turns[0].say[0];
                    assert!(
                        world.may_say().contains(&first.as_str()),
                        "{name}, {id}: after '{halt}': {:?}",
                        world.page.last()
                    );
                    halted += 1;
                }
                cast::answer_one(&mut world);
            }
        }
    }
    assert!(halted >= 20, "{halted}");
}

/// What comes with a caution is not settled by a report before it was said.
#[test]
fn a_report_of_what_has_a_caution_brings_the_caution_first() {
    let text = shed_text().replace("name = \"vent\"\n", "name = \"vent\"\ncaution = \"Mind the fan.\"\n");
    let job = Move::single(own::load(&text));
    let mut world = cast::world(job, two(true));
    world.hear("vent shut");
    assert!(world.is_open("vent"));
    assert!(world.page.join("\n").contains("Mind the fan."), "{:?}", world.page);
}

#[test]
fn after_a_pause_it_is_asked_whether_it_is_clear() {
    let mut world = shed(two(true));
    until(&mut world, "shed/way");
    while cast::asked(&world).len() > 1 {
        cast::answer_one(&mut world);
    }
    world.hear("way clear");
    world.hear("stand by");
    world.pass_s(600);
    world.hear("go ahead");
    assert!(world.may_say().contains(&"clear to move"), "{:?}", world.may_say());
}

#[test]
fn beginners_give_every_turn() {
    let mut world = shed(two(false));
    until(&mut world, "shed/slide");
    assert!(world.may_say().contains(&"clear to move"));
    world.hear("clear to move");
    assert!(world.may_say().contains(&"moving now"));
}

/// Whoever has an ear of their own halts a signal at another's turn.
#[test]
fn whoever_holds_the_switch_halts_it_from_their_own_phone() {
    let mut world = shed(two(true));
    let imre = StationId(2);
    until(&mut world, "shed/way");
    while cast::asked(&world).len() > 1 {
        cast::answer_one(&mut world);
    }
    world.hear("way clear");
    world.join(imre, &["Imre"]);
    let may_say = world.stations[&imre].may_say();
    assert!(may_say.contains(&"not moving"), "{may_say:?}");
    assert!(!may_say.contains(&"slide is home"));
}

#[test]
fn what_is_reported_unasked_is_settled_read_back_and_not_asked_for() {
    let mut world = shed(two(true));
    assert_eq!(cast::asked(&world)[1].1.step, "shed/bed", "{:?}", cast::asked(&world));
    world.hear("vent shut");
    assert!(!world.is_open("shed/vent"));
    assert_eq!(world.last_said(), "Vent shut.");
    assert_eq!(cast::asked(&world)[1].1.step, "shed/bed", "what was asked for is still asked for");
    restart(&mut world, None);
    until(&mut world, "look/lamps");
    let offered = |event: &&&Event| matches!(event, Event::StepOffered { step } if step == "shed/vent");
    assert_eq!(world.events().iter().filter(offered).count(), 0);
}

#[test]
fn a_report_of_what_can_hurt_brings_its_own_question_and_settles_nothing() {
    let mut world = shed(alone(true));
    world.hear("antenna down");
    assert!(world.is_open("shed/roof"));
    assert_eq!(world.step(), "shed/roof");
    world.hear("antenna down");
    assert!(!world.is_open("shed/roof"));
}

/// "Stove cold" may not be taken for the answer to another question that can hurt, nor the other way round.
#[test]
fn no_report_shares_a_word_with_the_answer_to_what_can_hurt_and_none_comes_before_its_time() {
    let world = shed(two(true));
    assert!(!world.may_say().contains(&"bag tied"), "the bag comes after the cap");
    assert!(!world.may_say().contains(&"stove cold"), "the stove comes after the bed");
    for name in RIGS {
        let mut world = cast::world(movement("leave", &rig(name).taking_part(2)), two(true));
        for _ in 0..150 {
            if world.ended {
                break;
            }
            let asked: Vec<String> = cast::asked(&world).into_iter().map(|(_, asked)| asked.step).collect();
            let step = |id: &String| world.engine.routine().index_of(id).map(|i| &world.engine.routine().steps[i]);
            let critical = asked.iter().filter_map(step).filter(|step| step.critical());
            let running = world.engine.state().clocks.keys().map(|&step| &world.engine.routine().steps[step]);
            let kept: Vec<String> = critical.chain(running).flat_map(|step| step.answer.phrases().concat()).collect();
            for report in reports(&world) {
                let tells = |word: &&str| !["is", "are", "the", "it", "a", "has", "all"].contains(word);
                for word in report.split_whitespace().filter(tells) {
                    let shared = kept.iter().find(|phrase| phrase.split_whitespace().any(|other| other == word));
                    assert_eq!(shared, None, "{name}, asked {asked:?}: {report}");
                }
            }
            cast::answer_one(&mut world);
        }
    }
}

/// What may be said now and is the answer to a step that nobody is asked for.
fn reports(world: &World) -> Vec<String> {
    let (state, steps) = (world.engine.state(), &world.engine.routine().steps);
    let asked: Vec<usize> =
        (0..steps.len()).filter(|&step| (0..state.people.len()).any(|person| state.asks_for(person, step))).collect();
    let wanted = |step: usize| match &steps[step].answer {
        Answer::Done { also } => also.clone(),
        Answer::State(state) => state.want.clone(),
        _ => Vec::new(),
    };
    let running = state.clocks.keys().copied();
    let answers: Vec<String> =
        asked.iter().copied().chain(running).flat_map(|step| steps[step].answer.phrases().concat()).collect();
    let others: Vec<String> = (0..steps.len()).filter(|step| !asked.contains(step)).flat_map(wanted).collect();
    let may_say = world.may_say().into_iter().map(str::to_owned);
    may_say.filter(|phrase| others.contains(phrase) && !answers.contains(phrase)).collect()
}

/// The fewest answers that leaving can do with as long as what can hurt is asked one by one: one for each such step,
/// two for a clock that guards something, one for each turn of a signal that is not announced.
#[test]
fn leaving_needs_an_answer_for_each_thing_that_can_hurt() {
    for (away, name) in [(&[] as &[&str], "everything out"), (&["water", "sewer"], "mains only")] {
        let job = movement("leave", &rig("motorhome-towed-car").taking_part(2));
        let mut things = cast::all_things(&job, Stands::Out);
        away.iter().for_each(|thing| things.tell(thing, Stands::Away));
        let mut world = World::around(cast::engine(job, two(true)).with_rig_state(things)).begin();
        carry_out(&mut world);
        let (job, state) = (world.engine.job(), world.engine.state());
        let answered = |step: &usize| matches!(state.steps[*step], StepState::Answered(_));
        let critical: Vec<usize> = job.work().filter(|&s| job.step(s).critical()).filter(answered).collect();
        let needed = |step: usize| match &job.step(step).answer {
            Answer::Clock(_) => 2,
            Answer::Both(both) => both.turns.iter().filter(|t| !t.announced && t.given_by.is_empty()).count(),
            _ => 1,
        };
        let given = |step: usize| {
            let of_step = |event: &&&Event| event.step() == Some(job.step(step).id.as_str());
            let answers = |event: &&&Event| {
                matches!(
                    event,
                    Event::StepAnswered { heard: HeardAs::Voice { .. } | HeardAs::Key, .. }
                        | Event::SignalGiven { heard: HeardAs::Voice { .. } | HeardAs::Key, .. }
                        | Event::ReadingTaken { heard: HeardAs::Voice { .. } | HeardAs::Key, .. }
                        | Event::ClockStarted { heard: HeardAs::Voice { .. } | HeardAs::Key, .. }
                        | Event::ClockEnded { heard: HeardAs::Voice { .. } | HeardAs::Key, .. }
                )
            };
            world.events().iter().filter(of_step).filter(answers).count()
        };
        for &step in &critical {
            assert!(given(step) >= needed(step), "{name}: {} was not answered", job.step(step).id);
        }
        let floor: usize = critical.iter().map(|&step| needed(step)).sum();
        let answers = world.page.iter().filter(|line| line.starts_with("        ")).count();
        println!("{name}: {answers} answers, {floor} of them for what can hurt");
    }
}

proptest! {
    #![proptest_config(crate::random_play::plays(64))]

    /// Whatever is said in whatever order, with restarts: nothing that can hurt is settled by the program alone, nor by a report.
    #[test]
    fn no_report_ever_settles_what_can_hurt(
        plays in proptest::collection::vec((0usize..400, 0u8..8), 1..100), both in any::<bool>(),
    ) {
        let people = if both { 2 } else { 1 };
        let crew = if both { two(true) } else { alone(true) };
        let mut world = cast::world(movement("leave", &rig("motorhome-towed-car").taking_part(people)), crew);
        for (n, kind) in plays {
            if world.ended {
                break;
            }
            let before = world.engine.state().steps.clone();
            let said = reports(&world);
            match kind {
                0..3 if !said.is_empty() => {
                    let phrase = said[n % said.len()].clone();
                    world.hear(&phrase);
                    let state = world.engine.state();
                    for (step, now) in state.steps.iter().enumerate() {
                        let it = &world.engine.routine().steps[step];
                        let same = *now == before[step] || it.harm == Harm::None || *now == StepState::Open;
                        prop_assert!(same, "{phrase} settled {}", it.id);
                    }
                }
                3 => restart(&mut world, Some(std::time::Duration::from_secs(1))),
                4 => world.press(Key::Other),
                _ => cast::answer_one(&mut world),
            }
        }
        for event in world.events() {
            if let Event::StepAnswered { step, heard: HeardAs::Clock, .. } = event {
                let it = &world.engine.routine().steps[world.engine.routine().index_of(step).unwrap()];
                prop_assert!(!it.critical() || matches!(it.answer, Answer::Clock(_)), "{}", it.id);
            }
        }
    }
}
