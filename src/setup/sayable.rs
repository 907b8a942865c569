//! Everything that a person may be listened for in a run, so that a word that cannot be heard is found before it begins.

use std::collections::BTreeSet;

use crate::engine::Engine;
use crate::engine::numbers;
use crate::engine::phrasebook::{Command, Common, Phrasebook, Reason};
use crate::rig::{Demand, Rig, Stands};
use crate::routine::Answer;
use crate::speech::listener::ListenError;
use crate::speech::recogniser::{Recogniser, RecogniserError};
use crate::speech::vosk::{Vosk, VoskSettings};

/// Whether all that may be said in `engine`'s run, by and to the `people` of its crew, can be heard with the model of `vosk`. Nothing to do where that is none.
///
/// # Errors
/// The model cannot be loaded, or a word is not in its vocabulary; the message names it.
pub fn check(
    engine: &Engine,
    book: &Phrasebook,
    people: &[String],
    vosk: Option<&VoskSettings>,
) -> Result<(), ListenError> {
    let Some(settings) = vosk else { return Ok(()) };
    let all = everything(engine, book, people);
    let texts: Vec<&str> = all.iter().map(String::as_str).collect();
    let mut vosk = Vosk::load(settings).map_err(RecogniserError::from)?;
    vosk.prepare(&texts)?;
    Ok(())
}

/// The names of those who may take part in a run that was begun `with` some of them: the others can be handed over to.
pub fn people(rig: &Rig, with: &[String]) -> Vec<String> {
    if with.is_empty() { Vec::new() } else { rig.people().iter().map(|person| person.name.clone()).collect() }
}

/// Every phrase that may be listened for from beginning to end, whichever way the run goes.
pub fn everything(engine: &Engine, book: &Phrasebook, people: &[String]) -> BTreeSet<String> {
    let mut all = BTreeSet::new();
    Command::ALL.iter().for_each(|&command| all.extend(book.command(command).iter().cloned()));
    Common::ALL.iter().for_each(|&common| all.extend(book.common(common).iter().cloned()));
    Reason::ALL.iter().for_each(|&reason| all.extend(book.reason(reason).iter().cloned()));
    let limits: Vec<&String> = Demand::ALL.iter().flat_map(|&demand| &book.limit(demand).say).collect();
    all.extend(limits.iter().map(|&text| text.clone()));
    book.clocks().iter().for_each(|clock| all.extend(clock.start.iter().chain(&clock.end).cloned()));
    engine.job().parts.iter().for_each(|part| all.extend(part.start.iter().cloned()));
    let mut answers = BTreeSet::new();
    for step in &engine.job().routine.steps {
        for thing in step.may_set().map(|(thing, _)| thing).chain(&step.undoes) {
            all.extend([Stands::Out, Stands::Away].into_iter().flat_map(|stands| book.thing(thing).phrases(stands)));
        }
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
    answers.extend(engine.said_of_stretches());
    for name in people {
        all.insert(name.to_lowercase());
        all.extend(book.over_to(name));
        // Where two are asked at once, an answer may have the name before it.
        let common = Common::ALL.iter().flat_map(|&common| book.common(common));
        let named =
            answers.iter().chain(common).chain(limits.iter().copied()).flat_map(|answer| book.named(name, answer));
        all.extend(named.collect::<Vec<_>>());
    }
    all.extend(answers);
    all
}
