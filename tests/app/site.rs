//! `sparehand site`: how the rig stands, between runs.

use std::path::Path;
use std::process::Output;

use rstest::rstest;
use sparehand::engine::event::{Event, HeardAs};
use sparehand::journal::{Journal, Purpose};

use crate::left_running::run;
use crate::refused::sparehand;

fn site(home: &Path, args: &[&str]) -> Output {
    sparehand(home, &[&["site"], args].concat())
}

fn json(home: &Path) -> serde_json::Value {
    let shown = site(home, &["--json"]);
    assert!(shown.status.success(), "{}", String::from_utf8_lossy(&shown.stderr));
    serde_json::from_slice(&shown.stdout).unwrap()
}

#[test]
fn how_the_rig_stands_is_told_shown_and_kept() {
    let home = tempfile::tempdir().unwrap();
    assert_eq!(json(home.path())["mains"], "unknown", "nobody has said anything yet");
    assert!(site(home.path(), &["mains=out", "own-mat=out"]).status.success());
    assert!(site(home.path(), &["mains=away"]).status.success());
    let shown = json(home.path());
    assert_eq!((&shown["mains"], &shown["own-mat"]), (&"away".into(), &"out".into()));
    let text = String::from_utf8(site(home.path(), &[]).stdout).unwrap();
    assert!(text.lines().any(|line| line.starts_with("shore power ") && line.contains("not connected")), "{text}");
}

#[test]
fn a_thing_that_nobody_knows_is_refused_with_those_that_there_are() {
    let home = tempfile::tempdir().unwrap();
    for wrong in ["main=away", "mains=on", "mains"] {
        let refused = site(home.path(), &[wrong]);
        let told = String::from_utf8_lossy(&refused.stderr).replace(['\n', '│', ' '], "");
        assert!(!refused.status.success() && told.contains("shore-power=away") && told.contains("sewer"), "{told}");
    }
    assert_eq!(json(home.path())["mains"], "unknown");
}

/// What is said is what may be typed; nothing is there without a name.
#[test]
fn things_are_shown_and_told_by_the_names_that_are_said() {
    let home = tempfile::tempdir().unwrap();
    let rig = home.path().join("config/sparehand/rig.toml");
    std::fs::create_dir_all(rig.parent().unwrap()).unwrap();
    std::fs::write(&rig, "[[slide]]\nname = 'kitchen slide'\n[outside]\nantennas = ['roof antenna']\n").unwrap();
    let told = site(home.path(), &["shore power=away", "kitchen-slide=out", "roof-antenna=away", "sewer=away"]);
    assert!(told.status.success(), "{}", String::from_utf8_lossy(&told.stderr));
    let shown = json(home.path());
    for (thing, stands) in
        [("mains", "away"), ("slide@kitchen-slide", "out"), ("antenna@roof-antenna", "away"), ("sewer", "away")]
    {
        assert_eq!(shown[thing], stands, "{thing} in {shown}");
    }
    assert!(shown.get("antenna").is_none(), "{shown}");
    let text = String::from_utf8(site(home.path(), &[]).stdout).unwrap();
    assert!(text.lines().all(|line| !line.starts_with(' ')), "{text}");
    assert!(text.contains(" shore-power=away\n") && text.contains(" kitchen-slide=out\n"), "{text}");
}

fn journal(home: &Path) -> Journal {
    std::fs::create_dir_all(home.join("data/sparehand")).unwrap();
    Journal::open(&home.join("data/sparehand/journal.sqlite")).unwrap()
}

fn answered(step: &str, answer: &str) -> Event {
    Event::StepAnswered { step: step.to_owned(), answer: answer.to_owned(), heard: HeardAs::Key }
}

/// By a journal of a program that knew nothing of it: its answers tell.
#[test]
fn how_the_rig_stands_follows_from_past_answers_and_rehearsals_tell_nothing() {
    let home = tempfile::tempdir().unwrap();
    let rehearsed = Event::Rehearsed { event: Box::new(answered("sewer-seated", "plug home")) };
    let mut journal = journal(home.path());
    run(&mut journal, "arrive", Purpose::Real, vec![answered("plugged", "plug home")]);
    run(&mut journal, "arrive", Purpose::Rehearsal, vec![rehearsed]);
    drop(journal);
    let shown = json(home.path());
    assert_eq!((&shown["mains"], &shown["sewer"]), (&"out".into(), &"unknown".into()));
}

/// A rig with all that these routines put out and away; the gas stays open on its road.
const FULL: &str = "[electric]\ngenerator = true\n[gas]\non_the_road = 'open'\n[[awning]]\nname = 'big awning'\n";

#[rstest]
#[case::generator_running("generator", &[("one-source", "only one source"), ("started", "it runs steady")],
    &[("mains", "away"), ("generator", "out")])]
#[case::generator_shut_down("generator", &[("started", "it runs steady"), ("shut-down", "generator silent")],
    &[("generator", "away"), ("mains", "unknown")])]
