//! The table of hazards in `docs/hazards.md`, held against the routines: every guard that it names is there, and guards what it says.

use std::collections::BTreeSet;

use crate::world::cast::{RIGS, rig, routine};
use sparehand::rig::{Rig, Stands};
use sparehand::routine::{Answer, Harm, Step};

/// A row of the table.
struct Guard {
    hazard: String,
    step: String,
    state: String,
    /// Steps of the last look, of which a rig has one; none where the guard stands for itself.
    looks: Vec<String>,
}

/// Rigs that none of the examples is: a trailer and a fifth wheel on jacks of their own, a motorhome that tows a trailer, a van with a hose and no tanks.
const OTHERS: [&str; 4] = [
    "kind = 'travel-trailer'\n[standing]\nleveling_jacks = true\nentry_steps = true",
    "kind = 'fifth-wheel'\n[standing]\nleveling_jacks = true\nentry_steps = true",
    "[standing]\nleveling_jacks = true\nair_suspension = true\nentry_steps = true\n[tow]\nbehind = 'trailer'",
    "kind = 'van'\n[waste]\nblack_gal = 0\ngray_gal = 0\nrinse_inlet = false\ntoilet_box = true\n[gas]\non_the_road = 'open'",
];

/// What a hazard may do, by its name in the table.
const HARMS: [(&str, &[Harm]); 9] = [
    ("flood", &[Harm::Flood]),
    ("fire", &[Harm::Hurt]),
    ("run away", &[Harm::RunAway]),
    ("burn", &[Harm::Hurt]),
    ("fall", &[Harm::Drop]),
    ("crush", &[Harm::Hurt]),
    ("shock", &[Harm::Hurt]),
    ("hit", &[Harm::Hurt]),
    ("gas", &[Harm::Hurt]),
];

fn guards() -> Vec<Guard> {
    let text = include_str!("../../docs/hazards.md");
    let rows = text.lines().filter(|line| line.starts_with("| ")).skip(2);
    let cell = |cells: &[&str], place: usize| cells[place].trim().trim_matches('`').to_owned();
    rows.map(|row| {
        let cells: Vec<&str> = row.trim_matches('|').split('|').collect();
        assert_eq!(cells.len(), 5, "five cells in: {row}");
        let looks = cells[4].split(" or ").map(|look| look.trim().trim_matches('`').to_owned());
        let looks = looks.filter(|look| look != "itself").collect();
        Guard { hazard: cell(&cells, 0), step: cell(&cells, 2), state: cell(&cells, 3), looks }
    })
    .collect()
}

/// The steps of leaving and of the evening before, by `routine/step`, with that of each for what the rig has several of.
type Run = Vec<(String, Step)>;

/// One run for every rig, alone and by two.
fn runs() -> Vec<(String, Run)> {
    let own = OTHERS.iter().map(|text| ((*text).to_owned(), Rig::parse("rig.toml", text).unwrap()));
    let rigs: Vec<(String, Rig)> = RIGS.iter().map(|name| ((*name).to_owned(), rig(name))).chain(own).collect();
    let both = rigs.iter().flat_map(|(name, rig)| [1, 2].map(|people| (name, rig.clone().taking_part(people), people)));
    both.map(|(name, rig, people)| {
        let parts = ["evening-before", "morning-inside", "morning-outside", "hitch-up", "last-look"];
        let steps = parts.into_iter().flat_map(|id| {
            let steps = routine(id, &rig).steps.into_iter();
            steps.map(move |step| (format!("{id}/{}", step.id.split('@').next().unwrap()), step))
        });
        (format!("{name}, by {people}"), steps.collect())
    })
    .collect()
}

/// Whether this is the step of the table: that of the routine, or of one that it includes.
fn is(id: &str, named: &str) -> bool {
    id == named || id.strip_suffix(named).is_some_and(|before| before.ends_with('/'))
}

fn names(step: &Step) -> Vec<String> {
    match &step.answer {
        Answer::State(state) => state.want.clone(),
        Answer::Clock(clock) => clock.end.clone(),
        _ => Vec::new(),
    }
}

#[test]
fn every_guard_of_the_table_of_hazards_is_there_is_critical_and_names_its_state() {
    let runs = runs();
    for guard in guards() {
        let (_, harms) =
            HARMS.iter().find(|(name, _)| *name == guard.hazard).unwrap_or_else(|| panic!("'{}'", guard.hazard));
        let mut found = 0;
        for (_, step) in runs.iter().flat_map(|(_, run)| run).filter(|(id, _)| is(id, &guard.step)) {
            found += 1;
            assert!(harms.contains(&step.harm), "{}: {:?}, expected {harms:?}", guard.step, step.harm);
            assert!(names(step).contains(&guard.state), "{}: no '{}' in {:?}", guard.step, guard.state, names(step));
        }
        assert!(found > 0, "{} is gone: what guards '{}'?", guard.step, guard.hazard);
    }
}

#[test]
fn every_guard_of_a_run_is_looked_at_in_that_run_by_a_step_that_can_hurt_and_says_so() {
    let guards = guards();
    let named: BTreeSet<&str> = guards.iter().map(|guard| guard.hazard.as_str()).collect();
    assert_eq!(named, HARMS.iter().map(|(name, _)| *name).collect(), "each hazard has a row");
    for (rig, run) in runs() {
        for guard in guards.iter().filter(|guard| !guard.looks.is_empty()) {
            for (id, step) in run.iter().filter(|(id, _)| is(id, &guard.step)) {
                let looks: Vec<&(String, Step)> = run.iter().filter(|(look, _)| guard.looks.contains(look)).collect();
                let kinds: BTreeSet<&String> = looks.iter().map(|(look, _)| look).collect();
                assert_eq!(
                    kinds.len(),
                    1,
                    "{rig}: {} is looked at by {kinds:?}, expected one of {:?}",
                    step.id,
                    guard.looks
                );
                let sees = |look: &Step| {
                    let verifies = look.verifies.iter().any(|other| format!("{}/{}", other.routine, other.step) == *id);
                    let away = step.undoes.iter().any(|thing| look.sets.contains(&(thing.clone(), Stands::Away)));
                    look.critical() && (verifies || away)
                };
                assert!(
                    looks.iter().any(|(_, look)| sees(look)),
                    "{rig}: {kinds:?} can do no harm, or does not look at {}",
                    step.id
                );
            }
        }
    }
}

/// What is looked at by a step that says so is never asked twice: the table and the routines tell the same.
#[test]
fn no_guard_is_looked_at_by_another_step_than_the_table_tells() {
    let guards = guards();
    for (rig, run) in runs() {
        for (look, step) in &run {
            for seen in step.verifies.iter().map(|other| format!("{}/{}", other.routine, other.step)) {
                for guard in guards.iter().filter(|guard| is(&seen, &guard.step)) {
                    // Big loads are looked at before the breaker as well.
                    let early = look == "morning-outside/loads-off";
                    assert!(
                        early || guard.looks.contains(look),
                        "{rig}: {seen} is looked at by {look}, not {:?}",
                        guard.looks
                    );
                }
            }
        }
    }
}
