//! A routine that is handed out as a spreadsheet and brought in again is the same routine, whatever kind of file carried it.

use crate::paper_support::{attempt, brought_in, config, routine_of};
use crate::readers::tables::{comparable, plain};
use proptest::prelude::*;
use rstest::rstest;
use sparehand::paper::draft::{Draft, DraftSection, DraftStep};
use sparehand::paper::own_table::{is_own, to_draft, to_grid};
use sparehand::paper::read::{ReadOptions, read};
use sparehand::paper::write::{Kind, write};
use sparehand::rig::Rig;
use sparehand::routine::load;
use sparehand::setup::prompts::ROUTINES;
use toml::{Table, Value};

const KINDS: [(Kind, &str); 3] = [(Kind::Csv, "r.csv"), (Kind::Xlsx, "r.xlsx"), (Kind::Ods, "r.ods")];

#[test]
fn every_built_in_routine_comes_back_with_every_key_and_every_comment() {
    for (name, text) in ROUTINES {
        let draft = Draft::parse(name, text).unwrap();
        for (kind, file) in KINDS {
            let bytes = write(&to_grid(&draft), name, kind).unwrap();
            let (back, _) = brought_in(file, &bytes, &[]);
            let table = |text: &str| plain(&Value::Table(toml::from_str(text).unwrap()));
            assert_eq!(table(&back), table(text), "{name} as {file}");
            let remarks = |draft: &Draft| {
                let of_steps =
                    draft.sections.iter().flat_map(|section| section.steps.iter().map(|step| step.remark.clone()));
                std::iter::once(draft.remark.clone()).chain(of_steps).collect::<Vec<_>>()
            };
            assert_eq!(remarks(&Draft::parse(name, &back).unwrap()), remarks(&draft), "{name} as {file}");
        }
    }
}

#[rstest]
#[case("")]
#[case("[tank_dump]\nrinse_method = 'rinse-through'\nrinse_s = 77")]
fn what_came_back_loads_to_equal_steps_for_every_rig(#[case] rig: &str) {
    let rig = Rig::parse("rig.toml", rig).unwrap();
    let (name, text) = ROUTINES.iter().find(|(name, _)| *name == "tank-dump").unwrap();
    let draft = Draft::parse(name, text).unwrap();
    let before = load(name, text, &rig).unwrap();
    for (kind, file) in KINDS {
        let (back, _) = brought_in(file, &write(&to_grid(&draft), name, kind).unwrap(), &[]);
        assert_eq!(load(name, &back, &rig).unwrap(), before, "{file}");
    }
}

fn text() -> impl Strategy<Value = String> {
    prop_oneof![
        Just(String::new()),
        Just("=1+1".to_owned()),
        Just("'=x".to_owned()),
        Just(" lead".to_owned()),
        Just("two\nlines, \"quoted\"; and more".to_owned()),
        Just("_x0041_".to_owned()),
        Just("12".to_owned()),
        Just("yes".to_owned()),
        Just("a  b   c".to_owned()),
        Just("\u{7} bell\ttab\r".to_owned()),
        "[ -~äß排🚐\n]{0,20}",
    ]
}

fn value() -> impl Strategy<Value = Value> {
    let leaf = prop_oneof![
        text().prop_map(Value::String),
        any::<i32>().prop_map(|number| Value::Integer(number.into())),
        any::<i64>().prop_map(Value::Integer),
        (-1e6_f64..1e6).prop_map(Value::Float),
        any::<bool>().prop_map(Value::Boolean),
    ];
    leaf.prop_recursive(2, 6, 3, |inner| {
        prop_oneof![
            prop::collection::vec(inner.clone(), 0..3).prop_map(Value::Array),
            prop::collection::btree_map("[a-z]{1,4}", inner, 0..3)
                .prop_map(|map| Value::Table(map.into_iter().collect())),
        ]
    })
}

/// Known keys and unknown ones, with values of the right form and of any other.
fn keys() -> impl Strategy<Value = Table> {
    let key = prop::sample::select(vec!["name", "where", "harm", "minutes", "after", "answer", "call", "strange"]);
    let answer = prop::collection::btree_map(
        prop::sample::select(vec!["kind", "want", "seconds", "most", "turns"]),
        value(),
        0..4,
    )
    .prop_map(|map| Value::Table(map.into_iter().map(|(key, value)| (key.to_owned(), value)).collect()));
    (prop::collection::btree_map(key, value(), 0..5), prop::option::of(answer)).prop_map(|(map, answer)| {
        let mut table: Table = map.into_iter().map(|(key, value)| (key.to_owned(), value)).collect();
        table.extend(answer.map(|answer| ("answer".to_owned(), answer)));
        table
    })
}

