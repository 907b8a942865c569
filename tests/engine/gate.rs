//! The gate and its override, the last look, long pauses, emergency cards, and rehearsing.

use std::time::Duration;

use crate::world::World;
use crate::world::cast::{self, alone, cards, restart, rig, routine, two};
use crate::world::own;
use sparehand::engine::event::Event;
use sparehand::engine::input::{Away, Certainty, Input, Key};
use sparehand::engine::joined::MoveError;
use sparehand::engine::output::{AlarmSignal, Priority, VoiceSettings};
use sparehand::engine::{Ending, Engine, Leg, Move};

/// A step: id, place, answer phrases, and more fields.
fn state(id: &str, place: &str, more: &str) -> String {
    format!(
        "[[section.step]]\nid = '{id}'\nname = '{id} step'\nwhere = '{place}'\ncall = 'Look at {id}. Say: {id} shut, or {id} wide.'\n\
         answer = {{ kind = 'state', want = ['{id} shut'], other = ['{id} wide'], other_reply = 'Shut {id}. Then say: {id} shut.' }}\n\
         harm = 'hurt'\n{more}\n"
    )
}

fn done(id: &str, place: &str, more: &str) -> String {
    format!(
        "[[section.step]]\nid = '{id}'\nname = '{id} step'\nwhere = '{place}'\ncall = 'Do {id}. Say: done.'\n\
         answer = {{ kind = 'done' }}\n{more}\n"
    )
}

fn part(id: &str, steps: &[String]) -> sparehand::routine::Routine {
    let gate = "[[section.step]]\nid = 'gate'\nname = 'gate'\ncall = 'Last look.'\nanswer = { kind = 'gate' }\n";
    own::load(&format!(
        "id = '{id}'\ntitle = 'the {id}'\nintro = 'Now {id}.'\ncomplete = '{id} complete.'\n[[section]]\nid = 's'\ntitle = '{id} things'\n{}{gate}",
        steps.concat()
    ))
}

fn leg(routine: sparehand::routine::Routine, after: &[&str]) -> Leg {
    Leg { routine, after: after.iter().map(|id| (*id).to_owned()).collect() }
}

fn doors_and_car() -> Move {
    let doors =
        part("doors", &[state("hatch", "left", "again = true"), done("mat", "right", ""), state("flap", "left", "")]);
    let car = part("car", &[done("keys", "cab", "")]);
    Move::join("both", "both of them", "All of it complete.", vec![leg(doors, &[]), leg(car, &["doors"])]).unwrap()
}

fn go(world: &mut World, phrases: &[&str]) {
    phrases.iter().for_each(|phrase| world.hear(phrase));
}

#[test]
fn a_move_goes_from_routine_to_routine_and_says_which() {
    let mut world = cast::world(doors_and_car(), alone(true));
    go(&mut world, &["hatch shut", "flap shut", "done"]);
    assert_eq!(world.last_said(), "doors complete. Now car. Do keys. Say: done.");
    assert_eq!(world.step(), "car/keys");
}

#[test]
fn the_nearest_step_is_offered_first() {
    let mut world = cast::world(doors_and_car(), alone(true));
    world.hear("hatch shut");
    assert_eq!(world.step(), "doors/flap", "the flap is where they stand, the mat is not");
}

#[test]
fn routines_that_wait_for_each_other_are_refused_by_name() {
    let one = part("one", &[done("a", "x", "after = ['two/b']")]);
    let two = part("two", &[done("b", "x", "after = ['one/a']")]);
    let error = Move::join("m", "m", "M.", vec![leg(one, &[]), leg(two, &[])]).unwrap_err();
    assert!(matches!(&error, MoveError::Cycle { steps, .. } if steps.contains("one/a, ") && steps.contains("two/b")));
    let unknown = Move::join("m", "m", "M.", vec![leg(part("one", &[done("a", "x", "")]), &["nowhere"])]);
    assert_eq!(
        unknown.unwrap_err().to_string(),
        "move 'm': routine 'one' comes after 'nowhere', expected a routine of this move"
    );
}

