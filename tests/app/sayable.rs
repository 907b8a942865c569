//! What the program looks up before a run holds everything that it listens for in one.

use std::collections::BTreeSet;
use std::path::Path;
use std::time::Duration;

use sparehand::engine::input::{Certainty, Input, Key, PhraseHeard};
use sparehand::engine::output::{ListeningSet, Output, VoiceSettings};
use sparehand::setup::practised::Practice;
use sparehand::setup::prompts;
use sparehand::setup::sayable::{everything, people};
use sparehand::units::{SessionTime, StationId};

/// Plays runs with the key that confirms, and every third turn with a phrase of the set, each in its turn.
#[test]
fn every_phrase_that_a_run_listens_for_is_known_before_it_begins() {
    let nowhere = Path::new("/nonexistent");
    let book = prompts::phrasebook(nowhere).unwrap();
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("examples/rigs/motorhome-towed-car.toml");
    let rig = prompts::rig(Some(&file), nowhere).unwrap();
    let both: Vec<String> = rig.people().iter().map(|person| person.name.clone()).collect();
    assert!(both.len() > 1, "this test wants two people");
    for (routine, with) in [
        ("tank-dump", Vec::new()),
        ("leave", both.clone()),
        ("leave", Vec::new()),
        ("hitch-up", both),
        ("arrive", Vec::new()),
    ] {
        let mut heard = BTreeSet::new();
        let mut records = 0;
        let mut all = BTreeSet::new();
        for start in [0, 7, 23] {
            let voice = VoiceSettings::default();
            let mut engine = prompts::engine(routine, &rig, &with, voice, &Practice::default(), nowhere).unwrap();
            all = everything(&engine, &book, &people(&rig, &with));
            let (mut now, mut set) = (SessionTime::ZERO, None::<ListeningSet>);
            engine.handle(now, StationId::RIG, Input::Woke);
            'run: for turn in start..start + 1_500 {
                let mut told = Vec::new();
                loop {
                    match engine.poll().1 {
                        Output::Wait(_) => break,
                        Output::Ended => break 'run,
                        Output::Listen(listened) => {
                            heard.extend(listened.phrases.iter().map(|phrase| phrase.text.clone()));
                            set = Some(listened);
                        }
                        Output::Record { seq, .. } => {
                            records += 1;
                            engine.handle(now, StationId::RIG, Input::Recorded(seq));
                        }
                        Output::Say(utterance) => told.push(Input::SpeechFinished(utterance.id)),
                        _ => {}
                    }
                }
                now += Duration::from_secs(2);
                told.push(Input::Woke);
                let phrase = set.as_ref().filter(|set| turn % 3 == 0 && !set.phrases.is_empty()).map(|set| {
                    let index = (turn / 3 * 5) % set.phrases.len();
                    PhraseHeard {
                        set: set.id,
                        index,
                        text: set.phrases[index].text.clone(),
                        score: 9.0,
                        margin: 8.0,
                        certainty: Certainty::Sure,
                        over_speech: false,
                    }
                });
                told.push(match phrase.filter(|phrase| !book_ends(&phrase.text)) {
                    Some(phrase) => Input::PhraseHeard(phrase),
                    None => Input::KeyPressed(Key::Confirm),
                });
                told.into_iter().for_each(|input| engine.handle(now, StationId::RIG, input));
            }
        }
        assert!(records > 30 && heard.len() > 60, "{routine}: {} phrases, {records} records", heard.len());
        let unknown: Vec<&String> = heard.difference(&all).collect();
        assert!(unknown.is_empty(), "{routine}: {unknown:?}");
    }
}

/// A run that is ended early shows little.
fn book_ends(text: &str) -> bool {
    text == "end the run"
}
