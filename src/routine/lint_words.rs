//! What the words of a routine tell: calls that ask for two things, answers that are not said, alarms that end themselves.

use std::ops::Range;

use super::file::{AnswerFile, Kind, RoutineFile, StepFile};
use super::lint::{Findings, Severity, steps};

type Place<'a> = &'a dyn Fn(&StepFile) -> Option<Range<usize>>;

pub(super) fn look(routine: &RoutineFile, always: &[String], place: Place, findings: &mut Findings) {
    for step in steps(routine) {
        let mut add = |severity, found: String, expected: &str| {
            findings.add(severity, step.id.get_ref(), place(step), found, expected);
        };
        call(step, &mut add);
        answers(step, always, &mut add);
        let emergency = routine.kind == Kind::Emergency;
        if step.harm.is_critical()
            && let Some(kind) = stateless(&step.answer, emergency)
        {
            let expected = "an answer that names a state, or a clock that somebody ends";
            add(Severity::Error, format!("a critical step with an answer of the kind {kind}"), expected);
        }
        if let AnswerFile::Clock { end, alarm, alarm_short, .. } = &step.answer
            && let Some(word) = end.iter().find(|end| [alarm, alarm_short].iter().any(|said| contains(said, end)))
        {
            let found = format!("an alarm that says '{word}' itself");
            add(Severity::Advice, found, "other words than those that end it: what the program says is no answer");
        }
    }
}

/// Answers by which nobody knows in what state it is.
fn stateless(answer: &AnswerFile, emergency: bool) -> Option<&'static str> {
    match answer {
        AnswerFile::Done { .. } => Some("done"),
        AnswerFile::Hold { .. } => Some("hold"),
        AnswerFile::Told { .. } if !emergency => Some("told"),
        AnswerFile::YesNo { .. } => Some("yes-no"),
        AnswerFile::Clock { end, .. } if end.is_empty() => Some("clock without end"),
        _ => None,
    }
}

fn call(step: &StepFile, add: &mut dyn FnMut(Severity, String, &str)) {
    let call = &step.call;
    let count = call.split_whitespace().count();
    if count > 20 {
        add(Severity::Error, format!("a call of {count} words"), "at most 20 words in one breath");
    }
    let order = plain(call.split("Say").next().unwrap_or(call).split(" say:").next().unwrap_or(call));
    let acts = clauses(&order).filter(|first| ACTIONS.contains(first)).count();
    // Whatever stands after a "then", it is another thing.
    let acts = if order.contains(" then ") { acts.max(2) } else { acts };
    if acts > 1 {
        add(Severity::Advice, format!("a call with {acts} things to do"), "one thing to do in a call");
    }
    let numbers = order.split_whitespace().filter(|word| word.parse::<u32>().is_ok()).count()
        + call.matches('{').count().saturating_sub(call.matches("{each}").count());
    if numbers > 1 {
        add(Severity::Advice, format!("a call with {numbers} numbers"), "at most one number in a call");
    }
    if ["Say v", "say v", "Say V", "say V"].iter().any(|said| call.contains(said)) {
        // It is spoken as "save".
        add(Severity::Advice, "'say' before a v".to_owned(), "a colon after it: it is spoken as 'save'");
    }
    for wanted in asked_for(&step.answer, call) {
        if !contains(call, &wanted) {
            add(Severity::Advice, format!("a call that does not say '{wanted}'"), "the words to answer with");
        }
    }
}

/// What a call must say, so that the person knows what to answer.
fn asked_for(answer: &AnswerFile, call: &str) -> Vec<String> {
    let first = |phrases: &[String]| phrases.first().cloned().into_iter();
    match answer {
        AnswerFile::Done { also } => first(also).collect(),
        AnswerFile::State { want, other, .. } => first(want).chain(first(other)).collect(),
        AnswerFile::Clock { start, .. } => first(start).collect(),
        AnswerFile::YesNo { .. } => vec!["yes or no".to_owned()],
        AnswerFile::Number { .. } => vec!["number".to_owned()],
        AnswerFile::Choice { options } => options.iter().flat_map(|option| first(&option.say)).collect(),
        AnswerFile::Hold { ready, .. } => first(ready).collect(),
        AnswerFile::Both { turns } => turns
            .iter()
            .enumerate()
            .filter(|(index, turn)| {
                let said = if *index == 0 && turn.call.is_empty() { call } else { &turn.call };
                turn.say.first().is_some_and(|phrase| !contains(said, phrase))
            })
            .flat_map(|(_, turn)| first(&turn.say))
            .collect(),
        AnswerFile::Told { .. } | AnswerFile::Gate => Vec::new(),
    }
}

