//! Questions about daylight.

use clap::Args;
use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use serde::Deserialize;

use super::answer::{FigureAnswer, FigureVerdict};
use crate::figures::FigureError;
use crate::figures::daylight::{DAYLIGHT, Passage, Place, WorkingLight, day};

/// Sunrise, sunset and civil twilight.
#[derive(Debug, Args, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct DaylightArgs {
    /// "40 N 100 W" or "40, -100".
    #[arg(long, allow_hyphen_values = true)]
    place: String,
    /// Local date, year first: 2025-06-21; today, if left out.
    #[arg(long)]
    date: Option<String>,
    /// Time zone of the place, such as America/Denver, or a fixed one such as MST7; the machine's own, if left out.
    #[arg(long)]
    zone: Option<String>,
}

impl DaylightArgs {
    pub(super) fn answer(&self, wall: &dyn Fn() -> String) -> Result<FigureAnswer, FigureError> {
        let place: Place = self.place.parse()?;
        let zone = match &self.zone {
            Some(name) => zone(name)?,
            None => TimeZone::try_system().map_err(|why| FigureError::Impossible {
                what: "the machine's time zone",
                found: why.to_string(),
                expected: "one that is set; name the place's own with --zone",
            })?,
        };
        let date = match &self.date {
            Some(text) => text.parse::<Date>().map_err(|_| FigureError::Impossible {
                what: "date",
                found: format!("found \"{text}\""),
                expected: "year, month and day: 2025-06-21",
            })?,
            None => today(wall, &zone)?,
        };
        let found = day(place, date, &zone)?;
        let clock = |passage: &Passage| match passage {
            Passage::At(at) if at.date() == date => at.strftime("%H:%M:%S").to_string(),
            Passage::At(at) => at.strftime("%H:%M:%S on %Y-%m-%d").to_string(),
            Passage::StaysAbove => "none, it stays light".to_owned(),
            Passage::StaysBelow => "none, it stays dark".to_owned(),
        };
        let light = match found.working_light() {
            WorkingLight::Between(from, until) => {
                format!("Light to work by from {} to {}.", from.strftime("%H:%M"), until.strftime("%H:%M"))
            }
            WorkingLight::Always => "The night has no darkness: light to work by all the time.".to_owned(),
            WorkingLight::Never => "It does not get light enough to work by.".to_owned(),
        };
        let name = self.zone.clone().or_else(|| zone.iana_name().map(str::to_owned));
        let shown = name.clone().unwrap_or_else(|| "the machine's zone".to_owned());
        let says = format!(
            "{date} ({shown}): civil dawn {}, sunrise {}, sunset {}, civil dusk {}. {light}",
            clock(&found.civil_dawn),
            clock(&found.sunrise),
            clock(&found.sunset),
            clock(&found.civil_dusk)
        );
        let mut answer = FigureAnswer::new(DAYLIGHT, FigureVerdict::Figure, says)
            .value("date", date.to_string())
            .value("noon", found.noon.timestamp().to_string());
        for (key, passage) in [
            ("civil_dawn", &found.civil_dawn),
            ("sunrise", &found.sunrise),
            ("sunset", &found.sunset),
            ("civil_dusk", &found.civil_dusk),
        ] {
            let value = match passage {
                Passage::At(at) => at.timestamp().to_string(),
                Passage::StaysAbove => "stays-above".to_owned(),
                Passage::StaysBelow => "stays-below".to_owned(),
            };
            answer = answer.value(key, value);
        }
        Ok(answer.assuming(if self.zone.is_none() { vec![format!("time zone: {shown}")] } else { Vec::new() }))
    }
}

/// A zone by its name in the machine's data, or by a POSIX string, which needs none.
fn zone(name: &str) -> Result<TimeZone, FigureError> {
    TimeZone::get(name).or_else(|_| TimeZone::posix(name)).map_err(|why| FigureError::Impossible {
        what: "time zone",
        found: format!("\"{name}\" ({why})"),
        expected: "a name such as America/Denver that the machine's time zone data hold, or MST7 or EST5EDT,M3.2.0,M11.1.0",
    })
}

fn today(wall: &dyn Fn() -> String, zone: &TimeZone) -> Result<Date, FigureError> {
    let now = wall();
    let now: Timestamp = now.parse().map_err(|_| FigureError::Impossible {
        what: "wall time",
        found: now.clone(),
        expected: "a date and a time; give the date",
    })?;
    Ok(now.to_zoned_datetime(zone.clone()).date())
}
