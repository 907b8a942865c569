//! What the screen looks like, at three sizes; what it never does, at all sizes.

use std::io::Write;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use crate::screen_support::{
    alarm, can_be_read, choices, clock, clock_running, drawn, labels, meters, no_microphone, prompt, strings, text,
};
use proptest::prelude::*;
use ratatui::Terminal;
use ratatui::backend::{CrosstermBackend, TestBackend};
use ratatui::style::Color;
use ratatui::{TerminalOptions, Viewport};
use sparehand::engine::output::{ClockView, View};
use sparehand::screen::{Ink, Meters, Microphone, Overlay, SoundActivity, ViewStyle};

#[test]
fn each_view_looks_as_it_was_judged_to_look() {
    let (deaf_view, deaf) = no_microphone();
    for (name, view, meters) in [
        ("prompt", prompt(), meters()),
        ("clock_running", clock_running(), meters()),
        ("alarm", alarm(), Meters { activity: SoundActivity::SpeakingAndListening, ..meters() }),
        ("choices", choices(), meters()),
        ("no_microphone", deaf_view, deaf),
    ] {
        for (width, height) in [(80, 24), (120, 40), (40, 12)] {
            insta::assert_snapshot!(
                format!("{name}_{width}x{height}"),
                text(&drawn(&view, &meters, Ink::Colours, width, height))
            );
        }
    }
}

#[test]
fn a_call_of_sixty_letters_with_caution_and_a_clock_is_in_large_letters_at_eighty_by_twenty_four() {
    let call = "Close the black valve all the way, then say valve closed now";
    let view = View { call: call.to_owned(), ..clock_running() };
    let buffer = drawn(&view, &meters(), Ink::Colours, 80, 24);
    assert!(!text(&buffer).contains("valve all"), "in ordinary letters:\n{}", text(&buffer));
    assert!(can_be_read(call, &buffer), "{}", text(&buffer));
}

/// What a beginner is told by keys alone, where the machine has neither ear nor mouth.
fn told_by_keys() -> (View, Meters) {
    let said = "Right. Now the gray valve. Look along the pipe for the smaller handle; it is the one nearer to the kitchen. Push it \
                all the way in until it stops. It is closed when the handle lies against the pipe. Say: gray closed, or gray open.";
    let view = View {
        call: "Gray valve?".to_owned(),
        said: vec!["Gloves on.".to_owned(), said.to_owned()],
        notices: strings([
            "I cannot hear. The keys still work, and every clock runs on.",
            "I cannot speak, and no alarm sounds.",
        ]),
        ..prompt()
    };
    (view, no_microphone().1)
}

