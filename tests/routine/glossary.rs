//! The words of the trade: each that is said is explained in docs/glossary.md, each that is explained is said, and one thing has one word.

use std::collections::BTreeSet;
use std::path::Path;

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
    plain(&texts.into_iter().collect::<Vec<_>>().join(" . "))
}

/// Small letters, with a blank at both ends and for every sign.
fn plain(text: &str) -> String {
    let plain = text.to_lowercase().replace(|c: char| !c.is_alphanumeric() && c != '-' && c != '\'', " ");
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

/// Words of every day that have others for the same thing, each with those that are never said for it. Common practice, no source.
const EVERYDAY: &[(&str, &[&str])] = &[
    ("tap", &["faucet", "spigot", "hose bib"]),
    ("gas", &["propane", "butane"]),
    ("bottle", &["cylinder", "gas tank"]),
    ("trailer", &["caravan", "camper"]),
    ("wrench", &["spanner"]),
    ("flashlight", &["torch"]),
    ("gasoline", &["petrol"]),
    ("fridge", &["refrigerator", "icebox"]),
    ("stove", &["cooker", "hob", "cooktop"]),
    ("brake set", &["handbrake", "emergency brake"]),
    ("truck", &["lorry"]),
    ("tire", &["tyre"]),
    ("detector", &["sniffer"]),
];

/// Where another word is said all the same: the file below `prompts`, the word, and why.
const EXCEPTIONS: &[(&str, &str, &str)] = &[
    ("routines/gas-smell.toml", "propane", "whoever smells it says what stands on the bottle"),
    (
        "routines/night-without-hookup.toml",
        "hookup",
        "the trade's name of a site with power, water and sewer, and not of its post",
    ),
    ("routines/fuel-stop.toml", "propane", "beside a pump gas is what goes into the engine, and the tank is its own"),
    ("routines/gas-refill.toml", "propane", "whoever asks a dealer for gas is sent to the gasoline"),
    ("routines/cold-night.toml", "propane", "pounds of gas are counted by nobody who thinks of gasoline"),
    ("routines/night-without-hookup.toml", "propane", "pounds of gas are counted by nobody who thinks of gasoline"),
    ("routines/lay-up.toml", "post", "a battery's, which the trade calls by no other name"),
    ("routines/wake-up.toml", "post", "a battery's, which the trade calls by no other name"),
    ("routines/arrive.toml", "post", "a post of wood that an awning runs into"),
];

/// Fields that hold names and no words: nobody hears them.
const NAMES: &[&str] = &[
    "after",
    "clock",
    "demands",
    "during",
    "given_by",
    "harm",
    "id",
    "include",
    "kind",
    "least",
    "most",
    "needs",
    "no_back_to",
    "repeats",
    "role",
    "roles",
    "routine",
    "set",
    "sets",
    "touches",
    "undoes",
    "verifies",
];

/// Every text of a file, without those of fields that hold names.
fn texts(table: &toml::Table, found: &mut Vec<String>) {
    let of_fields = table.iter().filter(|(field, _)| !NAMES.contains(&field.as_str()));
    let mut values: Vec<&toml::Value> = of_fields.map(|(_, value)| value).collect();
    while let Some(value) = values.pop() {
        match value {
            toml::Value::String(text) => found.push(unfilled(text)),
            toml::Value::Array(items) => values.extend(items),
            toml::Value::Table(inner) => texts(inner, found),
            _ => {}
        }
    }
}

/// The text without what is filled in: `{toilet_box_lb}` is said as a number.
fn unfilled(text: &str) -> String {
    let after = |part: &str| part.split_once('}').map_or_else(|| part.to_owned(), |(_, rest)| rest.to_owned());
    let mut parts = text.split('{');
    let first = parts.next().unwrap_or_default().to_owned();
    std::iter::once(first).chain(parts.map(after)).collect::<Vec<_>>().join(" 1 ")
}

/// What each file below `prompts` says or takes, by its name, as [`said`] writes it.
fn prompts() -> Vec<(String, String)> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("prompts");
    let mut folders = vec![root.clone()];
    let mut files = Vec::new();
    while let Some(folder) = folders.pop() {
        for path in std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()) {
            if path.is_dir() {
                folders.push(path);
            } else {
                let mut found = Vec::new();
                let text = std::fs::read_to_string(&path).unwrap();
                texts(&text.parse().unwrap_or_else(|why| panic!("{}: {why}", path.display())), &mut found);
                files.push((path.strip_prefix(&root).unwrap().display().to_string(), plain(&found.join(BETWEEN))));
            }
        }
    }
    files.sort();
    files
}

/// Stands between two texts, so that the end of one and the begin of the next make no word.
const BETWEEN: &str = " - ";

/// The word that is meant, and the other one that is said for it.
fn others(said: &str) -> Vec<(String, String)> {
    let entries = entries().into_iter().map(|(word, _, never)| (word, never));
    let everyday =
        EVERYDAY.iter().map(|(word, never)| ((*word).to_owned(), never.iter().map(|n| (*n).to_owned()).collect()));
    let pairs =
        entries.chain(everyday).flat_map(|(word, never)| never.into_iter().map(move |other| (word.clone(), other)));
    // Not one where several are named: a main valve is not the mains.
    let is_said =
        |other: &str| ["", "s", "'s"].iter().any(|end| said.contains(&format!(" {}{end} ", other.to_lowercase())));
    pairs.filter(|(_, other)| is_said(other)).collect()
}

#[test]
fn one_thing_has_one_word_in_all_prompts() {
    let prompts = prompts();
    assert!(prompts.len() > 40, "{}", prompts.len());
    let mut needed = BTreeSet::new();
    let mut found = Vec::new();
    for (file, said) in &prompts {
        for (word, other) in others(said) {
            match EXCEPTIONS.iter().find(|(of, known, _)| of == file && *known == other) {
                Some((of, known, _)) => drop(needed.insert((*of, *known))),
                None => found.push(format!("prompts/{file}: '{other}' for '{word}'")),
            }
        }
    }
    assert!(found.is_empty(), "one of both, or an exception with its reason:\n{}", found.join("\n"));
    for (file, word, reason) in EXCEPTIONS {
        assert!(needed.contains(&(*file, *word)), "{file} says no '{word}' any more");
        assert!(reason.split_whitespace().count() > 3, "{file}, '{word}': {reason}");
    }
}

#[test]
fn another_word_for_a_thing_is_found_one_or_several_of_it() {
    for (text, other) in
        [("Plug in at the post.", "post"), ("Two faucets drip!", "faucet"), ("The MAINS are off", "mains")]
    {
        assert!(others(&plain(text)).iter().any(|(_, found)| found == other), "{text}");
    }
    assert_eq!(others(&plain("Put the pedestal's breaker on, then open the tap.")), []);
}

/// Every word of the everyday table is one that is said: else it stands there for nothing.
#[test]
fn the_words_that_others_are_refused_for_are_said() {
    let all: String = prompts().into_iter().map(|(_, said)| said).collect();
    for (word, _) in EVERYDAY {
        assert!(holds(&all, word), "'{word}' is never said");
    }
}
