//! Screens of people's own: what they show, and their buttons, which somebody else's answer may have overtaken.

use std::cmp::Reverse;

use crate::conductor::core::{Conductor, Sight};
use crate::conductor::news::{Pressed, ScreenOf};
use crate::conductor::talk::TalkLine;
use crate::engine::input::{Input, Key};
use crate::engine::output::View;
use crate::server::protocol::{Button, PagePart};
use crate::server::shown::Shown;
use crate::units::SessionTime;

impl Conductor {
    /// What whoever looks at this screen sees, wherever they are asked: their own step.
    pub fn sight_of(&self, now: SessionTime, of: &ScreenOf) -> Sight {
        let name = self.who_looks(of);
        self.sight_with(now, self.engine.asked_where(&name), self.engine.view_of(now, &name))
    }

    /// What a page shows of it. One that only shows is told nothing of what to say, nor that it is not heard.
    pub fn shown_on(&self, now: SessionTime, of: &ScreenOf, part: PagePart) -> Shown {
        let mut view = self.sight_of(now, of).view;
        if part == PagePart::Screen {
            view.can_say.clear();
            let deaf = self.engine.microphone_lost();
            view.notices.retain(|notice| *notice != deaf);
        }
        Shown::of(view, now, self.engine.state().standing_by)
    }

    fn who_looks(&self, of: &ScreenOf) -> String {
        match of {
            ScreenOf::Person(name) => name.clone(),
            ScreenOf::Shared { station, people } => {
                let spoken_with = self.engine.spoken_with(*station).map(str::to_owned);
                spoken_with.or_else(|| people.first().cloned()).unwrap_or_default()
            }
        }
    }

    /// A button of a screen that may be behind: what answers, or ends a pause, counts only to the question that is being asked, of whom it is asked,
    /// and with the words that it would give now.
    pub(super) fn pressed(&mut self, now: SessionTime, pressed: &Pressed) {
        let name = self.who_looks(&pressed.of);
        let station = self.engine.asked_where(&name);
        let view = self.engine.view_of(now, &name);
        let current = view.question == pressed.question;
        let asked = match (current, self.engine.is_asked_for(station, &name)) {
            (false, _) => AskedNow::SomethingElse,
            (true, true) => AskedNow::This,
            (true, false) => AskedNow::ThisOfAnother,
        };
        match meant(pressed, &view, asked) {
            Some(key) => {
                self.talk(TalkLine::Key { at: now, key });
                self.tell(now, station, Input::KeyPressed(key));
            }
            None => self.talk(TalkLine::Stale { at: now, button: pressed.button }),
        }
    }
}

/// What is being asked where a button was pressed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum AskedNow {
    /// What the button was drawn for, of whoever pressed it.
    This,
    /// What it was drawn for, of somebody else who shares the place.
    ThisOfAnother,
    /// Another question than that.
    SomethingElse,
}

