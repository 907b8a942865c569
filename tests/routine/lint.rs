//! What `lint` finds, and that the routines that ship have nothing of it.

use crate::routine_support::{RIGS, built_in, commands, rig};
use rstest::rstest;
use sparehand::rig::Rig;
use sparehand::routine::{Finding, Library, Severity, Source, Surroundings, changes_schema, lint, routine_schema};
use sparehand::setup::prompts::ROUTINES;

const HEAD: &str = "id = 't'\ntitle = 't'\ncomplete = 'T complete.'\n[[section]]\nid = 's'\ntitle = 's'\n";
const GATE: &str = "[[section.step]]\nid = 'gate'\nname = 'g'\ncall = 'Last look.'\nanswer = { kind = 'gate' }\n";

fn found_in(text: &str, changes: &'static str) -> Vec<Finding> {
    let source = Source { name: "t.toml".to_owned(), text: text.to_owned() };
    let own = |_: &str| (!changes.is_empty()).then(|| Source { name: "c.toml".to_owned(), text: changes.to_owned() });
    let library = Library { routine: &built_in, changes: &own };
    lint(&source, &Surroundings { rig: &Rig::default(), library, always: &commands() })
}

/// A step with these fields, and what an ordinary one has.
fn step(id: &str, fields: &str) -> String {
    let or = |field: &str, usual: &str| if fields.contains(field) { String::new() } else { usual.to_owned() };
    format!(
        "[[section.step]]\nid = '{id}'\nname = '{id}'\n{fields}\n{}{}",
        or("call =", "call = 'Look at it. Say: seen it.'\n"),
        or("answer =", "answer = { kind = 'done', also = ['seen it'] }\n")
    )
}

/// A section of good steps with this one in it.
fn routine(at: usize, id: &str, fields: &str) -> String {
    let mut steps: Vec<String> = (0..6).map(|n| step(&format!("s{n}"), "")).collect();
    steps.insert(at, step(id, fields));
    format!("{HEAD}{}{GATE}", steps.concat())
}

const STATE: &str = "call = 'Look at it. Say: all shut, or one open.'\nharm = 'hurt'\nanswer = { kind = 'state', want = ['all shut'], other = ['one open'], other_reply = 'Shut it.' }";

#[test]
fn a_good_routine_has_nothing_to_be_found() {
    assert_eq!(found_in(&routine(0, "one", ""), ""), []);
    assert_eq!(found_in(&routine(0, "one", STATE), ""), []);
}

