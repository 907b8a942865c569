//! Which key means what, on the keyboard and in the list at the foot of the screen.

use std::cmp::Reverse;

use ratatui::crossterm::event::{KeyCode, KeyEvent, KeyEventKind, KeyModifiers};

use crate::engine::input::Key;
use crate::engine::output::{ClockView, View};
use crate::screen::labels::KeyLabels;

/// What a person did on the keyboard.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum ScreenKey {
    /// For the engine.
    Engine(Key),
    /// Show how a phone is let in, or hide it.
    Invite,
    /// Show the emergency cards to pick from, or hide them.
    Cards,
    /// Show every key, or hide them.
    Keys,
    /// Hide what stands over the rest.
    Back,
    /// Ctrl-C: end the program, and leave the run to be carried on later.
    Quit,
}

/// What `event` means; nothing for a key that has no meaning here, or is only let go or held down.
pub(super) fn meaning(event: KeyEvent) -> Option<ScreenKey> {
    // A key that is held down must not answer the next step as well. Not every terminal tells.
    if event.kind != KeyEventKind::Press {
        return None;
    }
    let letter = match event.code {
        KeyCode::Enter => return plain(event.modifiers, Key::Confirm),
        KeyCode::Backspace | KeyCode::Delete => return plain(event.modifiers, Key::DropDigit),
        KeyCode::Tab => return plain(event.modifiers, Key::NextPerson),
        KeyCode::Esc => return Some(ScreenKey::Back),
        KeyCode::Char(letter) => letter.to_ascii_lowercase(),
        _ => return None,
    };
    if letter == 'c' && event.modifiers.contains(KeyModifiers::CONTROL) {
        return Some(ScreenKey::Quit);
    }
    let screen = match letter {
        'p' => Some(ScreenKey::Invite),
        'm' => Some(ScreenKey::Cards),
        'i' => Some(ScreenKey::Keys),
        _ => None,
    };
    if screen.is_some() {
        return screen.filter(|_| (event.modifiers - KeyModifiers::SHIFT).is_empty());
    }
    let key = match letter {
        ' ' => Key::Confirm,
        'o' => Key::Other,
        'a' => Key::SayAgain,
        'e' => Key::Explain,
        'h' => Key::HowLong,
        'l' => Key::WhatIsLeft,
        'w' => Key::WhereAreWe,
        '?' => Key::WhatCanIAnswer,
        's' => Key::StandBy,
        'b' => Key::Rest,
        'g' => Key::GoAhead,
        'n' => Key::NotYet,
        'z' => Key::NotHere,
        'v' => Key::Untested,
        'f' => Key::ClockOver,
        'u' => Key::WhatIsOut,
        'c' => Key::Correction,
        'k' => Key::Skip,
        'x' => Key::Stop,
        'q' => Key::EndRun,
        // With and without shift, as the two lie on one key of common keyboards.
        '+' | '=' => Key::Louder,
        '-' | '_' => Key::Quieter,
        '<' | ',' => Key::Slower,
        '>' | '.' => Key::Faster,
        't' => Key::Note,
        'r' => Key::AreWeReady,
        'd' => Key::AreWeOnTime,
        // Nought is no choice, but a digit of a reading.
        '0'..='9' => Key::Choice(letter as u8 - b'0'),
        _ => return None,
    };
    plain(event.modifiers, key)
}

/// The keys that mean something now, the most needed first: the key's name, and what it does.
pub(super) fn help(view: &View, labels: &KeyLabels) -> Vec<(String, String)> {
    let end = guarded(view).map(|clock| clock.end.as_str()).unwrap_or_default();
    let typed = view.typed.as_deref().is_some_and(|typed| !typed.is_empty());
    let only = |shown: bool, label: &str| if shown { label.to_owned() } else { String::new() };
    let now = [
        (labels.enter.as_str(), view.confirm_key.clone()),
        ("o", view.other_key.clone()),
        (CLOCK_OVER, end.to_owned()),
        (labels.backspace.as_str(), only(typed, &labels.drop_digit)),
        (labels.tab.as_str(), only(!view.beside.is_empty(), &labels.next_person)),
        ("m", only(!view.cards.is_empty(), &labels.cards)),
    ];
    let always = [
        ("x", &labels.stop),
        ("i", &labels.all_keys),
        ("a", &labels.say_again),
        ("?", &labels.what_can_i_answer),
        ("e", &labels.explain),
        ("h", &labels.how_long),
        ("n", &labels.not_yet),
        ("c", &labels.correction),
        ("k", &labels.skip),
        ("z", &labels.not_here),
        ("v", &labels.untested),
        ("s", &labels.stand_by),
        ("b", &labels.rest),
        ("g", &labels.go_ahead),
        ("l", &labels.what_is_left),
        ("w", &labels.where_are_we),
        ("+", &labels.louder),
        ("-", &labels.quieter),
        ("<", &labels.slower),
        (">", &labels.faster),
        ("t", &labels.note),
        ("r", &labels.are_we_ready),
        ("d", &labels.are_we_on_time),
        ("q", &labels.end_run),
        ("u", &labels.what_is_out),
        ("p", &labels.phones),
    ];
    let now = now.into_iter().filter(|(_, meaning)| !meaning.is_empty());
    let always = always.into_iter().map(|(key, meaning)| (key, meaning.clone()));
    now.chain(always).map(|(key, meaning)| (key.to_owned(), meaning)).collect()
}