/// The key that a button stands for, where it still does.
fn meant(pressed: &Pressed, view: &View, now: AskedNow) -> Option<Key> {
    let words = pressed.words.as_str();
    let asked = now == AskedNow::This;
    let says = |now: &str| asked && !words.is_empty() && words == now;
    match pressed.button {
        Button::Confirm => says(&view.confirm_key).then_some(Key::Confirm),
        Button::Other => says(&view.other_key).then_some(Key::Other),
        Button::Choice => {
            let place = view.choices.iter().position(|choice| says(choice))?;
            u8::try_from(place + 1).ok().map(Key::Choice)
        }
        Button::Digit => {
            let digit = words.parse::<u8>().ok().filter(|digit| *digit < 10)?;
            (asked && view.typed.is_some()).then_some(Key::Choice(digit))
        }
        Button::DropDigit => (asked && view.typed.is_some()).then_some(Key::DropDigit),
        // An emergency is anybody's, whatever is being asked.
        Button::Card => {
            let place = view.cards.iter().position(|card| card == words)?;
            u8::try_from(place + 1).ok().map(Key::Card)
        }
        // Whoever sees it may end it, whatever is being asked; of two of one name the one that is over first.
        Button::ClockOver => {
            let named = view.clocks.iter().filter(|clock| clock.hazard && clock.name == words);
            named.min_by_key(|clock| (clock.left, Reverse(clock.over)))?.step.map(Key::ClockOverOf)
        }
        // Whoever waits may end a pause as well, but only the one that they saw.
        Button::GoAhead => (now != AskedNow::SomethingElse).then_some(Key::GoAhead),
        Button::Untested => asked.then_some(Key::Untested),
        Button::NotYet => asked.then_some(Key::NotYet),
        Button::NotHere => asked.then_some(Key::NotHere),
        Button::Correction => asked.then_some(Key::Correction),
        Button::Skip => asked.then_some(Key::Skip),
        // What holds the run, or only tells something, counts whenever it comes.
        Button::Stop => Some(Key::Stop),
        Button::StandBy => Some(Key::StandBy),
        Button::SayAgain => Some(Key::SayAgain),
        Button::Explain => Some(Key::Explain),
        Button::HowLong => Some(Key::HowLong),
        Button::WhatIsLeft => Some(Key::WhatIsLeft),
        Button::WhereAreWe => Some(Key::WhereAreWe),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::output::ClockView;
    use std::time::Duration;

    fn clock(step: usize, name: &str, left_s: u64, over_s: u64) -> ClockView {
        ClockView {
            step: Some(step),
            name: name.to_owned(),
            end: "water off".to_owned(),
            left: Duration::from_secs(left_s),
            length: Duration::from_secs(60),
            over: Duration::from_secs(over_s),
            hazard: true,
            alarming: left_s == 0,
        }
    }

    fn pressed(button: Button, words: &str) -> Pressed {
        Pressed { of: ScreenOf::Person("Rowan".to_owned()), button, question: 7, words: words.to_owned() }
    }

    #[test]
    fn the_button_of_a_clock_is_for_that_clock_and_of_two_of_one_name_for_the_one_that_is_over_first() {
        let plain = ClockView { hazard: false, ..clock(9, "soup", 0, 5) };
        let clocks = vec![clock(3, "fill", 20, 0), clock(5, "rinse", 0, 4), clock(6, "rinse", 0, 9), plain];
        let view = View { clocks, ..View::default() };
        let key = |words: &str| meant(&pressed(Button::ClockOver, words), &view, AskedNow::SomethingElse);
        assert_eq!(key("fill"), Some(Key::ClockOverOf(3)));
        assert_eq!(key("rinse"), Some(Key::ClockOverOf(6)));
        assert_eq!((key("soup"), key(""), key("water off")), (None, None, None));
    }

    #[test]
    fn a_digit_counts_where_a_reading_is_asked_for_and_nowhere_else() {
        let reading = View { typed: Some(String::new()), ..View::default() };
        let key = |view: &View, words: &str, asked: AskedNow| meant(&pressed(Button::Digit, words), view, asked);
        assert_eq!(key(&reading, "0", AskedNow::This), Some(Key::Choice(0)));
        assert_eq!(key(&reading, "7", AskedNow::SomethingElse), None);
        assert_eq!(
            (
                key(&reading, "10", AskedNow::This),
                key(&reading, "-1", AskedNow::This),
                key(&reading, "", AskedNow::This)
            ),
            (None, None, None)
        );
        assert_eq!(key(&View::default(), "7", AskedNow::This), None, "it would pick from what is offered");
    }

    #[test]
    fn a_button_without_words_answers_nothing() {
        for button in [Button::Confirm, Button::Other, Button::Choice] {
            assert_eq!(meant(&pressed(button, ""), &View::default(), AskedNow::This), None, "{button:?}");
        }
    }

    #[test]
    fn a_card_is_begun_by_its_title_whatever_is_being_asked() {
        let view = View { cards: vec!["Fire".to_owned(), "Gas".to_owned()], ..View::default() };
        let key = |words: &str| meant(&pressed(Button::Card, words), &view, AskedNow::SomethingElse);
        assert_eq!((key("Fire"), key("Gas")), (Some(Key::Card(1)), Some(Key::Card(2))));
        assert_eq!((key("Flood"), key("")), (None, None));
    }

    #[test]
    fn a_pause_is_ended_by_whoever_waits_as_well_and_an_answer_is_not_given_by_them() {
        let view = View { typed: Some("4".to_owned()), ..View::default() };
        let key = |button, asked| meant(&pressed(button, ""), &view, asked);
        for (button, as_key) in [(Button::DropDigit, Key::DropDigit), (Button::Untested, Key::Untested)] {
            assert_eq!(key(button, AskedNow::This), Some(as_key));
            assert_eq!(key(button, AskedNow::ThisOfAnother), None, "{button:?}");
        }
        assert_eq!(key(Button::GoAhead, AskedNow::ThisOfAnother), Some(Key::GoAhead));
        assert_eq!(key(Button::GoAhead, AskedNow::SomethingElse), None, "it would end a pause that nobody saw there");
    }
}
