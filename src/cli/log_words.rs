//! What an event comes to in words, for the log and for the page of a run.

use std::time::Duration;

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::engine::event::{Event, HeardAs};
use crate::engine::numbers;
use crate::engine::phrasebook::Phrasebook;
use crate::rig::Stands;
use crate::setup::standing::SITE;
use crate::units::SessionTime;

/// The step that an event is about.
pub(super) fn step_of(event: &Event) -> Option<&str> {
    match event {
        Event::StepOffered { step }
        | Event::StepAnswered { step, .. }
        | Event::OtherStateHeard { step, .. }
        | Event::LoopedBack { step, .. }
        | Event::LoopLimitReached { step, .. }
        | Event::LoopUndone { step }
        | Event::ClockStarted { step, .. }
        | Event::ClockRanOut { step }
        | Event::ClockEnded { step, .. }
        | Event::StepSkipped { step, .. }
        | Event::StepDeferred { step }
        | Event::StepAssigned { step, .. }
        | Event::SignalGiven { step, .. }
        | Event::SignalHalted { step, .. }
        | Event::Agreed { step, .. }
        | Event::ReadingTaken { step, .. }
        | Event::HoldBegun { step, .. }
        | Event::StepChecked { step, .. }
        | Event::NoteKept { step, .. }
        | Event::Explained { step }
        | Event::NotHere { step, .. }
        | Event::CannotDo { step, .. }
        | Event::NoteDone { step, .. }
        | Event::ClockReinstated { step } => Some(step),
        Event::Rehearsed { event } => step_of(event),
        Event::RunStarted { .. }
        | Event::StepsReopened { .. }
        | Event::StandingBy
        | Event::WentAhead
        | Event::SpeechUnclear
        | Event::VoiceChanged { .. }
        | Event::HearingLost
        | Event::HearingBack
        | Event::Resumed { .. }
        | Event::GateHeld { .. }
        | Event::RunCompleted { .. }
        | Event::PartCompleted { .. }
        | Event::Overridden { .. }
        | Event::CrewSet { .. }
        | Event::HandedOver { .. }
        | Event::CheckAsked { .. }
        | Event::TimerStarted { .. }
        | Event::TimerRanOut { .. }
        | Event::TimerEnded { .. }
        | Event::CardStarted { .. }
        | Event::CardEnded { .. }
        | Event::TurnedTo { .. }
        | Event::StationJoined { .. }
        | Event::StationLeft { .. }
        | Event::RigRecalled { .. }
        | Event::StretchOffered { .. }
        | Event::LimitTold { .. }
        | Event::LimitsLifted { .. }
        | Event::RemarksRecalled { .. }
        | Event::RigAgreed { .. }
        | Event::ThingTold { .. }
        | Event::RunAbandoned => None,
    }
}

