//! Random play, by voice and by key, clear and thin, with pauses, mistakes and restarts: what must never happen, does not.

use std::time::Duration;

use crate::world::{World, english, rig, tank_dump};
use proptest::prelude::*;
use sparehand::engine::event::{Event, HeardAs};
use sparehand::engine::input::{Away, Certainty, Input, Key};
use sparehand::engine::output::{Priority, Utterance};
use sparehand::engine::{Ending, Engine};
use sparehand::routine::{Answer, Routine};

#[derive(Clone, Debug)]
enum Move {
    /// The n-th phrase of the set, counted round.
    Say(usize, bool),
    /// The first answer that is asked for: keeps the play going forward.
    Answer,
    /// A phrase of a set that is gone.
    Stale(usize),
    /// A phrase of the set that may have been said.
    Doubt(usize),
    Unclear,
    Pass(u64),
    Press(usize),
    Restart(Option<u64>),
}

fn moves() -> impl Strategy<Value = Vec<Move>> {
    let one = prop_oneof![
        6 => Just(Move::Answer),
        4 => (0usize..80, any::<bool>()).prop_map(|(n, thin)| Move::Say(n, thin)),
        1 => (0usize..80).prop_map(Move::Stale),
        2 => (0usize..80).prop_map(Move::Doubt),
        1 => Just(Move::Unclear),
        2 => (0u64..400).prop_map(Move::Pass),
        2 => (0usize..KEYS.len()).prop_map(Move::Press),
        1 => proptest::option::of(0u64..900).prop_map(Move::Restart),
    ];
    proptest::collection::vec(one, 1..160)
}

const KEYS: [Key; 13] = [
    Key::Confirm,
    Key::Other,
    Key::SayAgain,
    Key::Explain,
    Key::StandBy,
    Key::Rest,
    Key::GoAhead,
    Key::Correction,
    Key::Skip,
    Key::Stop,
    Key::EndRun,
    Key::ClockOver,
    Key::Choice(4),
];

fn play(world: &mut World, moves: &[Move]) {
    for step in moves {
        if world.ended {
            return;
        }
        match step {
            Move::Answer => world.press(Key::Confirm),
            Move::Say(n, thin) => {
                let set = world.set.clone();
                if let Some(phrase) = set.phrases.get(n % set.phrases.len().max(1)) {
                    world.hear_as(&phrase.text, if *thin { Certainty::Thin } else { Certainty::Sure });
                }
            }
            Move::Stale(n) => {
                let set = world.set.clone();
                let old = sparehand::engine::output::ListeningSetId(set.id.0.saturating_sub(1));
                if let Some(phrase) = set.phrases.get(n % set.phrases.len().max(1)) {
                    let before = settled(world);
                    // What ends a clock that runs all the while means the same in both sets.
                    let ends_a_clock = ends(world, &phrase.text);
                    let same_step = world.step_of_set.get(&old) == Some(&world.step());
                    world.hear_in(old, 0, &phrase.text, Certainty::Sure);
                    if !same_step && !ends_a_clock {
                        assert_eq!(settled(world), before, "'{}' from an older set settled a step", phrase.text);
                    }
                }
            }
            Move::Doubt(n) => {
                let set = world.set.clone();
                if let Some(phrase) = set.phrases.get(n % set.phrases.len().max(1)) {
                    // A clock that guards nothing may end by itself while the program answers.
                    let answers = |world: &World| {
                        let settles = |event: &&Event| {
                            matches!(event.inner(), Event::StepAnswered { .. } | Event::StepSkipped { .. })
                        };
                        world.records.iter().map(|(_, _, event)| event).filter(settles).count()
                    };
                    let before = answers(world);
                    // Said once more after the question whether it was heard right, what cannot hurt is taken.
                    let asked = |other: &&sparehand::engine::output::AllowedPhrase| {
                        other.group == phrase.group && asks_whether_heard(world, &other.text)
                    };
                    // An answer to what is asked, that can do no harm and is no reading.
                    let step_asked = world.engine.routine().index_of(&world.step());
                    let plain = step_asked.map(|step| &world.engine.routine().steps[step]).is_some_and(|step| {
                        let own = step.answer.phrases().concat().contains(&phrase.text);
                        let done = ["done", "all done"].contains(&phrase.text.as_str());
                        !step.critical() && !matches!(step.answer, Answer::Number(_)) && (own || done)
                    });
                    let said_again = plain && set.phrases.iter().any(|other| asked(&other));
                    world.hear_as(&phrase.text, Certainty::Doubtful);
                    assert!(
                        said_again || answers(world) == before,
                        "'{}', which is doubtful, settled a step; newest first: {:#?}",
                        phrase.text,
                        world.said.iter().rev().take(5).map(|(_, said)| &said.text).collect::<Vec<_>>()
                    );
                }
            }
            Move::Unclear => world.tell(Input::SpeechUnclear),
            Move::Pass(seconds) => {
                let before = settled(world);
                let washing = world.engine.state().clocks.keys().any(|s| !hazard(world.engine.routine(), *s));
                world.pass_s(*seconds);
                if !washing {
                    assert_eq!(settled(world), before, "silence settled a step");
                }
                rings_when_due(world, *seconds);
            }
            Move::Press(n) => world.press(KEYS[*n]),
            Move::Restart(away) => restart(world, *away),
        }
    }
}

