//! The words of the trade: each that is said is explained in docs/glossary.md, each that is explained is said, and one thing has one word.

use std::collections::BTreeSet;

use crate::routine_support::{RIGS, load, rig};
use sparehand::setup::prompts::ROUTINES;

const GLOSSARY: &str = include_str!("../../docs/glossary.md");

/// Words that somebody on a first morning does not know, by where the trade has them from: definitions of NEC article 551, NFPA 1192,
/// SAE J684, 49 CFR 393 and ASSE 1011, from memory; the rest is common practice, no source.
const TRADE: &[&str] = &[
    "pedestal",
    "shore power",
    "shore cord",
    "breaker",
    "surge protector",
    "polarity",
    "ground",
    "neutral",
    "leg",
    "inverter",
    "converter",
    "black tank",
    "gray tank",
    "fresh tank",
    "dump station",
    "sewer hose",
    "waste valves",
    "outlet cap",
    "rinse inlet",
    "vacuum breaker",
    "macerator",
    "cassette",
    "regulator",
    "bypass",
    "check valve",
    "low point drains",
    "anode rod",
    "furnace",
    "pilot light",
    "slide",
    "travel lock",
    "awning",
    "bay",
    "stabilizers",
    "leveling jacks",
    "jack",
    "chock",
    "tongue jack",
    "landing gear",
    "coupler",
    "kingpin",
    "pin plate",
    "jaws",
    "weight bars",
    "sway control",
    "safety chains",
    "breakaway",
    "brake controller",
    "gain",
    "tow bar",
    "dolly",
    "brake unit",
    "receiver",
    "dual tires",
    "lug nuts",
    "torque",
    "placard",
    "hub",
    "spotter",
    "seal",
    "escape ramp",
];

/// Word, explanation, and what is never said for it, of each row of the table.
fn entries() -> Vec<(String, String, Vec<String>)> {
    let rows = GLOSSARY.lines().filter(|line| line.starts_with("| ")).skip(1);
    rows.filter(|line| !line.starts_with("| ---"))
        .map(|line| {
            let cells: Vec<&str> = line.trim_matches('|').split('|').map(str::trim).collect();
            assert_eq!(cells.len(), 3, "a row of three: {line}");
            let never = cells[2].split(',').map(str::trim).filter(|word| !word.is_empty());
            (cells[0].to_owned(), cells[1].to_owned(), never.map(str::to_owned).collect())
        })
        .collect()
}

/// Everything that the routines say or take, for every rig, by one and by two; with a blank at both ends and for every sign.
fn said() -> String {
    let mut texts = BTreeSet::new();
    for (name, people) in RIGS.iter().flat_map(|(name, _)| [(name, 1), (name, 2)]) {
        let rig = rig(name).taking_part(people);
        for (id, _) in ROUTINES {
            let routine = load(id, &rig);
            texts.extend([&routine.title, &routine.intro, &routine.complete].map(Clone::clone));
            texts.extend(routine.sections.iter().map(|section| section.title.clone()));
            for step in &routine.steps {
                let own = [&step.name, &step.call, &step.short, &step.how, &step.check, &step.caution, &step.tested_by];
                texts.extend(own.map(Clone::clone));
                texts.extend(step.answer.texts().into_iter().map(str::to_owned));
                texts.extend(step.answer.phrases().into_iter().flatten().cloned());
            }
        }
    }
    let all = texts.into_iter().collect::<Vec<_>>().join(" . ").to_lowercase();
    let plain = all.replace(|c: char| !c.is_alphanumeric() && c != '-' && c != '\'', " ");
    format!(" {} ", plain.split_whitespace().collect::<Vec<_>>().join(" "))
}

/// Whether the word is said, one or several of it.
fn holds(said: &str, word: &str) -> bool {
    let one = word.strip_suffix('s').unwrap_or(word);
    [word.to_owned(), one.to_owned(), format!("{word}s"), format!("{word}'s")]
        .iter()
        .any(|form| said.contains(&format!(" {form} ")))
}

#[test]
fn every_word_of_the_trade_that_is_said_is_in_the_glossary() {
    let (said, entries) = (said(), entries());
    let missing: Vec<&&str> =
        TRADE.iter().filter(|word| holds(&said, word) && !entries.iter().any(|(entry, ..)| entry == *word)).collect();
    assert!(missing.is_empty(), "said, and not in docs/glossary.md: {missing:?}");
}

#[test]
fn every_word_of_the_glossary_is_said_and_explained_once() {
    let (said, entries) = (said(), entries());
    let mut seen = BTreeSet::new();
    for (word, explained, _) in &entries {
        assert!(holds(&said, word), "'{word}' is never said");
        assert!(seen.insert(word.clone()), "'{word}' stands there twice");
        assert!(explained.split_whitespace().count() >= 3, "'{word}' is not explained");
    }
    assert!(entries.len() >= 50, "{}", entries.len());
}

/// Every sentence in a table of words, but for the names of fields and equipment, which nobody hears.
fn sentences(table: &toml::Table, found: &mut Vec<String>) {
    for (key, value) in table {
        // Roles of other people's lists are read, not said.
        if ["id", "set", "needs", "roles"].contains(&key.as_str()) {
            continue;
        }
        let mut values = vec![value];
        while let Some(value) = values.pop() {
            match value {
                toml::Value::String(text) => found.push(text.clone()),
                toml::Value::Array(items) => values.extend(items),
                toml::Value::Table(inner) => sentences(inner, found),
                _ => {}
            }
        }
    }
}

/// What the program says beside the routines.
fn phrases() -> String {
    let files = [
        include_str!("../../prompts/phrases/en.toml"),
        include_str!("../../prompts/phrases/plan.toml"),
        include_str!("../../prompts/phrases/screen.toml"),
        include_str!("../../prompts/phrases/doctor.toml"),
        include_str!("../../prompts/phrases/paper.toml"),
        include_str!("../../prompts/phrases/interview.toml"),
        include_str!("../../prompts/phrases/learn.toml"),
        include_str!("../../prompts/phrases/mic.toml"),
        include_str!("../../prompts/phrases/phone.toml"),
    ];
    let mut found = Vec::new();
    files.into_iter().for_each(|text| sentences(&text.parse().unwrap(), &mut found));
    let all = found.join(" . ").to_lowercase();
    let plain = all.replace(|c: char| !c.is_alphanumeric() && c != '-' && c != '\'', " ");
    format!(" {} ", plain.split_whitespace().collect::<Vec<_>>().join(" "))
}

#[test]
fn one_thing_has_one_word() {
    let said = format!("{}{}", said(), phrases());
    for (word, _, never) in entries() {
        for other in never {
            assert!(!said.contains(&format!(" {} ", other.to_lowercase())), "'{other}' is said for '{word}'");
        }
    }
}
