//! Reads a routine's file into a checked [`Routine`] for one rig.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use super::check;
use super::error::RoutineError;
use super::expand::{self, Library};
use super::file::{AnswerFile, Kind, Number, OptionFile, ReckonFile, RoutineFile, StepFile};
use super::model::{
    Answer, BothAnswer, ChoiceAnswer, ChoiceOption, ClockAnswer, Harm, HoldAnswer, Loop, NumberAnswer, Question,
    Reckoned, Routine, RoutineKind, Section, StateAnswer, Step, StepIndex, StepRef, Turn,
};
use crate::rig::{Rig, Stands, slug, spellings};
use crate::source::{Source, SourceLine, perhaps};

/// Reads a routine that stands alone. `file` is only used in errors; `text` is its content. See [`load_with`].
///
/// # Errors
/// Says file, line, step, what was found and what was expected.
pub fn load(file: &str, text: &str, rig: &Rig) -> Result<Routine, RoutineError> {
    load_with(&Source { name: file.to_owned(), text: text.to_owned() }, rig, &Library::NONE)
}

/// Reads a routine with its owner's changes and the routines that it includes.
///
/// Steps whose `needs` the rig lacks are left out, and what refers to them is passed on to what they refer to.
/// `{rinse_s}`-like numbers of the rig are filled in as durations ("5 minutes") or counts, and `{each}` with what a step is
/// repeated for.
///
/// # Errors
/// Says file, line, step, what was found and what was expected.
pub fn load_with(source: &Source, rig: &Rig, library: &Library) -> Result<Routine, RoutineError> {
    let expanded = expand::expand(source, rig, library)?;
    Builder { source, stands_for: &expanded.stands_for, rig }.build(expanded.routine)
}

struct Builder<'a> {
    source: &'a Source,
    stands_for: &'a BTreeMap<String, Vec<String>>,
    rig: &'a Rig,
}

