//! An owner's changes to a routine that they do not want to copy: steps dropped, changed, or put in.

use schemars::JsonSchema;
use serde::Deserialize;
use toml::Spanned;

use super::file::{AnswerFile, RoutineFile, StepFile, refuse_critical};
use super::model::Harm;
use crate::rig::Role;

/// A file of changes (`routines/<id>.changes.toml`).
#[derive(Clone, Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(title = "Changes to a routine of sparehand")]
pub(super) struct ChangesFile {
    /// Name of the routine that is changed.
    pub changes: String,
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

/// What was found, with the step that it was found at, and what was expected.
pub(super) struct ChangeFault {
    pub step: String,
    pub found: String,
    pub expected: &'static str,
}

/// Changes a routine; the inserted steps come from the source with this number.
///
/// # Errors
/// A step that the routine does not have, or a gate that is dropped.
pub(super) fn apply(routine: &mut RoutineFile, changes: ChangesFile, source: usize) -> Result<(), ChangeFault> {
    if changes.changes != routine.id {
        let found = format!("changes = '{}'", changes.changes);
        return Err(ChangeFault {
            step: routine.id.clone(),
            found,
            expected: "the name of the routine that it changes",
        });
    }
    for id in changes.drop {
        let step = find(routine, id.get_ref(), "drop")?;
        if matches!(step.answer, AnswerFile::Gate) {
            let (step, found) = (id.into_inner(), "drop of the gate".to_owned());
            return Err(ChangeFault { step, found, expected: "a routine that keeps its gate" });
        }
        step.gone = true;
    }
    for change in changes.change {
        let step = find(routine, change.step.get_ref(), "change")?;
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
            (Some(after), None) => (after.get_ref(), 1),
            (None, Some(before)) => (before.get_ref(), 0),
            _ => {
                let step = insert.step.first().map_or_else(|| routine.id.clone(), |step| step.id.get_ref().clone());
                let found = "an insert with both or neither of after and before".to_owned();
                return Err(ChangeFault { step, found, expected: "one of them" });
            }
        };
        find(routine, place, "insert")?;
        for section in &mut routine.section {
            if let Some(at) = section.step.iter().position(|step| step.id.get_ref() == place) {
                let steps = insert.step.iter().cloned().map(|step| StepFile { source, ..step });
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

fn find<'a>(routine: &'a mut RoutineFile, id: &str, what: &str) -> Result<&'a mut StepFile, ChangeFault> {
    let steps = routine.section.iter_mut().flat_map(|section| section.step.iter_mut());
    steps.into_iter().find(|step| step.id.get_ref() == id).ok_or_else(|| ChangeFault {
        step: id.to_owned(),
        found: format!("{what} of '{id}'"),
        expected: "the id of a step of the routine",
    })
}
