//! Everything that a person may be listened for in a run, so that a word that cannot be heard is found before it begins.

use std::collections::BTreeSet;

use crate::app::AppError;
use crate::engine::Engine;
use crate::engine::numbers;
use crate::engine::phrasebook::{Command, Common, Phrasebook, Reason};
use crate::hear::listener::ListenError;
use crate::hear::recogniser::{Recogniser, RecogniserError};
use crate::hear::vosk::{Vosk, VoskSettings};
use crate::routine::Answer;

/// Whether all that may be said in `engine`'s run can be heard with the model of `vosk`. Nothing to do where that is none.
///
/// # Errors
/// The model cannot be loaded, or a word is not in its vocabulary; the message names it.
pub fn check(engine: &Engine, book: &Phrasebook, vosk: Option<&VoskSettings>) -> Result<(), AppError> {
    let Some(settings) = vosk else { return Ok(()) };
    let all = everything(engine, book);
    let texts: Vec<&str> = all.iter().map(String::as_str).collect();
    let mut vosk = Vosk::load(settings).map_err(RecogniserError::from).map_err(ListenError::from)?;
    vosk.prepare(&texts).map_err(ListenError::from)?;
    Ok(())
}

/// Every phrase that may be listened for from beginning to end, whichever way the run goes.
pub fn everything(engine: &Engine, book: &Phrasebook) -> BTreeSet<String> {
    let mut all = BTreeSet::new();
    Command::ALL.iter().for_each(|&command| all.extend(book.command(command).iter().cloned()));
    Common::ALL.iter().for_each(|&common| all.extend(book.common(common).iter().cloned()));
    Reason::ALL.iter().for_each(|&reason| all.extend(book.reason(reason).iter().cloned()));
    book.clocks().iter().for_each(|clock| all.extend(clock.start.iter().chain(&clock.end).cloned()));
    engine.job().parts.iter().for_each(|part| all.extend(part.start.iter().cloned()));
    let mut answers = BTreeSet::new();
    for step in &engine.job().routine.steps {
        answers.extend(step.answer.phrases().into_iter().flatten().cloned());
        if let Answer::Number(number) = &step.answer {
            match numbers::phrases(number, book.numbers()) {
                Some(phrases) => answers.extend(phrases.into_iter().map(|(text, _)| text)),
                None => {
                    let words = book.numbers();
                    all.extend(words.digits.iter().chain(words.digits_also.values().flatten()).cloned());
                    all.extend(words.point.iter().chain(&words.end).cloned());
                }
            }
        }
    }
    for person in engine.state().people.iter().filter(|person| !person.name.is_empty()) {
        all.insert(person.name.to_lowercase());
        all.extend(book.over_to(&person.name));
        // Where two are asked at once, an answer may have the name before it.
        let common = Common::ALL.iter().flat_map(|&common| book.common(common));
        let named = answers.iter().chain(common).flat_map(|answer| book.named(&person.name, answer));
        all.extend(named.collect::<Vec<_>>());
    }
    all.extend(answers);
    all
}

#[cfg(test)]
mod tests {
    use std::path::Path;
    use std::time::Duration;

    use super::*;
    use crate::app::practised::Practice;
    use crate::app::prompts;
    use crate::engine::input::{Input, Key};
    use crate::engine::output::{Output, VoiceSettings};
    use crate::units::SessionTime;

    /// What an engine really listens for, as far as a run gets by keys, is in the list.
    #[test]
    fn every_phrase_that_a_run_listens_for_is_known_before_it_begins() {
        let nowhere = Path::new("/nonexistent");
        let book = prompts::phrasebook(nowhere).unwrap();
        let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("examples/rigs/motorhome-towed-car.toml");
        let rig = prompts::rig(Some(&file), nowhere).unwrap();
        let both: Vec<String> = rig.people().iter().map(|person| person.name.clone()).collect();
        assert!(both.len() > 1, "this test wants two people");
        for (routine, with) in [("tank-dump", Vec::new()), ("leave", both), ("arrive", Vec::new())] {
            let voice = VoiceSettings::default();
            let mut engine = prompts::engine(routine, &rig, &with, voice, &Practice::default(), nowhere).unwrap();
            let all = everything(&engine, &book);
            let (mut now, mut heard, mut records) = (SessionTime::ZERO, BTreeSet::new(), 0);
            engine.handle(now, Input::Woke);
            for _ in 0..2_000 {
                let mut told = Vec::new();
                loop {
                    match engine.poll() {
                        Output::Wait(_) => break,
                        Output::Listen(set) => heard.extend(set.phrases.into_iter().map(|phrase| phrase.text)),
                        Output::Record { seq, .. } => {
                            records += 1;
                            engine.handle(now, Input::Recorded(seq));
                        }
                        Output::Say(utterance) => told.push(Input::SpeechFinished(utterance.id)),
                        _ => {}
                    }
                }
                now += Duration::from_secs(2);
                told.push(Input::Woke);
                told.push(Input::KeyPressed(Key::Confirm));
                told.into_iter().for_each(|input| engine.handle(now, input));
            }
            assert!(records > 20 && heard.len() > 60, "{routine}: {} phrases, {records} records", heard.len());
            let unknown: Vec<&String> = heard.difference(&all).collect();
            assert!(unknown.is_empty(), "{routine}: {unknown:?}");
        }
    }
}
