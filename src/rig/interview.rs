//! Asks for a rig one thing at a time. Pure: questions in, answers in, a rig's file out.
//!
//! What may be asked stands in a file of questions; what may be answered is what the rig's file may say.

use serde::Deserialize;
use thiserror::Error;
use toml::{Table, Value};

use super::equipment::EQUIPMENT;
use super::file::RigFile;
use super::{bounds, slug};
use crate::source::expected_by;

/// The questions, with the words around them.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Questions {
    pub words: InterviewWords,
    pub question: Vec<InterviewQuestion>,
}

/// What may always be answered, and what is said around the questions. `{}` stands for a name or a value.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct InterviewWords {
    pub yes: Vec<String>,
    pub no: Vec<String>,
    /// Empties a list.
    pub none: Vec<String>,
    /// Goes one question back.
    pub back: Vec<String>,
    /// Ends the questions; the rest stays as it is.
    pub enough: Vec<String>,
    pub opening: String,
    /// Shows what stands now, and that Enter keeps it.
    pub now: String,
    pub kept: String,
    pub saved: String,
    pub not_saved: String,
    /// Said where the input ends before the questions do.
    pub unfinished: String,
}

/// One thing to ask.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct InterviewQuestion {
    /// Field of the rig's file that it settles (`electric.cord_a`); with `each`, of one entry of that list (`side`).
    set: String,
    /// A list of the rig's file: it is asked once for each entry, named by `{}`.
    #[serde(default)]
    each: String,
    ask: String,
    kind: Kind,
    /// Answers of a choice: the value, and how it is called.
    #[serde(default)]
    options: Vec<(String, String)>,
    /// Asked only of rigs that have all of this equipment.
    #[serde(default)]
    needs: Vec<String>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Kind {
    YesNo,
    Number,
    /// One of the options.
    Choice,
    /// Any of the options, with commas between.
    Choices,
    /// Names with commas between.
    Names,
}

/// What is to be asked now.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct InterviewAsked {
    pub ask: String,
    /// What stands in the file now, as it would be answered.
    pub now: String,
    /// Numbered from 1.
    pub options: Vec<String>,
}

/// Why an answer is asked for again.
#[derive(Clone, Debug, Error, PartialEq, Eq)]
#[error("found '{found}', expected {expected}")]
pub struct Misunderstood {
    pub found: String,
    pub expected: String,
}

/// An interview under way.
#[derive(Clone, Debug)]
pub struct Interview {
    questions: Questions,
    file: Table,
    /// Question and entry that is asked now.
    at: (usize, usize),
    /// The way back.
    asked: Vec<(usize, usize)>,
}

impl Interview {
    /// Begins with what is known, which an empty answer keeps.
    ///
    /// # Errors
    /// The questions cannot be read or ask for what a rig's file does not have.
    pub fn new(questions: &str, known: &RigFile) -> Result<Self, Misunderstood> {
        let read = |why: String| Misunderstood { found: why, expected: "a file of questions".to_owned() };
        let questions: Questions = toml::from_str(questions).map_err(|why| read(why.to_string()))?;
        let file = Table::try_from(known).map_err(|why| read(why.to_string()))?;
        let mut interview = Self { questions, file, at: (0, 0), asked: Vec::new() };
        interview.settle();
        Ok(interview)
    }

    pub fn words(&self) -> &InterviewWords {
        &self.questions.words
    }

    /// What is to be asked now; nothing once everything has been.
    pub fn asked(&self) -> Option<InterviewAsked> {
        let question = self.questions.question.get(self.at.0)?;
        let labels = || question.options.iter().map(|(_, label)| label.clone());
        let options = if question.kind == Kind::YesNo { Vec::new() } else { labels().collect() };
        Some(InterviewAsked {
            ask: question.ask.replace("{}", &self.entry_name(question)),
            now: self.field(question).map_or_else(String::new, |value| self.shown(question, value)),
            options,
        })
    }

