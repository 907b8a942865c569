//! Lists as people keep them: what the columns are taken for, what becomes of each row, and that nothing gets lost.

use crate::paper_support::{brought_in, config, refused, routine_of};
use rstest::rstest;
use sparehand::routine::Answer;

/// A list as it is kept in many a motorhome: a title, headings, headings of sections, ticks of the last use, numbers, notes.
const DEPARTURE: &str = "\
Leaving the lake - our list;;;;;
;;;;;
Done;Task;Where;Who;Time;Notes
;OUTSIDE;;;;
x;Mat and chairs stowed;left side;Rowan;5 min;wind!
;1. Water hose off, drained;tap;outside;5-10 min;\"let pressure
off first\"
;Cord off;post;Imre;0:03;
;INSIDE;;;;
;Vents shut;;inside;2;
;Go through every single drawer and every single cupboard door and make sure that each of them is latched before anyone drives;;;soon;
;;;;;loose words
";

#[test]
fn a_household_list_keeps_its_sections_places_times_and_people() {
    let (text, told) = brought_in("departure.csv", DEPARTURE.as_bytes(), &[]);
    let routine = routine_of(&text);
    let sections: Vec<&str> = routine.sections.iter().map(|section| section.title.as_str()).collect();
    assert_eq!(sections, ["OUTSIDE", "INSIDE", "last look"]);
    let steps: Vec<(&str, &str, &str, u64)> = routine
        .steps
        .iter()
        .map(|step| (step.name.as_str(), step.place.as_str(), step.call.as_str(), step.usual.as_secs()))
        .collect();
    assert_eq!(
        steps[..4],
        [
            ("Mat and chairs stowed", "left side", "Mat and chairs stowed. Say: done.", 300),
            ("Water hose off, drained", "tap", "Water hose off, drained. Say: done.", 600),
            ("Cord off", "post", "Cord off. Say: done.", 180),
            ("Vents shut", "", "Vents shut. Say: done.", 120),
        ]
    );
    assert_eq!(routine.steps[1].role, sparehand::routine::Role::Outside);
    assert_eq!(routine.steps.last().unwrap().answer, Answer::Gate);
    assert!(told.contains("A 'Done' is tick (it holds marks only)"), "{told}");
    assert!(text.contains("# Notes: let pressure off first"), "{text}");
}

#[test]
fn a_row_too_long_for_one_breath_is_said_whole_before_a_short_call() {
    let (text, told) = brought_in("departure.csv", DEPARTURE.as_bytes(), &[]);
    let routine = routine_of(&text);
    let step = &routine.steps[4];
    assert!(step.caution.starts_with("Go through every") && step.caution.ends_with("before anyone drives"));
    assert_eq!(step.call, "Do what was just said. Then say: done.");
    assert!(told.contains("row 10: too many words for one breath"), "{told}");
}

#[test]
fn what_is_not_understood_is_kept_and_told_with_its_place() {
    let (text, told) = brought_in("departure.csv", DEPARTURE.as_bytes(), &[]);
    for (kept, line) in [
        ("# Time: soon", "cell E10: 'soon' is no time between 0 and a day"),
        ("# Who: Rowan", "cell D5: 'Rowan' as who does it"),
        ("# Time: 5-10 min", "cell E6: '5-10 min' is up to 10 minutes"),
        ("# Leaving the lake - our list", "row 1: above the headings: 'Leaving the lake - our list'"),
        ("# loose words", "cell F11: 'loose words' goes on with the step above"),
    ] {
        assert!(text.contains(kept), "{kept} is lost in\n{text}");
        assert!(told.contains(line), "{line} is not told in\n{told}");
    }
}

/// A spreadsheet takes "0:30" for half an hour, whoever wrote it may have meant half a minute.
#[test]
fn a_time_that_may_be_minutes_or_hours_is_listed_and_careful_is_a_caution_and_roles_are_named() {
    let list = "Task,Time,Careful,Who\nGray valve open,0:30,Slippery,R\nCap off,1:30:30,,outside\n";
    let (text, told) = brought_in("list.csv", list.as_bytes(), &[]);
    assert!(told.contains("'0:30' is hours and minutes, 30 minutes in all"), "{told}");
    assert!(told.contains("write it as 0:0:30") && !told.contains("1:30:30' is"), "{told}");
    let routine = routine_of(&text);
    assert_eq!((routine.steps[0].usual.as_secs(), routine.steps[0].caution.as_str()), (1_800, "Slippery"));
    assert!(told.contains("'R' as who does it, expected a role: driver, either, inside, outside, spotter"), "{told}");
}

