//! The routines that ship, for every rig that ships.

use crate::routine_support::{RIGS, rig, try_load};
use sparehand::setup::prompts::ROUTINES;

#[test]
fn every_routine_loads_for_every_rig() {
    let mut faults = Vec::new();
    for (name, _) in RIGS {
        let rig = rig(name);
        for (id, _) in ROUTINES {
            if let Err(error) = try_load(id, &rig) {
                faults.push(format!("{name}: {error}"));
            }
        }
    }
    assert!(faults.is_empty(), "\n{}", faults.join("\n"));
}

/// What the program says itself it does not hear: while it says "stop", a person's "stop" is lost.
#[test]
fn no_routine_says_what_is_listened_for_while_it_speaks() {
    let words = |text: &str| {
        let plain: String = text.to_lowercase().chars().map(|c| if c.is_alphanumeric() { c } else { ' ' }).collect();
        format!(" {} ", plain.split_whitespace().collect::<Vec<_>>().join(" "))
    };
    for (name, _) in RIGS {
        let rig = rig(name);
        let all: Vec<_> = ROUTINES.iter().map(|(id, _)| try_load(id, &rig).unwrap()).collect();
        let mut listened: Vec<String> = all.iter().flat_map(|routine| routine.start.clone()).collect();
        listened.push("stop".to_owned());
        for routine in &all {
            let sections = routine.sections.iter().map(|section| section.title.as_str());
            let steps = routine.steps.iter().flat_map(|step| {
                let said =
                    [&step.name, &step.caution, &step.call, &step.short, &step.how, &step.check].map(String::as_str);
                said.into_iter().chain(step.answer.texts())
            });
            let own = [&routine.title, &routine.intro, &routine.complete].map(String::as_str);
            for text in own.into_iter().chain(sections).chain(steps) {
                // A card has started when it names itself; and where something may go wrong, its words are told.
                let others = listened.iter().filter(|phrase| !routine.start.contains(phrase));
                let heard = others.into_iter().find(|phrase| words(text).contains(&words(phrase)));
                let told = text.contains("say: ") || text.contains("Say: ");
                assert!(
                    heard.is_none() || told && heard != Some(&"stop".to_owned()),
                    "{}: '{text}' says {heard:?}",
                    routine.id
                );
            }
        }
    }
}
