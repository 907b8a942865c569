//! `sparehand figure` as it is typed: a sentence with the number, an exit code that tells fit from unfit, JSON lines.

use std::io::Write;
use std::process::{Command, Output, Stdio};

use rstest::rstest;
use serde_json::Value;

fn figure(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_sparehand")).arg("figure").args(args).output().unwrap()
}

fn says(args: &[&str]) -> (String, i32) {
    let done = figure(args);
    (String::from_utf8(done.stdout).unwrap(), done.status.code().unwrap())
}

/// 231 cubic inches to the gallon (NIST Handbook 44): 5 gal over 30 x 48 in are 0.802 in.
#[test]
fn the_answer_is_a_sentence_in_both_systems_with_formula_source_and_caution() {
    let (text, code) = says(&["depth", "--water", "5 gal", "--length", "30 in", "--width", "48 in"]);
    assert_eq!(code, 0);
    assert!(text.starts_with("5 gal (18.9 L) stand 0.802 in (2.04 cm) deep.\n"), "{text}");
    for part in ["how: depth = volume / area", "source: geometry", "mind: A rig that stands out of level"] {
        assert!(text.contains(part), "{part}: {text}");
    }
}

/// What does not fit is answered with what was typed and with what would.
#[rstest]
#[case::below_zero(&["fill-time", "--tank", "-40 gal", "--flow", "5 gpm"], "found \"-40 gal\", which is below zero, expected zero or more")]
#[case::no_such_unit(&["convert", "40 foo"], "found \"40 foo\", expected each number with its unit (gal, L, gpm, in, ft")]
#[case::a_bare_number(&["convert", "5 ft 6"], "as in \"5 ft 6 in\"")]
#[case::a_name(&["daylight", "--place", "Denver", "--zone", "MST7"], "found \"Denver\", expected latitude and longitude")]
fn what_does_not_fit_is_answered_with_what_would(#[case] args: &[&str], #[case] expected: &str) {
    let done = figure(args);
    let told = String::from_utf8_lossy(&done.stderr).into_owned();
    let told = told.split_whitespace().filter(|word| *word != "│").collect::<Vec<_>>().join(" ");
    assert!(!done.status.success() && told.contains(expected), "{told}");
}

#[rstest]
#[case::a_day(&["plan", "--away-by", "10:00", "--date", "2026-13-01"], "expected a day that there is, year first")]
#[case::a_run(&["log", "x"], "expected the number of a run")]
#[case::a_note(&["notes", "--done", "x"], "expected the number of a note")]
#[case::an_address(&["run", "leave", "--phones", "--address", "foo"], "expected an address")]
fn a_number_or_a_day_that_is_none_is_answered_in_words(#[case] args: &[&str], #[case] expected: &str) {
    let done = Command::new(env!("CARGO_BIN_EXE_sparehand")).args(args).output().unwrap();
    let told = String::from_utf8_lossy(&done.stderr).into_owned();
    assert!(!done.status.success() && told.contains(expected), "{told}");
}

/// Sources beside the functions in `src/figures/`; here each is asked as a person would ask it.
#[rstest]
#[case(&["convert", "5 gal"], "5 gal is 18.9 L.")]
#[case(&["convert", "-40 F"], "-40 F is -40 C.")]
#[case(&["bucket-flow", "--bucket", "5 gal", "--time", "45 s"], "The tap gives 6.67 gal a minute (25.2 L/min), within 2.22 %.")]
#[case(&["fill-time", "--tank", "40 gal", "--flow", "5 gpm"], "It is 100 % full after 8 min.")]
#[case(&["drain-time", "--across", "3 ft", "--outlet", "1/2 in", "--from", "4 ft", "--to", "2 ft", "--coefficient", "1"],
       "At the least 12 min 37 s")]
