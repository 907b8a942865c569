//! The tank dump in a room without sound: what the engine says, refuses and keeps, as a table of small scenes.

use std::time::Duration;

use crate::world::{Journal, World, rig};
use sparehand::engine::Engine;
use sparehand::engine::event::Event;
use sparehand::engine::input::{Away, Certainty, Input, Key};
use sparehand::engine::output::{AlarmSignal, ListeningSetId, Priority, VoiceSettings};
use sparehand::engine::{Ending, event::HeardAs};
use sparehand::units::SessionTime;

fn world() -> World {
    World::new(&rig(""))
}

/// A scene: up to which step the person has come, what they say there, and the step that is asked for afterwards.
fn check(scenes: &[(&str, &str, &str)]) {
    for (step, phrase, expected) in scenes {
        let mut world = world();
        world.answer_until(step);
        world.hear(phrase);
        assert_eq!(world.step(), *expected, "after '{phrase}' at '{step}': {:?}", world.last_said());
    }
}

#[test]
fn an_answer_that_names_the_state_settles_a_step_and_nothing_else_does() {
    check(&[
        ("gloves", "done", "grey-held"),
        ("gloves", "gloves on", "grey-held"),
        ("grey-held", "gray closed", "black-held"),
        ("grey-held", "gray valve closed", "black-held"),
        ("grey-held", "gray open", "grey-held"),
        ("grey-held", "done", "grey-held"),
        ("grey-held", "check", "grey-held"),
        ("grey-held", "roger", "grey-held"),
        ("grey-held", "okay", "grey-held"),
        ("grey-held", "stand by", "grey-held"),
        ("grey-held", "not yet", "grey-held"),
        ("grey-held", "say again", "grey-held"),
        ("black-open", "black closed", "black-open"),
        ("black-open", "black open", "black-run-out"),
        ("rinse-clear", "no", "rinse-shut"),
        ("rinse-clear", "negative", "rinse-shut"),
        ("rinse-clear", "yes", "layer-shut"),
        ("rinse-clear", "affirmative", "layer-shut"),
    ]);
}

#[test]
fn an_acknowledgement_is_answered_with_the_words_that_are_needed() {
    let mut world = world();
    world.answer_until("grey-held");
    world.hear("roger");
    assert_eq!(world.last_said(), "Which is it? Say: gray closed, or gray open.");
}

#[test]
fn the_other_state_is_answered_with_what_to_do() {
    let mut world = world();
    world.answer_until("black-held");
    world.hear("black open");
    assert_eq!(world.last_said(), "Leave the cap on. Push the black valve all the way in. Then say: black closed.");
    world.hear("black closed");
    assert_eq!(world.step(), "vacuum-breaker");
}

#[test]
fn the_answer_is_said_back_before_the_next_call() {
    let mut world = world();
    world.answer_until("black-held");
    world.hear("black closed");
    let said: Vec<&str> = world.said.iter().rev().take(2).map(|(_, u)| u.text.as_str()).collect();
    assert!(said[1].starts_with("Black closed. These gloves never touch"), "{said:?}");
    assert_eq!(said[0], "Vacuum breaker?");
}

#[test]
fn silence_brings_one_soft_reminder_and_confirms_nothing() {
    let mut world = world();
    world.answer_until("grey-held");
    let before = (world.said.len(), world.records.len());
    world.pass_s(4 * 3600);
    assert_eq!(world.step(), "grey-held");
    assert_eq!(world.said.len(), before.0 + 1, "{:?}", world.said_since(SessionTime::ZERO));
    assert_eq!(world.said.last().unwrap().1.priority, Priority::Chat);
    assert_eq!(world.records.len(), before.1);
}