#[case::at_the_pump("fuel-stop", &[("flames-out", "flames out"), ("gas-shut", "gas shut"), ("generator-off", "generator silent")],
    &[("gas", "away"), ("generator", "away"), ("furnace", "away")])]
#[case::fueled_and_gas_open("fuel-stop", &[("gas-shut", "gas shut"), ("gas-again", "gas opened again")], &[("gas", "out")])]
#[case::fueled_and_gas_shut("fuel-stop", &[("gas-shut", "gas shut"), ("gas-again", "gas stays shut")], &[("gas", "away")])]
#[case::frost("cold-night", &[("hose-in", "hose is inside"), ("furnace-set", "furnace is set"), ("electric-heater", "heater is safe"),
    ("air", "air comes in"), ("awning-in@big-awning", "awning is in")],
    &[("water", "away"), ("furnace", "out"), ("electric-heater", "out"), ("vents", "out"), ("awning@big-awning", "away")])]
#[case::light_frost("cold-night", &[("hose-in", "hose stays out"), ("electric-heater", "no heater used")],
    &[("water", "out"), ("electric-heater", "away"), ("vents", "unknown")])]
fn what_a_stop_a_generator_or_a_cold_night_changes_is_kept(
    #[case] routine: &str,
    #[case] answers: &[(&str, &str)],
    #[case] stand: &[(&str, &str)],
) {
    let home = tempfile::tempdir().unwrap();
    let rig = home.path().join("config/sparehand/rig.toml");
    std::fs::create_dir_all(rig.parent().unwrap()).unwrap();
    std::fs::write(&rig, FULL).unwrap();
    let events = answers.iter().map(|(step, answer)| answered(step, answer)).collect();
    run(&mut journal(home.path()), routine, Purpose::Real, events);
    let shown = json(home.path());
    for (thing, stands) in stand {
        assert_eq!(shown[thing], *stands, "{thing} in {shown}");
    }
}

#[test]
fn a_routine_of_ones_own_that_no_longer_reads_is_told_once_and_one_that_is_gone_is_not() {
    let home = tempfile::tempdir().unwrap();
    let routines = home.path().join("config/sparehand/routines");
    std::fs::create_dir_all(&routines).unwrap();
    std::fs::write(routines.join("my-own.toml"), "title = ").unwrap();
    let mut journal = journal(home.path());
    for routine in ["my-own", "my-own", "gone"] {
        run(&mut journal, routine, Purpose::Real, vec![answered("plugged", "plug home")]);
    }
    drop(journal);
    let shown = site(home.path(), &["--json"]);
    let told = String::from_utf8_lossy(&shown.stderr).into_owned();
    assert!(shown.status.success(), "{told}");
    assert_eq!(told.matches("What past runs of ").count(), 1, "{told}");
    assert!(told.contains("past runs of my-own") && told.contains("my-own.toml"), "{told}");
}

#[test]
fn another_state_at_a_step_leaves_unknown_what_it_had_set() {
    let home = tempfile::tempdir().unwrap();
    let heard = HeardAs::Key;
    let open = Event::OtherStateHeard { step: "gas-shut".to_owned(), answer: "gas open".to_owned(), heard };
    run(&mut journal(home.path()), "fuel-stop", Purpose::Real, vec![answered("gas-shut", "gas shut"), open]);
    assert_eq!(json(home.path())["gas"], "unknown");
}

#[test]
fn a_running_generator_is_shown_in_words_and_to_whoever_has_one() {
    let home = tempfile::tempdir().unwrap();
    run(&mut journal(home.path()), "generator", Purpose::Real, vec![answered("started", "it runs steady")]);
    let text = || String::from_utf8(site(home.path(), &[]).stdout).unwrap();
    assert!(!text().contains("generator"), "this rig has none:\n{}", text());
    let rig = home.path().join("config/sparehand/rig.toml");
    std::fs::create_dir_all(rig.parent().unwrap()).unwrap();
    std::fs::write(&rig, FULL).unwrap();
    assert!(text().lines().any(|line| line.starts_with("generator ") && line.contains(" running ")), "{}", text());
}

/// What was told between runs is no run that somebody finished, and the log has the words that are said.
#[test]
fn the_log_says_of_what_was_told_between_runs_that_it_was_and_names_things_as_they_are_said() {
    let home = tempfile::tempdir().unwrap();
    let log = |args: &[&str]| {
        let output = sparehand(home.path(), &[&["log"], args].concat());
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8(output.stdout).unwrap()
    };
    assert_eq!(log(&[]), "no runs yet\n");
    assert_eq!(log(&["--json"]), "");
    assert!(site(home.path(), &["mains=away", "own-mat=out"]).status.success());
    let list = log(&[]);
    assert!(list.contains("told between runs") && !list.contains("finished"), "{list}");
    let run = log(&["1"]);
    assert!(run.contains("shore power not connected") && run.contains("mat out"), "{run}");
    assert!(!run.contains("began, text") && !run.contains("mains"), "{run}");
}