/// What was found, and what was expected.
type Fault = (String, &'static str);

impl Builder<'_> {
    fn build(&self, parsed: RoutineFile) -> Result<Routine, RoutineError> {
        let mut sections = Vec::new();
        let mut kept: Vec<(usize, StepFile)> = Vec::new();
        for section in parsed.section {
            kept.extend(section.step.into_iter().map(|step| (sections.len(), step)));
            sections.push(Section { id: section.id, title: section.title });
        }
        let mut places: BTreeMap<String, StepIndex> = BTreeMap::new();
        for (index, (_, step)) in kept.iter().enumerate() {
            if places.insert(step.id.get_ref().clone(), index).is_some() {
                return Err(RoutineError::of_step(step, "a second step with this id".to_owned(), "every id once"));
            }
        }
        let lines: BTreeMap<String, SourceLine> =
            kept.iter().map(|(_, step)| (step.id.get_ref().clone(), step.at.clone())).collect();
        let mut steps = Vec::new();
        for (section, step) in kept {
            let refused = |(found, expected): Fault| RoutineError::of_step(&step, found, expected);
            steps.push(self.step(section, &step, &places).map_err(refused)?);
        }
        let mut routine = Routine {
            id: parsed.id,
            kind: match parsed.kind {
                Kind::Work => RoutineKind::Work,
                Kind::Look => RoutineKind::Look,
                Kind::Emergency => RoutineKind::Emergency,
            },
            title: parsed.title,
            start: lower(parsed.start),
            intro: parsed.intro,
            complete: parsed.complete,
            sections,
            steps,
            fingerprint: String::new(),
        };
        fill_numbers(&mut routine, self.rig);
        check::check(&routine).map_err(|fault| RoutineError {
            at: lines.get(&fault.step).cloned().unwrap_or_else(|| self.source.line_of(0)),
            step: fault.step,
            found: fault.found,
            expected: fault.expected.to_owned(),
        })?;
        routine.fingerprint = fingerprint(&routine);
        Ok(routine)
    }

    fn step(&self, section: usize, step: &StepFile, places: &BTreeMap<String, StepIndex>) -> Result<Step, Fault> {
        let mut after = BTreeSet::new();
        let mut elsewhere = BTreeSet::new();
        for id in self.resolve(&step.after) {
            match places.get(&id) {
                Some(&index) => {
                    after.insert(index);
                }
                None if id.contains('/') => {
                    elsewhere.insert(id);
                }
                None => {
                    let likely = perhaps(&id, places.keys().map(String::as_str));
                    return Err((format!("after = '{id}'{likely}"), "the id of a step of this routine"));
                }
            }
        }
        let find = |id: &str, field: &str| {
            places.get(id).copied().ok_or_else(|| {
                let likely = perhaps(id, places.keys().map(String::as_str));
                (format!("{field} = '{id}'{likely}"), "the id of a step of this routine that the rig has")
            })
        };
        let during = step.during.as_deref().map(|id| find(id, "during")).transpose()?;
        let answer = self.answer(step, places)?;
        if !(0.0..=1440.0).contains(&step.minutes) {
            return Err((format!("minutes = {}", step.minutes), "0 to 1440 minutes"));
        }
        let time = match &answer {
            Answer::Clock(clock) => seconds_text(clock.length.as_secs()),
            _ => TIME.to_owned(),
        };
        let text = |text: &String| text.replace(EACH, &step.each).replace(TIME, &time);
        Ok(Step {
            id: step.id.get_ref().clone(),
            section,
            name: text(&step.name),
            place: text(&step.place),
            role: step.role,
            together: step.together,
            short: text(if step.short.is_empty() { &step.call } else { &step.short }),
            call: text(&step.call),
            caution: text(&step.caution),
            how: text(&step.how),
            check: text(&step.check),
            answer,
            harm: step.harm,
            tested_by: step.tested_by.clone(),
            again: step.again,
            verifies: references(&step.verifies, "verifies")?,
            daylight: step.daylight,
            usual: Duration::from_secs((step.minutes * 60.0).round() as u64),
            after: after.into_iter().collect(),
            after_elsewhere: references(&elsewhere.into_iter().collect::<Vec<_>>(), "after")?,
            during,
            earshot: step.earshot,
            once: step.once,
            touches: step.touches,
            wait: step.wait,
            each: step.each.clone(),
            sets: self.sets(&step.sets, "sets", &step.each)?,
            undoes: step.undoes.iter().map(|name| thing(name, &step.each)).collect(),
            demands: step.demands.clone(),
            whole: step.whole.clone(),
            single: step.single,
        })
    }

    /// Follows references through steps that the rig does not have, and to all repeats of one.
    fn resolve(&self, ids: &[String]) -> BTreeSet<String> {
        let mut found = BTreeSet::new();
        let mut seen = BTreeSet::new();
        let mut queue: Vec<&String> = ids.iter().collect();
        while let Some(id) = queue.pop() {
            if seen.insert(id) {
                match self.stands_for.get(id) {
                    Some(others) => queue.extend(others),
                    None => {
                        found.insert(id.clone());
                    }
                }
            }
        }
        found
    }

    fn answer(&self, step: &StepFile, places: &BTreeMap<String, StepIndex>) -> Result<Answer, Fault> {
        let mut answer = self.answer_as_written(step, places)?;
        let fill = |text: &mut String| *text = text.replace(EACH, &step.each);
        answer.texts_mut().into_iter().for_each(fill);
        let fill_phrase = |phrase: &mut String| *phrase = phrase.replace(EACH, &step.each.to_lowercase());
        answer.phrases_mut().into_iter().flatten().for_each(fill_phrase);
        match &mut answer {
            Answer::Clock(clock) => fill(&mut clock.name),
            Answer::Number(number) => fill(&mut number.name),
            _ => {}
        }
        Ok(answer)
    }

    fn answer_as_written(&self, step: &StepFile, places: &BTreeMap<String, StepIndex>) -> Result<Answer, Fault> {
        let each = slug(&step.each);
        Ok(match step.answer.clone() {
            AnswerFile::Done { also } => Answer::Done { also: lower(also) },
            AnswerFile::State { want, other, other_reply } => {
                Answer::State(StateAnswer { want: lower(want), other: lower(other), other_reply })
            }
            AnswerFile::Clock { name, seconds, start, started, end, alarm, alarm_short, fills_gal, reckon } => {
                let (length, owner) = self.lengths(&seconds, reckon.as_ref(), &each)?;
                let started = started.replace(TIME, &seconds_text(length.as_secs()));
                Answer::Clock(ClockAnswer {
                    name,
                    length,
                    start: lower(start),
                    started,
                    end: lower(end),
                    alarm,
                    alarm_short,
                    fills_gal: fills_gal.map(|gallons| self.whole(&gallons, "answer.fills_gal", &each)).transpose()?,
                    reckoned: reckon.and_then(|reckon| self.reckoned(reckon, owner)),
                })
            }
            AnswerFile::YesNo { no_back_to, most, back_reply, limit_reply, no_reply } => {
                let back = match loop_start(&no_back_to, places)? {
                    None => None,
                    Some(back_to) => {
                        let most = most.as_ref().map_or(Ok(1), |most| self.whole(most, "answer.most", &each))?;
                        Some(Loop { back_to, most, limit_reply, back_reply })
                    }
                };
                Answer::YesNo(Question { back, no_reply })
            }
            AnswerFile::Number { name, unit, least, most, gauge, resolution, low_reply, high_reply } => {
                let decimals = (0..=2).find(|d| is_whole(resolution * 10f64.powi(*d))).ok_or_else(|| {
                    (format!("answer.resolution = {resolution}"), "a step of at most two places behind the point")
                })?;
                let scaled = |value: f64, field: &str| {
                    let value = value * 10f64.powi(decimals);
                    if is_whole(value) && value.abs() < 1e9 {
                        Ok(value.round() as i64)
                    } else {
                        {
                            let found = format!("{field} with more places behind the point than answer.resolution");
                            Err((found, "as many places, or a finer resolution"))
                        }
                    }
                };
                Answer::Number(NumberAnswer {
                    name,
                    unit,
                    decimals: u8::try_from(decimals).unwrap_or(0),
                    least: scaled(self.number(&least, "answer.least", &each)?, "answer.least")?,
                    most: scaled(self.number(&most, "answer.most", &each)?, "answer.most")?,
                    gauge: (scaled(gauge.0, "answer.gauge")?, scaled(gauge.1, "answer.gauge")?),
                    resolution: scaled(resolution, "answer.resolution")?,
                    low_reply,
                    high_reply,
                })
            }
            AnswerFile::Choice { options } => {
                let options =
                    options.into_iter().map(|option| self.option(option, &step.each)).collect::<Result<_, _>>()?;
                Answer::Choice(ChoiceAnswer { options })
            }
            AnswerFile::Both { turns } => Answer::Both(BothAnswer {
                turns: turns.into_iter().map(|turn| turn_as_written(turn, &step.each)).collect(),
            }),
            AnswerFile::Hold { seconds, ready, hold, release } => Answer::Hold(HoldAnswer {
                length: Duration::from_secs(self.whole(&seconds, "answer.seconds", &each)?.into()),
                ready: lower(ready),
                hold,
                release,
            }),
            AnswerFile::Told { times } => Answer::Told { times },
            AnswerFile::Gate => Answer::Gate,
        })
    }

    /// How things stand that the rig has; of what it lacks nothing is told.
    fn sets(&self, sets: &[String], field: &str, each: &str) -> Result<Vec<(String, Stands)>, Fault> {
        let all = sets.iter().map(|set| set_by(set, field)).collect::<Result<Vec<_>, _>>()?;
        let of_rig = all.into_iter().filter(|(name, _)| self.rig.has_thing(name));
        Ok(of_rig.map(|(name, stands)| (thing(name, each), stands)).collect())
    }

    fn option(&self, file: OptionFile, each: &str) -> Result<ChoiceOption, Fault> {
        let sets = self.sets(&file.sets, "answer.options.sets", each)?;
        let OptionFile { say, reply, settles, ends, again, .. } = file;
        Ok(ChoiceOption { say: lower(say), reply, settles, ends, again, sets })
    }

    /// A number of the rig's that differs from one repeat to the next goes before one that does not.
    fn number(&self, number: &Number, field: &str, each: &str) -> Result<f64, Fault> {
        match number {
            Number::Plain(value) => Ok(*value),
            Number::OfRig(name) => self
                .rig
                .number(&format!("{name}@{each}"))
                .or_else(|| self.rig.number(name))
                .map(f64::from)
                .ok_or_else(|| (format!("{field} = '{name}'"), "a number, or the name of a number of the rig")),
        }
    }

    /// How long a clock runs until its tap is measured, and the owner's own time, which may be longer.
    fn lengths(
        &self,
        seconds: &Number,
        reckon: Option<&ReckonFile>,
        each: &str,
    ) -> Result<(Duration, Duration), Fault> {
        let owner = self.whole(seconds, "answer.seconds", each)?;
        let assumed = reckon.and_then(|reckon| reckon.assumed_gpm);
        if let Some(assumed) = assumed.filter(|gpm| !(1.0..=30.0).contains(gpm)) {
            return Err((format!("answer.reckon.assumed_gpm = {assumed}"), "1 to 30 gallons a minute"));
        }
        let bound = assumed.and_then(|gpm| self.rig.rinse_bound_s(gpm)).unwrap_or(u32::MAX);
        Ok((Duration::from_secs(owner.min(bound).into()), Duration::from_secs(owner.into())))
    }

    /// Nothing is reckoned where the size of the tank is not known.
    fn reckoned(&self, reckon: ReckonFile, owner: Duration) -> Option<Reckoned> {
        let of_rig = |name: &str| self.rig.number(name).unwrap_or(0);
        let tank_gal = of_rig("black_gal");
        (tank_gal > 0).then(|| Reckoned {
            clock: reckon.clock,
            tank_gal,
            floor_sqin: of_rig("black_floor_sqin"),
            share_percent: of_rig("fill_percent"),
            owner,
            call: reckon.call,
            started: reckon.started,
            depth: reckon.depth,
            usual: None,
        })
    }

    fn whole(&self, number: &Number, field: &str, each: &str) -> Result<u32, Fault> {
        let value = self.number(number, field, each)?;
        if is_whole(value) && (0.0..=f64::from(u32::MAX)).contains(&value) {
            Ok(value.round() as u32)
        } else {
            Err((format!("{field} = {value}"), "a whole number, 0 or more"))
        }
    }
}