#[test]
fn the_rinse_clock_says_half_one_minute_and_ten_seconds_and_then_rings_until_water_off() {
    let mut world = world();
    world.answer_until("rinse-water");
    world.hear("water on");
    world.hear("hose dry");
    let started = world.engine.state().clocks.values().next().unwrap().started;
    world.pass_s(600);
    let told: Vec<(u64, &str)> = world
        .said
        .iter()
        .filter(|(at, u)| *at > started && u.priority >= Priority::Caution)
        .map(|(at, u)| (at.since(started).as_secs(), u.text.as_str()))
        .take(5)
        .collect();
    // Two and a half minutes: what an unmeasured tap may run into this tank.
    assert_eq!(told[0], (75, "Half way. 1 minute and 15 seconds left."));
    assert_eq!(told[1], (90, "One minute left."));
    assert_eq!(told[2], (140, "Ten seconds."));
    assert_eq!(told[3], (150, "Time. Shut the rinse tap now."));
    assert!(world.alarms().len() > 20, "{} alarms in seven minutes", world.alarms().len());
    let repeats: Vec<u32> = world
        .said
        .iter()
        .filter_map(|(_, u)| match u.alarm {
            Some(AlarmSignal::Hazard { repeat }) => Some(repeat),
            _ => None,
        })
        .collect();
    assert!(repeats.windows(2).all(|pair| pair[1] == pair[0] + 1), "each one louder: {repeats:?}");
    world.hear("water off");
    let count = world.alarms().len();
    assert_eq!(world.step(), "rinse-release");
    world.pass_s(600);
    assert_eq!(world.alarms().len(), count, "no alarm after water off");
}

#[test]
fn standing_by_does_not_stop_a_hazard_clock() {
    let mut world = world();
    world.answer_until("rinse-water");
    world.hear("water on");
    world.hear("stand by");
    assert_eq!(world.last_said(), "Standing by. The rinse water clock goes on. Say go ahead when you are back.");
    world.pass_s(320);
    assert!(!world.alarms().is_empty());
    world.hear("water off");
    assert!(world.engine.state().clocks.is_empty());
}

/// "Stop" is what is said in an emergency: it stops the voice, and no water.
#[test]
fn stop_while_a_hazard_clock_runs_says_that_it_goes_on_and_what_ends_it() {
    let mut world = world();
    world.answer_until("rinse-water");
    world.hear("water on");
    world.hear("stop");
    assert_eq!(world.last_said(), "I wait, but the rinse water clock goes on. If it is over, say: water off.");
    world.pass_s(320);
    assert!(!world.alarms().is_empty());
    world.hear("water off");
    assert!(world.engine.state().clocks.is_empty());
    world.hear("stop");
    assert_eq!(world.last_said(), "I wait. Say go ahead when you are ready.", "nothing runs any more");
}

#[test]
fn while_a_hazard_clock_runs_only_a_step_within_earshot_is_offered() {
    let mut world = world();
    world.answer_until("rinse-water");
    world.hear("water on");
    assert_eq!(world.step(), "drips");
    world.hear("hose dry");
    assert_eq!(world.step(), "rinse-water", "nothing but the clock itself");
}

#[test]
fn the_water_may_be_shut_before_its_time() {
    let mut world = world();
    world.answer_until("rinse-water");
    world.hear("water on");
    world.pass_s(95);
    world.hear("water off");
    assert!(
        world.said.iter().any(|(_, u)| u.text.starts_with("Rinse water ran 1 minute and")),
        "{}",
        world.last_said()
    );
    assert_eq!(world.step(), "drips", "the look for drips is still owed");
}

#[test]
fn a_run_is_never_corrected_out_of_a_running_hazard_clock() {
    let mut world = world();
    world.answer_until("rinse-water");
    world.hear("water on");
    world.hear("correction");
    assert_eq!(world.last_said(), "The rinse water clock is running. If it is over, say: water off.");
    assert_eq!(world.engine.state().clocks.len(), 1);
}

#[test]
fn a_water_off_that_was_a_mistake_brings_the_clock_back_with_its_old_start() {
    let mut world = world();
    world.answer_until("rinse-water");
    world.hear("water on");
    world.hear("hose dry");
    let start = world.engine.state().clocks.values().next().unwrap().started;
    world.hear("water off");
    world.pass_s(400);
    world.hear("correction");
    assert_eq!(world.engine.state().clocks.values().next().unwrap().started, start);
    assert!(!world.alarms().is_empty(), "its time is long over: it rings at once");
}

