//! The plan for a calendar (RFC 5545): the start with its alarms, and the time to be away by.
//!
//! Written by hand: the crate for it reads the clock and draws random names for every alarm, and equal plans are to give equal
//! files.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::away::AwayPlan;
use super::calendar_duration;
use super::words::{PlanWords, clock};

/// The calendar file; none where no start is in time. `made` is when it is written.
///
/// Times stand in universal time, so that they mean the same whatever the calendar takes for its zone.
pub fn calendar(plan: &AwayPlan, words: &PlanWords, sentences: &[String], made: Timestamp) -> Option<String> {
    let start = plan.start?;
    let by = clock(&plan.wanted, plan.wanted.by);
    let summary = words.page("calendar-summary", &[("by", &by)]);
    let mut file = Lines::default();
    file.line("BEGIN", "VCALENDAR");
    file.line("VERSION", "2.0");
    file.line("PRODID", "-//sparehand//plan//EN");
    event(&mut file, plan, "start", made);
    file.line("DTSTART", &utc(start));
    file.line("DTEND", &utc(plan.wanted.by));
    file.text("SUMMARY", &summary);
    file.text("DESCRIPTION", &sentences.join("\n"));
    for alarm in &words.settings.alarms {
        file.line("BEGIN", "VALARM");
        file.line("ACTION", "DISPLAY");
        // The words were read only with sound durations; written anew they have one form.
        file.line("TRIGGER", &calendar_duration::text(calendar_duration::seconds(alarm).ok()?));
        file.text("DESCRIPTION", &summary);
        file.line("END", "VALARM");
    }
    file.line("END", "VEVENT");
    event(&mut file, plan, "away", made);
    file.line("DTSTART", &utc(plan.wanted.by));
    file.text("SUMMARY", &words.page("calendar-end", &[]));
    file.line("END", "VEVENT");
    file.line("END", "VCALENDAR");
    Some(file.0)
}

/// Names are the same whenever the same time is planned for, so that a new plan takes the old one's place.
fn event(file: &mut Lines, plan: &AwayPlan, what: &str, made: Timestamp) {
    file.line("BEGIN", "VEVENT");
    file.line("UID", &format!("{}-{what}@sparehand.invalid", plan.wanted.by.as_second()));
    file.line("DTSTAMP", &utc(made));
}

fn utc(moment: Timestamp) -> String {
    moment.to_zoned_datetime(TimeZone::UTC).strftime("%Y%m%dT%H%M%SZ").to_string()
}

/// Content lines (section 3.1): ended by CR LF, folded to at most 75 octets.
#[derive(Default)]
struct Lines(String);

impl Lines {
    fn line(&mut self, name: &str, value: &str) {
        let mut octets = 0;
        for letter in format!("{name}:{value}").chars() {
            if octets + letter.len_utf8() > 75 {
                self.0 += "\r\n ";
                octets = 1;
            }
            self.0.push(letter);
            octets += letter.len_utf8();
        }
        self.0 += "\r\n";
    }

    /// A value of type TEXT (section 3.3.11); other control characters than line ends cannot stand in one.
    fn text(&mut self, name: &str, value: &str) {
        let mut escaped = String::new();
        for letter in value.chars() {
            match letter {
                '\\' | ';' | ',' => escaped.extend(['\\', letter]),
                '\n' => escaped += "\\n",
                _ if letter.is_control() => {}
                _ => escaped.push(letter),
            }
        }
        self.line(name, &escaped);
    }
}
