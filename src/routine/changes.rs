//! An owner's changes to a routine that they do not want to copy: steps dropped, changed, or put in.

use schemars::JsonSchema;
use serde::Deserialize;
use toml::Spanned;

use super::error::RoutineError;
use super::file::{AnswerFile, RoutineFile, StepFile, refuse_critical};
use super::model::Harm;
use crate::rig::Role;
use crate::source::{Source, perhaps};

/// A file of changes (`routines/<id>.changes.toml`).
#[derive(Clone, Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(title = "Changes to a routine of sparehand")]
pub(super) struct ChangesFile {
    /// Name of the routine that is changed.
    #[schemars(with = "String")]
    pub changes: Spanned<String>,
    /// Steps that are left out.
    #[serde(default)]
    #[schemars(with = "Vec<String>")]
    pub drop: Vec<Spanned<String>>,
    /// Steps of which something is changed.
    #[serde(default)]
    pub change: Vec<Change>,
    /// Steps that are put in.
    #[serde(default)]
    pub insert: Vec<Insert>,
}

/// What is named here takes the place of what the routine says; the rest stays.
#[derive(Clone, Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct Change {
    #[schemars(with = "String")]
    pub step: Spanned<String>,
    pub name: Option<String>,
    #[serde(rename = "where")]
    pub place: Option<String>,
    pub role: Option<Role>,
    pub call: Option<String>,
    pub short: Option<String>,
    pub caution: Option<String>,
    pub how: Option<String>,
    pub check: Option<String>,
    pub answer: Option<AnswerFile>,
    pub harm: Option<Harm>,
    pub tested_by: Option<String>,
    /// Refused, with what to write in its place.
    #[serde(default, rename = "critical", deserialize_with = "refuse_critical")]
    #[schemars(skip)]
    pub _critical: (),
    pub again: Option<bool>,
    pub daylight: Option<bool>,
    pub wait: Option<bool>,
    pub minutes: Option<f64>,
    pub needs: Option<Vec<String>>,
    pub after: Option<Vec<String>>,
}

/// Steps that are put in before or after one of the routine's.
#[derive(Clone, Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct Insert {
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub after: Option<Spanned<String>>,
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub before: Option<Spanned<String>>,
    /// The steps, written as in a routine.
    pub step: Vec<StepFile>,
}

/// Changes a routine, by a file of changes and its text. What is wrong with a changed or an inserted step from then on is to be mended in
/// that; with any other step in one of both, for it may lack what was dropped.
///
/// # Errors
/// A step that the routine does not have, or a gate that is dropped.
pub(super) fn apply(routine: &mut RoutineFile, changes: ChangesFile, own: &Source) -> Result<(), RoutineError> {
    let refused = |step: &str, byte: usize, found: String, expected: &str| {
        Err(RoutineError { at: own.line_of(byte), step: step.to_owned(), found, expected: expected.to_owned() })
    };
    if *changes.changes.get_ref() != routine.id {
        let found = format!("changes = '{}'", changes.changes.get_ref());
        let expected = format!("changes = '{}', as the name of the file has it", routine.id);
        return refused("", changes.changes.span().start, found, &expected);
    }
    for step in routine.section.iter_mut().flat_map(|section| &mut section.step) {
        step.at.file = format!("{} with {}", step.at.file, own.name);
    }
    for id in changes.drop {
        let step = find(routine, &id, own, "drop")?;
        if matches!(step.answer, AnswerFile::Gate) {
            return refused(
                id.get_ref(),
                id.span().start,
                "drop of the gate".to_owned(),
                "a routine that keeps its gate",
            );
        }
        step.gone = true;
    }
    for change in changes.change {
        let step = find(routine, &change.step, own, "change")?;
        step.at = own.line_of(change.step.span().start);
        if change.call.is_some() && change.short.is_none() {
            // The old line for large letters would show another thing than is said.
            step.short.clear();
        }
        set(&mut step.name, change.name);
        set(&mut step.place, change.place);
        set(&mut step.role, change.role);
        set(&mut step.call, change.call);
        set(&mut step.short, change.short);
        set(&mut step.caution, change.caution);
        set(&mut step.how, change.how);
        set(&mut step.check, change.check);
        set(&mut step.answer, change.answer);
        set(&mut step.harm, change.harm);
        set(&mut step.tested_by, change.tested_by);
        set(&mut step.again, change.again);
        set(&mut step.daylight, change.daylight);
        set(&mut step.wait, change.wait);
        set(&mut step.minutes, change.minutes);
        set(&mut step.needs, change.needs);
        set(&mut step.after, change.after);
    }
    for insert in changes.insert {
        let (place, past) = match (&insert.after, &insert.before) {
            (Some(after), None) => (after, 1),
            (None, Some(before)) => (before, 0),
            (both, _) => {
                let found = if both.is_some() {
                    "an insert with after and before"
                } else {
                    "an insert with neither after nor before"
                };
                let first = insert.step.first().map(|step| &step.id);
                let (step, byte) = first.map_or(("", 0), |id| (id.get_ref().as_str(), id.span().start));
                return refused(step, byte, found.to_owned(), "one of both: the step that it comes after, or before");
            }
        };
        find(routine, place, own, "insert")?;
        for section in &mut routine.section {
            if let Some(at) = section.step.iter().position(|step| step.id.get_ref() == place.get_ref()) {
                let steps = insert.step.iter().cloned().map(|step| {
                    let at = own.line_of(step.id.span().start);
                    StepFile { at, ..step }
                });
                section.step.splice(at + past..at + past, steps);
                break;
            }
        }
    }
    Ok(())
}

fn set<T>(field: &mut T, change: Option<T>) {
    if let Some(value) = change {
        *field = value;
    }
}

fn find<'a>(
    routine: &'a mut RoutineFile,
    wanted: &Spanned<String>,
    own: &Source,
    what: &str,
) -> Result<&'a mut StepFile, RoutineError> {
    let id = wanted.get_ref();
    let ids = routine.section.iter().flat_map(|section| &section.step).map(|step| step.id.get_ref().as_str());
    let refused = RoutineError {
        at: own.line_of(wanted.span().start),
        step: id.to_owned(),
        found: format!("{what} of '{id}'{}", perhaps(id, ids)),
        expected: format!("the id of a step of {}", routine.id),
    };
    let mut steps = routine.section.iter_mut().flat_map(|section| section.step.iter_mut());
    steps.find(|step| step.id.get_ref() == id).ok_or(refused)
}
