//! From files to one list of steps: the owner's changes, included routines, and steps that are there once for each slide.

use std::collections::{BTreeMap, BTreeSet};

use toml::Spanned;

use super::changes;
use super::error::{RoutineError, parse};
use super::file::{AnswerFile, RoutineFile, SectionFile, StepFile};
use crate::rig::{EQUIPMENT, Rig, slug};
use crate::source::{Source, perhaps};

/// Where other files come from, by the name of a routine.
#[derive(Clone, Copy)]
pub struct Library<'a> {
    /// A routine that another one includes.
    pub routine: &'a dyn Fn(&str) -> Option<Source>,
    /// Its owner's changes to a routine.
    pub changes: &'a dyn Fn(&str) -> Option<Source>,
}

impl Library<'_> {
    /// No other files.
    pub const NONE: Self = Library { routine: &|_| None, changes: &|_| None };
}

/// A routine's file with everything in it that it takes from others.
pub(super) struct Expanded {
    pub routine: RoutineFile,
    /// What a reference to an id that is not a step's stands for: the repeats of a step, or what a dropped step came after.
    pub stands_for: BTreeMap<String, Vec<String>>,
}

/// Reads a routine with its changes and its includes, and repeats what is to be repeated for this rig.
///
/// # Errors
/// The first fault found.
pub(super) fn expand(source: &Source, rig: &Rig, library: &Library) -> Result<Expanded, RoutineError> {
    let routine = Reader { library, under_way: Vec::new() }.read(source)?;
    let mut expanded = Expanded { routine, stands_for: BTreeMap::new() };
    expanded.select(rig)?;
    Ok(expanded)
}

struct Reader<'a> {
    library: &'a Library<'a>,
    under_way: Vec<String>,
}

impl Reader<'_> {
    fn read(&mut self, source: &Source) -> Result<RoutineFile, RoutineError> {
        let mut routine: RoutineFile = parse(source)?;
        for step in routine.section.iter_mut().flat_map(|section| &mut section.step) {
            step.at = source.line_of(step.id.span().start);
            if routine.as_one {
                step.whole.clone_from(&routine.id);
            }
        }
        if let Some(own) = (self.library.changes)(&routine.id) {
            changes::apply(&mut routine, parse(&own)?, &own)?;
        }
        self.under_way.push(routine.id.clone());
        let sections = std::mem::take(&mut routine.section);
        for section in sections {
            match &section.include {
                None => routine.section.push(for_each_step(section)),
                Some(include) => {
                    let included = self.include(source, include, &section)?;
                    routine.section.extend(included);
                }
            }
        }
        self.under_way.pop();
        Ok(routine)
    }

    fn include(
        &mut self,
        from: &Source,
        include: &Spanned<String>,
        place: &SectionFile,
    ) -> Result<Vec<SectionFile>, RoutineError> {
        let (id, at) = (include.get_ref().as_str(), include.span().start);
        let fault = |found: String, expected: &str| {
            Err(RoutineError { at: from.line_of(at), step: String::new(), found, expected: expected.to_owned() })
        };
        if !place.step.is_empty() {
            return fault(format!("include = '{id}' beside steps"), "a section with include alone");
        }
        if self.under_way.iter().any(|name| name == id) {
            let chain = [&self.under_way[..], &[id.to_owned()]].concat().join(" > ");
            return fault(
                format!("routines that include each other: {chain}"),
                "routines that do not come back to where they began",
            );
        }
        let Some(source) = (self.library.routine)(id) else {
            return fault(format!("include = '{id}'"), "the name of a routine");
        };
        let mut routine = self.read(&source)?;
        // What is said before a routine is said before its first step.
        if let Some(first) = routine.section.iter_mut().flat_map(|section| &mut section.step).next() {
            first.caution = format!("{} {}", routine.intro, first.caution).trim().to_owned();
        }
        for section in &mut routine.section {
            section.id = format!("{id}/{}", section.id);
            section.needs.extend(place.needs.iter().cloned());
            section.undoes.extend(place.undoes.iter().cloned());
            section.step.retain(|step| !matches!(step.answer, AnswerFile::Gate));
        }
        let ids: BTreeSet<String> =
            routine.section.iter().flat_map(|section| &section.step).map(|step| step.id.get_ref().clone()).collect();
        let rename = |name: &str| if ids.contains(name) { format!("{id}/{name}") } else { name.to_owned() };
        for step in routine.section.iter_mut().flat_map(|section| &mut section.step) {
            rename_step(step, &rename);
        }
        // It names steps of the routine around it.
        for section in &mut routine.section {
            section.after.clone_from(&place.after);
        }
        Ok(routine.section.into_iter().map(for_each_step).collect())
    }
}

/// What a section needs, waits for and undoes each of its steps does, but for the gate, which no rig is without.
fn for_each_step(mut section: SectionFile) -> SectionFile {
    let needs = std::mem::take(&mut section.needs);
    let after = std::mem::take(&mut section.after);
    let undoes = std::mem::take(&mut section.undoes);
    for step in section.step.iter_mut().filter(|step| !matches!(step.answer, AnswerFile::Gate)) {
        step.needs.extend(needs.iter().cloned());
        step.after.extend(after.iter().cloned());
        step.undoes.extend(undoes.iter().cloned());
    }
    section
}

