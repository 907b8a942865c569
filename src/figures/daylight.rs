//! Sunrise, sunset and civil twilight at a place on a local date.

use std::str::FromStr;
use std::sync::LazyLock;

use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{Timestamp, ZonedDateTime};
use regex::Regex;
use solar_positioning::time::JulianDate;
use solar_positioning::{Horizon, Location, SolarEvents, SolarPositions, delta_t};

use super::Method;
use super::error::{FigureError, within};

/// Sun and twilight.
pub const DAYLIGHT: Method = Method {
    formula: "the sun's center at -0.833 degrees (rising, setting: refraction and radius) and at -6 degrees (civil twilight)",
    source: "solar position algorithm of NREL, Reda & Andreas, TP-560-34302; altitudes of the US Naval Observatory",
    caution: "For a level horizon. Hills, trees and cloud take light away; under trees it is dark long before civil dusk.",
};

/// A place on the ground, in degrees: north and east are above zero.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Place {
    latitude: f64,
    longitude: f64,
}

impl Place {
    /// A place by its coordinates. Range: latitude -89 to 89 degrees, longitude -180 to 180 degrees.
    ///
    /// # Errors
    /// A coordinate outside its range.
    pub fn new(latitude: f64, longitude: f64) -> Result<Self, FigureError> {
        within("latitude", latitude, -89.0..=89.0, "degrees")?;
        within("longitude", longitude, -180.0..=180.0, "degrees")?;
        Ok(Self { latitude, longitude })
    }

    /// Degrees north of the equator.
    pub fn latitude(self) -> f64 {
        self.latitude
    }

    /// Degrees east of Greenwich.
    pub fn longitude(self) -> f64 {
        self.longitude
    }
}

impl FromStr for Place {
    type Err = FigureError;

    /// Reads "40 N 100 W", or "40, -100" with latitude first.
    fn from_str(text: &str) -> Result<Self, FigureError> {
        let wrong = || FigureError::Impossible {
            what: "place",
            found: format!("found \"{}\"", text.trim()),
            expected: "latitude and longitude, as a map shows them; write for instance \"40 N 100 W\" or \"40, -100\"",
        };
        let part = COORDINATES.captures(text).ok_or_else(wrong)?;
        let degrees = |number: &str, side: &str, below: &str| -> Result<f64, FigureError> {
            let value: f64 = part[number].replace('−', "-").parse().map_err(|_| wrong())?;
            match part.name(side).map(|m| m.as_str()) {
                Some(_) if part[number].starts_with(['-', '−']) => Err(wrong()),
                Some(named) if named.eq_ignore_ascii_case(below) => Ok(-value),
                _ => Ok(value),
            }
        };
        if part.name("ns").is_some() != part.name("ew").is_some() {
            return Err(wrong());
        }
        Self::new(degrees("lat", "ns", "S")?, degrees("lon", "ew", "W")?)
    }
}

static COORDINATES: LazyLock<Regex> = LazyLock::new(|| {
    let number = |name: &str| format!(r"(?<{name}>[-−]?[0-9]{{1,3}}(?:\.[0-9]+)?) *°?");
    Regex::new(&format!("^ *{} *(?<ns>[NSns])?[ ,]+{} *(?<ew>[EWew])? *$", number("lat"), number("lon")))
        .expect("the pattern is fixed and right")
});

/// When the sun, or twilight, passes an altitude; or why it does not.
#[derive(Clone, Debug, PartialEq)]
pub enum Passage {
    At(ZonedDateTime),
    /// The sun stays above that altitude: no sunset, or no dark night.
    StaysAbove,
    /// The sun stays below that altitude: no sunrise, or no light.
    StaysBelow,
}

/// The light of one local date: the day whose noon of the sun falls on it.
///
/// A far northern evening may end after midnight, on the next date; each moment carries its own.
#[derive(Clone, Debug, PartialEq)]
pub struct Day {
    /// The sun in the meridian.
    pub noon: ZonedDateTime,
    pub civil_dawn: Passage,
    pub sunrise: Passage,
    pub sunset: Passage,
    pub civil_dusk: Passage,
}