/// The words that stand between the mark and what comes after, whatever lines they are in.
fn said_on(shown: &str) -> String {
    shown.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn what_was_said_last_stands_whole_below_the_call_in_large_letters() {
    let (view, meters) = told_by_keys();
    for (width, height) in [(80, 24), (120, 40)] {
        let buffer = drawn(&view, &meters, Ink::Colours, width, height);
        let shown = text(&buffer);
        assert!(said_on(&shown).contains(&format!("SAID: {}", view.said[1])), "{width}x{height}\n{shown}");
        assert!(!shown.contains("Gray valve?") && can_be_read(&view.call, &buffer), "{width}x{height}\n{shown}");
    }
    // Where there is room for one of them, the words come before large letters.
    let shown = text(&drawn(&view, &meters, Ink::Colours, 60, 16));
    assert!(said_on(&shown).contains(&format!("SAID: {}", view.said[1])), "{shown}");
    assert!(shown.contains("Gray valve?"), "{shown}");
    // And where there is room for neither, it shows that there is more.
    let shown = text(&drawn(&view, &meters, Ink::Colours, 40, 12));
    assert!(shown.contains("Gray valve?") && shown.contains("SAID: Right.") && shown.contains("..."), "{shown}");
}

#[test]
fn what_was_said_before_is_shown_where_there_is_room_and_nothing_twice() {
    let (mut view, meters) = told_by_keys();
    let shown = text(&drawn(&view, &meters, Ink::Colours, 120, 40));
    let (before, last) = (shown.find("SAID: Gloves on.").unwrap(), shown.find("SAID: Right.").unwrap());
    assert!(before < last, "{shown}");
    view.said = strings(["Shut the tap.", "Shut the tap.", "Shut the tap."]);
    let shown = text(&drawn(&view, &meters, Ink::Colours, 120, 40));
    assert_eq!(shown.matches("Shut the tap.").count(), 1, "{shown}");
    view.said = vec!["Gray valve? Say: gray closed.".to_owned(), view.notices[0].clone()];
    let shown = text(&drawn(&view, &meters, Ink::Colours, 80, 24));
    assert_eq!(shown.matches("I cannot hear").count(), 1, "{shown}");
    assert!(shown.contains("SAID: Gray valve?"), "what asks is not pushed out by what stands there anyhow:\n{shown}");
    view.said = strings(["Shut the tap."]);
    view.call = "Shut the tap.".to_owned();
    let shown = text(&drawn(&view, &meters, Ink::Colours, 40, 12));
    assert_eq!(shown.matches("Shut the tap.").count(), 1, "{shown}");
}

#[test]
fn nobody_is_told_to_say_anything_where_nothing_hears() {
    let (view, meters) = no_microphone();
    let shown = text(&drawn(&view, &meters, Ink::Colours, 80, 24));
    assert!(!shown.contains("SAY:") && shown.contains("Enter valve closed"), "{shown}");
}

#[test]
fn a_microphone_that_gives_nothing_is_told_in_words() {
    let silent = Meters { microphone: Microphone::GivesNothing, ..meters() };
    for (width, height) in [(80, 24), (60, 20)] {
        let shown = text(&drawn(&prompt(), &silent, Ink::Colours, width, height));
        let told = "MICROPHONE GIVES NOTHING - switch it on, take its mute off, or use the keys";
        assert!(said_on(&shown).contains(told), "{width}x{height}\n{shown}");
    }
}

#[test]
fn a_reading_shows_its_digits_with_the_call_and_what_it_should_be() {
    let call = "Left front tire?";
    let reading = |typed: &str| View {
        call: call.to_owned(),
        typed: Some(typed.to_owned()),
        bounds: "90 - 120 psi".to_owned(),
        ..prompt()
    };
    for (typed, backspace) in [("", false), ("110", true)] {
        for (width, height) in [(80, 24), (60, 20), (40, 12)] {
            let buffer = drawn(&reading(typed), &meters(), Ink::Colours, width, height);
            let shown = text(&buffer);
            assert!(can_be_read(&format!("{call} {typed}_"), &buffer), "{width}x{height}\n{shown}");
            assert!(shown.contains("should be 90 - 120 psi"), "{width}x{height}\n{shown}");
            if height > 12 {
                assert_eq!(shown.contains("Backspace"), backspace, "{width}x{height}\n{shown}");
            }
        }
    }
}

#[test]
fn the_key_that_ends_a_clock_stands_beside_it_from_its_first_second() {
    let mut running = clock_running();
    running.clocks[0] = ClockView { step: Some(3), end: "rinse off".to_owned(), ..running.clocks[0].clone() };
    let mut ended = alarm();
    ended.clocks[1] = ClockView { step: Some(3), end: "rinse off".to_owned(), ..ended.clocks[1].clone() };
    for view in [running, ended] {
        for (width, height) in [(80, 24), (60, 20), (120, 40)] {
            let shown = text(&drawn(&view, &meters(), Ink::Colours, width, height));
            assert!(shown.contains("black tank rinse: f rinse off"), "{width}x{height}\n{shown}");
        }
    }
}

#[test]
fn the_cards_are_listed_with_the_numbers_that_pick_them_and_every_key_with_what_it_does() {
    let cards = strings(["In case of fire", "If you smell gas", "Somebody is hurt"]);
    let view = View { cards, ..prompt() };
    let style = ViewStyle::new(labels(), Ink::Colours);
    let mut terminal = Terminal::new(TestBackend::new(60, 20)).unwrap();
    terminal.draw(|frame| style.list_cards(&view, frame.area(), frame.buffer_mut())).unwrap();
    let shown = text(terminal.backend().buffer());
    for line in ["EMERGENCY CARDS", "1 In case of fire", "2 If you smell gas", "3 Somebody is hurt", "Press its number"]
    {
        assert!(shown.contains(line), "{shown}");
    }
    for (width, height) in [(60, 20), (80, 24), (120, 40)] {
        let mut terminal = Terminal::new(TestBackend::new(width, height)).unwrap();
        terminal.draw(|frame| style.list_keys(&view, frame.area(), frame.buffer_mut())).unwrap();
        let shown = text(terminal.backend().buffer());
        for line in ["Enter valve closed", "m emergency", "v cannot be tested", "q end the run", "p phones"] {
            assert!(shown.contains(line), "{width}x{height}\n{shown}");
        }
    }
}

#[test]
fn a_code_that_does_not_fit_gives_way_to_the_address_whole() {
    let address = "192.168.1.20:8443/#k=788f11095d0dd3aabbccddeeff001122";
    let lines = (0..21).map(|row| format!("{}  scan this {row}", "\u{2588}".repeat(41))).collect();
    let over = Overlay { lines, instead: strings([address, "p: hide this"]) };
    let style = ViewStyle::new(labels(), Ink::Colours);
    let shown = |width, height| {
        let mut terminal = Terminal::new(TestBackend::new(width, height)).unwrap();
        terminal.draw(|frame| style.lay_over(&over, frame.area(), frame.buffer_mut())).unwrap();
        text(terminal.backend().buffer())
    };
    assert!(shown(80, 24).contains("scan this 20") && !shown(80, 24).contains("8443"));
    for (width, height) in [(60, 20), (40, 12), (80, 20)] {
        let shown = shown(width, height);
        assert!(!shown.contains('\u{2588}') && shown.contains("p: hide this"), "{width}x{height}\n{shown}");
        assert!(said_on(&shown).contains("needs a window of 55 by 21"), "{width}x{height}\n{shown}");
        assert!(shown.split_whitespace().collect::<String>().contains(address), "{width}x{height}\n{shown}");
    }
}

#[test]
fn a_clock_says_in_words_what_its_colour_says() {
    for ink in [Ink::Colours, Ink::Plain] {
        for (width, height) in [(80, 24), (40, 12), (40, 8), (200, 60)] {
            let shown = text(&drawn(&clock_running(), &meters(), ink, width, height));
            assert!(shown.contains("RUNNING") && !shown.contains("TIME IS UP"), "{width}x{height}\n{shown}");
            let shown = text(&drawn(&alarm(), &meters(), ink, width, height));
            assert!(shown.contains("TIME IS UP"), "{width}x{height}\n{shown}");
        }
    }
}

#[test]
fn a_clock_shows_zero_only_when_its_time_is_up() {
    let mut view = clock_running();
    view.clocks[0].left = Duration::from_millis(1);
    let shown = text(&drawn(&view, &meters(), Ink::Colours, 40, 12));
    assert!(shown.contains("0:01") && shown.contains("RUNNING"), "{shown}");
}

#[test]
fn the_meaning_of_the_keys_that_answer_is_shown() {
    let shown = text(&drawn(&prompt(), &meters(), Ink::Colours, 80, 24));
    assert!(shown.contains("Enter valve closed") && shown.contains("o valve open"), "{shown}");
}

#[test]
fn without_colours_no_cell_has_one_and_marks_are_still_told_apart() {
    let buffer = drawn(&alarm(), &meters(), Ink::Plain, 80, 24);
    assert!(buffer.content().iter().all(|cell| cell.fg == Color::Reset && cell.bg == Color::Reset));
    assert!(buffer.content().iter().any(|cell| !cell.modifier.is_empty()));
    let buffer = drawn(&alarm(), &meters(), Ink::Colours, 80, 24);
    assert!(buffer.content().iter().all(|cell| cell.bg != Color::Reset), "the whole ground is ours");
}

/// The bytes that a terminal would get. Colour sequences are SGR 30-38, 40-48, 90-107 and the default colours 39 and 49
/// (ECMA-48 8.3.117).
#[test]
fn without_colours_the_terminal_gets_no_colour_sequence_at_all() {
    let plain = bytes(Ink::Plain);
    assert!(!has_colour(&plain), "{plain:?}");
    assert!(has_colour(&bytes(Ink::Colours)), "the test can see colours");
}

fn bytes(ink: Ink) -> String {
    ratatui::crossterm::style::force_color_output(ink == Ink::Colours);
    let sink = Sink::default();
    let area = ratatui::layout::Rect::new(0, 0, 80, 24);
    let options = TerminalOptions { viewport: Viewport::Fixed(area) };
    let mut terminal = Terminal::with_options(CrosstermBackend::new(sink.clone()), options).unwrap();
    let style = ViewStyle::new(labels(), ink);
    terminal.draw(|frame| style.draw(&alarm(), &meters(), frame.area(), frame.buffer_mut())).unwrap();
    let bytes = sink.0.lock().unwrap().clone();
    String::from_utf8(bytes).unwrap()
}

fn has_colour(bytes: &str) -> bool {
    bytes.split("\u{1b}[").skip(1).any(|sequence| {
        let end = sequence.find(|c: char| c.is_ascii_alphabetic()).unwrap_or(0);
        sequence[end..].starts_with('m')
            && sequence[..end].split(';').filter_map(|n| n.parse::<u32>().ok()).any(|n| matches!(n, 30..=49 | 90..=107))
    })
}

#[derive(Clone, Default)]
struct Sink(Arc<Mutex<Vec<u8>>>);

impl Write for Sink {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.0.lock().unwrap().write(bytes)
    }
    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 2_000, failure_persistence: None, ..Default::default() })]

    #[test]
    fn no_view_at_any_size_panics_and_the_call_can_be_read(
        view in view(),
        meters in random_meters(),
        ink in prop_oneof![Just(Ink::Colours), Just(Ink::Plain)],
        width in prop_oneof![1u16..=200, 36u16..=84],
        height in prop_oneof![1u16..=60, 6u16..=26],
    ) {
        let buffer = drawn(&view, &meters, ink, width, height);
        if width >= 40 && height >= 8 {
            prop_assert!(can_be_read(&view.call, &buffer), "{width}x{height} {:?}\n{}", view.call, text(&buffer));
            if view.clocks.iter().any(|clock| clock.left.is_zero()) {
                prop_assert!(text(&buffer).contains("TIME IS UP"), "{width}x{height}\n{}", text(&buffer));
            }
        }
    }
}