#[test]
fn a_step_waits_for_a_step_of_another_routine() {
    let one = part("one", &[done("a", "x", "after = ['two/b']"), done("c", "x", "")]);
    let two = part("two", &[done("b", "x", "")]);
    let job = Move::join("m", "m", "M.", vec![leg(one, &[]), leg(two, &[])]).unwrap();
    let mut world = cast::world(job, alone(true));
    assert_eq!(world.step(), "one/c");
    world.hear("done");
    assert_eq!(world.step(), "two/b");
    world.hear("done");
    assert_eq!(world.step(), "one/a");
}

#[test]
fn what_is_marked_is_asked_once_more_before_the_last_gate_and_needs_its_state() {
    let mut world = cast::world(doors_and_car(), alone(true));
    go(&mut world, &["hatch shut", "flap shut", "done", "done"]);
    assert_eq!(
        world.last_said(),
        "Last look. What matters most, once more. Once more: hatch step. Say: hatch shut, or hatch wide."
    );
    world.hear("roger");
    assert!(world.last_said().starts_with("Which is it?"), "{}", world.last_said());
    world.hear("hatch wide");
    assert_eq!(world.last_said(), "Shut hatch. Then say: hatch shut.");
    assert!(!world.ended);
    world.hear("hatch shut");
    world.pass_s(20);
    assert!(world.ended);
    assert_eq!(world.last_said(), "All of it complete.");
}

#[test]
fn a_step_opened_again_holds_its_routines_gate_too() {
    let mut world = cast::world(doors_and_car(), alone(true));
    go(&mut world, &["hatch shut", "flap shut", "done"]);
    world.hear("correction");
    assert_eq!(world.step(), "doors/mat");
    world.hear("done");
    assert_eq!(world.step(), "car/keys");
}

#[test]
fn are_we_ready_names_everything_that_is_open_opened_again_left_out_or_running() {
    let mut world = cast::world(doors_and_car(), alone(true));
    go(&mut world, &["hatch shut", "correction"]);
    go(&mut world, &["clock ten minutes", "yes", "are we ready"]);
    assert_eq!(
        world.last_said(),
        "Not done yet: mat step, flap step, keys step. To do again: hatch step. Still running: ten minute clock. It is not \
         complete. To end it all the same, say: override, my responsibility. I write that down."
    );
    go(&mut world, &["hatch shut", "flap shut", "skip", "not needed", "are we ready"]);
    assert!(world.last_said().contains("Left out: mat step."), "{}", world.last_said());
}

#[test]
fn only_the_whole_sentence_overrides_and_it_is_written_down_and_never_called_complete() {
    let mut world = cast::world(doors_and_car(), alone(true));
    assert!(!world.may_say().contains(&"override my responsibility"), "only where the gate was asked for");
    world.hear("are we ready");
    world.hear_as("override my responsibility", Certainty::Thin);
    assert_eq!(world.engine.state().ended, None, "a thin one is asked about");
    world.hear("yes");
    assert_eq!(world.engine.state().ended, Some(Ending::Overridden));
    assert_eq!(
        world.last_said(),
        "Ended on your word, and not complete. Not done: hatch step, mat step, flap step, keys step. I wrote that down."
    );
    world.pass_s(20);
    assert!(world.ended);
    assert!(!world.said.iter().any(|(_, u)| u.text.contains("All of it complete.")), "never called complete");
    let open = world.events().into_iter().find_map(|event| match event {
        Event::Overridden { open, person, .. } => Some((open.len(), person.clone())),
        _ => None,
    });
    assert_eq!(open, Some((4, "Rowan".to_owned())));
}

#[test]
fn nobody_overrides_a_hazard_that_still_runs() {
    let mut world = World::new(&crate::world::rig(""));
    world.answer_until("rinse-water");
    world.hear("water on");
    world.hear("are we ready");
    world.hear("override my responsibility");
    assert!(world.last_said().starts_with("Not yet. The rinse water clock is running."));
    assert_eq!(world.engine.state().ended, None);
}

