//! What stands on the sheet, in order, before anybody knows how large it is.

use std::time::Duration;

use crate::paper::words::SheetWords;
use crate::routine::{Answer, NumberAnswer, Role, Routine, RoutineKind, Step};

pub(super) struct Content {
    pub title: String,
    pub intro: String,
    pub complete: String,
    pub sections: Vec<SectionContent>,
}

pub(super) struct SectionContent {
    pub title: String,
    pub steps: Vec<StepContent>,
}

pub(super) struct StepContent {
    pub number: usize,
    /// What is to be done.
    pub text: String,
    /// Said before it.
    pub caution: String,
    /// How one knows that it is right; with its words around it.
    pub check: String,
    /// Where and who, in short.
    pub tag: String,
    pub critical: bool,
    /// Whether there is something to tick.
    pub boxed: bool,
    /// What is filled in, or what a tick means.
    pub answer: Vec<Piece>,
}

/// A part of the line below a step.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Piece {
    Text(String),
    /// A box with words.
    Tick(String),
    /// Space to write, about so many letters wide.
    Blank(u8),
    /// The sign of a clock.
    ClockFace,
}

pub(super) fn content(routine: &Routine, words: &SheetWords) -> Content {
    let mut sections: Vec<SectionContent> = Vec::new();
    let mut last_section = None;
    let mut last_place = String::new();
    for (index, step) in routine.steps.iter().enumerate() {
        if last_section != Some(step.section) {
            let title = routine.sections.get(step.section).map(|section| section.title.clone()).unwrap_or_default();
            sections.push(SectionContent { title: large_first(&title), steps: Vec::new() });
            last_section = Some(step.section);
            last_place.clear();
        }
        let content = step_content(index, step, routine, words, &last_place);
        last_place.clone_from(&step.place);
        if let Some(section) = sections.last_mut() {
            section.steps.push(content);
        }
    }
    // A card is read in a hurry: its first words are the name of what goes wrong.
    let title =
        if routine.kind == RoutineKind::Emergency { routine.title.to_uppercase() } else { large_first(&routine.title) };
    Content { title, intro: routine.intro.clone(), complete: routine.complete.clone(), sections }
}

fn step_content(index: usize, step: &Step, routine: &Routine, words: &SheetWords, last_place: &str) -> StepContent {
    let mut tag = Vec::new();
    if !step.place.is_empty() && step.place != last_place {
        tag.push(step.place.clone());
    }
    if let Some(role) = role(step.role, words) {
        tag.push(role.to_owned());
    }
    if step.together {
        tag.push(words.two_people.clone());
    }
    StepContent {
        number: index + 1,
        // The call asks to say something; the short form and the name do not.
        text: large_first(if step.short == step.call { &step.name } else { &step.short }),
        caution: step.caution.clone(),
        check: if step.check.is_empty() { String::new() } else { words.check.replace("{check}", &step.check) },
        tag: tag.join(", "),
        critical: step.critical(),
        boxed: !matches!(step.answer, Answer::Told { .. }),
        answer: answer(step, routine, words),
    }
}

fn answer(step: &Step, routine: &Routine, words: &SheetWords) -> Vec<Piece> {
    let first = |phrases: &[String]| phrases.first().cloned().unwrap_or_default();
    match &step.answer {
        Answer::Done { .. } | Answer::Gate => Vec::new(),
        Answer::Told { .. } => Vec::new(),
        Answer::State(state) => vec![Piece::Text(words.state.replace("{want}", &first(&state.want)))],
        Answer::Clock(clock) => {
            let mut pieces = vec![
                Piece::ClockFace,
                Piece::Text(words.clock.replace("{length}", &span(clock.length))),
                Piece::Blank(6),
                Piece::Text(words.until.clone()),
                Piece::Blank(6),
            ];
            if clock.hazard() {
                pieces.push(Piece::Text(words.clock_ends.replace("{end}", &first(&clock.end))));
            }
            pieces
        }
        Answer::YesNo(question) => {
            let mut pieces = vec![Piece::Tick(words.yes.clone()), Piece::Tick(words.no.clone())];
            if let Some(back) = &question.back {
                let step = routine.steps.get(back.back_to).map_or(back.back_to + 1, |_| back.back_to + 1);
                let text = words.no_goes_back.replace("{step}", &step.to_string());
                pieces.push(Piece::Text(text.replace("{most}", &back.most.to_string())));
            } else if !question.no_reply.is_empty() {
                pieces.push(Piece::Text(question.no_reply.clone()));
            }
            pieces
        }
        Answer::Number(number) => vec![
            Piece::Text(words.reading.replace("{name}", &number.name)),
            Piece::Blank(8),
            Piece::Text(bounds(number, words)),
        ],
        Answer::Choice(choice) => choice.options.iter().map(|option| Piece::Tick(first(&option.say))).collect(),
        Answer::Both(both) => both
            .turns
            .iter()
            .map(|turn| {
                let who = role(turn.role, words).unwrap_or_default();
                Piece::Tick(words.turn.replace("{role}", who).replace("{say}", &first(&turn.say)))
            })
            .collect(),
        Answer::Hold(hold) => vec![Piece::Text(words.hold.replace("{length}", &span(hold.length)))],
    }
}

fn bounds(number: &NumberAnswer, words: &SheetWords) -> String {
    let shown = |count: i64| {
        let value = count as f64 / 10_f64.powi(i32::from(number.decimals));
        format!("{value:.*}", usize::from(number.decimals))
    };
    // "p s i" is how it is said.
    let unit = if number.unit.split(' ').all(|part| part.chars().count() == 1) {
        number.unit.replace(' ', "")
    } else {
        number.unit.clone()
    };
    let unit = if unit.is_empty() { unit } else { format!(" {unit}") };
    words
        .bounds
        .replace("{least}", &shown(number.least))
        .replace("{most}", &shown(number.most))
        .replace("{unit}", &unit)
}

fn role(role: Role, words: &SheetWords) -> Option<&str> {
    let name = match role {
        Role::Outside => "outside",
        Role::Inside => "inside",
        Role::Driver => "driver",
        Role::Spotter => "spotter",
        Role::Either => return None,
    };
    words.roles.get(name).map(String::as_str)
}

/// Whole minutes as minutes, the rest with seconds.
fn span(length: Duration) -> String {
    let seconds = length.as_secs();
    match (seconds / 60, seconds % 60) {
        (0, seconds) => format!("{seconds} s"),
        (minutes, 0) => format!("{minutes} min"),
        (minutes, seconds) => format!("{minutes} min {seconds} s"),
    }
}

fn large_first(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map(|first| first.to_uppercase().chain(letters).collect()).unwrap_or_default()
}