fn answers(step: &StepFile, always: &[String], add: &mut dyn FnMut(Severity, String, &str)) {
    let groups = groups(&step.answer);
    for group in &groups {
        if step.harm.is_critical()
            && let Some(first) = group.first()
            && first.split_whitespace().count() < 2
        {
            add(Severity::Advice, format!("the answer '{first}'"), "two words or more where it matters");
        }
        for phrase in *group {
            if let Some(word) = always.iter().find(|word| plain(word) == plain(phrase)) {
                let expected = format!("other words: '{word}' may be said at any time");
                add(Severity::Error, format!("the answer '{phrase}', which is a command"), &expected);
            }
        }
    }
    for (index, group) in groups.iter().enumerate() {
        for other in groups.iter().skip(index + 1) {
            let inside = |a: &String, b: &String| contains(a, b) || contains(b, a);
            let clock = matches!(step.answer, AnswerFile::Clock { .. });
            let alike =
                group.iter().find_map(|one| other.iter().find(|two| on_and_off(one, two)).map(|two| (one, two)));
            if let Some((one, two)) = alike.filter(|_| !clock) {
                let found = format!("'{one}' and '{two}', which differ by on and off alone");
                add(Severity::Advice, found, "another word for one of them");
            }
            let pair = group.iter().find_map(|one| other.iter().find(|two| inside(one, two)).map(|two| (one, two)));
            if let Some((one, two)) = pair {
                let found = format!("'{one}' and '{two}' with different meanings");
                add(Severity::Advice, found, "words that are not part of each other");
            }
        }
    }
}

/// Whether two phrases differ by "on" and "off" alone, which over running water are one sound.
fn on_and_off(one: &str, other: &str) -> bool {
    let same = |word: &str| if word == "off" { "on".to_owned() } else { word.to_owned() };
    let words = |text: &str| text.split_whitespace().map(same).collect::<Vec<_>>();
    one != other && words(one) == words(other)
}

/// The phrases of each meaning.
fn groups(answer: &AnswerFile) -> Vec<&[String]> {
    match answer {
        AnswerFile::Done { also } => vec![also],
        AnswerFile::State { want, other, .. } => vec![want, other],
        AnswerFile::Clock { start, end, .. } => vec![start, end],
        AnswerFile::Choice { options } => options.iter().map(|option| option.say.as_slice()).collect(),
        // One turn is asked after the other: only what may be said at the same time is compared.
        AnswerFile::Both { turns } => {
            turns.first().map(|turn| vec![turn.say.as_slice(), &turn.halt]).unwrap_or_default()
        }
        AnswerFile::Hold { ready, .. } => vec![ready],
        AnswerFile::YesNo { .. } | AnswerFile::Number { .. } | AnswerFile::Told { .. } | AnswerFile::Gate => Vec::new(),
    }
}

/// The first word of each part of a sentence.
fn clauses(text: &str) -> impl Iterator<Item = &str> {
    text.split(['.', ',', ';', ':'])
        .flat_map(|part| part.split(" and "))
        .filter_map(|part| part.split_whitespace().find(|word| *word != "then" && *word != "and"))
}

/// Lower case, with the marks that part a sentence.
fn plain(text: &str) -> String {
    text.to_lowercase()
}

/// Whether the words of `phrase` stand in `text` as they are.
fn contains(text: &str, phrase: &str) -> bool {
    let words = |text: &str| {
        let kept: String = text.chars().map(|c| if c.is_alphanumeric() || c == '\'' { c } else { ' ' }).collect();
        format!(" {} ", kept.to_lowercase().split_whitespace().collect::<Vec<_>>().join(" "))
    };
    !phrase.is_empty() && words(text).contains(&words(phrase))
}

/// Words that tell somebody to do something.
const ACTIONS: &[&str] = &[
    "bring", "cap", "check", "chock", "clear", "clip", "close", "coil", "count", "drain", "draw", "drive", "empty",
    "fasten", "fill", "fold", "hold", "hook", "jack", "latch", "lay", "let", "lift", "lock", "lower", "open", "pack",
    "pin", "plug", "press", "pull", "pump", "push", "put", "raise", "ratchet", "read", "release", "rinse", "roll",
    "screw", "seat", "set", "shut", "start", "stow", "sweep", "switch", "take", "tighten", "touch", "tug", "turn",
    "unhook", "unlock", "wash", "wipe",
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_whole_words_count_as_said() {
        assert!(contains("Say: water off.", "water off"));
        assert!(!contains("Say: waters offer.", "water off"));
    }

    #[test]
    fn two_orders_in_one_breath_are_two() {
        let acts = |text: &str| clauses(&plain(text)).filter(|first| ACTIONS.contains(first)).count();
        assert_eq!(acts("Close the valve."), 1);
        assert_eq!(acts("Close the valve and open the tap."), 2);
        assert_eq!(acts("Close the valve, then open the tap."), 2);
        assert_eq!(acts("Drawers and doors."), 0);
    }
}
