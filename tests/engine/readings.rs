//! Numbers by voice, choices, held times, notes, and clocks that a person sets.

use crate::world::World;
use crate::world::cast::{self, alone, restart};
use crate::world::own;
use rstest::rstest;
use sparehand::engine::Move;
use sparehand::engine::event::{Event, HeardAs};
use sparehand::engine::input::{Certainty, Key};
use sparehand::engine::output::AlarmSignal;

fn step(answer: &str) -> World {
    let text = format!(
        "id = 't'\ntitle = 'the test'\ncomplete = 'Test complete.'\n[[section]]\nid = 'a'\ntitle = 'a'\n\
         [[section.step]]\nid = 'one'\nname = 'one'\ncall = 'Do it.'\nanswer = {answer}\n\
         [[section.step]]\nid = 'two'\nname = 'two'\ncall = 'Then this. Say: done.'\nanswer = {{ kind = 'done' }}\n\
         [[section.step]]\nid = 'gate'\nname = 'gate'\ncall = 'Last look.'\nanswer = {{ kind = 'gate' }}\n"
    );
    cast::world(Move::single(own::load(&text)), alone(true))
}

const TYRE: &str = "{ kind = 'number', name = 'left front', unit = 'p s i', least = 70, most = 90, gauge = [10, 150], \
    low_reply = 'Pump it up.', high_reply = 'Let some out, cold.' }";
const VOLTS: &str = "{ kind = 'number', name = 'battery', unit = 'volts', least = 12.2, most = 14.8, gauge = [10.0, 15.0], \
    resolution = 0.1 }";
const MILES: &str = "{ kind = 'number', name = 'miles', unit = 'miles', least = 0, most = 1900, gauge = [0, 1999] }";

fn reading(world: &World) -> Option<(i64, bool)> {
    world.events().into_iter().rev().find_map(|event| match event {
        Event::ReadingTaken { value, settles, .. } => Some((*value, *settles)),
        _ => None,
    })
}

#[rstest]
#[case::everyday(TYRE, "eighty two", 82)]
#[case::radio(TYRE, "eight two", 82)]
#[case::volts(VOLTS, "twelve point six", 126)]
#[case::volts_by_digits(VOLTS, "one two decimal six", 126)]
fn a_reading_within_its_bounds_is_taken_and_said_back_with_its_unit(
    #[case] answer: &str,
    #[case] phrase: &str,
    #[case] value: i64,
) {
    let mut world = step(answer);
    world.hear(phrase);
    assert_eq!(reading(&world), Some((value, true)));
    let shown = if answer == TYRE { "82 p s i." } else { "12.6 volts." };
    assert_eq!(world.last_said(), format!("{shown} Then this. Say: done."));
}

#[test]
fn a_reading_outside_its_bounds_is_read_back_and_then_leaves_the_step_open_with_what_to_do() {
    let mut world = step(TYRE);
    world.hear("one oh five");
    assert_eq!(world.last_said(), "I heard 105 p s i. Is that right?");
    assert_eq!(reading(&world), None, "not before it is confirmed");
    world.hear("yes");
    assert_eq!(reading(&world), Some((105, false)));
    assert_eq!(world.last_said(), "105 p s i. That is outside 70 to 90 p s i. Let some out, cold.");
    assert!(world.is_open("one"));
    world.hear("eighty five");
    assert_eq!((reading(&world), world.step()), (Some((85, true)), "two".to_owned()));
}

#[test]
fn a_wrong_reading_is_denied_and_nothing_is_kept() {
    let mut world = step(TYRE);
    world.hear("one fifty");
    assert_eq!(world.last_said(), "I heard 150 p s i. Is that right?");
    world.hear("no");
    assert_eq!(reading(&world), None);
    world.hear("seventy");
    assert_eq!(reading(&world), Some((70, true)));
}

#[test]
fn a_thin_reading_is_read_back_though_it_is_within_the_bounds() {
    let mut world = step(TYRE);
    world.hear_as("eighty", Certainty::Thin);
    assert_eq!(world.last_said(), "I heard 80 p s i. Is that right?");
    world.hear_as("eight zero", Certainty::Thin);
    assert_eq!(reading(&world), Some((80, true)), "the same number in other words is as good as a yes");
}

#[test]
fn a_reading_outside_its_bounds_that_needs_nothing_done_is_taken() {
    let mut world = step(VOLTS);
    world.hear("fifteen");
    world.hear("yes");
    assert_eq!((reading(&world), world.step()), (Some((150, true)), "two".to_owned()));
}

