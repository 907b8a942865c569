//! Tanks: how much they hold, how full they are, how deep the water stands, how long until they are fuller.

use uom::si::area::square_foot;
use uom::si::f64::{Area, Length, Mass, MassDensity, Ratio, Time, Volume, VolumeRate};
use uom::si::length::inch;
use uom::si::mass_density::kilogram_per_cubic_meter;
use uom::si::ratio::{percent, ratio};
use uom::si::time::second;

use super::error::{FigureError, plain, within};
use super::flow;
use super::units::volume::us_gallon;
use super::{Method, at_least};

/// Volumes of plain bodies.
pub const MEASURED: Method = Method {
    formula: "box: length x width x height; cylinder: pi/4 x diameter squared x length",
    source: "geometry; the US gallon is 231 cubic inches (NIST Handbook 44, appendix C)",
    caution: "Measured from outside it is too much by the thickness of the walls. The maker's figure comes first.",
};

/// Depth of water over a level floor.
pub const DEPTH: Method = Method {
    formula: "depth = volume / area of the base",
    source: "geometry, straight walls and a level floor",
    caution: "A rig that stands out of level holds it deeper on one side.",
};

/// How full a tank is.
pub const LEVEL: Method = Method {
    formula: "share x tank; n of m lamps: from n/m up to (n+1)/m; counted: the sum, at most the tank",
    source: "geometry, straight walls; lamps evenly spaced: common practice, no source",
    caution: "Probes in a dirty tank read too high or stick. Where too full can hurt, reckon with the larger figure.",
};

/// Time to a share of a tank.
pub const FILL: Method = Method {
    formula: "time = (share x tank - what is in it) / flow",
    source: "steady flow; measure it again at every new tap",
    caution: "Stay at the tap. Taps and hoses change their flow when others draw water.",
};

/// The volume of a box, from inside measures. Range: each side 1 to 240 in (2.5 cm to 6.1 m). See [`MEASURED`].
///
/// # Errors
/// A side outside the range.
pub fn box_volume(length: Length, width: Length, height: Length) -> Result<Volume, FigureError> {
    Ok(base_area(length, width)? * side("height", height)?)
}

/// The volume of a cylinder, lying or standing, from inside measures. Range as for [`box_volume`]. See [`MEASURED`].
///
/// # Errors
/// A measure outside the range.
pub fn cylinder_volume(diameter: Length, length: Length) -> Result<Volume, FigureError> {
    let (diameter, length) = (side("diameter", diameter)?, side("length", length)?);
    Ok(diameter * diameter * length * std::f64::consts::FRAC_PI_4)
}

/// The area of a rectangular base, from inside measures. Range as for [`box_volume`]. Formula: length x width.
///
/// # Errors
/// A side outside the range.
pub fn base_area(length: Length, width: Length) -> Result<Area, FigureError> {
    Ok(side("length", length)? * side("width", width)?)
}

/// The depth at which a volume of water stands over a base. Range: up to 1,000 gal (3,785 L) over 0.1 to 200 sq ft. See
/// [`DEPTH`].
///
/// # Errors
/// A volume or an area outside the range.
pub fn depth(water: Volume, base: Area) -> Result<Length, FigureError> {
    within("water", water.get::<us_gallon>(), 0.0..=MOST_GALLONS, "gal")?;
    Ok(water / plausible_base(base)?)
}

/// The volume that stands `deep` over a base. Range: 0 to 240 in. The reverse of [`depth`].
///
/// # Errors
/// A depth or an area outside the range.
pub fn water_to_depth(deep: Length, base: Area) -> Result<Volume, FigureError> {
    within("depth", deep.get::<inch>(), 0.0..=240.0, "in")?;
    Ok(plausible_base(base)? * deep)
}

/// How a tank's level was found.
#[derive(Clone, Debug, PartialEq)]
pub enum TankFill {
    /// A panel with `of` lamps above empty, evenly spaced, of which `lit` burn: it tells steps, not levels.
    Lamps { lit: u32, of: u32 },
    /// A gauge or an estimate in shares of the tank, 0 to 100 %.
    Share(Ratio),
    /// Seen through the wall or measured with a stick in a tank with straight walls.
    Sight { depth: Length, height: Length },
    /// Counted: so many uses, so much each.
    Counted(Vec<(u32, Volume)>),
}

/// Between which bounds the content of a tank lies. Reckon with `most` where too full can hurt.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Held {
    pub least: Volume,
    pub most: Volume,
}

