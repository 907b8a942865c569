//! Views to draw, and eyes to read what was drawn.
#![allow(dead_code, reason = "each test binary uses a part of it")]

use std::collections::HashMap;
use std::time::Duration;

use ratatui::Terminal;
use ratatui::backend::TestBackend;
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::widgets::Widget;
use sparehand::engine::output::{ClockView, View};
use sparehand::screen::{Ink, Labels, Meters, Microphone, SoundActivity, ViewStyle};
use tui_big_text::{BigText, PixelSize};

pub fn labels() -> Labels {
    Labels::parse(include_str!("../../prompts/phrases/screen.toml")).unwrap()
}

pub fn drawn(view: &View, meters: &Meters, ink: Ink, width: u16, height: u16) -> Buffer {
    let style = ViewStyle::new(labels(), ink);
    let mut terminal = Terminal::new(TestBackend::new(width, height)).unwrap();
    terminal.draw(|frame| style.draw(view, meters, frame.area(), frame.buffer_mut())).unwrap();
    terminal.backend().buffer().clone()
}

pub fn text(buffer: &Buffer) -> String {
    buffer
        .area
        .rows()
        .map(|row| {
            let line: String = row.columns().map(|cell| buffer[cell.as_position()].symbol().to_owned()).collect();
            line.trim_end().to_owned() + "\n"
        })
        .collect()
}

/// Whether all words of `call` can be read in order, in ordinary or in large letters.
pub fn can_be_read(call: &str, buffer: &Buffer) -> bool {
    let words: Vec<&str> = call.split_whitespace().collect();
    let ordinary = words_of(&text(buffer));
    if contains(&ordinary, &words.iter().map(|word| (*word).to_owned()).collect::<Vec<_>>()) {
        return true;
    }
    SIZES.iter().any(|(size, across, down)| {
        let shapes = Shapes::new(*size, *across, *down);
        let wanted: Vec<String> =
            words.iter().map(|word| word.chars().map(|letter| shapes.alike(letter)).collect()).collect();
        contains(&words_of(&shapes.read(buffer)), &wanted)
    })
}

/// Words, with those that are broken at a hyphen at the end of a line put together again.
fn words_of(text: &str) -> Vec<String> {
    text.split_whitespace().map(str::to_owned).collect()
}

fn contains(text: &[String], words: &[String]) -> bool {
    words.is_empty() || text.concat().contains(&words.concat())
}

const SIZES: [(PixelSize, u16, u16); 3] =
    [(PixelSize::Full, 8, 8), (PixelSize::HalfHeight, 8, 4), (PixelSize::Quadrant, 4, 4)];

/// The shapes of the large letters of one size.
struct Shapes {
    across: u16,
    down: u16,
    letters: HashMap<String, char>,
    shapes: HashMap<char, String>,
}

impl Shapes {
    fn new(size: PixelSize, across: u16, down: u16) -> Self {
        let area = Rect::new(0, 0, across, down);
        let (mut letters, mut shapes) = (HashMap::new(), HashMap::new());
        for letter in ' '..='\u{3ff}' {
            let mut buffer = Buffer::empty(area);
            BigText::builder()
                .pixel_size(size)
                .lines(vec![letter.to_string().into()])
                .build()
                .render(area, &mut buffer);
            let shape = shape(&buffer, area);
            letters.entry(shape.clone()).or_insert(letter);
            shapes.insert(letter, shape);
        }
        Self { across, down, letters, shapes }
    }

    /// The first letter that looks the same.
    fn alike(&self, letter: char) -> char {
        self.shapes.get(&letter).and_then(|shape| self.letters.get(shape)).copied().unwrap_or(letter)
    }

    /// Reads the rows of large letters from the first row that begins with one.
    fn read(&self, buffer: &Buffer) -> String {
        let area = buffer.area;
        let letter_at = |x, y| {
            let cell = Rect::new(x, y, self.across, self.down);
            area.contains((x + self.across - 1, y + self.down - 1).into())
                .then(|| self.letters.get(&shape(buffer, cell)))?
        };
        let mut text = String::new();
        let mut y = area.y;
        while y < area.bottom() {
            match letter_at(0, y).filter(|letter| **letter != ' ') {
                Some(_) => {
                    let line: String =
                        (0..area.width / self.across).map_while(|n| letter_at(n * self.across, y)).collect();
                    text += line.trim_end();
                    text.push('\n');
                    y += self.down;
                }
                None => y += 1,
            }
        }
        text
    }
}

fn shape(buffer: &Buffer, area: Rect) -> String {
    area.positions().map(|cell| buffer[cell].symbol()).collect()
}

pub fn meters() -> Meters {
    Meters { microphone: Microphone::Level(-31.6), floor_dbfs: Some(-57.2), activity: SoundActivity::Listening }
}

pub fn strings<const N: usize>(words: [&str; N]) -> Vec<String> {
    words.map(str::to_owned).into()
}

pub fn prompt() -> View {
    View {
        question: 7,
        critical: false,
        routine: "Dump the tanks".to_owned(),
        section: "Black tank".to_owned(),
        step: (5, 18),
        call: "Close the black valve. Push it all the way in.".to_owned(),
        caution: "Waste can run out of the hose if the valve is not fully home.".to_owned(),
        clocks: vec![],
        last_heard: "\"gloves on\" - taken".to_owned(),
        can_say: strings([
            "valve closed",
            "valve open",
            "not yet",
            "skip",
            "say again",
            "explain",
            "how long",
            "what is left",
            "stand by",
            "stop",
        ]),
        confirm_key: "valve closed".to_owned(),
        other_key: "valve open".to_owned(),
        choices: vec![],
        who: String::new(),
        hold: vec![],
        typed: None,
        enters: String::new(),
        bounds: String::new(),
        said: Vec::new(),
        cards: Vec::new(),
        beside: vec![],
        emergency: false,
        notices: vec![],
    }
}

pub fn clock(name: &str, left: u64, length: u64, over: u64) -> ClockView {
    ClockView {
        step: None,
        end: String::new(),
        name: name.to_owned(),
        left: Duration::from_secs(left),
        length: Duration::from_secs(length),
        over: Duration::from_secs(over),
        hazard: true,
        alarming: left == 0,
    }
}

pub fn clock_running() -> View {
    View {
        call: "Stay with the rinse. Say rinse off when it is off.".to_owned(),
        clocks: vec![clock("black tank rinse", 151, 300, 0)],
        confirm_key: "rinse off".to_owned(),
        other_key: String::new(),
        can_say: strings(["rinse off", "how long", "say again", "stop"]),
        ..prompt()
    }
}

pub fn alarm() -> View {
    View {
        clocks: vec![
            ClockView { hazard: false, ..clock("grey tank drain", 610, 900, 0) },
            clock("black tank rinse", 0, 300, 47),
        ],
        call: "Turn the rinse off now.".to_owned(),
        caution: "The tank is filling and can flood the floor.".to_owned(),
        ..clock_running()
    }
}

pub fn choices() -> View {
    View {
        call: "Why are you skipping it?".to_owned(),
        caution: String::new(),
        choices: strings(["not fitted", "cannot be reached", "broken", "done already"]),
        can_say: strings(["not fitted", "cannot be reached", "broken", "done already", "cancel"]),
        confirm_key: String::new(),
        other_key: String::new(),
        ..prompt()
    }
}

pub fn no_microphone() -> (View, Meters) {
    let view = View { notices: strings(["no microphone: use the keys"]), ..prompt() };
    (view, Meters { microphone: Microphone::None, floor_dbfs: None, activity: SoundActivity::Deaf })
}
