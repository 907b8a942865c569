//! What a page shows of a view. Moments are sent, not what is left until then, so that a page without a link goes on counting and rings by itself.

use serde::Serialize;

use crate::engine::output::{ClockView, KeyGroup, View};
use crate::units::SessionTime;

/// What there is to see on a page. Two of them are equal as long as nothing but time has gone on.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Shown {
    /// The number of the question that the buttons answer.
    pub question: u64,
    /// Title of the routine.
    pub routine: String,
    /// Title of the section.
    pub section: String,
    /// Step number and count, from 1; 0 of 0 before the first.
    pub step: (usize, usize),
    /// Whose step it is; empty where nobody is named.
    pub who: String,
    /// What is said before the call; may be empty.
    pub caution: String,
    /// The short call of the step.
    pub call: String,
    /// The buttons that harm can come of: they have to be held.
    pub hold: Vec<KeyGroup>,
    /// What the first button answers; empty where it answers nothing.
    pub confirm: String,
    /// The same for the second.
    pub other: String,
    /// What is being picked from.
    pub choices: Vec<String>,
    /// What has been typed of a reading so far; nothing where none is asked for.
    pub typed: Option<String>,
    /// What the first button would enter of it ("110 psi"); empty where that makes no reading.
    pub enters: String,
    /// What the reading should be ("90 - 110 psi"); may be empty.
    pub bounds: String,
    /// What was said last, the newest last.
    pub said: Vec<String>,
    /// Titles of the emergency cards.
    pub cards: Vec<String>,
    /// The run is held: any screen may let it go on.
    pub standing_by: bool,
    /// Every clock that runs.
    pub clocks: Vec<ShownClock>,
    /// What was heard last.
    pub heard: String,
    /// What may be said.
    pub can_say: Vec<String>,
    /// The others: name, and what they are asked for.
    pub beside: Vec<(String, String)>,
    /// What is worth a line.
    pub notices: Vec<String>,
}

/// A clock on a page.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ShownClock {
    /// As it is said.
    pub name: String,
    /// What its button says; empty where it ends by itself.
    pub end: String,
    /// When its time is up, in milliseconds of the run.
    pub ends: u64,
    /// How long it runs in all, in milliseconds.
    pub length: u64,
    /// It guards a hazard.
    pub hazard: bool,
}

impl Shown {
    /// What a page shows of this view, which was taken at `now`; `standing_by` where the run is held.
    pub fn of(view: View, now: SessionTime, standing_by: bool) -> Self {
        Self {
            question: view.question,
            routine: view.routine,
            section: view.section,
            step: view.step,
            who: view.who,
            caution: view.caution,
            call: view.call,
            hold: view.hold,
            confirm: view.confirm_key,
            other: view.other_key,
            choices: view.choices,
            typed: view.typed,
            enters: view.enters,
            bounds: view.bounds,
            said: view.said,
            cards: view.cards,
            standing_by,
            clocks: view.clocks.iter().map(|clock| ShownClock::of(clock, now)).collect(),
            heard: view.last_heard,
            can_say: view.can_say,
            beside: view.beside,
            notices: view.notices,
        }
    }
}

impl ShownClock {
    fn of(clock: &ClockView, now: SessionTime) -> Self {
        let ms = |span: std::time::Duration| u64::try_from(span.as_millis()).unwrap_or(u64::MAX);
        Self {
            name: clock.name.clone(),
            end: clock.end.clone(),
            ends: (now.as_millis() + ms(clock.left)).saturating_sub(ms(clock.over)),
            length: ms(clock.length),
            hazard: clock.hazard,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;

    #[test]
    fn the_moment_at_which_a_clock_ends_stands_still_while_it_runs_and_after() {
        let at = |now: u64| {
            let (left, over) = (60_000_u64.saturating_sub(now), now.saturating_sub(60_000));
            let clock = ClockView {
                step: None,
                name: "rinse".to_owned(),
                end: "rinse off".to_owned(),
                left: Duration::from_millis(left),
                length: Duration::from_secs(60),
                over: Duration::from_millis(over),
                hazard: true,
                alarming: over > 0,
            };
            Shown::of(View { clocks: vec![clock], ..View::default() }, SessionTime::from_millis(now), false)
        };
        assert_eq!(at(0).clocks[0].ends, 60_000);
        assert_eq!(at(0), at(59_999));
        assert_eq!(at(0), at(61_234));
    }
}