/// In which span of the day one can work outdoors without a lamp.
#[derive(Clone, Debug, PartialEq)]
pub enum WorkingLight {
    Between(ZonedDateTime, ZonedDateTime),
    /// The night has no darkness.
    Always,
    Never,
}

impl Day {
    /// From civil dawn to civil dusk: below 6 degrees under the horizon the ground is no longer seen clearly (US Naval
    /// Observatory). Where the night is never dark, or the day never light, it says so.
    pub fn working_light(&self) -> WorkingLight {
        match (&self.civil_dawn, &self.civil_dusk) {
            (Passage::StaysBelow, _) | (_, Passage::StaysBelow) => WorkingLight::Never,
            (Passage::StaysAbove, Passage::StaysAbove) => WorkingLight::Always,
            (dawn, dusk) => {
                let half = jiff::SignedDuration::from_hours(12);
                let moment = |passage: &Passage, or: ZonedDateTime| match passage {
                    Passage::At(at) => at.clone(),
                    _ => or,
                };
                WorkingLight::Between(moment(dawn, &self.noon - half), moment(dusk, &self.noon + half))
            }
        }
    }
}

/// The light of a local date at a place. See [`DAYLIGHT`].
///
/// Range: years 1900 to 2200; latitude -89 to 89 degrees. Moments are rounded to a second; air moves the real ones by a minute or
/// two, more near the poles. `zone` decides which day is meant and in which time it is given.
///
/// # Errors
/// A year outside the range.
pub fn day(place: Place, date: Date, zone: &TimeZone) -> Result<Day, FigureError> {
    within("year", f64::from(date.year()), 1900.0..=2200.0, "")?;
    let sky = Sky {
        location: Location { latitude: place.latitude, longitude: place.longitude },
        delta_t: delta_t::estimate_from_date(i32::from(date.year()), date.month().unsigned_abs().into())
            .map_err(unreckoned)?,
    };
    let midnight = date.to_zoned_datetime(zone.clone()).map_err(unreckoned)?;
    sky.day(julian(midnight.timestamp()), zone)
}

struct Sky {
    location: Location,
    delta_t: f64,
}

impl Sky {
    /// The day whose noon comes next after a Julian date.
    fn day(&self, midnight: f64, zone: &TimeZone) -> Result<Day, FigureError> {
        let noon = self.noon_after(midnight)?;
        // The lower transits on both sides, where the sun is lowest.
        let before = (self.noon_after(noon - 1.5)? + noon) / 2.0;
        let after = (noon + self.noon_after(noon + 0.5)?) / 2.0;
        let events = SolarEvents::new();
        let passage = |found: Option<f64>, horizon: Horizon| -> Result<Passage, FigureError> {
            match found {
                Some(at) => Ok(Passage::At(moment(at, zone)?)),
                None if self.altitude(noon)? > horizon.elevation_angle() => Ok(Passage::StaysAbove),
                None => Ok(Passage::StaysBelow),
            }
        };
        let rise = |horizon| {
            let found = events.next_rise_from_julian(before, noon, self.location, self.delta_t, horizon);
            passage(found.map_err(unreckoned)?, horizon)
        };
        let set = |horizon| {
            let found = events.next_set_from_julian(noon, after, self.location, self.delta_t, horizon);
            passage(found.map_err(unreckoned)?, horizon)
        };
        Ok(Day {
            noon: moment(noon, zone)?,
            civil_dawn: rise(Horizon::CivilTwilight)?,
            sunrise: rise(Horizon::SunriseSunset)?,
            sunset: set(Horizon::SunriseSunset)?,
            civil_dusk: set(Horizon::CivilTwilight)?,
        })
    }

    fn noon_after(&self, start: f64) -> Result<f64, FigureError> {
        // The sun's day is at most half a minute longer than 24 hours.
        let found =
            SolarEvents::new().next_transit_from_julian(start, start + 1.01, self.location.longitude, self.delta_t);
        found.map_err(unreckoned)?.ok_or_else(|| unreckoned("the sun does not pass the meridian"))
    }

