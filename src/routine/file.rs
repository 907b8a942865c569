//! Reads a routine's file (TOML) into a checked [`Routine`] for one rig.

use std::collections::BTreeMap;
use std::time::Duration;

use serde::Deserialize;
use thiserror::Error;

use super::check;
use super::model::{Answer, ClockAnswer, Loop, Routine, Section, StateAnswer, Step, StepIndex};
use crate::rig::Rig;

/// Reads a routine. `file` is only used in errors; `text` is its content.
///
/// Steps whose `needs` the rig lacks are left out, and what refers to them is passed on to what they refer to.
/// `{rinse_s}`-like numbers of the rig are filled in as durations ("5 minutes") or counts.
///
/// # Errors
/// Says file, step, what was found and what was expected.
pub fn load(file: &str, text: &str, rig: &Rig) -> Result<Routine, RoutineError> {
    let parsed: RoutineFile =
        toml::from_str(text).map_err(|why| RoutineError::Unreadable { file: file.to_owned(), why: why.to_string() })?;
    let fault = |step: &str, found: String, expected: &str| RoutineError::Faulty {
        file: file.to_owned(),
        step: step.to_owned(),
        found,
        expected: expected.to_owned(),
    };

    let mut sections = Vec::new();
    let mut kept: Vec<(usize, StepFile)> = Vec::new();
    let mut dropped: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for section in parsed.section {
        for step in section.step {
            if step.needs.iter().all(|need| rig.has(need)) {
                kept.push((sections.len(), step));
            } else {
                dropped.insert(step.id.clone(), step.after.clone());
            }
        }
        sections.push(Section { id: section.id, title: section.title });
    }
    let mut places: BTreeMap<String, StepIndex> = BTreeMap::new();
    for (index, (_, step)) in kept.iter().enumerate() {
        if places.insert(step.id.clone(), index).is_some() {
            return Err(fault(&step.id, "a second step with this id".to_owned(), "every id once"));
        }
    }

    let mut steps = Vec::new();
    for (section, step) in kept {
        let after = resolve(&step.after, &places, &dropped)
            .map_err(|id| fault(&step.id, format!("after = '{id}'"), "the id of a step of this routine"))?;
        let find = |id: &str, field: &str| {
            places.get(id).copied().ok_or_else(|| {
                fault(&step.id, format!("{field} = '{id}'"), "the id of a step of this routine that the rig has")
            })
        };
        let number = |name: &Number, field: &str| match name {
            Number::Plain(n) => Ok(*n),
            Number::OfRig(name) => rig.number(name).ok_or_else(|| {
                fault(&step.id, format!("{field} = '{name}'"), "a number, or the name of a number of the rig")
            }),
        };
        let answer = match step.answer.clone() {
            AnswerFile::Done { also } => Answer::Done { also: lower(also) },
            AnswerFile::State { want, other, other_reply } => {
                Answer::State(StateAnswer { want: lower(want), other: lower(other), other_reply })
            }
            AnswerFile::Clock { name, seconds, start, started, end, alarm, alarm_short } => {
                Answer::Clock(ClockAnswer {
                    name,
                    length: Duration::from_secs(number(&seconds, "answer.seconds")?.into()),
                    start: lower(start),
                    started,
                    end: lower(end),
                    alarm,
                    alarm_short,
                })
            }
            AnswerFile::YesNo { no_back_to, most, back_reply, limit_reply } => Answer::YesNo(Loop {
                // A rig without the step that the loop goes back to begins the loop one step later.
                back_to: find(
                    no_back_to.iter().find(|id| places.contains_key(*id)).unwrap_or(&no_back_to[0]),
                    "answer.no_back_to",
                )?,
                most: number(&most, "answer.most")?,
                back_reply,
                limit_reply,
            }),
            AnswerFile::Gate => Answer::Gate,
        };
        let during = step.during.as_deref().map(|id| find(id, "during")).transpose()?;
        steps.push(Step {
            section,
            name: step.name,
            place: step.place,
            short: if step.short.is_empty() { step.call.clone() } else { step.short },
            call: step.call,
            caution: step.caution,
            how: step.how,
            check: step.check,
            answer,
            critical: step.critical,
            usual: Duration::from_secs((step.minutes * 60.0).round() as u64),
            after,
            during,
            earshot: step.earshot,
            once: step.once,
            id: step.id,
        });
    }

    let mut routine = Routine {
        id: parsed.id,
        title: parsed.title,
        intro: parsed.intro,
        complete: parsed.complete,
        sections,
        steps,
        fingerprint: String::new(),
    };
    fill_numbers(&mut routine, rig);
    check::check(file, &routine)?;
    routine.fingerprint = fingerprint(&routine);
    Ok(routine)
}

