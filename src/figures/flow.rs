//! The flow of a tap, from the time it takes to fill a known bucket.

use uom::si::f64::{Ratio, Time, Volume, VolumeRate};
use uom::si::ratio::ratio;
use uom::si::time::second;

use super::Method;
use super::error::{FigureError, within};
use super::units::flow::us_gallon_per_minute;
use super::units::volume::us_gallon;

/// Flow by bucket and watch.
pub const BUCKET: Method = Method {
    formula: "flow = bucket / time to fill it; within (1 s / time)",
    source: "volumetric method: Buchanan & Somers 1969, Techniques of Water-Resources Investigations of the US Geological Survey, book 3, A8 (from memory); the second is for saying \"start\" and \"full\" (no source)",
    caution: "It holds for this tap, this hose and this hour. Measure again at the next site.",
};

/// A measured flow.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MeasuredFlow {
    pub flow: VolumeRate,
    /// By what share it may be off, to both sides, from timing by voice.
    pub give: Ratio,
}

/// The flow that fills a bucket in a time. See [`BUCKET`]. Range: bucket 0.25 to 55 gal (0.95 to 208 L), 5 s to 1 h, and a
/// flow of 0.05 to 30 gpm (0.19 to 114 L/min): a garden tap gives 2 to 15 gpm.
///
/// # Errors
/// A bucket, a time or a flow outside its range; below 5 s nobody can time it.
pub fn by_bucket(bucket: Volume, time: Time) -> Result<MeasuredFlow, FigureError> {
    within("bucket", bucket.get::<us_gallon>(), 0.25..=55.0, "gal")?;
    within("time to fill the bucket", time.get::<second>(), 5.0..=3_600.0, "s")?;
    let flow = plausible(bucket / time)?;
    Ok(MeasuredFlow { flow, give: Ratio::new::<ratio>(TIMED_WITHIN_S / time.get::<second>()) })
}

pub(super) fn plausible(flow: VolumeRate) -> Result<VolumeRate, FigureError> {
    within("flow", flow.get::<us_gallon_per_minute>(), 0.05..=30.0, "gpm")?;
    Ok(flow)
}

const TIMED_WITHIN_S: f64 = 1.0;

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    /// Agency field method: 5 gal in 60 s are 5.0 gpm, in 45 s 6.67 gpm.
    #[rstest]
    #[case(5.0, 60.0, 5.0)]
    #[case(5.0, 45.0, 6.67)]
    fn a_bucket_and_a_watch_give_the_flow(#[case] gallons: f64, #[case] seconds: f64, #[case] gpm: f64) {
        let found = by_bucket(Volume::new::<us_gallon>(gallons), Time::new::<second>(seconds)).unwrap();
        assert!((found.flow.get::<us_gallon_per_minute>() - gpm).abs() < 0.005, "{found:?}");
        assert!((found.give.value - 1.0 / seconds).abs() < 1e-12);
    }

    #[rstest]
    #[case::too_short_to_time(1.0, 2.0)]
    #[case::no_bucket(0.0, 60.0)]
    #[case::more_than_a_garden_tap_gives(5.0, 5.5)]
    #[case::a_drip(0.25, 3_600.0)]
    #[case::backwards(5.0, -60.0)]
    fn what_no_tap_does_is_refused(#[case] gallons: f64, #[case] seconds: f64) {
        assert!(by_bucket(Volume::new::<us_gallon>(gallons), Time::new::<second>(seconds)).is_err());
    }
}