/// Whether the last question at the rig is whether this was heard right. The same question in other words, and a clock called in between,
/// leave it asked.
fn asks_whether_heard(world: &World, phrase: &str) -> bool {
    const NOT_UNDERSTOOD: [&str; 3] = ["Say: that is right", "Say again?", "I cannot make that out."];
    let not_understood = |text: &str| NOT_UNDERSTOOD.iter().any(|begins| text.starts_with(begins));
    let between = |said: &&Utterance| said.priority == Priority::Alarm || not_understood(&said.text);
    let last = world.said.iter().rev().map(|(_, said)| said).find(|said| !between(said));
    last.is_some_and(|said| said.text.contains(&format!("I heard: {phrase}.")))
}

fn ends(world: &World, phrase: &str) -> bool {
    world.engine.state().clocks.keys().any(|&step| match &world.engine.routine().steps[step].answer {
        Answer::Clock(clock) => clock.end.iter().any(|end| end == phrase),
        _ => false,
    })
}

fn settled(world: &World) -> usize {
    let count = |event: &&Event| matches!(event, Event::StepAnswered { .. } | Event::ClockEnded { .. });
    world.events().iter().filter(|event| count(event)).count()
}

fn hazard(routine: &Routine, step: usize) -> bool {
    matches!(&routine.steps[step].answer, Answer::Clock(clock) if clock.hazard())
}

/// A hazard clock that ran out rings at least every 20 seconds.
fn rings_when_due(world: &World, passed: u64) {
    let overdue = world.engine.state().clocks.iter().any(|(step, clock)| {
        hazard(world.engine.routine(), *step) && world.now.since(clock.ends()) > Duration::from_secs(25) && passed > 25
    });
    if overdue {
        let last = world.alarms().last().copied().expect("an overdue hazard clock never rang");
        assert!(world.now.since(last) < Duration::from_secs(21), "silent for {:?}", world.now.since(last));
    }
}

fn restart(world: &mut World, away: Option<u64>) {
    let mut engine = Engine::new(world.engine.routine().clone(), english(), world.engine.state().voice);
    for (_, at, event) in &world.records {
        engine.replay(*at, event);
    }
    assert_eq!(engine.state(), world.engine.state(), "the records rebuild the run");
    world.engine = engine;
    let known = away.map(Duration::from_secs);
    world.now += known.unwrap_or_default();
    world.tell(Input::Resumed(known.map_or(Away::Unknown, Away::Known)));
    world.quiet();
}