#[test]
fn correction_reopens_the_last_step_and_what_hung_on_it() {
    let mut world = world();
    world.answer_until("vacuum-breaker");
    world.hear("correction");
    assert_eq!(world.step(), "black-held");
    world.hear("black closed");
    assert_eq!(world.step(), "vacuum-breaker");
}

#[test]
fn correction_takes_a_no_back_and_asks_the_question_again() {
    let mut world = world();
    world.answer_until("rinse-clear");
    world.hear("no");
    assert_eq!(world.step(), "rinse-shut");
    world.hear("correction");
    assert_eq!(world.step(), "rinse-clear");
    world.hear("yes");
    assert_eq!(world.step(), "layer-shut");
}

#[test]
fn rinsing_again_is_offered_a_set_number_of_times() {
    let mut world = World::new(&rig("[tank_dump]\nrinses_most = 2"));
    world.answer_until("rinse-clear");
    world.hear("no");
    world.answer_until("rinse-clear");
    world.hear("no");
    assert_eq!(world.step(), "layer-shut");
    assert!(world.said.iter().any(|(_, u)| u.text.contains("That makes 2.")));
}

#[test]
fn a_critical_step_is_not_skipped_and_an_ordinary_one_asks_why() {
    let mut world = world();
    world.hear("skip");
    assert!(world.last_said().starts_with("Why?"));
    world.hear("already done");
    assert_eq!(world.step(), "grey-held");
    world.hear("skip");
    assert!(world.last_said().starts_with("This one can hurt, so I do not skip it."), "{}", world.last_said());
    assert!(world.last_said().contains("Say: cannot be tested."), "the way on for whoever has not the thing");
    assert!(world.may_say().contains(&"cannot be tested"));
    assert_eq!(world.step(), "grey-held");
}

/// Drinking water may be next: it was touched with hands that had held the sewer hose, in one random play of some ten thousand.
#[test]
fn washing_hands_is_not_skipped() {
    let mut world = world();
    world.answer_until("wash");
    world.hear("skip");
    assert!(world.last_said().starts_with("That is not skipped."), "{}", world.last_said());
    assert!(!world.may_say().contains(&"cannot be tested"), "so nobody is told to say it");
    assert_eq!(world.step(), "wash");
    world.press(Key::Skip);
    assert_eq!(world.step(), "wash");
    assert!(world.is_open("wash"));
}

#[test]
fn nothing_is_said_after_the_last_word() {
    let mut world = world();
    world.answer_until("wash");
    world.hear("washing");
    world.pass_s(14);
    // Somebody coughs while it says where they are; what it says to that waits until then.
    let go_ahead = world.may_say().iter().position(|phrase| *phrase == "go ahead").unwrap();
    world.hear_in(world.set.id, go_ahead, "go ahead", Certainty::Sure);
    world.tell(Input::SpeechUnclear);
    assert!(world.speaks());
    world.pass_s(60);
    assert!(world.ended);
    assert_eq!(world.last_said(), "Tank dump complete.");
}

#[test]
fn what_was_put_off_comes_back_before_the_gate_and_the_gate_names_what_was_skipped() {
    let mut world = world();
    world.hear("skip");
    world.hear("later");
    world.answer_until("station");
    world.press(Key::Skip);
    world.hear("cannot do it");
    world.answer_until("gloves");
    assert!(!world.ended && world.is_open("gloves"));
    world.hear("gloves on");
    assert_eq!(world.step(), "station", "what could not be done comes back once");
    world.press(Key::Skip);
    world.hear("cannot do it");
    world.pass_s(60);
    assert!(world.ended, "{:?}", world.last_said());
    let said: Vec<&str> = world.said.iter().rev().take(2).map(|(_, u)| u.text.as_str()).collect();
    assert_eq!(said[0], "Tank dump complete.");
    assert!(said[1].ends_with("Skipped: pad and drain lid."), "{said:?}");
}