#[test]
fn an_override_that_was_cut_off_by_a_crash_is_carried_through() {
    let mut world = cast::world(doors_and_car(), alone(true));
    world.hear("are we ready");
    world.journal = crate::world::Journal::Holds;
    world.hear("override my responsibility");
    let upto = world.records.iter().position(|(_, _, e)| matches!(e, Event::Overridden { .. })).unwrap();
    world.records.truncate(upto + 1);
    let mut again = World::around(Engine::of_move(doors_and_car(), crate::world::english(), VoiceSettings::default()));
    again.records = world.records.clone();
    for (_, at, event) in &world.records {
        again.engine.replay(*at, event);
        again.now = *at;
    }
    again.tell(sparehand::engine::input::Input::Resumed(sparehand::engine::input::Away::Unknown));
    assert_eq!(again.engine.state().ended, Some(Ending::Overridden));
}

#[test]
fn stand_by_keeps_the_place_and_says_more_the_longer_it_lasted() {
    let pause = |seconds: u64| {
        let mut world = World::new(&crate::world::rig(""));
        world.answer_until("vacuum-breaker");
        world.hear("stand by");
        world.pass_s(seconds);
        world.hear("go ahead");
        world
    };
    let world = pause(20);
    assert_eq!(world.last_said(), "Look for the vacuum breaker. Say: vacuum breaker on, or none fitted.");
    let world = pause(600);
    assert_eq!(
        world.last_said(),
        "Getting ready. Last: black valve. Now: Look for the vacuum breaker. Say: vacuum \
         breaker on, or none fitted."
    );
    let mut world = pause(2 * 3_600);
    assert!(world.last_said().ends_with("That was 120 minutes. Shall we go through this section again? Yes or no."));
    let before = world.engine.state().steps.clone();
    world.hear("yes");
    assert_eq!(world.last_said(), "Once more: gloves. Is that still so? Yes or no.");
    world.hear("yes");
    assert_eq!(world.last_said(), "Once more: gray valve. Say: gray closed, or gray open.");
    world.hear("gray closed");
    world.hear("black closed");
    assert_eq!(
        (world.step(), &world.engine.state().steps),
        ("vacuum-breaker".to_owned(), &before),
        "nothing was undone"
    );
}

#[test]
fn what_is_not_so_any_more_is_opened_again_with_what_hangs_on_it() {
    let mut world = cast::world(doors_and_car(), alone(true));
    go(&mut world, &["hatch shut", "flap shut", "stand by"]);
    world.pass_s(3_600);
    go(&mut world, &["go ahead", "yes", "hatch wide"]);
    assert_eq!(world.last_said(), "Shut hatch. Then say: hatch shut.");
    go(&mut world, &["hatch shut", "flap shut"]);
    assert_eq!(world.step(), "doors/mat");
}

#[test]
fn a_card_starts_at_once_from_anywhere_even_over_an_alarm() {
    let rig = rig("motorhome-towed-car");
    let job = Move::single(routine("tank-dump", &rig)).with_cards(&cards(&rig));
    let mut world = cast::world(job, alone(true));
    world.answer_until("rinse-water");
    world.hear("water on");
    world.pass_s(305);
    assert!(!world.alarms().is_empty());
    let allowed = world.set.phrases.iter().find(|phrase| phrase.text == "i smell gas").unwrap();
    assert!(allowed.while_speaking, "over the program's own voice");
    let from = world.said.len();
    world.hear("i smell gas");
    let (_, first) = &world.said[from];
    assert_eq!(
        (first.text.as_str(), first.priority),
        (
            "Everybody out, door open. No switch, no phone, no flame. Driving: pull over first. Outside: heads counted, call from there.",
            Priority::Alarm
        )
    );
    world.pass_s(600);
    let rest: Vec<&str> = world.said[from..].iter().map(|(_, u)| u.text.as_str()).collect();
    assert!(!rest.iter().any(|text| text.contains("tap") || text.contains("Say:") || text.ends_with('?')), "{rest:?}");
    assert!(rest.last().unwrap().starts_with("I hold everything else."));
    assert_eq!(world.engine.state().clocks.len(), 1, "no clock was stopped");
    let silent = world.said.len();
    world.hear("go ahead");
    world.pass_s(30);
    assert!(world.said[silent..].iter().any(|(_, u)| u.priority == Priority::Alarm), "it rings again");
    world.hear("water off");
}

