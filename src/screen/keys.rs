//! Which key means what, on the keyboard and in the list at the foot of the screen.

use ratatui::crossterm::event::{KeyCode, KeyEvent, KeyEventKind, KeyModifiers};

use crate::engine::input::Key;
use crate::engine::output::View;
use crate::screen::labels::KeyLabels;

/// What a person did on the keyboard.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ScreenKey {
    /// For the engine.
    Engine(Key),
    /// Show how a phone is let in, or hide it.
    Invite,
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
        KeyCode::Char(letter) => letter.to_ascii_lowercase(),
        _ => return None,
    };
    if letter == 'c' && event.modifiers.contains(KeyModifiers::CONTROL) {
        return Some(ScreenKey::Quit);
    }
    if letter == 'p' && (event.modifiers - KeyModifiers::SHIFT).is_empty() {
        return Some(ScreenKey::Invite);
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
    let answers = [(labels.enter.as_str(), &view.confirm_key), ("o", &view.other_key)];
    let others = [
        ("x", &labels.stop),
        ("a", &labels.say_again),
        ("?", &labels.what_can_i_answer),
        ("e", &labels.explain),
        ("h", &labels.how_long),
        ("n", &labels.not_yet),
        ("c", &labels.correction),
        ("k", &labels.skip),
        ("z", &labels.not_here),
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
    ];
    answers
        .into_iter()
        .filter(|(_, meaning)| !meaning.is_empty())
        .chain(others)
        .map(|(key, meaning)| (key.to_owned(), meaning.clone()))
        .collect()
}

/// A key counts only without Ctrl or Alt; shift makes no difference.
fn plain(modifiers: KeyModifiers, key: Key) -> Option<ScreenKey> {
    (modifiers - KeyModifiers::SHIFT).is_empty().then_some(ScreenKey::Engine(key))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::screen::labels::Labels;

    fn press(code: KeyCode, modifiers: KeyModifiers) -> Option<ScreenKey> {
        meaning(KeyEvent::new(code, modifiers))
    }

    #[test]
    fn every_key_of_the_list_at_the_foot_does_something_else_and_none_is_missing() {
        let labels = Labels::parse(include_str!("../../prompts/phrases/screen.toml")).expect("sound phrases");
        let view = View { confirm_key: "closed".to_owned(), other_key: "open".to_owned(), ..View::default() };
        let mut found = std::collections::HashSet::new();
        for (name, _) in help(&view, &labels.keys) {
            let mut letters = name.chars();
            let code = match (letters.next(), letters.next()) {
                (Some(letter), None) => KeyCode::Char(letter),
                _ => KeyCode::Enter,
            };
            let Some(ScreenKey::Engine(key)) = press(code, KeyModifiers::NONE) else { panic!("{name} does nothing") };
            assert!(found.insert(key), "{name} does the same as another");
        }
        // All keys but the choices, which are listed where they are to be made.
        assert_eq!(found.len(), 25);
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