/// What the records of a run must satisfy, whatever was played.
fn check_records(routine: &Routine, records: &[(u64, sparehand::units::SessionTime, Event)]) {
    let mut open = vec![true; routine.steps.len()];
    let mut running = std::collections::BTreeSet::new();
    let mut overridden = false;
    for (_, _, event) in records {
        match event {
            Event::StepAnswered { step, heard, .. } => {
                let index = routine.index_of(step).unwrap();
                let wanted: &[String] = match &routine.steps[index].answer {
                    Answer::State(state) => &state.want,
                    Answer::Done { also } => also,
                    _ => &[],
                };
                if let HeardAs::Voice { phrase, .. } | HeardAs::VoiceConfirmed { phrase, .. } = heard {
                    let plain_done = matches!(routine.steps[index].answer, Answer::Done { .. }) && phrase == "done";
                    let yes = matches!(routine.steps[index].answer, Answer::YesNo(_))
                        && english().common(sparehand::engine::phrasebook::Common::Yes).contains(phrase);
                    assert!(wanted.contains(phrase) || plain_done || yes, "'{phrase}' settled '{step}'");
                }
                assert_ne!(*heard, HeardAs::Clock);
                assert!(routine.steps[index].after.iter().all(|&b| !open[b]), "'{step}' before what it hangs on");
                assert!(running.is_empty() || routine.steps[index].earshot, "'{step}' while a hazard clock ran");
                open[index] = false;
            }
            Event::ClockStarted { step, .. } => {
                let index = routine.index_of(step).unwrap();
                if hazard(routine, index) {
                    running.insert(index);
                }
            }
            Event::ClockEnded { step, heard, .. } => {
                let index = routine.index_of(step).unwrap();
                open[index] = false;
                if running.remove(&index) {
                    let Answer::Clock(clock) = &routine.steps[index].answer else { unreachable!() };
                    match heard {
                        HeardAs::Voice { phrase, .. } | HeardAs::VoiceConfirmed { phrase, .. } => {
                            assert!(clock.end.contains(phrase), "'{phrase}' ended '{step}'");
                        }
                        HeardAs::Key => {}
                        HeardAs::Clock => panic!("the hazard clock of '{step}' ended by itself"),
                    }
                }
            }
            Event::ClockReinstated { step } => {
                let index = routine.index_of(step).unwrap();
                open[index] = true;
                running.insert(index);
            }
            Event::StepSkipped { step, .. } => {
                let index = routine.index_of(step).unwrap();
                assert!(!routine.steps[index].critical(), "critical '{step}' skipped");
                open[index] = false;
            }
            Event::NotHere { step, .. } => {
                let index = routine.index_of(step).unwrap();
                assert!(routine.steps[index].may_be_skipped(), "'{step}' was not here");
                open[index] = false;
            }
            Event::StepsReopened { steps, .. } => {
                for step in steps {
                    open[routine.index_of(step).unwrap()] = true;
                }
            }
            Event::LoopedBack { step, back_to, .. } => {
                for (index, again) in open
                    .iter_mut()
                    .enumerate()
                    .take(routine.index_of(step).unwrap() + 1)
                    .skip(routine.index_of(back_to).unwrap())
                {
                    *again = !routine.steps[index].once || *again;
                }
            }
            Event::LoopUndone { step } => {
                let question = routine.index_of(step).unwrap();
                let Answer::YesNo(loops) = &routine.steps[question].answer else { unreachable!() };
                open[loops.back.as_ref().unwrap().back_to..question].fill(false);
            }
            Event::LoopLimitReached { step, .. } => open[routine.index_of(step).unwrap()] = false,
            // Whoever takes it on themselves is told, and has on record, all that is open.
            Event::Overridden { open: named, heard, .. } => {
                let gate = routine.steps.len() - 1;
                let left: Vec<&String> = (0..gate).filter(|&i| open[i]).map(|i| &routine.steps[i].id).collect();
                assert_eq!(left, named.iter().collect::<Vec<_>>());
                if let HeardAs::Voice { phrase, .. } | HeardAs::VoiceConfirmed { phrase, .. } = heard {
                    assert_eq!(phrase, "override my responsibility");
                }
                overridden = true;
            }
            Event::RunCompleted { .. } => {
                let gate = routine.steps.len() - 1;
                let left: Vec<&str> = (0..gate).filter(|&i| open[i]).map(|i| routine.steps[i].id.as_str()).collect();
                assert!(left.is_empty() || overridden, "passed the gate with {left:?} open");
                assert!(running.is_empty(), "passed the gate with a hazard clock running");
            }
            Event::RunAbandoned => assert!(running.is_empty(), "ended while water ran"),
            _ => {}
        }
    }
}

proptest! {
    #![proptest_config(crate::random_play::plays(256))]

    #[test]
    fn nothing_that_can_hurt_happens_in_random_play(moves in moves(), through in any::<bool>()) {
        let method = if through { "rinse-through" } else { "fill-and-release" };
        let rig = rig(&format!("[tank_dump]\nrinse_method = \"{method}\"\nrinse_s = 60"));
        let mut world = World::new(&rig);
        play(&mut world, &moves);
        check_records(&tank_dump(&rig), &world.records);
        if world.engine.state().ended == Some(Ending::Completed) {
            world.quiet();
            let late: Vec<_> = world.said.iter().rev().take(6).map(|(at, said)| (at, &said.text)).collect();
            assert_eq!(world.last_said(), "Tank dump complete.", "newest first: {late:#?}");
        }
    }

    #[test]
    fn no_acknowledgement_and_no_silence_ever_settles_a_critical_step(
        words in proptest::collection::vec((0usize..10, 0u64..600), 1..40),
        ahead in 0usize..40,
    ) {
        const IDLE: [&str; 10] = [
            "done", "check", "roger", "okay", "all set", "wilco", "stand by", "go ahead", "not yet", "say again",
        ];
        let mut world = World::new(&rig(""));
        for _ in 0..ahead {
            world.press(Key::Confirm);
        }
        let step = world.engine.state().current();
        let critical = step.is_some_and(|step| world.engine.routine().steps[step].critical());
        prop_assume!(critical && !world.ended);
        let before = world.engine.state().steps.clone();
        for (word, pause) in words {
            if world.may_say().contains(&IDLE[word]) {
                world.hear(IDLE[word]);
            }
            world.pass_s(pause);
        }
        prop_assert_eq!(&world.engine.state().steps, &before);
    }
}