#[rstest]
#[case::two_actions("call = 'Close the valve and open the tap. Say: seen it.'", "a call with 2 things to do")]
#[case::then("call = 'Close the valve, then open the tap. Say: seen it.'", "a call with 2 things to do")]
#[case::two_numbers("call = 'Wait 5 minutes at 40 degrees. Say: seen it.'", "a call with 2 numbers")]
#[case::long("call = 'a b c d e f g h i j k l m n o p q r. Say: seen it.'", "a call of 21 words")]
#[case::unsaid("call = 'Look at it.'", "a call that does not say 'seen it'")]
#[case::save("call = 'Look. Say valve shut. Say: seen it.'", "'say' before a v")]
#[case::unsaid_other(
    "call = 'Look. Say: all shut.'\nanswer = { kind = 'state', want = ['all shut'], other = ['one open'], other_reply = 'Shut it.' }",
    "a call that does not say 'one open'"
)]
#[case::one_word(
    "call = 'Look. Say: shut, or open.'\nharm = 'hurt'\nanswer = { kind = 'state', want = ['shut'], other = ['open'], other_reply = 'Shut it.' }",
    "the answer 'shut'"
)]
#[case::within(
    "call = 'Look. Say: all shut, or not all shut.'\nanswer = { kind = 'state', want = ['all shut'], other = ['not all shut'], other_reply = 'Shut it.' }",
    "'all shut' and 'not all shut' with different meanings"
)]
#[case::on_off(
    "call = 'Look. Say: pump off, or pump on.'\nanswer = { kind = 'state', want = ['pump off'], other = ['pump on'], other_reply = 'Switch it off.' }",
    "'pump off' and 'pump on', which differ by on and off alone"
)]
#[case::command(
    "call = 'Look. Say: go ahead.'\nanswer = { kind = 'done', also = ['go ahead'] }",
    "the answer 'go ahead', which is a command"
)]
#[case::done("harm = 'hurt'", "a critical step with an answer of the kind done")]
#[case::yes_no("call = 'Is it? Yes or no.'\nharm = 'hurt'\nanswer = { kind = 'yes-no' }", "of the kind yes-no")]
#[case::endless(
    "call = 'Go. Say: it runs.'\nharm = 'hurt'\nanswer = { kind = 'clock', name = 'c', seconds = 5, start = ['it runs'], started = 's', alarm = 'a' }",
    "of the kind clock without end"
)]
#[case::self_ending(
    "call = 'Go. Say: it runs.'\nanswer = { kind = 'clock', name = 'c', seconds = 5, start = ['it runs'], started = 's', alarm = 'Turn the water off.', alarm_short = 'Water off!', end = ['water off'] }",
    "an alarm that says 'water off' itself"
)]
#[case::unknown("after = ['nowhere']", "after = 'nowhere'")]
#[case::unknown_elsewhere("after = ['tank-dump/nowhere']", "after = 'tank-dump/nowhere'")]
#[case::unknown_verified("verifies = ['nowhere/gloves']", "verifies = 'nowhere/gloves'")]
#[case::circle("after = ['one']", "steps that wait for each other: one after one")]
fn each_fault_is_found_at_its_step(#[case] fields: &str, #[case] expected: &str) {
    let text = routine(0, "one", fields);
    let found = found_in(&text, "");
    let hit = found.iter().find(|finding| finding.found.contains(expected));
    let hit = hit.unwrap_or_else(|| panic!("expected '{expected}', found {found:#?}"));
    assert_eq!((hit.step.as_str(), &text[hit.span.clone().unwrap()]), ("one", "'one'"));
}

#[test]
fn a_circle_is_told_with_the_way_round() {
    let steps = [
        step("a", "after = ['c']"),
        step("b", "after = ['a']"),
        step("c", "after = ['b']"),
        step("d", ""),
        step("e", ""),
    ];
    let found = found_in(&format!("{HEAD}{}{GATE}", steps.concat()), "");
    assert!(
        found.iter().any(|finding| finding.found == "steps that wait for each other: a after c after b after a"),
        "{found:#?}"
    );
}

/// Most important first, before interruptions come (NASA CR-177549).
#[rstest]
#[case::late(5, STATE.to_owned(), true)]
#[case::early(1, STATE.to_owned(), false)]
#[case::it_must_wait(5, format!("{STATE}\nafter = ['s3']"), false)]
#[case::with_a_reason(5, format!("{STATE}\nlate_because = 'It is the proof.'"), false)]
fn a_critical_step_comes_late_only_with_a_reason(#[case] at: usize, #[case] fields: String, #[case] told: bool) {
    let found = found_in(&routine(at, "one", &fields), "");
    assert_eq!(
        found.iter().any(|f| f.found == "a critical step in the second half of its section"),
        told,
        "{found:#?}"
    );
}

/// 5 to 9 items a section: WHO implementation manual of the surgical safety checklist, 2009.
#[rstest]
#[case(4, true)]
#[case(5, false)]
#[case(9, false)]
#[case(10, true)]
fn a_section_has_five_to_nine_steps(#[case] count: usize, #[case] told: bool) {
    let steps: String = (0..count).map(|n| step(&format!("s{n}"), "")).collect();
    let found = found_in(&format!("{HEAD}{steps}{GATE}"), "");
    assert_eq!(
        found.iter().any(|finding| finding.found == format!("a section 's' of {count} steps")),
        told,
        "{found:#?}"
    );
}

