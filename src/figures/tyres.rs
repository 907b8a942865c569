//! Tyre pressure: what a cold reading becomes elsewhere, and what a reading means against the placard.

use uom::si::f64::{Length, ThermodynamicTemperature, Time};
use uom::si::length::mile;
use uom::si::thermodynamic_temperature::{degree_fahrenheit, kelvin};
use uom::si::time::hour;

use super::error::{FigureError, within};
use super::pressure::{Absolute, Gauge};
use super::{Method, at_least, at_most};

/// A tyre's pressure at another temperature or height.
pub const CHANGE: Method = Method {
    formula: "(reading + air) / absolute temperature is constant: p2 = (p1 + a1) x T2 / T1 - a2",
    source: "Gay-Lussac's law, absolute pressures and temperatures, volume of the tire taken as constant",
    caution: "The tire must have the temperature named: hours in shade, not driven. It does not replace a gauge.",
};

/// A reading against the placard.
pub const READING: Method = Method {
    formula: "cold: parked for 3 h or driven less than 1 mile; the warning lamp must light at 25 % below the placard",
    source: "49 CFR 571.110 and 571.139 (cold inflation), 49 CFR 571.138 (low pressure telltale)",
    caution: "Never let air out of a warm tyre. Never go above the pressure moulded on the tyre or the wheel. \
              The placard, or the tyre maker's table for the weight on the axle, comes first.",
};

/// The state in which a tyre stands: its temperature and the air around it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AirAround {
    pub temperature: ThermodynamicTemperature,
    pub air: Absolute,
}

/// What a gauge shows when a tyre that showed `reading` at `before` stands at `after`. See [`CHANGE`].
///
/// Range: reading 5 to 150 psi (34 to 1,034 kPa), -60 to 180 F (-51 to 82 C), air 6 to 16 psi (41 to 110 kPa) absolute.
///
/// # Errors
/// A value outside its range.
pub fn reading_at(reading: Gauge, before: AirAround, after: AirAround) -> Result<Gauge, FigureError> {
    plausible(reading)?;
    for around in [before, after] {
        within("temperature", around.temperature.get::<degree_fahrenheit>(), -60.0..=180.0, "F")?;
        within("pressure of the air", around.air.psi(), 6.0..=16.0, "psi")?;
    }
    let warmer = after.temperature.get::<kelvin>() / before.temperature.get::<kelvin>();
    let inside = Absolute(reading.absolute(before.air).0 * warmer);
    Ok(inside.gauge(after.air))
}

/// What is known of the time before a reading.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Rest {
    /// How long the vehicle has stood.
    pub parked: Option<Time>,
    /// How far it was driven since it was last cold.
    pub driven: Option<Length>,
}

/// Whether a reading may be called cold. What is not known is not cold.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Warmth {
    Cold,
    /// Driven a mile or more, and not parked for three hours since.
    Warm,
    /// Nobody said how long it stood or how far it was driven.
    Unknown,
}

/// Whether a reading may be called cold. See [`READING`]. Range: parked 0 to 10,000 h, driven 0 to 3,000 mi.
///
/// # Errors
/// A value outside its range.
pub fn warmth(rest: Rest) -> Result<Warmth, FigureError> {
    if let Some(parked) = rest.parked {
        within("time parked", parked.get::<hour>(), 0.0..=10_000.0, "h")?;
        if at_least(parked.get::<hour>(), COLD_AFTER_H) {
            return Ok(Warmth::Cold);
        }
    }
    if let Some(driven) = rest.driven {
        within("distance driven", driven.get::<mile>(), 0.0..=3_000.0, "mi")?;
        return Ok(if at_least(driven.get::<mile>(), WARM_AFTER_MI) { Warmth::Warm } else { Warmth::Cold });
    }
    Ok(if rest.parked.is_some() { Warmth::Warm } else { Warmth::Unknown })
}

