//! What must come before what in the routines that ship, for every rig: not as they happen to stand in the file, but so that
//! the order is forced in any legal play.

use std::collections::BTreeSet;

use crate::routine_support::{RIGS, load, rig};
use rstest::rstest;
use sparehand::rig::Role;
use sparehand::routine::{Answer, Routine, RoutineKind, Step, unwashed_hands};
use sparehand::setup::prompts::ROUTINES;

/// Everything that is forced to come before a step, in its routine and by reference in others.
pub(super) fn before(routine: &Routine, step: usize) -> BTreeSet<String> {
    let mut reached = BTreeSet::new();
    let mut queue = vec![step];
    while let Some(at) = queue.pop() {
        let elsewhere =
            routine.steps[at].after_elsewhere.iter().map(|other| format!("{}/{}", other.routine, other.step));
        reached.extend(elsewhere);
        for &other in &routine.steps[at].after {
            if reached.insert(routine.steps[other].id.clone()) {
                queue.push(other);
            }
        }
    }
    reached
}

pub(super) fn is(step: &Step, id: &str) -> bool {
    step.id == id || step.id.split('@').next() == Some(id)
}

#[rstest]
// Label at the site after NEC 551.77(F), from memory: breaker off before the plug is put in or pulled.
#[case::unplug("morning-outside", "breaker-off", "plug-out")]
#[case::plug_in("arrive", "post-off-again", "plugged")]
#[case::live_again("arrive", "plugged", "breaker-on")]
#[case::unplug_for_the_winter("lay-up", "breaker-off", "plug-out")]
// Common practice, no source.
#[case::loads("morning-outside", "loads-off", "breaker-off")]
#[case::protector("morning-outside", "plug-out", "protector-off")]
#[case::cord("morning-outside", "plug-out", "cord-stowed")]
#[case::heater("morning-outside", "morning-inside/heater-electric-off", "breaker-off")]
#[case::heater_gas("morning-outside", "morning-inside/heater-gas-off", "breaker-off")]
#[case::pressure("morning-outside", "water-pressure", "hose-off")]
#[case::rinse_pressure("tank-dump", "pressure-off", "rinse-hose-off")]
#[case::black_before_hose("tank-dump", "last-black", "hose-off")]
#[case::grey_before_hose("tank-dump", "last-grey", "hose-off")]
#[case::black_before_cap("tank-dump", "black-held", "hose-rig")]
#[case::hose_before_black("tank-dump", "hose-drain", "black-open")]
#[case::sewer_last("arrive", "valves-first", "sewer-on")]
#[case::gloves_before_waste_handles("arrive", "sewer-gloves", "valves-first")]
#[case::swept("morning-outside", "morning-inside/floor-swept", "slide-in")]
#[case::swept_alone("morning-outside", "morning-inside/floor-swept", "slide-in-alone")]
#[case::animals("morning-outside", "morning-inside/pets-in", "slide-in")]
#[case::way("morning-outside", "slide-way-outside", "slide-in")]
#[case::jacks("morning-outside", "slide-sealed", "jacks-up")]
// Common practice, no source: animals stay shut in while wheels, a hitch or a jack can move, and are out before a slide does.
#[case::held_before_animals("arrive", "brake-held", "pets-out")]
#[case::chocked_before_animals("arrive", "chocked", "pets-out")]
#[case::animals_before_jacks("arrive", "pets-out", "jacks-down")]
#[case::animals_before_slides("arrive", "pets-out", "slide-room")]
#[case::clear_before_animals("arrive", "pulled-clear", "pets-out-free")]
#[case::clear_before_animals_alone("arrive", "pulled-clear-alone", "pets-out-free")]
#[case::placed_before_animals("arrive", "free-placed", "pets-out-free")]
#[case::animals_before_a_trailers_jacks("arrive", "pets-out-free", "trailer-jacks-down")]
#[case::animals_before_a_free_rigs_jacks("arrive", "pets-out-free", "free-jacks-down")]
#[case::animals_before_a_trailers_slides("arrive", "pets-out-free", "slide-room")]
// Common practice, no source: a dolly off its ball is held by nothing else, and what carries stays under until it has rolled off.
#[case::car_down_before_the_dolly_is_chocked("arrive", "car-down", "dolly-chocked")]
#[case::dolly_chocked_before_its_lines("arrive", "dolly-chocked", "dolly-off")]
#[case::rolled_before_blocks("hitch-up", "gain", "blocks-away")]
#[case::blocks_before_the_brakes("hitch-up", "blocks-away", "brake-test")]
// Dolly makers' manuals, from memory.
#[case::straps_before_going_on("stop", "straps", "all-in")]
// Common practice, no source.
#[case::chocks_last("morning-outside", "blocks-stowed", "chocks-out")]
#[case::bar_before_backing("arrive", "bar-off", "in-place")]
#[case::bar_before_backing_alone("arrive", "bar-off", "in-place-alone")]
#[case::bar_before_jacks("arrive", "bar-off", "jacks-down")]
#[case::dolly_before_backing("arrive", "dolly-off", "in-place")]
#[case::car_off_before_dolly("arrive", "car-down", "dolly-off")]
#[case::car_held_on_its_dolly("arrive", "car-held", "straps-off")]
#[case::slack_before_roll_test("car-out-of-tow", "bar-slack", "park-holds")]
#[case::brake_after_roll_test("car-out-of-tow", "park-holds", "brake-again")]
#[case::power_before_brake("car-out-of-tow", "power-on", "brake-set")]
#[case::brake_before_power_is_taken("car-in-tow", "brake-released", "power")]
#[case::pedal_free("car-out-of-tow", "unit-out", "hold")]
#[case::pedal_no_more_needed("hitch-up", "car-in-tow/steering", "car-brake-fitted")]
#[case::cord_before_pull("hitch-up", "pin-cord", "tug-test")]
#[case::hot_run_cold("lay-up", "heater-cold", "supply-off")]
#[case::slides_before_batteries("lay-up", "slides-in", "batteries")]
#[case::slides_before_cord("lay-up", "slides-in", "breaker-off")]
#[case::slide_way_seen("lay-up", "slide-way", "slides-in")]
#[case::slide_way_seen_alone("lay-up", "slide-way", "slides-in-alone")]
#[case::cord_before_batteries("lay-up", "plug-out", "batteries")]
#[case::back_in_last("stop", "hubs", "all-in")]
#[case::driver_fit_before_going_on("stop", "driver-fit", "all-in")]
#[case::shut_before_frost("lay-up", "drains-shut", "lines-done")]
#[case::bays_after_blocks("morning-outside", "blocks-stowed", "bays-locked")]
#[case::bays_after_cord("morning-outside", "cord-stowed", "bays-locked")]
#[case::bays_after_gas("morning-outside", "morning-inside/gas-shut", "bays-locked")]
#[case::alarms_before_gas("arrive", "alarms", "gas-on")]
#[case::knobs_before_gas("arrive", "stove-knobs", "gas-on")]
#[case::air_before_jacks("arrive", "air-dumped", "jacks-down")]
#[case::walk_before_door("last-look", "below", "door")]
#[case::gas_before_belts("last-look", "gas", "riders")]
#[case::door_before_belts("last-look", "door", "riders")]
#[case::steps_after_the_last_one("last-look", "door", "steps-aboard")]
#[case::trailer_steps("last-look", "door", "steps")]
#[case::gray_before_cap("tank-dump", "grey-held", "hose-rig")]
// Plumbing codes (IPC 608, UPC 603), from memory: a rinse tap has a vacuum breaker.
#[case::backflow("tank-dump", "vacuum-breaker", "rinse-water")]
#[case::backflow_known_before_sewage("tank-dump", "vacuum-breaker", "black-open")]
#[case::backflow_known_before_the_hose("tank-dump", "vacuum-breaker", "hose-rig")]
#[case::rinse_hose_before_sewage("tank-dump", "rinse-hose", "black-open")]
#[case::toilet_watched("tank-dump", "toilet-watch", "rinse-water")]
#[case::chocked_coupling("arrive", "chocked", "coupling-open")]
#[case::car_held("arrive", "car-out-of-tow/brake-set", "bar-off")]
#[case::jack_carries("arrive", "jack-takes", "coupling-open")]
#[case::landing_gear_carries("arrive", "jack-takes", "jaws-open")]
#[case::chocked_kingpin("arrive", "chocked", "jaws-open")]
#[case::jaws_before_pulling_clear("arrive", "jaws-open", "pulled-clear")]
#[case::jaws_before_pulling_clear_alone("arrive", "jaws-open", "pulled-clear-alone")]
// Hitch makers' manuals, from memory: bars come off slack, the coupler latched.
#[case::bars_before_coupler("arrive", "bars-off", "coupling-open")]
#[case::jack_before_bars("arrive", "jack-takes", "bars-off")]
// Common practice, no source.
#[case::sway_control_before_backing("arrive", "sway-off", "in-place")]
#[case::sway_control_before_backing_alone("arrive", "sway-off", "in-place-alone")]
#[case::car_away_before_backing("arrive", "car-away", "in-place")]
#[case::car_away_before_backing_alone("arrive", "car-away", "in-place-alone")]
#[case::bar_before_car_away("arrive", "bar-off", "car-away")]
#[case::ramps_before_car("arrive", "ramps-down", "car-down")]
#[case::straps_before_ramps("arrive", "straps-off", "ramps-down")]
#[case::brake_before_chocks("arrive", "brake-held", "chocked")]
#[case::chocks_before_jack("arrive", "chocked", "jack-takes")]
#[case::chocks_before_lines("arrive", "chocked", "lines-off")]
#[case::engine_off_at_the_hitch("arrive", "hands-off", "lines-off")]
#[case::steps_after_jacks("arrive", "jacks-down", "steps-out")]
#[case::lengthwise_when_free("arrive", "pulled-clear", "level-long")]
#[case::lengthwise_before_stabilizers("arrive", "level-long", "stabilisers-down")]
#[case::lengthwise_before_slides("arrive", "level-long", "slide-room")]
#[case::flames_before_bottle("morning-inside", "furnace-off", "gas-shut")]
#[case::burner_before_bottle("morning-inside", "heater-gas-off", "gas-shut")]
#[case::fridge_before_bottle("morning-inside", "fridge-for-road", "gas-shut")]
// Washing hands takes water: CDC advice, from memory.
#[case::pump_after_hands("morning-inside", "morning-outside/tank-dump/wash", "pump-off")]
#[case::coupled_ball("hitch-up", "ball-shoes", "ball-under")]
// Brake makers' manuals, from memory: tried on its own battery, the cord out, with the trailer on its chocks.
#[case::breakaway_on_chocks("hitch-up", "ball-shoes", "ball-breakaway-tried")]
#[case::breakaway_before_backing("hitch-up", "ball-breakaway-tried", "ball-under")]
#[case::breakaway_before_cord("hitch-up", "ball-breakaway-tried", "cord-plugged")]
#[case::breakaway_before_cord_fifth("hitch-up", "pin-breakaway-tried", "pin-cord")]
// Common practice, no source.
#[case::lights_after_the_pull("hitch-up", "tug-test", "tail-lamps")]
#[case::lights_after_the_lift("hitch-up", "lift-test", "brake-lamps")]
#[case::lights_with_the_cord("hitch-up", "cord-plugged", "tail-lamps")]
#[case::gain_after_chocks("hitch-up", "hitch-chocks-out", "gain")]
#[case::gain_before_brakes("hitch-up", "gain", "brake-test")]
#[case::jack_up_before_chocks_out("hitch-up", "tongue-jack", "hitch-chocks-out")]
#[case::gear_up_before_chocks_out("hitch-up", "landing-gear", "hitch-chocks-out")]
// Dolly makers' manuals, from memory: the dolly is coupled, its chains on, before a car drives up; straps, chain, ramps, then the brake.
#[case::dolly_chains_before_car("hitch-up", "chains", "dolly-up")]
#[case::dolly_chains_before_car_alone("hitch-up", "chains", "dolly-up-alone")]
#[case::straps_before_chain("hitch-up", "strap-right", "car-chain")]
#[case::chain_before_brake("hitch-up", "car-chain", "dolly-brake")]
#[case::steering_before_brake("hitch-up", "dolly-steering", "dolly-brake")]
#[case::ramps_before_road("hitch-up", "ramps", "brake-test")]
#[case::lift("hitch-up", "coupler-latched", "lift-test")]
#[case::jack_up("hitch-up", "lift-test", "tongue-jack")]
#[case::gear_up("hitch-up", "tug-test", "landing-gear")]
#[case::chocks_after_lamps("hitch-up", "left-lamp", "hitch-chocks-out")]
#[case::car_brake("hitch-up", "car-in-tow/brake-released", "brake-test")]
#[case::car_steering("car-in-tow", "tow-lamp", "brake-released")]
#[case::heater_full("arrive", "heater-full", "heater-on")]
#[case::gas_sniffed("arrive", "gas-on", "heater-on")]
#[case::cold_before_plug("lay-up", "heater-cold", "heater-drained")]
#[case::pressure_before_plug("lay-up", "pressure-out", "heater-drained")]
#[case::bypass_before_frost("lay-up", "bypass", "lines-done")]
// Jack and chassis makers' manuals, from memory: what is coupled is not jacked, and air that was let out for the jacks is in again before it rolls.
#[case::trailer_jacks_when_free("arrive", "pulled-clear", "trailer-jacks-down")]
#[case::trailer_jacks_when_free_alone("arrive", "pulled-clear-alone", "trailer-jacks-down")]
#[case::trailer_jacks_before_slides("arrive", "trailer-jacks-down", "slide-room")]
#[case::trailer_jacks_before_steps("arrive", "trailer-jacks-down", "trailer-steps-out")]
#[case::coupled_before_trailer_jacks_up("hitch-up", "tug-test", "trailer-jacks-up")]
#[case::lifted_before_trailer_jacks_up("hitch-up", "lift-test", "trailer-jacks-up")]
#[case::trailer_jacks_up_before_chocks_out("hitch-up", "trailer-jacks-up", "hitch-chocks-out")]
#[case::trailer_off_before_jacks("arrive", "pulled-clear", "free-jacks-down")]
#[case::trailer_off_before_jacks_alone("arrive", "pulled-clear-alone", "free-jacks-down")]
#[case::trailer_off_before_air("arrive", "pulled-clear", "free-air-dumped")]
#[case::chocked_before_jacks("arrive", "free-placed", "free-jacks-down")]
#[case::air_before_jacks_with_a_trailer("arrive", "free-air-dumped", "free-jacks-down")]
#[case::steps_after_jacks_with_a_trailer("arrive", "free-jacks-down", "free-steps-out")]
#[case::jacks_before_air("morning-outside", "jacks-up", "air-up")]
#[case::air_before_chocks_out("morning-outside", "air-up", "chocks-out")]
// Common practice, no source: nothing rolls with its steps out or somebody in what is towed, and no car's brake is off before its bar holds it.
#[case::steps_before_latching("hitch-up", "steps-in", "arms-latched")]
#[case::steps_before_latching_alone("hitch-up", "steps-in", "arms-latched-alone")]
#[case::steps_before_the_car_pulls("hitch-up", "steps-in", "car-in-tow/wheels-turn")]
#[case::steps_before_backing("hitch-up", "ball-steps-in", "ball-under")]
#[case::trailer_empty_before_the_brakes("hitch-up", "trailer-steps-in", "brake-test")]
#[case::trailer_empty_before_gain("hitch-up", "pin-steps-in", "gain")]
#[case::trailer_empty_before_the_pull("hitch-up", "pin-steps-in", "tug-test")]
#[case::bar_holds_before_the_car_may_roll("hitch-up", "arms-latched", "car-in-tow/brake-released")]
#[case::bar_holds_before_the_car_may_roll_alone("hitch-up", "arms-latched-alone", "car-in-tow/brake-released")]
// Common practice, no source: a car is coupled where its rig stands straight and held, with room behind it; steps are in before the rig rolls out.
#[case::steps_before_pulling_out("hitch-up", "steps-in", "rig-out")]
#[case::rig_held_before_the_car_comes("hitch-up", "rig-out", "car-lined")]
#[case::rig_held_before_the_car_comes_alone("hitch-up", "rig-out", "car-lined-alone")]
#[case::steps_before_pulling_out_with_a_dolly("hitch-up", "ball-steps-in", "dolly-rig-out")]
#[case::rig_held_before_the_dolly("hitch-up", "dolly-rig-out", "ball-under")]
#[case::rig_held_before_the_dolly_alone("hitch-up", "dolly-rig-out", "ball-under-alone")]
// Common practice, no source: jacks and air want ignition or engine, so the key comes out after them.
#[case::air_before_the_key("arrive", "air-dumped", "hands-off")]
#[case::jacks_before_the_key("arrive", "jacks-down", "hands-off")]
// Common practice, no source: food is out while there is light, and before a slide shuts it in.
#[case::fridge_before_slides("lay-up", "fridge-open", "slide-way")]
#[case::food_before_slides("lay-up", "food-out", "slide-way")]
#[case::cushions_before_slides("lay-up", "dry", "slide-way")]
#[case::fridge_before_power("lay-up", "fridge-open", "breaker-off")]
// Common practice, no source: what is opened by hand is opened without pressure.
#[case::pump_off_before_the_inlet("lay-up", "pump-dry", "inlet-safe")]
#[case::pressure_before_the_hose_and_the_low_points("lay-up", "pressure-out", "low-points")]
// Common practice, no source: pipes that froze are looked at before water runs for ten minutes.
#[case::joints_before_flushing("wake-up", "joints", "flushed")]
#[case::flushed_before_bleach("wake-up", "flushed", "sanitize/thinned")]
// Common practice, no source: the rinse hose rinses the sewer hose, and is bagged with it.
#[case::rinse_hose_off_before_it_rinses("tank-dump", "rinse-hose-off", "hose-rinse")]
// Common practice, no source: which tank ran over is known before a valve is opened, and the power is off before anybody looks.
#[case::power_off_before_looking("overflow", "mains-off", "what-ran")]
#[case::own_power_off_before_looking("overflow", "other-power-off", "what-ran")]
#[case::what_ran_before_a_valve("overflow", "what-ran", "drain-on")]
// ANSI A119.2 clause 10.8, as quoted.
#[case::held("wake-up", "sanitize/soak", "sanitize/drained")]
#[case::joints_before_bleach("wake-up", "joints", "sanitize/thinned")]
fn one_is_forced_to_come_before_the_other(#[case] routine: &str, #[case] first: &str, #[case] then: &str) {
    let mut seen = 0;
    for (name, people) in RIGS.iter().flat_map(|(name, _)| [(name, 1), (name, 2)]) {
        let routine = load(routine, &rig(name).taking_part(people));
        // Where both are there the order holds; what stands in another routine of the move is always asked for.
        let of_another = first.contains('/') && !first.starts_with("car-");
        let both = of_another || routine.steps.iter().any(|step| is(step, first));
        for index in (0..routine.steps.len()).filter(|&i| both && is(&routine.steps[i], then)) {
            let forced = before(&routine, index);
            let held = forced.iter().any(|id| id == first || id.split('@').next() == Some(first));
            assert!(held, "{name}: '{then}' may come before '{first}'; forced is {forced:?}");
            seen += 1;
        }
    }
    assert!(seen > 0, "no rig has '{then}' in {routine}");
}

