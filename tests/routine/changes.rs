//! Includes, repeats, and an owner's changes to a routine that they do not copy.

use crate::routine_support::{built_in, load, load_changed, rig};
use sparehand::rig::Rig;
use sparehand::routine::{Answer, Library, Source, load_with};

fn ids(routine: &sparehand::routine::Routine) -> Vec<&str> {
    routine.steps.iter().map(|step| step.id.as_str()).collect()
}

#[test]
fn a_dropped_step_hands_its_place_in_the_order_on() {
    let changed = load_changed("tank-dump", &Rig::default(), "changes = 'tank-dump'\ndrop = ['hose-drain']").unwrap();
    assert!(changed.index_of("hose-drain").is_none());
    let open = &changed.steps[changed.index_of("black-open").unwrap()];
    assert!(open.after.contains(&changed.index_of("hose-rig").unwrap()));
}

#[test]
fn a_changed_call_leaves_the_rest_of_the_step_as_it_is() {
    let changes =
        "changes = 'tank-dump'\n[[change]]\nstep = 'gloves'\ncall = 'Blue gloves on. Say: gloves on.'\nminutes = 2";
    let (plain, changed) =
        (load("tank-dump", &Rig::default()), load_changed("tank-dump", &Rig::default(), changes).unwrap());
    let (before, after) = (&plain.steps[0], &changed.steps[0]);
    assert_eq!(after.call, "Blue gloves on. Say: gloves on.");
    assert_eq!(after.short, after.call, "the old line for large letters would show something else");
    assert_eq!((after.usual.as_secs(), &after.how, &after.answer), (120, &before.how, &before.answer));
    assert_ne!(plain.fingerprint, changed.fingerprint, "a run goes on only with the routine that it began with");
}

#[test]
fn steps_are_put_in_before_and_after_others() {
    let step = |id: &str| {
        format!(
            "[[insert.step]]\nid = '{id}'\nname = 'n'\ncall = 'Look. Say: seen it.'\nanswer = {{ kind = 'done', also = ['seen it'] }}\n"
        )
    };
    let changes = format!(
        "changes = 'tank-dump'\n[[insert]]\nafter = 'gloves'\n{}{}\n[[insert]]\nbefore = 'gate'\n{}",
        step("mine"),
        step("mine-too"),
        step("last")
    );
    let changed = load_changed("tank-dump", &Rig::default(), &changes).unwrap();
    assert_eq!(ids(&changed)[..3], ["gloves", "mine", "mine-too"]);
    assert_eq!(ids(&changed).iter().rev().take(2).collect::<Vec<_>>(), [&"gate", &"last"]);
}

#[test]
fn changes_reach_a_routine_wherever_it_is_included() {
    let changed = |of: &str| {
        let text = "changes = 'tank-dump'\ndrop = ['drips']".to_owned();
        (of == "tank-dump").then(|| Source { name: "tank-dump.changes.toml".to_owned(), text })
    };
    let library = Library { routine: &built_in, changes: &changed };
    let rig = rig("motorhome-towed-car");
    let routine = load_with(&built_in("morning-outside").unwrap(), &rig, &library).unwrap();
    assert!(routine.index_of("tank-dump/rinse-water").is_some());
    assert!(routine.index_of("tank-dump/drips").is_none());
}

#[test]
fn an_included_routine_brings_its_introduction_and_leaves_its_gate() {
    let routine = load("morning-outside", &rig("motorhome-towed-car"));
    let gloves = &routine.steps[routine.index_of("tank-dump/gloves").unwrap()];
    assert!(gloves.caution.contains("raw sewage"), "{}", gloves.caution);
    assert_eq!(routine.steps.iter().filter(|step| step.answer == Answer::Gate).count(), 1);
    let tap = &routine.steps[routine.index_of("tap-off").unwrap()];
    assert!(tap.after.contains(&routine.index_of("tank-dump/wash").unwrap()));
}

#[test]
fn each_slide_has_its_own_steps_and_one_waits_for_the_other() {
    let routine = load("morning-outside", &rig("motorhome-towed-car"));
    let at = |id: &str| routine.index_of(id).unwrap_or_else(|| panic!("{id} in {:?}", ids(&routine)));
    let (way, first) = (at("slide-way-outside@kitchen-slide"), at("slide-in@kitchen-slide"));
    assert_eq!(routine.steps[first].after, [way], "it waits for its own way and for no other");
    let second = &routine.steps[at("slide-way-outside@bedroom-slide")];
    assert!(second.after.contains(&at("slide-sealed@kitchen-slide")), "one slide moves at a time");
    assert_eq!(second.each, "bedroom slide");
    assert!(second.call.contains("bedroom slide") && !second.call.contains('{'), "{}", second.call);
    let loads = &routine.steps[at("loads-off")];
    assert!(
        loads.after.contains(&at("slide-sealed@kitchen-slide"))
            && loads.after.contains(&at("slide-sealed@bedroom-slide"))
    );
}

#[test]
fn pressures_have_the_bounds_of_their_own_tyre() {
    let routine = load("wake-up", &rig("motorhome-towed-car"));
    let bounds = |id: &str| match &routine.steps[routine.index_of(id).unwrap()].answer {
        Answer::Number(number) => (number.least, number.most, number.name.clone()),
        other => panic!("{other:?}"),
    };
    assert_eq!(bounds("tyre-pressures@left-front"), (105, 120, "left front tire".to_owned()));
    assert_eq!(bounds("tyre-pressures@right-rear"), (95, 120, "right rear tire".to_owned()));
    let Answer::Number(volts) = &routine.steps[routine.index_of("battery-volts").unwrap()].answer else { panic!() };
    assert_eq!((volts.decimals, volts.least, volts.gauge), (1, 122, (100, 150)));
}

/// ANSI A119.2 section 10.8, quoted at second hand: as many millilitres of 5.25 % bleach as the tank has litres.
#[test]
fn the_bleach_that_is_called_out_is_that_of_the_rigs_own_tank() {
    let routine = load("wake-up", &rig("fifth-wheel"));
    let bleach = &routine.steps[routine.index_of("sanitize/dose").unwrap()];
    assert!(bleach.call.starts_with("Measure 1 cup of bleach"), "60 US gallons are 227 L: {}", bleach.call);
    assert!(bleach.how.contains("227 mL"), "{}", bleach.how);
}

#[test]
fn where_one_works_alone_nothing_is_left_that_takes_two() {
    let (one, two) = (load("hitch-up", &rig("fifth-wheel")), load("hitch-up", &rig("travel-trailer")));
    assert!(one.steps.iter().all(|step| !step.together) && one.index_of("pin-backed-alone").is_some());
    assert!(two.index_of("ball-under").is_some() && two.index_of("ball-under-alone").is_none());
}

#[test]
fn routines_that_include_each_other_are_refused_with_the_way_round() {
    let text =
        |id: &str, other: &str| format!("id = '{id}'\ntitle = 't'\ncomplete = 'c'\n[[section]]\ninclude = '{other}'\n");
    let library = |id: &str| match id {
        "one" => Some(Source { name: "one.toml".to_owned(), text: text("one", "two") }),
        "two" => Some(Source { name: "two.toml".to_owned(), text: text("two", "one") }),
        _ => None,
    };
    let library = Library { routine: &library, changes: &|_| None };
    let error = load_with(&(library.routine)("one").unwrap(), &Rig::default(), &library).unwrap_err().to_string();
    assert!(error.contains("one > two > one") && error.starts_with("two.toml"), "{error}");
}