#[test]
fn nothing_calls_anybody_back_in_while_the_card_that_sent_them_out_is_held_and_gone_on_with() {
    let rig = rig("motorhome-towed-car");
    let job = Move::single(routine("tank-dump", &rig)).with_cards(&cards(&rig));
    for unwatched in [false, true] {
        let mut world = cast::world(job.clone(), alone(true));
        world.answer_until("rinse-water");
        world.hear("water on");
        // While it is still being told.
        let hear = |world: &mut World, phrase: &str| {
            let place = world.may_say().iter().position(|other| *other == phrase).unwrap();
            world.hear_in(world.set.id, place, phrase, Certainty::Sure);
            world.pass_s(2);
            assert!(world.engine.state().card.is_some(), "it is not over yet");
        };
        hear(&mut world, "i smell gas");
        let from = world.now;
        hear(&mut world, "stop");
        hear(&mut world, "go ahead");
        if unwatched {
            // Everything was off, nobody knows for how long.
            restart(&mut world, None);
        }
        world.pass_s(600);
        assert!(world.engine.state().card.is_none(), "it is over");
        let hazard = |world: &World| {
            let alarms = world.said.iter().filter(|(at, _)| *at >= from);
            alarms.filter(|(_, said)| matches!(said.alarm, Some(AlarmSignal::Hazard { .. }))).count()
        };
        assert_eq!(hazard(&world), 0, "{:?}", world.said_since(from));
        world.hear("go ahead");
        world.pass_s(30);
        assert!(hazard(&world) > 0, "it rings again, its time unknown or over: {:?}", world.page);
    }
}

#[test]
fn a_correction_after_a_card_is_of_what_was_done_before_it() {
    let rig = rig("motorhome-towed-car");
    let job = Move::single(routine("tank-dump", &rig)).with_cards(&cards(&rig));
    let mut world = cast::world(job, alone(true));
    world.answer_until("grey-held");
    world.hear("gray closed");
    assert!(!world.is_open("grey-held"));
    world.hear("water on the floor");
    for _ in 0..30 {
        if world.engine.state().card.is_none() {
            break;
        }
        cast::answer_one(&mut world);
    }
    world.hear("go ahead");
    world.hear("correction");
    assert!(world.is_open("grey-held") && world.step() == "grey-held", "{}", world.last_said());
}

/// Said to somebody else, after half an hour's work.
#[test]
fn go_ahead_without_a_pause_is_no_pause_since_the_beginning() {
    let mut world = cast::world(doors_and_car(), alone(true));
    cast::answer_one(&mut world);
    let asked = world.step();
    world.pass_s(40 * 60);
    let may_say: Vec<String> = world.may_say().into_iter().map(str::to_owned).collect();
    world.hear("go ahead");
    assert!(!world.last_said().contains("minutes"), "{}", world.last_said());
    assert_eq!(world.step(), asked);
    assert_eq!(world.may_say(), may_say);
}

