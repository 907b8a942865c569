//! What the order of a routine tells: circles, references into nowhere, sections out of size, critical steps that come late,
//! drinking water after sewage without soap between.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

use super::file::{AnswerFile, Kind, RoutineFile, StepFile};
use super::lint::{Findings, Severity, Surroundings, steps};
use super::model::{Routine, StepIndex, Touches};
use crate::source::Source;

type Place<'a> = &'a dyn Fn(&StepFile) -> Option<Range<usize>>;

pub(super) fn look(routine: &RoutineFile, around: &Surroundings, place: Place, findings: &mut Findings) {
    references(routine, around, place, findings);
    circles(routine, place, findings);
    sizes(routine, place, findings);
    late(routine, place, findings);
}

fn references(routine: &RoutineFile, around: &Surroundings, place: Place, findings: &mut Findings) {
    let mut seen = BTreeSet::new();
    for step in steps(routine) {
        if !seen.insert(step.id.get_ref()) {
            let found = "a second step with this id".to_owned();
            findings.add(Severity::Error, step.id.get_ref(), place(step), found, "every id once");
        }
    }
    let elsewhere = Elsewhere { around, own: &routine.id, includes: includes(routine) };
    for step in steps(routine) {
        let loops: &[String] = match &step.answer {
            AnswerFile::YesNo { no_back_to, .. } => no_back_to,
            _ => &[],
        };
        let fields =
            [("after", step.after.as_slice()), ("during", step.during.as_slice()), ("answer.no_back_to", loops)];
        for (field, ids) in fields {
            for id in ids.iter().filter(|id| !all_ids(routine).any(|own| own == id.as_str())) {
                if !(id.contains('/') && field == "after" && elsewhere.has(id)) {
                    let expected = "the id of a step of this routine, or routine/step of another";
                    findings.add(
                        Severity::Error,
                        step.id.get_ref(),
                        place(step),
                        format!("{field} = '{id}'"),
                        expected,
                    );
                }
            }
        }
        for id in step.verifies.iter().filter(|id| !elsewhere.has(id)) {
            let found = format!("verifies = '{id}'");
            findings.add(
                Severity::Error,
                step.id.get_ref(),
                place(step),
                found,
                "routine/step of a routine that there is",
            );
        }
    }
}

/// Steps that their owner dropped still stand for what they came after.
fn all_ids(routine: &RoutineFile) -> impl Iterator<Item = &str> {
    routine.section.iter().flat_map(|section| &section.step).map(|step| step.id.get_ref().as_str())
}

fn includes(routine: &RoutineFile) -> Vec<String> {
    routine.section.iter().filter_map(|section| section.include.as_ref()).map(|id| id.get_ref().clone()).collect()
}

struct Elsewhere<'a> {
    around: &'a Surroundings<'a>,
    own: &'a str,
    includes: Vec<String>,
}

impl Elsewhere<'_> {
    /// Whether `routine/step` or `routine/included/step` names a step that is written somewhere.
    fn has(&self, id: &str) -> bool {
        let Some((name, step)) = id.split_once('/') else {
            return false;
        };
        if name == self.own && !self.includes.iter().any(|included| included == name) {
            return false;
        }
        let Some(source) = (self.around.library.routine)(name) else {
            return false;
        };
        let Some(routine) = parsed(&source) else {
            // It is told of when that file is looked over.
            return true;
        };
        match step.split_once('/') {
            Some((included, _)) => includes(&routine).iter().any(|name| name == included) && self.has(step),
            None => all_ids(&routine).any(|own| own == step),
        }
    }
}

fn parsed(source: &Source) -> Option<RoutineFile> {
    source.read().ok()
}

/// The loader wants references to run backwards, which rules a circle out; but "comes later" tells nobody that moving the step
/// would not help.
fn circles(routine: &RoutineFile, place: Place, findings: &mut Findings) {
    let graph: BTreeMap<&str, &StepFile> = steps(routine).map(|step| (step.id.get_ref().as_str(), step)).collect();
    let mut done: BTreeSet<&str> = BTreeSet::new();
    for start in graph.keys().copied() {
        let mut path: Vec<(&str, usize)> = vec![(start, 0)];
        while let Some((id, next)) = path.pop() {
            let others = graph.get(id).map_or(&[][..], |step| step.after.as_slice());
            let Some(other) = others.get(next) else {
                done.insert(id);
                continue;
            };
            path.push((id, next + 1));
            if let Some(begin) = path.iter().position(|(on, _)| on == other) {
                let chain: Vec<&str> = path[begin..].iter().map(|(on, _)| *on).chain([other.as_str()]).collect();
                let step = graph[id];
                let found = format!("steps that wait for each other: {}", chain.join(" after "));
                findings.add(Severity::Error, id, place(step), found, "an order with a beginning");
                done.extend(path.iter().map(|(on, _)| *on));
                break;
            }
            if !done.contains(other.as_str()) {
                path.push((other, 0));
            }
        }
    }
}