/// What a reading means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ReadingState {
    /// 25 % or more below the placard: not to be driven on before it is looked at. Warmth only hides more of it.
    FarTooLow,
    /// Below the placard: air in.
    Low,
    /// Cold and at the placard, within the gauge's give.
    Right,
    /// Cold and above the placard: air may be let out down to it.
    High,
    /// Above what is moulded on the tyre or wheel, measured cold.
    AboveMost,
    /// Warm, or nobody knows, and not below the placard: it says nothing. Read it again when cold; let no air out.
    NotCold,
}

/// A reading with what it is held against.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PressureReading {
    pub shown: Gauge,
    /// The vehicle's placard, or the tyre maker's table for the weight on the axle.
    pub placard: Gauge,
    /// Moulded on the tyre or wheel; none when nobody looked.
    pub most: Option<Gauge>,
    /// How far the gauge may be off; 1 psi for a good one (common practice, no source).
    pub give: Gauge,
    pub rest: Rest,
}

/// What a reading means against the placard. See [`READING`].
///
/// A warm tyre reads more than a cold one, so a warm reading below the placard is low for certain, and any other warm one says
/// nothing. Range: readings 0 to 150 psi (0 to 1,034 kPa), placard and most 5 to 150 psi, give 0 to 5 psi.
///
/// # Errors
/// A value outside its range; a placard above what is moulded on the tyre.
pub fn judge(reading: &PressureReading) -> Result<ReadingState, FigureError> {
    within("reading", reading.shown.psi(), 0.0..=150.0, "psi")?;
    plausible(reading.placard)?;
    within("give of the gauge", reading.give.psi(), 0.0..=5.0, "psi")?;
    if let Some(most) = reading.most {
        within("most that is molded on the tire", most.psi(), reading.placard.psi()..=150.0, "psi")?;
    }
    let (shown, placard, give) = (reading.shown.psi(), reading.placard.psi(), reading.give.psi());
    if at_most(shown, telltale(reading.placard)?.psi()) {
        return Ok(ReadingState::FarTooLow);
    }
    let cold = warmth(reading.rest)? == Warmth::Cold;
    if !at_least(shown, placard - give) {
        return Ok(ReadingState::Low);
    }
    if !cold {
        return Ok(ReadingState::NotCold);
    }
    Ok(match reading.most {
        Some(most) if !at_most(shown, most.psi()) => ReadingState::AboveMost,
        _ if at_most(shown, placard + give) => ReadingState::Right,
        _ => ReadingState::High,
    })
}

/// The pressure at or below which a low pressure telltale must light: 25 % below the placard. Source: 49 CFR 571.138. Range: 5
/// to 150 psi (34 to 1,034 kPa).
///
/// # Errors
/// A placard outside the range.
pub fn telltale(placard: Gauge) -> Result<Gauge, FigureError> {
    plausible(placard)?;
    Ok(Gauge(placard.0 * (1.0 - TELLTALE_BELOW)))
}

fn plausible(reading: Gauge) -> Result<(), FigureError> {
    within("tire pressure", reading.psi(), 5.0..=150.0, "psi")
}

