//! The plan for a calendar (RFC 5545): the start with its alarms, and the time to be away by.

use chrono::{DateTime, TimeDelta, Utc};
use icalendar::{Alarm, Calendar, Component, Event, EventLike};
use jiff::Timestamp;

use super::away::AwayPlan;
use super::calendar_duration;
use super::words::{Words, clock};

/// The calendar file; none where no start is in time. `made` is when it is written.
///
/// Times stand in universal time, so that they mean the same whatever the calendar takes for its zone.
pub fn calendar(plan: &AwayPlan, words: &Words, sentences: &[String], made: Timestamp) -> Option<String> {
    let start = plan.start?;
    let by = clock(&plan.wanted, plan.wanted.by);
    let mut move_out = Event::new();
    move_out
        .uid(&format!("{}-start@sparehand.invalid", plan.wanted.by.as_second()))
        .timestamp(utc(made)?)
        .starts(utc(start)?)
        .ends(utc(plan.wanted.by)?)
        .summary(&words.page("calendar-summary", &[("by", &by)]))
        .description(&sentences.join("\n"));
    for alarm in &words.settings.alarms {
        // The words were read only with sound durations.
        let before = calendar_duration::seconds(alarm).ok().and_then(TimeDelta::try_seconds)?;
        move_out.alarm(Alarm::display(&words.page("calendar-summary", &[("by", &by)]), before));
    }
    let mut away = Event::new();
    away.uid(&format!("{}-away@sparehand.invalid", plan.wanted.by.as_second()))
        .timestamp(utc(made)?)
        .starts(utc(plan.wanted.by)?)
        .summary(&words.page("calendar-end", &[]));
    Some(Calendar::new().push(move_out.done()).push(away.done()).done().to_string())
}

fn utc(moment: Timestamp) -> Option<DateTime<Utc>> {
    DateTime::from_timestamp(moment.as_second(), 0)
}
