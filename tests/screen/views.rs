//! What the screen looks like, at three sizes; what it never does, at all sizes.

use std::io::Write;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use crate::screen_support::{
    alarm, can_be_read, choices, clock, clock_running, drawn, labels, meters, no_microphone, prompt, text,
};
use proptest::prelude::*;
use ratatui::Terminal;
use ratatui::backend::CrosstermBackend;
use ratatui::style::Color;
use ratatui::{TerminalOptions, Viewport};
use sparehand::engine::output::{ClockView, View};
use sparehand::screen::{Ink, Meters, SoundActivity, ViewStyle};

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
        (words(), prop::collection::vec((words(), words()), 0..3)),
    )
        .prop_map(|((routine, section, step, steps, call, caution), rest, (who, beside))| {
            let (clocks, last_heard, can_say, confirm_key, other_key, choices, notices) = rest;
            View {
                question: 7,
                critical: false,
                hold: Vec::new(),
                typed: None,
                enters: String::new(),
                bounds: String::new(),
                said: Vec::new(),
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
    (level(), level(), activity).prop_map(|(level_dbfs, floor_dbfs, activity)| Meters {
        level_dbfs,
        floor_dbfs,
        activity,
    })
}