#[test]
fn the_last_open_step_cannot_be_put_off_past_the_gate() {
    let mut world = world();
    world.hear("skip");
    world.hear("later");
    world.answer_until("gloves");
    world.hear("skip");
    world.hear("later");
    assert_eq!(world.step(), "gloves");
    assert!(world.last_said().starts_with("Not complete. Not done yet: gloves."), "{}", world.last_said());
    assert_eq!(world.engine.state().ended, None);
}

#[test]
fn whoever_asks_for_more_volume_is_asked_again_whether_they_were_heard_right() {
    let mut world = world();
    world.answer_until("grey-held");
    world.hear_as("gray closed", Certainty::Thin);
    world.hear("louder");
    assert_eq!(
        world.last_said(),
        "I heard: gray closed. Is that right? Say it again, or: that is right, or: that is wrong."
    );
    world.hear("yes");
    assert_eq!(world.step(), "black-held");
}

#[test]
fn a_thin_hearing_of_something_critical_is_asked_about() {
    let mut world = world();
    world.answer_until("grey-held");
    world.hear_as("gray closed", Certainty::Thin);
    assert_eq!(
        world.last_said(),
        "I heard: gray closed. Is that right? Say it again, or: that is right, or: that is wrong."
    );
    assert_eq!(world.step(), "grey-held");
    world.hear_as("yes", Certainty::Thin);
    assert_eq!(world.step(), "grey-held", "a thin yes is no yes");
    world.hear("no");
    assert!(world.last_said().starts_with("OK, not that."), "{}", world.last_said());
    world.hear_as("gray closed", Certainty::Thin);
    world.hear("yes");
    assert_eq!(world.step(), "black-held");
    let confirmed = world.events().into_iter().any(|event| {
        matches!(event, Event::StepAnswered { heard: HeardAs::VoiceConfirmed { phrase, .. }, .. } if phrase == "gray closed")
    });
    assert!(confirmed);
}

#[test]
fn a_doubtful_hearing_is_asked_about_and_only_yes_or_a_better_hearing_settles_it() {
    let mut world = world();
    world.answer_until("grey-held");
    world.hear_as("gray closed", Certainty::Doubtful);
    assert_eq!(
        world.last_said(),
        "I heard: gray closed. Is that right? Say it again, or: that is right, or: that is wrong."
    );
    for _ in 0..2 {
        world.hear_as("gray closed", Certainty::Doubtful);
        let longer = "Again I heard: gray closed. Say: that is right, or: that is wrong. Or press Enter for yes.";
        assert_eq!((world.last_said(), world.step()), (longer, "grey-held".to_owned()));
    }
    world.hear("yes");
    assert_eq!(world.step(), "black-held");
    world.hear_as("black closed", Certainty::Doubtful);
    world.hear_as("black closed", Certainty::Thin);
    assert_eq!(world.step(), "vacuum-breaker", "said once more and heard better");
}

/// Two tries add up: whoever is asked a third time switches it off.
#[test]
fn what_cannot_hurt_and_is_said_once_more_is_taken_though_both_were_doubtful() {
    let mut world = world();
    assert_eq!(world.step(), "gloves");
    world.hear_as("gloves on", Certainty::Doubtful);
    assert!(world.is_open("gloves"));
    world.hear_as("gloves on", Certainty::Doubtful);
    assert!(!world.is_open("gloves"));
    assert_eq!(world.step(), "grey-held");
    for _ in 0..3 {
        world.hear_as("gray closed", Certainty::Doubtful);
        assert!(world.is_open("grey-held"), "a valve is not taken from doubtful hearings alone");
    }
    world.hear("yes");
    assert!(!world.is_open("grey-held"));
    world.hear("stop");
    for certainty in [Certainty::Doubtful, Certainty::Doubtful] {
        world.hear_as("go ahead", certainty);
        assert!(world.engine.state().standing_by, "a pause is not ended by what is doubtful");
    }
}