/// The step that a loop goes back to: a rig without the one that is wanted begins the loop one step later.
fn loop_start(back_to: &[String], places: &BTreeMap<String, StepIndex>) -> Result<Option<StepIndex>, Fault> {
    let wanted = back_to.iter().find(|id| places.contains_key(*id)).or_else(|| back_to.first());
    let place = |id: &String| {
        let found = || (format!("answer.no_back_to = '{id}'"), "the id of a step of this routine that the rig has");
        places.get(id).copied().ok_or_else(found)
    };
    wanted.map(place).transpose()
}

/// Stands for what a step is repeated for.
const EACH: &str = "{each}";
/// Stands for how long a clock runs, as long as its tap is not measured.
const TIME: &str = "{time}";

/// The id of a thing, or of a step; of what there are several, each is one of its own.
fn thing(name: &str, each: &str) -> String {
    if each.is_empty() { name.to_owned() } else { format!("{name}@{}", slug(each)) }
}

/// A thing, and how it stands from then on.
fn set_by<'a>(set: &'a str, field: &str) -> Result<(&'a str, Stands), Fault> {
    match set.split_once('=') {
        Some((name, "out")) if !name.is_empty() => Ok((name, Stands::Out)),
        Some((name, "away")) if !name.is_empty() => Ok((name, Stands::Away)),
        _ => Err((format!("{field} = '{set}'"), "a thing of the rig with =out or =away, such as generator=away")),
    }
}

