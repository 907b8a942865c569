//! Lists that a key lays over the rest of the screen, and which keys they take for themselves.

use crate::engine::input::Key;
use crate::engine::output::View;
use crate::screen::keys::{self, ScreenKey};
use crate::screen::labels::Labels;

/// A list that lies over the rest.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Panel {
    /// The emergency cards, to be picked by number.
    Cards,
    /// Every key.
    Keys,
}

/// What comes of a key: which list lies over the rest after it, and what is left of it for the run.
pub(super) fn pressed(open: Option<Panel>, key: ScreenKey, view: &View) -> (Option<Panel>, Option<ScreenKey>) {
    let wanted = match key {
        ScreenKey::Cards if view.cards.is_empty() => return (None, None),
        ScreenKey::Cards => Some(Panel::Cards),
        ScreenKey::Keys => Some(Panel::Keys),
        ScreenKey::Back => return (None, None),
        _ => None,
    };
    match (open, wanted, key) {
        (_, Some(wanted), _) => ((open != Some(wanted)).then_some(wanted), None),
        (Some(Panel::Cards), _, ScreenKey::Engine(Key::Choice(number))) => {
            // The key 0 is the tenth.
            let number = if number == 0 { 10 } else { number };
            match usize::from(number) <= view.cards.len() {
                true => (None, Some(ScreenKey::Engine(Key::Card(number)))),
                false => (open, None),
            }
        }
        // What lies under a list is not answered.
        (Some(_), _, ScreenKey::Engine(key)) if key.answers() || key == Key::ClockOver => (None, None),
        // Of several clocks the one beside which the key stands.
        (_, _, ScreenKey::Engine(Key::ClockOver)) => {
            let step = keys::guarded(view).and_then(|clock| clock.step);
            (None, step.map(|step| ScreenKey::Engine(Key::ClockOverOf(step))))
        }
        _ => (None, Some(key)),
    }
}

/// Title and lines of a list, in at most `width` cells.
pub(super) fn lines<'a>(panel: Panel, view: &View, labels: &'a Labels, width: usize) -> (&'a str, Vec<String>) {
    match panel {
        Panel::Cards => {
            let cards = view.cards.iter().zip(1..).map(|(card, number)| format!("{} {card}", number % 10));
            (&labels.cards, cards.chain([String::new(), labels.pick_a_card.clone()]).collect())
        }
        Panel::Keys => {
            let entries: Vec<String> =
                keys::help(view, &labels.keys).into_iter().map(|(key, what)| format!("{key} {what}")).collect();
            let longest = entries.iter().map(|entry| entry.chars().count()).max().unwrap_or(0) + GAP;
            let columns = ((width + GAP) / longest.max(1)).max(1);
            let rows = entries.len().div_ceil(columns).max(1);
            let line = |row: usize| -> String {
                let in_row = entries.iter().skip(row).step_by(rows);
                in_row.map(|entry| format!("{entry:longest$}")).collect::<String>().trim_end().to_owned()
            };
            (&labels.all_keys, (0..rows).map(line).collect())
        }
    }
}

const GAP: usize = 2;

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;
    use crate::engine::output::ClockView;

    fn engine(key: Key) -> ScreenKey {
        ScreenKey::Engine(key)
    }

    fn clock(step: usize, left_s: u64) -> ClockView {
        ClockView {
            step: Some(step),
            name: "rinse water".to_owned(),
            end: "water off".to_owned(),
            left: Duration::from_secs(left_s),
            length: Duration::from_secs(60),
            over: Duration::ZERO,
            hazard: true,
            alarming: left_s == 0,
        }
    }

    #[test]
    fn a_card_is_picked_by_its_number_and_nothing_that_lies_under_the_list_is_answered() {
        let view = View { cards: vec!["Fire".to_owned(), "Gas".to_owned()], ..View::default() };
        let open = Some(Panel::Cards);
        assert_eq!(pressed(None, ScreenKey::Cards, &view), (open, None));
        assert_eq!(pressed(open, engine(Key::Choice(2)), &view), (None, Some(engine(Key::Card(2)))));
        assert_eq!(pressed(open, engine(Key::Choice(3)), &view), (open, None), "there is none");
        for key in [Key::Confirm, Key::Other, Key::Skip, Key::Untested] {
            assert_eq!(pressed(open, engine(key), &view), (None, None), "{key:?}");
        }
        for key in [ScreenKey::Back, ScreenKey::Cards] {
            assert_eq!(pressed(open, key, &view), (None, None), "{key:?}");
        }
        // What stops counts at any time.
        for key in [engine(Key::Stop), ScreenKey::Quit] {
            assert_eq!(pressed(open, key, &view), (None, Some(key)));
        }
        assert_eq!(pressed(None, engine(Key::Choice(2)), &view), (None, Some(engine(Key::Choice(2)))));
        assert_eq!(pressed(None, ScreenKey::Cards, &View::default()), (None, None), "none to pick from");
    }

    #[test]
    fn one_key_ends_the_clock_beside_which_it_stands_and_without_one_does_nothing() {
        let view = View { clocks: vec![clock(3, 50), clock(9, 20)], ..View::default() };
        assert_eq!(
            pressed(None, engine(Key::ClockOver), &view),
            (None, Some(engine(Key::ClockOverOf(9)))),
            "of two the one that is over first"
        );
        let plain = ClockView { hazard: false, ..clock(3, 50) };
        let view = View { clocks: vec![plain], ..View::default() };
        assert_eq!(pressed(None, engine(Key::ClockOver), &view), (None, None));
    }
}