/// Why a routine's file is refused.
#[derive(Debug, Error, PartialEq, Eq)]
pub enum RoutineError {
    #[error("{file}: not a routine: {why}")]
    Unreadable { file: String, why: String },
    #[error("{file}: step '{step}': found {found}, expected {expected}")]
    Faulty { file: String, step: String, found: String, expected: String },
}

/// Follows references through steps that the rig does not have.
fn resolve(
    ids: &[String],
    places: &BTreeMap<String, StepIndex>,
    dropped: &BTreeMap<String, Vec<String>>,
) -> Result<Vec<StepIndex>, String> {
    let mut found = Vec::new();
    let mut seen = std::collections::BTreeSet::new();
    let mut queue: Vec<String> = ids.to_vec();
    while let Some(id) = queue.pop() {
        if !seen.insert(id.clone()) {
            continue;
        }
        if let Some(&index) = places.get(&id) {
            found.push(index);
        } else if let Some(further) = dropped.get(&id) {
            queue.extend(further.iter().cloned());
        } else {
            return Err(id);
        }
    }
    found.sort_unstable();
    found.dedup();
    Ok(found)
}

fn lower(phrases: Vec<String>) -> Vec<String> {
    phrases.into_iter().map(|phrase| phrase.trim().to_lowercase()).collect()
}

/// `{name}` becomes the rig's number: names that end in `_s` as a time, others as a count.
fn fill_numbers(routine: &mut Routine, rig: &Rig) {
    for (name, value) in rig.numbers() {
        let shown = if name.ends_with("_s") { seconds_text(value) } else { value.to_string() };
        let pattern = format!("{{{name}}}");
        let fill = |text: &mut String| *text = text.replace(&pattern, &shown);
        fill(&mut routine.intro);
        for step in &mut routine.steps {
            for text in [&mut step.call, &mut step.short, &mut step.caution, &mut step.how, &mut step.check] {
                fill(text);
            }
            match &mut step.answer {
                Answer::Clock(clock) => {
                    [&mut clock.started, &mut clock.alarm, &mut clock.alarm_short].into_iter().for_each(fill);
                }
                Answer::YesNo(question) => {
                    [&mut question.limit_reply, &mut question.back_reply].into_iter().for_each(fill);
                }
                _ => {}
            }
        }
    }
}

/// Whole minutes as minutes, the rest as it is; `say/` puts units into words.
fn seconds_text(seconds: u32) -> String {
    match (seconds / 60, seconds % 60) {
        (0, s) => format!("{s} s"),
        (m, 0) => format!("{m} min"),
        (m, s) => format!("{m} min {s} s"),
    }
}

/// FNV-1a over the checked routine: two loads agree only when every step, phrase and number does.
fn fingerprint(routine: &Routine) -> String {
    let mut hash: u64 = 0xcbf2_9ce4_8422_2325;
    for byte in format!("{routine:?}").bytes() {
        hash = (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3);
    }
    format!("{hash:016x}")
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RoutineFile {
    id: String,
    title: String,
    #[serde(default)]
    intro: String,
    complete: String,
    section: Vec<SectionFile>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SectionFile {
    id: String,
    title: String,
    step: Vec<StepFile>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct StepFile {
    id: String,
    name: String,
    #[serde(default, rename = "where")]
    place: String,
    call: String,
    #[serde(default)]
    short: String,
    #[serde(default)]
    caution: String,
    #[serde(default)]
    how: String,
    #[serde(default)]
    check: String,
    answer: AnswerFile,
    #[serde(default)]
    critical: bool,
    #[serde(default = "one_minute")]
    minutes: f64,
    #[serde(default)]
    needs: Vec<String>,
    #[serde(default)]
    after: Vec<String>,
    #[serde(default)]
    during: Option<String>,
    #[serde(default)]
    earshot: bool,
    #[serde(default)]
    once: bool,
}

fn one_minute() -> f64 {
    1.0
}

#[derive(Clone, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
enum AnswerFile {
    Done {
        #[serde(default)]
        also: Vec<String>,
    },
    State {
        want: Vec<String>,
        other: Vec<String>,
        other_reply: String,
    },
    Clock {
        name: String,
        seconds: Number,
        start: Vec<String>,
        started: String,
        #[serde(default)]
        end: Vec<String>,
        alarm: String,
        #[serde(default)]
        alarm_short: String,
    },
    YesNo {
        /// The first of these that the rig has.
        no_back_to: Vec<String>,
        most: Number,
        back_reply: String,
        limit_reply: String,
    },
    Gate,
}

#[derive(Clone, Deserialize)]
#[serde(untagged)]
enum Number {
    Plain(u32),
    OfRig(String),
}