/// Hand wash of 20 s or more after sewage and before drinking water: CDC advice, from memory; order as in ANSI A119.2's hose
/// rules, at second hand.
#[test]
fn hands_are_washed_between_sewage_and_drinking_water() {
    for (name, _) in RIGS {
        for (id, _) in ROUTINES {
            let routine = load(id, &rig(name));
            assert_eq!(unwashed_hands(&routine), [], "{name} {id}");
        }
    }
    let outside = load("morning-outside", &rig("motorhome-towed-car"));
    assert!(before(&outside, outside.index_of("tap-off").unwrap()).contains("tank-dump/wash"));
}

/// Killer items are asked twice, when done and in the last look (NASA CR-177549).
#[test]
fn what_is_asked_twice_is_in_the_last_look() {
    let moves = ["evening-before", "morning-inside", "morning-outside", "hitch-up"];
    for (name, _) in RIGS {
        let rig = rig(name);
        let look = load("last-look", &rig);
        assert_eq!(look.kind, RoutineKind::Look);
        let verified: BTreeSet<String> =
            look.steps.iter().flat_map(|step| &step.verifies).map(|of| format!("{}/{}", of.routine, of.step)).collect();
        for id in moves {
            for step in load(id, &rig).steps.iter().filter(|step| step.again) {
                let own = format!("{id}/{}", step.id.split('@').next().unwrap());
                assert!(verified.contains(&own), "{name}: {own} is not in the last look");
            }
        }
    }
}