/// 5 to 9 items a section: WHO, implementation manual of the surgical safety checklist, 2009. Repeats count once, and so do
/// steps of which a rig has only one.
fn sizes(routine: &RoutineFile, place: Place, findings: &mut Findings) {
    for section in routine.section.iter().filter(|section| section.include.is_none()) {
        let items: Vec<&StepFile> =
            section.step.iter().filter(|step| !step.gone && !matches!(step.answer, AnswerFile::Gate)).collect();
        let Some(first) = items.first() else { continue };
        let (least, most) = counts(&items);
        let found = |count: usize| format!("a section '{}' of {count} steps", section.id);
        if most < FEWEST {
            findings.add(Severity::Advice, first.id.get_ref(), place(first), found(most), "5 to 9 steps");
        } else if least > MOST {
            findings.add(Severity::Advice, first.id.get_ref(), place(first), found(least), "5 to 9 steps");
        }
    }
    if routine.kind != Kind::Emergency && routine.section.is_empty() {
        findings.add(Severity::Error, "", None, "no section".to_owned(), "at least one with a gate at its end");
    }
}

/// How many of the steps a rig may have: those that exclude each other (`x` and `not-x`, or two ways to rinse) do not count
/// together.
fn counts(items: &[&StepFile]) -> (usize, usize) {
    let bound = |step: &&&StepFile| !step.needs.is_empty();
    let free = items.iter().filter(|step| !bound(step)).count();
    let mut needs: BTreeMap<&[String], usize> = BTreeMap::new();
    for step in items.iter().filter(bound) {
        *needs.entry(&step.needs).or_default() += 1;
    }
    let largest = needs.values().copied().max().unwrap_or(0);
    (free + if needs.len() > 1 { largest } else { needs.values().sum() }, items.len())
}

/// What matters most comes first, before interruptions do (NASA CR-177549), unless its order forbids it.
fn late(routine: &RoutineFile, place: Place, findings: &mut Findings) {
    for section in &routine.section {
        let items: Vec<&StepFile> =
            section.step.iter().filter(|step| !step.gone && !matches!(step.answer, AnswerFile::Gate)).collect();
        let here: BTreeSet<&str> = items.iter().map(|step| step.id.get_ref().as_str()).collect();
        for (index, step) in items.iter().enumerate() {
            let waits = step.after.iter().any(|id| here.contains(id.as_str())) || step.during.is_some();
            // Everything before it is critical as well: it cannot come earlier.
            let first_of_all = items[..index].iter().all(|before| before.harm.is_critical());
            if step.harm.is_critical()
                && 2 * index >= items.len()
                && !waits
                && !first_of_all
                && step.late_because.is_empty()
            {
                let found = "a critical step in the second half of its section".to_owned();
                let expected = "the first half, or late_because: why not";
                findings.add(Severity::Advice, step.id.get_ref(), place(step), found, expected);
            }
        }
    }
}

/// Wherever drinking water can come after sewage, hands are washed between (CDC advice, from memory): the pairs, sewage first,
/// for which nothing forces that.
pub fn unwashed_hands(routine: &Routine) -> Vec<(StepIndex, StepIndex)> {
    let before: Vec<Vec<usize>> = routine.steps.iter().map(|step| step.after.clone()).collect();
    let touches: Vec<Touches> = routine.steps.iter().map(|step| step.touches).collect();
    unwashed(&before, &touches)
}

fn unwashed(before: &[Vec<usize>], touches: &[Touches]) -> Vec<(usize, usize)> {
    let closure: Vec<BTreeSet<usize>> = (0..before.len())
        .map(|start| {
            let mut reached = BTreeSet::new();
            let mut queue = before[start].clone();
            while let Some(step) = queue.pop() {
                if reached.insert(step) {
                    queue.extend(&before[step]);
                }
            }
            reached
        })
        .collect();
    let of = |kind: Touches| (0..touches.len()).filter(move |step| touches[*step] == kind);
    let mut found = Vec::new();
    for water in of(Touches::DrinkingWater) {
        let bad = of(Touches::Sewage).find(|sewage| {
            let water_first = closure[*sewage].contains(&water);
            let washed = of(Touches::Soap).any(|soap| closure[water].contains(&soap) && closure[soap].contains(sewage));
            !water_first && !washed
        });
        found.extend(bad.map(|sewage| (sewage, water)));
    }
    found
}

const FEWEST: usize = 5;
const MOST: usize = 9;
