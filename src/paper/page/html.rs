//! The page itself. Every text goes through maud, which escapes it; nothing is loaded from anywhere.

use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::account::{Account, End, Reading, StepAccount, shown};
use super::timeline::{clock_text, timeline};
use super::{PageOutcome, RunRecord, name_of, span};
use crate::engine::event::HeardAs;
use crate::paper::words::PageWords;

pub(super) fn html(run: &RunRecord, account: &Account, words: &PageWords) -> String {
    let title = words.title.replace("{routine}", &large_first(&run.title)).replace("{began}", &run.began);
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                // Whatever a text brings in: no script runs, and nothing is loaded.
                meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'";
                title { (title) }
                style { (PreEscaped(include_str!("page.css"))) }
            }
            body {
                h1 { (title) }
                (head(run, account, words))
                h2 { (words.timeline) }
                div class="wide" { (timeline(run, account, words)) }
                (key(words))
                (skips(run, account, words))
                (readings(run, account, words))
                (notes(run, account, words))
                (clocks(run, account, words))
                (steps(run, account, words))
                details {
                    summary { (words.everything) }
                    div class="wide" { table {
                        @for entry in &run.entries {
                            tr {
                                td class="number" { (span(entry.at.as_millis())) }
                                td class="number" { (entry.of_day) }
                                td { @if let Some(step) = &entry.step { (name_of(run, step)) ": " } (entry.told) }
                            }
                        }
                    } }
                }
                p class="soft" { (words.clock_note) " " (words.first) }
            }
        }
    };
    page.into_string()
}

fn head(run: &RunRecord, account: &Account, words: &PageWords) -> Markup {
    let outcome = match run.outcome {
        PageOutcome::Completed => &words.completed,
        PageOutcome::Abandoned => &words.abandoned,
        PageOutcome::Unfinished => &words.unfinished,
    };
    let count = |wanted: fn(&End) -> bool| {
        account.steps.iter().filter(|step| step.spans.last().is_some_and(|span| wanted(&span.end))).count()
    };
    html! {
        p class="outcome" { (outcome) @if run.rehearsal { " " (words.rehearsal) } }
        ul class="facts" {
            li { b { (words.lasted) } " " (span(account.end)) }
            li { b { (words.began) } " " (run.began) }
            @if !account.people.is_empty() { li { b { (words.people) } " " (account.people.join(", ")) } }
            li { b { (words.answered_count) } " " (count(|end| matches!(end, End::Answered(_)))) }
            li { b { (words.skipped_count) } " " (count(|end| matches!(end, End::Skipped(_)))) }
            li { b { (words.open_count) } " " (count(|end| *end == End::Open)) }
            @if !account.overrides.is_empty() { li { b { (words.overrides) } " " (account.overrides.len()) } }
        }
        @if run.changed { p class="soft" { (words.changed) } }
    }
}

fn key(words: &PageWords) -> Markup {
    let sample = |class: &str, text: &str| {
        html! { li { svg viewBox="0 0 26 14" aria-hidden="true" { rect class=(class) x="1" y="2" width="24" height="10" {} } " " (text) } }
    };
    html! {
        ul class="key" {
            (sample("done", &format!("\u{2713} {}", words.legend_done)))
            (sample("again", &format!("\u{21BA} {}", words.legend_again)))
            (sample("skipped", &format!("\u{2013} {}", words.legend_skipped)))
            (sample("open", &format!("? {}", words.legend_open)))
            (sample("over", &words.legend_over))
            (sample("away", &words.legend_away))
        }
    }
}

fn skips(run: &RunRecord, account: &Account, words: &PageWords) -> Markup {
    let skipped: Vec<(&StepAccount, &String)> = account
        .steps
        .iter()
        .filter_map(|step| match step.spans.last().map(|span| &span.end) {
            Some(End::Skipped(reason)) => Some((step, reason)),
            _ => None,
        })
        .collect();
    let named = |ids: &[String]| ids.iter().map(|id| name_of(run, id)).collect::<Vec<_>>().join(", ");
    html! {
        @if !skipped.is_empty() {
            h2 { (words.skips) }
            ul { @for (step, reason) in skipped { li { (name_of(run, &step.id)) ": " (reason) } } }
        }
        @for (at, open) in &account.held {
            p { span class="soft" { (span(*at)) } " " (words.gate.replace("{steps}", &named(open))) }
        }
        @if !account.overrides.is_empty() {
            h2 { (words.overridden) }
            @for (at, person, open) in &account.overrides {
                p class="outside" {
                    (span(*at)) " " (words.overridden_by.replace("{person}", person).replace("{steps}", &named(open)))
                }
            }
        }
    }
}

fn readings(run: &RunRecord, account: &Account, words: &PageWords) -> Markup {
    html! {
        @if !account.readings.is_empty() {
            h2 { (words.readings) }
            div class="wide" { table {
                tr { th { (words.at) } th { (words.reading) } th { (words.value) } th { (words.bounds) } th {} th { (words.step) } }
                @for reading in &account.readings {
                    @let (text, outside) = verdict(reading, words);
                    @let number = |count: i64| shown(count, reading.decimals);
                    tr {
                        td class="number" { (span(reading.at)) }
                        td { (reading.name) }
                        td class="number" { b { (number(reading.value)) } " " (reading.unit) }
                        td class="number" {
                            (words.to.replace("{least}", &number(reading.least)).replace("{most}", &number(reading.most)).replace("{unit}", &reading.unit))
                        }
                        td { (gauge(reading)) span class=(if outside { "outside" } else { "" }) { (text) } }
                        td { (name_of(run, &reading.step)) }
                    }
                }
            } }
        }
    }
}