    fn altitude(&self, at: f64) -> Result<f64, FigureError> {
        let time = JulianDate::new(at, self.delta_t).map_err(unreckoned)?;
        let sun = SolarPositions::new().at_from_julian(time, self.location, 0.0, None).map_err(unreckoned)?;
        Ok(sun.elevation_angle())
    }
}

fn unreckoned(why: impl std::fmt::Display) -> FigureError {
    FigureError::Impossible { what: "daylight", found: why.to_string(), expected: "a date and a place on the ground" }
}

fn julian(at: Timestamp) -> f64 {
    at.as_millisecond() as f64 / 86_400_000.0 + UNIX_EPOCH_JULIAN
}

fn moment(julian: f64, zone: &TimeZone) -> Result<ZonedDateTime, FigureError> {
    let seconds = ((julian - UNIX_EPOCH_JULIAN) * 86_400.0).round() as i64;
    Ok(Timestamp::from_second(seconds).map_err(unreckoned)?.to_zoned_datetime(zone.clone()))
}

const UNIX_EPOCH_JULIAN: f64 = 2_440_587.5;

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::date;
    use proptest::prelude::*;
    use rstest::rstest;

    const MST: &str = "MST7";
    const EASTERN: &str = "EST5EDT,M3.2.0,M11.1.0";
    const MOUNTAIN: &str = "MST7MDT,M3.2.0,M11.1.0";
    const ALASKA: &str = "AKST9AKDT,M3.2.0,M11.1.0";

    /// Within `give` seconds of `expected`, written as "2025-03-20 06:15:14".
    #[track_caller]
    fn near(found: &Passage, expected: &str, give: i64) {
        let Passage::At(at) = found else { panic!("{found:?}, expected {expected}") };
        let expected: jiff::civil::DateTime = expected.parse().unwrap();
        let off = at.datetime().duration_since(expected).as_secs();
        assert!(off.abs() <= give, "{at}, expected {expected}");
    }

    /// Reckoned with pvlib, root of the NREL solar position algorithm at -0.8333 and -6 degrees.
    #[rstest]
    #[case("33.66, -114.23", MST, "2025-03-20", ["06:15:14", "06:40:03", "18:48:50", "19:13:42"])]
    #[case("33.66, -114.23", MST, "2025-06-21", ["04:58:02", "05:27:06", "19:50:34", "20:19:38"])]
    #[case("33.66, -114.23", MST, "2025-12-21", ["07:10:05", "07:37:44", "17:32:46", "18:00:26"])]
    #[case("24.56, -81.78", EASTERN, "2025-03-20", ["07:08:02", "07:30:45", "19:38:25", "20:01:10"])]
    #[case("24.56, -81.78", EASTERN, "2025-06-21", ["06:13:30", "06:39:11", "20:18:51", "20:44:32"])]
    #[case("24.56, -81.78", EASTERN, "2025-12-21", ["06:42:01", "07:06:57", "17:43:52", "18:08:48"])]
    #[case("39.74, -104.99", MOUNTAIN, "2025-03-20", ["06:35:52", "07:02:45", "19:12:21", "19:39:18"])]
    #[case("39.74, -104.99", MOUNTAIN, "2025-06-21", ["04:59:32", "05:32:14", "20:31:30", "21:04:12"])]
    #[case("39.74, -104.99", MOUNTAIN, "2025-12-21", ["06:47:13", "07:17:40", "16:38:54", "17:09:21"])]
    #[case("64.84, -147.72", ALASKA, "2025-03-20", ["07:00:25", "07:49:25", "20:08:32", "20:57:49"])]
    #[case("64.84, -147.72", ALASKA, "2025-12-21", ["09:32:54", "10:58:37", "14:39:55", "16:05:38"])]
    #[case("41.68, -85.98", EASTERN, "2025-03-20", ["07:18:59", "07:46:40", "19:56:27", "20:24:12"])]
    #[case("41.68, -85.98", EASTERN, "2025-06-21", ["05:35:26", "06:09:39", "21:21:59", "21:56:12"])]
    #[case("41.68, -85.98", EASTERN, "2025-12-21", ["07:36:07", "08:07:42", "17:16:43", "17:48:18"])]
    fn the_light_of_a_local_date(
        #[case] place: &str,
        #[case] zone: &str,
        #[case] on: &str,
        #[case] expected: [&str; 4],
    ) {
        let found = day(place.parse().unwrap(), on.parse().unwrap(), &TimeZone::posix(zone).unwrap()).unwrap();
        let [dawn, rise, set, dusk] = expected;
        near(&found.civil_dawn, &format!("{on} {dawn}"), 5);
        near(&found.sunrise, &format!("{on} {rise}"), 5);
        near(&found.sunset, &format!("{on} {set}"), 5);
        near(&found.civil_dusk, &format!("{on} {dusk}"), 5);
    }

    /// The same table: libraries that work by days of Greenwich give the evening before, 19:11:21 and 20:05:29.
    #[rstest]
    #[case("39.74, -104.99", MOUNTAIN, "2025-03-20 19:12:21")]
    #[case("64.84, -147.72", ALASKA, "2025-03-20 20:08:32")]
    fn the_evening_is_that_of_the_local_date_and_not_of_the_day_in_greenwich(
        #[case] place: &str,
        #[case] zone: &str,
        #[case] expected: &str,
    ) {
        let found = day(place.parse().unwrap(), date(2025, 3, 20), &TimeZone::posix(zone).unwrap()).unwrap();
        near(&found.sunset, expected, 5);
    }

    /// The same table: Fairbanks at midsummer. The sun sets after midnight, and civil twilight lasts until it rises.
    #[test]
    fn a_night_without_darkness_is_called_so() {
        let place = "64.84 N 147.72 W".parse().unwrap();
        let found = day(place, date(2025, 6, 21), &TimeZone::posix(ALASKA).unwrap()).unwrap();
        near(&found.sunrise, "2025-06-21 02:57:39", 10);
        near(&found.sunset, "2025-06-22 00:47:49", 10);
        assert_eq!((&found.civil_dawn, &found.civil_dusk), (&Passage::StaysAbove, &Passage::StaysAbove));
        assert_eq!(found.working_light(), WorkingLight::Always);
    }

    #[test]
    fn beyond_the_polar_circle_the_sun_may_stay_up_or_down() {
        let place = Place::new(70.0, 25.0).unwrap();
        let zone = TimeZone::posix("CET-1CEST,M3.5.0,M10.5.0/3").unwrap();
        let summer = day(place, date(2025, 6, 21), &zone).unwrap();
        assert_eq!((summer.sunrise, summer.sunset), (Passage::StaysAbove, Passage::StaysAbove));
        let winter = day(place, date(2025, 12, 21), &zone).unwrap();
        assert_eq!((&winter.sunrise, &winter.sunset), (&Passage::StaysBelow, &Passage::StaysBelow));
        assert!(matches!(winter.working_light(), WorkingLight::Between(..)));
        let pole = day(Place::new(85.0, 25.0).unwrap(), date(2025, 12, 21), &zone).unwrap();
        assert_eq!(pole.working_light(), WorkingLight::Never);
    }

    /// Reda & Andreas, NREL TP-560-34302, worked example: zenith 50.11162, azimuth 194.34024 degrees, sunrise 06:12:43, sunset
    /// 17:20:19. That example works by the day of Greenwich: its sunset is the one of the local evening before, the 16th.
    #[test]
    fn the_worked_example_of_the_algorithm_comes_out() {
        let time = JulianDate::from_utc(2003, 10, 17, 19, 30, 30.0, 67.0).unwrap();
        let place = Location { latitude: 39.742_476, longitude: -105.178_6 };
        let air = solar_positioning::RefractionCorrection::new(820.0, 11.0).unwrap();
        let sun = SolarPositions::new().at_from_julian(time, place, 1_830.14, Some(air)).unwrap();
        assert!((sun.zenith_angle() - 50.111_62).abs() < 1e-5 && (sun.azimuth() - 194.340_24).abs() < 1e-5, "{sun:?}");
        let place = Place::new(39.742_476, -105.178_6).unwrap();
        let on = |day_of_month| day(place, date(2003, 10, day_of_month), &TimeZone::posix(MST).unwrap()).unwrap();
        near(&on(17).sunrise, "2003-10-17 06:12:43", 2);
        near(&on(16).sunset, "2003-10-16 17:20:19", 2);
        near(&on(17).sunset, "2003-10-17 17:18:51", 2);
    }

    /// US Naval Observatory, Almanac for Computers 1990, worked example: sunrise 5.441 h; sunset 20:33 by its own steps.
    #[test]
    fn the_almanac_s_worked_example_comes_out_within_two_minutes() {
        let found =
            day(Place::new(40.9, -74.3).unwrap(), date(1990, 6, 25), &TimeZone::posix("EDT4").unwrap()).unwrap();
        near(&found.sunrise, "1990-06-25 05:26:28", 120);
        near(&found.sunset, "1990-06-25 20:33:00", 120);
    }

    /// The test values of the library SunCalc (BSD), whose simple model and NOAA's differ by a minute.
    #[test]
    fn the_day_in_march_of_another_library_comes_out_within_two_minutes() {
        let found = day(Place::new(50.5, 30.5).unwrap(), date(2013, 3, 5), &TimeZone::UTC).unwrap();
        near(&found.civil_dawn, "2013-03-05 04:02:17", 120);
        near(&found.sunrise, "2013-03-05 04:34:56", 120);
        near(&found.sunset, "2013-03-05 15:46:57", 120);
        near(&found.civil_dusk, "2013-03-05 16:19:36", 120);
    }

    #[rstest]
    #[case("40.5, -100.5", 40.5, -100.5)]
    #[case("40.5 -100.5", 40.5, -100.5)]
    #[case("40.5 N 100.5 W", 40.5, -100.5)]
    #[case("40.5° s, 100.5° e", -40.5, 100.5)]
    fn a_place_is_read_with_signs_or_with_letters(#[case] text: &str, #[case] latitude: f64, #[case] longitude: f64) {
        assert_eq!(text.parse(), Place::new(latitude, longitude));
    }

    #[rstest]
    #[case("40.5")]
    #[case("100.5 W 40.5 N")]
    #[case("-40.5 N 100.5 W")]
    #[case("40.5 N 100.5")]
    #[case("140.5, 100.5")]
    #[case("somewhere")]
    fn what_is_no_place_is_refused(#[case] text: &str) {
        assert!(text.parse::<Place>().is_err());
    }

    #[test]
    fn a_year_of_the_pharaohs_is_refused() {
        assert!(day(Place::new(30.0, 31.0).unwrap(), date(1500, 1, 1), &TimeZone::UTC).is_err());
    }

    proptest! {
        #[test]
        fn dawn_sunrise_noon_sunset_and_dusk_come_in_this_order_around_noon_of_the_date(
            latitude in -60.0_f64..60.0, longitude in -179.0_f64..179.0, day_of_year in 1_i16..=365, year in 1950_i16..2100,
        ) {
            let hours = i8::try_from((longitude / 15.0).round() as i64).unwrap();
            let zone = TimeZone::fixed(jiff::tz::Offset::from_hours(hours).unwrap());
            let on = date(year, 1, 1).saturating_add(jiff::Span::new().days(i64::from(day_of_year) - 1));
            let found = day(Place::new(latitude, longitude).unwrap(), on, &zone).unwrap();
            prop_assert_eq!(found.noon.date(), on);
            let at = |p: &Passage| if let Passage::At(z) = p { Some(z.clone()) } else { None };
            let rise = at(&found.sunrise).unwrap();
            let set = at(&found.sunset).unwrap();
            prop_assert!(rise < found.noon && found.noon < set);
            prop_assert!(at(&found.civil_dawn).is_none_or(|dawn| dawn < rise));
            prop_assert!(at(&found.civil_dusk).is_none_or(|dusk| set < dusk));
        }
    }
}
