//! United States customary units, exact. `uom` rounds its own to seven digits, so a gallon there is not 231 cubic inches.
//!
//! Source: NIST Handbook 44, appendix C, and NIST Special Publication 811, appendix B.8: the inch is 25.4 mm, the gallon
//! 231 cubic inches and the avoirdupois pound 0.453 592 37 kg, all exactly; the pound-force uses 9.806 65 m/s².

pub mod volume {
    //! Volumes; a cup is 1/16 gallon, a fluid ounce 1/128, a tablespoon 1/256, a teaspoon 1/768.
    unit! {
        system: uom::si;
        quantity: uom::si::volume;
        @us_gallon: 3.785_411_784E-3; "gal", "US gallon", "US gallons";
        @us_quart: 9.463_529_46E-4; "qt", "US quart", "US quarts";
        @us_pint: 4.731_764_73E-4; "pt", "US pint", "US pints";
        @us_cup: 2.365_882_365E-4; "cup", "US cup", "US cups";
        @us_fluid_ounce: 2.957_352_956_25E-5; "fl oz", "US fluid ounce", "US fluid ounces";
        @us_tablespoon: 1.478_676_478_125E-5; "tbsp", "US tablespoon", "US tablespoons";
        @us_teaspoon: 4.928_921_593_75E-6; "tsp", "US teaspoon", "US teaspoons";
        @imperial_gallon: 4.546_09E-3; "imp gal", "imperial gallon", "imperial gallons";
        @cubic_inch: 1.638_706_4E-5; "cu in", "cubic inch", "cubic inches";
        @cubic_foot: 2.831_684_659_2E-2; "cu ft", "cubic foot", "cubic feet";
    }
}

pub mod flow {
    //! Volume by time.
    unit! {
        system: uom::si;
        quantity: uom::si::volume_rate;
        @us_gallon_per_minute: 3.785_411_784E-3 / 6.0E1; "gpm", "US gallon per minute", "US gallons per minute";
    }
}

pub mod pressure {
    //! Pressure; the pound-force per square inch is 0.453 592 37 x 9.806 65 / 0.0254² pascals.
    unit! {
        system: uom::si;
        quantity: uom::si::pressure;
        @psi: 0.453_592_37 * 9.806_65 / (0.0254 * 0.0254); "psi", "pound-force per square inch", "pounds-force per square inch";
    }
}

pub mod heat {
    //! Heat by time; the BTU is that of the International Table, 1,055.055 852 62 J.
    unit! {
        system: uom::si;
        quantity: uom::si::power;
        @btu_per_hour: 1_055.055_852_62 / 3.6E3; "BTU/h", "BTU per hour", "BTU per hour";
    }
}

pub mod mass {
    //! Mass.
    unit! {
        system: uom::si;
        quantity: uom::si::mass;
        @pound: 4.535_923_7E-1; "lb", "pound", "pounds";
        @ounce: 2.834_952_312_5E-2; "oz", "ounce", "ounces";
        @short_ton: 9.071_847_4E2; "ton", "short ton", "short tons";
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use uom::si::f64::{Length, Mass, Pressure, Volume, VolumeRate};
    use uom::si::length::inch;
    use uom::si::mass::kilogram;
    use uom::si::pressure::pascal;
    use uom::si::volume::liter;
    use uom::si::volume_rate::liter_per_minute;

    #[track_caller]
    fn exact(found: f64, expected: f64) {
        assert!((found / expected - 1.0).abs() < 1e-12, "{found}, expected {expected}");
    }

    /// NIST Handbook 44, appendix C.
    #[test]
    fn a_gallon_is_231_cubic_inches_and_3_785411784_litres() {
        exact(Volume::new::<volume::us_gallon>(1.0).get::<liter>(), 3.785_411_784);
        exact(Volume::new::<volume::us_gallon>(1.0).get::<volume::cubic_inch>(), 231.0);
        let side = Length::new::<inch>(1.0);
        exact((side * side * side).get::<volume::cubic_inch>(), 1.0);
        exact(VolumeRate::new::<flow::us_gallon_per_minute>(1.0).get::<liter_per_minute>(), 3.785_411_784);
    }

    /// NIST Handbook 44, appendix C: cubic foot 7.480 519 gallons, cup 236.588 mL, fluid ounce 29.5735 mL.
    #[test]
    fn cups_and_ounces_are_shares_of_the_gallon() {
        let gallon = Volume::new::<volume::us_gallon>(1.0);
        exact(gallon.get::<volume::us_quart>(), 4.0);
        exact(gallon.get::<volume::us_pint>(), 8.0);
        exact(gallon.get::<volume::us_cup>(), 16.0);
        exact(gallon.get::<volume::us_fluid_ounce>(), 128.0);
        exact(gallon.get::<volume::us_tablespoon>(), 256.0);
        exact(gallon.get::<volume::us_teaspoon>(), 768.0);
        let foot = Volume::new::<volume::cubic_foot>(1.0).get::<volume::us_gallon>();
        assert!((foot - 7.480_519).abs() < 5e-7, "{foot}");
        let cup = Volume::new::<volume::us_cup>(1.0).get::<liter>() * 1000.0;
        assert!((cup - 236.588).abs() < 5e-4, "{cup}");
        let imperial = Volume::new::<volume::imperial_gallon>(1.0).get::<volume::us_gallon>();
        assert!((imperial - 1.200_950).abs() < 5e-7, "{imperial}");
    }

    /// NIST Special Publication 811, appendix B.8: pound-force per square inch 6.894 757 E+03 Pa.
    #[test]
    fn a_pound_per_square_inch_is_6894_757_pascals() {
        let found = Pressure::new::<pressure::psi>(1.0).get::<pascal>();
        assert!((found - 6_894.757).abs() < 5e-4, "{found}");
        exact(Mass::new::<mass::short_ton>(1.0).get::<mass::pound>(), 2_000.0);
        exact(Mass::new::<mass::pound>(1.0).get::<mass::ounce>(), 16.0);
        exact(Mass::new::<mass::pound>(1.0).get::<kilogram>(), 0.453_592_37);
    }
}