fn verdict<'a>(reading: &Reading, words: &'a PageWords) -> (&'a str, bool) {
    if reading.value < reading.least {
        (&words.below, true)
    } else if reading.value > reading.most {
        (&words.above, true)
    } else {
        (&words.within, false)
    }
}

/// The bounds as a box and the reading as a mark; as much again on both sides.
fn gauge(reading: &Reading) -> Markup {
    let width = (reading.most - reading.least).max(1) as f64;
    let share = ((reading.value as f64 - reading.least as f64) / width).clamp(-0.95, 1.95);
    let x = 47.0 + share * 46.0;
    html! {
        svg class="gauge" viewBox="0 0 140 18" aria-hidden="true" {
            line class="grid" x1="0" x2="140" y1="9" y2="9" {}
            rect class="range" x="47" y="4" width="46" height="10" {}
            path class="mark" d=(format!("M{x:.1} 1 L{:.1} 17 L{:.1} 17 Z", x + 4.0, x - 4.0)) {}
        }
    }
}

fn notes(run: &RunRecord, account: &Account, words: &PageWords) -> Markup {
    html! {
        h2 { (words.notes) }
        @if account.notes.is_empty() { p class="soft" { (words.no_notes) } }
        ul {
            @for note in &account.notes {
                li {
                    span class="soft" { (span(note.at)) ", " (note.of_day) ", " (name_of(run, &note.step)) } " "
                    (note.text)
                    @if let Some(wav) = &note.wav { span class="more" { (words.sound.replace("{file}", wav)) } }
                }
            }
        }
    }
}

fn clocks(run: &RunRecord, account: &Account, words: &PageWords) -> Markup {
    html! {
        @if !account.clocks.is_empty() {
            h2 { (words.clocks) }
            div class="wide" { table {
                tr { th { (words.clock) } th { (words.at) } th { (words.length) } th { (words.ended) } }
                @for clock in &account.clocks {
                    tr {
                        td { (name_of(run, &clock.id)) }
                        td class="number" { (span(clock.from)) }
                        td class="number" { (span(clock.length)) }
                        td { (clock_text(clock, words)) }
                    }
                }
            } }
        }
    }
}

fn steps(run: &RunRecord, account: &Account, words: &PageWords) -> Markup {
    html! {
        h2 { (words.steps) }
        div class="wide" { table {
            tr {
                th { (words.step) } th { (words.at) } th { (words.of_day) } th { (words.took) } th { (words.answer) }
                th { (words.who) } th { (words.how) }
            }
            @for step in &account.steps {
                @let last = step.spans.last();
                tr {
                    td {
                        (name_of(run, &step.id)) " "
                        @if run.steps.get(&step.id).is_some_and(|named| named.critical) {
                            span class="critical" { (words.critical) }
                        }
                        (more(step, words))
                    }
                    td class="number" { (last.map(|one| span(one.to)).unwrap_or_default()) }
                    td class="number" { (last.map(|one| one.of_day.clone()).unwrap_or_default()) }
                    td class="number" { (last.map(|one| span(account.worked(one))).unwrap_or_default()) }
                    td { (answer(step, words)) }
                    td { (step.people.join(", ")) }
                    td { (heard(step, words)) }
                }
            }
        } }
    }
}

fn more(step: &StepAccount, words: &PageWords) -> Markup {
    let mut lines = Vec::new();
    if !step.other_answers.is_empty() {
        lines.push(words.not_as_wanted.replace("{answers}", &step.other_answers.join(", ")));
    }
    if step.spans.len() > 1 {
        lines.push(words.times.replace("{count}", &step.spans.len().to_string()));
    }
    lines.extend(step.reopened.iter().map(|because| words.reopened.replace("{because}", because)));
    lines.extend(step.checked.iter().map(|answer| words.checked.replace("{answer}", answer)));
    html! { @for line in lines { span class="more" { (line) } } }
}

fn answer(step: &StepAccount, words: &PageWords) -> String {
    match step.spans.last().map(|span| &span.end) {
        Some(End::Answered(answer)) => format!("\u{2713} {answer}"),
        Some(End::Skipped(reason)) => format!("\u{2013} {}", words.skipped.replace("{reason}", reason)),
        Some(End::Open) | None => format!("? {}", words.still_open),
    }
}

fn heard(step: &StepAccount, words: &PageWords) -> String {
    match &step.heard {
        Some(HeardAs::Voice { phrase, .. }) => words.by_voice.replace("{phrase}", phrase),
        Some(HeardAs::VoiceConfirmed { phrase, .. }) => words.by_voice_confirmed.replace("{phrase}", phrase),
        Some(HeardAs::Key) => words.by_key.clone(),
        Some(HeardAs::Clock) => words.by_clock.clone(),
        None => String::new(),
    }
}

fn large_first(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map(|first| first.to_uppercase().chain(letters).collect()).unwrap_or_default()
}