/// Everybody out before any question; nothing needs an answer (fire services' advice).
#[test]
fn a_smell_of_gas_asks_for_nothing_and_sends_people_out_first() {
    for (name, _) in RIGS {
        let card = load("gas-smell", &rig(name));
        assert_eq!(card.kind, RoutineKind::Emergency);
        assert!(card.steps.iter().all(|step| matches!(step.answer, Answer::Told { .. })), "{name}");
        // All that matters is in the first breath, in its order: out, nothing switched, heads counted, then the call from there.
        let first = card.steps[0].call.to_lowercase();
        let places =
            ["everybody out", "no switch", "no phone", "outside", "heads", "call"].map(|word| first.find(word));
        assert!(places.iter().all(Option::is_some) && places.is_sorted(), "{name}: {first}");
        assert!(matches!(card.steps[0].answer, Answer::Told { times: 2.. }), "{name}: said again");
    }
}

/// An emergency card is started by its words from anywhere: they must be nobody else's answer.
#[test]
fn no_answer_anywhere_is_the_start_of_a_card() {
    for (name, _) in RIGS {
        let rig = rig(name);
        let all: Vec<Routine> = ROUTINES.iter().map(|(id, _)| load(id, &rig)).collect();
        let starts: Vec<&String> = all.iter().flat_map(|routine| &routine.start).collect();
        assert!(starts.len() >= 8);
        for step in all.iter().flat_map(|routine| &routine.steps) {
            for phrase in step.answer.phrases().into_iter().flatten() {
                assert!(!starts.contains(&phrase), "{name}: '{phrase}' of {} starts a card", step.id);
            }
        }
        for (index, start) in starts.iter().enumerate() {
            assert!(!starts[..index].contains(start), "'{start}' starts two cards");
        }
    }
}

/// Hands and feet go between two vehicles only once a brake holds what has rolled: the last signal is the driver's, and it is the
/// brake. Common practice, no source.
#[test]
fn whoever_rolls_a_vehicle_by_signals_says_that_its_brake_is_set_before_anybody_goes_near() {
    let mut seen = 0;
    for (name, _) in RIGS {
        let rig = rig(name).taking_part(2);
        for id in ["hitch-up", "arrive", "lay-up", "morning-outside"] {
            let routine = load(id, &rig);
            for step in &routine.steps {
                let Answer::Both(both) = &step.answer else { continue };
                if !both.turns.iter().any(|turn| turn.role == Role::Driver) {
                    continue;
                }
                seen += 1;
                let last = both.turns.last().unwrap();
                let held = last.role == Role::Driver && last.call.contains("arking brake on");
                // Backed into its site it is held by a step of its own, before the chocks.
                let own_step = step.id == "in-place"
                    && before(&routine, routine.index_of("chocked").unwrap()).contains("brake-held");
                assert!(held || own_step, "{name}: {id}/{}: {last:?}", step.id);
            }
        }
    }
    assert!(seen >= 8, "{seen}");
}