#[test]
fn who_says_that_they_will_call_is_left_in_peace_until_they_do_and_a_clock_still_rings() {
    let mut world = world();
    world.answer_until("grey-held");
    world.hear("i will call you");
    assert!(world.engine.state().standing_by);
    let said = world.said.len();
    world.pass_s(1_200);
    assert_eq!(world.said.len(), said, "{}", world.last_said());
    world.hear("i am back");
    assert!(!world.engine.state().standing_by);
    assert!(world.last_said().contains("gray closed, or gray open"), "{}", world.last_said());

    world.answer_until("rinse-water");
    world.press(Key::Confirm);
    world.hear("i will call you");
    let alarms = world.alarms().len();
    world.pass_s(1_200);
    assert!(world.alarms().len() > alarms, "the water runs");
}

/// A yes answers what was asked last, not what was in doubt before something else was said.
#[test]
fn a_doubt_ends_with_what_is_said_instead_and_with_the_reminder_of_the_step() {
    let between: [fn(&mut World); 2] = [|world| world.hear("no lifting today"), |world| world.pass_s(180)];
    for (case, go_on) in between.into_iter().enumerate() {
        let mut world = world();
        world.answer_until("grey-held");
        world.hear_as("gray closed", Certainty::Doubtful);
        assert!(world.may_say().contains(&"yes"));
        go_on(&mut world);
        assert!(!world.may_say().contains(&"yes"), "case {case}: {}", world.last_said());
        world.hear_as("gray closed", Certainty::Thin);
        assert!(world.is_open("grey-held"), "case {case}: a doubt that is gone counts as no first time");
    }
}

#[test]
fn a_doubtful_hearing_of_an_ordinary_answer_is_asked_about_and_of_a_command_is_not_understood() {
    let mut world = world();
    assert_eq!(world.step(), "gloves");
    world.hear_as("gloves on", Certainty::Doubtful);
    assert_eq!(
        (world.step(), world.last_said()),
        ("gloves".to_owned(), "I heard: gloves on. Is that right? Say it again, or: that is right, or: that is wrong.")
    );
    let longer = "Say: that is right, or: that is wrong. Or press Enter for yes.";
    world.hear_as("skip this", Certainty::Doubtful);
    assert_eq!((world.step(), world.last_said()), ("gloves".to_owned(), longer));
    world.hear("gloves on");
    assert_eq!(world.step(), "grey-held");
    world.pass_s(10);
    world.hear_as("skip this", Certainty::Doubtful);
    assert_eq!((world.step(), world.last_said()), ("grey-held".to_owned(), "Say again: gray closed, or gray open?"));
}

#[test]
fn saying_it_once_more_confirms_a_thin_hearing_and_saying_something_else_does_not() {
    let mut world = world();
    world.answer_until("grey-held");
    world.hear_as("gray closed", Certainty::Thin);
    world.hear_as("gray open", Certainty::Thin);
    assert_eq!(world.step(), "grey-held");
    assert!(world.last_said().starts_with("I heard: gray open."), "{}", world.last_said());
    world.hear_as("gray closed", Certainty::Thin);
    world.hear_as("gray valve closed", Certainty::Thin);
    assert_eq!(world.step(), "black-held", "the same state in other words is the same answer");
}

#[test]
fn a_phrase_that_was_meant_for_the_last_question_answers_no_other() {
    let mut world = world();
    world.answer_until("black-run-out");
    let old = world.set.id;
    let place = world.may_say().iter().position(|p| *p == "done").unwrap();
    world.hear("done");
    assert_eq!(world.step(), "rinse-shut");
    world.hear_in(old, place, "done", Certainty::Sure);
    assert_eq!(world.step(), "rinse-shut", "'done' to the old step");
    assert_ne!(world.set.id, old);
    assert_ne!(old, ListeningSetId(0));
}

#[test]
fn nothing_is_confirmed_aloud_before_it_is_on_record() {
    let mut world = world();
    world.answer_until("grey-held");
    world.journal = Journal::Holds;
    let before = world.said.len();
    world.hear("gray closed");
    world.pass_s(30);
    assert_eq!(world.said.len(), before);
    assert_eq!(world.step(), "grey-held");
    world.write_held();
    world.journal = Journal::Works;
    world.write_held();
    assert!(world.said[before].1.text.starts_with("Gray closed."));
}