/// What a tank holds by its level. See [`LEVEL`]. Range: tank 0.5 to 1,000 gal (1.9 to 3,785 L), shares 0 to 100 %, lamps lit at most
/// all, uses of up to 50 gal (189 L) each.
///
/// # Errors
/// A tank, a share or a depth outside its range; more lamps lit than there are; a counted use of more than 50 gal (189 L).
pub fn held(level: &TankFill, tank: Volume) -> Result<Held, FigureError> {
    let tank = plausible_tank(tank)?;
    let both = |volume: Volume| Held { least: volume, most: volume };
    match level {
        TankFill::Lamps { lit, of } => {
            if *of == 0 || lit > of {
                let found = format!("{lit} of {of} lit");
                return Err(FigureError::Impossible { what: "lamps", found, expected: "no more lit than there are" });
            }
            let share = |n: u32| (f64::from(n) / f64::from(*of)).min(1.0);
            Ok(Held { least: tank * share(*lit), most: tank * share(lit + 1) })
        }
        TankFill::Share(share) => {
            within("level", share.get::<percent>(), 0.0..=100.0, "%")?;
            Ok(both(tank * *share))
        }
        TankFill::Sight { depth, height } => {
            let (deep, high) = (depth.get::<inch>(), side("height", *height)?.get::<inch>());
            within("depth", deep, 0.0..=high, "in")?;
            Ok(both(tank * (deep / high)))
        }
        TankFill::Counted(uses) => {
            let mut sum = Volume::default();
            for (count, each) in uses {
                within("water for one use", each.get::<us_gallon>(), 0.0..=50.0, "gal")?;
                sum += *each * f64::from(*count);
            }
            Ok(both(if sum < tank { sum } else { tank }))
        }
    }
}

/// How long a flow takes from what a tank holds to a share of it. See [`FILL`]. Range: tank as for [`held`], share above 0 to
/// 100 %, flow 0.05 to 30 gpm (0.19 to 114 L/min).
///
/// # Errors
/// A value outside its range; a tank that holds the share already.
pub fn time_to_share(tank: Volume, held: Volume, share: Ratio, flow: VolumeRate) -> Result<Time, FigureError> {
    let tank = plausible_tank(tank)?;
    within("share of the tank", share.get::<percent>(), 0.1..=100.0, "%")?;
    within("water in the tank", held.get::<us_gallon>(), 0.0..=tank.get::<us_gallon>(), "gal")?;
    flow::plausible(flow)?;
    let room = tank * share - held;
    if at_least(held.value, (tank * share).value) {
        return Err(FigureError::Impossible {
            what: "share of the tank",
            found: format!(
                "{} gal are in it, {} % is {} gal",
                plain(held.get::<us_gallon>()),
                plain(share.get::<percent>()),
                plain((tank * share).get::<us_gallon>())
            ),
            expected: "less in the tank than that; empty it first",
        });
    }
    Ok(Time::new::<second>((room / flow).get::<second>()))
}

/// What share of a tank a volume is, which is above 1 when it overflows. Range as for [`held`].
///
/// # Errors
/// A tank outside the range.
pub fn share_of(water: Volume, tank: Volume) -> Result<Ratio, FigureError> {
    Ok(Ratio::new::<ratio>((water / plausible_tank(tank)?).value))
}

/// The weight of fresh water at 20 C.
///
/// Formula: volume x 998.203 kg/m³ (8.330 lb per US gallon). Range: up to 1,000 gal (3,785 L); between 0 and 35 C the weight is
/// within 0.5 %. Source: CRC Handbook, density of water.
///
/// # Errors
/// A volume outside the range.
pub fn water_weight(water: Volume) -> Result<Mass, FigureError> {
    within("water", water.get::<us_gallon>(), 0.0..=MOST_GALLONS, "gal")?;
    Ok(water * MassDensity::new::<kilogram_per_cubic_meter>(998.203))
}

pub(super) fn plausible_tank(tank: Volume) -> Result<Volume, FigureError> {
    within("tank", tank.get::<us_gallon>(), 0.5..=MOST_GALLONS, "gal")?;
    Ok(tank)
}

fn plausible_base(base: Area) -> Result<Area, FigureError> {
    within("base of the tank", base.get::<square_foot>(), 0.1..=200.0, "sq ft")?;
    Ok(base)
}

fn side(what: &'static str, length: Length) -> Result<Length, FigureError> {
    within(what, length.get::<inch>(), 1.0..=240.0, "in")?;
    Ok(length)
}