#[test]
fn a_number_of_too_many_values_is_taken_digit_by_digit_and_always_read_back() {
    let mut world = step(MILES);
    assert!(world.last_said().ends_with("Say the digits one by one."), "{}", world.last_said());
    for digit in ["four", "oh", "niner"] {
        world.hear(digit);
    }
    assert_eq!(world.last_said(), "4 0 9.");
    world.hear("that is all");
    assert_eq!(world.last_said(), "I heard 409 miles. Is that right?");
    world.hear("yes");
    assert_eq!(reading(&world), Some((409, true)));
}

#[test]
fn a_number_can_be_typed_with_the_microphone_off() {
    // EN 301 549, 5.1.7, from memory: one way must work without speech.
    let mut world = step(VOLTS);
    for digit in [1, 2, 6] {
        world.press(Key::Choice(digit));
    }
    world.press(Key::Confirm);
    assert_eq!(world.last_said(), "I heard 12.6 volts. Is that right?");
    world.pass_s(2);
    world.press(Key::Confirm);
    assert_eq!(reading(&world), Some((126, true)));
}

#[test]
fn roger_is_no_reading() {
    let mut world = step(TYRE);
    world.hear("roger");
    assert_eq!(world.last_said(), "I need the number: left front. Say it, or digit by digit.");
}

#[test]
fn readings_are_some_hundreds_of_phrases_at_most() {
    for answer in [TYRE, VOLTS] {
        let count = step(answer).set.phrases.len();
        assert!((100..1_000).contains(&count), "{count} phrases");
    }
}

#[test]
fn a_choice_settles_or_says_what_to_do_first() {
    let mut world = step(
        "{ kind = 'choice', options = [{ say = ['plenty left'] }, { say = ['fill up'], reply = 'Choose a station.' }, \
         { say = ['tank empty'], reply = 'Fetch a can.', settles = false }] }",
    );
    world.hear("tank empty");
    assert_eq!((world.last_said(), world.step()), ("Fetch a can.", "one".to_owned()));
    world.hear("fill up");
    assert_eq!(world.last_said(), "Choose a station. Then this. Say: done.");
}

#[test]
fn a_choice_can_be_made_by_key() {
    let mut world = step("{ kind = 'choice', options = [{ say = ['one way'] }, { say = ['other way'] }] }");
    assert_eq!(world.engine.view(world.now, sparehand::units::StationId::RIG).choices, ["one way", "other way"]);
    world.press(Key::Choice(2));
    let chosen =
        world.events().into_iter().any(|e| matches!(e, Event::StepAnswered { answer, .. } if answer == "other way"));
    assert!(chosen);
}

const HOLD: &str = "{ kind = 'hold', seconds = 5, ready = ['hand on it'], hold = 'Hold.', release = 'Release.' }";

#[test]
fn a_held_time_is_counted_aloud_by_the_clock() {
    let mut world = step(HOLD);
    let start = world.now;
    world.hear("hand on it");
    world.pass_s(10);
    let said: Vec<(u64, &str)> = world
        .said
        .iter()
        .filter(|(at, _)| *at >= start)
        .map(|(at, u)| (at.since(start).as_secs(), u.text.as_str()))
        .filter(|(_, text)| text.len() < 10)
        .collect();
    assert_eq!(said, [(0, "Hold."), (2, "3."), (3, "2."), (4, "1."), (5, "Release.")]);
    assert_eq!(world.step(), "two");
}

#[test]
fn a_held_time_that_is_stopped_or_broken_off_counts_for_nothing() {
    for stopped in [true, false] {
        let mut world = step(HOLD);
        let place = world.may_say().iter().position(|p| *p == "hand on it").unwrap();
        world.hear_in(world.set.id, place, "hand on it", Certainty::Sure);
        world.pass_s(2);
        if stopped {
            world.hear("stop");
        } else {
            restart(&mut world, None);
        }
        world.pass_s(20);
        assert!(world.is_open("one"));
    }
}

#[test]
fn what_is_held_is_let_go_of_when_it_is_skipped_and_is_not_taken_for_done_when_its_count_ends() {
    let mut world = step(HOLD);
    world.hear("hand on it");
    world.pass_s(1);
    world.hear("skip");
    assert!(world.last_said().starts_with("Release. "), "{}", world.last_said());
    world.hear("cannot do it");
    world.pass_s(30);
    let of_one = |event: &&Event| match event {
        Event::StepSkipped { step, .. } | Event::StepAnswered { step, .. } => step == "one",
        _ => false,
    };
    let settled: Vec<&Event> = world.events().into_iter().filter(of_one).collect();
    assert!(matches!(settled[..], [Event::StepSkipped { .. }]), "{settled:?}");
}

