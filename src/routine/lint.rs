//! Looks a routine's file over for its author: everything that would be refused, and what would be heard or done badly.
//!
//! Whether two phrases can be told apart by the ear is measured elsewhere; here only what the words themselves tell.

use std::collections::BTreeMap;
use std::ops::Range;

use super::build::load_with;
use super::changes::{self, ChangesFile};
use super::error::RoutineError;
use super::expand::Library;
use super::file::{RoutineFile, StepFile};
use super::model::Routine;
use super::{lint_order, lint_words};
use crate::rig::Rig;
use crate::source::{Misread, Source};

/// Something that was found.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Finding {
    pub severity: Severity,
    /// The step that it was found at; empty where it is about the file.
    pub step: String,
    /// Where in the text, in bytes.
    pub span: Option<Range<usize>>,
    pub found: String,
    pub expected: String,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Severity {
    /// Can be carried out, but is likely to be misheard, missed or done in a bad order.
    Advice,
    /// Is refused when it is loaded.
    Error,
}

/// What a linter must know besides the file.
pub struct Surroundings<'a> {
    pub rig: &'a Rig,
    pub library: Library<'a>,
    /// Phrases that may be said at any time, which no answer may be mistaken for.
    pub always: &'a [String],
}

/// Looks a file over: a routine, or changes to one. What is found is in the order of the text.
pub fn lint(source: &Source, around: &Surroundings) -> Vec<Finding> {
    let mut findings = Findings::default();
    let says_so = |line: &str| line.trim_start().starts_with("changes") && line.contains('=');
    if source.name.ends_with(".changes.toml") || source.text.lines().any(says_so) {
        lint_changes(source, around, &mut findings);
    } else {
        match source.read::<RoutineFile>() {
            Err(error) => findings.unreadable(error),
            Ok(routine) => {
                findings.look_over(&routine, around, &|step| Some(step.id.span()));
                let loaded = load_with(source, around.rig, &around.library);
                let spans = |id: &str| steps(&routine).find(|step| step.id.get_ref() == id).map(|step| step.id.span());
                findings.loaded(source, loaded, &spans);
            }
        }
    }
    findings.list.sort_by_key(|finding| (finding.span.as_ref().map(|span| span.start), finding.severity));
    findings.list.dedup();
    findings.list
}

fn lint_changes(source: &Source, around: &Surroundings, findings: &mut Findings) {
    let changes: ChangesFile = match source.read() {
        Ok(changes) => changes,
        Err(error) => return findings.unreadable(error),
    };
    let Some(base) = (around.library.routine)(changes.changes.get_ref()) else {
        let found = format!("changes = '{}'", changes.changes.get_ref());
        let place = Some(changes.changes.span());
        return findings.add(Severity::Error, "", place, found, "the name of a routine");
    };
    let mut spans: Vec<(String, Range<usize>)> =
        changes.drop.iter().map(|id| (id.get_ref().clone(), id.span())).collect();
    spans.extend(changes.change.iter().map(|change| (change.step.get_ref().clone(), change.step.span())));
    for insert in &changes.insert {
        spans.extend(insert.after.iter().chain(&insert.before).map(|id| (id.get_ref().clone(), id.span())));
        spans.extend(insert.step.iter().map(|step| (step.id.get_ref().clone(), step.id.span())));
    }
    let place = |id: &str| spans.iter().find(|(name, _)| name == id).map(|(_, span)| span.clone());
    if let Ok(mut routine) = base.read::<RoutineFile>()
        && changes::apply(&mut routine, changes.clone(), source).is_ok()
    {
        findings.look_over(&routine, around, &|step| place(step.id.get_ref()));
        // What the routine itself has is told when it is looked over itself.
        findings.list.retain(|finding| finding.span.is_some());
    }
    let own =
        |id: &str| if id == changes.changes.get_ref() { Some(source.clone()) } else { (around.library.changes)(id) };
    let library = Library { routine: around.library.routine, changes: &own };
    findings.loaded(source, load_with(&base, around.rig, &library), &place);
}

/// Where each step of a routine, or of changes to one, is named in its text, in bytes. Empty where the text cannot be read.
pub fn step_places(source: &Source) -> BTreeMap<String, Range<usize>> {
    if let Ok(routine) = source.read::<RoutineFile>() {
        return steps(&routine).map(|step| (step.id.get_ref().clone(), step.id.span())).collect();
    }
    let Ok(changes) = source.read::<ChangesFile>() else { return BTreeMap::new() };
    let changed = changes.change.iter().map(|change| (change.step.get_ref().clone(), change.step.span()));
    let inserted = changes.insert.iter().flat_map(|insert| &insert.step);
    changed.chain(inserted.map(|step| (step.id.get_ref().clone(), step.id.span()))).collect()
}

/// Every step of a file, in order.
pub(super) fn steps(routine: &RoutineFile) -> impl Iterator<Item = &StepFile> {
    routine.section.iter().flat_map(|section| &section.step).filter(|step| !step.gone)
}

#[derive(Default)]
pub(super) struct Findings {
    list: Vec<Finding>,
}

impl Findings {
    pub(super) fn add(
        &mut self,
        severity: Severity,
        step: &str,
        span: Option<Range<usize>>,
        found: String,
        expected: &str,
    ) {
        self.list.push(Finding { severity, step: step.to_owned(), span, found, expected: expected.to_owned() });
    }

    fn unreadable(&mut self, Misread { span, found, expected }: Misread) {
        self.add(Severity::Error, "", Some(span), found, &expected);
    }

    fn look_over(
        &mut self,
        routine: &RoutineFile,
        around: &Surroundings,
        place: &dyn Fn(&StepFile) -> Option<Range<usize>>,
    ) {
        lint_words::look(routine, around.always, place, self);
        lint_order::look(routine, around, place, self);
    }

    /// What the loader says, unless the same was found already; and what only the loaded routine tells.
    fn loaded(
        &mut self,
        source: &Source,
        loaded: Result<Routine, RoutineError>,
        place: &dyn Fn(&str) -> Option<Range<usize>>,
    ) {
        match loaded {
            Ok(routine) => {
                for (sewage, water) in lint_order::unwashed_hands(&routine) {
                    let step = written(&routine.steps[water].id);
                    let sewage = &routine.steps[sewage].name;
                    let found = format!("drinking water that may come after '{sewage}' with unwashed hands");
                    let expected = "after = a step that touches soap and comes after the sewage itself";
                    self.add(Severity::Error, step, place(step), found, expected);
                }
            }
            Err(RoutineError { at, step, found, expected }) => {
                let step = written(&step);
                let told = |finding: &Finding| finding.severity == Severity::Error && finding.step == step;
                if !self.list.iter().any(told) {
                    let here = at.file == source.name;
                    let span = place(step).or_else(|| source.span_of(at.number).filter(|_| here));
                    let found = if here { found } else { format!("in {at}, {found}") };
                    self.add(Severity::Error, step, span, found, &expected);
                }
            }
        }
    }
}

/// The id as it is written in the file: without what it is repeated for.
fn written(id: &str) -> &str {
    id.split('@').next().unwrap_or(id)
}