const MOST_GALLONS: f64 = 1_000.0;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::figures::units::flow::us_gallon_per_minute;
    use crate::figures::units::mass::pound;
    use rstest::rstest;
    use uom::si::length::foot;

    fn gal(n: f64) -> Volume {
        Volume::new::<us_gallon>(n)
    }

    fn inches(n: f64) -> Length {
        Length::new::<inch>(n)
    }

    /// Geometry with the gallon of 231 cubic inches (NIST Handbook 44).
    #[rstest]
    #[case(5.0, 30.0, 48.0, 0.802)]
    #[case(10.0, 24.0, 60.0, 1.604)]
    fn a_layer_is_as_deep_as_its_volume_over_the_base(
        #[case] gallons: f64,
        #[case] length: f64,
        #[case] width: f64,
        #[case] expected: f64,
    ) {
        let base = base_area(inches(length), inches(width)).unwrap();
        let found = depth(gal(gallons), base).unwrap().get::<inch>();
        assert!((found - expected).abs() < 0.0005, "{found}");
        assert!((water_to_depth(inches(found), base).unwrap().get::<us_gallon>() - gallons).abs() < 1e-9);
    }

    /// 231 cubic inches, by definition (NIST Handbook 44): 11 x 7 x 3 in.
    #[test]
    fn a_box_of_231_cubic_inches_holds_a_gallon() {
        let found = box_volume(inches(11.0), inches(7.0), inches(3.0)).unwrap().get::<us_gallon>();
        assert!((found - 1.0).abs() < 1e-12, "{found}");
        // The old wine gallon behind it: a cylinder 7 in across and 6 in high, 230.907 cubic inches.
        let wine = cylinder_volume(inches(7.0), inches(6.0)).unwrap().get::<us_gallon>() * 231.0;
        assert!((wine - 230.907).abs() < 0.0005, "{wine}");
    }

    /// Arithmetic: 40 gal at 5 gal a minute are 8 minutes.
    #[test]
    fn forty_gallons_at_five_a_minute_take_eight_minutes() {
        let flow = VolumeRate::new::<us_gallon_per_minute>(5.0);
        let time = |held, share| time_to_share(gal(40.0), gal(held), Ratio::new::<percent>(share), flow);
        assert!((time(0.0, 100.0).unwrap().get::<second>() - 480.0).abs() < 1e-9);
        assert!((time(10.0, 75.0).unwrap().get::<second>() - 240.0).abs() < 1e-9);
        let error = time(30.0, 75.0).unwrap_err().to_string();
        assert!(error.contains("30 gal are in it, 75 % is 30 gal"), "{error}");
    }

    #[test]
    fn a_lamp_tells_a_step_and_not_a_level() {
        let found = held(&TankFill::Lamps { lit: 2, of: 3 }, gal(30.0)).unwrap();
        assert!((found.least.get::<us_gallon>() - 20.0).abs() < 1e-9);
        assert!((found.most.get::<us_gallon>() - 30.0).abs() < 1e-9);
        assert!(held(&TankFill::Lamps { lit: 4, of: 3 }, gal(30.0)).is_err());
        assert!(held(&TankFill::Lamps { lit: 0, of: 0 }, gal(30.0)).is_err());
    }

    #[test]
    fn sight_share_and_count_say_how_much_is_in_the_tank() {
        let most = |level: TankFill| held(&level, gal(40.0)).unwrap().most.get::<us_gallon>();
        assert!((most(TankFill::Sight { depth: inches(3.0), height: inches(12.0) }) - 10.0).abs() < 1e-9);
        assert!((most(TankFill::Share(Ratio::new::<percent>(50.0))) - 20.0).abs() < 1e-9);
        assert!((most(TankFill::Counted(vec![(12, gal(0.5)), (4, gal(2.0))])) - 14.0).abs() < 1e-9);
        assert!((most(TankFill::Counted(vec![(200, gal(0.5))])) - 40.0).abs() < 1e-9);
        assert!(held(&TankFill::Share(Ratio::new::<percent>(101.0)), gal(40.0)).is_err());
        assert!(held(&TankFill::Sight { depth: inches(13.0), height: inches(12.0) }, gal(40.0)).is_err());
    }

    /// CRC Handbook: 998.203 kg/m³ at 20 C. The rule of 8.34 lb per gallon is within 0.2 %.
    #[test]
    fn forty_gallons_of_water_weigh_333_pounds() {
        let found = water_weight(gal(40.0)).unwrap().get::<pound>();
        assert!((found - 333.2).abs() < 0.1, "{found}");
        assert!((found / (40.0 * 8.34) - 1.0).abs() < 0.002);
    }

    #[test]
    fn absurd_measures_are_refused() {
        assert!(box_volume(Length::new::<foot>(30.0), inches(48.0), inches(10.0)).is_err());
        assert!(box_volume(inches(-30.0), inches(48.0), inches(10.0)).is_err());
        assert!(depth(gal(5.0), Area::default()).is_err());
        assert!(time_to_share(gal(0.0), gal(0.0), Ratio::new::<ratio>(0.5), VolumeRate::default()).is_err());
    }
}