/// Gives a step's own id, and every id that it names, another name.
fn rename_step(step: &mut StepFile, rename: &dyn Fn(&str) -> String) {
    let id = rename(step.id.get_ref());
    *step.id.get_mut() = id;
    step.after.iter_mut().chain(&mut step.during).for_each(|id| *id = rename(id));
    if let AnswerFile::YesNo { no_back_to, .. } = &mut step.answer {
        no_back_to.iter_mut().for_each(|id| *id = rename(id));
    }
}

impl Expanded {
    /// Leaves out what the rig has no use for, and repeats steps for what it has several of.
    fn select(&mut self, rig: &Rig) -> Result<(), RoutineError> {
        let sections = std::mem::take(&mut self.routine.section);
        for mut section in sections {
            let mut steps = std::mem::take(&mut section.step).into_iter().peekable();
            while let Some(step) = steps.next() {
                let list = step.repeats.clone();
                let mut block = vec![step];
                while list.is_some()
                    && let Some(next) = steps.next_if(|next| next.repeats == list)
                {
                    block.push(next);
                }
                self.check_needs(&block)?;
                let mut lacking: BTreeMap<String, Vec<String>> = BTreeMap::new();
                block.retain(|step| {
                    let kept = !step.gone
                        && step.needs.iter().all(|need| has(rig, need))
                        && (!step.together || rig.has_two_people());
                    if !kept {
                        lacking.insert(step.id.get_ref().clone(), step.after.clone());
                    }
                    kept
                });
                // Within a block the order is handed on here, so that each repeat waits for its own steps alone.
                for step in &mut block {
                    step.after = through(&step.after, &lacking);
                }
                self.stands_for.extend(lacking);
                match list {
                    None => section.step.extend(block),
                    Some(list) => section.step.extend(self.repeat(block, &list, rig)?),
                }
            }
            if !section.step.is_empty() {
                self.routine.section.push(section);
            }
        }
        Ok(())
    }

    fn check_needs(&self, block: &[StepFile]) -> Result<(), RoutineError> {
        for step in block {
            let unknown = |need: &&String| !Rig::knows(need.strip_prefix("not-").unwrap_or(need));
            if let Some(need) = step.needs.iter().find(unknown) {
                let names = EQUIPMENT.iter().map(|item| item.name).collect::<Vec<_>>().join(", ");
                let likely = perhaps(need, EQUIPMENT.iter().map(|item| item.name));
                let expected = format!(
                    "a name of the list of equipment, with or without not- ({names}), or one that begins with own-"
                );
                return Err(RoutineError::of_step(step, format!("needs = '{need}'{likely}"), &expected));
            }
        }
        Ok(())
    }

    /// All steps of the block for the first entry, then all for the second. Within one entry they refer to each other.
    fn repeat(&mut self, block: Vec<StepFile>, list: &str, rig: &Rig) -> Result<Vec<StepFile>, RoutineError> {
        let Some(entries) = rig.list(list) else {
            return match block.first() {
                None => Ok(block),
                Some(step) => {
                    let names = Rig::list_names().collect::<Vec<_>>().join(", ");
                    Err(RoutineError::of_step(step, format!("repeats = '{list}'"), &format!("one of: {names}")))
                }
            };
        };
        let ids: Vec<String> = block.iter().map(|step| step.id.get_ref().clone()).collect();
        let mut steps: Vec<StepFile> = Vec::new();
        for name in entries {
            let before = steps.last().map(|step| step.id.get_ref().clone());
            let rename =
                |id: &str| if ids.iter().any(|own| own == id) { format!("{id}@{}", slug(name)) } else { id.to_owned() };
            for (index, step) in block.iter().enumerate() {
                let mut step = step.clone();
                rename_step(&mut step, &rename);
                step.each.clone_from(name);
                if index == 0 && block.iter().any(|step| step.one_by_one) {
                    step.after.extend(before.clone());
                }
                steps.push(step);
            }
        }
        for (id, step) in ids.iter().zip(&block) {
            let all: Vec<String> = entries.iter().map(|name| format!("{id}@{}", slug(name))).collect();
            self.stands_for.insert(id.clone(), if all.is_empty() { step.after.clone() } else { all });
        }
        Ok(steps)
    }
}

/// The references with those to lacking steps replaced by what these came after.
fn through(ids: &[String], lacking: &BTreeMap<String, Vec<String>>) -> Vec<String> {
    let mut found = Vec::new();
    let mut seen = BTreeSet::new();
    let mut queue: Vec<&String> = ids.iter().rev().collect();
    while let Some(id) = queue.pop() {
        if seen.insert(id) {
            match lacking.get(id) {
                Some(others) => queue.extend(others.iter().rev()),
                None => found.push(id.clone()),
            }
        }
    }
    found
}

fn has(rig: &Rig, need: &str) -> bool {
    match need.strip_prefix("not-") {
        Some(lacking) => !rig.has(lacking),
        None => rig.has(need),
    }
}