/// The clock that the key for it ends: of those that guard a hazard the one that is over first.
pub(super) fn guarded(view: &View) -> Option<&ClockView> {
    let hazards = view.clocks.iter().filter(|clock| clock.hazard && clock.step.is_some() && !clock.end.is_empty());
    hazards.min_by_key(|clock| (clock.left, Reverse(clock.over)))
}

/// The key that ends the clock beside which it stands.
pub(super) const CLOCK_OVER: &str = "f";

/// A key counts only without Ctrl or Alt; shift makes no difference.
fn plain(modifiers: KeyModifiers, key: Key) -> Option<ScreenKey> {
    (modifiers - KeyModifiers::SHIFT).is_empty().then_some(ScreenKey::Engine(key))
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;
    use crate::screen::labels::Labels;

    fn press(code: KeyCode, modifiers: KeyModifiers) -> Option<ScreenKey> {
        meaning(KeyEvent::new(code, modifiers))
    }

    #[test]
    fn every_key_of_the_list_at_the_foot_does_something_else_and_none_is_missing() {
        let labels = Labels::parse(include_str!("../../prompts/phrases/screen.toml")).expect("sound phrases");
        let clock = ClockView {
            step: Some(3),
            name: "rinse water".to_owned(),
            end: "water off".to_owned(),
            left: Duration::ZERO,
            length: Duration::from_secs(60),
            over: Duration::ZERO,
            hazard: true,
            alarming: true,
        };
        let view = View {
            confirm_key: "closed".to_owned(),
            other_key: "open".to_owned(),
            clocks: vec![clock],
            typed: Some("1".to_owned()),
            beside: vec![("Imre".to_owned(), "Hose?".to_owned())],
            cards: vec!["Fire".to_owned()],
            ..View::default()
        };
        let mut found = std::collections::HashSet::new();
        for (name, _) in help(&view, &labels.keys) {
            let code = match name.as_str() {
                "Enter" => KeyCode::Enter,
                "Tab" => KeyCode::Tab,
                "Backspace" => KeyCode::Backspace,
                name => KeyCode::Char(name.chars().next().expect("a letter")),
            };
            let key = press(code, KeyModifiers::NONE).unwrap_or_else(|| panic!("{name} does nothing"));
            assert!(found.insert(key), "{name} does the same as another");
        }
        // All keys but the choices, which are listed where they are to be made.
        assert_eq!(found.len(), 32);
        let quiet = help(&View::default(), &labels.keys);
        assert!(quiet.iter().all(|(key, _)| !["Enter", "o", "f", "m", "Tab", "Backspace"].contains(&key.as_str())));
    }

    #[test]
    fn shift_and_capitals_make_no_difference_but_ctrl_and_alt_do() {
        let skip = Some(ScreenKey::Engine(Key::Skip));
        assert_eq!(press(KeyCode::Char('K'), KeyModifiers::SHIFT), skip);
        assert_eq!(press(KeyCode::Char('k'), KeyModifiers::NONE), skip);
        for modifier in [KeyModifiers::CONTROL, KeyModifiers::ALT, KeyModifiers::SUPER] {
            assert_eq!(press(KeyCode::Char('k'), modifier), None);
            assert_eq!(press(KeyCode::Enter, modifier), None);
        }
        assert_eq!(press(KeyCode::Char('c'), KeyModifiers::CONTROL), Some(ScreenKey::Quit));
    }

    #[test]
    fn a_key_that_is_held_down_or_let_go_answers_nothing() {
        for kind in [KeyEventKind::Repeat, KeyEventKind::Release] {
            assert_eq!(meaning(KeyEvent::new_with_kind(KeyCode::Enter, KeyModifiers::NONE, kind)), None);
        }
    }

    #[test]
    fn digits_pick_choices_and_type_readings() {
        assert_eq!(press(KeyCode::Char('1'), KeyModifiers::NONE), Some(ScreenKey::Engine(Key::Choice(1))));
        assert_eq!(press(KeyCode::Char('9'), KeyModifiers::NONE), Some(ScreenKey::Engine(Key::Choice(9))));
        assert_eq!(press(KeyCode::Char('0'), KeyModifiers::NONE), Some(ScreenKey::Engine(Key::Choice(0))));
    }
}
