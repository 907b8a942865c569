//! Which quantities can be typed, and by which names of units.

use uom::si;
use uom::si::f64::{
    Area, ElectricCharge, ElectricCurrent, ElectricPotential, Length, Mass, Power, Pressure, Ratio,
    ThermodynamicTemperature, Time, Volume, VolumeRate,
};

use super::parse::{Typed, TypedUnit};
use super::pressure::{Absolute, Gauge};
use super::units;

/// Implements [`Typed`] for quantities of `uom`: each unit by its names and its `uom` unit.
macro_rules! typed {
    ($quantity:ident, $kind:literal, $example:literal, $base:path,
     [$($($name:literal),+ => $unit:path;)+] $(, $setting:ident = $value:literal)*) => {
        impl Typed for $quantity {
            const KIND: &'static str = $kind;
            const EXAMPLE: &'static str = $example;
            $(const $setting: bool = $value;)*
            fn units() -> &'static [TypedUnit] {
                &[$(TypedUnit { names: &[$($name),+], to_base: |n| $quantity::new::<$unit>(n).value }),+]
            }
            fn from_base(value: f64) -> Self {
                $quantity::new::<$base>(value)
            }
        }
    };
}

typed!(Volume, "volume", "\"40 gal\" or \"150 L\"", si::volume::cubic_meter, [
    "gal", "gals", "gallon", "gallons", "us gal", "us gallons" => units::volume::us_gallon;
    "l", "litre", "litres", "liter", "liters" => si::volume::liter;
    "ml", "millilitre", "millilitres", "milliliter", "milliliters" => si::volume::milliliter;
    "qt", "quart", "quarts" => units::volume::us_quart;
    "pt", "pint", "pints" => units::volume::us_pint;
    "cup", "cups" => units::volume::us_cup;
    "fl oz", "floz", "fluid ounce", "fluid ounces" => units::volume::us_fluid_ounce;
    "tbsp", "tablespoon", "tablespoons" => units::volume::us_tablespoon;
    "tsp", "teaspoon", "teaspoons" => units::volume::us_teaspoon;
    "imp gal", "imperial gallon", "imperial gallons" => units::volume::imperial_gallon;
    "cu in", "cubic inch", "cubic inches", "in³" => units::volume::cubic_inch;
    "cu ft", "cubic foot", "cubic feet", "ft³" => units::volume::cubic_foot;
    "m³", "cubic metre", "cubic metres", "cubic meter", "cubic meters" => si::volume::cubic_meter;
]);

typed!(VolumeRate, "flow", "\"2.5 gpm\" or \"9.5 L/min\"", si::volume_rate::cubic_meter_per_second, [
    "gpm", "gal/min", "gallon per minute", "gallons per minute", "gallons a minute" => units::flow::us_gallon_per_minute;
    "l/min", "lpm", "litres per minute", "liters per minute", "litres a minute" => si::volume_rate::liter_per_minute;
    "l/s", "litres per second", "liters per second" => si::volume_rate::liter_per_second;
]);

typed!(Length, "length", "\"30 in\" or \"76 cm\"", si::length::meter, [
    "in", "inch", "inches", "\"" => si::length::inch;
    "ft", "foot", "feet", "'" => si::length::foot;
    "yd", "yard", "yards" => si::length::yard;
    "mi", "mile", "miles" => si::length::mile;
    "mm", "millimetre", "millimetres", "millimeter", "millimeters" => si::length::millimeter;
    "cm", "centimetre", "centimetres", "centimeter", "centimeters" => si::length::centimeter;
    "m", "metre", "metres", "meter", "meters" => si::length::meter;
    "km", "kilometre", "kilometres", "kilometer", "kilometers" => si::length::kilometer;
], SIGNED = true);

typed!(Area, "area", "\"10 sq ft\" or \"0.93 m²\"", si::area::square_meter, [
    "sq ft", "square foot", "square feet", "ft²" => si::area::square_foot;
    "sq in", "square inch", "square inches", "in²" => si::area::square_inch;
    "m²", "sq m", "square metre", "square metres", "square meter", "square meters" => si::area::square_meter;
    "cm²", "sq cm", "square centimetres", "square centimeters" => si::area::square_centimeter;
]);

typed!(Mass, "weight", "\"5,000 lb\" or \"2270 kg\"", si::mass::kilogram, [
    "lb", "lbs", "pound", "pounds" => units::mass::pound;
    "kg", "kilo", "kilos", "kilogram", "kilograms" => si::mass::kilogram;
    "oz", "ounce", "ounces" => units::mass::ounce;
    "t", "tonne", "tonnes" => si::mass::ton;
    "short ton", "short tons" => units::mass::short_ton;
]);