const STANDS: &str = "{ kind = 'clock', name = 'bleach', seconds = 14400, start = ['it stands now'], \
    started = 'Four hours from now.', alarm = 'Four hours are over.' }";
const WASHES: &str = "{ kind = 'clock', name = 'hand wash', seconds = 20, start = ['washing'], started = 'From now.', \
    alarm = 'Hands are washed.' }";

/// The program keeps the time, also while it is off; but nobody saw whether hands were washed for long enough.
#[test]
fn what_stood_long_enough_while_it_was_off_is_done_and_what_nobody_timed_is_begun_again() {
    let mut world = step(STANDS);
    world.hear("it stands now");
    restart(&mut world, Some(std::time::Duration::from_secs(5 * 3_600)));
    world.pass_s(10);
    assert!(!world.is_open("one"), "{:?}", world.page);
    assert_eq!(world.page.iter().filter(|said| said.contains("Four hours are over.")).count(), 1, "{:?}", world.page);

    let mut world = step(WASHES);
    world.hear("washing");
    let from = world.now;
    restart(&mut world, Some(std::time::Duration::from_secs(30)));
    world.pass_s(60);
    assert!(world.is_open("one"));
    assert!(!world.said_since(from).contains(&"Hands are washed."), "{:?}", world.said_since(from));
    world.hear("washing");
    world.pass_s(60);
    assert!(!world.is_open("one") && world.page.iter().any(|said| said.contains("Hands are washed.")));
}

#[test]
fn a_note_that_is_being_said_when_all_is_done_is_kept_before_the_run_ends() {
    let text = own(WASHES);
    let mut world = cast::world(Move::single(own::load(&text)), alone(true));
    world.hear("washing");
    world.hear("note");
    world.pass_s(40);
    assert!(!world.is_open("wash") && !world.ended, "it waits for the note: {:?}", world.page);
    cast::take_note(&mut world, "the soap is used up");
    world.pass_s(30);
    let events = world.events();
    let place = |is: fn(&Event) -> bool| events.iter().position(|event| is(event));
    let (kept, completed) = (
        place(|event| matches!(event, Event::NoteKept { text, .. } if text.contains("soap"))),
        place(|event| matches!(event, Event::RunCompleted { .. })),
    );
    assert!(kept.is_some() && completed.is_some() && kept < completed, "{kept:?} {completed:?}");
    // And one that never comes holds nothing up for long.
    let mut world = cast::world(Move::single(own::load(&text)), alone(true));
    world.hear("washing");
    world.hear("note");
    world.pass_s(200);
    assert!(world.ended, "{:?}", world.page);
}

/// One step of this answer, and the gate.
fn own(answer: &str) -> String {
    format!(
        "id = 't'\ntitle = 'the test'\ncomplete = 'Test complete.'\n[[section]]\nid = 'a'\ntitle = 'a'\n\
         [[section.step]]\nid = 'wash'\nname = 'wash'\ncall = 'Wash.'\nanswer = {answer}\n\
         [[section.step]]\nid = 'gate'\nname = 'gate'\ncall = 'Last look.'\nanswer = {{ kind = 'gate' }}\n"
    )
}

#[test]
fn a_note_is_tied_to_the_step_and_answers_nothing() {
    let mut world = step("{ kind = 'done' }");
    world.hear("note");
    assert_eq!((world.last_said(), world.notes_wanted), ("I take it down. Go on.", 1));
    assert!(!world.may_say().contains(&"done"), "a note that holds the word done is no answer");
    cast::take_note(&mut world, "the left hose is worn and done for");
    assert_eq!(world.last_said(), "Noted.");
    let kept = world.events().into_iter().any(|event| {
        matches!(event, Event::NoteKept { step, text, wav: Some(wav) }
            if step == "one" && text.contains("worn") && wav == "note-1.wav")
    });
    assert!(kept && world.is_open("one"));
    world.hear("done");
    assert_eq!(world.step(), "two");
}

#[test]
fn a_note_that_never_comes_is_given_up_and_one_that_comes_late_is_kept() {
    let mut world = step("{ kind = 'done' }");
    world.hear("note");
    world.pass_s(90);
    assert_eq!(world.last_said(), "No note.");
    cast::take_note(&mut world, "late");
    assert!(world.events().into_iter().any(|event| matches!(event, Event::NoteKept { text, .. } if text == "late")));
}