#[test]
fn a_formula_without_a_value_is_left_out_and_told_and_never_said() {
    let mut book = rust_xlsxwriter::Workbook::new();
    let sheet = book.add_worksheet();
    sheet.write(0, 0, "Task").unwrap();
    sheet.write(1, 0, "Cap off").unwrap();
    sheet.write_formula(2, 0, rust_xlsxwriter::Formula::new("=1/0").set_result("#DIV/0!")).unwrap();
    sheet.write(3, 0, "Hose on").unwrap();
    let (text, told) = brought_in("list.xlsx", &book.save_to_buffer().unwrap(), &[]);
    let names: Vec<String> = routine_of(&text).steps.into_iter().map(|step| step.name).collect();
    assert_eq!(names[..2], ["Cap off", "Hose on"]);
    assert!(!text.contains("1/0") && !text.contains("DIV"), "{text}");
    let left_out = told.split("Not taken over:").nth(1).expect("something is left out");
    assert!(left_out.contains("cell A3"), "{told}");
}

#[test]
fn every_word_of_a_list_is_in_the_routine_or_in_the_report() {
    let (text, told) = brought_in("departure.csv", DEPARTURE.as_bytes(), &[]);
    let all = format!("{text}\n{told}");
    for word in DEPARTURE.split(|c: char| !c.is_alphanumeric()).filter(|word| !word.is_empty()) {
        assert!(all.contains(word), "'{word}' is lost");
    }
}

#[rstest]
#[case::bare("Cap off\nHose on\nTap shut\n", &["Cap off", "Hose on", "Tap shut"])]
#[case::boxes("[ ] Cap off\n[x] Hose on\n\u{2610} Tap shut\n", &["Cap off", "Hose on", "Tap shut"])]
#[case::numbers("1. Cap off\n2. Hose on\n3) Tap shut\n", &["Cap off", "Hose on", "Tap shut"])]
#[case::numbers_apart("1,Cap off\n2,Hose on\n3,Tap shut\n", &["Cap off", "Hose on", "Tap shut"])]
#[case::ticks_apart("Cap off,x\nHose on,\nTap shut,x\n", &["Cap off", "Hose on", "Tap shut"])]
#[case::headed("Checklist\nCap off\nHose on\nTap shut\n", &["Cap off", "Hose on", "Tap shut"])]
fn a_list_without_headings_or_with_one_is_a_list_of_steps(#[case] list: &str, #[case] names: &[&str]) {
    let (text, _) = brought_in("plain.csv", list.as_bytes(), &[]);
    let routine = routine_of(&text);
    let found: Vec<&str> = routine.steps.iter().map(|step| step.name.as_str()).collect();
    assert_eq!(found[..found.len() - 1], *names);
}

#[rstest]
#[case::colon("Outside:\nCap off\nHose on\nInside:\nVents shut\n")]
#[case::shouted("OUTSIDE\nCap off\nHose on\nINSIDE\nVents shut\n")]
#[case::marked("# Outside\nCap off\nHose on\n# Inside\nVents shut\n")]
#[case::column("Section,Task\nOutside,Cap off\nOutside,Hose on\nInside,Vents shut\n")]
#[case::column_once("Section,Task\nOutside,Cap off\n,Hose on\nInside,Vents shut\n")]
#[case::column_without_heading(
    "Outside,Cap off now\nOutside,Hose on\nOutside,Cord off\nInside,Vents shut\nInside,Pump off\nInside,Lamps off\n"
)]
#[case::over_rows("Task,Where\nOutside,\nCap off,left\nHose on,right\nInside,\nVents shut,roof\n")]
fn headings_of_sections_are_known_however_they_are_made(#[case] list: &str) {
    let (text, _) = brought_in("sections.csv", list.as_bytes(), &[]);
    let routine = routine_of(&text);
    let titles: Vec<String> = routine.sections.iter().map(|section| section.title.to_lowercase()).collect();
    assert_eq!(titles, ["outside", "inside", "last look"]);
}

