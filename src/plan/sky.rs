//! From when until when one sees at a place, for the steps that need light.

use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan};

use crate::figures::FigureError;
use crate::figures::daylight::{Place, WorkingLight, day};

/// What kind of day it is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Sky {
    /// It gets light and dark, or nobody said.
    #[default]
    Ordinary,
    /// The night has no darkness: light holds nothing back.
    NeverDark,
    /// It does not get light enough to work by. Nothing waits for a light that does not come; it is said.
    NeverLight,
}

/// The light that the time to be away by belongs to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Daylight {
    /// Civil dawn and dusk (the sun 6 degrees under the horizon).
    pub from: Option<Timestamp>,
    pub until: Option<Timestamp>,
    pub sky: Sky,
}

/// The light of the local date on which one wants to be away; of the evening before, where that still lasts (in the far north
/// it may end after midnight).
///
/// # Errors
/// A year outside 1900 to 2200.
pub fn daylight(place: Place, by: Timestamp, zone: &TimeZone) -> Result<Daylight, FigureError> {
    let date = by.to_zoned_datetime(zone.clone()).date();
    let today = of(day(place, date, zone)?.working_light());
    if today.from.is_some_and(|from| by < from)
        && let Ok(yesterday) = date.checked_sub(1.day())
    {
        let evening = of(day(place, yesterday, zone)?.working_light());
        if evening.until.is_some_and(|until| by <= until) {
            return Ok(evening);
        }
    }
    Ok(today)
}

fn of(light: WorkingLight) -> Daylight {
    match light {
        WorkingLight::Between(from, until) => {
            Daylight { from: Some(from.timestamp()), until: Some(until.timestamp()), sky: Sky::Ordinary }
        }
        WorkingLight::Always => Daylight { sky: Sky::NeverDark, ..Daylight::default() },
        WorkingLight::Never => Daylight { sky: Sky::NeverLight, ..Daylight::default() },
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::DateTime;
    use rstest::rstest;

    fn at(local: &str, zone: &TimeZone) -> Timestamp {
        zone.to_timestamp(local.parse::<DateTime>().unwrap()).unwrap()
    }

    /// Civil dawn and dusk by the NREL solar position algorithm, reckoned with pvlib (the table in `figures/daylight.rs`).
    #[rstest]
    #[case("33.66, -114.23", "MST7", "2025-03-20T10:00", "2025-03-20T06:15:14", "2025-03-20T19:13:42")]
    #[case(
        "39.74, -104.99",
        "MST7MDT,M3.2.0,M11.1.0",
        "2025-12-21T07:00",
        "2025-12-21T06:47:13",
        "2025-12-21T17:09:21"
    )]
    #[case(
        "39.74, -104.99",
        "MST7MDT,M3.2.0,M11.1.0",
        "2025-12-21T23:30",
        "2025-12-21T06:47:13",
        "2025-12-21T17:09:21"
    )]
    #[case("41.68, -85.98", "EST5EDT,M3.2.0,M11.1.0", "2025-06-21T01:00", "2025-06-21T05:35:26", "2025-06-21T21:56:12")]
    fn the_light_is_that_of_the_local_date(
        #[case] place: &str,
        #[case] zone: &str,
        #[case] by: &str,
        #[case] dawn: &str,
        #[case] dusk: &str,
    ) {
        let zone = TimeZone::posix(zone).unwrap();
        let found = daylight(place.parse().unwrap(), at(by, &zone), &zone).unwrap();
        let off = |found: Option<Timestamp>, expected: &str| {
            found.unwrap().duration_since(at(expected, &zone)).as_secs().abs()
        };
        assert!(off(found.from, dawn) <= 5 && off(found.until, dusk) <= 5, "{found:?}");
        assert_eq!(found.sky, Sky::Ordinary);
    }

    /// By hand: at 61.2 N on 29 May (declination 21.6 degrees) the sun stands 6 degrees under the horizon 10.9 hours after its
    /// noon, past midnight; who leaves at a quarter past leaves in the light of the evening before.
    #[test]
    fn an_evening_that_lasts_beyond_midnight_is_still_that_evening() {
        let zone = TimeZone::posix("AKST9AKDT,M3.2.0,M11.1.0").unwrap();
        let place = Place::new(61.2, -149.9).unwrap();
        let early = daylight(place, at("2025-05-30T00:15", &zone), &zone).unwrap();
        let noon = daylight(place, at("2025-05-30T12:00", &zone), &zone).unwrap();
        assert!(early.until.unwrap() < noon.from.unwrap(), "{early:?} {noon:?}");
        assert!(early.until.unwrap() > at("2025-05-30T00:15", &zone));
    }

    #[test]
    fn nights_without_darkness_and_days_without_light_are_called_so() {
        let zone = TimeZone::posix("AKST9AKDT,M3.2.0,M11.1.0").unwrap();
        let found = daylight(Place::new(64.84, -147.72).unwrap(), at("2025-06-21T10:00", &zone), &zone).unwrap();
        assert_eq!(found, Daylight { from: None, until: None, sky: Sky::NeverDark });
        let found = daylight(Place::new(85.0, 25.0).unwrap(), at("2025-12-21T10:00", &zone), &zone).unwrap();
        assert_eq!(found, Daylight { from: None, until: None, sky: Sky::NeverLight });
    }
}