const COLD_AFTER_H: f64 = 3.0;
const WARM_AFTER_MI: f64 = 1.0;
const TELLTALE_BELOW: f64 = 0.25;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::figures::pressure::{air_at, sea_level};
    use proptest::prelude::*;
    use rstest::rstest;
    use uom::si::f64::Pressure;
    use uom::si::length::foot;
    use uom::si::pressure::{atmosphere, pascal};
    use uom::si::thermodynamic_temperature::degree_celsius;

    fn fahrenheit(n: f64) -> AirAround {
        AirAround { temperature: ThermodynamicTemperature::new::<degree_fahrenheit>(n), air: sea_level() }
    }

    fn celsius(n: f64, air: f64) -> AirAround {
        let air = Absolute(Pressure::new::<pascal>(air));
        AirAround { temperature: ThermodynamicTemperature::new::<degree_celsius>(n), air }
    }

    /// OpenStax College Physics, chapter 13, problem 22: 2.50e5 Pa gauge at 35.0 C, air 1.013e5 Pa, at -40.0 C 1.64e5 Pa.
    #[test]
    fn the_textbook_tyre_in_the_cold_shows_164_kilopascals() {
        let reading = Gauge(Pressure::new::<pascal>(2.5e5));
        let found = reading_at(reading, celsius(35.0, 1.013e5), celsius(-40.0, 1.013e5)).unwrap().0.get::<pascal>();
        assert!((found - 1.645e5).abs() < 100.0, "{found}");
    }

    /// OpenStax College Physics, example 13.6: 7.00e5 Pa absolute at 18.0 C is 7.41e5 at 35.0 C (from memory).
    #[test]
    fn the_textbook_tyre_in_the_warmth_has_741_kilopascals() {
        let inside = Absolute(Pressure::new::<pascal>(7.0e5));
        let found = reading_at(inside.gauge(sea_level()), celsius(18.0, 101_325.0), celsius(35.0, 101_325.0));
        let found = found.unwrap().absolute(sea_level()).0.get::<pascal>();
        assert!((found - 7.409e5).abs() < 100.0, "{found}");
    }

    /// Ohio State University chemistry panel 10: 3.00 atm at 302 K is 2.59 atm at 261 K.
    #[test]
    fn three_atmospheres_become_2_59() {
        let at = |k: f64| AirAround { temperature: ThermodynamicTemperature::new::<kelvin>(k), air: sea_level() };
        let inside = Absolute(Pressure::new::<atmosphere>(3.0));
        let found = reading_at(inside.gauge(sea_level()), at(302.0), at(261.0)).unwrap().absolute(sea_level());
        assert!((found.0.get::<atmosphere>() - 2.593).abs() < 0.0005, "{found:?}");
    }

    /// Chemistry text answer key: 32 psi at 90 F is 5 psi less at 32 F. The rest by the gas law at sea level; the rule of 1 psi
    /// for 10 F holds near 35 psi only.
    #[rstest]
    #[case(32.0, 90.0, 32.0, 27.07)]
    #[case(35.0, 70.0, 60.0, 35.0 - 0.938)]
    #[case(80.0, 70.0, 80.0, 80.0 + 1.788)]
    #[case(110.0, 70.0, 80.0, 110.0 + 2.354)]
    #[case(80.0, 60.0, 90.0, 85.47)]
    #[case(80.0, 70.0, 40.0, 74.64)]
    fn pressure_follows_the_absolute_temperature(
        #[case] psi: f64,
        #[case] before: f64,
        #[case] after: f64,
        #[case] expected: f64,
    ) {
        let found = reading_at(Gauge::of_psi(psi), fahrenheit(before), fahrenheit(after)).unwrap().psi();
        assert!((found - expected).abs() < 0.006, "{found}");
    }

    /// The gas law with the standard atmosphere: 80 psi at sea level shows 82.5 psi where the air has 12.23 psi, which is at 5,000 ft.
    #[test]
    fn a_gauge_shows_more_up_in_the_mountains() {
        let up = AirAround { air: air_at(Length::new::<foot>(5_000.0)).unwrap(), ..fahrenheit(70.0) };
        let found = reading_at(Gauge::of_psi(80.0), fahrenheit(70.0), up).unwrap().psi();
        assert!((found - 82.5).abs() < 0.05, "{found}");
    }

    fn rest(hours: Option<f64>, miles: Option<f64>) -> Rest {
        Rest { parked: hours.map(Time::new::<hour>), driven: miles.map(Length::new::<mile>) }
    }

    /// 49 CFR 571.110 and 571.139, as published by NHTSA: three hours, or less than a mile.
    #[rstest]
    #[case(Some(3.0), Some(200.0), Warmth::Cold)]
    #[case(Some(2.9), Some(200.0), Warmth::Warm)]
    #[case(Some(2.0), None, Warmth::Warm)]
    #[case(None, Some(0.9), Warmth::Cold)]
    #[case(None, Some(1.0), Warmth::Warm)]
    #[case(Some(0.1), Some(0.5), Warmth::Cold)]
    #[case(None, None, Warmth::Unknown)]
    fn cold_is_three_hours_parked_or_less_than_a_mile(
        #[case] hours: Option<f64>,
        #[case] miles: Option<f64>,
        #[case] expected: Warmth,
    ) {
        assert_eq!(warmth(rest(hours, miles)), Ok(expected));
    }

    fn reading(shown: f64, rest: Rest) -> PressureReading {
        PressureReading {
            shown: Gauge::of_psi(shown),
            placard: Gauge::of_psi(80.0),
            most: Some(Gauge::of_psi(95.0)),
            give: Gauge::of_psi(1.0),
            rest,
        }
    }

    /// 49 CFR 571.138: the telltale at 25 % below the placard.
    #[rstest]
    #[case(80.0, 60.0)]
    #[case(110.0, 82.5)]
    fn the_telltale_stands_a_quarter_below_the_placard(#[case] placard: f64, #[case] expected: f64) {
        assert!((telltale(Gauge::of_psi(placard)).unwrap().psi() - expected).abs() < 1e-9);
    }

    #[rstest]
    #[case(60.0, ReadingState::FarTooLow)]
    #[case(60.1, ReadingState::Low)]
    #[case(78.9, ReadingState::Low)]
    #[case(79.0, ReadingState::Right)]
    #[case(81.0, ReadingState::Right)]
    #[case(81.1, ReadingState::High)]
    #[case(95.0, ReadingState::High)]
    #[case(95.1, ReadingState::AboveMost)]
    fn a_cold_reading_is_held_against_the_placard(#[case] shown: f64, #[case] expected: ReadingState) {
        assert_eq!(judge(&reading(shown, rest(Some(8.0), None))), Ok(expected));
    }

    #[rstest]
    #[case(60.0, ReadingState::FarTooLow)]
    #[case(70.0, ReadingState::Low)]
    #[case(80.0, ReadingState::NotCold)]
    #[case(86.0, ReadingState::NotCold)]
    #[case(99.0, ReadingState::NotCold)]
    fn a_warm_reading_is_low_or_says_nothing(#[case] shown: f64, #[case] expected: ReadingState) {
        assert_eq!(judge(&reading(shown, rest(Some(0.5), Some(120.0)))), Ok(expected));
        assert_eq!(judge(&reading(shown, rest(None, None))), Ok(expected));
    }

    #[test]
    fn absurd_readings_are_refused() {
        assert!(judge(&reading(-1.0, rest(Some(8.0), None))).is_err());
        assert!(judge(&reading(800.0, rest(Some(8.0), None))).is_err());
        let mismatch = PressureReading { most: Some(Gauge::of_psi(60.0)), ..reading(80.0, rest(Some(8.0), None)) };
        assert!(judge(&mismatch).is_err());
        assert!(reading_at(Gauge::of_psi(80.0), fahrenheit(70.0), fahrenheit(700.0)).is_err());
    }

    proptest! {
        #[test]
        fn going_there_and_back_shows_the_same(psi in 20.0_f64..120.0, from in -20.0_f64..110.0, to in -20.0_f64..110.0,
                                               up in 0.0_f64..10_000.0) {
            let away = AirAround { air: air_at(Length::new::<foot>(up)).unwrap(), ..fahrenheit(to) };
            let there = reading_at(Gauge::of_psi(psi), fahrenheit(from), away).unwrap();
            prop_assume!((5.0..150.0).contains(&there.psi()));
            let back = reading_at(there, away, fahrenheit(from)).unwrap().psi();
            prop_assert!((back - psi).abs() < 1e-9);
        }

        #[test]
        fn what_is_not_surely_cold_is_never_right_or_high(
            shown in 0.0_f64..150.0, hours in prop::option::of(0.0_f64..2.99), miles in prop::option::of(1.0_f64..500.0),
        ) {
            let state = judge(&reading(shown, rest(hours, miles))).unwrap();
            prop_assert!(!matches!(state, ReadingState::Right | ReadingState::High | ReadingState::AboveMost));
        }
    }
}