/// What happened, without the step. Free text stands in quotes, with control characters made visible.
pub(super) fn told(event: &Event, book: &Phrasebook) -> String {
    let steps = |steps: &[String]| if steps.is_empty() { "none".to_owned() } else { steps.join(", ") };
    match event {
        Event::RunStarted { routine, fingerprint } => told_begin(routine, fingerprint),
        Event::StepOffered { .. } => "asked".to_owned(),
        Event::StepAnswered { answer, heard, .. } => format!("answered {answer:?}, {}", told_heard(heard)),
        Event::OtherStateHeard { answer, heard, .. } => format!("not as wanted: {answer:?}, {}", told_heard(heard)),
        Event::LoopedBack { back_to, round, heard, .. } => {
            format!("no: back to {back_to}, round {round}, {}", told_heard(heard))
        }
        Event::LoopLimitReached { round, heard, .. } => {
            format!("no, for the last time: round {round}, {}", told_heard(heard))
        }
        Event::LoopUndone { .. } => "the no was a mistake: asked again".to_owned(),
        Event::ClockStarted { length_ms, heard, .. } => {
            format!("clock of {} started, {}", minutes(SessionTime::from_millis(*length_ms)), told_heard(heard))
        }
        Event::ClockRanOut { .. } => "clock ran out".to_owned(),
        Event::ClockEnded { ran_ms, heard, .. } => {
            format!("clock ended after {}, {}", minutes(SessionTime::from_millis(*ran_ms)), told_heard(heard))
        }
        Event::StepSkipped { reason, .. } => format!("skipped, because {reason:?}"),
        Event::StepDeferred { .. } => "put off".to_owned(),
        Event::StepsReopened { steps: list, because } => format!("open again, because {because:?}: {}", steps(list)),
        Event::ClockReinstated { .. } => "clock runs again from its old start".to_owned(),
        Event::StandingBy => "standing by".to_owned(),
        Event::WentAhead => "went ahead".to_owned(),
        Event::SpeechUnclear => "heard something that fits nothing".to_owned(),
        Event::TurnedTo { person } => format!("{person:?} speaks"),
        Event::VoiceChanged { speed, volume_db } => format!("voice at speed {speed:.2}, volume {volume_db:+.1} dB"),
        Event::HearingLost => "microphone lost".to_owned(),
        Event::HearingBack => "microphone back".to_owned(),
        Event::Resumed { away_ms: Some(ms) } => {
            format!("went on after {} away", minutes(SessionTime::from_millis(*ms)))
        }
        Event::Resumed { away_ms: None } => "went on after a time away that nobody knows".to_owned(),
        Event::GateHeld { open } => format!("not ready, still open: {}", steps(open)),
        Event::RunCompleted { skipped } => format!("run finished, skipped: {}", steps(skipped)),
        Event::RunAbandoned => "run ended early".to_owned(),
        Event::PartCompleted { part, skipped } => format!("{part} finished, skipped: {}", steps(skipped)),
        Event::Overridden { open, person, heard } => {
            format!("overridden{}, still open: {}, {}", by(person), steps(open), told_heard(heard))
        }
        Event::CrewSet { .. }
        | Event::StepAssigned { .. }
        | Event::HandedOver { .. }
        | Event::StationJoined { .. }
        | Event::StationLeft { .. } => told_of_people(event),
        Event::SignalGiven { turn, person, answer, heard, .. } => {
            format!("signal {} {answer:?}{}, {}", turn + 1, by(person), told_heard(heard))
        }
        Event::SignalHalted { answer, heard, .. } => format!("halted: {answer:?}, {}", told_heard(heard)),
        Event::Agreed { person, answer, heard, .. } => format!("{answer:?}{}, {}", by(person), told_heard(heard)),
        Event::ReadingTaken { name, value, heard, .. } => {
            format!("{name:?} read {}, {}", told_value(event, *value), told_heard(heard))
        }
        Event::HoldBegun { heard, .. } => format!("countdown began, {}", told_heard(heard)),
        Event::CheckAsked { steps: list, because } => format!("asked once more, {because:?}: {}", steps(list)),
        Event::StepChecked { answer, heard, .. } => format!("still {answer:?}, {}", told_heard(heard)),
        Event::NoteKept { text, wav, .. } => match wav {
            Some(wav) => format!("note {text:?}, sound in {wav:?}"),
            None => format!("note {text:?}"),
        },
        Event::TimerStarted { .. } | Event::TimerRanOut { .. } | Event::TimerEnded { .. } => told_of_timers(event),
        Event::CardStarted { card, heard } => format!("emergency {card}, {}", told_heard(heard)),
        Event::CardEnded { card } => format!("emergency {card} gone through"),
        Event::Explained { .. } => "explained".to_owned(),
        Event::RemarksRecalled { .. }
        | Event::NoteDone { .. }
        | Event::LimitTold { .. }
        | Event::LimitsLifted { .. }
        | Event::CannotDo { .. }
        | Event::StretchOffered { .. }
        | Event::RigRecalled { .. }
        | Event::RigAgreed { .. }
        | Event::ThingTold { .. }
        | Event::NotHere { .. } => told_of_today(event, book),
        Event::Rehearsed { event } => format!("rehearsed: {}", told(event, book)),
    }
}

fn told_begin(routine: &str, fingerprint: &str) -> String {
    if routine == SITE { "told between runs".to_owned() } else { format!("run of {routine} began, text {fingerprint}") }
}

/// Who takes part, and who does what.
fn told_of_people(event: &Event) -> String {
    match event {
        Event::CrewSet { people } => {
            let here = people.iter().filter(|person| person.here).map(|person| format!("{:?}", person.name));
            format!("taking part: {}", here.collect::<Vec<_>>().join(", "))
        }
        Event::StepAssigned { person, .. } => format!("for {person:?}"),
        Event::HandedOver { from, to } => format!("handed over from {from:?} to {to:?}"),
        Event::StationJoined { station, people } => format!("station {station} joined, of {}", quoted(people)),
        Event::StationLeft { station, people } => format!("station {station} left, of {}", quoted(people)),
        _ => String::new(),
    }
}

fn quoted(names: &[String]) -> String {
    names.iter().map(|name| format!("{name:?}")).collect::<Vec<_>>().join(", ")
}