#[test]
fn when_the_journal_fails_it_says_so_and_takes_no_more_critical_answers_but_still_ends_a_hazard() {
    let mut world = world();
    world.answer_until("rinse-water");
    world.hear("water on");
    world.journal = Journal::Fails;
    world.pass_s(400);
    assert!(world.said.iter().any(|(_, u)| u.text.starts_with("I cannot write things down.")));
    world.hear("water off");
    assert!(world.engine.state().clocks.is_empty(), "an alarm that nobody can end would only be switched off");
    world.hear("hose dry");
    world.hear("black open");
    assert_eq!(world.step(), "rinse-release");
    assert_eq!(world.last_said(), "I cannot write that down, so I cannot take it.");
}

#[test]
fn stop_silences_speech_holds_the_run_and_says_so() {
    let mut world = world();
    world.answer_until("grey-held");
    world.hear("stop");
    assert_eq!(world.last_said(), "I wait. Say go ahead when you are ready.");
    assert!(!world.may_say().contains(&"gray closed"));
    world.pass_s(1_000);
    world.hear("go ahead");
    assert!(world.last_said().contains("Last: gloves. Now: Look at the gray valve."), "{}", world.last_said());
    world.hear("gray closed");
    assert_eq!(world.step(), "black-held");
}

#[test]
fn questions_are_answered_at_any_step() {
    let mut world = world();
    world.answer_until("rinse-water");
    world.hear("how long");
    assert!(world.last_said().starts_with("No clock is running."), "{}", world.last_said());
    world.hear("water on");
    world.hear("how long");
    assert!(world.last_said().starts_with("Rinse water: 2 minutes and"), "{}", world.last_said());
    world.hear("what is left");
    assert!(world.last_said().contains("to go. Next: sewer hose, drips, rinse water,"), "{}", world.last_said());
    world.hear("where are we");
    assert!(world.last_said().starts_with("The tank dump, emptying and rinsing, step"), "{}", world.last_said());
    world.hear("what can i answer");
    assert!(world.last_said().starts_with("Say: water off, or hose dry"), "{}", world.last_said());
    world.hear("explain");
    assert!(world.last_said().contains("Stay at the tap."), "{}", world.last_said());
}

#[test]
fn voice_changes_are_kept_and_have_limits() {
    let mut world = world();
    world.hear("louder");
    world.hear("slower");
    let voice = world.engine.state().voice;
    assert_eq!((voice.speed, voice.volume_db), (0.9, 3.0));
    for _ in 0..20 {
        world.hear("quieter");
    }
    assert_eq!(world.engine.state().voice.volume_db, -18.0);
    assert_eq!(world.last_said(), "That is as far as it goes.");
}

#[test]
fn ending_the_run_is_asked_about_and_refused_while_water_runs() {
    let mut world = world();
    world.answer_until("rinse-water");
    world.hear("water on");
    world.hear("end the run");
    assert_eq!(world.last_said(), "The rinse water clock is running. Once it is shut, say: water off.");
    world.hear("water off");
    world.hear("end the run");
    world.hear("no");
    assert_eq!(world.engine.state().ended, None);
    world.hear("end the run");
    world.hear("yes");
    assert_eq!(world.engine.state().ended, Some(Ending::Abandoned));
    assert!(world.ended);
}

#[test]
fn the_whole_routine_can_be_done_with_one_key_both_ways_of_rinsing() {
    for method in ["fill-and-release", "rinse-through"] {
        let mut world = World::new(&rig(&format!("[tank_dump]\nrinse_method = \"{method}\"")));
        world.answer_until("nowhere-but-the-end");
        assert_eq!(world.engine.state().ended, Some(Ending::Completed), "{method}");
        assert_eq!(world.last_said(), "Tank dump complete.");
    }
}

