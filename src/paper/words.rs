//! The words of this folder, read from a file of phrases so that they can be changed or translated.

use std::collections::BTreeMap;

use serde::Deserialize;
use thiserror::Error;

/// The words; each field is the key of the same name in the file.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PaperWords {
    /// By the name of a meaning: the headings that have it.
    pub headings: BTreeMap<String, Vec<String>>,
    /// By the name of a role: what people call it.
    pub roles: BTreeMap<String, Vec<String>>,
    pub list: ListWords,
    pub sheet: SheetWords,
    pub page: PageWords,
}

/// What stands on the printed sheet.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SheetWords {
    pub first: String,
    pub date: String,
    pub who: String,
    pub began: String,
    pub ended: String,
    pub legend: String,
    pub caution: String,
    pub check: String,
    pub state: String,
    pub clock: String,
    pub until: String,
    pub clock_ends: String,
    pub reading: String,
    pub bounds: String,
    pub yes: String,
    pub no: String,
    pub no_goes_back: String,
    pub turn: String,
    pub hold: String,
    pub two_people: String,
    pub notes: String,
    pub page: String,
    pub continued: String,
    pub no_answers: String,
    pub roles: BTreeMap<String, String>,
}

/// What a routine made from a list says.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ListWords {
    pub call: String,
    pub long_call: String,
    pub intro: String,
    pub complete: String,
    pub first_section: String,
    pub gate_section: String,
    pub gate_name: String,
    pub gate_call: String,
}

/// What stands on the page after a run.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PageWords {
    pub title: String,
    pub completed: String,
    pub abandoned: String,
    pub unfinished: String,
    pub rehearsal: String,
    pub lasted: String,
    pub began: String,
    pub people: String,
    pub answered_count: String,
    pub skipped_count: String,
    pub open_count: String,
    pub overrides: String,
    pub changed: String,
    pub clock_note: String,
    pub timeline: String,
    pub timeline_about: String,
    pub legend_done: String,
    pub legend_skipped: String,
    pub legend_open: String,
    pub legend_again: String,
    pub legend_over: String,
    pub legend_away: String,
    pub minutes: String,
    pub away: String,
    pub away_unknown: String,
    pub over: String,
    pub ran: String,
    pub running: String,
    pub steps: String,
    pub step: String,
    pub at: String,
    pub of_day: String,
    pub took: String,
    pub answer: String,
    pub who: String,
    pub how: String,
    pub by_voice: String,
    pub by_voice_confirmed: String,
    pub by_key: String,
    pub by_clock: String,
    pub skipped: String,
    pub still_open: String,
    pub critical: String,
    pub times: String,
    pub not_as_wanted: String,
    pub reopened: String,
    pub checked: String,
    pub clocks: String,
    pub clock: String,
    pub length: String,
    pub ended: String,
    pub skips: String,
    pub overridden: String,
    pub overridden_by: String,
    pub readings: String,
    pub reading: String,
    pub value: String,
    pub bounds: String,
    pub within: String,
    pub below: String,
    pub above: String,
    pub to: String,
    pub notes: String,
    pub sound: String,
    pub no_notes: String,
    pub gate: String,
    pub everything: String,
    pub first: String,
}

/// Why the words cannot be used.
#[derive(Debug, Error)]
pub enum PaperWordsError {
    #[error("{file}: found '{why}', expected every word once; put it right in the phrase file")]
    Unreadable { file: String, why: String },
    #[error("{file}: '{key}' is '{found}', expected {place} in it; put it right in the phrase file")]
    Place { file: String, key: &'static str, found: String, place: &'static str },
}

impl PaperWords {
    /// Reads the words. `file` is only used in errors; `text` is its content.
    ///
    /// # Errors
    /// A word is missing or unknown, or has lost the place for what is filled in.
    pub fn parse(file: &str, text: &str) -> Result<Self, PaperWordsError> {
        let words: Self = toml::from_str(text)
            .map_err(|why| PaperWordsError::Unreadable { file: file.to_owned(), why: why.to_string() })?;
        for (key, found, place) in [
            ("list.call", &words.list.call, "{step}"),
            ("list.intro", &words.list.intro, "{title}"),
            ("list.complete", &words.list.complete, "{title}"),
            ("sheet.check", &words.sheet.check, "{check}"),
            ("sheet.state", &words.sheet.state, "{want}"),
            ("sheet.clock", &words.sheet.clock, "{length}"),
            ("sheet.clock_ends", &words.sheet.clock_ends, "{end}"),
            ("sheet.bounds", &words.sheet.bounds, "{least}"),
            ("sheet.bounds", &words.sheet.bounds, "{most}"),
            ("sheet.no_goes_back", &words.sheet.no_goes_back, "{step}"),
            ("sheet.turn", &words.sheet.turn, "{say}"),
            ("sheet.hold", &words.sheet.hold, "{length}"),
            ("sheet.page", &words.sheet.page, "{page}"),
            ("sheet.page", &words.sheet.page, "{pages}"),
            ("page.title", &words.page.title, "{routine}"),
            ("page.title", &words.page.title, "{began}"),
            ("page.timeline_about", &words.page.timeline_about, "{steps}"),
            ("page.timeline_about", &words.page.timeline_about, "{clocks}"),
            ("page.away", &words.page.away, "{length}"),
            ("page.over", &words.page.over, "{ran}"),
            ("page.over", &words.page.over, "{over}"),
            ("page.ran", &words.page.ran, "{ran}"),
            ("page.ran", &words.page.ran, "{length}"),
            ("page.running", &words.page.running, "{length}"),
            ("page.by_voice", &words.page.by_voice, "{phrase}"),
            ("page.by_voice_confirmed", &words.page.by_voice_confirmed, "{phrase}"),
            ("page.skipped", &words.page.skipped, "{reason}"),
            ("page.times", &words.page.times, "{count}"),
            ("page.not_as_wanted", &words.page.not_as_wanted, "{answers}"),
            ("page.reopened", &words.page.reopened, "{because}"),
            ("page.checked", &words.page.checked, "{answer}"),
            ("page.overridden_by", &words.page.overridden_by, "{person}"),
            ("page.overridden_by", &words.page.overridden_by, "{steps}"),
            ("page.to", &words.page.to, "{least}"),
            ("page.to", &words.page.to, "{most}"),
            ("page.to", &words.page.to, "{unit}"),
            ("page.sound", &words.page.sound, "{file}"),
            ("page.gate", &words.page.gate, "{steps}"),
        ] {
            if !found.contains(place) {
                return Err(PaperWordsError::Place { file: file.to_owned(), key, found: found.clone(), place });
            }
        }
        Ok(words)
    }
}