fn words() -> impl Strategy<Value = String> {
    prop_oneof![4 => "([A-Za-z,.'-]{1,9} ?){0,8}", 1 => "([a-zäöé→0-9]{1,12} ){0,6}", 1 => any::<String>()]
}

/// A call: up to 100 letters of any script whose letters stand alone.
fn call() -> impl Strategy<Value = String> {
    prop_oneof![
        3 => "([A-Z][a-z]{1,8}|[a-z]{1,10}|[0-9]{1,4})([ ][a-z]{1,10}[.,]?){0,8}",
        1 => "([a-zäöéα-ω→]{1,10} ){1,8}",
    ]
}

fn view() -> impl Strategy<Value = View> {
    let list = |most| prop::collection::vec(words(), 0..most);
    (
        (words(), words(), 0usize..30, 0usize..30, call(), words()),
        (prop::collection::vec(random_clock(), 0..4), words(), list(14), words(), words(), list(8), list(3)),
        (words(), prop::collection::vec((words(), words()), 0..3), list(4)),
    )
        .prop_map(|((routine, section, step, steps, call, caution), rest, (who, beside, said))| {
            let (clocks, last_heard, can_say, confirm_key, other_key, choices, notices) = rest;
            View {
                question: 7,
                critical: false,
                hold: Vec::new(),
                typed: None,
                enters: String::new(),
                bounds: String::new(),
                said,
                cards: Vec::new(),
                routine,
                section,
                step: (step, steps),
                call,
                caution,
                clocks,
                last_heard,
                can_say,
                confirm_key,
                other_key,
                choices,
                who,
                beside,
                emergency: false,
                notices,
            }
        })
}

fn random_clock() -> impl Strategy<Value = ClockView> {
    (
        words(),
        prop_oneof![Just(0u64), 0u64..20_000, any::<u64>().prop_map(|x| x >> 12)],
        0u64..20_000,
        0u64..9_999,
        any::<bool>(),
    )
        .prop_map(|(name, left, length, over, hazard)| ClockView { hazard, ..clock(&name, left, length, over) })
}

fn random_meters() -> impl Strategy<Value = Meters> {
    let level = || prop::option::of(prop_oneof![4 => -90f32..3.0, 1 => any::<f32>()]);
    let activity = prop_oneof![
        Just(SoundActivity::Speaking),
        Just(SoundActivity::Listening),
        Just(SoundActivity::SpeakingAndListening),
        Just(SoundActivity::Deaf)
    ];
    let microphone = prop_oneof![
        Just(Microphone::None),
        Just(Microphone::GivesNothing),
        prop_oneof![4 => -90f32..3.0, 1 => any::<f32>()].prop_map(Microphone::Level)
    ];
    (microphone, level(), activity).prop_map(|(microphone, floor_dbfs, activity)| Meters {
        microphone,
        floor_dbfs,
        activity,
    })
}