fn is_whole(value: f64) -> bool {
    (value - value.round()).abs() < 1e-6
}

fn references(ids: &[String], field: &str) -> Result<Vec<StepRef>, Fault> {
    let read = |id: &String| match id.split_once('/') {
        Some((routine, step)) if !routine.is_empty() && !step.is_empty() => {
            Ok(StepRef { routine: routine.to_owned(), step: step.to_owned() })
        }
        _ => Err((format!("{field} = '{id}'"), "routine/step, such as tank-dump/gloves")),
    };
    ids.iter().map(read).collect()
}

fn lower(phrases: Vec<String>) -> Vec<String> {
    phrases.into_iter().map(|phrase| phrase.trim().to_lowercase()).collect()
}

/// `{name}` becomes the rig's number: names that end in `_s` as a time, in `_cup8` (eighths of a cup) as cups, in `_number` digit by digit, others as a count. A number that differs from one
/// repeat to the next goes before one that does not.
fn fill_numbers(routine: &mut Routine, rig: &Rig) {
    let shown = |name: &str, value: u32| match name.rsplit('_').next() {
        Some("s") => seconds_text(value.into()),
        Some("cup8") => cups_text(value),
        Some("number") => value.to_string().chars().map(String::from).collect::<Vec<_>>().join(" "),
        _ => value.to_string(),
    };
    let fill = |text: &mut String, each: &str| {
        for (name, value) in rig.numbers().filter(|_| text.contains('{')).collect::<Vec<_>>() {
            let (name, of) = name.split_once('@').unwrap_or((name, ""));
            for spelling in spellings(name).filter(|_| of.is_empty() || of == each) {
                *text = text.replace(&format!("{{{spelling}}}"), &shown(name, value));
            }
        }
    };
    let fill = |text: &mut String, each: &str| {
        for (name, shown) in rig.texts() {
            *text = text.replace(&format!("{{{name}}}"), shown);
        }
        fill(text, each);
    };
    fill(&mut routine.intro, "");
    for step in &mut routine.steps {
        let each = slug(&step.each);
        for text in [&mut step.call, &mut step.short, &mut step.caution, &mut step.how, &mut step.check] {
            fill(text, &each);
        }
        step.answer.texts_mut().into_iter().for_each(|text| fill(text, &each));
    }
}

