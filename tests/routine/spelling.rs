//! American spelling: in what a person hears, and in every name that an owner writes. British names in files of before are read.

use crate::routine_support::{RIGS, load, rig};
use sparehand::rig::{EQUIPMENT, Rig, RigFile, json_schema, write};
use sparehand::routine::{Library, Source, load_with};
use sparehand::setup::prompts::ROUTINES;

/// American spelling in everything that a person hears.
#[test]
fn what_is_said_is_spelled_as_in_america() {
    let mut texts: Vec<String> = Vec::new();
    for (name, people) in RIGS.iter().flat_map(|(name, _)| [(name, 1), (name, 2)]) {
        for (id, _) in ROUTINES {
            let routine = load(id, &rig(name).taking_part(people));
            texts.extend([&routine.title, &routine.intro, &routine.complete].map(Clone::clone));
            texts.extend(routine.sections.iter().map(|section| section.title.clone()));
            for step in &routine.steps {
                texts.extend(
                    [&step.name, &step.call, &step.short, &step.caution, &step.how, &step.check].map(Clone::clone),
                );
                texts.extend(step.answer.texts().into_iter().map(str::to_owned));
                texts.extend(step.answer.phrases().into_iter().flatten().cloned());
            }
        }
    }
    let book =
        sparehand::engine::phrasebook::Phrasebook::parse("en.toml", include_str!("../../prompts/phrases/en.toml"));
    texts.extend(book.unwrap().lines().map(str::to_owned));
    for text in &texts {
        assert_eq!(british(text), None, "in '{text}'");
    }
}

#[test]
fn every_name_that_an_owner_writes_is_spelled_as_in_america() {
    let mut names: Vec<String> = EQUIPMENT.iter().map(|item| item.name.to_owned()).collect();
    names.extend(Rig::list_names().map(str::to_owned));
    for (name, _) in RIGS {
        names.extend(rig(name).numbers().map(|(number, _)| number.to_owned()));
    }
    let mut places = vec![json_schema().to_value()];
    while let Some(place) = places.pop() {
        if let serde_json::Value::Object(fields) = place {
            for (key, value) in fields {
                names.push(key);
                places.push(value);
            }
        }
    }
    let plan: toml::Table = include_str!("../../prompts/phrases/plan.toml").parse().unwrap();
    names.extend(plan["assumptions"].as_table().unwrap().keys().cloned());
    assert!(["gray_gal", "leveling-jacks", "unpracticed"].iter().all(|known| names.iter().any(|name| name == known)));
    for name in &names {
        assert_eq!(british(name), None, "in '{name}'");
    }
}

/// The same rig, as its file was written before.
const BEFORE: &str = "[electric]\nmains_least_v = 106\nmains_most_v = 127\n[waste]\ngrey_gal = 31\ngrey_floor_sqin = 900\n\
    [standing]\nlevelling_jacks = true\nstabilisers = true\n[[person]]\nname = 'Rowan'\npractised = ['outside']\n\
    [[tyre]]\nname = 'left front'\nleast_psi = 60\nmost_psi = 65\n";
const TODAY: &str = "[electric]\nshore_least_v = 106\nshore_most_v = 127\n[waste]\ngray_gal = 31\ngray_floor_sqin = 900\n\
    [standing]\nleveling_jacks = true\nstabilizers = true\n[[person]]\nname = 'Rowan'\npracticed = ['outside']\n\
    [[tire]]\nname = 'left front'\nleast_psi = 60\nmost_psi = 65\n";

#[test]
fn a_rig_file_with_british_names_is_read_and_written_with_american_ones() {
    let before: RigFile = toml::from_str(BEFORE).unwrap();
    assert_eq!(before, toml::from_str(TODAY).unwrap());
    assert_ne!(before, RigFile::default());
    let written = write(&before).unwrap();
    for key in written.lines().filter_map(|line| line.split(['=', ']']).next().filter(|_| !line.starts_with('#'))) {
        assert_eq!(british(key), None, "in '{key}' of\n{written}");
    }
    assert_eq!(toml::from_str::<RigFile>(&written).unwrap(), before);
}