#[test]
fn a_heading_without_steps_stays_as_a_comment() {
    let (text, _) = brought_in("empty.csv", b"Roof:\nOutside:\nCap off\n", &[]);
    assert!(text.contains("# Roof"), "{text}");
    assert_eq!(routine_of(&text).sections[0].title, "Outside");
}

#[test]
fn a_column_is_what_the_person_says_it_is() {
    let list = "Thing,Spot on the rig,Mins?\nCap off,left,2\nHose on,right,3\n";
    let (text, told) = brought_in("told.csv", list.as_bytes(), &["--column", "C=minutes", "--column", "B=where"]);
    let routine = routine_of(&text);
    assert_eq!((routine.steps[1].place.as_str(), routine.steps[1].usual.as_secs()), ("right", 180));
    assert!(told.contains("C 'Mins?' is minutes (as told)"), "{told}");
}

#[test]
fn the_guess_is_put_to_the_person_who_may_change_it_or_stop() {
    let list = "Task,Spot on the rig\nCap off,left\n";
    let (text, told) = crate::paper_support::talked("talk.csv", list.as_bytes(), "B=nonsense\nB=where\n\n").unwrap();
    assert_eq!(routine_of(&text).steps[0].place, "left");
    assert!(told.contains("one of: section, step, where"), "{told}");
    let declined = crate::paper_support::talked("talk.csv", list.as_bytes(), "no\n").unwrap_err();
    assert_eq!(declined, "nothing was written, as you said");
    assert!(refused("talk.csv", list.as_bytes(), &[]).contains("say --yes"));
}

#[test]
fn the_row_of_headings_can_be_told() {
    let list = "Ding,Stelle\nCap off,left\nHose on,right\n";
    let (text, _) = brought_in("told.csv", list.as_bytes(), &["--headings", "1", "--column", "B=where"]);
    assert_eq!(
        (routine_of(&text).steps[0].name.as_str(), routine_of(&text).steps[0].place.as_str()),
        ("Cap off", "left")
    );
    let (text, _) = brought_in("told.csv", list.as_bytes(), &["--headings", "0", "--column", "A=step"]);
    assert_eq!(routine_of(&text).steps[0].name, "Ding");
}

#[rstest]
#[case::empty("list.csv", b"".as_slice(), "list.csv: found no cell with anything in it, expected a list")]
#[case::blank("list.csv", b" , ,\n\n,\n".as_slice(), "list.csv: found no cell with anything in it, expected a list")]
#[case::old_workbook(
    "list.xls",
    &[0xD0, 0xCF, 0x11, 0xE0, 0xA1, 0xB1, 0x1A, 0xE1],
    "list.xls: found a workbook of the older kind, or one that is locked with a password, expected a list as CSV, XLSX or ODS; \
     save it as XLSX, without a password"
)]
#[case::document("list.csv", b"%PDF-1.7".as_slice(), "list.csv: found a PDF file, expected a list as CSV, XLSX or ODS; save the list itself as CSV, XLSX or ODS")]
fn what_is_no_list_is_refused_with_what_to_do(#[case] name: &str, #[case] bytes: &[u8], #[case] expected: &str) {
    assert_eq!(refused(name, bytes, &["--yes"]), expected);
}

#[test]
fn an_encoding_or_sheet_that_is_not_there_is_refused_with_those_that_are() {
    let error = refused("list.csv", b"Task\nCap off\n", &["--yes", "--encoding", "utf-99"]);
    assert!(error.contains("no encoding named 'utf-99', expected a name such as"), "{error}");
}

#[test]
fn the_users_own_words_for_headings_are_used() {
    let folder = config();
    let own = include_str!("../../prompts/phrases/paper.toml")
        .replace("\"task\"", "\"task\", \"aufgabe\"")
        .replace("\"place\"", "\"place\", \"ort\"");
    std::fs::create_dir_all(folder.path().join("phrases")).unwrap();
    std::fs::write(folder.path().join("phrases/paper.toml"), own).unwrap();
    let (text, _) = crate::paper_support::brought_in_with(
        folder.path(),
        "liste.csv",
        "Ort;Aufgabe\nlinks;Klappe zu\n".as_bytes(),
        &[],
    );
    assert_eq!(
        (routine_of(&text).steps[0].place.as_str(), routine_of(&text).steps[0].name.as_str()),
        ("links", "Klappe zu")
    );
}