#[test]
fn a_confirm_key_that_is_held_down_answers_one_step_only() {
    let mut world = world();
    for _ in 0..40 {
        world.tell(Input::KeyPressed(Key::Confirm));
        world.pass(Duration::from_millis(30));
    }
    assert_eq!(world.step(), "grey-held");
    world.pass_s(2);
    world.press(Key::Confirm);
    assert_eq!(world.step(), "black-held");
}

/// Replays a world's records into a new engine, as after a crash.
fn resume(world: &World, away: Away, away_s: u64) -> World {
    let mut again = World::asleep(world.engine.routine().clone());
    again.engine = Engine::new(world.engine.routine().clone(), crate::world::english(), VoiceSettings::default());
    for (_, at, event) in &world.records {
        again.engine.replay(*at, event);
        again.now = *at;
    }
    again.now += Duration::from_secs(away_s);
    again.tell(Input::Resumed(away));
    again
}

#[test]
fn a_resumed_run_says_where_it_was_and_goes_on() {
    let mut world = world();
    world.answer_until("hose-drain");
    let mut again = resume(&world, Away::Unknown, 0);
    again.quiet();
    let said = again.said.iter().map(|(_, u)| u.text.as_str()).collect::<Vec<_>>().join(" ");
    assert!(said.contains("We were at the tank dump, getting ready. Last: sewer hose on the outlet. Now:"), "{said}");
    assert!(said.contains("Hose in the drain?"), "{said}");
    again.hear("hose seated");
    assert_eq!(again.step(), "rinse-hose");
    assert_eq!(world.engine.state().steps[..4], again.engine.state().steps[..4]);
}

#[test]
fn a_guarding_clock_whose_true_time_is_unknown_or_past_alarms_at_once() {
    for (away, seconds, expected) in [
        (Away::Unknown, 0, "I was off, and cannot know for how long. Time. Shut the rinse tap now."),
        (Away::Known(Duration::from_secs(400)), 400, "Time ran out while I was off. Time. Shut the rinse tap now."),
    ] {
        let mut world = world();
        world.answer_until("rinse-water");
        world.hear("water on");
        world.pass_s(20);
        let mut again = resume(&world, away, seconds);
        assert_eq!(again.said[0].1.text, expected);
        assert_eq!(again.said[0].1.priority, Priority::Alarm);
        again.pass_s(60);
        assert!(again.alarms().len() >= 4);
        again.hear("water off");
        assert!(again.engine.state().clocks.is_empty());
    }
}

#[test]
fn a_guarding_clock_with_time_left_goes_on_from_its_true_time() {
    let mut world = world();
    world.answer_until("rinse-water");
    world.hear("water on");
    world.hear("hose dry");
    let start = world.engine.state().clocks.values().next().unwrap().started;
    let mut again = resume(&world, Away::Known(Duration::from_secs(60)), 60);
    again.quiet();
    assert!(again.alarms().is_empty());
    assert!(again.last_said().starts_with("Rinse water: "), "{}", again.last_said());
    again.pass_s(300);
    assert_eq!(again.alarms()[0].since(start), Duration::from_secs(150));
}

#[test]
fn a_hand_wash_that_nobody_timed_is_begun_again() {
    let mut world = world();
    world.answer_until("wash");
    world.hear("washing");
    let mut again = resume(&world, Away::Unknown, 0);
    again.quiet();
    assert!(again.engine.state().clocks.is_empty());
    assert_eq!(again.step(), "wash");
    again.hear("washing");
    again.pass_s(40);
    assert!(again.ended, "{}", again.last_said());
}

#[test]
fn a_lost_microphone_is_said_and_the_keys_go_on() {
    let mut world = world();
    world.tell(Input::HearingLost);
    world.quiet();
    assert!(world.last_said().starts_with("I cannot hear."));
    assert!(
        world
            .engine
            .view(world.now, sparehand::units::StationId::RIG)
            .notices
            .iter()
            .any(|n| n.starts_with("I cannot hear."))
    );
    world.press(Key::Confirm);
    assert_eq!(world.step(), "grey-held");
}