/// Killed, or the disk full, just as the gate had been reached.
#[test]
fn a_run_that_was_broken_off_at_its_gate_can_be_ended() {
    let mut world = cast::world(doors_and_car(), alone(true));
    cast::carry_out(&mut world);
    let gate = |event: &Event| matches!(event, Event::RunCompleted { .. });
    let end = world.records.iter().position(|(_, _, event)| gate(event)).unwrap();
    let records = world.records[..end].to_vec();
    let mut world = World::around(
        Engine::of_move(doors_and_car(), crate::world::english(), VoiceSettings::default()).with_crew(alone(true)),
    );
    for (_, at, event) in &records {
        world.engine.replay(*at, event);
    }
    world.records = records;
    world.now = world.records.last().unwrap().1;
    world.tell(Input::Resumed(Away::Known(Duration::from_secs(60))));
    world.quiet();
    assert!(world.ended, "{:?}", world.page);
}

#[test]
fn a_card_that_asks_is_gone_through_and_the_run_goes_on_where_it_was() {
    let rig = rig("motorhome-towed-car");
    let job = Move::single(routine("tank-dump", &rig)).with_cards(&cards(&rig));
    let mut world = cast::world(job, two(true));
    world.hear("gloves on");
    let card = routine("overflow", &rig);
    world.hear(&card.start[0]);
    restart(&mut world, None);
    for _ in 0..30 {
        if world.engine.state().card.is_none() {
            break;
        }
        cast::answer_one(&mut world);
    }
    assert!(world.engine.state().standing_by);
    world.hear("go ahead");
    assert_eq!(world.step(), "grey-held");
    world.hear(&card.start[0]);
    assert!(world.engine.state().card.is_some(), "a card can be gone through more than once");
}

#[test]
fn a_rehearsed_run_records_nothing_as_done() {
    let job = doors_and_car();
    let engine =
        Engine::of_move(job, crate::world::english(), VoiceSettings::default()).with_crew(alone(true)).rehearsing();
    let mut world = World::around(engine).begin();
    cast::carry_out(&mut world);
    assert!(world.ended);
    assert_eq!(world.last_said(), "All of it complete.");
    let done = world.events().into_iter().filter(|event| event.is_deed()).count();
    assert_eq!(done, 0, "every deed is marked as rehearsed");
    assert!(world.events().into_iter().any(|event| matches!(event, Event::Rehearsed { .. })));
    let text = serde_json::to_string(&world.events()).unwrap();
    assert!(text.contains(r#"{"kind":"rehearsed","event":{"kind":"step_answered""#), "{text}");
}

#[test]
fn a_rehearsal_that_was_broken_off_stays_one() {
    let engine = Engine::of_move(doors_and_car(), crate::world::english(), VoiceSettings::default()).rehearsing();
    let mut world = World::around(engine).begin();
    world.hear("hatch shut");
    restart(&mut world, Some(Duration::from_secs(3)));
    world.hear("flap shut");
    assert!(world.events().into_iter().all(|event| !event.is_deed()));
}

#[test]
fn a_journal_from_before_all_this_still_replays() {
    let old = r#"[
        {"kind":"run_started","routine":"tank-dump","fingerprint":"x"},
        {"kind":"step_offered","step":"gloves"},
        {"kind":"step_answered","step":"gloves","answer":"gloves on","heard":{"by":"voice","phrase":"gloves on","score":-1.0,"margin":4.0}},
        {"kind":"step_offered","step":"grey-held"},
        {"kind":"step_answered","step":"grey-held","answer":"gray closed","heard":{"by":"key"}},
        {"kind":"standing_by"},
        {"kind":"went_ahead"},
        {"kind":"gate_held","open":["black-held"]},
        {"kind":"step_offered","step":"black-held"}
    ]"#;
    let events: Vec<Event> = serde_json::from_str(old).unwrap();
    let mut world = World::asleep(crate::world::tank_dump(&crate::world::rig("")));
    for (at, event) in events.iter().enumerate() {
        world.engine.replay(sparehand::units::SessionTime::from_millis(at as u64), event);
    }
    world.tell(sparehand::engine::input::Input::Resumed(sparehand::engine::input::Away::Unknown));
    world.quiet();
    assert_eq!(world.step(), "black-held");
    world.press(Key::Confirm);
    assert_eq!(world.step(), "vacuum-breaker");
}