#[test]
fn a_rig_file_that_has_a_field_in_both_spellings_is_refused() {
    let both = Rig::parse("rig.toml", "[waste]\ngrey_gal = 31\ngray_gal = 40\n").unwrap_err().to_string();
    assert!(both.starts_with("rig.toml: line ") && both.contains("two lines for `gray_gal`, expected one"), "{both}");
}

#[test]
fn an_owners_routine_with_british_names_is_read_as_with_american_ones() {
    let of = |mains: &str, grey: &str, levelling: &str, stabilisers: &str, tyres: &str, least: &str, volts: &str| {
        let step = |id: &str, needs: &str, call: &str| {
            format!(
                "[[section.step]]\nid = '{id}'\nname = '{id}'\nneeds = [{needs}]\ncall = '{call} Say: seen it.'\n\
                 answer = {{ kind = 'done', also = ['seen it'] }}\n"
            )
        };
        let repeated = format!(
            "[[section.step]]\nid = 'read'\nname = 'read'\nrepeats = '{tyres}'\ncall = 'Read {{each}}. {{{least}}} or more.'\n\
             answer = {{ kind = 'number', name = '{{each}}', unit = 'p s i', least = '{least}', most = 100, gauge = [10.0, 150.0] }}\n"
        );
        let text = [
            "id = 'own'\ntitle = 'own'\ncomplete = 'Done.'\n[[section]]\nid = 's'\ntitle = 's'\n".to_owned(),
            step("a", &format!("'{mains}', '{grey}', '{levelling}'"), &format!("{{{volts}}} volts.")),
            step("b", &format!("'not-{stabilisers}'"), "Never."),
            repeated,
            "[[section.step]]\nid = 'gate'\nname = 'gate'\ncall = 'Last look.'\nanswer = { kind = 'gate' }\n"
                .to_owned(),
        ]
        .concat();
        let nothing = Library { routine: &|_| None, changes: &|_| None };
        let rig = Rig::parse("rig.toml", TODAY).unwrap();
        load_with(&Source { name: "own.toml".to_owned(), text }, &rig, &nothing)
            .unwrap_or_else(|error| panic!("{error}"))
    };
    let before = of("mains", "grey-tank", "levelling-jacks", "stabilisers", "tyres", "tyre_least_psi", "mains_least_v");
    let today =
        of("shore-cord", "gray-tank", "leveling-jacks", "stabilizers", "tires", "tire_least_psi", "shore_least_v");
    assert_eq!(before.steps, today.steps);
    let calls: Vec<&str> = today.steps.iter().map(|step| step.call.as_str()).collect();
    assert_eq!(calls, ["106 volts. Say: seen it.", "Read left front. 60 or more.", "Last look."]);
}

/// The first British word of a text or a name.
fn british(text: &str) -> Option<String> {
    let plain = text.to_lowercase().replace(|c: char| !c.is_alphabetic(), " ");
    plain.split_whitespace().find(|word| BRITISH.contains(word)).map(str::to_owned)
}

/// As in Britain, whole words; common knowledge of spelling, no source.
const BRITISH: &[&str] = &[
    "grey",
    "tyre",
    "tyres",
    "colour",
    "neighbour",
    "neighbours",
    "vapour",
    "litre",
    "litres",
    "millilitres",
    "metre",
    "stabiliser",
    "stabilisers",
    "levelling",
    "licence",
    "centre",
    "fuelling",
    "sanitise",
    "sanitising",
    "earth",
    "mains",
    "kerb",
    "torch",
    "spanner",
    "aluminium",
    "catalogue",
    "programme",
    "towards",
    "practised",
    "unpractised",
    "levelled",
    "millilitre",
];