fn drafts() -> impl Strategy<Value = Draft> {
    // What a row of a step lacks is given to it, so these are always there.
    let step = keys().prop_map(|mut keys| {
        for key in ["id", "name", "call"] {
            keys.entry(key.to_owned()).or_insert_with(|| Value::String(format!("a {key}")));
        }
        keys.retain(|key, value| {
            !["id", "name", "call"].contains(&key) || value.as_str().is_some_and(|text| !text.trim().is_empty())
        });
        for key in ["id", "name", "call"] {
            keys.entry(key.to_owned()).or_insert_with(|| Value::String(format!("a {key}")));
        }
        keys.entry("answer".to_owned())
            .or_insert_with(|| Value::Table(Table::from_iter([("kind".to_owned(), Value::String("done".to_owned()))])));
        DraftStep { remark: String::new(), keys, row: None }
    });
    let section = (keys(), prop::collection::vec(step, 0..3)).prop_map(|(keys, steps)| DraftSection {
        remark: String::new(),
        keys,
        steps,
    });
    (keys(), prop::collection::vec(section, 0..3)).prop_map(|(keys, sections)| Draft {
        remark: String::new(),
        keys,
        sections,
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, ..ProptestConfig::default() })]
    #[test]
    fn any_draft_comes_back_the_same_through_any_kind_of_file(draft in drafts()) {
        for (kind, file) in KINDS {
            let grid = to_grid(&draft);
            let bytes = write(&grid, "any", kind).unwrap();
            let book = read(file, &bytes, &ReadOptions::default()).unwrap();
            prop_assert!(is_own(&book.grids[0]));
            let back = to_draft(file, &book.grids[0], &mut Vec::new()).unwrap();
            prop_assert_eq!(comparable(&back), comparable(&draft), "{}", file);
        }
    }

    #[test]
    fn any_draft_comes_back_the_same_through_its_own_text(draft in drafts()) {
        let back = Draft::parse("any.toml", &draft.to_toml()).unwrap();
        prop_assert_eq!(comparable(&back), comparable(&draft));
    }
}

/// The built-in tank dump as a CSV table, with one change of the text.
fn changed(from: &str, to: &str) -> Vec<u8> {
    let (name, text) = ROUTINES.iter().find(|(name, _)| *name == "tank-dump").unwrap();
    let bytes = write(&to_grid(&Draft::parse(name, text).unwrap()), name, Kind::Csv).unwrap();
    let table = String::from_utf8(bytes).unwrap();
    assert!(table.contains(from), "{from} is not in the table");
    table.replacen(from, to, 1).into_bytes()
}

#[rstest]
#[case::unknown_part(
    "\nstep,gloves,",
    "\nstap,gloves,",
    "cell A4: found 'stap' as Part, expected routine, section or step"
)]
#[case::flag(",rinse-water,yes,", ",rinse-water,perhaps,", "found 'perhaps' as Within earshot, expected yes or no")]
#[case::number(",0.3,", ",half,", "found 'half' as Minutes, expected a number")]
#[case::unknown_step("black-held", "black-hold", "expected the id of a step of this routine")]
fn a_slip_in_a_table_of_ours_is_refused_with_its_place(#[case] from: &str, #[case] to: &str, #[case] expected: &str) {
    let error = attempt(config().path(), "r.csv", &changed(from, to), &["--yes"], None).unwrap_err();
    assert!(error.contains(expected), "{error}");
}

#[test]
fn a_row_that_a_person_put_in_becomes_a_plain_step() {
    let row = "\nstep,own-step,look at the cat\nstep,gloves,";
    let (text, told) = brought_in("r.csv", &changed("\nstep,gloves,", row), &[]);
    let routine = routine_of(&text);
    assert_eq!((routine.steps[0].id.as_str(), routine.steps[0].call.as_str()), ("own-step", "look at the cat."));
    assert!(told.contains("row 4: a step that was given call 'look at the cat.', the answer 'done'"), "{told}");
}

#[test]
fn a_column_that_a_person_put_in_is_kept_as_a_comment() {
    let bytes = changed("Part,Id,", "Part,Id,Colour of its tag,");
    let table = String::from_utf8(bytes).unwrap();
    let wider: Vec<String> = table
        .split("\r\n")
        .enumerate()
        .map(|(number, line)| match number {
            0 => line.to_owned(),
            _ => line
                .splitn(3, ',')
                .collect::<Vec<_>>()
                .join("\u{0}")
                .replacen('\u{0}', ",", 1)
                .replacen('\u{0}', ",red,", 1),
        })
        .collect();
    let (text, told) = brought_in("r.csv", wider.join("\r\n").as_bytes(), &[]);
    assert!(text.contains("# Colour of its tag: red"), "{text}");
    assert!(told.contains("'Colour of its tag' is no column of a routine"), "{told}");
}
