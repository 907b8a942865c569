//! The interview that makes a rig's file, and the file that it writes.

use crate::routine_support::RIGS;
use proptest::prelude::*;
use sparehand::rig::interview::Interview;
use sparehand::rig::{Behind, Rig, RigFile, RigKind, Role, json_schema, write};

const QUESTIONS: &str = include_str!("../../prompts/phrases/interview.toml");

fn begin() -> Interview {
    Interview::new(QUESTIONS, &RigFile::default()).unwrap()
}

/// Answers each question by the first pair whose words stand in it, else keeps what stands. Gives what was asked.
fn hold(interview: &mut Interview, answers: &[(&str, &str)]) -> Vec<String> {
    let mut asked = Vec::new();
    while let Some(question) = interview.asked() {
        let said = answers.iter().find(|(part, _)| question.ask.contains(part)).map_or("", |(_, said)| said);
        interview.answer(said).unwrap_or_else(|why| panic!("{}: {why}", question.ask));
        asked.push(question.ask);
        assert!(asked.len() < 300, "it never ends: {asked:?}");
    }
    asked
}

#[test]
fn keeping_everything_gives_the_rig_that_it_began_with() {
    for (name, text) in RIGS {
        let known: RigFile = toml::from_str(text).unwrap();
        let mut interview = Interview::new(QUESTIONS, &known).unwrap();
        hold(&mut interview, &[]);
        assert_eq!(interview.rig().unwrap(), known, "{name}");
    }
}

#[test]
fn a_motorhome_with_a_car_is_asked_for_what_it_has_and_nothing_else() {
    let mut interview = begin();
    let asked = hold(
        &mut interview,
        &[
            ("kind of rig", "motorhome"),
            ("Who takes part", "Rowan, Imre"),
            ("What does Rowan", "driver, outside"),
            ("What does Imre", "inside, 4"),
            ("know well", "none"),
            ("shore cord", "50"),
            ("black tank hold", "0"),
            ("toilet cassette", "no"),
            ("slide-outs", "kitchen slide"),
            ("behind it", "car on a tow bar"),
            ("held", "8"),
            ("emergency number", "112"),
            ("Which tires", "left front"),
            ("sidewall", "120"),
            ("lowest good one", "105"),
        ],
    );
    let rig = interview.rig().unwrap();
    assert_eq!((rig.kind, rig.electric.cord_a, rig.tow.behind), (RigKind::Motorhome, 50, Behind::CarOnBar));
    assert_eq!(rig.person[1].roles, [Role::Inside, Role::Spotter]);
    assert_eq!(rig.help.emergency_number, 112);
    assert_eq!((rig.tire[0].least_psi, rig.tire[0].most_psi, rig.tow.car_hold_s), (105, 120, 8));
    assert!(!asked.iter().any(|ask| ask.contains("rinsing") || ask.contains("weight-distributing")), "{asked:?}");
    assert!(asked.iter().any(|ask| ask == "On which side does the kitchen slide go out?"));
}

#[test]
fn an_answer_that_does_not_fit_changes_nothing_and_says_what_would() {
    let mut interview = begin();
    let before = interview.rig().unwrap();
    let why = interview.answer("a boat").unwrap_err();
    assert_eq!(why.to_string(), "found 'a boat', expected one of: motorhome, travel trailer, fifth wheel, van");
    while !interview.asked().unwrap().ask.contains("fresh tank") {
        interview.answer("").unwrap();
    }
    let why = interview.answer("4000").unwrap_err().to_string();
    assert_eq!(why, "found '4000', expected 0 to 400 gallons");
    assert_eq!(interview.rig().unwrap(), before);
}

#[test]
fn back_asks_the_last_question_again() {
    let mut interview = begin();
    let first = interview.asked().unwrap();
    interview.answer("van").unwrap();
    interview.answer("back").unwrap();
    let again = interview.asked().unwrap();
    assert_eq!((again.ask, again.now), (first.ask, "van".to_owned()));
}

#[test]
fn what_is_known_of_a_slide_stays_when_another_one_is_added() {
    let known: RigFile = toml::from_str("[[slide]]\nname = 'sofa slide'\nside = 'rear'").unwrap();
    let mut interview = Interview::new(QUESTIONS, &known).unwrap();
    hold(&mut interview, &[("slide-outs", "bed slide, sofa slide")]);
    let rig = interview.rig().unwrap();
    assert_eq!(rig.slide[1], known.slide[0]);
    assert_eq!(rig.slide.len(), 2);
}

#[test]
fn a_file_that_is_written_is_read_back_as_the_same_rig_and_says_what_each_field_means() {
    for (name, text) in RIGS {
        let rig: RigFile = toml::from_str(text).unwrap();
        let written = write(&rig).unwrap();
        assert_eq!(toml::from_str::<RigFile>(&written).unwrap(), rig, "{name}:\n{written}");
        assert_eq!(Rig::parse(name, &written), Rig::parse(name, text));
        let head = written.split("\n[[").next().unwrap();
        let lines: Vec<&str> = head.lines().collect();
        for pair in lines.windows(2).filter(|pair| pair[1].contains(" = ")) {
            assert!(pair[0].starts_with("# "), "no comment above '{}' in\n{written}", pair[1]);
            let british = ["mains", "levelling", "stabiliser", "grey", "tyre"];
            let found = british.iter().find(|word| pair[0].to_lowercase().contains(*word));
            assert!(found.is_none(), "'{}' is not spelled as in America", pair[0]);
        }
        assert!(written.contains("# Fresh tank in US gallons; 0 for none.\nfresh_gal = "), "{written}");
    }
}

/// The schema is checked against a second reader of JSON Schema in the outside checks; here that every field is in it.
#[test]
fn the_schema_that_ships_is_that_of_the_code() {
    let shipped: serde_json::Value = serde_json::from_str(include_str!("../../schemas/rig.schema.json")).unwrap();
    assert!(
        &shipped == json_schema().as_value(),
        "not the same; write it anew: sparehand rig --schema > schemas/rig.schema.json"
    );
}

#[test]
fn every_field_of_a_written_file_stands_in_the_schema_with_its_meaning() {
    let schema = json_schema();
    let schema = schema.as_value();
    let mut nameless = Vec::new();
    let mut look = |owner: &str, properties: &serde_json::Value| {
        for (name, field) in properties.as_object().into_iter().flatten() {
            if field["description"].as_str().is_none_or(str::is_empty) {
                nameless.push(format!("{owner}.{name}"));
            }
        }
    };
    look("rig", &schema["properties"]);
    for (name, definition) in schema["$defs"].as_object().unwrap() {
        look(name, &definition["properties"]);
    }
    assert!(nameless.is_empty(), "{nameless:?}");
}

proptest! {
    #[test]
    fn whatever_is_typed_the_rig_stays_one_that_can_be(lines in proptest::collection::vec("[ -~]{0,12}|yes|no|none|back|[0-9]{1,4}", 0..80)) {
        let mut interview = begin();
        for line in &lines {
            let before = interview.rig().unwrap();
            if interview.answer(line).is_err() {
                prop_assert_eq!(interview.rig().unwrap(), before);
            }
        }
        let rig = interview.rig().unwrap();
        let written = write(&rig).unwrap();
        prop_assert!(Rig::parse("rig.toml", &written).is_ok(), "{}", written);
    }
}