typed!(Time, "time", "\"45 s\" or \"1 min 33 s\"", si::time::second, [
    "s", "sec", "secs", "second", "seconds" => si::time::second;
    "min", "mins", "minute", "minutes" => si::time::minute;
    "h", "hr", "hrs", "hour", "hours" => si::time::hour;
    "d", "day", "days" => si::time::day;
]);

typed!(ThermodynamicTemperature, "temperature", "\"70 F\" or \"21 C\"", si::thermodynamic_temperature::kelvin, [
    "f", "°f", "degf", "degrees f", "fahrenheit", "degrees fahrenheit" => si::thermodynamic_temperature::degree_fahrenheit;
    "c", "°c", "degc", "degrees c", "celsius", "degrees celsius" => si::thermodynamic_temperature::degree_celsius;
    "k", "kelvin" => si::thermodynamic_temperature::kelvin;
], SIGNED = true, IN_PARTS = false);

typed!(Power, "power", "\"1,500 W\" or \"1.5 kW\"", si::power::watt, [
    "w", "watt", "watts" => si::power::watt;
    "kw", "kilowatt", "kilowatts" => si::power::kilowatt;
    "va", "volt amperes", "volt-amperes" => si::power::watt;
    "kva" => si::power::kilowatt;
    "btu/h", "btu per hour", "btu an hour" => units::heat::btu_per_hour;
], IN_PARTS = false);

typed!(ElectricCurrent, "current", "\"30 A\"", si::electric_current::ampere, [
    "a", "amp", "amps", "ampere", "amperes" => si::electric_current::ampere;
    "ma", "milliamp", "milliamps", "milliampere", "milliamperes" => si::electric_current::milliampere;
], IN_PARTS = false);

typed!(ElectricPotential, "voltage", "\"12.6 V\"", si::electric_potential::volt, [
    "v", "volt", "volts" => si::electric_potential::volt;
    "mv", "millivolt", "millivolts" => si::electric_potential::millivolt;
], IN_PARTS = false);

typed!(ElectricCharge, "battery capacity", "\"100 Ah\"", si::electric_charge::coulomb, [
    "ah", "amp hour", "amp hours", "ampere hour", "ampere hours" => si::electric_charge::ampere_hour;
], IN_PARTS = false);

typed!(Ratio, "share", "\"75 %\" or \"3/4\"", si::ratio::ratio, [
    "%", "percent", "per cent" => si::ratio::percent;
    "ppm", "parts per million", "mg/l" => si::ratio::part_per_million;
], IN_PARTS = false, BARE_FRACTION = true);

/// Names shared by both kinds of pressure; what is typed of either kind says which by its unit.
impl Typed for Gauge {
    const KIND: &'static str = "pressure on a gauge";
    const EXAMPLE: &'static str = "\"45 psi\" or \"3.1 bar\"";
    const IN_PARTS: bool = false;
    fn units() -> &'static [TypedUnit] {
        &[
            TypedUnit { names: &["psi", "psig", "pounds per square inch"], to_base: |n| n * one_psi() },
            TypedUnit { names: &["kpa", "kilopascal", "kilopascals"], to_base: |n| n * 1e3 },
            TypedUnit { names: &["bar", "bars"], to_base: |n| n * 1e5 },
            TypedUnit { names: &["pa", "pascal", "pascals"], to_base: |n| n },
        ]
    }
    fn from_base(value: f64) -> Self {
        Self(Pressure::new::<si::pressure::pascal>(value))
    }
}

impl Typed for Absolute {
    const KIND: &'static str = "absolute pressure";
    const EXAMPLE: &'static str = "\"14.7 psia\" or \"1013 hPa\"";
    const IN_PARTS: bool = false;
    fn units() -> &'static [TypedUnit] {
        &[
            TypedUnit { names: &["psia"], to_base: |n| n * one_psi() },
            TypedUnit { names: &["hpa", "mbar", "millibar", "millibars"], to_base: |n| n * 1e2 },
            TypedUnit { names: &["kpa"], to_base: |n| n * 1e3 },
            TypedUnit { names: &["atm", "atmospheres"], to_base: |n| n * 101_325.0 },
            TypedUnit { names: &["inhg", "in hg", "inches of mercury"], to_base: |n| n * 3_386.389 },
            TypedUnit { names: &["pa"], to_base: |n| n },
        ]
    }
    fn from_base(value: f64) -> Self {
        Self(Pressure::new::<si::pressure::pascal>(value))
    }
}

fn one_psi() -> f64 {
    Gauge::of_psi(1.0).0.value
}