/// Hand wash between sewage and drinking water: CDC advice, from memory.
#[rstest]
#[case::no_soap("", "after = ['sewage']", true)]
#[case::soap_anywhere("after = ['sewage']\ntouches = 'soap'", "", true)]
#[case::soap_before("touches = 'soap'", "after = ['soap']", true)]
#[case::soap_between("after = ['sewage']\ntouches = 'soap'", "after = ['soap']", false)]
fn drinking_water_after_sewage_without_soap_between_is_found(
    #[case] soap: &str,
    #[case] water: &str,
    #[case] told: bool,
) {
    let steps = [
        step("sewage", "touches = 'sewage'"),
        step("soap", soap),
        step("water", &format!("touches = 'drinking-water'\n{water}")),
        step("d", ""),
        step("e", ""),
    ];
    let found = found_in(&format!("{HEAD}{}{GATE}", steps.concat()), "");
    let hit = found.iter().any(|finding| finding.step == "water" && finding.found.contains("unwashed hands"));
    assert_eq!(hit, told, "{found:#?}");
}

#[test]
fn changes_are_looked_over_as_part_of_what_they_change() {
    let changes = "changes = 'tank-dump'\n[[change]]\nstep = 'gloves'\ncall = 'Close the lid and open the tap.'\n";
    let found = found_in(changes, "");
    let said: Vec<&str> = found.iter().map(|finding| finding.found.as_str()).collect();
    assert_eq!(said, ["a call with 2 things to do", "a call that does not say 'gloves on'"]);
    assert!(found.iter().all(|finding| &changes[finding.span.clone().unwrap()] == "'gloves'"));
}

#[test]
fn what_cannot_be_read_is_shown_where_it_cannot() {
    let text = format!("{HEAD}[[section.step]]\nid = \n");
    let found = found_in(&text, "");
    assert_eq!((found.len(), found[0].severity), (1, Severity::Error));
    let before = text.get(..found[0].span.clone().unwrap().start).unwrap();
    assert_eq!(before.lines().count(), text.lines().count(), "in the last line");
}

#[test]
fn the_schemas_that_ship_are_those_of_the_code() {
    let shipped = |text: &str| serde_json::from_str::<serde_json::Value>(text).unwrap();
    assert!(
        &shipped(include_str!("../../schemas/routine.schema.json")) == routine_schema().as_value(),
        "not the same; write it anew: sparehand lint --schema routine > schemas/routine.schema.json"
    );
    assert!(
        &shipped(include_str!("../../schemas/changes.schema.json")) == changes_schema().as_value(),
        "not the same; write it anew: sparehand lint --schema changes > schemas/changes.schema.json"
    );
}

#[test]
fn the_routines_that_ship_have_nothing_to_be_found() {
    let always = commands();
    let mut all = std::collections::BTreeSet::new();
    for (name, _) in RIGS {
        let rig = rig(name);
        let library = Library { routine: &built_in, changes: &|_| None };
        for (id, _) in ROUTINES {
            for finding in lint(&built_in(id).unwrap(), &Surroundings { rig: &rig, library, always: &always }) {
                all.insert(format!(
                    "{id} {}: {:?}: {} (expected {})",
                    finding.step, finding.severity, finding.found, finding.expected
                ));
            }
        }
    }
    assert!(all.is_empty(), "{}\n{}", all.len(), all.into_iter().collect::<Vec<_>>().join("\n"));
}

#[test]
fn the_examples_for_authors_have_nothing_to_be_found_and_use_every_kind_of_answer() {
    let whole = include_str!("../../examples/routines/leaving-a-jetty.toml");
    assert_eq!(found_in(whole, ""), []);
    assert_eq!(found_in(include_str!("../../examples/routines/tank-dump.changes.toml"), ""), []);
    let schema = routine_schema();
    let kinds = schema.as_value()["$defs"]["AnswerFile"]["oneOf"].as_array().unwrap();
    let kinds = kinds.iter().map(|kind| kind["properties"]["kind"]["const"].as_str().unwrap());
    for kind in kinds {
        assert!(whole.contains(&format!("kind = \"{kind}\"")), "no answer of the kind {kind}");
    }
    for field in schema.as_value()["$defs"]["StepFile"]["properties"].as_object().unwrap().keys() {
        let said = whole.lines().any(|line| line.starts_with(&format!("{field} = ")));
        assert!(said, "no step with the field {field}");
    }
}