    /// Takes an answer and goes on to the next question. An empty one keeps what stands.
    ///
    /// # Errors
    /// The answer does not fit the question, or the rig could not be like that; nothing has changed then.
    pub fn answer(&mut self, text: &str) -> Result<(), Misunderstood> {
        let Some(question) = self.questions.question.get(self.at.0).cloned() else {
            return Ok(());
        };
        let text = text.trim();
        if self.words().back.iter().any(|word| alike(word, text)) {
            if let Some(before) = self.asked.pop() {
                self.at = before;
            }
            return Ok(());
        }
        if self.words().enough.iter().any(|word| alike(word, text)) {
            self.at = (self.questions.question.len(), 0);
            return Ok(());
        }
        if !text.is_empty() {
            let value = self.understood(&question, text)?;
            let mut changed = self.file.clone();
            put(&mut changed, &question, self.at.1, value);
            check(&changed, text)?;
            self.file = changed;
        }
        self.asked.push(self.at);
        self.at.1 += 1;
        self.settle();
        Ok(())
    }

    /// The rig as it stands.
    ///
    /// # Errors
    /// Never, unless the file of questions names a field that a rig does not have.
    pub fn rig(&self) -> Result<RigFile, Misunderstood> {
        check(&self.file, "")
    }

    /// Moves on to a question that this rig is to be asked.
    fn settle(&mut self) {
        while let Some(question) = self.questions.question.get(self.at.0) {
            let entries = if question.each.is_empty() { 1 } else { self.entries(&question.each) };
            if self.at.1 < entries && self.has(&question.needs) {
                return;
            }
            self.at = (self.at.0 + 1, 0);
        }
    }

    fn has(&self, needs: &[String]) -> bool {
        let Ok(rig) = self.rig() else { return true };
        needs.iter().all(|need| {
            let (name, wanted) = need.strip_prefix("not-").map_or((need.as_str(), true), |name| (name, false));
            EQUIPMENT.iter().find(|item| item.name == name).is_some_and(|item| (item.has)(&rig) == wanted)
        })
    }

    fn entries(&self, list: &str) -> usize {
        self.file.get(list).and_then(Value::as_array).map_or(0, Vec::len)
    }

    fn entry_name(&self, question: &InterviewQuestion) -> String {
        let entry = self.file.get(&question.each).and_then(Value::as_array).and_then(|list| list.get(self.at.1));
        entry.and_then(|entry| entry.get("name")).and_then(Value::as_str).unwrap_or_default().to_owned()
    }

    fn field(&self, question: &InterviewQuestion) -> Option<&Value> {
        if question.each.is_empty() {
            let mut parts = question.set.split('.');
            let first = self.file.get(parts.next()?)?;
            parts.try_fold(first, |value, part| value.get(part))
        } else {
            self.file.get(&question.each)?.as_array()?.get(self.at.1)?.get(&question.set)
        }
    }

    fn shown(&self, question: &InterviewQuestion, value: &Value) -> String {
        let label = |value: &str| {
            question.options.iter().find(|(own, _)| own == value).map_or(value.to_owned(), |(_, label)| label.clone())
        };
        match value {
            Value::Boolean(yes) => if *yes { &self.words().yes[0] } else { &self.words().no[0] }.clone(),
            Value::String(text) => label(text),
            Value::Array(list) => {
                let name = |item: &Value| item.get("name").unwrap_or(item).as_str().map(label).unwrap_or_default();
                list.iter().map(name).collect::<Vec<_>>().join(", ")
            }
            other => label(&other.to_string()),
        }
    }

