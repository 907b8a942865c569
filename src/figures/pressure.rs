//! Gauge and absolute pressure, kept apart: a gauge shows what is above the air around it, gas laws take the whole.

use uom::si::f64::{Length, Pressure};
use uom::si::length::{foot, meter};
use uom::si::pressure::pascal;

use super::error::{FigureError, within};
use super::units::pressure::psi;

/// What a gauge shows: above the pressure of the air around it.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Gauge(pub Pressure);

/// Above nothing at all.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Absolute(pub Pressure);

impl Gauge {
    /// A reading in pounds per square inch.
    pub fn of_psi(value: f64) -> Self {
        Self(Pressure::new::<psi>(value))
    }

    /// The reading in pounds per square inch.
    pub fn psi(self) -> f64 {
        self.0.get::<psi>()
    }

    /// With the air around the gauge.
    pub fn absolute(self, air: Absolute) -> Absolute {
        Absolute(self.0 + air.0)
    }
}

impl Absolute {
    /// An absolute pressure in pounds per square inch.
    pub fn of_psi(value: f64) -> Self {
        Self(Pressure::new::<psi>(value))
    }

    /// The pressure in pounds per square inch.
    pub fn psi(self) -> f64 {
        self.0.get::<psi>()
    }

    /// What a gauge shows in this air; below zero when the air presses harder.
    pub fn gauge(self, air: Absolute) -> Gauge {
        Gauge(self.0 - air.0)
    }
}

/// The standard atmosphere at sea level: 101,325 Pa exactly (ISO 2533:1975).
pub fn sea_level() -> Absolute {
    Absolute(Pressure::new::<pascal>(101_325.0))
}

/// The pressure of the air at a height above sea level in the standard atmosphere.
///
/// Formula: p = 101,325 Pa x (1 - L h / T)^(g M / (R L)), with L 0.0065 K/m, T 288.15 K, exponent 5.255 88. Weather moves the
/// real one by up to about 3 %. Range -1,400 to 20,000 ft (-427 to 6,096 m). Source: ISO 2533:1975, geopotential height.
///
/// # Errors
/// A height outside the range.
pub fn air_at(height: Length) -> Result<Absolute, FigureError> {
    within("height above sea level", height.get::<foot>(), -1_400.0..=20_000.0, "ft")?;
    let ratio = 1.0 - 0.0065 * height.get::<meter>() / 288.15;
    Ok(Absolute(sea_level().0 * ratio.powf(5.255_88)))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// ISO 2533:1975, tables: 1,000 m 89,874.6 Pa, 3,000 m 70,108.5 Pa; US Standard Atmosphere 1976: 5,000 ft 12.23 psi (all from
    /// memory).
    #[test]
    fn the_air_thins_with_height_as_in_the_standard_atmosphere() {
        let at = |m: f64| air_at(Length::new::<meter>(m)).unwrap().0.get::<pascal>();
        assert!((at(0.0) - 101_325.0).abs() < 1e-6);
        assert!((at(1_000.0) - 89_874.6).abs() < 2.0, "{}", at(1_000.0));
        assert!((at(3_000.0) - 70_108.5).abs() < 2.0, "{}", at(3_000.0));
        let up = air_at(Length::new::<foot>(5_000.0)).unwrap().psi();
        assert!((up - 12.23).abs() < 0.005, "{up}");
    }

    #[test]
    fn a_height_of_a_flying_aeroplane_is_refused() {
        let error = air_at(Length::new::<foot>(35_000.0)).unwrap_err().to_string();
        assert!(error.contains("found 35000 ft, expected -1400 to 20000 ft"), "{error}");
    }

    #[test]
    fn twice_the_reading_is_not_twice_the_pressure() {
        let one = Gauge::of_psi(40.0).absolute(sea_level());
        let two = Gauge::of_psi(80.0).absolute(sea_level());
        assert!((two.psi() / one.psi() - 2.0).abs() > 0.2);
        assert!((two.gauge(sea_level()).psi() - 80.0).abs() < 1e-12);
    }
}