/// Clocks that somebody set.
fn told_of_timers(event: &Event) -> String {
    match event {
        Event::TimerStarted { name, length_ms, heard } => {
            format!("{name:?} of {} started, {}", minutes(SessionTime::from_millis(*length_ms)), told_heard(heard))
        }
        Event::TimerRanOut { name } => format!("{name:?} ran out"),
        Event::TimerEnded { name, ran_ms, heard } => {
            format!("{name:?} ended after {}, {}", minutes(SessionTime::from_millis(*ran_ms)), told_heard(heard))
        }
        _ => String::new(),
    }
}

/// What makes a run fit today: what past runs left, how the rig stands, who can do what, what was asked for in one call.
fn told_of_today(event: &Event, book: &Phrasebook) -> String {
    match event {
        Event::RemarksRecalled { remarks } => {
            let steps: Vec<String> = remarks.iter().map(|remark| remark.step().to_owned()).collect();
            format!("recalled of past runs at: {}", steps.join(", "))
        }
        Event::NoteDone { text, heard, .. } => format!("done with the note {text:?}, {}", told_heard(heard)),
        Event::LimitTold { person, cannot, heard } => {
            format!("{person:?} cannot do: {}, {}", cannot.name(), told_heard(heard))
        }
        Event::LimitsLifted { person, heard } => format!("{person:?} can do everything, {}", told_heard(heard)),
        Event::CannotDo { person, heard, .. } => format!("{person:?} cannot do it, {}", told_heard(heard)),
        Event::StretchOffered { steps } => format!("asked in one call: {}", steps.join(", ")),
        Event::RigRecalled { things } => {
            let things: Vec<String> = things.iter().map(|(thing, stands)| told_thing(thing, stands, book)).collect();
            format!("rig recalled: {}", things.join(", "))
        }
        Event::RigAgreed { heard } => format!("rig stands so, {}", told_heard(heard)),
        Event::ThingTold { thing, stands, heard } => {
            format!("{}, {}", told_thing(thing, *stands, book), told_heard(heard))
        }
        Event::NotHere { answer, heard, .. } => format!("nothing to do today: {answer:?}, {}", told_heard(heard)),
        _ => String::new(),
    }
}

/// A thing and how it stands, as both are said. One that stands for all of its kind has only the name of the kind.
fn told_thing(thing: &str, stands: Stands, book: &Phrasebook) -> String {
    let words = book.thing(thing);
    let name = if words.name.is_empty() { thing } else { &words.name };
    let state = if stands == Stands::Unknown { "unknown" } else { words.state(stands) };
    format!("{} {}", name.escape_debug(), state)
}

/// A reading against its bounds.
fn told_value(reading: &Event, value: i64) -> String {
    let Event::ReadingTaken { decimals, unit, least, most, settles, .. } = reading else { return value.to_string() };
    let shown = |value: i64| numbers::shown(value, *decimals, unit);
    let bounds = if (*least..=*most).contains(&value) { "within" } else { "outside" };
    let open = if *settles { "" } else { ", stays open" };
    format!("{:?}, {bounds} {} to {}{open}", shown(value), shown(*least), shown(*most))
}

fn by(person: &str) -> String {
    if person.is_empty() { String::new() } else { format!(" by {person:?}") }
}

fn told_heard(heard: &HeardAs) -> String {
    match heard {
        HeardAs::Voice { phrase, score, margin } => {
            format!("heard {phrase:?} (score {score:.2}, margin {})", told_margin(*margin))
        }
        HeardAs::VoiceConfirmed { phrase, score, margin } => {
            format!("heard {phrase:?} and asked back (score {score:.2}, margin {})", told_margin(*margin))
        }
        HeardAs::Key => "by key".to_owned(),
        HeardAs::Clock => "by the clock".to_owned(),
    }
}

/// The largest number stands for a phrase without a runner-up.
fn told_margin(margin: f32) -> String {
    if margin == f32::MAX { "none to measure".to_owned() } else { format!("{margin:.2}") }
}

pub(super) fn minutes(span: SessionTime) -> String {
    let seconds = span.since(SessionTime::ZERO).saturating_add(Duration::from_millis(500)).as_secs();
    format!("{}:{:02}", seconds / 60, seconds % 60)
}

/// Wall time in `zone` to the minute; as it stands in the journal when it is no RFC 3339.
pub(super) fn local(wall: &str, zone: &TimeZone) -> String {
    match wall.parse::<Timestamp>() {
        Ok(time) => time.to_zoned_datetime(zone.clone()).strftime("%Y-%m-%d %H:%M").to_string(),
        Err(_) => wall.to_owned(),
    }
}