    fn understood(&self, question: &InterviewQuestion, text: &str) -> Result<Value, Misunderstood> {
        let fault = |expected: String| Misunderstood { found: text.to_owned(), expected };
        let said = |words: &[String]| words.iter().any(|word| alike(word, text));
        let labels = || question.options.iter().map(|(_, label)| label.as_str()).collect::<Vec<_>>().join(", ");
        let option = |text: &str| {
            let by_number = text.parse::<usize>().ok().and_then(|n| question.options.get(n.checked_sub(1)?));
            let by_name = question.options.iter().find(|(value, label)| alike(label, text) || alike(value, text));
            // A value that is a number itself (an ampere rating) is not its place in the list.
            by_name.or(by_number).map(|(value, _)| value.clone()).ok_or_else(|| fault(format!("one of: {}", labels())))
        };
        let names = |text: &str| text.split(',').map(str::trim).map(str::to_owned).collect::<Vec<_>>();
        Ok(match question.kind {
            Kind::YesNo if said(&self.words().yes) => Value::Boolean(true),
            Kind::YesNo if said(&self.words().no) => Value::Boolean(false),
            Kind::YesNo => return Err(fault(format!("{} or {}", self.words().yes[0], self.words().no[0]))),
            Kind::Number => match text.parse() {
                Ok(whole) => Value::Integer(whole),
                Err(_) => Value::Float(text.parse().map_err(|_| fault(A_NUMBER.to_owned()))?),
            },
            Kind::Choice => {
                let value = option(text)?;
                value.parse().map_or_else(|_| Value::String(value.clone()), Value::Integer)
            }
            Kind::Choices | Kind::Names if said(&self.words().none) => Value::Array(Vec::new()),
            Kind::Choices => {
                let each = names(text).iter().map(|name| option(name).map(Value::String)).collect::<Result<_, _>>()?;
                Value::Array(each)
            }
            Kind::Names => Value::Array(names(text).into_iter().map(Value::String).collect()),
        })
    }
}

fn alike(one: &str, other: &str) -> bool {
    one.trim().eq_ignore_ascii_case(other.trim())
}

/// Puts a value into its place. Names of a list of tables keep what is known of those that were there.
fn put(file: &mut Table, question: &InterviewQuestion, entry: usize, value: Value) {
    if !question.each.is_empty() {
        let place = file.get_mut(&question.each).and_then(Value::as_array_mut).and_then(|list| list.get_mut(entry));
        if let Some(table) = place.and_then(Value::as_table_mut) {
            table.insert(question.set.clone(), value);
        }
        return;
    }
    if TABLES.contains(&question.set.as_str()) {
        let known: Vec<Value> = file.get(&question.set).and_then(Value::as_array).cloned().unwrap_or_default();
        let named = |name: &str| {
            let is =
                |entry: &&Value| entry.get("name").and_then(Value::as_str).is_some_and(|own| slug(own) == slug(name));
            known.iter().find(is).cloned().unwrap_or_else(|| {
                let mut table = Table::from_iter([("name".to_owned(), Value::String(name.to_owned()))]);
                if question.set == "tire" {
                    // Both are asked for next; a tire has no pressure that goes without saying.
                    table.extend(["least_psi", "most_psi"].map(|key| (key.to_owned(), Value::Integer(FIRST_PSI))));
                }
                Value::Table(table)
            })
        };
        let names = value.as_array().into_iter().flatten().filter_map(Value::as_str).map(named).collect();
        file.insert(question.set.clone(), Value::Array(names));
        return;
    }
    let (table, key) = question.set.split_once('.').unwrap_or(("", &question.set));
    if table.is_empty() {
        file.insert(key.to_owned(), value);
    } else if let Some(table) = file.get_mut(table).and_then(Value::as_table_mut) {
        table.insert(key.to_owned(), value);
    }
}

fn check(file: &Table, found: &str) -> Result<RigFile, Misunderstood> {
    let fault = |expected: String| Misunderstood { found: found.to_owned(), expected };
    let rig: RigFile =
        file.clone().try_into().map_err(|why: toml::de::Error| fault(expected_by(why.message()).to_owned()))?;
    bounds::check(&rig).map_err(|why| fault(why.expected))?;
    Ok(rig)
}

const A_NUMBER: &str = "a number alone, in the unit that the question names";
/// Lists whose entries have more than a name.
const TABLES: [&str; 4] = ["person", "slide", "awning", "tire"];
const FIRST_PSI: i64 = 80;