#[case(&["bleach", "--dose", "1/4 cup", "--strength", "5.25 %", "--water", "15 gal"], "make 54.7 ppm")]
#[case(&["bleach", "--strength", "8.25 %", "--water", "40 gal"], "3.1 fl oz, 0.388 cups (91.8 mL) of bleach into 40 gal")]
#[case(&["hose-loss", "--flow", "5 gpm", "--diameter", "1/2 in", "--length", "25 ft"], "lose 6.95 psi")]
#[case(&["inverter-draw", "--load", "1,440 W", "--voltage", "12 V", "--efficiency", "100 %"], "take 120 A")]
#[case(&["battery-hours", "--capacity", "100 Ah", "--current", "10 A", "--exponent", "1.2", "--usable", "100 %"], "lasts about 8 h 42 min at 10 A")]
#[case(&["night", "--fan", "90 W", "--burner", "30,000 BTU/h", "--rest", "25 W", "--usable", "100 Ah", "--gas", "20 lb"],
       "The night takes 70 Ah and 8.35 lb (3.79 kg) of gas. That leaves 30 Ah and 11.6 lb (5.28 kg) of gas.")]
#[case(&["battery-exponent", "--first", "5 A for 20 h", "--second", "20 A for 3 h"], "The exponent is 1.368.")]
#[case(&["cord-drop", "--gauge", "10", "--length", "100 ft", "--current", "20 A"], "takes 4.97 V of it, 4.14 %")]
#[case(&["tire-change", "--reading", "80 psi", "--from", "70 F", "--to", "80 F"], "81.8 psi (564 kPa), 1.79 psi")]
#[case::as_it_was_called(&["tyre-change", "--reading", "80 psi", "--from", "70 F", "--to", "80 F"], "81.8 psi (564 kPa), 1.79 psi")]
#[case(&["wheel-nuts", "--driven", "12 mi", "--tightened", "12 mi"], "Not due; 13 mi (20.9 km) to go.")]
#[case(&["daylight", "--place", "64.84 N 147.72 W", "--date", "2025-06-21", "--zone", "AKST9AKDT,M3.2.0,M11.1.0"],
       "The night has no darkness")]
#[case(&["rinse-clock", "--tank", "40 gal", "--flow", "8 gpm", "--owner", "5 min"],
       "Rinse for 3 min 45 s: the tank would be too full after that. It is then 75 % full; to the brim after 5 min.")]
#[case(&["layer-clock", "--length", "30 in", "--width", "48 in", "--flow", "5 gpm"],
       "Let water run for 30 s: the common practice. That is 0.401 in (1.02 cm) deep.")]
#[case(&["tank-level", "--tank", "30 gal", "--lamps", "2 of 3"], "holds 20 gal (75.7 L) to 30 gal (114 L)")]
fn figures_are_given_with_exit_code_0(#[case] args: &[&str], #[case] expected: &str) {
    let (text, code) = says(args);
    assert!(text.contains(expected) && code == 0, "{code}: {text}");
}

#[rstest]
#[case::no_regulator(&["supply", "--pressure", "85 psi"], "never without a regulator")]
#[case::a_limit_passed(&["weights", "--vehicle", "24,000 lb of 23,000 lb", "--axle", "front=8,000 lb of 9,000 lb"],
                       "vehicle (GVWR): OVER by 1,000 lb")]
#[case::a_rating_missing(&["weights", "--vehicle", "24,000 lb of ?", "--axle", "front=8,000 lb of 9,000 lb"],
                         "vehicle (GVWR): unknown: no rating")]
#[case::warm(&["tire-reading", "--reading", "84 psi", "--placard", "80 psi", "--parked", "2 h", "--driven", "60 mi"],
             "Let no air out")]
#[case::far_too_low(&["tire-reading", "--reading", "60 psi", "--placard", "80 psi"], "do not drive")]
#[case::tongue(&["tongue", "--tongue", "499 lb", "--trailer", "5,000 lb"], "too light")]
#[case::brakes(&["trailer-brakes", "--trailer", "3,001 lb", "--trailer-axles", "2,000 lb", "--towing-axles", "6,000 lb"],
               "It needs brakes")]
#[case::brakes_unknown(&["trailer-brakes", "--trailer", "2,000 lb"], "Not known")]
#[case::breaker(&["service-load", "--service", "30 A", "--on", "heater=3,601 W"], "the breaker will trip")]
#[case::leg_unknown(&["service-load", "--service", "50 A", "--on", "a=4,000 W", "--on", "b=4,000 W"], "find out their legs")]
#[case::battery_unknown(&["unplug", "--on", "lamps=24 W@battery"], "how long that lasts is not known")]
#[case::unchecked(&["rinse-clock", "--owner", "5 min"], "not checked")]
fn what_does_not_fit_or_is_not_known_ends_with_code_3(#[case] args: &[&str], #[case] expected: &str) {
    let (text, code) = says(args);
    assert!(text.contains(expected) && code == 3, "{code}: {text}");
}

