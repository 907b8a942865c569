//! Routines, people and past runs for the tests of the plan.
#![allow(dead_code, reason = "each test binary uses a part of it")]

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use sparehand::plan::away::{AwayPlan, Dice, Wanted, plan};
use sparehand::plan::durations::{Assumptions, Durations, LoopCount, Observation, Usual};
use sparehand::plan::sky::Sky;
use sparehand::plan::solve::Effort;
use sparehand::plan::words::PlanWords;
use sparehand::plan::work::{Known, PlannedPerson, Work, put_together};
use sparehand::rig::{Rig, Role};
use sparehand::routine::{self, Routine};

pub fn words() -> PlanWords {
    PlanWords::parse("plan.toml", include_str!("../../prompts/phrases/plan.toml")).unwrap()
}

pub fn assumptions() -> Assumptions {
    words().assumptions
}

pub fn tank_dump() -> Routine {
    routine::load("tank-dump.toml", include_str!("../../prompts/routines/tank-dump.toml"), &Rig::default()).unwrap()
}

/// A rig with two people: one of one person leaves out what takes two.
pub fn rig_of_two() -> Rig {
    Rig::parse("rig.toml", "[[person]]\nname = 'Rowan'\n[[person]]\nname = 'Imre'").unwrap()
}

/// A routine of plain steps: id, minutes, and further fields as TOML.
pub fn routine(id: &str, steps: &[(&str, f64, &str)]) -> Routine {
    let mut text =
        format!("id = '{id}'\ntitle = 'the {id}'\ncomplete = 'Done.'\n[[section]]\nid = 's'\ntitle = 'part of {id}'\n");
    for (step, minutes, more) in steps {
        let answer = if more.contains("answer") { "" } else { "answer = { kind = 'done' }\n" };
        text += &format!(
            "[[section.step]]\nid = '{step}'\nname = '{step}'\ncall = 'Go.'\nminutes = {minutes}\n{more}\n{answer}"
        );
    }
    text += "[[section.step]]\nid = 'gate'\nname = 'gate'\ncall = 'Look back.'\nminutes = 0.25\nanswer = { kind = 'gate' }\n";
    routine::load(&format!("{id}.toml"), &text, &rig_of_two()).unwrap()
}

pub fn hand(name: &str, roles: &[Role]) -> PlannedPerson {
    let all = vec![Role::Outside, Role::Inside, Role::Driver, Role::Spotter];
    PlannedPerson { name: name.to_owned(), roles: roles.to_vec(), practised: all }
}

pub fn rowan_and_imre() -> Vec<PlannedPerson> {
    vec![hand("Rowan", &[Role::Outside, Role::Spotter]), hand("Imre", &[Role::Inside, Role::Driver])]
}

pub fn work_of(parts: &[Vec<&Routine>], hands: &[PlannedPerson], durations: &Durations) -> Work {
    let (loops, own): (BTreeMap<String, LoopCount>, BTreeMap<String, Usual>) = Default::default();
    put_together(parts, hands, &Known { durations, loops: &loops, own: &own }).unwrap()
}

pub fn unknown() -> Durations {
    Durations::learn(&[], assumptions())
}

/// Ten in the morning of a day in May, in universal time.
pub fn ten() -> Timestamp {
    "2026-05-02T10:00:00Z".parse().unwrap()
}

pub fn at(time: &str) -> Timestamp {
    format!("2026-05-02T{time}:00Z").parse().unwrap()
}

pub fn by_ten() -> Wanted {
    Wanted { by: ten(), zone: TimeZone::UTC, light_from: None, light_until: None, sky: Sky::Ordinary }
}

pub fn planned(work: Work, wanted: Wanted, durations: &Durations, mornings: usize) -> AwayPlan {
    plan(work, wanted, Dice { morning: durations.morning(), mornings, seed: 1 }, Effort::default()).unwrap()
}

pub fn seen(run: i64, person: &str, step: &str, usual_s: f64, took_s: f64) -> Observation {
    Observation {
        run,
        person: person.to_owned(),
        step: step.to_owned(),
        skill: "outside".to_owned(),
        waits: false,
        practised: false,
        usual_s,
        took_s,
    }
}