#[test]
fn a_clock_that_is_set_by_voice_is_read_back_before_it_starts_and_rings_by_its_name() {
    let mut world = step("{ kind = 'done' }");
    world.hear("clock ten minutes");
    assert_eq!(world.last_said(), "A ten minute clock. Shall I start it?");
    assert!(world.engine.state().timers.is_empty());
    world.hear("yes");
    world.hear("clock five minutes");
    world.hear("yes");
    world.hear("how long");
    assert!(world.last_said().contains("Five minute clock: ") && world.last_said().contains("Ten minute clock: "));
    world.hear("done");
    assert_eq!(world.step(), "two", "a clock of one's own holds nobody up");
    world.pass_s(310);
    let rang = |name: &str, world: &World| {
        world.said.iter().filter(|(_, u)| u.alarm == Some(AlarmSignal::Time) && u.text.contains(name)).count()
    };
    assert!(rang("five minute", &world) >= 1 && rang("ten minute", &world) == 0);
    world.hear("end the five minute clock");
    let count = rang("five minute", &world);
    world.pass_s(400);
    assert_eq!(rang("five minute", &world), count, "it was ended");
    assert!(rang("ten minute", &world) >= 1);
    world.hear("clock off");
    assert!(world.engine.state().timers.is_empty());
}

#[test]
fn a_clock_that_nobody_ends_rings_a_few_times_and_rests() {
    let mut world = step("{ kind = 'done' }");
    world.hear("clock one minute");
    world.hear("yes");
    world.pass_s(1_000);
    assert_eq!(world.alarms().len(), 5);
    let ended = world.events().into_iter().any(|e| matches!(e, Event::TimerEnded { heard: HeardAs::Clock, .. }));
    assert!(ended && world.engine.state().timers.is_empty());
}

/// "Clock off" cuts whatever alarm is in the air, and that may be the other one.
#[test]
fn ending_a_clock_of_ones_own_keeps_the_alarm_of_a_hazard_no_longer_than_its_pause() {
    let mut world = World::new(&crate::world::rig(""));
    world.answer_until("rinse-water");
    world.hear("clock five minutes");
    world.hear("yes");
    world.hear("water on");
    let hazard = |world: &World| {
        let hazards = world.said.iter().filter(|(_, said)| matches!(said.alarm, Some(AlarmSignal::Hazard { .. })));
        hazards.map(|(at, _)| *at).collect::<Vec<_>>()
    };
    let timer_rings = |world: &World| world.said.iter().any(|(_, said)| said.alarm == Some(AlarmSignal::Time));
    // Both ring, and the hazard's alarm has just begun.
    while !(timer_rings(&world) && hazard(&world).last() == Some(&world.now)) {
        assert!(world.now.as_millis() < 3_600_000, "{:?}", world.page);
        world.pass(std::time::Duration::from_millis(10));
    }
    let cut = world.now;
    world.hear("clock off");
    assert!(world.engine.state().timers.is_empty());
    world.pass_s(60);
    let next = hazard(&world).into_iter().find(|at| *at > cut).expect("it rings on");
    assert!(next.since(cut).as_secs() <= 13, "silent for {} s", next.since(cut).as_secs());
}

/// Without a loudspeaker nothing is ever reported as said.
#[test]
fn a_run_whose_voice_is_gone_ends_all_the_same() {
    let mut world = step("{ kind = 'done' }");
    world.hear("done");
    let place = world.may_say().iter().position(|phrase| *phrase == "done").unwrap();
    world.hear_in(world.set.id, place, "done", Certainty::Sure);
    world.forget_speech();
    world.pass_s(5);
    assert!(!world.ended, "there is time to read it");
    world.pass_s(120);
    assert!(world.ended, "{:?}", world.page);
}

#[test]
fn a_clock_of_ones_own_holds_the_last_gate_and_is_named_there() {
    let mut world = step("{ kind = 'done' }");
    world.hear("clock one minute");
    world.hear("yes");
    world.hear("done");
    world.hear("done");
    assert!(world.last_said().contains("Still running: one minute clock."), "{}", world.last_said());
    assert!(!world.ended);
    world.hear("clock off");
    world.pass_s(20);
    assert!(world.ended, "{}", world.last_said());
}

#[test]
fn what_an_ended_clock_says_never_holds_the_words_that_end_it() {
    let book = crate::world::english();
    for clock in book.clocks() {
        let said = book.line(sparehand::engine::phrasebook::Line::TimerUp, &[("name", &clock.name)]).to_lowercase();
        for phrase in clock.end.iter().chain(&clock.start) {
            assert!(!said.contains(phrase.as_str()), "'{said}' holds '{phrase}'");
        }
    }
}