/// Whole minutes as minutes, the rest as it is; `say/` puts units into words.
fn seconds_text(seconds: u64) -> String {
    match (seconds / 60, seconds % 60) {
        (0, s) => format!("{s} s"),
        (m, 0) => format!("{m} min"),
        (m, s) => format!("{m} min {s} s"),
    }
}

/// Eighths of a cup as a measuring cup is marked: "5/8 cup", "1 1/2 cups".
fn cups_text(eighths: u32) -> String {
    let part = match eighths % 8 {
        0 => None,
        4 => Some("1/2".to_owned()),
        2 | 6 => Some(format!("{}/4", eighths % 8 / 2)),
        odd => Some(format!("{odd}/8")),
    };
    match (eighths / 8, part) {
        (0, None) => "0 cups".to_owned(),
        (1, None) => "1 cup".to_owned(),
        (whole, None) => format!("{whole} cups"),
        (0, Some(part)) => format!("{part} cup"),
        (whole, Some(part)) => format!("{whole} {part} cups"),
    }
}

fn turn_as_written(turn: super::file::TurnFile, each: &str) -> Turn {
    Turn {
        role: turn.role,
        call: turn.call,
        short: turn.short,
        announced: turn.announced,
        given_by: if turn.given_by.is_empty() { String::new() } else { thing(&turn.given_by, each) },
        say: lower(turn.say),
        halt: lower(turn.halt),
        halt_reply: turn.halt_reply,
        demands: turn.demands,
    }
}

/// FNV-1a over the checked routine: two loads agree only when every step, phrase and number does. Of a harm only whether there is
/// any counts, in the form that journals of layout 1 were written with: what may happen next in a run hangs on that alone.
fn fingerprint(routine: &Routine) -> String {
    let mut hash: u64 = 0xcbf2_9ce4_8422_2325;
    let mut text = format!("{routine:?}");
    for harm in [Harm::None, Harm::Hurt, Harm::Flood, Harm::Drop, Harm::RunAway] {
        text = text.replace(&format!("harm: {harm:?},"), &format!("critical: {},", harm.is_critical()));
    }
    // What such a routine does without says nothing.
    let text = text
        .replace(" tested_by: \"\",", "")
        .replace(", ends: false", "")
        .replace(", usual: None", "")
        .replace(", again: \"\"", "")
        .replace(", sets: [] }", " }")
        .replace(", sets: [], undoes: []", "")
        .replace(" short: \"\", announced: false, given_by: \"\",", "")
        .replace(", demands: [], whole: \"\", single: false", "")
        .replace(", demands: [] }", " }");
    for byte in text.bytes() {
        hash = (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3);
    }
    format!("{hash:016x}")
}
