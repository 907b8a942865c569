//! The flow of the tap, from the time that a bucket took, and the clocks that follow from it.
//!
//! Only what was recorded counts: a run that is taken up again reckons the same.

use std::time::Duration;

use uom::si::area::square_inch;
use uom::si::f64::{Area, Ratio, Time, Volume, VolumeRate};
use uom::si::length::inch;
use uom::si::ratio::{percent, ratio};
use uom::si::time::second;

use super::dialogue::split_answer;
use super::joined::Move;
use super::phrasebook::{Phrasebook, Word};
use crate::figures::clocks::{LayerInputs, RinseInputs, layer_clock, rinse_clock};
use crate::figures::flow::by_bucket;
use crate::figures::units::flow::us_gallon_per_minute;
use crate::figures::units::volume::us_gallon;
use crate::routine::{Answer, AsBuilt, ClockAnswer, Reckoned, ReckonedClock, StepIndex};

/// What came of measuring the tap.
#[derive(Clone, Debug, PartialEq)]
pub enum TapMeasured {
    /// Gallons a minute, as it is said.
    Flow(String),
    /// No tap gives that, or the clocks that would follow could not be kept: the usual times stay.
    Unusable,
}

/// Takes the time that the bucket of `step` took, and reckons the clocks that come after it in the same routine. `None` for a
/// clock that measures nothing.
pub fn reckon(job: &mut Move, book: &Phrasebook, step: StepIndex, ran: Duration) -> Option<TapMeasured> {
    let Answer::Clock(ClockAnswer { fills_gal: Some(gallons), .. }) = &job.step(step).answer else { return None };
    let bucket = Volume::new::<us_gallon>(f64::from(*gallons));
    // What was measured before is measured anew, and holds no longer.
    put_back(job, step);
    let Ok(measured) = by_bucket(bucket, Time::new::<second>(ran.as_secs_f64())) else {
        return Some(TapMeasured::Unusable);
    };
    let flow = measured.flow;
    // It may give more than was measured by so much: the tank is filled the less by it.
    let give = 1.0 + measured.give.get::<ratio>();
    let shown = counted(flow.get::<us_gallon_per_minute>(), book.word(Word::Gallon), book.word(Word::Gallons));
    let part = job.parts[job.part_of(step)].steps.clone();
    // What the last dump left in: no more than runs in during the layer's own time.
    let layer = part.clone().find_map(|step| match &job.step(step).answer {
        Answer::Clock(ClockAnswer { reckoned: Some(Reckoned { clock: ReckonedClock::Layer, owner, .. }), .. }) => {
            Some(*owner)
        }
        _ => None,
    });
    let held = flow * Time::new::<second>(layer.unwrap_or_default().as_secs_f64());
    let mut changed = Vec::new();
    for later in part.filter(|&later| later > step) {
        let Answer::Clock(clock) = &job.step(later).answer else { continue };
        let Some(reckoned) = &clock.reckoned else { continue };
        let Some((length, depth)) = length(reckoned, flow, held, give) else { return Some(TapMeasured::Unusable) };
        let told = |depth| counted(depth, book.word(Word::Inch), book.word(Word::Inches));
        let depth = depth.map_or_else(String::new, |depth| reckoned.depth.replace("{depth}", &told(depth)));
        let fill = |text: &str| {
            let text = text.replace("{time}", &book.span(length)).replace("{flow}", &shown).replace("{depth}", &depth);
            text.split_whitespace().collect::<Vec<_>>().join(" ")
        };
        changed.push((later, length, fill(&reckoned.call), fill(&reckoned.started)));
    }
    for (later, length, call, started) in changed {
        let step = &mut job.routine.steps[later];
        let start = step.answer.phrases().first().map(|start| start.to_vec()).unwrap_or_default();
        let usual_call = std::mem::replace(&mut step.call, call);
        let short = split_answer(&step.call, &start).0.trim().to_owned();
        let usual_short = std::mem::replace(&mut step.short, short);
        if let Answer::Clock(clock) = &mut step.answer {
            let usual = AsBuilt {
                length: std::mem::replace(&mut clock.length, length),
                call: usual_call,
                short: usual_short,
                started: std::mem::replace(&mut clock.started, started),
            };
            if let Some(reckoned) = &mut clock.reckoned {
                reckoned.usual = Some(Box::new(usual));
            }
        }
    }
    Some(TapMeasured::Flow(shown))
}

/// The clocks that come after the bucket of `step` run their usual times again.
fn put_back(job: &mut Move, step: StepIndex) {
    let part = job.parts[job.part_of(step)].steps.clone();
    for later in &mut job.routine.steps[step + 1..part.end] {
        let Answer::Clock(clock) = &mut later.answer else { continue };
        let Some(reckoned) = &mut clock.reckoned else { continue };
        let Some(usual) = reckoned.usual.take() else { continue };
        (later.call, later.short) = (usual.call, usual.short);
        (clock.started, clock.length) = (usual.started, usual.length);
    }
}

/// How long it runs, and how deep that is in inches where the floor is known.
fn length(reckoned: &Reckoned, flow: VolumeRate, held: Volume, give: f64) -> Option<(Duration, Option<f64>)> {
    let tank = Some(Volume::new::<us_gallon>(f64::from(reckoned.tank_gal)));
    let share = Ratio::new::<percent>(f64::from(reckoned.share_percent) / give);
    match reckoned.clock {
        ReckonedClock::Rinse => {
            let inputs = RinseInputs { tank, held, flow: Some(flow), share, owner: Some(reckoned.owner) };
            rinse_clock(&inputs).ok().map(|clock| (clock.runs, None))
        }
        ReckonedClock::Layer => {
            let base = (reckoned.floor_sqin > 0).then(|| Area::new::<square_inch>(f64::from(reckoned.floor_sqin)));
            let inputs = LayerInputs { base, flow: Some(flow), wanted: None, owner: Some(reckoned.owner), tank, share };
            layer_clock(&inputs).ok().map(|clock| (clock.runs, clock.depth.map(|depth| depth.get::<inch>())))
        }
    }
}

/// With one place behind the point, without one that says nothing, and its unit: "6.7 gallons", "5 gallons", "1 gallon".
fn counted(value: f64, one: &str, many: &str) -> String {
    let text = format!("{value:.1}");
    let text = text.strip_suffix(".0").unwrap_or(&text);
    format!("{text} {}", if text == "1" { one } else { many })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[rstest::rstest]
    #[case(0.0, "0 gallons")]
    #[case(0.8, "0.8 gallons")]
    #[case(0.96, "1 gallon")]
    #[case(1.0, "1 gallon")]
    #[case(1.04, "1 gallon")]
    #[case(1.06, "1.1 gallons")]
    #[case(6.667, "6.7 gallons")]
    #[case(11.0, "11 gallons")]
    fn one_is_one_of_a_thing_and_everything_else_many(#[case] value: f64, #[case] said: &str) {
        assert_eq!(counted(value, "gallon", "gallons"), said);
    }
}