#[test]
fn unplugging_says_what_stops_what_goes_on_how_long_and_what_to_switch_off_first() {
    let (text, code) = says(&[
        "unplug",
        "--on",
        "roof cooling=1,500 W@shore",
        "--on",
        "kettle=1,000 W@inverter",
        "--on",
        "lamps=24 W@battery",
        "--inverter",
        "2,000 W",
        "--capacity",
        "200 Ah",
    ]);
    assert_eq!(code, 0, "{text}");
    for part in [
        "These stop: roof cooling.",
        "From the battery: kettle 88.2 A, lamps 1.9 A.",
        "In all 91.3 A; from full that lasts about 38 min.",
        "Switch off first: 2,524 W go through the plug now.",
        "12.6 V at the battery",
        "half of it may be used",
    ] {
        assert!(text.contains(part), "{part}: {text}");
    }
}

#[rstest]
#[case(&["fill-time", "--tank", "40", "--flow", "5 gpm"], "found \"40\" without a unit")]
#[case(&["fill-time", "--tank=-40 gal", "--flow", "5 gpm"], "below zero")]
#[case(&["fill-time", "--tank", "40000 gal", "--flow", "5 gpm"], "expected 0.5 to 1000 gal")]
#[case(&["fill-time", "--tank", "40 psi", "--flow", "5 gpm"], "found the unit \"psi\"")]
#[case(&["daylight", "--place", "somewhere", "--date", "2025-06-21"], "40 N 100 W")]
#[case(&["daylight", "--place", "40 N 100 W", "--date", "21.6.2025"], "year, month and day")]
fn bad_input_is_an_error_that_says_what_was_found_and_how_to_write_it(#[case] args: &[&str], #[case] expected: &str) {
    let done = figure(args);
    let error = String::from_utf8(done.stderr).unwrap();
    assert!(!done.status.success() && done.stdout.is_empty() && error.contains(expected), "{error}");
}

#[test]
fn json_gives_the_numbers_by_name_and_unit() {
    let (text, _) = says(&["cord-drop", "--gauge", "10", "--length", "100 ft", "--current", "20 A", "--json"]);
    let answer: Value = serde_json::from_str(&text).unwrap();
    assert!((answer["values"]["lost_v"].as_f64().unwrap() - 4.971).abs() < 0.001, "{text}");
    assert_eq!((answer["verdict"].as_str(), answer["values"]["advice"].as_str()), (Some("fits"), Some("noticeable")));
    assert!(answer["source"].as_str().unwrap().contains("National Electrical Code"));
}

#[test]
fn a_list_of_questions_is_answered_line_by_line_and_a_wrong_one_does_not_stop_it() {
    let mut program = Command::new(env!("CARGO_BIN_EXE_sparehand"))
        .args(["figure", "batch"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let questions = concat!(
        "{\"layer-clock\": {\"flow\": \"5 gpm\", \"length\": \"30 in\", \"width\": \"48 in\", \"depth\": \"1 in\"}}\n",
        "{\"layer-clock\": {\"flow\": \"5\"}}\n\n",
        "{\"unplug\": {\"on\": [\"lamps=24 W@battery\"], \"capacity\": \"100 Ah\"}}\n"
    );
    program.stdin.take().unwrap().write_all(questions.as_bytes()).unwrap();
    let done = program.wait_with_output().unwrap();
    let lines: Vec<Value> =
        String::from_utf8(done.stdout).unwrap().lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    assert_eq!((lines.len(), done.status.code()), (3, Some(1)));
    // 1 in over 30 x 48 in are 6.234 gal: 75 s at 5 gal a minute.
    assert_eq!(lines[0]["values"]["runs_s"].as_f64(), Some(75.0));
    assert!(lines[1]["error"].as_str().unwrap().starts_with("line 2: flow: found \"5\" without a unit"));
    assert!(lines[2]["values"]["lasts_s"].as_f64().unwrap() > 0.0);
}
