//! Plans of the built-in routines put no step where it would be unsafe or silly. The orders are common practice, no source,
//! unless one is named.

use std::collections::BTreeMap;
use std::process::Command;

/// One step of a plan: when it begins and ends, and who does it.
#[derive(Debug)]
struct Task {
    from: String,
    until: String,
    people: Vec<String>,
}

fn plan(rig: &str, people: &[&str]) -> BTreeMap<String, Task> {
    let home = tempfile::tempdir().unwrap();
    let rig = format!("{}/examples/rigs/{rig}.toml", env!("CARGO_MANIFEST_DIR"));
    let mut args = vec!["plan", "--away-by", "12:00", "--date", "2030-05-02", "--json", "--rig", &rig];
    people.iter().for_each(|person| args.extend(["--person", person]));
    let mut program = Command::new(env!("CARGO_BIN_EXE_sparehand"));
    let output = program.args(args).env("HOME", home.path()).env("TZ", "UTC").output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let data: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let text = |value: &serde_json::Value| value.as_str().unwrap().to_owned();
    let tasks = data["tasks"].as_array().unwrap().iter().map(|task| {
        let people = task["people"].as_array().unwrap().iter().map(text).collect();
        (text(&task["step"]), Task { from: text(&task["from"]), until: text(&task["until"]), people })
    });
    // Of several rounds the last stays.
    tasks.collect()
}

const ONE: &[&str] = &["Rowan"];
const TWO: &[&str] = &["Rowan:outside,driver", "Imre:inside,spotter"];
const RIGS: [&str; 5] = ["fifth-wheel", "motorhome-dolly", "motorhome-towed-car", "travel-trailer", "van-no-sewer"];

/// First and later, wherever a rig has both.
const ORDERS: &[(&str, &str)] = &[
    ("tank-dump/gloves", "tank-dump/grey-held"),
    ("tank-dump/gloves", "tank-dump/black-held"),
    ("tank-dump/gloves", "tank-dump/hose-rig"),
    ("tank-dump/gloves", "tank-dump/rinse-hose"),
    ("tank-dump/tap-bucket", "tank-dump/rinse-hose"),
    ("tank-dump/hose-stow", "tank-dump/station"),
    ("tank-dump/station", "tank-dump/gloves-off"),
    ("tank-dump/pressure-off", "tank-dump/rinse-hose-off"),
    // Hands are washed before drinking water: CDC advice, from memory.
    ("tank-dump/wash", "morning-outside/hose-off"),
    ("morning-outside/water-pressure", "morning-outside/hose-off"),
    // Label at the site after NEC 551.77(F), from memory.
    ("morning-outside/loads-off", "morning-outside/breaker-off"),
    ("morning-outside/breaker-off", "morning-outside/plug-out"),
    // The cord goes into a bay.
    ("morning-outside/cord-stowed", "morning-outside/bays-locked"),
    ("morning-outside/slide-sealed@kitchen-slide", "morning-outside/jacks-up"),
    ("morning-outside/blocks-stowed", "morning-outside/chocks-out"),
    ("morning-outside/gate", "last-look/gate"),
];

#[test]
fn what_must_come_first_comes_first_in_every_plan() {
    let mut checked = 0;
    for rig in RIGS {
        for people in [ONE, TWO] {
            let tasks = plan(rig, people);
            for (first, later) in ORDERS {
                if let (Some(before), Some(after)) = (tasks.get(*first), tasks.get(*later)) {
                    assert!(before.until <= after.from, "{rig}, {people:?}: {first} {before:?}, {later} {after:?}");
                    checked += 1;
                }
            }
        }
    }
    assert!(checked > 60, "{checked}");
}

#[test]
fn one_person_carries_the_tank_dump_and_does_nothing_else_with_sewage_on_their_hands() {
    for rig in ["fifth-wheel", "motorhome-dolly", "motorhome-towed-car", "travel-trailer"] {
        for people in [ONE, TWO] {
            let tasks = plan(rig, people);
            // Where two take part the other one stands at the toilet, and pours what is poured into it, with clean hands.
            let inside = ["tank-dump/toilet-watch", "tank-dump/bucket-water", "tank-dump/layer-bucket"];
            let dump: Vec<&Task> = tasks
                .iter()
                .filter(|(key, _)| key.starts_with("tank-dump/") && !inside.contains(&key.as_str()))
                .map(|(_, t)| t)
                .collect();
            let carrier = &tasks["tank-dump/hose-rig"].people;
            assert!(dump.len() > 20 && dump.iter().all(|task| task.people == *carrier), "{rig}: {dump:?}");
            let (dirty, clean) = (&tasks["tank-dump/hose-rig"].from, &tasks["tank-dump/wash"].until);
            for (key, task) in tasks.iter().filter(|(key, _)| !key.starts_with("tank-dump/")) {
                let meanwhile =
                    task.from < *clean && task.until > *dirty && task.people.iter().any(|p| carrier.contains(p));
                assert!(!meanwhile, "{rig}, {people:?}: {key} {task:?} by {carrier:?} between {dirty} and {clean}");
            }
        }
    }
}

#[test]
fn a_signal_takes_both() {
    let tasks = plan("motorhome-towed-car", TWO);
    assert_eq!(tasks["morning-outside/slide-in@kitchen-slide"].people.len(), 2);
}
